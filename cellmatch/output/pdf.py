"""The bench papers and the labels as PDF, made without a browser."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from datetime import datetime
from functools import partial

from matplotlib.figure import Figure

from cellmatch import __version__
from cellmatch.output import look
from cellmatch.output.charts import CHARTS
from cellmatch.output.label_sheets import ASSUMED_LABEL_SHEET, LABEL_SHEETS, PAGES_MM, LabelSheet
from cellmatch.output.labels import code_matrix, dark_runs
from cellmatch.output.letters import short, wide
from cellmatch.output.look import drawable, number
from cellmatch.output.map import Window, map_windows
from cellmatch.output.map_chart import draw_map
from cellmatch.output.pdf_figures import draw_figure
from cellmatch.output.pdf_file import PdfFile, PdfPage
from cellmatch.output.sheets import Sheet, SheetColumn, label_words, sheets_of
from cellmatch.pack.positions import FACES
from cellmatch.plan import Plan

POINTS_A_MM = 72 / 25.4
MARGIN_MM = 12.0
HEAD_MM = 8.0
TEXT_PT, SMALL_PT, TITLE_PT = 8.0, 7.0, 14.0
LINE_MM = 4.2
"""From one line of text to the next."""
BETWEEN_MM = 1.6
"""Between the rows of a table."""
OVER_MM = 0.6
"""From a row's line to its first words."""
ASCENT = 0.9
"""Of the type's size, from the top of a line to where its letters stand."""

Draw = Callable[["_Pen"], None]


def papers_pdf(plan: Plan, page: str = "A4") -> bytes:
    """Write the bench papers of a plan as PDF: summary, charts, both faces, and every sheet.

    Parameters
    ----------
    plan : Plan
    page : str
        ``A4`` or ``letter``.

    Returns
    -------
    bytes
    """
    drawings: list[Draw] = [partial(_summary, plan=plan), partial(_charts, plan=plan), *_map_pages(plan)]
    for sheet in sheets_of(plan):
        drawings += _sheet_pages(sheet, PAGES_MM[page])
    title = f"{plan.pack} bench papers"
    made = f"{plan.created_at[:10]} {plan.created_at[11:16]} UTC"
    file = _file(title, plan)
    for n, draw in enumerate(drawings, start=1):
        pen = _Pen(file, PAGES_MM[page])
        draw(pen)
        _furniture(pen, title, made, n, len(drawings))
    return file.content()


def labels_pdf(plan: Plan, sheet: str = ASSUMED_LABEL_SHEET) -> bytes:
    """Write the labels of all cells as PDF, true to size.

    Parameters
    ----------
    plan : Plan
    sheet : str
        One of the label sheets.

    Returns
    -------
    bytes
    """
    geometry = LABEL_SHEETS[sheet]
    labels = label_words(plan)
    parts = [labels[i : i + geometry.a_page] for i in range(0, len(labels), geometry.a_page)]
    file = _file(f"{plan.pack} labels", plan)
    for part in parts:
        _label_page(_Pen(file, PAGES_MM[geometry.page]), geometry, part)
    return file.content()


def _file(title: str, plan: Plan) -> PdfFile:
    return PdfFile(title, f"cellmatch {__version__}", datetime.fromisoformat(plan.created_at))


