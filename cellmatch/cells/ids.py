"""Cell ids and other text: kept character for character, but for what nobody can see or a spreadsheet added."""

from __future__ import annotations

import re

from cellmatch.cells.numbers import SPACES

_GUARDED = re.compile("'+[=+@-]")
_NEEDS_GUARD = re.compile("'*[=+@-]")
_FORMULA_TEXT = re.compile(r'="(.*)"', re.DOTALL)


def guarded(text: str) -> str:
    """Return `text` so that no spreadsheet takes it for a formula: a leading ``'`` before ``= + - @``.

    Examples
    --------
    >>> guarded("=1+1"), guarded("-2 mm dent"), guarded("A-1"), unguarded(guarded("'=x"))
    ("'=1+1", "'-2 mm dent", 'A-1', "'=x")
    """
    return "'" + text if _NEEDS_GUARD.match(text) else text


def unguarded(text: str) -> str:
    """Undo :func:`guarded`."""
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
    return unguarded(wrapped[1].replace('""', '"') if wrapped else text)
