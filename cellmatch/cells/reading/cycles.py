"""Tables with several rows a cell, by cycle and by charge and discharge."""

from __future__ import annotations

from typing import Literal

from cellmatch.cells.reading.assign import Assignment
from cellmatch.cells.reading.headers import key
from cellmatch.cells.reading.layout import Sheet
from cellmatch.cells.reading.spelling import listed

Direction = Literal["charge", "discharge", ""]

_DISCHARGE = tuple(map(key, listed("discharg|dischg|dchg|dchar|entlad|décharg|scaric|descarg|放电|放電")))
_CHARGE = tuple(map(key, listed("charg|chg|laden|ladung|carica|carga|充电|充電")))
_SHORT: dict[str, Direction] = {
    "d": "discharge",
    "dis": "discharge",
    "dch": "discharge",
    "c": "charge",
    "ch": "charge",
}

FEW = 12
"""Different texts that a column of modes holds at most."""


def direction(text: str) -> Direction:
    """Tell whether a text names a charge, a discharge or neither.

    Examples
    --------
    >>> [direction(t) for t in ("CC_DChg", "CCCV Chg", "Entladen", "décharge", "rest", "C")]
    ['discharge', 'charge', 'discharge', 'discharge', '', 'charge']
    """
    word = key(text)
    if any(stem in word for stem in _DISCHARGE):
        return "discharge"
    if any(stem in word for stem in _CHARGE):
        return "charge"
    return _SHORT.get(word, "")


def charge_column(sheet: Sheet, assignment: Assignment) -> int | None:
    """Return the column that tells charges from discharges, None where no column holds both."""
    needed = {assignment.places.get(n) for n in ("cell_id", "ocv_v", "capacity_mah", "ir_mohm", "note")}
    for place in range(len(sheet.headings)):
        if place in needed or len({row[place] for row in sheet.rows[:200]}) > FEW:
            continue
        words = set(sheet.texts(place))
        found = {direction(word) for word in words} if len(words) <= FEW else set()
        if {"charge", "discharge"} <= found:
            for name in [n for n, p in assignment.places.items() if p == place]:
                del assignment.places[name]
            return place
    return None
