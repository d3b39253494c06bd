"""Which column of a sheet is which of ours: told by the user, or from the headings, or asked."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from cellmatch.cells.reading.headers import OWN, Heading, key, running_number
from cellmatch.cells.reading.layout import Sheet, is_number
from cellmatch.cells.reading.marks import judged
from cellmatch.cells.reading.numbers import NO_READING, SPACES
from cellmatch.cells.reading.units import QUANTITY, unit_of
from cellmatch.cells.table import columns_of
from cellmatch.errors import FileAmbiguous, Problem, nearest_name

OWN_FILE = frozenset(("cell_id", "status", "reasons"))
"""Headings by which a cells.csv that this package wrote is known."""

UNNAMED = ("", "Unnamed: 0")
"""What a first column without a heading is called, the second by a common library."""

UNIT_HEADINGS = frozenset(("unit", "units", "uom", "einheit", "einheiten", "unite", "unidad", "unita", "单位", "単位"))

ASKED = frozenset(("cell_id", "ocv_v", "capacity_mah", "ir_mohm", "rated_mah", "mark"))
"""Columns of which two are asked about; of others the first is taken, and that is said."""

_METHOD_ORDER = ("ac", "", "dc")
"""Methods of a resistance, the one that joining is judged by first."""


@dataclass(slots=True)
class Assignment:
    """Our column names to column positions (from 0), and what was taken for granted.

    Parameters
    ----------
    places : dict of our name to position
    absent : dict of our name to Problem
        Columns that the user named and that are not in this file.
    assumptions : list of str
    unread : list of str
        Headings of columns that were not used.
    beside : list of position
        Further columns with resistances of the same kind, like IR 2 and IR 3 beside IR 1.
    own : bool
        The file is a cells.csv of ours.
    """

    places: dict[str, int] = field(default_factory=dict)
    absent: dict[str, Problem] = field(default_factory=dict)
    assumptions: list[str] = field(default_factory=list)
    unread: list[str] = field(default_factory=list)
    beside: list[int] = field(default_factory=list)
    own: bool = False


def join_units_beside(sheet: Sheet) -> None:
    """Write the units that stand in a column of their own, right of the numbers, behind the numbers."""
    for place, heading in enumerate(sheet.headings[1:], start=1):
        name = sheet.headings[place - 1].name
        if key(heading.text) not in UNIT_HEADINGS or name not in QUANTITY:
            continue
        symbols = {text: unit_of(text) for text in set(sheet.texts(place)) if text.strip(SPACES)}
        if not symbols or any(u is None or u.quantity != QUANTITY[name] for u in symbols.values()):
            continue
        for row in sheet.rows:
            if is_number(row[place - 1]):
                row[place - 1] = f"{row[place - 1].strip(SPACES)} {row[place]}".strip()
        sheet.assumptions.append(
            f"{sheet.head}: {sheet.column_at(place)} is taken for the unit of {sheet.column_at(place - 1)}"
        )
        sheet.headings[place] = Heading(text=heading.text)


def assign(sheet: Sheet, told: Mapping[str, str | int]) -> Assignment:
    """Assign the columns of a sheet.

    Raises
    ------
    FileAmbiguous
        Two columns may be the same one of ours.
    """
    result = Assignment(own={h.text for h in sheet.headings} >= OWN_FILE)
    ask = []
    for name, wanted in told.items():
        found = _places_of(sheet, wanted)
        if len(found) == 1:
            result.places[name] = found[0]
        elif found:
            ask.append(_twice(sheet, name, found))
        else:
            known = [h.text for h in sheet.headings if h.text]
            result.absent[name] = Problem(
                sheet.head, f"no column '{wanted}' for {name}; {nearest_name(str(wanted), known)}"
            )
    for name in ("cell_id", *columns_of("read")):
        if name in result.places or name == "source":
            continue
        taken = set(result.places.values())
        candidates = [i for i, h in enumerate(sheet.headings) if h.name == name and i not in taken]
        if result.own:  # its status is not the tester's
            candidates = [i for i in candidates if sheet.headings[i].rank == OWN]
        chosen = _best(sheet, name, candidates, result)
        if len(chosen) > 1 and name not in ASKED:
            result.assumptions.append(
                f"{sheet.head}: {name} is read from {sheet.column_at(chosen[0])}, not from "
                f"{' or '.join(sheet.column_at(i) for i in chosen[1:])} (--columns {name}=… for another)"
            )
            chosen = chosen[:1]
        if len(chosen) > 1:
            ask.append(_twice(sheet, name, chosen))
        elif chosen:
            result.places[name] = chosen[0]
    if ask:
        raise FileAmbiguous(ask)
    if "cell_id" not in result.places:
        _unnamed_first(sheet, result)
    taken = {*result.places.values(), *result.beside}
    result.unread = [
        h.text or f"column {i + 1}, which has no heading"
        for i, h in enumerate(sheet.headings)
        if i not in taken and (h.text or not is_blank(sheet, i))
    ]
    return result


def is_blank(sheet: Sheet, place: int) -> bool:
    """Tell whether a column holds nothing in any row, or nothing that is a reading where it should hold some."""
    empty = NO_READING if sheet.headings[place].name in QUANTITY else frozenset(("",))
    return all(t.strip(SPACES).casefold() in empty for t in sheet.texts(place))


def _holds_marks(sheet: Sheet, place: int) -> bool:
    """Tell whether a column called Status or Result holds judgements rather than other words."""
    return any(judged(text, sheet.headings[place].text) != "unsettled" for text in set(sheet.texts(place)))


def _best(sheet: Sheet, name: str, candidates: list[int], result: Assignment) -> list[int]:
    """Return the columns that name `name` best: one, or several that can't be told apart."""
    if name == "mark":
        candidates = [i for i in candidates if sheet.headings[i].rank <= 1 or _holds_marks(sheet, i)]
    if len(candidates) > 1:
        candidates = [i for i in candidates if not is_blank(sheet, i)] or candidates[:1]
    if not candidates:
        return []
    rank = min(sheet.headings[i].rank for i in candidates)
    chosen = [i for i in candidates if sheet.headings[i].rank == rank]
    if name == "ir_mohm" and len(chosen) > 1:
        chosen = _numbered(sheet, _by_method(sheet, chosen), result)
    if (
        len(chosen) == 1
        and len(candidates) > 1
        and not result.beside
        and name in ("cell_id", "ocv_v", "capacity_mah", "ir_mohm")
    ):
        others = [f"'{sheet.headings[i].text}'" for i in candidates if i not in chosen]
        result.assumptions.append(
            f"{sheet.head}: '{sheet.headings[chosen[0]].text}' is taken for {name}, not {' or '.join(others)} "
            f"(--columns {name}=… for another)"
        )
    elif len(chosen) == 1 and name == "ocv_v" and rank > 1:
        result.assumptions.append(
            f"{sheet.head}: '{sheet.headings[chosen[0]].text}' is taken for the open-circuit voltage of a rested cell"
        )
    return chosen


