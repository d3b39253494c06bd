"""What a tray's numbers are worth, in sentences: every check of the readings' quality in one place."""

from __future__ import annotations

import pandas as pd

from cellmatch.cells.quality import single_readings
from cellmatch.cells.worth.bias import bias_between
from cellmatch.cells.worth.comparable import (
    method_notes,
    mixture_notes,
    resistance_ocv_notes,
    resolution_notes,
    rest_state,
    salvage_notes,
    temperature_notes,
)
from cellmatch.cells.worth.trends import trends
from cellmatch.pack.chemistry import Chemistry

BIAS_P = 0.01
"""A bias more likely than this to be chance is not told."""


def quality_notes(
    cells: pd.DataFrame,
    *,
    chemistry: Chemistry | None = None,
    readings: pd.DataFrame | None = None,
    join_window_mv: float | None = None,
    salvaged: bool = False,
) -> tuple[str, ...]:
    """Say what the numbers of a tray are worth, each sentence with what to do next.

    Parameters
    ----------
    cells : DataFrame
        Cell table.
    chemistry : Chemistry, optional
        Of the tray.
    readings : DataFrame, optional
        Every single reading where cells were read more than once: columns as in the cell table, index
        of cell ids that may repeat. Without it, what the reading of the files kept.
    join_window_mv : float, optional
        [mV] Half width of the joining window.
    salvaged : bool
        Cells taken out of something.

    Returns
    -------
    tuple of str
        The more urgent first: rest before joining, then what isn't comparable, then trends and biases.
    """
    rest = rest_state(cells)
    return (
        *((rest.text(),) if rest.provisional else ()),
        *mixture_notes(cells, chemistry),
        *resolution_notes(cells, join_window_mv),
        *method_notes(cells),
        *temperature_notes(cells),
        *resistance_ocv_notes(cells, chemistry),
        *(trend.text() for trend in trends(cells) if trend.flagged),
        *_bias_notes(single_readings(cells) if readings is None else readings),
        *salvage_notes(salvaged),
    )


def _bias_notes(readings: pd.DataFrame) -> tuple[str, ...]:
    notes: list[str] = []
    # slots and dates that no cell connects are the rule; two testers never compared are a gap
    ways = ("tester", "slot", "date") if readings.index.has_duplicates else ("tester",)
    for by in ways:
        gap_told = False
        for quantity in ("capacity_mah", "ir_mohm"):
            bias = bias_between(readings, quantity, by)
            if bias is None:
                continue
            gap = by == "tester" and bool(bias.unconnected) and not gap_told
            if gap or any(level.p_value < BIAS_P for level in bias.levels):
                notes.append(bias.text())
                gap_told = gap_told or gap
    return tuple(notes)
