"""The bench papers and the labels as PDF, made without a browser."""

from __future__ import annotations

import io
import textwrap
from collections.abc import Callable, Iterable, Sequence
from datetime import datetime
from functools import lru_cache, partial

from matplotlib.artist import Artist
from matplotlib.backend_bases import RendererBase
from matplotlib.backends.backend_pdf import PdfPages
from matplotlib.figure import Figure
from matplotlib.font_manager import FontProperties
from matplotlib.lines import Line2D
from matplotlib.patches import PathPatch, Rectangle
from matplotlib.path import Path
from matplotlib.transforms import Affine2D

from cellmatch import __version__
from cellmatch.output import look
from cellmatch.output.charts import CHARTS
from cellmatch.output.label_sheets import ASSUMED_LABEL_SHEET, LABEL_SHEETS, PAGES_MM, LabelSheet
from cellmatch.output.labels import code_matrix, dark_runs
from cellmatch.output.look import drawable, number
from cellmatch.output.map import Window, map_windows
from cellmatch.output.map_chart import draw_map
from cellmatch.output.sheets import Sheet, SheetColumn, label_words, sheets_of
from cellmatch.pack.positions import FACES
from cellmatch.plan import Plan

MM = 1 / 25.4
MARGIN_MM = 12.0
HEAD_MM = 8.0
TEXT_PT, SMALL_PT, TITLE_PT = 8.0, 7.0, 14.0
LINE_MM = 4.2
"""From one line of text to the next."""
ASCENT = 0.9
"""Of the type's size, from the top of a line to where its letters stand."""
CHARACTER_MM = 1.55
"""Width of a common character at the size of text."""

Draw = Callable[[Figure], None]


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
    size = PAGES_MM[page]
    drawings: list[Draw] = [
        partial(_summary, size=size, plan=plan),
        partial(_charts, size=size, plan=plan),
        *_map_pages(plan, size),
    ]
    for sheet in sheets_of(plan):
        drawings += _sheet_pages(sheet, size)
    title = f"{plan.pack} bench papers"
    made = f"{plan.created_at[:10]} {plan.created_at[11:16]} UTC"
    return _pages(
        drawings, size, title, plan, lambda figure, n: _furniture(figure, size, title, made, n, len(drawings))
    )


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
    size = PAGES_MM[geometry.page]
    drawings: list[Draw] = [partial(_label_page, size=size, sheet=geometry, labels=part) for part in parts]
    return _pages(drawings, size, f"{plan.pack} labels", plan, lambda figure, n: None)


def _pages(
    drawings: Sequence[Draw],
    size: tuple[float, float],
    title: str,
    plan: Plan,
    finish: Callable[[Figure, int], None],
) -> bytes:
    content = io.BytesIO()
    facts = {
        "Title": title,
        "Creator": f"cellmatch {__version__}",
        "CreationDate": datetime.fromisoformat(plan.created_at),
    }
    with PdfPages(content, metadata=facts) as pdf:
        for n, draw in enumerate(drawings, start=1):
            figure = Figure(figsize=(size[0] * MM, size[1] * MM), facecolor=look.PAPER)
            draw(figure)
            finish(figure, n)
            pdf.savefig(figure)
    return content.getvalue()


class _Words(Artist):
    """One line of text, without the layout that the library's own text works out again for every line of a table."""

    def __init__(self, at: tuple[float, float], words: str, points: float, style: dict[str, str]) -> None:
        super().__init__()
        self.at, self.words = at, words
        self.font = _font(points, style.get("fontweight", "normal"))
        self.colour, self.side = style.get("color", look.INK), style.get("ha", "left")

    def draw(self, renderer: RendererBase) -> None:
        figure = self.get_figure(root=True)
        if figure is None:
            return
        x, y = figure.transFigure.transform(self.at)
        y -= renderer.points_to_pixels(ASCENT * self.font.get_size_in_points())
        if self.side == "right":
            x -= renderer.get_text_width_height_descent(self.words, self.font, False)[0]
        if renderer.flipy():
            y = renderer.get_canvas_width_height()[1] - y
        pen = renderer.new_gc()
        pen.set_foreground(self.colour)
        renderer.draw_text(pen, x, y, self.words, self.font, 0.0, False)
        pen.restore()


@lru_cache(maxsize=64)
def _font(points: float, weight: str) -> FontProperties:
    return FontProperties(weight=weight, size=points)