class _Pen:
    """Writes on a new page in millimetres from its upper left corner."""

    def __init__(self, file: PdfFile, size: tuple[float, float]) -> None:
        self.size = size
        self.page: PdfPage = file.page(size[0] * POINTS_A_MM, size[1] * POINTS_A_MM)

    def at(self, x: float, y: float) -> tuple[float, float]:
        """Return a place in points from the lower left corner."""
        return x * POINTS_A_MM, (self.size[1] - y) * POINTS_A_MM

    def write(
        self,
        x: float,
        y: float,
        words: str,
        points: float = TEXT_PT,
        *,
        bold: bool = False,
        right: bool = False,
        colour: str = look.INK,
    ) -> None:
        """Write a line whose top is at y; it begins at x, or ends there if it is set to the right."""
        shown = drawable(words)
        left, base = self.at(x, y)
        if right:
            left -= wide(shown, points, bold=bold)
        self.page.fill_colour(colour)
        self.page.words(left, base - ASCENT * points, shown, points, bold=bold)

    def rule(self, y: float, colour: str = look.RULE, width: float = 0.5) -> None:
        (left, at), (right, _) = self.at(MARGIN_MM, y), self.at(self.size[0] - MARGIN_MM, y)
        self.page.line(colour, width)
        self.page.put(f"{short(left)} {short(at)} m {short(right)} {short(at)} l S")

    def box(self, x: float, y: float, across: float, tall: float) -> None:
        left, foot = self.at(x, y + tall)
        self.page.line(look.MUTED, 0.6)
        self.page.put(f"{short(left)} {short(foot)} {short(across * POINTS_A_MM)} {short(tall * POINTS_A_MM)} re S")

    def figure(self) -> Figure:
        """Return a figure as large as the page."""
        return Figure(figsize=(self.page.wide / 72, self.page.tall / 72), facecolor=look.PAPER)


def _furniture(pen: _Pen, title: str, made: str, n: int, of: int) -> None:
    across, tall = pen.size
    pen.write(MARGIN_MM, MARGIN_MM - 5, title, SMALL_PT, colour=look.MUTED)
    pen.write(across - MARGIN_MM, MARGIN_MM - 5, made, SMALL_PT, colour=look.MUTED, right=True)
    pen.write(across - MARGIN_MM, tall - MARGIN_MM + 2, f"page {n} of {of}", SMALL_PT, colour=look.MUTED, right=True)


def _wrapped(texts: Iterable[str], room_mm: float, bullet: str = "") -> list[str]:
    """Break texts into lines that fit a width; the lines after a text's first stand in by as much as its bullet."""
    lines = []
    room = room_mm * POINTS_A_MM - wide(bullet, TEXT_PT)
    for text in texts:
        parts = _fitting_lines(drawable(text), room)
        lines += [(bullet if k == 0 else " " * 2 * bool(bullet)) + part for k, part in enumerate(parts)]
    return lines


def _fitting_lines(text: str, room: float) -> list[str]:
    """Break a text at its blanks into lines at most so wide [pt]; a word that is wider is cut where it has to be."""
    lines, line, used, blank = [], "", 0.0, wide(" ", TEXT_PT)
    for word in text.split(" "):
        rest, length = word, wide(word, TEXT_PT)
        if line and used + blank + length <= room:
            line, used = f"{line} {rest}", used + blank + length
            continue
        lines += [line] * bool(line)
        while length > room and len(rest) > 1:
            fits = max(1, sum(wide(rest[:k], TEXT_PT) <= room for k in range(1, len(rest))))
            lines.append(rest[:fits])
            rest = rest[fits:]
            length = wide(rest, TEXT_PT)
        line, used = rest, length
    return [*lines, line]


def _summary(pen: _Pen, plan: Plan) -> None:
    size, y = pen.size, MARGIN_MM + 4
    pen.write(MARGIN_MM, y, f"{plan.pack} pack plan", 20, bold=True)
    sign = {"go": "✓ Go", "level first": "↕ Level first", "stop": "✗ Stop"}[plan.verdict]
    pen.write(MARGIN_MM, y + 12, sign, TITLE_PT, bold=True)
    y += 20
    room_mm = size[0] - 2 * MARGIN_MM
    p, g = plan.prediction, plan.grouping
    status = plan.cells["status"]
    facts = (
        f"{plan.chemistry.label}; {number(p.nominal_v, 1, 'V')} nominal, "
        f"{number(p.end_v, 1)} to {number(p.full_v, 1, 'V')}",
        f"usable capacity {number(p.capacity_mah / 1000, 2, 'Ah')} (weakest group, {p.weakest_group}), "
        f"energy {number(p.energy_wh, 0, 'Wh')}, resistance {number(p.ir_mohm, 1, 'mΩ')}, links left out",
        f"spread of groups {number(g.spread_mah, 1, 'mAh')}, floor {number(g.floor_mah, 0, 'mAh')}",
        ", ".join(f"{(status == s).sum()} {s}" for s in ("used", "spare", "reject")),
    )
    bottom = size[1] - MARGIN_MM - 6
    parts = (
        ("", facts),
        ("Why", plan.verdict_reasons),
        ("To know", plan.notes),
        ("Assumed", plan.assumptions),
        ("Cautions", plan.cautions),
    )
    for title, words in parts:
        lines = _wrapped(words, room_mm, "– " if title else "")
        if not lines:
            continue
        room = int((bottom - y - 8) / LINE_MM)
        if room < 2:
            break
        if title:
            pen.write(MARGIN_MM, y + 3, title, 10, bold=True)
            y += 9
        if len(lines) > room:
            lines = [*lines[: room - 1], "… more in the report"]
        for line in lines:
            pen.write(MARGIN_MM, y, line)
            y += LINE_MM


