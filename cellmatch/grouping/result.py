"""What a grouping is, and what it is worth."""

from __future__ import annotations

from dataclasses import dataclass

FLOOR_FACTOR = 2.77
"""Two groups closer than this many group uncertainties can't be told apart at 95 %: 1.96·√2."""


@dataclass(frozen=True, kw_only=True, slots=True)
class AimResult:
    """One aim, what was reached, and what is proved about it.

    Parameters
    ----------
    name : str
        ``weakest``, ``spread``, ``conductance`` or ``range``.
    value : float
        Reached.
    bound : float or None
        No grouping that keeps the aims before it does better; None where no limit is known.
    proven : bool
        The value equals the bound.
    unit : str
        Unit of value and bound.
    """

    name: str
    value: float
    bound: float | None
    proven: bool
    unit: str


@dataclass(frozen=True, kw_only=True, slots=True)
class Grouping:
    """Cells shared out into groups.

    Parameters
    ----------
    groups : tuple of tuple of str
        Cell ids of each group, group 1 (at pack negative) first; with several packs, pack after pack.
    spares : tuple of str
        Good cells left over.
    aims : tuple of AimResult
        In the order in which they ruled.
    spread_mah, bound_mah : float
        [mAh] Largest minus smallest group capacity (of the worst pack), and its bound.
    proven : bool
        Of the spread, given the aims before it.
    weakest_mah, weakest_bound_mah : float
        [mAh] Weakest group, and the most it could be.
    weakest_proven : bool
        Of the weakest group.
    group_uncertainty_mah, floor_mah : float
        [mAh] u·√P, and 2.77 times that: a spread below the floor can't be measured.
    ended_by : str
        Why the search ended, in words.
    seconds : float
        [s] It took.
    seed : int
        Of the random parts.
    solver : str
        Which exact solver with version, or why none was needed.
    packs : tuple of int or None
        Pack number of each group where there are several packs.
    history : tuple of (float, float)
        [s], [mAh] When the best spread became what.
    notes : tuple of str
        What was assumed or left out, in words.
    """

    groups: tuple[tuple[str, ...], ...]
    spares: tuple[str, ...]
    aims: tuple[AimResult, ...]
    spread_mah: float
    bound_mah: float
    proven: bool
    weakest_mah: float
    weakest_bound_mah: float
    weakest_proven: bool
    group_uncertainty_mah: float
    floor_mah: float
    ended_by: str
    seconds: float
    seed: int
    solver: str
    packs: tuple[int, ...] | None = None
    history: tuple[tuple[float, float], ...] = ()
    notes: tuple[str, ...] = ()
