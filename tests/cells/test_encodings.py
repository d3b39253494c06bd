"""Encodings: marks, guesses that are said, and questions where bytes can be read in two ways."""

from __future__ import annotations

import re

import pytest

from cellmatch.cells.reading.encodings import decode
from cellmatch.errors import FileAmbiguous, FileUnusable

TEXT = "Zelle;Kapazität (mAh);IR (mΩ)\r\nA;2900;20\r\n"
READ = "Zelle;Kapazität (mAh);IR (mΩ)\nA;2900;20\n"


@pytest.mark.parametrize(
    ("encoding", "name", "said"),
    [
        ("utf-8", "utf-8", False),
        ("utf-8-sig", "utf-8-sig", False),
        ("utf-16", "utf-16", False),
        ("utf-32", "utf-32", False),
        ("utf-16-le", "utf-16-le", True),
        ("utf-16-be", "utf-16-be", True),
    ],
)
def test_unicode_is_found(encoding: str, name: str, said: bool) -> None:
    """By its mark, or by every second byte being 0, and that is said."""
    found = decode(TEXT.encode(encoding), "t.csv")
    assert (found.text, found.encoding, bool(found.assumption)) == (READ, name, said)


@pytest.mark.parametrize(
    "text", ["Temp (°C)", "Größe;Maß", "résistance;déjà", "señal;año", "µA ± 1 ²", "5 € – “x”"]
)
def test_western_bytes_are_read_and_said(text: str) -> None:
    """Accents and signs of Western Europe."""
    found = decode(text.encode("cp1252"), "t.csv")
    assert (found.text, found.encoding) == (text, "cp1252")
    assert "Windows-1252" in found.assumption


@pytest.mark.parametrize(
    ("text", "encoding"),
    [
        ("编号,电压", "gbk"),
        ("IR(mΩ)", "gbk"),
        ("温度(℃)", "gbk"),
        ("判定:○", "gbk"),
        ("内部抵抗", "shift_jis"),
        ("Ёмкость", "cp1251"),
        ("Kapazität", "mac_roman"),
    ],
)
def test_other_bytes_are_asked_about(text: str, encoding: str) -> None:
    """Never read as Western letters in silence; the right reading stands among the choices."""
    with pytest.raises(FileAmbiguous, match=re.escape(f"--encoding {encoding} reads '{text}'")):
        decode(text.encode(encoding), "t.csv")
    assert decode(text.encode(encoding), "t.csv", encoding).text == text


@pytest.mark.parametrize("end", ["\n", "\r\n", "\r", "\r\r\n"])
def test_line_ends(end: str) -> None:
    """All kinds come out as one."""
    assert decode(f"a{end}b{end}".encode(), "t.csv").text == "a\nb\n"


def test_a_marked_file_that_is_cut() -> None:
    """Half a sign at the end of UTF-16."""
    with pytest.raises(FileUnusable, match=r"t\.csv line 2: byte \d+ .* utf-16"):
        decode("a\nb".encode("utf-16")[:-1], "t.csv")
