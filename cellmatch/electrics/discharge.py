"""Running a pack under load until the first group is empty or full, every cell with its own current."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike, NDArray

from cellmatch.electrics.circuit import Array, Circuit, Share, State
from cellmatch.electrics.load import KINDS, Load
from cellmatch.errors import ArgumentInvalid, JobError, Problem
from cellmatch.pack.curve import OcvCurve

STEPS_OF_A_RUN = 500
"""Steps the expected run is cut into where no step is given."""
MOST_STEPS = 500_000
_TRIALS = 30
_LEAST_LEFT = 0.02  # a cell at its end still gets steps of a sensible length


@dataclass(frozen=True, kw_only=True, slots=True)
class Run:
    """What a load did to a pack. Cell arrays stand in the order the cells were given.

    Parameters
    ----------
    ended_by : str
        ``end voltage``, ``full``, ``time``, or ``power`` where the pack can't give the power any more.
    ended_group : int or None
        The group that ended it.
    duration_s, step_s : float
        [s] Of the run, and of a step.
    charge_ah, energy_wh, heat_wh : float
        [Ah], [Wh] Given at the terminals; lost inside as heat, links included.
    time_s, current_a, pack_v : ndarray of shape (m,)
        [s], [A], [V] At the start of each step and at the end, under load.
    group : ndarray of int, shape (g,)
        Numbers of the groups.
    group_v : ndarray of shape (m, g)
        [V] Of each group, at the same instants.
    sag_v : float
        [V] Pack at rest minus pack at load-on.
    cell_first_a, cell_last_a : ndarray of shape (n,)
        [A] At load-on and at the end.
    cell_max_a, cell_max_at_s : ndarray of shape (n,)
        [A], [s] Largest magnitude over the run, and when.
    cell_rms_a, cell_heat_w : ndarray of shape (n,)
        [A], [W] Root mean square current, mean heat.
    cell_charge_ah, cell_soc : ndarray of shape (n,)
        [Ah] Given by each cell; state of charge at the end.
    currents_a : ndarray of shape (m, n) or None
        [A] Of every cell at every instant, where asked for.
    """

    ended_by: str
    ended_group: int | None
    duration_s: float
    step_s: float
    charge_ah: float
    energy_wh: float
    heat_wh: float
    time_s: Array
    current_a: Array
    pack_v: Array
    group: NDArray[np.int64]
    group_v: Array
    sag_v: float
    cell_first_a: Array
    cell_last_a: Array
    cell_max_a: Array
    cell_max_at_s: Array
    cell_rms_a: Array
    cell_heat_w: Array
    cell_charge_ah: Array
    cell_soc: Array
    currents_a: Array | None


def run_load(
    capacity_ah: ArrayLike,
    r_ohm: ArrayLike,
    group: ArrayLike,
    curve: OcvCurve,
    load: Load,
    *,
    end_v: float,
    full_v: float,
    soc: ArrayLike = 1.0,
    link_ohm: float = 0.0,
    step_s: float | None = None,
    longest_s: float = np.inf,
    keep_currents: bool = False,
) -> Run:
    """Run a load until the first group reaches its end voltage, or full while charging.

    Method and equations: :mod:`cellmatch.electrics.circuit`.

    Parameters
    ----------
    capacity_ah, r_ohm : array_like of shape (n,)
        [Ah], [ohm] Of each cell; the resistance with the cell's own contacts.
    group : array_like of int, shape (n,)
        Group of each cell; groups are in series.
    curve : OcvCurve
        Rest voltage against charge, SOC 0 and 1 where the capacities were measured from and to.
    load : Load
    end_v, full_v : float
        [V] Of one group, under load.
    soc : float or array_like of shape (n,)
        State of charge of each cell at the start.
    link_ohm : float
        [ohm] Links between groups and to the terminals, all in series.
    step_s : float, optional
        [s] Without it the expected run is cut into :data:`STEPS_OF_A_RUN`.
    longest_s : float
        [s] Stop then at the latest.
    keep_currents : bool
        Keep every cell's current at every instant.

    Returns
    -------
    Run

    Raises
    ------
    ArgumentInvalid
        A resistance or capacity of 0 or less or missing, lengths that differ, a load without end, a run of
        more than :data:`MOST_STEPS` steps.
    JobError
        A load that the pack can't carry even at the start.

    Examples
    --------
    >>> from cellmatch.electrics.load import constant_current
    >>> curve = OcvCurve(soc_fraction=(0, 1), ocv_v=(3.0, 4.2), uncertainty_v=(0, 0), source="")
    >>> run = run_load([2.5, 2.5], [0.05, 0.05], [1, 1], curve, constant_current(5.0), end_v=3.0, full_v=4.2)
    >>> run.charge_ah, run.duration_s, run.ended_by
    (4.479, 3225.0, 'end voltage')
    """
    circuit = Circuit.of(capacity_ah, r_ohm, group, curve, load.kind, link_ohm)
    if not 0 < end_v < full_v:
        raise ArgumentInvalid(Problem("run", f"found an end at {end_v:g} V and full at {full_v:g} V"))
    limits = (end_v, full_v)
    state = circuit.state(circuit.laid_out(soc))
    if not np.isfinite(state.soc).all():
        raise ArgumentInvalid(Problem("run", "the state of charge of a cell is missing"))
    if not longest_s > 0 or (step_s is not None and not step_s > 0):
        found = f"found a step of {step_s} s and at most {longest_s:g} s"
        raise ArgumentInvalid(Problem("run", f"{found}; both must be above 0"))
    expected_s = _expected_s(load, circuit, state, longest_s)
    step_s = min(expected_s / STEPS_OF_A_RUN if step_s is None else step_s, *load.durations_s)
    if expected_s > MOST_STEPS * step_s:
        words = f"about {expected_s:.0f} s in steps of {step_s:g} s; at most {MOST_STEPS} steps are run"
        raise ArgumentInvalid(Problem("run", words))

    tally = _Tally(circuit=circuit, keep=keep_currents)
    now, last_load = circuit.share(state, load.values[0]), load.values[0]
    if not _margin_v(now, limits) > 0:
        raise _cannot_start(circuit, load, now, limits)
    rest_v = float(circuit.share(state, 0.0).group_v.sum())
    ended_by = "time"
    for value, dt in _schedule(load, step_s, longest_s):
        if value != last_load:
            tally.note_peaks(now)
            now = circuit.share(state, value)
        tally.sample(now)
        if not _margin_v(now, limits) > 0:
            ended_by = _end_word(now)
            break
        mean, after = circuit.step(state, value, dt)
        then = circuit.share(after, value)
        if not _margin_v(then, limits) > 0:
            dt = _time_to_end(circuit, state, value, dt, limits)
            mean, after = circuit.step(state, value, dt)
            ended_by, then = _end_word(then), circuit.share(after, value)
        tally.add(mean, dt)
        state, now, last_load = after, then, value
        if ended_by != "time":
            tally.sample(now)
            break
    else:
        tally.sample(now)
    return tally.result(state, ended_by, _nearest_group(circuit, now, limits, ended_by), step_s, rest_v)


def _schedule(load: Load, step_s: float, longest_s: float) -> Iterator[tuple[float, float]]:
    """Yield load and length of each step, until the longest time is over."""
    time_s = 0.0
    while True:
        for value, duration in zip(load.values, load.durations_s, strict=True):
            end = min(time_s + duration, longest_s)
            # a rest of rounding is no step of its own
            while end - time_s > 1e-9 * step_s:
                dt = min(step_s, end - time_s)
                yield value, dt
                time_s += dt
            if time_s >= longest_s * (1 - 1e-12):
                return


def _margin_v(share: Share, limits: tuple[float, float]) -> float:
    """Return how far the nearest group is from its end [V]: empty while discharging, full while charging."""
    if share.current_a > 0:
        return float(share.group_v.min()) - limits[0]
    if share.current_a < 0:
        return limits[1] - float(share.group_v.max())
    return np.inf if share.current_a == 0 else -np.inf


def _end_word(share: Share) -> str:
    if np.isnan(share.current_a):
        return "power"
    return "end voltage" if share.current_a > 0 else "full"


def _nearest_group(circuit: Circuit, share: Share, limits: tuple[float, float], ended_by: str) -> int | None:
    if ended_by == "time":
        return None
    column = int(np.argmax(share.group_v) if ended_by == "full" else np.argmin(share.group_v))
    return int(circuit.group[column])


def _time_to_end(circuit: Circuit, state: State, load: float, dt_s: float, limits: tuple[float, float]) -> float:
    """Return when inside a step the first group ends [s]: false position, Illinois variant, or halving."""
    low, high = 0.0, dt_s
    at_low = _margin_v(circuit.share(state, load), limits)
    at_high = _margin_v(circuit.share(circuit.step(state, load, dt_s)[1], load), limits)
    for _ in range(_TRIALS):
        weight = at_low / (at_low - at_high) if np.isfinite(at_high) else 0.5
        middle = low + weight * (high - low)
        margin = _margin_v(circuit.share(circuit.step(state, load, middle)[1], load), limits)
        if abs(margin) < 1e-10:
            return middle
        if margin > 0:
            low, at_low, at_high = middle, margin, 0.5 * at_high
        else:
            high, at_high, at_low = middle, margin, 0.5 * at_low
    # without a crossing (the power ends before the voltage does) the last instant that still worked
    return high if np.isfinite(at_high) else low


def _expected_s(load: Load, circuit: Circuit, state: State, longest_s: float) -> float:
    """Return about how long the run will be [s]: the charge of the weakest group over the mean current."""
    pack_v = float(circuit.curve.voltage(0.5)) * len(circuit.group)
    amps = load.mean / (pack_v if load.kind == "power" else 1.0)
    left = np.maximum(state.soc if amps > 0 else 1.0 - state.soc, _LEAST_LEFT)
    held = np.where(circuit.live > 0, circuit.capacity_as, 0.0)
    charge = float((left * held).sum(axis=0).min())
    expected = min(charge / abs(amps) if amps else np.inf, longest_s)
    if not np.isfinite(expected):
        words = "takes nothing out and puts nothing in on average: give the longest time to run"
        raise ArgumentInvalid(Problem("load", words))
    return expected


def _cannot_start(circuit: Circuit, load: Load, share: Share, limits: tuple[float, float]) -> JobError:
    """Return the error for a load that the pack can't carry at its first instant."""
    asked = f"{load.values[0]:g} {KINDS[load.kind]}"
    if np.isnan(share.current_a):
        return JobError(Problem("load", f"the pack can't give {asked}, whatever its voltage"))
    word = _end_word(share)
    group = _nearest_group(circuit, share, limits, word)
    column = int(np.flatnonzero(circuit.group == group)[0])
    limit = f"its end of {limits[0]:g} V" if word == "end voltage" else f"full at {limits[1]:g} V"
    found = f"{asked} brings group {group} to {share.group_v[column]:.3f} V at load-on, past {limit}"
    return JobError(Problem("load", f"{found}: no run is possible; take a smaller load or more cells in parallel"))


