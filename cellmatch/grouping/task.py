"""One stage's question: groups whose sums of some value lie close together, keeping the demands."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from cellmatch.grouping.demands import Demands
from cellmatch.grouping.pool import Floats, Ints

_BROKEN = 2.0**40
"""Merit of breaking a demand once: more than any spread."""
NOTHING_BROKEN = _BROKEN / 2
"""Any grouping of at most this merit keeps all demands."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Task:
    """Cells with a whole-number value each, to be shared out in S groups of P.

    A grouping is an integer array of shape (S, P): a row a group, cell numbers in canonical order. Most
    functions also take several groupings at once, shape (B, S, P).

    Parameters
    ----------
    values : ndarray of int, shape (n,)
        Capacity in steps, or conductance.
    series, parallel : int
        S and P.
    demands : Demands
        What every group must keep.
    unlike : callable, optional
        Takes groups, shape (m, P), and returns how unlike the cells in each are, shape (m,). With it that is
        sought instead of sums that lie close together.
    packs : int
        Packs that the groups make up. Neighbours in the sorted sums make a pack, and the spread is that inside
        the worst pack: swapping two groups between such packs never makes the worst spread less.
    """

    values: Ints
    series: int
    parallel: int
    demands: Demands
    unlike: Callable[[Ints], Floats] | None = None
    packs: int = 1

    @property
    def plain(self) -> bool:
        """Only the sums count: the fast moves will do."""
        return self.demands.nothing and self.unlike is None

    @property
    def by_cells(self) -> bool:
        """Groups have to be looked at cell by cell, sums do not suffice."""
        return bool(self.demands.checks) or self.unlike is not None

    @property
    def places(self) -> int:
        """Cells that the groups take."""
        return self.series * self.parallel

    @property
    def all_used(self) -> bool:
        """No cell stays spare."""
        return len(self.values) == self.places

    def sums(self, groups: Ints) -> Ints:
        """Return the sum of each group, shape (…, S)."""
        return np.asarray(self.values[groups].sum(axis=-1))

    def spread(self, grouping: Ints) -> int:
        """Return largest minus smallest group sum of one grouping, of the worst pack where there are several."""
        return int(self._spreads(self.sums(grouping)[None])[0])

    def _better_packs(self, sums: Ints, worst: Floats) -> Ints:
        """Return how many packs are better than the worst: progress that the worst one does not show."""
        in_packs = np.sort(sums, axis=1).reshape(len(sums), self.packs, -1)
        return np.asarray((np.ptp(in_packs, axis=2) < worst[:, None]).sum(axis=1))

    def _spreads(self, sums: Ints) -> Ints:
        if self.packs > 1:
            ordered = np.sort(sums, axis=1)
            each = self.series // self.packs
            return np.asarray((ordered[:, each - 1 :: each] - ordered[:, ::each]).max(axis=1))
        return np.asarray(sums.max(axis=1) - sums.min(axis=1))

    def weakest(self, grouping: Ints) -> int:
        """Return the smallest group sum of one grouping."""
        return int(self.sums(grouping).min())

    def merits(self, groupings: Ints) -> Floats:
        """Return what is sought of each grouping, plus far more for every demand broken; less is better.

        Parameters
        ----------
        groupings : ndarray of int, shape (B, S, P)
        """
        if self.unlike is None:
            sums = self.sums(groupings)
            sought = self._spreads(sums).astype(np.float64)
            if self.packs > 1:
                sought -= self._better_packs(sums, sought) / (self.packs + 1)
        else:
            rows = groupings.reshape(-1, self.parallel)
            sought = self.unlike(rows).reshape(groupings.shape[:2]).sum(axis=1)
        broken = 0 if self.demands.nothing else _BROKEN * self._broken(groupings)
        return np.asarray(sought + broken, dtype=np.float64)

    def merit(self, grouping: Ints) -> float:
        """Return the merit of one grouping."""
        return float(self.merits(grouping[None])[0])

    def keeps_all(self, grouping: Ints) -> bool:
        """Return whether one grouping keeps all demands."""
        return not self._broken(grouping[None])[0]

    def _broken(self, groupings: Ints) -> Ints:
        rows = groupings.reshape(-1, self.parallel)
        broken = (self.demands.breaks(rows) + self.demands.overflow(rows)).reshape(groupings.shape[:2])
        missing = self.demands.must.sum() - self.demands.must[groupings].sum(axis=(1, 2))
        return np.asarray(broken.sum(axis=1) + missing)

    def spares(self, groupings: Ints) -> Ints:
        """Return the cells in no group of each grouping, shape (B, n - S·P)."""
        left = np.ones((len(groupings), len(self.values)), dtype=bool)
        np.put_along_axis(left, groupings.reshape(len(groupings), -1), False, axis=1)
        return np.asarray(np.nonzero(left)[1].reshape(len(groupings), -1))
