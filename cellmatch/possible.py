"""What a tray can become: every pack its good cells allow, and what stands in the way of a better one.

Nothing here decides; it shows the choices side by side, each grouped for real.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from cellmatch.cells.screening.rules import RULES
from cellmatch.cells.screening.screen import Screening, screen_cells
from cellmatch.cells.table import CellTable, ScreenedCells
from cellmatch.grouping.solve import Grouping, group_cells
from cellmatch.pack.limits import Limits, option_name
from cellmatch.pack.spec import Pack

SECONDS_EACH = 0.1
"""Longest search for one shape: a look, not the plan."""
MOST_SHAPES = 30
MOST_SERIES = 24
"""Where no series count is asked for: about 100 V full, and the end of what is built at a bench (common
practice, no source)."""

LOOSENED: dict[str, Mapping[str, Any]] = {
    "min_capacity_fraction": {"min_capacity_fraction": 0.0},
    "max_ir_ratio": {"max_ir_ratio": 1e9, "max_ir_mohm": None},
    "outlier_k": {"outlier_k": 1e9},
    "mass_loss_fraction": {"mass_loss_fraction": 1.0},
}
"""The limits that grade cells and may be argued about, each with values that let everything pass. Those that
guard against fire are not among them."""


@dataclass(frozen=True, kw_only=True, slots=True)
class PackOption:
    """One pack, or several alike, that the tray can become.

    Parameters
    ----------
    pack : Pack
    packs : int
        How many of them at once.
    left_over : int
        Good cells that stay spare.
    capacity_mah : float
        [mAh] Usable: the weakest group of the weakest pack.
    spread_mah, floor_mah : float
        [mAh] Of the worst pack; what the tester can tell apart.
    proven : bool
        No grouping gives a stronger weakest group.
    nominal_v : float
        [V]
    energy_wh : float
        [Wh] Of all the packs together.
    why : str
        What sets this choice apart.
    """

    pack: Pack
    packs: int
    left_over: int
    capacity_mah: float
    spread_mah: float
    floor_mah: float
    proven: bool
    nominal_v: float
    energy_wh: float
    why: str = ""

    @property
    def smallest_group(self) -> int:
        """Cells of the smallest group: they share the pack's whole current."""
        return min(self.pack.group_sizes)

    def current_per_cell_a(self, current_a: float) -> float:
        """Return what each cell of the smallest group carries of a pack current [A]."""
        return current_a / self.smallest_group


@dataclass(frozen=True, kw_only=True, slots=True)
class LimitCost:
    """What one limit costs.

    Parameters
    ----------
    option : str
        The limit as it is typed.
    cells : int
        Cells that it alone keeps out: so many more would be good without it.
    capacity_mah : float or None
        [mAh] Usable capacity of the pack without it; None where there is no pack to compare.
    """

    option: str
    cells: int
    capacity_mah: float | None


@dataclass(frozen=True, kw_only=True, slots=True)
class WithoutWeakest:
    """The pack once the weakest cells are left out.

    Parameters
    ----------
    left_out : int
        So many of the weakest good cells.
    least_mah : float
        [mAh] Capacity of the weakest cell that may still be used.
    option : PackOption
    """

    left_out: int
    least_mah: float
    option: PackOption


def possible_packs(
    cells: ScreenedCells,
    *,
    series: Sequence[int] | None = None,
    least_parallel: Callable[[int], int] = lambda series: 1,
    most: int = MOST_SHAPES,
    seconds: float = SECONDS_EACH,
) -> tuple[PackOption, ...]:
    """Return the packs that the good cells allow, most energy first.

    Parameters
    ----------
    cells : ScreenedCells
    series : sequence of int, optional
        Series counts to look at: every number in parallel, one pack and as many alike as the cells give.
        Without it every series count up to :data:`MOST_SERIES` with as many in parallel as the cells give.
    least_parallel : callable, optional
        Takes a series count, returns the fewest in parallel that carry the load.
    most : int
        Longest list; the shapes with the most energy are grouped, the others left out.
    seconds : float
        [s] Longest search for each shape, counted as work.

    Returns
    -------
    tuple of PackOption
    """
    good = _good_capacities(cells)
    shapes = [
        (pack, packs)
        for pack, packs in _shapes(len(good), series)
        if min(pack.group_sizes) >= least_parallel(pack.series)
    ]
    # the energy that the largest cells of a shape could give at best: sum of capacities over series cancels
    shapes.sort(key=lambda shape: (-float(good[: shape[1] * shape[0].places].sum()), shape[1]))
    options = [_option(cells, pack, packs, seconds) for pack, packs in shapes[:most]]
    return tuple(sorted(options, key=lambda option: (-round(option.energy_wh, 3), option.packs)))


