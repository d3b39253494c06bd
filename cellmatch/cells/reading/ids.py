"""Cell ids and other text: kept character for character, but for what nobody can see or a spreadsheet added."""

from __future__ import annotations

import re
import unicodedata
from collections import defaultdict
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field

from cellmatch.cells.reading.numbers import SPACES, looks_like_date
from cellmatch.cells.reading.spelling import INVISIBLE, some_of

_MONTH = (
    "(?:jan(?:uary)?|feb(?:ruary)?|mar(?:ch)?|apr(?:il)?|may|june?|july?|aug(?:ust)?|sept?(?:ember)?|oct(?:ober)?"
    "|nov(?:ember)?|dec(?:ember)?)"
)
_REREAD = (
    r"(?:0[0-9]+|[0-9]{16,}|[0-9]+(?:[.,][0-9]*)?[eE][+-]?[0-9]+|[0-9]+(?:[-/.,: ]+[0-9]*)+|(?i:true|false)"
    rf"|(?i:(?:[0-9]{{1,4}}[-/. ]?)?{_MONTH}[-/. ]?[0-9]{{0,4}}))"
)
"""Ids that a spreadsheet takes for a number, a date, a time or a truth value, and shows changed."""
_GUARDED = re.compile(f"'+(?:[=+@-]|{_REREAD}$)")
_NEEDS_CARE_IN_A_SPREADSHEET = re.compile(f"'*(?:[=+@-]|{_REREAD}$)")
_NEEDS_GUARD = re.compile("'*[=+@-]")
_FORMULA_TEXT = re.compile(r'="(.*)"', re.DOTALL)
_SHORTENED = re.compile(r"[0-9](?:[.,][0-9]+)?[eE]\+[0-9]{2,3}")
_ODD_DASH = re.compile("[\u2010-\u2015\u2212\ufe63\uff0d]")
_ODD_SPACE = re.compile("[\u00a0\u1680\u2000-\u200a\u202f\u205f\u3000\t\n]")
_NEEDS_CARE = re.compile("[^!-&(-<>-~]")
_MAY_BE_CHANGED = re.compile(r"[A-Za-zäÄ]{3}|[eE]\+|[0-9]{4}-[0-9]{2}-")

_TWINS = str.maketrans(
    "АВЕКМНОРСТУХЅІЈԌԚԜавеорсухѕіјкнтмΑΒΕΖΗΙΚΜΝΟΡΤΥΧαοντρικν–—‐‑‒−＃",
    "ABEKMHOPCTYXSIJGQWabeopcyxsijkhtmABEZHIKMNOPTYXaovtpikv------#",
)
"""Letters of other scripts that look like Latin ones, and dashes that look like a hyphen."""
_OTHER_SCRIPT = frozenset(chr(code) for code in _TWINS if chr(code).isalpha())
_EASILY_CONFUSED = str.maketrans("OoIilL| _", "0011111--")


def guarded(text: str) -> str:
    """Return `text` so that no spreadsheet takes it for a formula: a leading ``'`` before ``= + - @``.

    Examples
    --------
    >>> guarded("=1+1"), guarded("-2 mm dent"), guarded("A-1"), unguarded(guarded("'=x"))
    ("'=1+1", "'-2 mm dent", 'A-1', "'=x")
    """
    return "'" + text if _NEEDS_GUARD.match(text) else text


def guarded_id(text: str) -> str:
    """Return an id so that a spreadsheet keeps it as it is, not as a number, a date or a formula.

    Examples
    --------
    >>> [guarded_id(cell) for cell in ("0012", "1E5", "3/4", "MAR1", "=1+1", "12", "B3-017")]
    ["'0012", "'1E5", "'3/4", "'MAR1", "'=1+1", '12', 'B3-017']
    """
    return "'" + text if _NEEDS_CARE_IN_A_SPREADSHEET.match(text) else text


def unguarded(text: str) -> str:
    """Undo :func:`guarded` and :func:`guarded_id`."""
    return text[1:] if _GUARDED.match(text) else text


def cleaned(text: str) -> str:
    """Return a text field without the spaces around it, a guard or a spreadsheet's ``="…"``.

    Examples
    --------
    >>> cleaned('="0012"'), cleaned(" A1 "), cleaned("'=x")
    ('0012', 'A1', '=x')
    """
    text = text.strip(SPACES)
    wrapped = _FORMULA_TEXT.fullmatch(text)
    return unguarded(wrapped[1].replace('""', '"').strip(SPACES) if wrapped else text)


@dataclass(slots=True)
class Ids:
    """The ids of one file.

    Parameters
    ----------
    ids : list of str
        Empty where a row has none.
    faults : dict of row index to str
        Ids that a spreadsheet or a bad copy has changed.
    warnings : list of str
    """

    ids: list[str]
    faults: dict[int, str] = field(default_factory=dict)
    warnings: list[str] = field(default_factory=list)


