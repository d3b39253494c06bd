"""Figures of matplotlib on a page of a PDF: its charts drawn with the operators and letters of :mod:`.pdf_file`."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
from matplotlib.backend_bases import GraphicsContextBase, RendererBase
from matplotlib.figure import Figure
from matplotlib.font_manager import FontProperties
from matplotlib.path import Path
from matplotlib.transforms import Transform

from cellmatch.output.letters import EM, face, outline, short, wide
from cellmatch.output.pdf_file import PdfPage

if TYPE_CHECKING:
    from matplotlib.text import Text
    from matplotlib.typing import ColorType

CAPS = {"butt": 0, "round": 1, "projecting": 2}
JOINS = {"miter": 0, "round": 1, "bevel": 2}
SEMIBOLD = 600
"""From this weight on, words are set in bold."""


def draw_figure(page: PdfPage, figure: Figure) -> None:
    """Draw a figure on a page as large as the figure.

    Parameters
    ----------
    page : PdfPage
    figure : Figure
        Of lines, fillings and words; pictures, hatches, mathematical text and clipping to other than boxes
        have no place in it.
    """
    figure.set_dpi(72)
    figure.draw(_Renderer(page))


class _Renderer(RendererBase):
    """Draws in points, from the lower left corner, as a PDF does."""

    def __init__(self, page: PdfPage) -> None:
        super().__init__()
        self._page = page

    def flipy(self) -> bool:
        return False

    def get_canvas_width_height(self) -> tuple[float, float]:
        return self._page.wide, self._page.tall

    def draw_path(
        self, gc: GraphicsContextBase, path: Path, transform: Transform, rgbFace: ColorType | None = None
    ) -> None:
        self._paint(gc, self._outline(path, transform), rgbFace)

    def draw_markers(
        self,
        gc: GraphicsContextBase,
        marker_path: Path,
        marker_trans: Transform,
        path: Path,
        trans: Transform,
        rgbFace: ColorType | None = None,
    ) -> None:
        # one outline, moved about: that packs far better than one worked out for each place
        marker = self._outline(marker_path, marker_trans)
        for at, _ in path.iter_segments(trans, simplify=False):
            if np.isfinite(at[-2:]).all():
                self._paint(gc, marker, rgbFace, move=(float(at[-2]), float(at[-1])))

    def draw_text(
        self,
        gc: GraphicsContextBase,
        x: float,
        y: float,
        s: str,
        prop: FontProperties,
        angle: float,
        ismath: bool | str = False,
        mtext: Text | None = None,
    ) -> None:
        page, points = self._page, prop.get_size_in_points()
        clip = gc.get_clip_rectangle()
        if clip is None:
            page.fill_colour(gc.get_rgb()[:3])
            page.words(x, y, s, points, bold=_is_bold(prop), angle_deg=angle)
            return
        with page.apart():
            self._clip(gc)
            page.fill_colour(gc.get_rgb()[:3])
            page.words(x, y, s, points, bold=_is_bold(prop), angle_deg=angle)

    def get_text_width_height_descent(
        self, s: str, prop: FontProperties, ismath: bool | str
    ) -> tuple[float, float, float]:
        points, bold = prop.get_size_in_points(), _is_bold(prop)
        letters = [face(bold=bold)[c] for c in s]
        low, high = min((a.low for a in letters), default=0), max((a.high for a in letters), default=0)
        return wide(s, points, bold=bold), (high - low) * points / EM, -low * points / EM

    def _outline(self, path: Path, transform: Transform) -> str:
        clean = path.cleaned(transform, remove_nans=True, curves=True, simplify=False)
        assert clean.codes is not None
        return outline(np.asarray(clean.vertices), np.asarray(clean.codes, dtype=np.uint8))

    def _paint(
        self, gc: GraphicsContextBase, drawn: str, face_colour: Any, move: tuple[float, float] | None = None
    ) -> None:
        """Fill an outline and draw its line, as the context says."""
        page, width = self._page, gc.get_linewidth()
        line = _with_alpha(gc.get_rgb(), gc)
        fill = (0.0, 0.0, 0.0, 0.0) if face_colour is None else _with_alpha(face_colour, gc)
        fills, strokes = fill[3] > 0, width > 0 and line[3] > 0
        if not drawn or not (fills or strokes):
            return
        with page.apart():
            self._clip(gc)
            if (fills and fill[3] < 1) or (strokes and line[3] < 1):
                page.put(f"/{page.file.opacity(fill[3], line[3])} gs")
            if move is not None:
                page.put(f"1 0 0 1 {short(move[0])} {short(move[1])} cm")
            if fills:
                page.fill_colour(fill[:3])
            if strokes:
                offset, dashes = gc.get_dashes()
                page.line(line[:3], width)
                page.put(f"{CAPS[gc.get_capstyle()]} J {JOINS[gc.get_joinstyle()]} j")
                if dashes is not None:
                    page.put(f"[{' '.join(short(float(d)) for d in np.asarray(dashes))}] {short(float(offset))} d")
            page.put(f"{drawn} {'B' if fills and strokes else 'f' if fills else 'S'}")

    def _clip(self, gc: GraphicsContextBase) -> None:
        box = gc.get_clip_rectangle()
        if box is not None:
            self._page.put(f"{' '.join(short(v) for v in box.bounds)} re W n")


def _with_alpha(colour: Sequence[float], gc: GraphicsContextBase) -> tuple[float, float, float, float]:
    red, green, blue, alpha = (*(float(v) for v in colour), 1.0)[:4]
    return red, green, blue, gc.get_alpha() if gc.get_forced_alpha() else alpha


def _is_bold(prop: FontProperties) -> bool:
    weight = prop.get_weight()
    return weight in ("semibold", "demibold", "demi", "bold", "heavy", "extra bold", "black") or (
        isinstance(weight, int) and weight >= SEMIBOLD
    )
