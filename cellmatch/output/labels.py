"""Labels for the cells, on label sheets of stated size."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from functools import lru_cache
from itertools import groupby

import segno

from cellmatch.output.label_sheets import ASSUMED_LABEL_SHEET, LABEL_SHEETS
from cellmatch.output.report import templates
from cellmatch.output.sheets import label_words
from cellmatch.plan import Plan


@lru_cache(maxsize=2048)
def code_matrix(text: str) -> tuple[tuple[int, ...], ...]:
    """Return the QR code of a text as rows of 0 and 1, without a border."""
    return tuple(tuple(row) for row in segno.make(text, error="m", micro=False).matrix)


def dark_runs(row: Sequence[int]) -> Iterator[tuple[int, int]]:
    """Yield where each run of dark dots of a code's row starts, and its length."""
    x = 0
    for dark, dots in groupby(row):
        length = len(list(dots))
        if dark:
            yield x, length
        x += length


def code_svg(text: str) -> str:
    """Return the QR code of a text as an SVG element."""
    matrix = code_matrix(text)
    side = len(matrix)
    runs = (f"M{x} {y}h{length}v1h-{length}z" for y, row in enumerate(matrix) for x, length in dark_runs(row))
    return f'<svg class="code" aria-hidden="true" viewBox="0 0 {side} {side}"><path d="{"".join(runs)}"/></svg>'


def labels_html(plan: Plan, sheet: str = ASSUMED_LABEL_SHEET) -> str:
    """Write the labels of all cells.

    Parameters
    ----------
    plan : Plan
    sheet : str
        One of :data:`LABEL_SHEETS`.

    Returns
    -------
    str
        One HTML document, to be printed at 100 %.
    """
    size = LABEL_SHEETS[sheet]
    labels = [words | {"code": code_svg(words["cell"])} for words in label_words(plan)]
    pages = [labels[i : i + size.a_page] for i in range(0, len(labels), size.a_page)]
    return templates().get_template("labels.html").render(plan=plan, size=size, name=sheet, pages=pages)
