"""What spellings have in common: signs that look alike, signs that can't be seen, and lists of words."""

from __future__ import annotations

import re
from collections.abc import Sequence

DASHES = re.compile("[\u2010-\u2015\u2212\u00ad\ufe63\uff0d]")
"""Hyphens, dashes and minus signs that stand for ``-``."""

INVISIBLE = re.compile("[\u200b-\u200f\u202a-\u202e\u2060-\u2064\ufeff\u00ad]")
"""Marks of no width, of writing direction, and soft hyphens."""


def listed(words: str) -> tuple[str, ...]:
    """Return the words of a list parted by ``|``.

    Examples
    --------
    >>> listed("serial no | s/n")
    ('serial no', 's/n')
    """
    return tuple(word.strip() for word in words.split("|"))


def some_of(items: Sequence[str], most: int = 8) -> str:
    """Return the first of some items, and how many more there are.

    Examples
    --------
    >>> some_of(["A1", "A2", "A3"], most=2)
    'A1, A2 and 1 more'
    """
    more = f" and {len(items) - most} more" if len(items) > most else ""
    return ", ".join(items[:most]) + more
