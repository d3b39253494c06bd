"""What measuring a lot's logs came to: every discharge found, what was assumed, what has to be looked at."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from cellmatch.cells.logs.discharges import Discharge
from cellmatch.cells.table import texts
from cellmatch.cells.understood import ColumnRead, FileRead, Reading

COULOMBIC_RATIO = (0.98, 1.02)
"""Charge put in over charge taken out; outside, the log is broken or the cell leaks (common practice)."""
SAME_END_V = 0.02
SAME_CURRENT_FRACTION = 0.1
FAST_C = 0.55
"""A rate above which a capacity falls short of the one at 0.2 It (common practice, no source)."""
EMPTY_V = 3.3
"""No chemistry in use is empty above it under a common load (common practice, no source)."""
SAME_START_V = 0.05
"""Cells whose discharges end or begin further apart are not one scale (common practice, no source)."""


@dataclass(frozen=True, kw_only=True, slots=True)
class LoggedDischarge:
    """One discharge that was found.

    Parameters
    ----------
    cell_id : str
    file : str
    cycle : str
        From the file's cycle column, else the count of the cell's discharges in the file.
    discharge : Discharge
    coulombic_ratio : float
        Charge put in just before over what came out; NaN unless the cell was discharged before that charge
        too.
    used : bool
        It is the one in the cell table.
    """

    cell_id: str
    file: str
    cycle: str
    discharge: Discharge
    coulombic_ratio: float = float("nan")
    used: bool = False


@dataclass(frozen=True, kw_only=True)
class Measuring:
    """What was understood of the logs, kept beside the table in ``.attrs["measuring"]``.

    Parameters
    ----------
    files : tuple of FileRead
    columns : tuple of ColumnRead
    discharges : tuple of LoggedDischarge
        Every one, in file order.
    assumptions, warnings : tuple of str
    """

    files: tuple[FileRead, ...]
    columns: tuple[ColumnRead, ...]
    discharges: tuple[LoggedDischarge, ...]
    assumptions: tuple[str, ...]
    warnings: tuple[str, ...]

    # pandas copies a table's attrs with every step; this never changes, so it may stay one object
    def __copy__(self) -> Measuring:
        return self

    def __deepcopy__(self, memo: object) -> Measuring:
        return self

    def text(self) -> str:
        """Return what was understood, for people."""
        lines = [Reading(columns=self.columns).table()]
        lines += [f"assumed: {line}" for line in self.assumptions]
        lines += [f"look at: {line}" for line in self.warnings]
        return "\n".join(lines)

    __str__ = text


def lot_warnings(
    cells: pd.DataFrame, used: Mapping[str, LoggedDischarge], every: Sequence[LoggedDischarge]
) -> tuple[str, ...]:
    """Say what has to be looked at in a measured lot.

    Parameters
    ----------
    cells : DataFrame
        The table made of it.
    used : mapping of cell id to LoggedDischarge
        The discharge each capacity comes from.
    every : sequence of LoggedDischarge
        All that were found.
    """
    return (
        *_of_discharges(used, every),
        *_end_voltages(used),
        *_start_voltages(used),
        *_currents(used),
        *_resistances(cells),
        *_rest_voltages(cells),
    )


def _of_discharges(used: Mapping[str, LoggedDischarge], every: Sequence[LoggedDischarge]) -> list[str]:
    warnings = []
    low, high = COULOMBIC_RATIO
    for item in every:
        which = f"cell {item.cell_id}, cycle {item.cycle}"
        if any(item is chosen for chosen in used.values()):
            warnings += [f"{which}: {note}" for note in item.discharge.notes]
            ratio = item.coulombic_ratio
            if not np.isnan(ratio) and not low <= ratio <= high:
                warnings.append(
                    f"{which}: {ratio:.3f} times as much was charged as came out (right: {low} to {high}); the log "
                    "is broken, the two ended at different states, or the cell leaks: test it again"
                )
        elif item.cell_id in used and item.discharge.refused:
            first = item.discharge.refused[0]
            warnings.append(f"{which} is not used: {item.file} {first}")
    return warnings


def _end_voltages(used: Mapping[str, LoggedDischarge]) -> list[str]:
    ends = [item.discharge.end_v for item in used.values()]
    high = [name for name, item in used.items() if item.discharge.end_v > EMPTY_V]
    warnings = []
    if high:
        volts = used[high[0]].discharge.end_v
        warnings.append(
            f"{len(high)} discharge(s) end above {EMPTY_V} V, like that of {high[0]} at {volts:.3f} V: a cell is not "
            "empty there, so what came out is not its capacity"
        )
    if max(ends) - min(ends) <= SAME_END_V:
        return warnings
    return [
        *warnings,
        f"the discharges end at {min(ends):.3f} to {max(ends):.3f} V, so the capacities are not one scale; count all "
        f"down to one voltage with --end-v {max(ends):.2f}",
    ]


def _start_voltages(used: Mapping[str, LoggedDischarge]) -> list[str]:
    starts = pd.Series({name: item.discharge.ocv_start_v for name, item in used.items()}, dtype=float).dropna()
    if starts.empty or starts.max() - starts.min() <= SAME_START_V:
        return []
    low = starts[starts < starts.max() - SAME_START_V]
    shown = ", ".join(f"{name} at {volts:.3f} V" for name, volts in low.iloc[:3].items())
    return [
        f"{len(low)} cell(s) began more than {SAME_START_V * 1000:.0f} mV below the fullest ({starts.max():.3f} V), "
        f"like {shown}: were they full? their capacities count only what came out"
    ]


def _currents(used: Mapping[str, LoggedDischarge]) -> list[str]:
    amps = [item.discharge.current_a for item in used.values()]
    warnings = []
    if max(amps) > (1 + SAME_CURRENT_FRACTION) * min(amps):
        warnings.append(
            f"the discharges ran at {min(amps):.3g} to {max(amps):.3g} A, so the capacities are not one scale: more "
            "comes out at less current"
        )
    # of the median capacity: a weak cell makes its own rate look high
    rate_c = max(amps) / float(np.median([item.discharge.capacity_ah for item in used.values()]))
    if rate_c > FAST_C:
        warnings.append(
            f"discharged at up to {rate_c:.2g} C: capacities are usually given at 0.2 C, where more comes out"
        )
    return warnings


def _resistances(cells: pd.DataFrame) -> list[str]:
    if "ir_mohm" not in cells.columns:
        return ["no log has a clean current step, so no resistance was found; a rest, then a steady 10 s or more"]
    known = cells["ir_mohm"].notna().to_numpy()
    warnings = []
    methods, ways = texts(cells, "ir_method")[known], texts(cells, "ir_how")[known]
    found = Counter(f"{method} ({way})" for method, way in zip(methods, ways, strict=True))
    if len(found) > 1:
        counts = ", ".join(f"{name}: {count}" for name, count in found.most_common())
        warnings.append(f"resistances were found in different ways ({counts}); they are not one scale")
    if not known.all():
        warnings.append(f"{int((~known).sum())} cell(s) have no clean current step, like {cells.index[~known][0]}")
    return warnings


def _rest_voltages(cells: pd.DataFrame) -> list[str]:
    missing = cells["ocv_v"].isna().to_numpy()
    if not missing.any():
        return []
    return [
        f"{int(missing.sum())} log(s) don't end at rest, like {cells.index[missing][0]}: read the open-circuit voltage "
        "of these cells before they are planned with"
    ]
