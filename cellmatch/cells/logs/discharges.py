"""From a discharge in a trace to its capacity, energy and rest voltages."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from cellmatch.cells.logs.runs import Run, Trace
from cellmatch.errors import Problem

GAP_RATIO = 10.0
"""An interval this many times the usual one is a gap in the log."""
LARGEST_GAP_FRACTION = 0.02
"""Share of the charge that may lie in gaps; above it the capacity is not measured but guessed."""
STEADY_FRACTION = 0.10
"""A discharge current that varies by more than this is said, since capacity depends on current."""
ROWS_OF_LAST_SLOPE = 5
MOST_ROWS_MISSING = 1.5
"""An end voltage between the last row and where the next would have come is carried on to, by the slope of
the last rows."""
END_TOLERANCE_V = 0.005
"""Logger and cut-off of one tester disagree by so much (common practice, no source)."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Discharge:
    """One discharge of one cell.

    Parameters
    ----------
    capacity_ah : float
        [Ah] From its start down to `end_v`; NaN where refused.
    energy_wh : float
        [Wh]
    end_v : float
        [V] End voltage it was counted to.
    current_a : float
        [A] Mean current.
    ocv_start_v, ocv_end_v : float
        [V] Last voltage of the rest before and after; NaN where the log holds none.
    rest_before_s, rest_after_s : float
        [s] How long those rests lasted; 0 where there is none.
    charged_before_ah : float
        [Ah] Charge put in just before; NaN where the log holds none.
    lines : (int, int)
        First and last line under load.
    refused : tuple of Problem
        Why the capacity can't be trusted.
    notes : tuple of str
        What to know about it.
    """

    capacity_ah: float
    energy_wh: float
    end_v: float
    current_a: float
    ocv_start_v: float
    ocv_end_v: float
    rest_before_s: float
    rest_after_s: float
    charged_before_ah: float
    lines: tuple[int, int]
    refused: tuple[Problem, ...]
    notes: tuple[str, ...]


def measure_discharge(trace: Trace, run: Run, end_v: float | None = None) -> Discharge:
    """Measure one discharge.

    Parameters
    ----------
    trace : Trace
        The whole log of the cell.
    run : Run
        From :func:`discharge_runs`.
    end_v : float, optional
        [V] End voltage, its crossing interpolated; where not given, all that flowed until the tester
        stopped is counted.

    Returns
    -------
    Discharge
        With `refused` filled where the log doesn't allow a capacity.
    """
    start, stop, rest_a = run.start, run.stop, trace.rest_a
    loaded = trace.part(max(start - 1, 0), min(stop + 1, len(trace.time_s)))
    usual_s = _usual_interval_s(trace.time_s[start:stop])
    refused, notes = _gaps(trace.part(start, stop), usual_s), []
    counted = loaded
    if end_v is None:
        end_v = float(trace.voltage_v[stop - 1])
        refused += _open_end(trace, run, usual_s)
    else:
        crossed = _down_to(loaded, end_v)
        if crossed is None:
            what = (
                f"the discharge stops at {trace.voltage_v[stop - 1]:.3f} V and never reaches the end voltage of "
                f"{end_v:.3f} V; discharge further, or measure all cells to a higher end voltage"
            )
            refused.append(Problem(f"line {int(trace.line[stop - 1])}", what))
        else:
            counted = crossed
    if start == 0:
        notes.append("the log begins under load: what flowed before is not counted")
    current = counted.current_a[counted.current_a > rest_a]
    low, high = np.quantile(current, [0.05, 0.95])
    if high - low > STEADY_FRACTION * np.median(current):
        notes.append(f"the current was not steady ({low:.3g} to {high:.3g} A)")
    steps_h = _effective_steps_s(counted, usual_s) / 3600.0
    power_w = counted.current_a * counted.voltage_v
    before_v, before_s = _rest_before(trace, run)
    after_v, after_s = _rest_after(trace, run)
    return Discharge(
        capacity_ah=float("nan") if refused else float((_means(counted.current_a) * steps_h).sum()),
        energy_wh=float("nan") if refused else float((_means(power_w) * steps_h).sum()),
        end_v=end_v,
        current_a=float(np.median(current)),
        ocv_start_v=before_v,
        ocv_end_v=after_v,
        rest_before_s=before_s,
        rest_after_s=after_s,
        charged_before_ah=run.charged_before_ah,
        lines=(int(trace.line[start]), int(trace.line[stop - 1])),
        refused=tuple(refused),
        notes=tuple(notes),
    )


def _means(values: np.ndarray) -> np.ndarray:
    return np.asarray(0.5 * (values[1:] + values[:-1]))


def _usual_interval_s(time_s: np.ndarray) -> float:
    steps = np.diff(time_s)
    steps = steps[steps > 0]
    return float(np.median(steps)) if steps.size else 0.0