def _numbered(sheet: Sheet, chosen: list[int], result: Assignment) -> list[int]:
    """Take resistances that differ in a running number only, IR 1, IR 2 …, for readings of one quantity."""
    numbers = [running_number(sheet.headings[i]) for i in chosen]
    if len(chosen) < 2 or None in numbers or len(set(numbers)) < len(numbers) or len({n[0] for n in numbers if n}) > 1:
        return chosen
    result.beside = chosen[1:]
    names = ", ".join(f"'{sheet.headings[i].text}'" for i in chosen)
    result.assumptions.append(f"{sheet.head}: {names} are taken for repeated readings; their median is used")
    return chosen[:1]


def _by_method(sheet: Sheet, chosen: list[int]) -> list[int]:
    """Choose among resistances by how they were measured: AC at 1 kHz is the one that joining is judged by."""
    for wanted in _METHOD_ORDER:
        some = [i for i in chosen if sheet.headings[i].method.split("_")[0] == wanted]
        if some:
            return some
    return chosen


def _unnamed_first(sheet: Sheet, result: Assignment) -> None:
    """Take a first column without a heading for the ids, where every row has a different text in it."""
    if (
        0 in result.places.values()
        or not sheet.header_line
        or not sheet.headings
        or sheet.headings[0].text not in UNNAMED
    ):
        return
    texts = [t.strip(SPACES) for t in sheet.texts(0)]
    if all(texts) and len(set(texts)) == len(texts):
        result.places["cell_id"] = 0
        result.assumptions.append(f"{sheet.head}: the first column has no heading; it is taken for the cell id")


def _places_of(sheet: Sheet, wanted: str | int) -> list[int]:
    text = str(wanted).strip()
    exact = [i for i, h in enumerate(sheet.headings) if h.text and h.text == text]
    if exact:
        return exact
    if text.isascii() and text.isdigit():
        place = int(text) - 1
        return [place] if 0 <= place < len(sheet.headings) else []
    return [i for i, h in enumerate(sheet.headings) if h.text and key(h.text) == key(text)]


def _twice(sheet: Sheet, name: str, places: list[int]) -> Problem:
    texts = [sheet.headings[i].text for i in places]
    shown = "; ".join(
        f"column {i + 1} '{sheet.headings[i].text}' ({', '.join(t.strip() for t in sheet.texts(i)[:2])} …)"
        for i in places
    )
    options = " or ".join(f"--columns {name}={i + 1}" for i in places)
    if len({key(t) for t in texts}) == 1:
        times = {2: "twice", 3: "three times"}.get(len(places), f"{len(places)} times")
        words = f"'{texts[0]}' stands {times} as a heading"
    else:
        words = f"several columns may be {name}"
    return Problem(sheet.head, f"{words}: {shown}; choose with {options}")