def nearest_packs(cells: ScreenedCells, pack: Pack | str, *, seconds: float = SECONDS_EACH) -> tuple[PackOption, ...]:
    """Return what can be made where the good cells don't come out even with a pack.

    Leaving cells out, the same series with fewer in parallel, fewer in series, and groups of unequal size, in
    which fewer strong cells stand against more weak ones.

    Parameters
    ----------
    cells : ScreenedCells
    pack : Pack or str
        As wished.
    seconds : float
        [s] Longest search for each, counted as work.

    Returns
    -------
    tuple of PackOption
        Nothing where the cells come out even. In a pack of unequal groups the cells of the smallest one carry
        the most current.
    """
    pack = Pack.of(pack)
    good, series, parallel = len(_good_capacities(cells)), pack.series, max(pack.group_sizes)
    if good == pack.places:
        return ()
    each, extra = divmod(good, series)
    choices: list[tuple[Pack, str]] = []
    if good > pack.places:
        choices.append((pack, f"leave {good - pack.places} out"))
        if each > parallel:
            choices.append((Pack(series, each), f"{each} in parallel"))
    else:
        if each:
            choices.append((Pack(series, each), f"fewer in parallel: {each} instead of {parallel}"))
        if good >= parallel:
            choices.append(
                (Pack(good // parallel, parallel), f"fewer in series: {good // parallel} instead of {series}")
            )
    options = [_option(cells, choice, 1, seconds, why) for choice, why in dict(choices).items()]
    if each and extra:
        options += _unequal(cells, series, seconds)
    return tuple(options)


def why_uneven(good: int, pack: Pack | str) -> str:
    """Return in words why so many cells don't make a pack of equal groups.

    Examples
    --------
    >>> why_uneven(51, "13s4p")
    '51 good cells for 52 places: 1 is missing; 51 = 13 × 3 + 12'
    >>> why_uneven(31, "10s3p")
    '31 good cells for 30 places: 1 is left over; 31 = 10 × 3 + 1'
    """
    pack = Pack.of(pack)
    each, extra = divmod(good, pack.series)
    apart = good - pack.places
    if apart == 0:
        return f"{good} good cells for {pack.places} places: none is left over"
    verb = "is" if abs(apart) == 1 else "are"
    fate = "left over" if apart > 0 else "missing"
    sum_words = f"{good} = {pack.series} × {each} + {extra}"
    return f"{good} good cells for {pack.places} places: {abs(apart)} {verb} {fate}; {sum_words}"


def limit_costs(
    cells: ScreenedCells, pack: Pack | str | None = None, *, seconds: float = SECONDS_EACH
) -> tuple[LimitCost, ...]:
    """Return what each limit that grades cells costs, dearest first.

    Every limit in turn is taken away and the tray is screened anew, so that what the others then say counts too.

    Parameters
    ----------
    cells : ScreenedCells
    pack : Pack or str, optional
        To give the cost in capacity too.
    seconds : float
        [s] Longest search for each, counted as work.

    Returns
    -------
    tuple of LimitCost
        Only limits that keep a cell out.
    """
    screening: Screening = cells.attrs["screening"]
    wished = None if pack is None else Pack.of(pack)
    before = _good_count(cells)
    costs = []
    for name, values in LOOSENED.items():
        loose = _screened_anew(cells, replace(screening.limits, **values))
        more = _good_count(loose) - before
        if more <= 0:
            continue
        fits = wished is not None and before + more >= wished.places
        capacity = _option(loose, wished, 1, seconds).capacity_mah if fits and wished is not None else None
        costs.append(LimitCost(option=option_name(name), cells=more, capacity_mah=capacity))
    return tuple(sorted(costs, key=lambda cost: -cost.cells))


def guarded(cells: ScreenedCells) -> dict[str, int]:
    """Return the rules that guard against fire, with how many cells each kept out: no limit is to open these."""
    screening: Screening = cells.attrs["screening"]
    closed = {rule.name for rule in RULES if rule.rejects and not rule.reason_opens}
    return {name: count for name, count in screening.counts.items() if name in closed}


def without_weakest(
    cells: ScreenedCells, pack: Pack | str, most: int = 12, *, seconds: float = SECONDS_EACH
) -> tuple[WithoutWeakest, ...]:
    """Return the pack with none, one, two … of the weakest good cells left out.

    As long as enough cells are left the pack keeps its shape; after that it has fewer in parallel.

    Parameters
    ----------
    cells : ScreenedCells
    pack : Pack or str
    most : int
        Cells left out at most.
    seconds : float
        [s] Longest search for each, counted as work.

    Returns
    -------
    tuple of WithoutWeakest
        Nothing where the cells are too few for the pack as it is.
    """
    pack = Pack.of(pack)
    good = cells[cells["status"] == "good"].sort_values("capacity_mah", kind="stable")
    if len(good) < pack.places:
        return ()
    steps = []
    for left_out in range(min(most, len(good) - pack.series) + 1):
        rest = good.iloc[left_out:]
        shape = pack if len(rest) >= pack.places else Pack(pack.series, len(rest) // pack.series)
        table = cells.copy()
        table.loc[good.index[:left_out], "status"] = "reject"
        steps.append(
            WithoutWeakest(
                left_out=left_out,
                least_mah=float(rest["capacity_mah"].iloc[0]),
                option=_option(ScreenedCells(CellTable(table)), shape, 1, seconds),
            )
        )
    return tuple(steps)


def _shapes(good: int, series: Sequence[int] | None) -> list[tuple[Pack, int]]:
    """Return the shapes that so many cells allow, and how many of each at once."""
    if series is None:
        return [(Pack(s, good // s), 1) for s in range(1, min(good, MOST_SERIES) + 1)]
    shapes = []
    for s in dict.fromkeys(series):
        for p in range(1, good // s + 1):
            pack, at_once = Pack(s, p), good // (s * p)
            shapes += [(pack, packs) for packs in dict.fromkeys((1, at_once))]
    return shapes


def _option(cells: ScreenedCells, pack: Pack, packs: int, seconds: float, why: str = "") -> PackOption:
    limits: Limits = cells.attrs["screening"].limits
    grouping = group_cells(
        cells,
        pack,
        packs=packs,
        seconds=seconds,
        reproducible=True,  # the same table on every machine, however busy
        repeatability_fraction=limits.repeatability_fraction or 0.0,
        rated_mah=limits.rated_mah,
    )
    return _judged(cells, grouping, pack, packs, why)


def _unequal(cells: ScreenedCells, series: int, seconds: float) -> list[PackOption]:
    """Return the pack of all good cells whose groups differ in size by what the number of cells asks for.

    In series every group gives the same charge, so the groups are to have equal capacities, not equal sizes, and
    the search finds which cells stand in small groups.
    """
    each, extra = divmod(_good_count(cells), series)
    pack = Pack(series, (each + 1,) * extra + (each,) * (series - extra))
    found = group_cells(cells, pack, ("spread",), seconds=seconds, unequal="free", reproducible=True)
    groups = tuple(sorted(found.groups, key=len, reverse=True))
    sizes = tuple(len(group) for group in groups)
    if not all(sizes):
        return []
    counts = " and ".join(f"{sizes.count(size)} of {size}" for size in sorted(set(sizes), reverse=True))
    grouping = replace(found, groups=groups)
    return [_judged(cells, grouping, Pack(series, sizes), 1, f"unequal groups: {counts}")]


def _judged(cells: ScreenedCells, grouping: Grouping, pack: Pack, packs: int, why: str) -> PackOption:
    capacity = cells["capacity_mah"]
    sums = np.array([float(capacity.loc[list(group)].sum()) for group in grouping.groups])
    in_pack = sums.reshape(packs, pack.series)
    nominal_v = pack.series * cells.attrs["screening"].chemistry.nominal_v
    return PackOption(
        pack=pack,
        packs=packs,
        left_over=len(grouping.spares),
        capacity_mah=float(sums.min()),
        spread_mah=float(np.ptp(in_pack, axis=1).max()),
        floor_mah=grouping.floor_mah,
        proven=grouping.weakest_proven,
        nominal_v=nominal_v,
        energy_wh=nominal_v * float(in_pack.min(axis=1).sum()) / 1000,
        why=why,
    )


def _screened_anew(cells: ScreenedCells, limits: Limits) -> ScreenedCells:
    screening: Screening = cells.attrs["screening"]
    accepted = {str(cell): str(reason) for cell, reason in cells["accepted"].items() if reason is not None}
    return screen_cells(cells, limits, chemistry=screening.chemistry, accept=accepted)


def _good_capacities(cells: ScreenedCells) -> np.ndarray:
    """Return the capacities of the good cells, largest first [mAh]."""
    good = cells.loc[cells["status"] == "good", "capacity_mah"].to_numpy(dtype=float)
    return np.sort(good)[::-1]


def _good_count(cells: ScreenedCells) -> int:
    return int((cells["status"] == "good").sum())