@dataclass(kw_only=True, slots=True)
class _Tally:
    """Sums and samples kept during a run."""

    circuit: Circuit
    keep: bool
    time_s: float = 0.0
    charge_as: float = 0.0
    energy_j: float = 0.0
    link_j: float = 0.0
    moved_as: Array = field(init=False)
    square_a2s: Array = field(init=False)
    greatest_a: Array = field(init=False)
    greatest_at_s: Array = field(init=False)
    times: list[float] = field(default_factory=list)
    shares: list[Share] = field(default_factory=list)
    currents: list[Array] = field(default_factory=list)

    def __post_init__(self) -> None:
        zero = np.zeros(self.circuit.live.shape)
        self.moved_as, self.square_a2s, self.greatest_at_s = zero, zero.copy(), zero.copy()
        self.greatest_a = zero - 1.0

    def note_peaks(self, share: Share) -> None:
        """Keep what is larger than anything before."""
        magnitude = np.abs(share.cells_a)
        more = magnitude > self.greatest_a
        np.copyto(self.greatest_a, magnitude, where=more)
        np.copyto(self.greatest_at_s, self.time_s, where=more)

    def sample(self, share: Share) -> None:
        """Keep what an instant shows."""
        self.note_peaks(share)
        self.times.append(self.time_s)
        self.shares.append(share)
        if self.keep or len(self.currents) < 2:
            self.currents.append(share.cells_a)
        else:
            self.currents[-1] = share.cells_a

    def add(self, mean: Share, dt_s: float) -> None:
        """Add what a step did."""
        charge = mean.current_a * dt_s
        link_v = mean.current_a * self.circuit.link_ohm
        self.time_s += dt_s
        self.charge_as += charge
        self.link_j += link_v * charge
        self.energy_j += (float(np.add.reduce(mean.group_v)) - link_v) * charge
        moved = mean.cells_a * dt_s
        self.moved_as += moved
        moved *= mean.cells_a
        self.square_a2s += moved

    def result(self, state: State, ended_by: str, ended_group: int | None, step_s: float, rest_v: float) -> Run:
        """Return the run, with cells in the order they were given."""
        place, current = self.circuit.place, np.array([share.current_a for share in self.shares])
        group_v = np.array([share.group_v for share in self.shares])
        pack_v = group_v.sum(axis=1) - current * self.circuit.link_ohm
        heat_j = self.square_a2s * self.circuit.r_ohm
        return Run(
            ended_by=ended_by,
            ended_group=ended_group,
            duration_s=self.time_s,
            step_s=step_s,
            charge_ah=self.charge_as / 3600.0,
            energy_wh=self.energy_j / 3600.0,
            heat_wh=(float(heat_j.sum()) + self.link_j) / 3600.0,
            time_s=np.array(self.times),
            current_a=current,
            pack_v=pack_v,
            group=self.circuit.group,
            group_v=group_v,
            sag_v=rest_v - float(pack_v[0]),
            cell_first_a=self.currents[0][place],
            cell_last_a=self.currents[-1][place],
            cell_max_a=self.greatest_a[place],
            cell_max_at_s=self.greatest_at_s[place],
            cell_rms_a=np.sqrt(self.square_a2s[place] / self.time_s),
            cell_heat_w=heat_j[place] / self.time_s,
            cell_charge_ah=self.moved_as[place] / 3600.0,
            cell_soc=state.soc[place],
            currents_a=np.array([cells[place] for cells in self.currents]) if self.keep else None,
        )
