"""A PDF of vector pages: words, lines and filled outlines, nothing else (PDF 32000-1:2008).

Words stay words: they can be searched and copied. Each character used is embedded as its outline (a Type 3 font), so
that the paper is the same from every printer.
"""

from __future__ import annotations

import math
import unicodedata
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime
from functools import lru_cache
from itertools import groupby

import numpy as np
from matplotlib.colors import to_rgb
from matplotlib.font_manager import FontProperties
from matplotlib.textpath import TextPath

from cellmatch.output.letters import EM, face, face_of, outline, short

MOST_OF_A_FONT = 128
"""Characters beyond ASCII in one font of the file: a code has eight bits."""
Colour = str | tuple[float, float, float]
Run = tuple[str, str]
"""Name of a font in the file, and codes in it as they stand in a PDF's string."""


class PdfPage:
    """One page, filled from the lower left corner in points.

    Parameters
    ----------
    file : PdfFile
    wide, tall : float
        [pt].
    """

    def __init__(self, file: PdfFile, wide: float, tall: float) -> None:
        self.file, self.wide, self.tall = file, wide, tall
        self.operators: list[str] = []
        self._set: dict[str, str] = {}

    def put(self, operators: str) -> None:
        """Add operators as they are."""
        self.operators.append(operators)

    def put_state(self, operator: str, value: str) -> None:
        """Set a line width, colour or the like, unless it is set so already."""
        if self._set.get(operator) != value:
            self.operators.append(f"{value} {operator}")
            self._set[operator] = value

    @contextmanager
    def apart(self) -> Iterator[None]:
        """Hold on to what is set: what is changed within is as before afterwards."""
        kept = self._set.copy()
        self.operators.append("q")
        yield
        self.operators.append("Q")
        self._set = kept

    def fill_colour(self, colour: Colour) -> None:
        """Set the colour of words and fillings."""
        self.put_state("rg", _colour(colour))

    def line(self, colour: Colour, width_pt: float) -> None:
        """Set the colour and the width of lines."""
        self.put_state("RG", _colour(colour))
        self.put_state("w", short(width_pt))

    def words(self, x: float, y: float, words: str, points: float, *, bold: bool = False, angle_deg: float = 0) -> None:
        """Write words on a line that begins at x, y.

        Words in a script that runs from right to left are drawn, for its letters take shape by their neighbours.
        """
        turn = math.radians(angle_deg)
        c, s = round(math.cos(turn), 5), round(math.sin(turn), 5)
        place = f"{short(x)} {short(y)}" if not angle_deg else f"{c} {s} {-s} {c} {short(x)} {short(y)}"
        if not words.isascii() and any(unicodedata.bidirectional(c) in ("R", "AL") for c in words):
            shapes = TextPath((0, 0), words, size=points, prop=_font_properties(bold=bold))
            assert shapes.codes is not None
            with self.apart():
                self.put(f"{place} cm" if angle_deg else f"1 0 0 1 {place} cm")
                self.put(outline(np.asarray(shapes.vertices), shapes.codes) + " f")
            return
        self.put(f"BT {place} {'Tm' if angle_deg else 'Td'}")
        for font, codes in self.file.runs(words, bold=bold):
            self.put_state("Tf", f"/{font} {short(points)}")
            self.put(f"({codes}) Tj")
        self.put("ET")


