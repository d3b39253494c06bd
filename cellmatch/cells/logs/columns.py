"""Which column of a log is which: time, voltage, current, and what else a log may carry; and in which unit."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from cellmatch.cells.reading.headers import Heading, key, read_heading
from cellmatch.cells.reading.numbers import Decimal, parse_number
from cellmatch.cells.reading.units import AMPERE, MILLIAMPERE, MV, Unit, V, unit_of
from cellmatch.errors import FileAmbiguous, FileUnusable, Problem, nearest_name

NEEDED = ("time", "voltage", "current")
OPTIONAL = ("cell_id", "slot", "cycle", "mode", "temperature_c")
ROWS_PER_CELL = 20
"""A column whose values stand on fewer rows each is a row counter, not a cell id or a cycle."""
TIME_WANTED = (
    "testtime",
    "totaltime",
    "elapsedtime",
    "timeelapsed",
    "elapsed",
    "time",
    "times",
    "zeit",
    "timestamp",
)
"""Where several columns are times, the first of these is taken; times within a step come last."""
NO_TIMES = ("watt", "amp", "energy", "cap")
"""Watt-hr and Amp-hr end like a time and are none."""
CELL_V = (0.3, 6.5)
"""Range of the median voltage of one cell; V or mV is told from it."""
LIKELY_A = (0.0, 30.0)
LIKELY_MA = (60.0, 300_000.0)
MOST_A = 1000.0
"""Largest current of a log that is surely in A, or surely in mA (common practice, no source)."""
UNIT_CHOICES: Mapping[str, Mapping[str, Unit]] = {
    "voltage": {"V": V, "mV": MV},
    "current": {"A": AMPERE, "mA": MILLIAMPERE},
}


@dataclass(frozen=True, kw_only=True, slots=True)
class LogRequest:
    """What the user said about the logs; see :func:`cellmatch.cells.logs.measure.measure_log`."""

    columns: Mapping[str, str | int] = field(default_factory=dict)
    units: Mapping[str, str] = field(default_factory=dict)
    decimal: Decimal | None = None
    encoding: str | None = None


@dataclass(frozen=True, slots=True)
class LogHead:
    """What the first rows of a log show.

    Parameters
    ----------
    name : str
        The file's bare name.
    headings : tuple of Heading
    header_line : int
    delimiter : str
    width : int
        Fields of the commonest kind of row below the headings.
    sample : tuple of sequence of str
        The first rows of that kind, column by column.
    above : tuple of sequence of str
        Rows above the headings.
    units : tuple of Unit or None
        A units row; empty where there is none.
    """

    name: str
    headings: tuple[Heading, ...]
    header_line: int
    delimiter: str
    width: int
    sample: tuple[Sequence[str], ...]
    above: tuple[Sequence[str], ...]
    units: tuple[Unit | None, ...]

    def stated_unit(self, place: int) -> Unit | None:
        """Return the unit that the heading or the units row gives a column."""
        heading = self.headings[place]
        return heading.unit or unit_of(heading.text) or (self.units[place] if place < len(self.units) else None)


def roles_of(heading: Heading) -> frozenset[str]:
    """Return the parts that a column may play, told by its words or else by its unit."""
    if key(heading.text).startswith(NO_TIMES):
        return heading.roles - {"time"}
    if heading.roles:
        return heading.roles
    unit = heading.unit or unit_of(heading.text)
    if unit is not None and not heading.name:
        return frozenset({unit.quantity}).intersection(NEEDED)
    return frozenset({"time"} if key(heading.text).startswith(("time", "zeit")) else ())


def header_score(row: Sequence[str], request: LogRequest) -> int:
    """Return how many kinds of column a row names; 0 unless time, voltage and current are among them."""
    worded = [text for text in row if any(c.isalpha() for c in text)]
    if len(row) < len(NEEDED) or not worded:
        return 0
    roles: set[str] = set()
    wanted = {key(str(told)): role for role, told in request.columns.items()}
    for text in worded:
        roles |= roles_of(read_heading(text))
        roles |= {wanted[key(text)]} if key(text) in wanted else set()
    told = {role for role, column in request.columns.items() if str(column).isdecimal()}
    if not roles.union(told).issuperset(NEEDED) or not roles:
        return 0
    return len(roles)


def places_of(head: LogHead, request: LogRequest) -> tuple[dict[str, int], list[str]]:
    """Return which column plays which part, and what was taken for granted."""
    headings = head.headings[: head.width]
    places: dict[str, int] = {}
    problems: list[Problem] = []
    said: list[str] = []
    where = f"{head.name} line {head.header_line}"
    for role, told in request.columns.items():
        found = _told(headings, told)
        if found is None:
            known = [h.text for h in headings if h.text]
            problems.append(Problem(where, f"no column '{told}' for {role}; {nearest_name(str(told), known)}"))
        else:
            places[role] = found
    for role in NEEDED:
        if role in places:
            continue
        options = [i for i, h in enumerate(headings) if role in roles_of(h) and _has_numbers(head, i)]
        options = [i for i in options if role in headings[i].roles] or options
        if role == "time" and len(options) > 1:
            options.sort(key=lambda i: _time_rank(headings[i]))
            said.append(
                f"{head.name}: time is column {options[0] + 1} '{headings[options[0]].text}' "
                f"(others: {', '.join(headings[i].text for i in options[1:])})"
            )
            options = options[:1]
        if len(options) > 1:
            problems.append(Problem(where, _which(role, headings, options)))
        elif options:
            places[role] = options[0]
        else:
            problems.append(Problem(where, f"no {role} column; name it with --columns {role}=…"))
    if problems:
        ambiguous = all("several columns" in p.what for p in problems)
        raise (FileAmbiguous if ambiguous else FileUnusable)(problems)
    for role in OPTIONAL:
        if role not in places:
            places |= _optional(role, head, headings, set(places.values()))
    return places, said


def _told(headings: Sequence[Heading], told: str | int) -> int | None:
    for i, heading in enumerate(headings):
        if heading.text == str(told).strip() or (heading.text and key(heading.text) == key(str(told))):
            return i
    if str(told).strip().isdecimal() and 0 < int(told) <= len(headings):
        return int(told) - 1
    return None


def _has_numbers(head: LogHead, place: int) -> bool:
    return any(any(c.isdigit() for c in text) for text in head.sample[place])


def _time_rank(heading: Heading) -> int:
    words = key(heading.text.split("(")[0].split("/")[0])
    if "step" in words:
        return len(TIME_WANTED) + 1
    return TIME_WANTED.index(words) if words in TIME_WANTED else len(TIME_WANTED)


def _which(role: str, headings: Sequence[Heading], options: Sequence[int]) -> str:
    shown = ", ".join(f"{i + 1} '{headings[i].text}'" for i in options[:6])
    choice = " or ".join(f"--columns {role}={i + 1}" for i in options[:3])
    return f"several columns may be the {role}: {shown}; choose with {choice}"


def _optional(role: str, head: LogHead, headings: Sequence[Heading], taken: set[int]) -> dict[str, int]:
    for i, heading in enumerate(headings):
        if i in taken:
            continue
        if role not in heading.roles and not (heading.name == role and heading.rank <= 2):
            continue
        counts = role in ("cell_id", "slot", "cycle")
        if counts and len(set(head.sample[i])) * ROWS_PER_CELL > len(head.sample[i]):
            continue
        return {role: i}
    return {}


def decimal_of(head: LogHead, places: Sequence[int], told: Decimal | None) -> tuple[Decimal, list[str]]:
    """Return the decimal sign of a log, from all its number columns together."""
    if told is not None:
        return told, []
    fields = [text for place in places for text in head.sample[place] if ":" not in text]
    if not any("," in text for text in fields):
        return ".", []
    readable = {sign: sum(not parse_number(text, sign).fault for text in fields) for sign in (".", ",")}
    if readable["."] == readable[","]:
        example = next(text for text in fields if "," in text)
        raise FileAmbiguous(
            Problem(head.name, f"'{example}' can be read with . or , as the decimal sign; choose with --decimal")
        )
    decimal: Decimal = "," if readable[","] > readable["."] else "."
    return decimal, [f"{head.name}: decimal sign '{decimal}', the one under which the numbers can be read"]


def unit_of_column(
    role: str,
    head: LogHead,
    place: int,
    sizes: np.ndarray,
    request: LogRequest,
) -> tuple[Unit, str]:
    """Return a column's unit and how it is known: told, stated and possible, or inferred from its range."""
    choices = UNIT_CHOICES[role]
    if role in request.units:
        return choices[request.units[role]], "told"
    size = float(np.median(sizes)) if role == "voltage" else float(np.abs(sizes).max(initial=0.0))
    stated = head.stated_unit(place)
    where = f"{head.name} column {place + 1} '{head.headings[place].text}'"
    possible = _possible(role, size)
    if stated is not None and stated.quantity == role:
        if stated.symbol in possible or (role == "current" and size <= MOST_A):
            return choices[stated.symbol], "header"
        raise FileAmbiguous(Problem(where, _not_one_cell(role, size, stated.symbol)))
    if len(possible) == 1:
        return choices[possible[0]], "inferred from the range"
    raise FileAmbiguous(Problem(where, _not_one_cell(role, size, "")))


def _possible(role: str, size: float) -> list[str]:
    ranges = {
        "voltage": {"V": CELL_V, "mV": (CELL_V[0] * 1000, CELL_V[1] * 1000)},
        "current": {"A": LIKELY_A, "mA": LIKELY_MA},
    }[role]
    return [symbol for symbol, (low, high) in ranges.items() if low <= size <= high]


def _not_one_cell(role: str, size: float, stated: str) -> str:
    what = f"the {'median voltage' if role == 'voltage' else 'largest current'} of {size:.4g}"
    options = " or ".join(f"--units {role}={symbol}" for symbol in _possible(role, size))
    if options and stated:
        return f"{what} can't be in {stated} for one cell; say {options}"
    if role == "voltage" and size < 0:
        return f"{what} is negative: reversed probes, or the wrong column"
    if role == "voltage":
        return f"{what} is no cell's in V or mV; one log a cell is needed, not one of a pack"
    return f"{what} may be in A or mA; say --units current=A or --units current=mA"
