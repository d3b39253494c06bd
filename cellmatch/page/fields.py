"""Numbers as people type them into a field."""

from __future__ import annotations

import math

from cellmatch.errors import Problem

_SIGNS = str.maketrans({",": ".", "−": "-", "\u2009": "", "\u00a0": "", " ": ""})


def number_or_none(text: str) -> float | None:
    """Return the number a field holds, with a point or a comma; None where it is empty or no number.

    Examples
    --------
    >>> number_or_none("3,61"), number_or_none(" 2 500 "), number_or_none("x"), number_or_none("nan")
    (3.61, 2500.0, None, None)
    """
    plain = text.strip().translate(_SIGNS)
    if not plain.isascii() or "_" in plain:
        return None
    try:
        value = float(plain)
    except ValueError:
        return None
    return value if math.isfinite(value) else None


def said_number(text: str, where: str, problems: list[Problem]) -> float | None:
    """Return the number a field holds, None where it is empty; what is no number is told."""
    value = number_or_none(text)
    if value is None and text.strip():
        problems.append(Problem(where, f"found '{text.strip()[:40]}'; a number is needed, with a point or a comma"))
    return value