def _charts(pen: _Pen, plan: Plan) -> None:
    across, figure = pen.size[0], pen.figure()
    left, right = 2.4 * MARGIN_MM / across, 1 - 3.2 * MARGIN_MM / across
    grid = figure.add_gridspec(3, 1, left=left, right=right, top=0.93, bottom=0.09, hspace=0.42)
    for row, name in enumerate(("balance", "group resistance", "capacity against resistance")):
        CHARTS[name](figure.add_subplot(grid[row]), plan)
    draw_figure(pen.page, figure)


def _map_pages(plan: Plan) -> list[Draw]:
    """Draw both faces of each part of the holder, one a page."""
    windows = map_windows(plan)
    return [
        partial(_map, plan=plan, face=face, window=window, part=f", part {k} of {len(windows)}" * several)
        for several in [len(windows) > 1]
        for k, window in enumerate(windows, start=1)
        for face in FACES
    ]


def _map(pen: _Pen, plan: Plan, face: str, window: Window, part: str) -> None:
    inset_x, inset_y = MARGIN_MM / pen.size[0], MARGIN_MM / pen.size[1]
    figure = pen.figure()
    ax = figure.add_axes((inset_x, inset_y, 1 - 2 * inset_x, 1 - 3 * inset_y))
    draw_map(ax, plan, None, face, window)
    ax.set_title("", loc="left")
    draw_figure(pen.page, figure)
    seen = "mirrored: as seen after turning the pack over like a page" if face == "bottom" else "as seen from above"
    pen.write(MARGIN_MM, MARGIN_MM + 2, f"{face.capitalize()} face{part}, {seen}", 11, bold=True)
    pen.write(MARGIN_MM, MARGIN_MM + 8, "Heavy bars are series links, thin ones parallel links.", SMALL_PT)


def _widths(columns: Sequence[SheetColumn], room_mm: float) -> list[float]:
    total = sum(c.share for c in columns)
    return [room_mm * c.share / total for c in columns]


def _sheet_pages(sheet: Sheet, size: tuple[float, float]) -> list[Draw]:
    """Split a sheet's rows over pages; nothing is cut, the head stands on each."""
    room_mm = size[0] - 2 * MARGIN_MM
    widths = _widths(sheet.columns, room_mm)
    rows = [[_wrapped([value], w - 2) for value, w in zip(row, widths, strict=True)] for row in sheet.rows]
    lead, foot = _wrapped(sheet.lead, room_mm), _wrapped(sheet.foot, room_mm, "– ")
    pages: list[list[list[list[str]]]] = [[]]
    first = MARGIN_MM + HEAD_MM + LINE_MM * (len(lead) + 2)
    y, bottom = first, size[1] - MARGIN_MM - 4
    for row in _no_taller(rows, bottom - first):
        tall = _row_mm(row)
        if y + tall > bottom:
            pages.append([])
            y = first
        pages[-1].append(row)
        y += tall
    if foot and y + LINE_MM * (len(foot) + 1) > bottom:
        pages.append([])
    last = len(pages) - 1
    return [
        partial(_draw_sheet, sheet=sheet, lead=lead, widths=widths, rows=part, foot=foot if k == last else [])
        for k, part in enumerate(pages)
    ]