def _effective_steps_s(trace: Trace, usual_s: float) -> np.ndarray:
    """Return the intervals, those between a rest row and a loaded row no longer than the usual one.

    A tester that writes rest rows seldom still writes one when a step begins: a long interval before it was
    rest, not half load.
    """
    steps = np.diff(trace.time_s)
    resting = np.abs(trace.current_a) <= trace.rest_a
    return np.asarray(np.where(resting[1:] != resting[:-1], np.minimum(steps, usual_s), steps))


def _gaps(under_load: Trace, usual_s: float) -> list[Problem]:
    steps = np.diff(under_load.time_s)
    if not usual_s:
        return []
    moved = np.abs(_means(under_load.current_a) * steps)
    gaps = np.flatnonzero(steps > GAP_RATIO * usual_s)
    share = float(moved[gaps].sum() / moved.sum()) if gaps.size and moved.sum() else 0.0
    if share <= LARGEST_GAP_FRACTION:
        return []
    worst = gaps[int(np.argmax(moved[gaps]))]
    what = (
        f"{steps[worst]:.4g} s without a row while current flowed (usual: {usual_s:.3g} s); {share * 100:.0f} % of "
        f"the charge lies in such gaps, at most {LARGEST_GAP_FRACTION * 100:.0f} % can be bridged; test again"
    )
    return [Problem(f"line {int(under_load.line[worst + 1])}", what)]


def _open_end(trace: Trace, run: Run, usual_s: float) -> list[Problem]:
    """Refuse a discharge of which no row tells when it stopped."""
    if run.stop == len(trace.time_s):
        return []
    silent_s = float(trace.time_s[run.stop] - trace.time_s[run.stop - 1])
    under_load = trace.part(run.start, run.stop)
    known_as = float(np.trapezoid(under_load.current_a, under_load.time_s))
    if silent_s <= GAP_RATIO * usual_s or silent_s * under_load.current_a[-1] <= LARGEST_GAP_FRACTION * known_as:
        return []
    what = (
        f"the last row under load ({under_load.voltage_v[-1]:.3f} V) is followed by none for {silent_s:.4g} s, so when "
        "the discharge stopped is not known; say --end-v if it came down to that voltage, else test again"
    )
    return [Problem(f"line {int(trace.line[run.stop])}", what)]


def _down_to(loaded: Trace, end_v: float) -> Trace | None:
    """Return the samples down to the end voltage, the crossing interpolated; None where it is not reached."""
    pulling = loaded.current_a > loaded.rest_a
    below = (loaded.voltage_v <= end_v) & pulling
    # one sample below between samples above is a glitch of the meter, not the end
    last_or_next_below = np.append(below[1:] | ~pulling[1:], True)
    crossed = np.flatnonzero(below & last_or_next_below)
    if not crossed.size:
        return _carried_on(loaded, int(np.flatnonzero(pulling)[-1]), end_v)
    k = int(crossed[0])
    if k == 0:
        return loaded.part(0, 1)
    before, after = loaded.voltage_v[k - 1], loaded.voltage_v[k]
    share = float(np.clip((before - end_v) / (before - after), 0.0, 1.0)) if before > after else 1.0

    def cut(values: np.ndarray) -> np.ndarray:
        return np.append(values[:k], values[k - 1] + share * (values[k] - values[k - 1]))

    return Trace(cut(loaded.time_s), cut(loaded.voltage_v), cut(loaded.current_a), loaded.line[: k + 1], loaded.rest_a)


def _carried_on(loaded: Trace, last: int, end_v: float) -> Trace | None:
    """Carry the last slope on to an end voltage that was reached before the next row was due."""
    run = loaded.part(0, last + 1)
    missing_v = float(run.voltage_v[-1]) - end_v
    back = min(last, ROWS_OF_LAST_SLOPE)
    lasted_s = float(run.time_s[-1] - run.time_s[-1 - back]) if back else 0.0
    fall_v = float(run.voltage_v[-1 - back] - run.voltage_v[-1]) if back else 0.0
    if lasted_s > 0 and fall_v > 0 and missing_v / fall_v * back <= MOST_ROWS_MISSING:
        return Trace(
            np.append(run.time_s, run.time_s[-1] + missing_v / fall_v * lasted_s),
            np.append(run.voltage_v, end_v),
            np.append(run.current_a, run.current_a[-1]),
            np.append(run.line, run.line[-1]),
            run.rest_a,
        )
    return run if missing_v <= END_TOLERANCE_V else None


def _rest_before(trace: Trace, run: Run) -> tuple[float, float]:
    """Return the last voltage of the rest before a discharge, and how long it lasted."""
    if run.rest_before is None:
        return float("nan"), 0.0
    lasted_s = trace.time_s[run.start] - trace.time_s[run.rest_before.start]
    return float(trace.voltage_v[run.start - 1]), float(lasted_s)


def _rest_after(trace: Trace, run: Run) -> tuple[float, float]:
    """Return the last voltage of the rest after a discharge, and how long it lasted."""
    if run.rest_after is None:
        return float("nan"), 0.0
    last = run.rest_after.stop - 1
    return float(trace.voltage_v[last]), float(trace.time_s[last] - trace.time_s[run.stop - 1])
