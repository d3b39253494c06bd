"""Groups that lose voltage faster than their peers between two sessions at rest."""

from __future__ import annotations

import math
from collections.abc import Sequence
from datetime import datetime

import numpy as np

from cellmatch.bench.balance import outliers
from cellmatch.bench.built import BuiltPack
from cellmatch.bench.findings import Finding, finding
from cellmatch.bench.rest_set import GROUP, as_number
from cellmatch.cells.readings import BenchReading
from cellmatch.electrics.balance import leak_a

DAY_S = 86_400.0
PEERS_MV_PER_DAY = 0.1
"""By how much sound groups differ in what they lose (common practice, no source)."""


def timed_groups(readings: Sequence[BenchReading]) -> dict[int, tuple[datetime, float]]:
    """Return time and voltage of the last reading at rest of each group, where it has a time."""
    found: dict[int, tuple[datetime, float]] = {}
    for r in readings:
        number = as_number(r.target) if r.kind == GROUP and r.load_a == 0 else None
        if number and r.taken_at is not None:
            found[number] = (r.taken_at, r.value_v)
    return found


def leaking(
    built: BuiltPack, first: Sequence[BenchReading], later: Sequence[BenchReading]
) -> list[tuple[Finding, ...]]:
    """Return groups that fell faster than their peers from one session to the next.

    The peers' median is taken out: the meter's offset, the temperature and a board that draws from all alike
    go with it.

    Parameters
    ----------
    built : BuiltPack
    first, later : sequence of BenchReading
        Two sessions.

    Returns
    -------
    list of tuple of Finding
    """
    before, after = timed_groups(first), timed_groups(later)
    both = sorted(before.keys() & after.keys())
    days = np.array([(after[g][0] - before[g][0]).total_seconds() / DAY_S for g in both])
    if len(both) < 2 or (days <= 0).any():
        return []
    fall = np.array([before[g][1] - after[g][1] for g in both]) / days
    found: list[tuple[Finding, ...]] = []
    reading = 1000 * math.sqrt(2) * math.hypot(built.noise_v, built.rounding_v) / days
    for i, rate, sigma in outliers(1000 * fall, np.hypot(reading, PEERS_MV_PER_DAY), high_only=True):
        group, size = both[i], len(built.groups[both[i] - 1])
        leak = finding(
            "group_leaking",
            f"group {group}",
            f"group {group} loses {rate:.1f} mV a day more than its peers{_leak_words(built, group, rate)}: one of its "
            f"{size} cells leaks, alone it would lose {rate * size:.0f} mV a day. It will drain the group.",
            (
                f"{before[group][1]:.4f} V, {days[i]:.1f} days later {after[group][1]:.4f} V",
                f"{1000 * fall[i]:.2f} mV a day; its peers {1000 * fall[i] - rate:.2f} ± {sigma:.2f} mV a day",
            ),
            sure_fraction=min(0.999, math.erf(rate / sigma / math.sqrt(2)) ** 2),
            next_measurement="board off; part the group and leave its cells apart for a week, then read each",
        )
        found.append((leak,))
    return found


def _leak_words(built: BuiltPack, group: int, mv_per_day: float) -> str:
    if built.slope_v is None:
        return ""
    ma = 1000 * float(leak_a(mv_per_day / 1000, built.slope_v, built.group_ah[group - 1]))
    return "" if math.isnan(ma) else f" (about {ma:.1f} mA)"
