"""From bytes to text: what encoding a file is in, and what is no table of text at all."""

from __future__ import annotations

import codecs
import re
from dataclasses import dataclass

from cellmatch.errors import ArgumentInvalid, FileAmbiguous, FileUnusable, Problem, nearest_name

USUAL = ("utf-8", "utf-16", "cp1252", "gbk", "shift_jis", "cp1251", "cp850", "mac_roman", "big5", "euc_kr")
"""Encodings that are offered by name; any other that Python knows may be told."""

_QUOTE_IN_WORD = re.compile(r"[^\W\d_][„”‚‘…•][^\W\d_]")
"""An umlaut of an old DOS file, read as Windows-1252."""
_MARKS = (
    (codecs.BOM_UTF8, "utf-8-sig"),
    (codecs.BOM_UTF32_LE, "utf-32"),
    (codecs.BOM_UTF32_BE, "utf-32"),
    (codecs.BOM_UTF16_LE, "utf-16"),
    (codecs.BOM_UTF16_BE, "utf-16"),
)
_NOT_TEXT = (
    (b"\xd0\xcf\x11\xe0", "an old workbook (.xls); save it as .xlsx or CSV"),
    (b"PK\x03\x04", "a zip archive and no workbook; unpack it, or save the table as CSV"),
    (b"\x1f\x8b", "packed with gzip; unpack it first"),
    (b"7z\xbc\xaf\x27\x1c", "a packed archive; unpack it first"),
    (b"%PDF", "a PDF; save the table as CSV or .xlsx"),
    (b"\x89PNG", "a picture; a table as CSV or .xlsx would be right"),
    (b"\xff\xd8\xff", "a picture; a table as CSV or .xlsx would be right"),
    (b"SQLite format 3", "a database; export the table as CSV"),
    (b"{\\rtf", "a formatted text (RTF); save the table as CSV"),
)
_POINTER = re.compile(rb"version https://[^\n]+\n(?:ext[^\n]*\n)*oid [^\n]+\nsize \d+")
_LINK = re.compile(rb"\s*(?:/annex/objects/|(?:\.\./)+)[^\s,;]+\s*")
_UNIT_SIGNS = frozenset("Ω\u2126µμ°")
_HIGH_BYTES = re.compile(rb"[\x80-\xff]+")
_PAGE = re.compile(r"\s*(?:<\?xml[^>]*>\s*)?<(?:!doctype|html|table|workbook|xml)", re.IGNORECASE)
_WESTERN = frozenset(
    "äöüßÄÖÜéèêëÉÈÊËàâáãåæÀÂÁÃÅÆçÇîïíìÎÏÍÌôòóõøÔÒÓÕØœŒûùúÛÙÚñÑýÿ°º²³µ±·×÷½¼¾§€£«»‹›„“”‚‘’–—…•¿¡ªØ®©™ \u00a0"
)
"""What Western tables hold beyond ASCII; other characters point to another encoding."""


@dataclass(frozen=True, slots=True)
class Decoded:
    """The text of a file, with one kind of line end, its encoding, and what has to be said about it."""

    text: str
    encoding: str
    assumption: str = ""


def refuse_other_kinds(data: bytes, name: str) -> None:
    """Raise for a file that is no text.

    Raises
    ------
    FileUnusable
        An archive, an old workbook, a PDF, a picture, a pointer to a large file.
    """
    if data.startswith(b"PK\x03\x04") and b"xl/workbook.xml" in data:
        raise FileUnusable(Problem(name, "is a workbook where a text is read; save its sheets as CSV, one log each"))
    for mark, words in _NOT_TEXT:
        if data.startswith(mark):
            raise FileUnusable(Problem(name, f"is {words}"))
    if _POINTER.match(data):
        raise FileUnusable(
            Problem(
                name,
                "is a pointer to a large file (version, oid, size) and not the file itself; fetch the file with "
                "the tool that keeps it",
            )
        )
    if _LINK.fullmatch(data):
        raise FileUnusable(
            Problem(
                name, "is a pointer to a file kept elsewhere (a single path) and not the file itself; fetch it first"
            )
        )


def decode(data: bytes, name: str, told: str | None = None) -> Decoded:
    """Return the text of a file.

    Parameters
    ----------
    data : bytes
    name : str
        For messages.
    told : str, optional
        Encoding given by the user.

    Raises
    ------
    FileUnusable
        The bytes are no text in the encoding that was told or marked, or the text is a web page.
    FileAmbiguous
        Bytes beyond ASCII that are neither UTF-8 nor surely Windows-1252.
    ArgumentInvalid
        No such encoding.
    """
    refuse_other_kinds(data, name)
    decoded = _told(data, name, told) if told is not None else _marked(data, name) or _unmarked(data, name)
    text = decoded.text.removeprefix("\ufeff").rstrip("\x00\x1a")  # fill, and an old end-of-file mark
    if _PAGE.match(text):
        raise FileUnusable(Problem(name, "is a web page or XML and no table of text; save the table as CSV or .xlsx"))
    if text[:1] in ("{", "[") and text.lstrip("{[ \r\n\t")[:1] == '"' and '":' in text[:2000]:
        raise FileUnusable(Problem(name, "is JSON and no table; a CSV with a line per cell would be right"))
    return Decoded(
        text.replace("\r\r\n", "\n").replace("\r\n", "\n").replace("\r", "\n"),
        decoded.encoding,
        decoded.assumption,
    )


