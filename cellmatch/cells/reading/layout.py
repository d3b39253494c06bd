"""From rows to one table: where the headings stand, what is above, between and below the cells."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from operator import itemgetter

from cellmatch.cells.reading.delimited import open_quote
from cellmatch.cells.reading.headers import Heading, key, plain, read_heading
from cellmatch.cells.reading.numbers import SPACES, parse_number
from cellmatch.cells.reading.side_by_side import stack, width_of_one
from cellmatch.cells.reading.spelling import listed, some_of
from cellmatch.cells.reading.units import QUANTITY, Unit, unit_of
from cellmatch.cells.understood import Fact
from cellmatch.errors import FileUnusable, Problem

HEAD_ROWS = 300
"""Rows in which headings are looked for."""

KEY_COLUMNS = frozenset(("cell_id", "ocv_v", "capacity_mah", "ir_mohm"))
COMMENT_MARKS = ("#", "//", "%", "!")
_NO_UNIT = frozenset(listed("|-|--|/|n/a|none|text|unit|units|einheit|einheiten|unite|unidad|unita|单位|単位|#"))
_SUMMARY = frozenset(
    map(
        plain,
        listed(
            "average|avg|avg.|mean|median|min|min.|max|max.|minimum|maximum|sum|total|std|std dev|stdev|"
            "stddev|sigma|range|spread|count|mittelwert|mittel|durchschnitt|summe|anzahl|spanne|streuung|"
            "moyenne|somme|écart type|media|promedio|suma|somma|平均|平均值|最大|最大值|最小|最小值|合计|"
            "合計|总计|标准差|標準偏差|średnia|suma|среднее|итого|sd|s.d.|σ|mean ± sd|variance|cv|rsd|cp|cpk|"
            "limit|limits|upper limit|lower limit|max limit|min limit|usl|lsl|ucl|lcl|spec|spec.|specification|target|"
            "tolerance|criteria|grenzwert|obergrenze|untergrenze|sollwert|limite|limites|上限|下限|规格|規格"
        ),
    )
)

heading_of = lru_cache(maxsize=4096)(read_heading)


@dataclass(slots=True)
class Sheet:
    """One table as text: its headings and rows, and what stood around it.

    Parameters
    ----------
    file : str
        Name for messages.
    headings : list of Heading
    header_line : int
        0 where the file has none.
    rows : list of list of str
        Fields of each cell's row, at least one per heading.
    lines : sequence of int
        Line of each row.
    odd : dict of row index to str
        Why the values of a row can't be told to columns.
    units : list of Unit or None
        Units row; empty where there is none.
    word : str
        What `lines` counts: ``line`` of a text, ``row`` of a workbook, ``column`` of a table on its side.
    left_out : int
        Rows of charges, which were left out.
    again, passed : list of str
        Lines on which the headings stand again, and that are no row of the table.
    """

    file: str
    headings: list[Heading]
    header_line: int
    rows: list[list[str]] = field(default_factory=list)
    lines: Sequence[int] = ()
    odd: dict[int, str] = field(default_factory=dict)
    units: list[Unit | None] = field(default_factory=list)
    facts: list[Fact] = field(default_factory=list)
    comments: list[Fact] = field(default_factory=list)
    warnings: list[str] = field(default_factory=list)
    assumptions: list[str] = field(default_factory=list)
    word: str = "line"
    left_out: int = 0
    again: list[str] = field(default_factory=list)
    passed: list[str] = field(default_factory=list)

    @property
    def head(self) -> str:
        """Where the headings stand, for messages."""
        return f"{self.file} {self.word} {self.header_line}" if self.header_line else self.file

    def at(self, row: int) -> str:
        """Return where a row stands, for messages."""
        return f"{self.file} {self.word} {self.lines[row]}"

    def column_at(self, place: int) -> str:
        """Return where a column stands, for messages."""
        text = self.headings[place].text
        word = "line" if self.word == "column" else "column"
        return f"{word} {place + 1}" + (f" '{text}'" if text else "")

    def texts(self, place: int) -> list[str]:
        """Return the fields of one column."""
        return list(map(itemgetter(place), self.rows))


def is_number(text: str) -> bool:
    """Tell whether `text` is a number under either decimal sign."""
    return not parse_number(text).fault or not parse_number(text, ",").fault


def header_score(row: Sequence[str], told: frozenset[str] = frozenset()) -> tuple[int, int]:
    """Return how many key columns and how many columns in all the fields of `row` name.

    Parameters
    ----------
    row : sequence of str
    told : frozenset of str
        Keys of headings that the user named.
    """
    fields = [f for f in row if f.strip(SPACES)]
    numbers = sum(map(is_number, fields))
    if not told and 2 * numbers >= len(fields):
        return 0, 0  # a number names no column, so that the names can't outnumber them: nearly every row
    names = {key(f) if key(f) in told else heading_of(f).name for f in fields[:200]} - {""}
    if numbers >= len(names) or len(names) < (1 if names & told else 2):
        return 0, 0
    named = len(names & told)  # a heading that the user named counts double: it surely is one
    return len(names & (KEY_COLUMNS | told)) + named, len(names) + named


def find_header(rows: Sequence[Sequence[str]], told: frozenset[str] = frozenset()) -> tuple[tuple[int, int], int]:
    """Return the best score and the index of the row that has it, -1 for none."""
    best, where = (0, 0), -1
    for index, row in enumerate(rows[:HEAD_ROWS]):
        score = header_score(row, told)
        if score > best and score[0] >= 1 and sum(score) >= 3:
            best, where = score, index
    return best, where


def lay_out(
    file: str,
    fields: list[list[str]],
    lines: Sequence[int],
    header: int,
    start: int | None = None,
    spanning: Sequence[int] = (),
) -> Sheet:
    """Make a sheet of rows.

    Parameters
    ----------
    file : str
    fields : list of list of str
    lines : sequence of int
    header : int
        Row of the headings; -1 for none, when the table begins at row `start`.
    spanning : sequence of int
        Rows with a quoted field over several lines.

    Raises
    ------
    FileUnusable
        More than half of the rows have another number of values than there are headings, or a second
        table follows.
    """
    names, below = _names(fields, header) if header >= 0 else ([""] * len(fields[start or 0]), start or 0)
    while header >= 0 and names and not names[-1] and not _any_in(fields[below:], len(names) - 1):
        names.pop()
    sheet = Sheet(file, [heading_of(n) for n in names], lines[header] if header >= 0 else 0)
    begin = below
    width = width_of_one(names)
    _refuse_table_above(sheet, fields[: max(header, 0)], lines)
    for row, line in zip(fields[: max(header, 0) if header >= 0 else begin], lines, strict=False):
        _above(sheet, row, line)
    while header >= 0 and begin < len(fields) and not any(f.strip(SPACES) for f in fields[begin]):
        begin += 1
    if header >= 0 and begin < len(fields) and is_units_row(fields[begin]):
        sheet.units = [_unit(f) for f in fields[begin]][: len(names)]
        sheet.units += [None] * (len(names) - len(sheet.units))
        begin += 1
    elif header > 0 and is_units_row(fields[header - 1]) and len(fields[header - 1]) == len(fields[header]):
        sheet.units = [_unit(f) for f in fields[header - 1]][: len(names)]
    _refuse_open_quotes(sheet, fields, lines, [i for i in spanning if i >= begin])
    _take_rows(sheet, fields, lines, begin, fields[header] if header >= 0 else [])
    if sheet.again:
        sheet.warnings.append(f"{file}: the headings stand again in {sheet.word} {some_of(sheet.again)}; passed over")
    if sheet.passed:
        sheet.warnings.append(f"{file} {sheet.word} {some_of(sheet.passed)}: no row of the table; passed over")
    if sheet.comments:
        lines_of = some_of([str(c.line) for c in sheet.comments])
        sheet.assumptions.append(
            f"{file}: {len(sheet.comments)} comment lines were passed over ({sheet.word} {lines_of})"
        )
    _refuse_shifted(sheet)
    if width < len(names):
        stack(sheet, width)
    return sheet


def _any_in(rows: Sequence[Sequence[str]], place: int) -> bool:
    """Tell whether any row that has this column holds something in it."""
    return any(len(row) > place and row[place].strip(SPACES) for row in rows)


def _names(fields: Sequence[Sequence[str]], header: int) -> tuple[list[str], int]:
    """Return the headings and the row below them; a heading over several columns goes on in a second row."""
    names = [f.strip(SPACES) for f in fields[header]]
    below = [f.strip(SPACES) for f in fields[header + 1]] if header + 1 < len(fields) else []
    under_a_gap = any(lower and not upper for upper, lower in zip(names, below, strict=False))
    if not under_a_gap or any(map(is_number, below)) or is_units_row(below) or not any(names[:1]) or below[0]:
        return names, header + 1
    group = ""
    for i, lower in enumerate(below[: len(names)]):
        group = names[i] or group
        if lower:
            names[i] = f"{group} {lower}"
    return names, header + 2


def _refuse_table_above(sheet: Sheet, above: Sequence[Sequence[str]], lines: Sequence[int]) -> None:
    """Raise where a table with cells of its own stands above the one that was found."""
    for index, row in enumerate(above[:-1]):
        if header_score(row) >= (2, 2) and any(
            len(r) == len(row) and sum(map(is_number, r)) >= len(r) // 2 > 0 for r in above[index + 1 : index + 3]
        ):
            raise FileUnusable(
                Problem(
                    f"{sheet.file} line {lines[index]}",
                    f"a table begins here and another in line {sheet.header_line}; one table per file would be right",
                )
            )


def _refuse_open_quotes(
    sheet: Sheet, fields: Sequence[Sequence[str]], lines: Sequence[int], spanning: Sequence[int]
) -> None:
    """Raise where a quoted field goes over several lines and is no text in its own column: cells are lost in it."""
    for i in spanning:
        filled = [f for f in fields[i] if f.strip(SPACES)]
        broken = [h.name for f, h in zip(fields[i], sheet.headings, strict=False) if "\n" in f]
        if len(filled) > len(sheet.headings) or any(n == "cell_id" or n in QUANTITY for n in broken):
            raise open_quote(sheet.file, lines[i])


def _unit(field_text: str) -> Unit | None:
    return unit_of(field_text.strip(SPACES).strip("()[]{}<>"))


def is_units_row(row: Sequence[str]) -> bool:
    """Tell whether a row below the headings holds their units."""
    fields = [plain(f).strip("()[]{}<> ") for f in row]
    known = sum(_unit(f) is not None for f in row if f.strip(SPACES))
    others = sum(f not in _NO_UNIT for f in fields) - known
    return (known >= 2 and others <= known // 2 and not any(map(is_number, row))) or (
        known == 1 and others == 0 and fields[0] in _NO_UNIT
    )


def _above(sheet: Sheet, row: Sequence[str], line: int) -> None:
    """Keep a line above the table: a key and its values, or a comment."""
    fields = [f.strip(SPACES + "\x00") for f in row]
    filled = [f for f in fields if f]
    if not filled:
        return
    text = ", ".join(filled)
    if text.casefold().startswith("sep="):
        return
    pair = re.fullmatch(r"([^:=]{1,60}?)\s*[:=]\s*(\S.*)", filled[0].lstrip("#~%;! "))
    if len(filled) > 1 and not fields[0].startswith(COMMENT_MARKS):
        sheet.facts.append(Fact(file=sheet.file, line=line, key=filled[0].rstrip(":= "), value=", ".join(filled[1:])))
    elif pair is not None:
        value = ", ".join([pair[2], *filled[1:]])
        sheet.facts.append(Fact(file=sheet.file, line=line, key=pair[1], value=value))
    if fields[0].startswith(COMMENT_MARKS) or (len(filled) == 1 and pair is None):
        sheet.comments.append(Fact(file=sheet.file, line=line, key="", value=text))


def _take_rows(sheet: Sheet, fields: list[list[str]], lines: Sequence[int], begin: int, header: list[str]) -> None:
    """Take the rows from `begin` on for cells, but for those that are none."""
    width = len(sheet.headings)
    first = header[0] if header else "\x00"
    unusual_starts = frozenset(("", "#", "/", "%", "!", "-", "=", " ", "\t", "\u00a0", "\ufeff"))
    body = fields[begin:] if begin else fields
    at = lines[begin:]
    unusual = [
        i
        for i, row in enumerate(body)
        if len(row) != width or row[0][:1] in unusual_starts or row[0] == first or not row[width > 1]
    ]
    shapes = _shapes(body, unusual)
    gone = set()
    for i in unusual:
        taken = _fitted(sheet, body[i], at[i], i, header, shapes)
        if taken is None:
            gone.add(i)
        else:
            body[i] = taken
    gone |= _summaries(sheet, body, at, gone)
    if gone:
        kept = [i for i in range(len(body)) if i not in gone]
        moved = {old: new for new, old in enumerate(kept)}
        sheet.odd = {moved[i]: why for i, why in sheet.odd.items() if i in moved}
        body, at = [body[i] for i in kept], [at[i] for i in kept]
    sheet.rows, sheet.lines = body, at


def shape(text: str) -> str:
    """Return what kind of signs a text is made of: ``B-012`` gives ``A-9``.

    Examples
    --------
    >>> shape("B-012"), shape("C7"), shape("End of report")
    ('A-9', 'A9', 'A A A')
    """
    return re.sub(r"[^\W\d_]+", "A", re.sub(r"\d+", "9", text.strip(SPACES)))


def _shapes(body: Sequence[Sequence[str]], unusual: Sequence[int]) -> frozenset[str]:
    """Return the shapes of the first fields of ordinary rows, to tell a lonely id from a line of words."""
    if not unusual:
        return frozenset()
    apart = set(unusual)
    ordinary = (row[0] for i, row in enumerate(body[:2000]) if i not in apart and row)
    return frozenset(shape(text) for text in ordinary if plain(text).strip(":") not in _SUMMARY)


def _fitted(
    sheet: Sheet, row: list[str], line: int, index: int, header: list[str], shapes: frozenset[str]
) -> list[str] | None:
    """Return an unusual row brought to one field a heading, None where it is no cell."""
    width = len(sheet.headings)
    fields = [f.strip(SPACES) for f in row]
    filled = [f for f in fields if f]
    if all(len(f) > 1 and set(f) <= set("-=_:+*") for f in filled):  # nothing, or a ruled line
        return None
    if row == header or (
        header and fields == [f.strip(SPACES) for f in header][: len(fields)] and len(fields) >= width
    ):
        sheet.again.append(str(line))
        return None
    if width > 1 and is_units_row(fields):
        sheet.units = sheet.units or ([_unit(f) for f in fields] + [None] * width)[:width]
        return None
    if header and header_score(row) >= (2, 3):
        raise FileUnusable(
            Problem(
                f"{sheet.file} {sheet.word} {line}",
                "a second table with other headings begins here; one table per file would be right",
            )
        )
    marked = fields[0].startswith(COMMENT_MARKS)
    worded = not any(map(is_number, fields[1:]))
    spaced = fields[0].lstrip("#/%!")[:1] == " "
    if width > 1 and marked and ((worded and len(filled) == 1) or (spaced and (worded or len(row) != width))):
        sheet.comments.append(Fact(file=sheet.file, line=line, key="", value=", ".join(filled)))
        return None
    lonely = len(filled) == 1 and fields[0] and shape(fields[0]) not in shapes
    sentence = worded and len(fields) != width and " " in fields[0] and shape(fields[0]) not in shapes
    if width > 2 and (sentence or (lonely and (shapes or " " in fields[0] or len(row) != width))):
        words = ", ".join(filled)
        sheet.comments.append(Fact(file=sheet.file, line=line, key="", value=words))
        sheet.passed.append(f"{line} '{words[:60]}'")
        return None
    while len(fields) > width and not fields[-1]:
        fields.pop()
    if fields[0].startswith("# ") and shape(fields[0][1:]) in shapes:
        sheet.odd[index] = "the line begins with '# ': it may be a comment, or a cell that is called so"
    if len(fields) < width:
        missing = sheet.headings[len(fields) :]
        if all(h.name in ("note", "") for h in missing):
            return fields + [""] * (width - len(fields))
    if len(fields) != width:
        sheet.odd[index] = (
            f"the row has {len(fields)} values where the headings name {width} columns, so no value can be told "
            "to its column"
        )
    return (fields + [""] * width)[:width]


def _summaries(sheet: Sheet, body: list[list[str]], at: Sequence[int], gone: set[int]) -> set[int]:
    """Return the rows at the top and at the end that sum the table up: averages, totals, limits."""
    labels: dict[int, str] = {}
    for rows in (range(len(body))[:40], range(len(body))[:-41:-1]):
        for i in rows:
            if i in gone or i in labels:
                continue
            words = [f.strip(SPACES) for f in body[i][:2] if plain(f).strip(":") in _SUMMARY]
            if not words:
                break
            labels[i] = words[0]
    for i in sorted(labels):
        sheet.odd.pop(i, None)
        sheet.warnings.append(
            f"{sheet.file} {sheet.word} {at[i]}: '{labels[i]}' sums the table up and was not taken for a cell"
        )
    return set(labels)


def _refuse_shifted(sheet: Sheet) -> None:
    """Raise where most rows don't fit the headings: the delimiter or the headings are wrong, not the rows."""
    if len(sheet.odd) * 2 <= len(sheet.rows):
        return
    row, why = next(iter(sheet.odd.items()))
    raise FileUnusable(
        Problem(
            sheet.at(row),
            f"{why}; {len(sheet.odd)} of {len(sheet.rows)} rows are like that: a heading is missing, or a comma "
            "is both decimal sign and delimiter; save the file with semicolons, or mend the headings",
        )
    )
