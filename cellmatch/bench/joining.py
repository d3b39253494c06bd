"""Cells read one by one before their second poles are joined: signs, joining currents, and the plan."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from cellmatch.bench.built import BuiltPack
from cellmatch.bench.findings import Finding, finding
from cellmatch.build.free_ends import link_currents_a
from cellmatch.cells.readings import BenchReading
from cellmatch.electrics.parallel import join_cells


def before_joining(built: BuiltPack, readings: Sequence[BenchReading]) -> list[tuple[Finding, ...]]:
    """Return what signed readings of single cells say against joining them.

    Parameters
    ----------
    built : BuiltPack
    readings : sequence of BenchReading
        Those of kind ``cell_v`` are looked at, the last of each cell.

    Returns
    -------
    list of tuple of Finding
    """
    volts = {r.target: r.value_v for r in readings if r.kind == "cell_v"}
    if not volts:
        return []
    place = {cell: (g, i) for g, group in enumerate(built.groups) for i, cell in enumerate(group)}
    shift = float(np.median([v - built.cell_v[place[c][0]][place[c][1]] for c, v in volts.items()]))
    found: list[tuple[Finding, ...]] = []
    for cell, v in volts.items():
        g, i = place[cell]
        event = _one_cell(built, cell, g, v, float(built.cell_v[g][i]) + shift)
        found += [event] if event else []
    for g in range(built.series):
        event = _one_group(built, g, volts)
        found += [event] if event else []
    return found


def _one_cell(built: BuiltPack, cell: str, g: int, volts: float, expected: float) -> tuple[Finding, ...]:
    """Judge one cell by itself: its sign, its limits, and the plan."""
    evidence = [f"cell {cell} reads {volts:.3f} V, expected {expected:.3f} V"]
    again = f"read cell {cell} again at its own ends, red probe on its positive end"
    if volts < -0.5 * built.min_v:
        return (_reversed(built, cell, g, volts, evidence),)
    if volts < built.min_v:
        words = f"cell {cell} is below {built.min_v:.2f} V: not to be used in this pack, and not to be brought up. "
        words += "Take it out; it goes to quarantine, or to recycling."
        return (finding("below_service", f"cell {cell}", words, evidence, sure_fraction=0.98, next_measurement=again),)
    if volts > built.full_v + built.above_full_v:
        words = f"cell {cell} is above full ({built.full_v:.2f} V): overcharged. Take it out."
        return (finding("over_full", f"cell {cell}", words, evidence, sure_fraction=0.98, next_measurement=again),)
    if abs(volts - expected) > built.meter.tolerance_v(expected):
        words = (
            f"cell {cell} reads {1000 * (volts - expected):+.0f} mV from the plan: it lost charge, or is another cell."
        )
        return (finding("cell_differs", f"cell {cell}", words, evidence, sure_fraction=0.95, next_measurement=again),)
    return ()


def _reversed(built: BuiltPack, cell: str, g: int, volts: float, evidence: list[str]) -> Finding:
    """Say what joining a reversed cell would do, at the second series link and in parallel."""
    r = built.cell_ohm[g]
    if len(r) > 1 and not np.isnan(r).any():
        typical_v, typical_r = float(np.median(built.cell_v[g])), float(np.median(r))
        # two columns of two cells each, this cell in one of them
        loop_a = abs(link_currents_a([2 * typical_v, typical_v + volts], [2 * typical_r] * 2)[1])
        others = np.append(np.full(len(r) - 1, typical_v), volts)
        joined = join_cells(others, np.append(np.delete(r, 0), r[0]), float(built.join_limit_a[g].min()))
        evidence = [
            *evidence,
            f"the second series link beside it would drive {loop_a:.0f} A",
            f"joined in parallel the bus would stand at {joined.bus_v:.3f} V and {abs(joined.currents_a[-1]):.0f} A "
            f"would flow through it, {abs(joined.currents_a[0]):.0f} A through each other one",
        ]
    return finding(
        "cell_reversed",
        f"cell {cell}",
        f"cell {cell} reads {volts:.3f} V: it stands the wrong way round (or the probes, or its wrap, do). Make no "
        "second link anywhere near it. Only a new reading clears this.",
        evidence,
        sure_fraction=0.99,
        next_measurement=f"change nothing but look at which end of {cell} is up; then read it again at its own ends",
    )


def _one_group(built: BuiltPack, g: int, volts: dict[str, float]) -> tuple[Finding, ...]:
    """Judge the joining of one group from the present readings of all its cells."""
    cells = built.groups[g]
    if len(cells) < 2 or any(c not in volts for c in cells) or np.isnan(built.cell_ohm[g]).any():
        return ()
    read = np.array([volts[c] for c in cells])
    if (read < -0.5 * built.min_v).any():
        return ()
    joined = join_cells(read, built.cell_ohm[g], built.join_limit_a[g], stop_ratio=built.stop_ratio)
    if joined.verdict == "go":
        return ()
    worst = cells[joined.worst_cell]
    return (
        finding(
            "joining_current" if joined.verdict == "stop" else "level_first",
            f"group {g + 1}",
            f"joining group {g + 1} now would drive {joined.worst_a:.2f} A through {worst}, above its limit of "
            f"{joined.limit_a:.2f} A. "
            + (
                "Look for a wrong cell or reading."
                if joined.verdict == "stop"
                else "Bring its cells to one voltage first."
            ),
            [f"{1000 * joined.spread_v:.0f} mV between the highest and the lowest of its cells"],
            sure_fraction=0.98,
            next_measurement=f"after levelling and at least 1 h of rest, read every cell of group {g + 1} again",
        ),
    )