def read_ids(texts: Sequence[str], at: Callable[[int], str]) -> Ids:
    """Clean the ids of a file.

    Parameters
    ----------
    texts : sequence of str
        As they stood.
    at : callable
        Tells where a row stands.
    """
    result = Ids(list(texts))
    seen: dict[str, list[str]] = defaultdict(list)
    together = "".join(texts)  # one look at all ids at once spares a million looks at each
    plain = together.isascii() and together.isprintable() and not any(sign in together for sign in " '=")
    for row in [] if plain else [i for i, t in enumerate(texts) if _NEEDS_CARE.search(t)]:
        text = cleaned(texts[row])
        if texts[row].strip(SPACES).startswith('="'):
            seen['stood as ="…" and were read without it'].append(f"'{text}' ({at(row)})")
        for words, signs in _oddities(text):
            seen[words].append(f"'{INVISIBLE.sub('', text)}' ({at(row)}, {', '.join(signs)})")
        text = _ODD_SPACE.sub(" ", INVISIBLE.sub("", text).strip(SPACES))
        if any(unicodedata.category(c) in ("Cc", "Cs") or c == "\ufffd" for c in text):
            text = "".join(c if c.isprintable() and c != "\ufffd" else f"<{ord(c):04X}>" for c in text)
            result.faults[row] = f"the id '{text}' holds signs that can't be printed"
        result.ids[row] = text
    if any(sign in together for sign in "-./ +"):  # a date or a shortened number has one of these
        for row in [i for i, t in enumerate(result.ids) if _MAY_BE_CHANGED.search(t)]:
            _changed_by_spreadsheet(result, row)
    result.warnings.extend(f"ids that {words}: {some_of(examples)}" for words, examples in seen.items())
    return result


def _oddities(text: str) -> Iterator[tuple[str, list[str]]]:
    """Yield what nobody can see in an id: in words, and the code points."""
    hidden = set(INVISIBLE.findall(text))
    spaces = set(_ODD_SPACE.findall(INVISIBLE.sub("", text)))
    strange = {c for c in text if c in _OTHER_SCRIPT}
    if hidden:
        yield "held hidden signs, which were left out", _codes(hidden)
    if spaces:
        yield "held a space of an unusual kind, which was made a plain one", _codes(spaces)
    dashes = set(_ODD_DASH.findall(text))
    if dashes:
        yield "hold a dash that looks like a hyphen and is none", _codes(dashes)
    # a word that is of the other script throughout has letters that look like none of ours
    if strange and all(c in _OTHER_SCRIPT or c.isascii() for c in text if c.isalpha()):
        yield "hold letters of another script that look like Latin ones", _codes(strange)


def _codes(signs: set[str]) -> list[str]:
    return sorted(f"U+{ord(c):04X}" for c in signs)


def _changed_by_spreadsheet(result: Ids, row: int) -> None:
    text = result.ids[row]
    if _SHORTENED.fullmatch(text):
        result.faults[row] = f"the id '{text}' is a long number that a spreadsheet shortened, so its digits are lost"
    elif looks_like_date(text) and any(c.isalpha() for c in text):
        result.faults[row] = f"the id '{text}' is a date: a spreadsheet changed it (an id like 1-100 becomes Jan 00)"
    elif re.fullmatch(r"[0-9]{4}-[0-9]{2}-[0-9]{2} 00:00:00", text):
        result.faults[row] = f"the id '{text}' is a date: a spreadsheet changed it"


def twin_key(text: str) -> str:
    """Return what texts that look the same in print have in common.

    Examples
    --------
    >>> twin_key("А1") == twin_key("A1")  # the first is Cyrillic
    True
    """
    text = text if text.isascii() else unicodedata.normalize("NFKC", text).translate(_TWINS)
    return re.sub(" {2,}", " ", text)


def confused_key(text: str) -> str:
    """Return what ids that are easily confused when read or typed have in common, leading zeros apart.

    Examples
    --------
    >>> confused_key("B-O1") == confused_key("b 01")
    True
    """
    return twin_key(text).translate(_EASILY_CONFUSED).casefold()


def same_under(ids: Sequence[str], fold: Callable[[str], str], *, zeros: bool = False) -> list[tuple[str, ...]]:
    """Return the groups of different ids that a fold of their letters makes the same, in order.

    Parameters
    ----------
    ids : sequence of str
        All different, none with a line end in it.
    fold : callable
        Works letter by letter, so that all ids are folded in one go.
    zeros : bool
        Zeros that a spreadsheet drops or adds make no difference: 012, 12, 12.0.
    """
    folded = fold("\n".join(ids)).split("\n")
    if zeros:
        folded = [text.lstrip("0").removesuffix(".0") for text in folded]
    if len(set(folded)) == len(folded):
        return []
    groups: dict[str, list[str]] = defaultdict(list)
    for text, common in zip(ids, folded, strict=True):
        groups[common].append(text)
    return [tuple(group) for group in groups.values() if len(group) > 1]
