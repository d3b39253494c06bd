"""The two faces of type in the PDF: width and outline of each character, read once.

Kerning is left out: in what is printed here it moves few letters, and those by less than a quarter of a millimetre.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from threading import Lock

import numpy as np
from matplotlib.font_manager import FontProperties, findfont
from matplotlib.ft2font import FT2Font
from matplotlib.path import Path
from numpy.typing import NDArray

EM = 2048
"""Units of the outlines in the type's size. The faces are drawn in them, so that nothing is rounded."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Letter:
    """One character of a face, in units of the face.

    Parameters
    ----------
    wide : int
        From here to the next letter.
    left, low, right, high : int
        Box around its ink.
    outline : str
        As PDF operators, not painted yet.
    """

    wide: int
    left: int
    low: int
    right: int
    high: int
    outline: str


class Face(dict[str, Letter]):
    """The letters of a face, each read when it is first asked for."""

    def __init__(self, weight: str) -> None:
        super().__init__()
        self._font = FT2Font(findfont(FontProperties(family="DejaVu Sans", weight=weight)))
        self._font.set_size(EM, 72)
        self.characters = frozenset(self._font.get_charmap())
        self._lock = Lock()

    def __missing__(self, character: str) -> Letter:
        # the font holds one letter at a time, and the page makes papers in several threads
        with self._lock:
            glyph = self._font.load_glyph(self._font.get_char_index(ord(character)))
            vertices, codes = self._font.get_path()
        left, low, right, high = (round(v / 64) for v in glyph.bbox)
        drawn = outline(vertices, codes)
        letter = Letter(
            wide=round(glyph.linearHoriAdvance / 65536), left=left, low=low, right=right, high=high, outline=drawn
        )
        return self.setdefault(character, letter)


@lru_cache(maxsize=2)
def face(*, bold: bool) -> Face:
    """Return one of the two faces."""
    return Face("bold" if bold else "normal")


def face_of(character: str, *, bold: bool) -> bool:
    """Return whether a character is set in bold: not where only the common face has it."""
    return bold and (ord(character) in face(bold=True).characters or ord(character) not in face(bold=False).characters)


def wide(words: str, points: float, *, bold: bool = False) -> float:
    """Return how wide words are [pt].

    Examples
    --------
    >>> wide("mmm", 10.0) == 3 * wide("m", 10.0) > wide("iii", 10.0)
    True
    """
    letters = face(bold=bold)
    return sum(letters[c].wide for c in words) * points / EM


def outline(vertices: NDArray[np.float64], codes: NDArray[np.uint8] | NDArray[np.int8]) -> str:
    """Write the outline of a path as PDF operators.

    Parameters
    ----------
    vertices : ndarray of float, shape (n, 2)
    codes : ndarray of int, shape (n,)
        As :class:`matplotlib.path.Path` has them.

    Returns
    -------
    str

    Examples
    --------
    >>> outline(np.array([[0.0, 0.0], [2.5, 0.0], [0.0, 0.0]]), np.array([1, 2, 79], dtype=np.uint8))
    '0 0 m 2.5 0 l h'
    """
    points, n, operators = vertices.tolist(), 0, []
    kinds = codes.tolist()
    here = (0.0, 0.0)
    while n < len(kinds):
        kind, at = kinds[n], points[n]
        if kind == Path.STOP:
            break
        if kind == Path.CLOSEPOLY:
            operators.append("h")
            n += 1
            continue
        if kind == Path.CURVE4:
            second, end = points[n + 1], points[n + 2]
            operators.append(f"{_pair(*at)} {_pair(*second)} {_pair(*end)} c")
            n, at = n + 3, end
        elif kind == Path.CURVE3:
            # PDF 32000-1:2008, 8.5.2.2 has cubic curves alone: its controls lie two thirds of the way to the one here
            end = points[n + 1]
            first, second = ((a[0] + 2 / 3 * (at[0] - a[0]), a[1] + 2 / 3 * (at[1] - a[1])) for a in (here, end))
            operators.append(f"{_pair(*first)} {_pair(*second)} {_pair(*end)} c")
            n, at = n + 2, end
        else:
            operators.append(f"{_pair(*at)} {'m' if kind == Path.MOVETO else 'l'}")
            n += 1
        here = (at[0], at[1])
    return " ".join(operators)


def _pair(x: float, y: float) -> str:
    return f"{short(x)} {short(y)}"


def short(value: float) -> str:
    """Write a number for a PDF: two decimals (in points, four thousandths of a millimetre), none that are not needed.

    Examples
    --------
    >>> short(2.0), short(-0.125), short(-0.0001), short(1e-7)
    ('2', '-0.12', '0', '0')
    """
    whole = round(value, 2)
    return str(int(whole)) if whole == int(whole) else str(whole)
