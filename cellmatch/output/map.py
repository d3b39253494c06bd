"""The pack map: both faces of the holder as SVG, with ids, ends and terminals.

Each face is drawn as the builder sees it: the pole that shows there, the bottom mirrored like a page that
is turned. What a drawing looks like is settled by classes in the stylesheet.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from html import escape

import numpy as np

from cellmatch.build.nets import Link
from cellmatch.output.coloured import Coloured
from cellmatch.output.look import CHARACTER_WIDTH, MINUS
from cellmatch.pack.positions import FACES
from cellmatch.plan import Plan

PX_PER_MM = (2.3, 3.2)
"""Size on a screen, of a wide and of a narrow pack; narrower screens shrink it."""
COMFORTABLE_PX = 400
MARGIN_MM = 12.0
"""Around the cells: terminal words, corner mark, group numbers."""
TILE_COLUMNS, TILE_ROWS = 10, 16
"""A drawing with more places than this across or down is split, so that its ids can still be read."""
ONE_LINE, LONGEST_LINE = 6, 10
"""Characters of an id on one line; a longer id takes two lines of at most the second number."""
ROOM_FOR_CORNER_WORD_MM = 60.0


@dataclass(frozen=True, slots=True)
class Window:
    """A part of the holder, seen from the top.

    Parameters
    ----------
    left, right, top, bottom : float
        [mm]
    """

    left: float
    right: float
    top: float
    bottom: float

    def holds(self, x_mm: np.ndarray, y_mm: np.ndarray) -> np.ndarray:
        """Say which points lie inside."""
        return (self.left <= x_mm) & (x_mm < self.right) & (self.top <= y_mm) & (y_mm < self.bottom)


@dataclass(frozen=True, slots=True)
class Place:
    """One cell as it is drawn on one face."""

    cell: str
    group: int
    x: float
    y: float
    positive: bool
    position: int


def window_around(plan: Plan, cells: Iterable[object]) -> Window:
    """Return the part of the holder in which some cells of the pack sit."""
    used = plan.cells.loc[list(cells)]
    half = plan.holder.spacing_mm / 2
    x, y = used["x_mm"].to_numpy(dtype=float), used["y_mm"].to_numpy(dtype=float)
    return Window(float(x.min()) - half, float(x.max()) + half, float(y.min()) - half, float(y.max()) + half)


def map_windows(plan: Plan) -> list[Window]:
    """Split a holder into parts whose ids can be read on paper, row by row.

    Returns
    -------
    list of Window
        One for a small pack.
    """
    used = plan.with_status("used")
    x, y = used["x_mm"].to_numpy(dtype=float), used["y_mm"].to_numpy(dtype=float)
    whole, pitch = window_around(plan, used.index), plan.holder.spacing_mm
    cuts_x = _cuts(whole.left, whole.right, pitch, TILE_COLUMNS)
    cuts_y = _cuts(whole.top, whole.bottom, pitch, TILE_ROWS)
    return [
        Window(left, right, top, bottom)
        for top, bottom in itertools.pairwise(cuts_y)
        for left, right in itertools.pairwise(cuts_x)
        if Window(left, right, top, bottom).holds(x, y).any()
    ]


def pack_map_svg(
    plan: Plan,
    face: str = "top",
    window: Window | None = None,
    links: Sequence[Link] = (),
    coloured: Coloured | None = None,
) -> str:
    """Draw one face of the holder.

    Parameters
    ----------
    plan : Plan
    face : str
        ``top``, or ``bottom``: mirrored, as seen once the pack is turned over like a page.
    window : Window, optional
        Only this part.
    links : sequence of Link, optional
        Drawn as bars on the face where they lie.
    coloured : Coloured, optional
        Each cell shows this figure by colour and in words in place of its end.

    Returns
    -------
    str
        An SVG element to stand in HTML: classes only, nothing that is fetched.

    Raises
    ------
    ValueError
        Another face.
    """
    if face not in FACES:
        raise ValueError(f"face {face!r}: one of {', '.join(FACES)}")
    whole = window_around(plan, plan.with_status("used").index)
    part = window or whole
    places = places_on_face(plan, face, part)
    left, right = across(face, whole, part)
    box = (
        left - MARGIN_MM,
        part.top - MARGIN_MM,
        right - left + 2 * MARGIN_MM,
        part.bottom - part.top + 2 * MARGIN_MM,
    )
    scale = float(np.clip(COMFORTABLE_PX / box[2], *PX_PER_MM))
    label = f"{face} face" + (f", {coloured.words}" if coloured else "")
    description = (
        f"Seen from {'above' if face == 'top' else 'below, mirrored like a turned page'}. "
        f"{len(places)} cells, groups {_group_words(places)}. "
        + "; ".join(f"group {g}: {_end_words(places, g)}" for g in sorted({p.group for p in places}))
    )
    parts = [
        f'<svg class="map" role="img" viewBox="{_mm(*box)}" '
        f'width="{box[2] * scale:.0f}" height="{box[3] * scale:.0f}" xmlns="http://www.w3.org/2000/svg">',
        f"<title>{escape(str(plan.pack))}, {label}</title><desc>{escape(description)}</desc>",
        *_blocks(places, plan.holder.spacing_mm),
        *_links(places, [link for link in links if link.face == face], plan.holder.diameter_mm),
        *_cells(places, plan.holder.diameter_mm, coloured),
        *_row_labels(places, left, plan.holder.spacing_mm),
        *_terminals(plan, face, whole, part),
        _corner(face, whole, part),
        "</svg>",
    ]
    return "".join(parts)


def pack_overview_svg(plan: Plan, face: str = "top") -> str:
    """Draw one face small, without ids: each place a dot that carries its number.

    Parameters
    ----------
    plan : Plan
    face : str

    Returns
    -------
    str
        An SVG element; ``data-place`` on each dot is the number of its place.
    """
    whole = window_around(plan, plan.with_status("used").index)
    places = places_on_face(plan, face, whole)
    width, height = whole.right - whole.left, whole.bottom - whole.top
    radius = plan.holder.diameter_mm / 2
    dots = "".join(f'<circle data-place="{p.position}" cx="{p.x:g}" cy="{p.y:g}" r="{radius:g}"/>' for p in places)
    blocks = "".join(_blocks(places, plan.holder.spacing_mm))
    return (
        f'<svg class="overview" role="img" viewBox="{_mm(whole.left, whole.top, width, height)}" '
        f'xmlns="http://www.w3.org/2000/svg"><title>{face} face, whole pack</title>{blocks}{dots}</svg>'
    )


def _cuts(low: float, high: float, pitch: float, most: int) -> list[float]:
    """Cut a length into parts of at most `most` pitches, as even as whole pitches allow."""
    pitches = math.ceil((high - low) / pitch - 1e-6)
    parts = max(1, math.ceil(pitches / most))
    each = math.ceil(pitches / parts) * pitch
    return [low + k * each for k in range(parts)] + [high]


def across(face: str, whole: Window, part: Window) -> tuple[float, float]:
    """Return the left and right end of `part` as drawn: the bottom face mirrors the whole holder."""
    if face == "top":
        return part.left, part.right
    return whole.left + whole.right - part.right, whole.left + whole.right - part.left


def places_on_face(plan: Plan, face: str, part: Window) -> list[Place]:
    """Return the cells of a part of the holder as they are drawn on one face: the bottom mirrors the whole holder."""
    used = plan.with_status("used").sort_values("position")
    whole = window_around(plan, used.index)
    x, y = used["x_mm"].to_numpy(dtype=float), used["y_mm"].to_numpy(dtype=float)
    inside = part.holds(x, y)
    drawn = x if face == "top" else whole.left + whole.right - x
    positive = np.array([bool(up) == (face == "top") for up in used["positive_up"]])
    return [
        Place(str(cell), int(g), float(a), float(b), bool(p), int(n))
        for cell, g, a, b, p, n, show in zip(
            used.index, used["group"], drawn, y, positive, used["position"], inside, strict=True
        )
        if show
    ]


def _blocks(places: list[Place], pitch: float) -> list[str]:
    """Tint the ground of each group; two tints take turns."""
    side = pitch + 0.1
    squares: dict[int, list[str]] = {0: [], 1: []}
    for p in places:
        squares[p.group % 2].append(f"M{_mm(p.x - side / 2, p.y - side / 2)}h{side:g}v{side:g}h{-side:g}z")
    return [f'<path class="block {"odd" if odd else "even"}" d="{"".join(d)}"/>' for odd, d in squares.items() if d]


def _cells(places: list[Place], diameter: float, coloured: Coloured | None) -> list[str]:
    if coloured:
        return [coloured.draw(p.cell, p.x, p.y, diameter) for p in places]
    glyph = f'font-size="{0.42 * diameter:g}"'
    drawn = []
    for p in places:
        end = "+" if p.positive else MINUS
        words = f"{p.cell}, group {p.group}, position {p.position}, {'positive' if p.positive else 'negative'} end"
        drawn.append(
            f'<g class="cell"><title>{escape(words)}</title>'
            f'<circle cx="{p.x:g}" cy="{p.y:g}" r="{diameter / 2 - 0.3:g}"/>'
            f'<text class="end" x="{p.x:g}" y="{p.y - 0.27 * diameter:g}" {glyph}>{end}</text>'
            f"{_id_text(p, diameter)}</g>"
        )
    return drawn


def id_lines(cell: str) -> list[str]:
    """Split an id into the one or two lines it takes in a cell, at a separator where it has one.

    Examples
    --------
    >>> id_lines("B3-017"), id_lines("LOT4-0172"), id_lines("a very long cell id 0001 of 2")
    (['B3-017'], ['LOT4-', '0172'], ['a very lo…', '…0001 of 2'])
    """
    if len(cell) <= ONE_LINE:
        return [cell]
    if len(cell) > 2 * LONGEST_LINE:
        # both ends tell most; the whole id stands in the title
        return [cell[: LONGEST_LINE - 1] + "…", "…" + cell[-(LONGEST_LINE - 1) :]]
    half = len(cell) / 2
    separators = [k + 1 for k, c in enumerate(cell) if not c.isalnum() and half - 3 <= k + 1 <= half + 3]
    cut = min(separators, key=lambda k: abs(k - half), default=math.ceil(half))
    return [cell[:cut], cell[cut:]]


def _id_text(p: Place, diameter: float) -> str:
    lines = id_lines(p.cell)
    wide, tall = (0.82, 0.31) if len(lines) == 1 else (0.78, 0.25)
    size = min(tall, wide / (CHARACTER_WIDTH * max(map(len, lines)))) * diameter
    first = p.y + (0.1 if len(lines) == 1 else 0.03) * diameter
    return "".join(
        f'<text class="id" x="{p.x:g}" y="{first + k * size:.4g}" font-size="{size:.3g}">{escape(line)}</text>'
        for k, line in enumerate(lines)
    )


def group_labels(places: Sequence[Place], left: float, pitch: float) -> Iterator[tuple[float, float, int, bool]]:
    """Yield where each group is named, its number, and whether that is inside a cell's square.

    At the left of its row; where rows hold several groups, in the corner of its first cell.
    """
    rows: dict[float, set[int]] = {}
    for p in places:
        rows.setdefault(round(p.y, 3), set()).add(p.group)
    if all(len(groups) == 1 for groups in rows.values()):
        for y, groups in rows.items():
            yield left - 2, y, next(iter(groups)), False
        return
    first: dict[int, Place] = {}
    for p in places:
        first.setdefault(p.group, p)
    for g, p in first.items():
        yield p.x - 0.47 * pitch, p.y - 0.47 * pitch, g, True


def _row_labels(places: list[Place], left: float, pitch: float) -> list[str]:
    return [
        f'<text class="group{" inside" if inside else ""}" x="{x:g}" y="{y + (3.4 if inside else 1.7):g}">{g}</text>'
        for x, y, g, inside in group_labels(places, left, pitch)
    ]


LINK_WIDTHS = {"parallel": 0.16, "series": 0.4}
"""Of a cell's diameter; other links lie between."""
OTHER_LINK_WIDTH = 0.25


