"""The first charge: what to read when, and when to stop."""

from __future__ import annotations

from dataclasses import dataclass

from cellmatch.build.leaks import LeakLimit, leak_limit, rest_slope_v
from cellmatch.build.steps import Expected, Workbench, expect_block

CHARGER_TOLERANCE = 0.005
"""A charger's open voltage may lie this far above the pack's full voltage (common practice, no source)."""
HOLD_H = (24, 168)
"""Hours after the charge at which the groups are read again: a day, a week."""


@dataclass(frozen=True, kw_only=True, slots=True)
class FirstCharge:
    """The sheet for the first charge.

    Parameters
    ----------
    groups : tuple of Expected
        Group voltages at the start.
    charger_max_v : float
        [V] Open voltage of the charger, read with its polarity before it is plugged in.
    group_stop_v : float
        [V] Any group at or above it: stop.
    group_low_v : float
        [V] Any group below it: do not charge.
    charge_min_c, charge_max_c : float
        [degC]
    read_at : tuple of str
        When every group is read.
    balance_h : float or None
        [h] Until the board has bled the groups level; None where it wasn't predicted.
    leaks : tuple of LeakLimit
        For each size of group: what a week at rest can show.
    words : tuple of str
    """

    groups: tuple[Expected, ...]
    charger_max_v: float
    group_stop_v: float
    group_low_v: float
    charge_min_c: float
    charge_max_c: float
    read_at: tuple[str, ...]
    balance_h: float | None
    leaks: tuple[LeakLimit, ...]
    words: tuple[str, ...]


def first_charge_sheet(bench: Workbench, *, balance_h: float | None = None) -> FirstCharge:
    """Write the sheet for the first charge.

    Parameters
    ----------
    bench : Workbench
    balance_h : float, optional
        [h] Predicted time to balance.

    Returns
    -------
    FirstCharge
    """
    full_v = bench.full_v
    sizes = sorted({len(bench.places_of(g)) for g in range(1, bench.series + 1)})
    group_ah = {
        n: float(bench.capacity_ah[bench.places_of(g)].sum())
        for g in range(bench.series, 0, -1)
        if (n := len(bench.places_of(g)))
    }
    charger_max_v = bench.series * full_v * (1 + CHARGER_TOLERANCE)
    stop_v = full_v + bench.limits.above_full_v
    # the pack rests at full after its first charge; a flat curve is steep there for a few millivolts only
    slope_v = None if bench.chemistry.flat else rest_slope_v(bench.chemistry, full_v)
    leaks = tuple(leak_limit(n, group_ah=group_ah[n], slope_v=slope_v) for n in sizes)
    return FirstCharge(
        groups=tuple(expect_block(bench, g, g, "before") for g in range(1, bench.series + 1)),
        charger_max_v=charger_max_v,
        group_stop_v=stop_v,
        group_low_v=bench.chemistry.min_v if bench.limits.min_v is None else bench.limits.min_v,
        charge_min_c=bench.chemistry.charge_min_c,
        charge_max_c=bench.chemistry.charge_max_c,
        read_at=("start", "every hour", "end", *(f"{h} h after" for h in HOLD_H)),
        balance_h=balance_h,
        leaks=leaks,
        words=(
            f"Read the charger's open voltage and its polarity before you plug it in: at most {charger_max_v:.2f} V.",
            f"Between {bench.chemistry.charge_min_c:g} and {bench.chemistry.charge_max_c:g} °C; attended; on a surface "
            "that doesn't burn, away from exits.",
            f"Stop when a group reaches {stop_v:.2f} V, when one runs away from the others, when a cell grows warmer "
            "than its neighbours, on smell, swelling or hiss.",
            "For the week's rest: board off, or compare each group with its peers. A week shows a group that loses "
            f"{leaks[-1].group_mv_per_day:.1f} mV a day more than they do, so a cell that alone would lose "
            f"{leaks[-1].cell_mv_per_day:.1f} mV a day. A clean week does not clear a weaker leaker; only the test of "
            "the single cell does.",
        ),
    )