class _Pen:
    """Writes on a page in millimetres from its upper left corner."""

    def __init__(self, figure: Figure, size: tuple[float, float]) -> None:
        self.figure, self.size = figure, size

    def write(self, x: float, y: float, words: str, points: float = TEXT_PT, **style: str) -> None:
        at = x / self.size[0], 1 - y / self.size[1]
        self.figure.add_artist(_Words(at, drawable(words), points, style))

    def rule(self, y: float, colour: str = look.RULE, width: float = 0.5) -> None:
        left, right, at = MARGIN_MM / self.size[0], 1 - MARGIN_MM / self.size[0], 1 - y / self.size[1]
        self.figure.add_artist(Line2D([left, right], [at, at], color=colour, linewidth=width))

    def box(self, x: float, y: float, wide: float, tall: float) -> None:
        corner = (x / self.size[0], 1 - (y + tall) / self.size[1])
        self.figure.add_artist(
            Rectangle(corner, wide / self.size[0], tall / self.size[1], fill=False, edgecolor=look.MUTED, linewidth=0.6)
        )


def _furniture(figure: Figure, size: tuple[float, float], title: str, made: str, n: int, of: int) -> None:
    pen = _Pen(figure, size)
    pen.write(MARGIN_MM, MARGIN_MM - 5, title, SMALL_PT, color=look.MUTED)
    pen.write(size[0] - MARGIN_MM, MARGIN_MM - 5, made, SMALL_PT, color=look.MUTED, ha="right")
    pen.write(size[0] - MARGIN_MM, size[1] - MARGIN_MM + 2, f"page {n} of {of}", SMALL_PT, color=look.MUTED, ha="right")


def _wrapped(words: Iterable[str], wide_mm: float, bullet: str = "") -> list[str]:
    lines = []
    for text in words:
        parts = textwrap.wrap(text, max(8, int(wide_mm / CHARACTER_MM))) or [""]
        lines += [(bullet if k == 0 else " " * 2 * bool(bullet)) + part for k, part in enumerate(parts)]
    return lines


def _summary(figure: Figure, size: tuple[float, float], plan: Plan) -> None:
    pen, y = _Pen(figure, size), MARGIN_MM + 4
    pen.write(MARGIN_MM, y, f"{plan.pack} pack plan", 20, fontweight="bold")
    sign = {"go": "✓ Go", "level first": "↕ Level first", "stop": "✗ Stop"}[plan.verdict]
    pen.write(MARGIN_MM, y + 12, sign, TITLE_PT, fontweight="bold")
    y += 20
    wide = size[0] - 2 * MARGIN_MM
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
        lines = _wrapped(words, wide, "– " if title else "")
        if not lines:
            continue
        room = int((bottom - y - 8) / LINE_MM)
        if room < 2:
            break
        if title:
            pen.write(MARGIN_MM, y + 3, title, 10, fontweight="bold")
            y += 9
        if len(lines) > room:
            lines = [*lines[: room - 1], "… more in the report"]
        for line in lines:
            pen.write(MARGIN_MM, y, line)
            y += LINE_MM


def _charts(figure: Figure, size: tuple[float, float], plan: Plan) -> None:
    left, right = 2.4 * MARGIN_MM / size[0], 1 - 3.2 * MARGIN_MM / size[0]
    grid = figure.add_gridspec(3, 1, left=left, right=right, top=0.93, bottom=0.09, hspace=0.42)
    for row, name in enumerate(("balance", "group resistance", "capacity against resistance")):
        CHARTS[name](figure.add_subplot(grid[row]), plan)


def _map_pages(plan: Plan, size: tuple[float, float]) -> list[Draw]:
    """Draw both faces of each part of the holder, one a page."""
    windows = map_windows(plan)
    return [
        partial(_map, size=size, plan=plan, face=face, window=window, part=f", part {k} of {len(windows)}" * several)
        for several in [len(windows) > 1]
        for k, window in enumerate(windows, start=1)
        for face in FACES
    ]


def _map(figure: Figure, size: tuple[float, float], plan: Plan, face: str, window: Window, part: str) -> None:
    inset_x, inset_y = MARGIN_MM / size[0], MARGIN_MM / size[1]
    ax = figure.add_axes((inset_x, inset_y, 1 - 2 * inset_x, 1 - 3 * inset_y))
    draw_map(ax, plan, None, face, window)
    ax.set_title("", loc="left")
    seen = "mirrored: as seen after turning the pack over like a page" if face == "bottom" else "as seen from above"
    pen = _Pen(figure, size)
    pen.write(MARGIN_MM, MARGIN_MM + 2, f"{face.capitalize()} face{part}, {seen}", 11, fontweight="bold")
    pen.write(MARGIN_MM, MARGIN_MM + 8, "Heavy bars are series links, thin ones parallel links.", SMALL_PT)


def _widths(columns: Sequence[SheetColumn], wide: float) -> list[float]:
    total = sum(c.share for c in columns)
    return [wide * c.share / total for c in columns]


