"""Plans that papers and charts must cope with."""

from __future__ import annotations

import re
import zlib
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import pytest

from cellmatch import Limits, Plan, plan_pack
from cellmatch.cells.table import CellTable, cell_table

MARKUP_ID = "<b>&\"'1"
ODD_IDS = ("電池1", "\U0001f50b2", "a very long cell identification 0001", "0004", "1E5", "=1+1", "-7", MARKUP_ID)
MORE_ODD_IDS = ("o'k", "$x^2$", "µΩ", "a\\b")


def tray(
    n: int, seed: int, *, ids: Sequence[str] | None = None, resistance: bool = True, spoilt: bool = True
) -> CellTable:
    """Draw a tray of NMC cells around 2500 mAh; spoilt: one over-discharged, one resistive, one to level."""
    rng = np.random.default_rng(seed)
    columns = {
        "ocv_v": rng.normal(3.67, 0.003, n).round(3),
        "capacity_mah": rng.normal(2500, 20, n).round(),
        "ir_mohm": rng.normal(25, 1, n).round(1),
    }
    if not resistance:
        del columns["ir_mohm"]
    cells = cell_table(columns, ids=ids or [f"C{i:03d}" for i in range(1, n + 1)])
    if spoilt:
        cells.iloc[0, 0], cells.iloc[1, 0] = 2.1, 3.9
        if resistance:
            cells.iloc[2, 2] = 60.0
    return cells


@pytest.fixture(scope="session")
def draw_tray() -> Callable[..., CellTable]:
    """Return the function that draws a tray."""
    return tray


@pytest.fixture(scope="session")
def markup_id() -> str:
    """Return an id that would break a page if it were not escaped; the plan "odd ids" holds it."""
    return MARKUP_ID


@pytest.fixture(scope="session")
def plain_plan() -> Plan:
    """Return a 13s4p plan from 60 cells: 2 rejects, 1 to level, 6 spares."""
    return plan_pack(tray(60, 1), "13s4p", seconds=0.3)


@pytest.fixture(scope="session")
def odd_plans(plain_plan: Plan) -> dict[str, Plan]:
    """Return plans with what is missing, extreme or hard to write."""
    alike = tray(12, 2, spoilt=False)
    alike["ocv_v"], alike["capacity_mah"], alike["ir_mohm"] = 3.6, 2500.0, 20.0
    stop = tray(12, 3, spoilt=False)
    stop.iloc[4, 0] = 4.15
    jobs = {
        "no resistance": (tray(20, 4, resistance=False, spoilt=False), "4s5p"),
        "one cell": (tray(5, 5, spoilt=False), "1s1p"),
        "one group": (tray(6, 5, spoilt=False), "1s6p"),
        "single cells": (tray(110, 6), "100s1p"),
        "odd ids": (tray(12, 7, ids=[*ODD_IDS, *MORE_ODD_IDS], spoilt=False), "4s3p"),
        "no spread": (alike, "4s3p"),
        "stop": (stop, "4s3p"),
    }
    plans = {name: plan_pack(cells, pack, seconds=0.2) for name, (cells, pack) in jobs.items()}
    exact = Limits(repeatability_fraction=0.0, rated_mah=2600.0, max_ir_mohm=30.0)
    plans["no floor"] = plan_pack(tray(40, 8), "6s5p", limits=exact, seconds=0.2)
    reason = {"C001": "measured again: 3.66 V & holding"}
    plans["accepted"] = plan_pack(tray(13, 9, spoilt=False), "4s3p", accept=reason, seconds=0.2)
    return {"plain": plain_plan, **plans}


@dataclass(frozen=True, kw_only=True)
class Written:
    """One line of words in a PDF: where it begins [pt from the lower left corner], and how it is set."""

    x: float
    y: float
    wide: float
    points: float
    words: str
    turned: bool


@dataclass(frozen=True, kw_only=True)
class ReadPage:
    """One page of a PDF: its size [pt], its operators, and its words in the order in which they were written."""

    wide: float
    tall: float
    operators: str
    lines: tuple[Written, ...]

    @property
    def words(self) -> str:
        """All words of the page."""
        return " ".join(line.words for line in self.lines)