def _no_taller(rows: list[list[list[str]]], most_mm: float) -> Iterator[list[list[str]]]:
    """Go on below with a row that is taller than a page."""
    most = int((most_mm - BETWEEN_MM) / LINE_MM)
    for row in rows:
        for k in range(0, max(map(len, row)), most):
            yield [lines[k : k + most] for lines in row]


def _row_mm(row: list[list[str]]) -> float:
    return max(len(lines) for lines in row) * LINE_MM + BETWEEN_MM


def _draw_sheet(
    pen: _Pen, sheet: Sheet, lead: list[str], widths: list[float], rows: list[list[list[str]]], foot: list[str]
) -> None:
    y = MARGIN_MM + 2
    pen.write(MARGIN_MM, y, sheet.title, TITLE_PT, bold=True)
    y += HEAD_MM
    for line in lead:
        pen.write(MARGIN_MM, y, line)
        y += LINE_MM
    y += 1
    _draw_row(pen, y, [[c.words] for c in sheet.columns], sheet.columns, widths, head=True)
    y += LINE_MM + BETWEEN_MM
    pen.rule(y - OVER_MM, look.INK, 0.8)
    for row in rows:
        _draw_row(pen, y, row, sheet.columns, widths)
        y += _row_mm(row)
        pen.rule(y - OVER_MM)
    y += LINE_MM
    for line in foot:
        pen.write(MARGIN_MM, y, line)
        y += LINE_MM


def _draw_row(
    pen: _Pen,
    y: float,
    row: list[list[str]],
    columns: Sequence[SheetColumn],
    widths: list[float],
    *,
    head: bool = False,
) -> None:
    x, by_line = MARGIN_MM, False
    for lines, column, across in zip(row, columns, widths, strict=True):
        # words keep off the line of a box, their own or the one before them
        at = x + across - 2 if column.number else x + (1 if column.write or by_line else 0)
        by_line = column.write
        if column.write and not head:
            pen.box(x, y - OVER_MM, across, _row_mm(row))
        for k, line in enumerate(lines):
            if line:
                pen.write(at, y + k * LINE_MM, line, right=column.number, bold=head)
        x += across


def _label_page(pen: _Pen, sheet: LabelSheet, labels: list[dict[str, str]]) -> None:
    line_mm = min(3.4, 0.12 * sheet.height_mm)
    points = line_mm / 1.15 * POINTS_A_MM
    side = 0.52 * sheet.height_mm
    room = sheet.width_mm - side - 4
    for index, label in enumerate(labels):
        left, top = sheet.corner_mm(index)
        x, y = left + 1.5, top + 1.5
        big = min(2 * points, room / (max(1, len(drawable(label["cell"]))) * 0.7) * POINTS_A_MM)
        pen.write(x, y, label["cell"], big, bold=True)
        y += 2 * line_mm
        for words in (label["flags"], label["group"], label["place"], label["figures"], label["date"]):
            if words:
                pen.write(x, y, words, points)
                y += line_mm
        _draw_code(pen, label["cell"], left + sheet.width_mm - side - 1.5, top + 1.5, side)


def _draw_code(pen: _Pen, text: str, x: float, y: float, side_mm: float) -> None:
    """Draw a QR code; its dots are counted in whole numbers, so that no two lie apart."""
    matrix = code_matrix(text)
    dot = side_mm * POINTS_A_MM / len(matrix)
    left, top = pen.at(x, y)
    runs = [f"{at} {row} {length} 1 re" for row, dots in enumerate(matrix) for at, length in dark_runs(dots)]
    with pen.page.apart():
        pen.page.fill_colour("black")
        pen.page.put(f"{dot:.5f} 0 0 {-dot:.5f} {short(left)} {short(top)} cm {' '.join(runs)} f")
