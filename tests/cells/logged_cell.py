"""A simulated cell with known capacity and resistance, and the logs a tester would write of it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

SOC = np.array([0.0, 0.05, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 0.95, 1.0])
OCV_V = np.array([2.5, 3.11, 3.30, 3.49, 3.58, 3.67, 3.75, 3.84, 3.95, 4.04, 4.10, 4.12, 4.20])
"""Rest voltage of an NMC cell, rounded (Chen et al. 2020, J. Electrochem. Soc. 167:080534, parameter set)."""


@dataclass(frozen=True, kw_only=True)
class Cell:
    """Ohmic resistance, one slow branch, and a capacity."""

    capacity_ah: float = 2.5
    r0_ohm: float = 0.030
    r1_ohm: float = 0.010
    tau_s: float = 20.0


@dataclass(frozen=True)
class Step:
    """A current [A], positive on discharge, for a time [s] or until the voltage crosses `until_v`."""

    current_a: float
    seconds: float
    until_v: float | None = None


@dataclass(frozen=True)
class Logged:
    """What was logged, and the charge that really came out."""

    time_s: np.ndarray
    voltage_v: np.ndarray
    current_a: np.ndarray
    discharged_ah: float


def simulate(
    cell: Cell, steps: Sequence[Step], *, every_s: float = 1.0, jitter_s: float = 0.0, soc: float = 1.0, seed: int = 0
) -> Logged:
    """Run the steps with exact exponentials on a fine grid and log them `every_s`, a row at each step's end too."""
    rng = np.random.default_rng(seed)
    time, voltage, current, out_ah, now, slow_v = [], [], [], 0.0, 0.0, 0.0
    for step in steps:
        fine = np.arange(1, round(step.seconds / 0.1) + 1) * 0.1
        z = soc - step.current_a * fine / 3600.0 / cell.capacity_ah
        end_slow = step.current_a * cell.r1_ohm
        branch = end_slow + (slow_v - end_slow) * np.exp(-fine / cell.tau_s)
        volts = np.interp(z, SOC, OCV_V) - step.current_a * cell.r0_ohm - branch
        last = len(fine)
        if step.until_v is not None:
            crossed = volts <= step.until_v if step.current_a > 0 else volts >= step.until_v
            last = int(np.argmax(crossed)) + 1 if crossed.any() else last
        marks = np.arange(every_s, fine[last - 1] + 1e-9, every_s)
        marks = marks + rng.uniform(-jitter_s, jitter_s, len(marks)) if jitter_s else marks
        marks = np.clip(marks, 0.1, fine[last - 1])
        time += (now + marks).tolist()
        voltage += np.interp(marks, fine[:last], volts[:last]).tolist()
        current += [step.current_a] * len(marks)
        now, soc, slow_v = now + fine[last - 1], float(z[last - 1]), float(branch[last - 1])
        out_ah += max(step.current_a, 0.0) * fine[last - 1] / 3600.0
    order = np.argsort(time, kind="stable")
    return Logged(np.array(time)[order], np.array(voltage)[order], np.array(current)[order], out_ah)


FULL_TEST = (Step(0.0, 120.0), Step(0.5, 25_000.0, 2.8), Step(0.0, 1800.0))
"""Rest, 0.2 It down to 2.80 V, rest."""


def as_csv(log: Logged, *, sign: int = -1, digits: int = 4) -> str:
    """Return the log as a tester writes it: seconds, volts and amps, discharge negative."""
    rows = zip(log.time_s, log.voltage_v, sign * log.current_a, strict=True)
    return "time_s,voltage_v,current_a\n" + "".join(f"{t:.2f},{v:.{digits}f},{i:.4f}\n" for t, v, i in rows)
