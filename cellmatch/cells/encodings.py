"""From bytes to text: which encoding a file is in, and what is no table of text at all."""

from __future__ import annotations

import codecs
from dataclasses import dataclass

from cellmatch.errors import ArgumentInvalid, FileUnusable, Problem

_MARKS = (
    (codecs.BOM_UTF8, "utf-8-sig"),
    (codecs.BOM_UTF32_LE, "utf-32"),
    (codecs.BOM_UTF32_BE, "utf-32"),
    (codecs.BOM_UTF16_LE, "utf-16"),
    (codecs.BOM_UTF16_BE, "utf-16"),
)


@dataclass(frozen=True, slots=True)
class Decoded:
    """The text of a file, its encoding, and what has to be said about it."""

    text: str
    encoding: str
    assumption: str = ""


def decode(data: bytes, name: str, told: str | None = None) -> Decoded:
    """Return the text of a file, line ends made one kind."""
    if told is not None:
        try:
            encoding = codecs.lookup(told).name
        except LookupError:
            raise ArgumentInvalid(Problem("--encoding", f"'{told}' is no known encoding; usual: utf-8, cp1252, gbk, utf-16")) from None
    else:
        encoding = next((e for mark, e in _MARKS if data.startswith(mark)), "utf-8")
    assumption = ""
    try:
        text = data.decode(encoding)
    except UnicodeDecodeError as error:
        if told is not None or encoding != "utf-8":
            raise FileUnusable(Problem(name, f"is not {encoding} text (byte {error.start + 1})")) from None
        encoding = "cp1252"
        text = data.decode(encoding, errors="replace")
        assumption = f"{name}: not UTF-8, read as Windows-1252"
    text = text.removeprefix("\ufeff")
    return Decoded(text.replace("\r\n", "\n").replace("\r", "\n"), encoding, assumption)
