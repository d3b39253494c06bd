"""Which column of a sheet is which of ours: told by the user, or from the headings, or asked."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from cellmatch.cells.headers import key
from cellmatch.cells.layout import Sheet
from cellmatch.cells.table import columns_of
from cellmatch.errors import FileAmbiguous, FileUnusable, Problem, nearest_name

NOT_FROM_FILES = frozenset(("source", "problems"))


@dataclass(slots=True)
class Assignment:
    """Our column names to column positions (from 0), and what was taken for granted."""

    places: dict[str, int] = field(default_factory=dict)
    assumptions: list[str] = field(default_factory=list)
    unread: list[str] = field(default_factory=list)


def assign(sheet: Sheet, told: Mapping[str, str | int]) -> Assignment:
    """Assign the columns of a sheet.

    Raises
    ------
    FileAmbiguous
        Two columns may be the same one of ours.
    FileUnusable
        A column that was told is not there.
    """
    result = Assignment()
    ask, missing = [], []
    for name, wanted in told.items():
        found = _places_of(sheet, wanted)
        if len(found) == 1:
            result.places[name] = found[0]
        elif found:
            ask.append(_twice(sheet, name, found))
        else:
            known = [h.text for h in sheet.headings if h.text]
            missing.append(Problem(f"{sheet.file} line {sheet.header_line}", f"no column '{wanted}' for {name}; {nearest_name(str(wanted), known)}"))
    taken = set(result.places.values())
    for name in ("cell_id", *columns_of("read")):
        if name in result.places or name in NOT_FROM_FILES or name in told:
            continue
        candidates = [i for i, h in enumerate(sheet.headings) if h.name == name and i not in taken]
        if not candidates:
            continue
        best = min(sheet.headings[i].rank for i in candidates)
        chosen = [i for i in candidates if sheet.headings[i].rank == best]
        if len(chosen) > 1:
            ask.append(_twice(sheet, name, chosen))
            continue
        result.places[name] = chosen[0]
        taken.add(chosen[0])
    if ask:
        raise FileAmbiguous([*ask, *missing])
    if missing:
        raise FileUnusable(missing)
    result.unread = [h.text for i, h in enumerate(sheet.headings) if i not in taken and h.text]
    return result


def _places_of(sheet: Sheet, wanted: str | int) -> list[int]:
    exact = [i for i, h in enumerate(sheet.headings) if h.text == str(wanted).strip()]
    if exact:
        return exact
    if str(wanted).strip().isdecimal():
        place = int(wanted) - 1
        return [place] if 0 <= place < len(sheet.headings) else []
    return [i for i, h in enumerate(sheet.headings) if h.text and key(h.text) == key(str(wanted))]


def _twice(sheet: Sheet, name: str, places: list[int]) -> Problem:
    texts = [sheet.headings[i].text for i in places]
    shown = "; ".join(
        f"column {i + 1} '{sheet.headings[i].text}' ({', '.join(list(sheet.columns[i][:2]))} …)" for i in places
    )
    options = " or ".join(f"--columns {name}={i + 1}" for i in places)
    words = f"'{texts[0]}' stands twice" if len({key(t) for t in texts}) == 1 else f"several columns may be {name}"
    return Problem(f"{sheet.file} line {sheet.header_line}", f"{words}: {shown}; choose with {options}")
