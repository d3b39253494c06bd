"""What spellings have in common: signs that look alike, signs that can't be seen, and lists of words."""

from __future__ import annotations

import re

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