def _told(data: bytes, name: str, told: str) -> Decoded:
    try:
        encoding = codecs.lookup(told).name
        "".encode(encoding)
    except (LookupError, UnicodeError, TypeError, ValueError):
        raise ArgumentInvalid(
            Problem("--encoding", f"'{told}' is no known encoding; {nearest_name(told, USUAL)}")
        ) from None
    if encoding == "utf-8" and data.startswith(codecs.BOM_UTF8):
        encoding = "utf-8-sig"
    return _strict(data, name, encoding, f"the encoding told, {told}")


def _marked(data: bytes, name: str) -> Decoded | None:
    for mark, encoding in _MARKS:
        if data.startswith(mark):
            return _strict(data, name, encoding, f"{encoding}, as its first bytes say")
    head = data[:4000]
    if len(head) > 8 and len(data) % 2 == 0 and b"\x00" in head:
        for offset, encoding in ((1, "utf-16-le"), (0, "utf-16-be")):
            zeros = head[offset::2].count(0)
            if zeros > 0.4 * len(head) / 2 and zeros > 4 * head[1 - offset :: 2].count(0):
                decoded = _strict(data, name, encoding, encoding)
                return Decoded(decoded.text, encoding, f"{name}: every second byte is 0, so it was read as {encoding}")
    return None


def _strict(data: bytes, name: str, encoding: str, words: str) -> Decoded:
    try:
        return Decoded(data.decode(encoding), encoding)
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        raise FileUnusable(
            Problem(
                f"{name} line {line}",
                f"byte {error.start + 1} of the file can't be read as {words}; say --encoding, or save it as UTF-8",
            )
        ) from None


def _unmarked(data: bytes, name: str) -> Decoded:
    try:
        return Decoded(data.decode("utf-8"), "utf-8")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
    if _mostly_utf8(data):
        said = f"{name}: not all of it is UTF-8 (first in line {line}); what can't be read shows as \ufffd"
        return Decoded(data.decode("utf-8", errors="replace"), "utf-8", said)
    try:
        western = data.decode("cp1252")
    except UnicodeDecodeError:
        raise _which(data, name) from None
    strange = not _WESTERN.issuperset(c for c in set(western) if not c.isascii())
    if strange or _QUOTE_IN_WORD.search(western) or _may_be_chinese(data):
        raise _which(data, name)
    return Decoded(western, "cp1252", f"{name}: it is not UTF-8 and was read as Windows-1252 (--encoding for another)")


def _mostly_utf8(data: bytes) -> bool:
    """Tell whether the signs beyond ASCII are UTF-8 for the most part, or signs of units: no chance makes those."""
    runs = _HIGH_BYTES.findall(data)
    good = 0
    for run in runs:
        try:
            sign = run.decode("utf-8")
        except UnicodeDecodeError:
            continue
        good += 1
        if sign in _UNIT_SIGNS:
            return True
    return good > 0 and 2 * good >= len(runs)


def _may_be_chinese(data: bytes) -> bool:
    """Tell whether all bytes beyond ASCII stand in pairs that are common Chinese signs in GBK."""
    runs = _HIGH_BYTES.findall(data)
    return all(
        len(run) % 2 == 0 and all(run[i] in _GBK_COMMON and run[i + 1] >= 0xA1 for i in range(0, len(run), 2))
        for run in runs
    )


_GBK_COMMON = frozenset((*range(0xA1, 0xAA), *range(0xB0, 0xD8)))


def _which(data: bytes, name: str) -> FileAmbiguous:
    at = next(i for i, byte in enumerate(data) if byte > 0x7F)
    line = data.count(b"\n", 0, at) + 1
    start = data.rfind(b"\n", 0, at) + 1
    end = data.find(b"\n", at)
    piece = data[start : end if end >= 0 else None][:300]
    readings = []
    for encoding in ("cp1252", "cp850", "gbk", "shift_jis", "cp1251", "mac_roman"):
        try:
            data.decode(encoding)
            readings.append(f"--encoding {encoding} reads '{piece.decode(encoding, errors='replace').strip()[:80]}'")
        except UnicodeDecodeError:
            continue
    choice = "; ".join(readings) or "say it with --encoding"
    return FileAmbiguous(
        Problem(f"{name} line {line}", f"the file is not UTF-8 and its encoding can't be told: {choice}")
    )
