"""What a pack is asked for: a constant current, a constant power, or a profile of either."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from cellmatch.errors import ArgumentInvalid, Problem

KINDS = {"current": "A", "power": "W"}
"""Kind of load and its unit."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Load:
    """A load in steps that repeat until the run ends; above 0 discharges, below 0 charges.

    Parameters
    ----------
    kind : str
        One of :data:`KINDS`.
    values : tuple of float
        [A] or [W] One for each step.
    durations_s : tuple of float
        [s] Of each step; infinite for a constant load.

    Raises
    ------
    ArgumentInvalid
        An unknown kind, no step, lengths that differ, a value that is no number, a duration of 0 or less.

    Examples
    --------
    >>> constant_current(20.0).mean, profile("power", [10, 50], [900.0, 0.0]).mean
    (20.0, 150.0)
    """

    kind: str
    values: tuple[float, ...]
    durations_s: tuple[float, ...]

    def __post_init__(self) -> None:
        problems = []
        if self.kind not in KINDS:
            problems.append(Problem(f"load '{self.kind}'", f"a load is one of {', '.join(KINDS)}"))
        if not self.values or len(self.values) != len(self.durations_s):
            counts = f"{len(self.values)} values and {len(self.durations_s)} durations"
            problems.append(Problem("load", f"found {counts}; one of each a step, one step at least"))
        if not np.isfinite(self.values).all():
            problems.append(Problem("load", f"found {self.values}; every value must be a number"))
        if not all(d > 0 for d in self.durations_s):
            problems.append(Problem("load", f"found durations of {self.durations_s} s; each must be above 0"))
        if problems:
            raise ArgumentInvalid(problems)

    @property
    def constant(self) -> bool:
        """The same value from start to end."""
        return len(set(self.values)) == 1

    @property
    def mean(self) -> float:
        """Mean over one round [A] or [W]."""
        if self.constant:
            return self.values[0]
        return float(np.average(self.values, weights=self.durations_s))

    @property
    def greatest(self) -> float:
        """The value of largest magnitude, with its sign [A] or [W]."""
        return max(self.values, key=abs)


def constant_current(current_a: float) -> Load:
    """Return a constant current [A]; below 0 charges."""
    return Load(kind="current", values=(float(current_a),), durations_s=(np.inf,))


def constant_power(power_w: float) -> Load:
    """Return a constant power at the pack's terminals [W]; below 0 charges."""
    return Load(kind="power", values=(float(power_w),), durations_s=(np.inf,))


def profile(kind: str, durations_s: Sequence[float], values: Sequence[float]) -> Load:
    """Return a repeated profile: `values` [A] or [W], each held for its duration [s]."""
    return Load(kind=kind, values=tuple(map(float, values)), durations_s=tuple(map(float, durations_s)))
