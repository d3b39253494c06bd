"""What was understood of the files that were read: kept beside the cell table, printed and recorded."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field


@dataclass(frozen=True, kw_only=True, slots=True)
class FileRead:
    """How one file was read.

    Parameters
    ----------
    name : str
        Bare name.
    sha256 : str
    rows : int
        Rows taken for cells, readable or not.
    encoding, delimiter, decimal : str
        ``tab`` for a tab; empty where a workbook has none.
    header_line : int
        Line of the headings, counted from 1; 0 where the file has none.
    turned : bool
        The table lay on its side, a column a cell.
    """

    name: str
    sha256: str
    rows: int
    encoding: str
    delimiter: str
    decimal: str
    header_line: int
    turned: bool = False


@dataclass(frozen=True, kw_only=True, slots=True)
class ColumnRead:
    """What one column of one file was taken for.

    Parameters
    ----------
    file : str
    number : int
        Counted from 1.
    header : str
        As it stood in the file.
    name : str
        Our column.
    unit : str
        Empty for text.
    factor : float
        By which its numbers were multiplied.
    how : str
        How the unit is known: ``header``, ``unit row``, ``cell``, ``told``, ``inferred from the range``, or
        ``text`` for a column without one.
    """

    file: str
    number: int
    header: str
    name: str
    unit: str
    factor: float
    how: str


@dataclass(frozen=True, kw_only=True, slots=True)
class Repeat:
    """A cell that stands on several rows.

    Parameters
    ----------
    cell_id : str
    sources : tuple of str
        File and line of each row.
    readings : mapping of column name to tuple of float
        The readings of each row, NaN where a row has none.
    rule : str
        ``median``, ``newest``.
    differ : tuple of str
        Columns whose readings differ by more than the repeatability, each with its range in words.
    labels : mapping of column name to tuple of str
        Tester, slot and date of each row where the files name them, empty where a row does not.
    """

    cell_id: str
    sources: tuple[str, ...]
    readings: Mapping[str, tuple[float, ...]]
    rule: str
    differ: tuple[str, ...] = ()
    labels: Mapping[str, tuple[str, ...]] = field(default_factory=dict)


@dataclass(frozen=True, kw_only=True, slots=True)
class Fact:
    """A line beside the table: a key and its value, or a comment with an empty key."""

    file: str
    line: int
    key: str
    value: str


@dataclass(frozen=True, kw_only=True)
class Reading:
    """What was understood of all the files of one tray.

    Parameters
    ----------
    files : tuple of FileRead
    columns : tuple of ColumnRead
    unread : tuple of str
        Headings of columns that were not used, with their file.
    assumptions : tuple of str
        What was taken for granted and has to be printed.
    warnings : tuple of str
        What has to be looked at.
    repeats : tuple of Repeat
    comments : tuple of Fact
        Comment lines that were passed over.
    facts : tuple of Fact
        What stood above the table, as it stood there.
    resolution : mapping of column name to float
        Smallest step that the digits show, in the column's unit.
    told : tuple of str
        What the user said about the files, as words of a command line.
    """

    files: tuple[FileRead, ...] = ()
    columns: tuple[ColumnRead, ...] = ()
    unread: tuple[str, ...] = ()
    assumptions: tuple[str, ...] = ()
    warnings: tuple[str, ...] = ()
    repeats: tuple[Repeat, ...] = ()
    comments: tuple[Fact, ...] = ()
    facts: tuple[Fact, ...] = ()
    resolution: Mapping[str, float] = field(default_factory=dict)
    told: tuple[str, ...] = ()

    # pandas copies a table's attrs with every step; what was read never changes, so it may stay one object
    def __copy__(self) -> Reading:
        return self

    def __deepcopy__(self, memo: object) -> Reading:
        return self

    def table(self) -> str:
        """Return the table column → meaning, unit, factor, how known, as text.

        Examples
        --------
        >>> column = ColumnRead(
        ...     file="tray.csv", number=2, header="U", name="ocv_v", unit="mV", factor=0.001, how="told"
        ... )
        >>> print(Reading(columns=(column,)).table())
        file      column  heading  read as  unit  factor  unit known from
        tray.csv  2       U        ocv_v    mV    0.001   told
        """
        rows = [("file", "column", "heading", "read as", "unit", "factor", "unit known from")]
        for c in self.columns:
            factor = f"{c.factor:g}" if c.unit else ""
            rows.append((c.file, str(c.number), c.header, c.name, c.unit, factor, c.how))
        widths = [max(len(row[i]) for row in rows) for i in range(len(rows[0]))]
        return "\n".join(
            "  ".join(text.ljust(width) for text, width in zip(row, widths, strict=True)).rstrip()
            for row in rows
        )
