"""The cells at hand, judged and grouped: what a plan starts from, of one pack or of several."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any, NamedTuple

import numpy as np

from cellmatch.cells.quality import repeatability, single_readings
from cellmatch.cells.screening.screen import screen_cells, tray_chemistry
from cellmatch.cells.table import CellTable, ScreenedCells
from cellmatch.errors import Problem, TooFewCells
from cellmatch.grouping.solve import Grouping, group_cells
from cellmatch.pack.chemistry import Chemistry
from cellmatch.pack.limits import REPEATABILITY_FRACTION, Limits
from cellmatch.pack.spec import Pack
from cellmatch.prediction import joining_window_mv


class TrayRepeatability(NamedTuple):
    """Standard deviation of one capacity reading, as a fraction of what [mAh], and how it is known."""

    fraction: float
    reference_mah: float
    words: str


def tray_repeatability(cells: CellTable, limits: Limits) -> TrayRepeatability:
    """Settle how well one capacity reading repeats: given, from repeated readings, or assumed.

    Returns
    -------
    TrayRepeatability
        Of rated capacity, or else of the tray's median.
    """
    rated = cells["rated_mah"].median() if "rated_mah" in cells.columns else np.nan
    reference = limits.rated_mah or float(rated if rated > 0 else cells["capacity_mah"].median())
    if not reference > 0:
        return TrayRepeatability(REPEATABILITY_FRACTION, 1.0, "no cell has a capacity")
    known = repeatability(
        cells, repeats=single_readings(cells), fraction=limits.repeatability_fraction, rated_mah=reference
    )
    return TrayRepeatability(min(known.value / reference, 1.0), reference, known.text())


class Standards(NamedTuple):
    """What cells are judged by; `window_words` say where the joining window comes from, `words` all of it."""

    chemistry: Chemistry
    limits: Limits
    repeats: TrayRepeatability
    window_mv: float
    window_words: str
    words: tuple[str, ...]

    @property
    def screening_limits(self) -> Limits:
        """The limits with the joining window in place."""
        return replace(self.limits, join_window_mv=self.window_mv)


def tray_standards(
    cells: CellTable, pack: Pack | None, *, limits: Limits | None, chemistry: Chemistry | str | None
) -> Standards:
    """Settle what the cells are judged by; without a pack the joining window is that of any number in parallel."""
    known, chemistry_words = tray_chemistry(cells, chemistry)
    repeats = tray_repeatability(cells, limits or Limits())
    limits = replace(limits or Limits(), repeatability_fraction=repeats.fraction).settled(known)
    window_mv, window_words = joining_window_mv(cells, pack, limits)
    window_words += "" if pack else "; any number in parallel"
    words = (*chemistry_words, window_words, repeats.words)
    return Standards(known, limits, repeats, window_mv, window_words, words)


class Tray(NamedTuple):
    """Screened cells and what they were screened with; `accept` are the written reasons."""

    cells: CellTable
    screened: ScreenedCells
    chemistry: Chemistry
    limits: Limits
    repeats: TrayRepeatability
    window_mv: float
    assumptions: tuple[str, ...]
    accept: Mapping[str, str]


def screened_tray(
    cells: CellTable,
    pack: Pack | None,
    *,
    limits: Limits | None,
    chemistry: Chemistry | str | None,
    accept: Mapping[str, str] | None,
) -> Tray:
    """Settle what the cells are judged by, and judge them: the first half of :func:`plan_pack`."""
    by = tray_standards(cells, pack, limits=limits, chemistry=chemistry)
    screened = screen_cells(cells, by.screening_limits, chemistry=by.chemistry, accept=accept)
    return Tray(cells, screened, by.chemistry, by.limits, by.repeats, by.window_mv, by.words, dict(accept or {}))


def grouped(tray: Tray, pack: Pack, **search: Any) -> Grouping:
    """Group the good cells; where they are too few, say which limit costs how many."""
    try:
        return group_cells(
            tray.screened,
            pack,
            repeatability_fraction=tray.repeats.fraction,
            rated_mah=tray.repeats.reference_mah,
            **search,
        )
    except TooFewCells as error:
        counts: Mapping[str, int] = tray.screened.attrs["screening"].counts
        costs = ", ".join(f"{name} {n}" for name, n in sorted(counts.items(), key=lambda c: -c[1]))
        problem = Problem("screening", f"rejected {costs}" if costs else "rejected no cell")
        raise TooFewCells([*error.problems, problem]) from error
