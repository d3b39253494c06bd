"""DC resistance from the current steps of a log.

The two-level method comes first: a low current for about 10 s, at once a five times higher one for about
1 s, R = (U1 - U2)/(I2 - I1), each voltage read at the end of its level. Without such a pulse the first
clean step from rest into a steady discharge serves: R = (U_rest - U(t))/I, read t after the step. The two
differ on one cell (20.1 against 21.6 mohm in a published example), so how it was read is kept with it.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from cellmatch.cells.logs.runs import Trace, stretches

LOW_LEVEL_S = (8.0, 15.0)
HIGH_LEVEL_S = (0.5, 3.0)
"""How long the two levels last, nominally 10 s and 1 s (IEC 61960-3; tolerances common practice)."""
LEVEL_RATIO = (4.0, 6.0)
"""High over low current, nominally 1.0 It over 0.2 It."""
STEADY_FRACTION = 0.05
"""A level whose current strays by more than this is no level."""
DURATIONS_S = (10.0, 5.0, 2.0, 1.0, 30.0, 60.0)
"""Times after a step at which a resistance is read, the most wanted first: 10 s serves for load, and at
0.2 It moves the charge by no more than 0.06 %. What the rest voltage falls meanwhile counts as resistance."""
INSTANT_FRACTION = 1.05
"""The instant of the step lies somewhere between two rows; they may be this share of the time apart."""
RAMP_ROWS = 2
"""Rows a tester may take to reach a level: an averaged row between two levels is none of its own."""
STILL_V = 0.003
"""A rest whose last voltages differ by more than this is no base for a step."""
SETTLED_S = 60.0
"""Rest before a step where current flowed earlier in the log (common practice, no source)."""


@dataclass(frozen=True, kw_only=True, slots=True)
class DcResistance:
    """A DC resistance read from a log.

    Parameters
    ----------
    r_ohm : float
        [ohm]
    method : str
        For ``ir_method``: ``dc_1s``, ``dc_10s`` …
    how : str
        ``two levels`` or ``step from rest``.
    ocv_v : float
        [V] Rest voltage before the pulse; NaN where the log holds none.
    line : int
        Where the voltage under the (higher) load stands.
    """

    r_ohm: float
    method: str
    how: str
    ocv_v: float
    line: int


def two_level_resistance_ohm(low_v: float, high_v: float, low_a: float, high_a: float) -> float:
    """Return the DC resistance by the two-level method.

    Parameters
    ----------
    low_v, low_a : float
        [V] and [A] At the end of 10 s at 0.2 It.
    high_v, high_a : float
        [V] and [A] At the end of 1 s at 1.0 It, at once afterwards.

    Returns
    -------
    float
        [ohm] (U1 - U2)/(I2 - I1)

    References
    ----------
    IEC 61960-3, measurement of the internal d.c. resistance.

    Examples
    --------
    >>> two_level_resistance_ohm(3.650, 3.580, 0.5, 2.5)
    0.035
    """
    return (low_v - high_v) / (high_a - low_a)


def dc_resistance(trace: Trace) -> DcResistance | None:
    """Return the DC resistance of a log by the best method it allows, None where it allows none.

    Parameters
    ----------
    trace : Trace
        One cell's log, or the part that belongs to one discharge and the rest before it.
    """
    return _from_two_levels(trace) or _from_rest(trace)


@dataclass(frozen=True, slots=True)
class _Level:
    start: int
    stop: int
    current_a: float


def _levels(trace: Trace, start: int, stop: int) -> list[_Level]:
    """Cut a discharge where its current steps, rows on the way from one level to the next left out."""
    current = trace.current_a[start:stop]
    size = np.maximum(np.abs(current[1:]), np.abs(current[:-1]))
    cuts = start + 1 + np.flatnonzero(np.abs(np.diff(current)) > STEADY_FRACTION * size)
    levels = [_Level(a, b, float(np.median(trace.current_a[a:b]))) for a, b in pairwise([start, *cuts.tolist(), stop])]
    return [level for level in levels if level.stop - level.start > RAMP_ROWS] or levels


def _from_two_levels(trace: Trace) -> DcResistance | None:
    for piece in stretches(trace.current_a, trace.rest_a):
        if piece.kind != "discharge":
            continue
        levels = _levels(trace, piece.start, piece.stop)
        for low, high in pairwise(levels):
            if _is_pair(trace, low, high):
                u1, u2 = low.stop - 1, high.stop - 1
                r_ohm = two_level_resistance_ohm(
                    float(trace.voltage_v[u1]),
                    float(trace.voltage_v[u2]),
                    float(trace.current_a[u1]),
                    float(trace.current_a[u2]),
                )
                ocv_v = float(trace.voltage_v[piece.start - 1]) if piece.start else float("nan")
                if r_ohm > 0:
                    return DcResistance(
                        r_ohm=r_ohm, method="dc_1s", how="two levels", ocv_v=ocv_v, line=int(trace.line[u2])
                    )
    return None


def _is_pair(trace: Trace, low: _Level, high: _Level) -> bool:
    ratio = high.current_a / low.current_a
    return bool(
        LEVEL_RATIO[0] <= ratio <= LEVEL_RATIO[1]
        and LOW_LEVEL_S[0] <= _lasted_s(trace, low) <= LOW_LEVEL_S[1]
        and HIGH_LEVEL_S[0] <= _lasted_s(trace, high) <= HIGH_LEVEL_S[1]
        and trace.time_s[high.stop - 1] - trace.time_s[low.stop - 1] >= HIGH_LEVEL_S[0]
    )


def _lasted_s(trace: Trace, level: _Level) -> float:
    """Return how long a level lasted: to the first row of what follows, where one does [s]."""
    end = min(level.stop, len(trace.time_s) - 1)
    return float(trace.time_s[end] - trace.time_s[level.start])


def _from_rest(trace: Trace) -> DcResistance | None:
    for piece in stretches(trace.current_a, trace.rest_a):
        if piece.kind != "discharge" or not _settled(trace, piece.start):
            continue
        level = _levels(trace, piece.start, piece.stop)[0]
        found = _read_after_step(trace, piece.start, level) if level.start - piece.start <= RAMP_ROWS else None
        if found is not None:
            return found
    return None


def _settled(trace: Trace, start: int) -> bool:
    """Tell whether the rows before a step are a rest whose voltage stands still."""
    active = np.flatnonzero(np.abs(trace.current_a[:start]) > trace.rest_a)
    first = int(active[-1]) + 1 if active.size else 0
    if first == start:
        return False
    still = float(np.ptp(trace.voltage_v[max(first, start - 3) : start])) <= STILL_V
    return still and (first == 0 or float(trace.time_s[start] - trace.time_s[first]) >= SETTLED_S)


def _read_after_step(trace: Trace, start: int, level: _Level) -> DcResistance | None:
    """Read the resistance the most wanted time after the step that lies between rows start - 1 and start."""
    since_s = trace.time_s[level.start : level.stop] - trace.time_s[start]
    usual_s = float(np.median(np.diff(since_s))) if len(since_s) > 1 else 0.0
    # the step fell somewhere in the last interval, but no earlier than one usual interval ago
    unknown_s = min(float(trace.time_s[start] - trace.time_s[start - 1]), usual_s)
    lasted_s = float(since_s[-1]) + unknown_s
    for seconds in DURATIONS_S:
        if unknown_s <= 0 or unknown_s > INSTANT_FRACTION * seconds or seconds > lasted_s:
            continue
        after_s = since_s + unknown_s / 2
        voltage = float(np.interp(seconds, after_s, trace.voltage_v[level.start : level.stop]))
        rest_v, rest_a = float(trace.voltage_v[start - 1]), float(trace.current_a[start - 1])
        r_ohm = (rest_v - voltage) / (level.current_a - rest_a)
        if r_ohm > 0:
            k = int(np.searchsorted(after_s, seconds))
            return DcResistance(
                r_ohm=r_ohm,
                method=f"dc_{seconds:g}s",
                how="step from rest",
                ocv_v=rest_v,
                line=int(trace.line[level.start + min(k, len(after_s) - 1)]),
            )
    return None
