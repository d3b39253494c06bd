"""What a build step is, and what the meter must show before and after it."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from cellmatch.build.links import Wiring
from cellmatch.build.meter import Meter
from cellmatch.build.taps import Tap
from cellmatch.cells.table import PlacedCells, resistances_mohm
from cellmatch.electrics.parallel import joining_window_v
from cellmatch.pack.chemistry import Chemistry
from cellmatch.pack.holder import Holder
from cellmatch.pack.limits import JOIN_WINDOW_MV, Limits
from cellmatch.pack.positions import Positions


@dataclass(frozen=True, kw_only=True, slots=True)
class Expected:
    """One reading that a step asks for.

    Parameters
    ----------
    kind : str
        ``cell_v``, ``group_v``, ``tap_v``, ``main_v`` as in the readings file; ``gap_v`` across the place
        of a link; ``spread_v`` is worked out from the cell readings of the group, not typed.
    target : str
        A cell id, a group (``3``) or block of groups (``3-4``), a pin, a junction, or ``pack``.
    when : str
        ``before`` or ``after``.
    value_v : float
        [V] What to expect.
    low_v, high_v : float
        [V] Window; outside it the step is locked.
    reason_opens : bool
        A written reason opens that lock; otherwise only a new reading, or a new plan, does.
    hard_low_v, hard_high_v : float or None
        [V] Outside these no reason opens it, whatever `reason_opens` says.
    words : str
        Where the probes go and what else to know; empty where the target says it all.
    """

    kind: str
    target: str
    when: str
    value_v: float
    low_v: float
    high_v: float
    reason_opens: bool
    hard_low_v: float | None = None
    hard_high_v: float | None = None
    words: str = ""


@dataclass(frozen=True, kw_only=True, slots=True)
class Step:
    """One step at the bench; the next waits until this one is read, ticked and covered.

    Parameters
    ----------
    number : int
        From 1.
    title : str
    have_ready : tuple of str
    do : tuple of str
        In order.
    cells : tuple of str
        Ids of the cells in hand.
    cover : str
        What is covered before the next step; empty where nothing is bare that wasn't before.
    expected : tuple of Expected
    live_v : float
        [V] Largest voltage between bare parts once the step is done, at full.
    junction : int
        Junction made in this step; 0 for none.
    reason_opens : bool
        Every lock of this step may be opened by a written reason.
    """

    number: int
    title: str
    have_ready: tuple[str, ...]
    do: tuple[str, ...]
    cells: tuple[str, ...]
    cover: str
    expected: tuple[Expected, ...]
    live_v: float
    junction: int
    reason_opens: bool


@dataclass(frozen=True, kw_only=True, slots=True)
class Workbench:
    """Everything the steps are written from, by place (index 0 is place 1).

    Parameters
    ----------
    positions : Positions
    wiring : Wiring
    holder : Holder
    chemistry : Chemistry
    limits : Limits
        Settled.
    ids : tuple of str
        Cell at each place.
    ocv_v : ndarray, shape (places,)
        [V] What each cell will show when it is joined: as read, or the voltage it is to be brought to.
    to_level : ndarray of bool, shape (places,)
        The cell must be brought to that voltage first.
    r_ohm : ndarray, shape (places,)
        [ohm] NaN where none was given.
    capacity_ah : ndarray, shape (places,)
        [Ah]
    join_limit_a : ndarray, shape (places,)
        [A] What the cell may see at the instant of joining.
    meter : Meter
    """

    positions: Positions
    wiring: Wiring
    holder: Holder
    chemistry: Chemistry
    limits: Limits
    ids: tuple[str, ...]
    ocv_v: NDArray[np.float64]
    to_level: NDArray[np.bool_]
    r_ohm: NDArray[np.float64]
    capacity_ah: NDArray[np.float64]
    join_limit_a: NDArray[np.float64]
    meter: Meter

    @property
    def series(self) -> int:
        """Groups in series."""
        return int(self.positions.group.max())

    @property
    def full_v(self) -> float:
        """One cell, full [V]."""
        return self.chemistry.full_v if self.limits.max_v is None else self.limits.max_v

    def places_of(self, group: int) -> NDArray[np.int64]:
        """Return the indices of a group's places."""
        return np.flatnonzero(self.positions.group == group)

    def ids_of(self, *groups: int) -> tuple[str, ...]:
        """Return the cells of some groups, place by place."""
        return tuple(self.ids[i] for g in groups for i in self.places_of(g))

    def spread_allowed_v(self, group: int) -> float:
        """Return the largest difference between cells of a group at which it may be joined [V]."""
        here = self.places_of(group)
        window_v = (self.limits.join_window_mv or JOIN_WINDOW_MV) / 1000
        r = self.r_ohm[here]
        if len(here) == 1 or np.isnan(r).any():
            return 2 * window_v
        by_current = joining_window_v(float(r.min()), len(here), float(self.join_limit_a[here].min()))
        return 2 * min(window_v, by_current)