def _objects(content: bytes) -> dict[int, bytes]:
    """Return the objects of a PDF, each from where the table at its end says that it stands."""
    table = int(content.rstrip().rsplit(b"startxref", 1)[1].split()[0])
    starts = [int(m) for m in re.findall(rb"(\d{10}) 00000 n ", content[table:])]
    return {
        n: content[start:end].removeprefix(b"%d 0 obj\n" % n).removesuffix(b"\nendobj\n")
        for n, (start, end) in enumerate(zip(starts, [*starts[1:], table], strict=True), start=1)
    }


def _stream(body: bytes) -> str:
    head, packed = body.split(b"\nstream\n", 1)
    packed = packed.removesuffix(b"\nendstream")
    assert f"/Length {len(packed)}/" in head.decode()
    return zlib.decompress(packed).decode("latin-1")


def _fonts(objects: dict[int, bytes], resources: bytes) -> dict[str, dict[str, tuple[str, float]]]:
    """Return, for each font, what each code means and how wide it is in the type's size."""
    fonts = {}
    for name, number in re.findall(rb"/([RB]\d+) (\d+) 0 R", resources):
        font = objects[int(number)]
        scale, first, widths = (
            re.search(pattern, font)
            for pattern in (rb"/FontMatrix\[(\S+)", rb"/FirstChar (\d+)", rb"/Widths\[([^\]]*)")
        )
        cmap = re.search(rb"/ToUnicode (\d+)", font)
        assert scale
        assert first
        assert widths
        assert cmap
        across = [float(scale[1]) * float(w) for w in widths[1].split()]
        meanings = re.findall(r"<(..)><([0-9a-f]{4,})>", _stream(objects[int(cmap[1])]))
        fonts[name.decode()] = {
            chr(int(code, 16)): (bytes.fromhex(to).decode("utf-16-be"), across[int(code, 16) - int(first[1])])
            for code, to in meanings
        }
    return fonts


@pytest.fixture(scope="session")
def read_pdf() -> Callable[[bytes], list[ReadPage]]:
    """Return a reader of the PDFs that are written here, for words and operators."""

    def read(content: bytes) -> list[ReadPage]:
        objects = _objects(content)
        kids = next(re.findall(rb"(\d+) 0 R", o.split(b"/Kids")[1]) for o in objects.values() if b"/Type/Pages" in o)
        return [_page(objects, objects[int(kid)]) for kid in kids]

    return read


def _page(objects: dict[int, bytes], page: bytes) -> ReadPage:
    size = re.search(rb"/MediaBox\[0 0 (\S+) (\S+)\]/Resources (\d+) 0 R/Contents (\d+)", page)
    assert size
    fonts, operators = _fonts(objects, objects[int(size[3])]), _stream(objects[int(size[4])])
    lines, now, kept = [], ("", 0.0), []
    x = y = 0.0
    turned, shown, across = False, "", 0.0
    pattern = r"\(((?:\\.|[^\\)])*)\) Tj|/(\w+) (\S+) Tf|(\S+) (\S+) (Td|Tm)|^(q|Q|ET)$"
    for codes, font, points, left, base, placed, word in re.findall(pattern, operators, flags=re.MULTILINE):
        if placed:
            x, y, turned, shown, across = float(left), float(base), placed == "Tm", "", 0.0
        elif font:
            now = font, float(points)
        elif word == "q":
            kept.append(now)
        elif word == "Q":
            now = kept.pop()
        elif word == "ET":
            lines.append(Written(x=x, y=y, wide=across, points=now[1], words=shown, turned=turned))
        else:
            letters = [fonts[now[0]][c] for c in re.sub(r"\\(.)", r"\1", codes)]
            shown += "".join(character for character, _ in letters)
            across += now[1] * sum(w for _, w in letters)
    assert not kept
    return ReadPage(wide=float(size[1]), tall=float(size[2]), operators=operators, lines=tuple(lines))