def link_bars(places: Sequence[Place], links: Iterable[Link]) -> dict[str, list[tuple[Place, Place]]]:
    """Return the bars of each kind of link, from place to place, as far as they lie in this part of a drawing."""
    at = {p.position: p for p in places}
    bars: dict[str, list[tuple[Place, Place]]] = {}
    for link in links:
        if link.a in at or link.b in at:
            # a link into another part of the drawing ends where its near cell stands
            bars.setdefault(link.kind, []).append((at.get(link.a) or at[link.b], at.get(link.b) or at[link.a]))
    return bars


def _links(places: list[Place], links: Sequence[Link], diameter: float) -> list[str]:
    """Draw links as bars from centre to centre, series ones heavier, under the cells."""
    return [
        f'<path class="link {kind}" stroke-width="{LINK_WIDTHS.get(kind, OTHER_LINK_WIDTH) * diameter:.2g}" '
        f'd="{"".join(f"M{_mm(a.x, a.y)}L{_mm(b.x, b.y)}" for a, b in bars)}"/>'
        for kind, bars in sorted(link_bars(places, links).items())
    ]


def terminals(plan: Plan, face: str, whole: Window, part: Window) -> Iterator[tuple[float, float, str]]:
    """Yield where the pack's terminals are named on a face, above or below the cells they sit at, and the words."""
    for group, positive, words in ((1, False, f"pack {MINUS}"), (plan.pack.series, True, "pack +")):
        places = [p for p in places_on_face(plan, face, part) if p.group == group and p.positive is positive]
        if places:
            top, bottom = min(p.y for p in places), max(p.y for p in places)
            # of one group alone, the two terminals lie on different faces: minus above, plus below
            above = top - whole.top <= whole.bottom - bottom if plan.pack.series > 1 else not positive
            outermost = [p.x for p in places if p.y == (top if above else bottom)]
            yield sum(outermost) / len(outermost), part.top - 3.5 if above else part.bottom + 7.5, words


