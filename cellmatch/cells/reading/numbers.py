"""One strict number parser: from the text that stood in a file to a value, its unit and its digits.

A library's own reading of numbers accepts ``1_000``, ``inf``, ``nan`` and digits of other scripts, and
drops thousands signs wherever they stand; a tester's file must not be read that generously.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from cellmatch.cells.reading.spelling import listed

Decimal = Literal[".", ","]

SPACES = " \t\r\n\u00a0\u1680\u2000\u2001\u2002\u2003\u2004\u2005\u2006\u2007\u2008\u2009\u200a\u202f\u205f\u3000\ufeff"
"""What may stand around a value without belonging to it."""

_GROUP_SPACES = " \u00a0\u2009\u202f"
_MINUS = str.maketrans(
    {"\u2212": "-", "\u2010": "-", "\u2011": "-", "\u2012": "-", "\u2013": "-", "\ufe63": "-", "\uff0d": "-"}
)

_PLAIN = {
    ".": re.compile(r"-?[0-9]+(?:\.([0-9]+))?"),
    ",": re.compile(r"-?[0-9]+(?:,([0-9]+))?"),
}
_FULL = {
    sign: re.compile(
        rf"""(?P<sign>[+-]?)
        (?:(?P<whole>[0-9]{{1,3}}(?:(?P<mark>[{other}{_GROUP_SPACES}'’])[0-9]{{3}})(?:(?P=mark)[0-9]{{3}})*|[0-9]+)
           (?:[{sign}](?P<part>[0-9]+))?
          |[{sign}](?P<only>[0-9]+))
        (?P<power>[eE][+-]?[0-9]{{1,3}})?
        [{_GROUP_SPACES}]*(?P<unit>[^0-9\s.,;:<>=+*?!'"()\[\]-][^0-9<>=?!'"()\[\]]*)?""",
        re.VERBOSE,
    )
    for sign, other in ((".", ","), (",", "."))
}

NO_READING = frozenset(
    listed(
        "|n/a|na|n.a.|n.a|nan|null|none|nil|-|--|---|----|-----|------|.|..|...|…|/|//|?|??|???|x|k.a.|"
        "k. a.|entf.|#n/a|#n/v|<none>|<null>|(null)|(none)|n.v.|n. v.|nd|n.d.|n/d|s/d|missing|empty|leer|"
        "fehlt|not measured|not tested|无|なし|#nv|#value!|#wert!|#ref!|#div/0!|#name?|#num!"
    )
)
"""Texts that say that nothing was read (normalised: lower case, dashes as ``-``)."""

OVER_RANGE = frozenset(
    listed(
        "ol|o.l|o.l.|0l|0.l|0.l.|ovl|ovld|over|overload|over range|overrange|over-range|out of range|of|"
        "o.f.|ofl|inf|+inf|-inf|infinity|∞|+∞|1.|1 .|high|hi|open|or|o.r.|üb|超量程|超量限|オーバー"
    )
)
"""Texts by which a tester says that the reading lies outside what it can show."""

_MONTH = r"(?:jan|feb|m[aä]r|mrz|apr|ma[iy]|jun|jul|aug|sep|o[ck]t|nov|de[cz])[a-zä]*"
_DATE = re.compile(
    rf"""[0-9]{{1,2}}[-. /]+{_MONTH}\.?(?:[-. /]+[0-9]{{2,4}})?
    | {_MONTH}\.?[-. /]+[0-9]{{1,4}}
    | [0-9]{{4}}[-/.][0-9]{{1,2}}[-/.][0-9]{{1,2}}(?:[T ].*)?
    | [0-9]{{1,2}}([-/.])[0-9]{{1,2}}\1(?:[0-9]{{2}}|[0-9]{{4}})(?:[T ].*)?""",
    re.VERBOSE | re.IGNORECASE,
)


class Number(NamedTuple):
    """What a text says.

    Parameters
    ----------
    value : float
        NaN where `fault` says why there is none.
    unit : str
        Unit that stood behind the number, as written; empty where none did.
    decimals : int
        Digits behind the decimal sign, less the exponent; negative where an exponent moves it.
    fault : str
        Empty for a number; ``missing`` where the text says that nothing was read; otherwise why the text
        is no number, in words that follow "found '…', ".
    """

    value: float
    unit: str = ""
    decimals: int = 0
    fault: str = ""


NAN = float("nan")
MISSING = "missing"


def looks_like_date(text: str) -> bool:
    """Tell whether `text` is what a spreadsheet makes of a number or an id it takes for a date.

    Examples
    --------
    >>> looks_like_date("03. Jun"), looks_like_date("Jan 00"), looks_like_date("1-100"), looks_like_date("3.06")
    (True, True, False, False)
    """
    return _DATE.fullmatch(text.strip(SPACES)) is not None


def parse_number(text: str, decimal: Decimal = ".") -> Number:
    """Read one number, strictly.

    Parameters
    ----------
    text : str
        As it stood in the file; spaces around it are no matter.
    decimal : "." or ","
        The decimal sign. The other sign, spaces and apostrophes may part the thousands, in groups of
        exactly three digits and one kind of sign only.

    Returns
    -------
    Number

    Examples
    --------
    >>> parse_number("3.601").value, parse_number("2.981,5", ",").value, parse_number("2,981").value
    (3.601, 2981.5, 2981.0)
    >>> parse_number("20.1 mΩ")[:3]
    (20.1, 'mΩ', 1)
    >>> parse_number("1_000").fault
    'which is no number'
    >>> parse_number("OL").fault
    'which says that the reading was over the range of the tester'
    """
    text = text.strip(SPACES)
    plain = _PLAIN[decimal].fullmatch(text)
    if plain:
        return Number(float(text.replace(",", ".")), "", len(plain[1] or ""))
    signed = text.translate(_MINUS)
    found = _FULL[decimal].fullmatch(signed)
    if found and not (found["unit"] and signed.casefold() in OVER_RANGE):
        return _number(found)
    return Number(NAN, fault=_fault(text, signed, decimal))


class Numbers(NamedTuple):
    """What many texts hold.

    Parameters
    ----------
    found : ndarray of float, shape (n,)
        NaN for a text that is no number.
    decimals : ndarray of int, shape (n,)
    others : dict of index to Number
        Texts with a unit behind the number, and those that are none.
    """

    found: NDArray[np.float64]
    decimals: NDArray[np.int64]
    others: dict[int, Number]


def parse_numbers(texts: Sequence[str], decimal: Decimal = ".") -> Numbers:
    """Read many texts as :func:`parse_number` does, the plain numbers among them quickly.

    Examples
    --------
    >>> parse_numbers(["3.601", "OL"]).found.tolist()
    [3.601, nan]
    """
    plain = _PLAIN[decimal].fullmatch
    values, decimals, others = [], [], {}
    for i, text in enumerate(texts):
        found = plain(text)
        if found is not None:
            values.append(float(text if decimal == "." else text.replace(",", ".")))
            decimals.append(len(found[1] or ""))
            continue
        number = parse_number(text, decimal)
        values.append(number.value)
        decimals.append(number.decimals)
        if number.unit or number.fault:
            others[i] = number
    return Numbers(np.array(values, dtype=float), np.array(decimals, dtype=np.int64), others)


def _number(found: re.Match[str]) -> Number:
    whole = re.sub("[^0-9]", "", found["whole"] or "0")
    part = found["part"] or found["only"] or ""
    power = found["power"] or ""
    value = float(f"{found['sign']}{whole}.{part or '0'}{power}")
    if value in (float("inf"), float("-inf")):
        return Number(NAN, fault="which is too large for a number")
    return Number(value, (found["unit"] or "").strip(SPACES), len(part) - int(power[1:] or 0))


def _fault(text: str, signed: str, decimal: Decimal) -> str:
    word = signed.casefold().strip(SPACES)
    if word in NO_READING:
        return MISSING
    if word in OVER_RANGE:
        return "which says that the reading was over the range of the tester"
    if word.startswith(("err", "fehler", "fail", "erreur")):
        return "which says that the tester met an error"
    if word[:1] in "<>≥≤≪≫~≈":
        return "which is a limit and not a reading"
    if looks_like_date(text):
        return "which is a date: a spreadsheet changed this number into one"
    if any(not (c.isprintable() or c in SPACES) for c in text):
        return "which holds control characters"
    if any(c.isdigit() and not c.isascii() for c in text):
        return "which holds digits other than 0 to 9"
    other: Decimal = "," if decimal == "." else "."
    if _FULL[other].fullmatch(signed):
        return f"which is no number where '{decimal}' is the decimal sign"
    return "which is no number"