class PdfFile:
    """Pages and the fonts they use.

    Parameters
    ----------
    title, creator : str
    made : datetime
        With its zone.
    """

    def __init__(self, title: str, creator: str, made: datetime) -> None:
        self._facts = {"Title": title, "Creator": creator}
        self._made = made
        self._pages: list[PdfPage] = []
        self._codes: dict[tuple[bool, str], int] = {}
        self._runs: dict[tuple[bool, str], list[Run]] = {}
        self._opacities: dict[tuple[str, str], str] = {}

    def page(self, wide: float, tall: float) -> PdfPage:
        """Add a page [pt]."""
        self._pages.append(PdfPage(self, wide, tall))
        return self._pages[-1]

    def opacity(self, fill: float, line: float) -> str:
        """Return the name of an opacity of fillings and lines, 0 to 1."""
        return self._opacities.setdefault((short(fill), short(line)), f"G{len(self._opacities)}")

    def runs(self, words: str, *, bold: bool) -> list[Run]:
        """Return words as runs of one font each."""
        found = self._runs.get((bold, words))
        if found is None:
            coded = [self._code(c, bold=bold) for c in words]
            found = [(name, "".join(code for _, code in part)) for name, part in groupby(coded, key=lambda run: run[0])]
            self._runs[bold, words] = found
        return found

    def _code(self, character: str, *, bold: bool) -> Run:
        """Return the font and the code of a character: ASCII is itself, others are counted as they come."""
        bold = face_of(character, bold=bold)
        code = self._codes.get((bold, character))
        if code is None:
            beyond = sum(k[0] == bold and v >= MOST_OF_A_FONT for k, v in self._codes.items())
            code = ord(character) if " " <= character <= "~" else MOST_OF_A_FONT + beyond
            self._codes[bold, character] = code
        part = max(0, code // MOST_OF_A_FONT - 1)
        byte = chr(code - part * MOST_OF_A_FONT)
        return f"{'B' if bold else 'R'}{part}", f"\\{byte}" if byte in "()\\" else byte

    def content(self) -> bytes:
        """Return the file."""
        objects = _Objects()
        catalog, pages, resources = (objects.add(b"") for _ in range(3))
        kids = []
        for page in self._pages:
            content = objects.stream("\n".join(page.operators))
            size = f"{short(page.wide)} {short(page.tall)}"
            kids.append(
                objects.add(
                    f"<</Type/Page/Parent {pages} 0 R/MediaBox[0 0 {size}]/Resources {resources} 0 R"
                    f"/Contents {content} 0 R>>".encode()
                )
            )
        fonts = "".join(f"/{name} {number} 0 R" for name, number in self._fonts(objects).items())
        states = "".join(f"/{name}<</ca {fill}/CA {line}>>" for (fill, line), name in self._opacities.items())
        objects.set(catalog, f"<</Type/Catalog/Pages {pages} 0 R/Lang(en)>>")
        objects.set(pages, f"<</Type/Pages/Count {len(kids)}/Kids[{' '.join(f'{k} 0 R' for k in kids)}]>>")
        objects.set(resources, f"<</Font<<{fonts}>>/ExtGState<<{states}>>/ProcSet[/PDF/Text]>>")
        facts = "".join(f"/{key}{_text(value)}" for key, value in self._facts.items())
        zone = self._made.strftime("%z") or "+0000"
        date = f"D:{self._made:%Y%m%d%H%M%S}{zone[:3]}'{zone[3:5]}'"
        info = objects.add(f"<<{facts}/CreationDate({date})>>".encode())
        return objects.written(catalog, info)

    def _fonts(self, objects: _Objects) -> dict[str, int]:
        """Write each part of each face that is used as a Type 3 font (9.6.5), with what its codes mean (9.10.3)."""
        parts: dict[str, dict[int, tuple[bool, str]]] = {}
        for (bold, character), code in self._codes.items():
            part = max(0, code // MOST_OF_A_FONT - 1)
            parts.setdefault(f"{'B' if bold else 'R'}{part}", {})[code - part * MOST_OF_A_FONT] = bold, character
        return {name: _font(objects, dict(sorted(codes.items()))) for name, codes in sorted(parts.items())}


def _font(objects: _Objects, codes: dict[int, tuple[bool, str]]) -> int:
    letters = {code: face(bold=bold)[character] for code, (bold, character) in codes.items()}
    shapes = {
        code: objects.stream(f"{a.wide} 0 {a.left} {a.low} {a.right} {a.high} d1 {a.outline}{' f' * bool(a.outline)}")
        for code, a in letters.items()
    }
    first, last = min(codes), max(codes)
    widths = " ".join(str(letters[c].wide if c in letters else 0) for c in range(first, last + 1))
    box = (
        min(a.left for a in letters.values()), min(a.low for a in letters.values()),
        max(a.right for a in letters.values()), max(a.high for a in letters.values()),
    )  # fmt: skip
    names = " ".join(f"{code}/c{code}" for code in codes)
    cmap = objects.stream(_meanings({code: character for code, (_, character) in codes.items()}))
    return objects.add(
        f"<</Type/Font/Subtype/Type3/FontMatrix[{1 / EM} 0 0 {1 / EM} 0 0]/FontBBox[{' '.join(map(str, box))}]"
        f"/FirstChar {first}/LastChar {last}/Widths[{widths}]/Encoding<</Type/Encoding/Differences[{names}]>>"
        f"/CharProcs<<{''.join(f'/c{c} {n} 0 R' for c, n in shapes.items())}>>/Resources<<>>"
        f"/ToUnicode {cmap} 0 R>>".encode()
    )


def _meanings(codes: dict[int, str]) -> str:
    """Return which character each code of a font means."""
    lines = [f"<{code:02x}><{character.encode('utf-16-be').hex()}>" for code, character in codes.items()]
    # a block holds a hundred at most
    parts = [lines[i : i + 100] for i in range(0, len(lines), 100)]
    blocks = "\n".join(f"{len(part)} beginbfchar\n" + "\n".join(part) + "\nendbfchar" for part in parts)
    return (
        "/CIDInit /ProcSet findresource begin 12 dict begin begincmap\n"
        "/CIDSystemInfo<</Registry(Adobe)/Ordering(UCS)/Supplement 0>>def\n"
        "/CMapName/Adobe-Identity-UCS def /CMapType 2 def\n"
        f"1 begincodespacerange\n<00><ff>\nendcodespacerange\n{blocks}\n"
        "endcmap CMapName currentdict /CMap defineresource pop end end"
    )


class _Objects:
    """The numbered objects of a file."""

    def __init__(self) -> None:
        self._bodies: list[bytes] = []

    def add(self, body: bytes) -> int:
        self._bodies.append(body)
        return len(self._bodies)

    def set(self, number: int, body: str) -> None:
        self._bodies[number - 1] = body.encode()

    def stream(self, content: str) -> int:
        # codes beyond ASCII are single bytes
        packed = zlib.compress(content.encode("latin-1"))
        return self.add(f"<</Length {len(packed)}/Filter/FlateDecode>>\nstream\n".encode() + packed + b"\nendstream")

    def written(self, catalog: int, info: int) -> bytes:
        """Return the file with its table of where each object stands (7.5.4)."""
        content = bytearray(b"%PDF-1.4\n%\xac\xdc\xab\xba\n")
        starts = []
        for number, body in enumerate(self._bodies, start=1):
            starts.append(len(content))
            content += b"%d 0 obj\n%b\nendobj\n" % (number, body)
        table = len(content)
        content += b"xref\n0 %d\n0000000000 65535 f \n" % (len(starts) + 1)
        content += b"".join(b"%010d 00000 n \n" % start for start in starts)
        content += b"trailer\n<</Size %d/Root %d 0 R/Info %d 0 R>>\n" % (len(starts) + 1, catalog, info)
        content += b"startxref\n%d\n%%%%EOF\n" % table
        return bytes(content)


def _text(value: str) -> str:
    return f"<{(chr(0xFEFF) + value).encode('utf-16-be').hex()}>"


@lru_cache(maxsize=256)
def _colour(colour: Colour) -> str:
    return " ".join(f"{v:.3g}" for v in to_rgb(colour))


def _font_properties(*, bold: bool) -> FontProperties:
    return FontProperties(family="DejaVu Sans", weight="bold" if bold else "normal")
