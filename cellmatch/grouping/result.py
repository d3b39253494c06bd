"""What a grouping is, and what it is worth."""

from __future__ import annotations

from dataclasses import dataclass

FLOOR_FACTOR = 2.77
"""Two groups closer than this many group uncertainties can't be told apart at 95 %: 1.96·√2."""

TIME_LIMIT = "time limit"
WORK_SPENT = "its share of work for these seconds was spent"
STOPPED = "stopped by the user"
CUT_SHORT = (TIME_LIMIT, WORK_SPENT, STOPPED)
"""Ends after which more seconds may find more; the other ends are those of a search that is through."""


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
        Unit of value and bound: ``mAh``, or ``fraction`` of the mean group conductance, or for the range
        ``fraction``: the mean over groups of resistance range / median resistance + voltage range / 50 mV.
    """

    name: str
    value: float
    bound: float | None
    proven: bool
    unit: str


@dataclass(frozen=True, kw_only=True, slots=True)
class Figures:
    """All figures of the grouping as it stood after one aim: what each aim cost the others.

    Parameters
    ----------
    aim : str
        The aim just served.
    weakest_mah, spread_mah : float
        [mAh]
    conductance_fraction : float or None
        Largest minus smallest group conductance, of the mean; None without resistances.
    ir_range_mohm, ocv_range_mv : float or None
        [mohm], [mV] Mean over groups of the range inside a group.
    """

    aim: str
    weakest_mah: float
    spread_mah: float
    conductance_fraction: float | None
    ir_range_mohm: float | None
    ocv_range_mv: float | None


@dataclass(frozen=True, kw_only=True, slots=True)
class Grouping:
    """Cells shared out into groups.

    Where groups differ in size and shares are compared, P_g times the mean capacity, `spread_mah` is largest minus
    smallest difference from the share, and `weakest_mah` the group that lacks most, stated for a smallest group.

    Parameters
    ----------
    groups : tuple of tuple of str
        Cell ids of each group, group 1 (at pack negative) first; with several packs, pack after pack.
    spares : tuple of str
        Good cells left over, largest capacity first.
    aims : tuple of AimResult
        In the order in which they ruled.
    spread_mah, bound_mah : float
        [mAh] Largest minus smallest group capacity (of the worst pack), and its bound.
    proven : bool
        Of the spread, given the aims before it.
    weakest_mah, weakest_bound_mah : float
        [mAh] Weakest group, and the most it could be.
    weakest_proven : bool
        The weakest group equals its bound.
    group_uncertainty_mah, floor_mah : float
        [mAh] u·√P, and 2.77 times that: a spread below the floor can't be measured.
    ended_by : str
        Why the search ended, in words.
    seconds : float
        [s] It took.
    seed : int
        Of the random parts.
    solver : str
        Which exact solver with its version, or that none was needed.
    packs : tuple of int or None
        Pack number of each group where there are several packs, from 1.
    unequal : str
        What was compared where groups differ in size: ``share``, ``sum`` or ``free``; empty where they don't.
    history : tuple of (float, float)
        [s], [mAh] When the best spread became what.
    figures : tuple of Figures
        After each aim.
    notes : tuple of str
        What was assumed or left out, in words.
    found_by : str
        Stage of the search that found these groups, the last to gain anything on any aim: ``fold``, ``re-split``,
        ``selections``, ``equal sums``, ``wandering``, ``shaken``, ``columns``, ``CP-SAT`` or ``packs``.
    by_clock : bool
        A clock, or two solver threads in a race, decided: another run may give another grouping.
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
    unequal: str = ""
    history: tuple[tuple[float, float], ...] = ()
    figures: tuple[Figures, ...] = ()
    notes: tuple[str, ...] = ()
    found_by: str = ""
    by_clock: bool = False

    @property
    def search_words(self) -> str:
        """How the search went, in words."""
        found = f"; groups found by {self.found_by}" if self.found_by else ""
        return f"search ended after {self.seconds:.2f} s: {self.ended_by}{found}"

    @property
    def more_may_help(self) -> bool:
        """Whether the search was cut short, so that more seconds may find or prove more."""
        return self.ended_by in CUT_SHORT