def _terminals(plan: Plan, face: str, whole: Window, part: Window) -> list[str]:
    return [
        f'<text class="terminal" x="{x:g}" y="{y:g}">{words}</text>'
        for x, y, words in terminals(plan, face, whole, part)
    ]


def _corner(face: str, whole: Window, part: Window) -> str:
    """Mark the same corner of the holder on both faces: first column, first row."""
    if part.left > whole.left or part.top > whole.top:
        return ""
    left, right = across(face, whole, part)
    x, inward = (left - 8, 1) if face == "top" else (right + 8, -1)
    y = part.top - 8
    mark = f'<path class="corner" d="M{_mm(x, y)}h{6 * inward}l{-6 * inward} 6z"/>'
    if right - left < ROOM_FOR_CORNER_WORD_MM:
        return mark
    side = "" if inward > 0 else " from-right"
    return f'{mark}<text class="corner-word{side}" x="{x + 7.5 * inward:g}" y="{y + 3:g}">corner</text>'


def _group_words(places: list[Place]) -> str:
    groups = sorted({p.group for p in places})
    return f"{groups[0]} to {groups[-1]}" if groups else "none"


def _end_words(places: list[Place], group: int) -> str:
    ends = {p.positive for p in places if p.group == group}
    return " and ".join("positive" if e else "negative" for e in sorted(ends, reverse=True)) + " ends show"


def _mm(*values: float) -> str:
    return " ".join(f"{v:.2f}".rstrip("0").rstrip(".") for v in values)