def workbench(
    cells: PlacedCells,
    positions: Positions,
    wiring: Wiring,
    holder: Holder,
    chemistry: Chemistry,
    limits: Limits,
) -> Workbench:
    """Gather from the cell table what the steps are written from.

    Parameters
    ----------
    cells : PlacedCells
    positions : Positions
    wiring : Wiring
    holder : Holder
    chemistry : Chemistry
    limits : Limits
        Settled.

    Returns
    -------
    Workbench
    """
    used = cells[cells["position"] > 0].sort_values("position")
    read_v = used["ocv_v"].to_numpy(dtype=float)
    level_v = used["level_to_v"].to_numpy(dtype=float) if "level_to_v" in used.columns else np.full(len(used), np.nan)
    to_level = ~np.isnan(level_v)
    capacity_ah = used["capacity_mah"].to_numpy(dtype=float) / 1000
    limit = np.full(len(used), limits.charge_limit_a) if limits.charge_limit_a else limits.join_limit_c * capacity_ah
    return Workbench(
        positions=positions,
        wiring=wiring,
        holder=holder,
        chemistry=chemistry,
        limits=limits,
        ids=tuple(str(cell) for cell in used.index),
        ocv_v=np.where(to_level, level_v, read_v),
        to_level=to_level,
        r_ohm=resistances_mohm(used) / 1000,
        capacity_ah=capacity_ah,
        join_limit_a=np.asarray(limit, dtype=float),
        meter=Meter.of(limits),
    )


def expect_cell(bench: Workbench, place: int, words: str = "", when: str = "before") -> Expected:
    """Expect a cell's own signed voltage, red probe on the end the map shows as positive."""
    value = float(bench.ocv_v[place])
    tolerance = bench.meter.tolerance_v(value)
    return Expected(
        kind="cell_v",
        target=bench.ids[place],
        when=when,
        value_v=value,
        low_v=value - tolerance,
        high_v=value + tolerance,
        # a cell to be levelled is locked until its new reading lies inside
        reason_opens=not bench.to_level[place],
        hard_low_v=bench.limits.min_v,
        hard_high_v=bench.full_v + bench.limits.above_full_v,
        words=words,
    )


def expect_spread(bench: Workbench, group: int) -> Expected:
    """Expect the cells of a group to lie so near each other that they may be joined; no reason opens it."""
    allowed = bench.spread_allowed_v(group)
    return Expected(
        kind="spread_v",
        target=str(group),
        when="before",
        value_v=0.0,
        low_v=0.0,
        high_v=allowed,
        reason_opens=False,
        words=f"group {group}: highest minus lowest of its cells at most {1000 * allowed:.0f} mV",
    )


def expect_block(bench: Workbench, first: int, last: int, when: str, words: str = "") -> Expected:
    """Expect the voltage of one group, or of several in series, red probe at the positive end.

    Joined cells settle somewhere between the lowest and the highest of them.
    """
    groups = [bench.ocv_v[bench.places_of(g)] for g in range(first, last + 1)]
    value = float(sum(v.mean() for v in groups))
    tolerance = bench.meter.tolerance_v(value)
    return Expected(
        kind="group_v",
        target=str(first) if first == last else f"{first}-{last}",
        when=when,
        value_v=value,
        low_v=float(sum(v.min() for v in groups)) - tolerance,
        high_v=float(sum(v.max() for v in groups)) + tolerance,
        reason_opens=True,
        # a wrong sign, or a whole group missing from the sum, is never opened
        hard_low_v=value - 0.5 * float(min(v.mean() for v in groups)),
        hard_high_v=value + 0.5 * float(min(v.mean() for v in groups)),
        words=words,
    )


def expect_gap(bench: Workbench, junction: int, what: str, allowed_v: float, *, reason_opens: bool = False) -> Expected:
    """Expect next to nothing across the place of a link."""
    return Expected(
        kind="gap_v",
        target=f"{junction}-{junction + 1}",
        when="before",
        value_v=0.0,
        low_v=-allowed_v,
        high_v=allowed_v,
        reason_opens=reason_opens,
        words=what,
    )


def expect_tap(tap: Tap) -> Expected:
    """Expect the cumulative voltage of a pin, black probe on pin 0, before anything is plugged in."""
    half_group_v = 0.5 * tap.value_v / tap.pin if tap.pin else 0.5
    return Expected(
        kind="tap_v",
        target=str(tap.pin),
        when="after",
        value_v=tap.value_v,
        low_v=tap.low_v,
        high_v=tap.high_v,
        reason_opens=True,
        # a pin on a wrong plate destroys the board: no reason opens that
        hard_low_v=tap.value_v - half_group_v,
        hard_high_v=tap.value_v + half_group_v,
        words="" if tap.pin else "pin 0 against main −: nothing",
    )


def make_step(
    title: str,
    do: list[str],
    *,
    live_v: float,
    cells: tuple[str, ...] = (),
    ready: tuple[str, ...] = (),
    cover: str = "",
    expected: list[Expected] | None = None,
    junction: int = 0,
) -> Step:
    """Make a step; its number comes when the order is complete."""
    expected = expected or []
    return Step(
        number=0,
        title=title,
        have_ready=ready,
        do=tuple(do),
        cells=cells,
        cover=cover,
        expected=tuple(expected),
        live_v=live_v,
        junction=junction,
        reason_opens=all(e.reason_opens for e in expected),
    )


def widest_block(series: int, made: set[int]) -> tuple[int, int]:
    """Return first and last group of the longest run joined by the junctions made so far.

    Examples
    --------
    >>> widest_block(6, {1, 2, 5})
    (1, 3)
    """
    best, first = (1, 1), 1
    for k in range(1, series + 1):
        if k - first > best[1] - best[0]:
            best = (first, k)
        if k not in made:
            first = k + 1
    return best


def block_of(group: int, series: int, made: set[int]) -> tuple[int, int]:
    """Return first and last group of the run that holds `group`.

    Examples
    --------
    >>> block_of(2, 6, {1, 2, 5})
    (1, 3)
    """
    first = last = group
    while first - 1 in made:
        first -= 1
    while last in made and last < series:
        last += 1
    return first, last


def numbered(steps: list[Step]) -> tuple[Step, ...]:
    """Give steps their numbers, from 1."""
    return tuple(replace(step, number=n) for n, step in enumerate(steps, start=1))