def _sheet_pages(sheet: Sheet, size: tuple[float, float]) -> list[Draw]:
    """Split a sheet's rows over pages; nothing is cut, the head stands on each."""
    wide = size[0] - 2 * MARGIN_MM
    widths = _widths(sheet.columns, wide)
    rows = [[_wrapped([value], w - 2) for value, w in zip(row, widths, strict=True)] for row in sheet.rows]
    lead, foot = _wrapped(sheet.lead, wide), _wrapped(sheet.foot, wide, "– ")
    pages: list[list[list[list[str]]]] = [[]]
    first = MARGIN_MM + HEAD_MM + LINE_MM * (len(lead) + 2)
    y, bottom = first, size[1] - MARGIN_MM - 4
    for row in rows:
        tall = _row_mm(row)
        if y + tall > bottom:
            pages.append([])
            y = first
        pages[-1].append(row)
        y += tall
    if y + LINE_MM * (len(foot) + 1) > bottom:
        pages.append([])
    last = len(pages) - 1
    return [
        partial(
            _draw_sheet, size=size, sheet=sheet, lead=lead, widths=widths, rows=part, foot=foot if k == last else []
        )
        for k, part in enumerate(pages)
    ]


def _row_mm(row: list[list[str]]) -> float:
    return max(len(lines) for lines in row) * LINE_MM + 1.6


def _draw_sheet(
    figure: Figure,
    size: tuple[float, float],
    sheet: Sheet,
    lead: list[str],
    widths: list[float],
    rows: list[list[list[str]]],
    foot: list[str],
) -> None:
    pen, y = _Pen(figure, size), MARGIN_MM + 2
    pen.write(MARGIN_MM, y, sheet.title, TITLE_PT, fontweight="bold")
    y += HEAD_MM
    for line in lead:
        pen.write(MARGIN_MM, y, line)
        y += LINE_MM
    y += 1
    _draw_row(pen, y, [[c.words] for c in sheet.columns], sheet.columns, widths, fontweight="bold")
    y += LINE_MM + 1.6
    pen.rule(y - 0.6, look.INK, 0.8)
    for row in rows:
        _draw_row(pen, y, row, sheet.columns, widths)
        y += _row_mm(row)
        pen.rule(y - 0.6)
    y += LINE_MM
    for line in foot:
        pen.write(MARGIN_MM, y, line)
        y += LINE_MM


def _draw_row(
    pen: _Pen, y: float, row: list[list[str]], columns: Sequence[SheetColumn], widths: list[float], **style: str
) -> None:
    x = MARGIN_MM
    for lines, column, wide in zip(row, columns, widths, strict=True):
        at, side = (x + wide - 2, "right") if column.number else (x + (1 if column.write else 0), "left")
        if column.write and "fontweight" not in style:
            pen.box(x, y - 0.6, wide, _row_mm(row))
        for k, line in enumerate(lines):
            if line:
                pen.write(at, y + k * LINE_MM, line, TEXT_PT, ha=side, **style)
        x += wide


def _label_page(figure: Figure, size: tuple[float, float], sheet: LabelSheet, labels: list[dict[str, str]]) -> None:
    pen = _Pen(figure, size)
    line_mm = min(3.4, 0.12 * sheet.height_mm)
    points = line_mm / 1.15 * 72 * MM
    side = 0.52 * sheet.height_mm
    room = sheet.width_mm - side - 4
    codes: list[Path] = []
    for index, label in enumerate(labels):
        x, y = (a + 1.5 for a in sheet.corner_mm(index))
        big = min(2 * points, room / (max(1, len(drawable(label["cell"]))) * 0.7) * 72 * MM)
        pen.write(x, y, label["cell"], big, fontweight="bold")
        y += 2 * line_mm
        for words in (label["flags"], label["group"], label["place"], label["figures"], label["date"]):
            if words:
                pen.write(x, y, words, points)
                y += line_mm
        left, top = sheet.corner_mm(index)
        codes += _code_squares(label["cell"], left + sheet.width_mm - side - 1.5, top + 1.5, side)
    to_page = Affine2D().scale(1 / size[0], -1 / size[1]).translate(0, 1) + figure.transFigure
    # one path for all codes of the page: an axes a code takes longer than all the rest
    path = Path.make_compound_path(*codes)
    figure.add_artist(PathPatch(path, transform=to_page, facecolor="black", linewidth=0))


def _code_squares(text: str, x: float, y: float, side: float) -> list[Path]:
    """Return the dark runs of a QR code, in millimetres from the page's upper left corner."""
    matrix = code_matrix(text)
    dot = side / len(matrix)
    return [
        Path.unit_rectangle().transformed(Affine2D().scale(length * dot, dot).translate(x + at * dot, y + row * dot))
        for row, dots in enumerate(matrix)
        for at, length in dark_runs(dots)
    ]
