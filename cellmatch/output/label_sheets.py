"""Sizes of paper and of label sheets, by name; light enough for the command line."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, kw_only=True, slots=True)
class LabelSheet:
    """Geometry of a label sheet.

    Parameters
    ----------
    page : str
        ``A4`` or ``letter``.
    columns, rows : int
    width_mm, height_mm : float
        [mm] Of one label.
    left_mm, top_mm : float
        [mm] From the paper's edge to the first label.
    gap_x_mm, gap_y_mm : float
        [mm] Between labels.
    """

    page: str
    columns: int
    rows: int
    width_mm: float
    height_mm: float
    left_mm: float
    top_mm: float
    gap_x_mm: float = 0.0
    gap_y_mm: float = 0.0

    @property
    def a_page(self) -> int:
        """Labels on one page."""
        return self.columns * self.rows

    def corner_mm(self, index: int) -> tuple[float, float]:
        """Return the upper left corner of the label with this number on its page, counted from 0 [mm]."""
        row, column = divmod(index, self.columns)
        return (
            self.left_mm + column * (self.width_mm + self.gap_x_mm),
            self.top_mm + row * (self.height_mm + self.gap_y_mm),
        )


PAGES_MM = {"A4": (210.0, 297.0), "letter": (215.9, 279.4)}

LABEL_SHEETS: dict[str, LabelSheet] = {
    "a4-38x21": LabelSheet(
        page="A4", columns=5, rows=13, width_mm=38.1, height_mm=21.2, left_mm=4.75, top_mm=10.7, gap_x_mm=2.5
    ),
    "a4-64x34": LabelSheet(
        page="A4", columns=3, rows=8, width_mm=63.5, height_mm=33.9, left_mm=7.2, top_mm=12.9, gap_x_mm=2.5
    ),
    "letter-67x25": LabelSheet(
        page="letter", columns=3, rows=10, width_mm=66.7, height_mm=25.4, left_mm=4.8, top_mm=12.7, gap_x_mm=3.1
    ),
}
"""Label sheets by name; a new one is one entry here (sizes sold everywhere; common practice, no source)."""
ASSUMED_LABEL_SHEET = "a4-38x21"
SHEET_OF_PAGE = {"A4": ASSUMED_LABEL_SHEET, "letter": "letter-67x25"}
"""The usual label sheet of each page."""
