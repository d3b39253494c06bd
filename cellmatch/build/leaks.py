"""What a week at rest can show of a leaking cell.

Cells in parallel dilute a leak: the group's voltage falls P times slower than the cell alone would.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from cellmatch.electrics.balance import leak_a
from cellmatch.pack.chemistry import Chemistry

NOISE_V = 0.002
"""[V] Standard deviation with which one meter repeats a reading (common practice, no source)."""
SEEN_SIGMA = 4.0
"""An effect counts as seen from this many standard deviations on."""
WEEK_DAYS = 7.0


@dataclass(frozen=True, kw_only=True, slots=True)
class LeakLimit:
    """The smallest leak that two readings some days apart can show.

    Parameters
    ----------
    days : float
    group_mv_per_day : float
        [mV/day] Of a group.
    cell_mv_per_day : float
        [mV/day] What the leaking cell would lose alone.
    leak_ma : float or None
        [mA] None where the slope of the rest voltage isn't known, or too flat to tell.
    """

    days: float
    group_mv_per_day: float
    cell_mv_per_day: float
    leak_ma: float | None


def leak_limit(
    parallel: int,
    *,
    days: float = WEEK_DAYS,
    noise_v: float = NOISE_V,
    group_ah: float | None = None,
    slope_v: float | None = None,
) -> LeakLimit:
    """Return the smallest leak that shows: 4·√2·noise over the days.

    Parameters
    ----------
    parallel : int
        Cells in the group.
    days : float
        Between the two readings.
    noise_v : float
        [V] Standard deviation of one reading.
    group_ah : float, optional
        [Ah] Capacity of the group.
    slope_v : float, optional
        [V] Change of rest voltage per unit of state of charge, where the pack rests.

    Returns
    -------
    LeakLimit

    Examples
    --------
    >>> leak_limit(3).group_mv_per_day, leak_limit(3).cell_mv_per_day
    (1.616, 4.849)
    """
    mv_per_day = 1000 * SEEN_SIGMA * math.sqrt(2) * noise_v / days
    leak_ma = None
    if group_ah and slope_v:
        found = 1000 * float(leak_a(mv_per_day / 1000, slope_v, group_ah))
        leak_ma = None if math.isnan(found) else found
    return LeakLimit(
        days=days,
        group_mv_per_day=mv_per_day,
        cell_mv_per_day=mv_per_day * parallel,
        leak_ma=leak_ma,
    )


def rest_slope_v(chemistry: Chemistry, rest_v: float) -> float | None:
    """Return the slope of the chemistry's rest-voltage curve where cells rest; None without a curve or a rise.

    Parameters
    ----------
    chemistry : Chemistry
    rest_v : float
        [V]

    Returns
    -------
    float or None
        [V] Change of rest voltage per unit of state of charge.
    """
    curve = chemistry.working_curve()
    if curve is None:
        return None
    slope = float(curve.slope_v(curve.soc(rest_v)))
    return slope if slope > 0 else None
