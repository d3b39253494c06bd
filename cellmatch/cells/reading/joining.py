"""From the pieces of all files to one table of cells."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from cellmatch.cells.reading.ids import confused_key, same_under, twin_key
from cellmatch.cells.reading.pieces import BLANK, NEEDED, WORDS, Piece
from cellmatch.cells.reading.spelling import some_of
from cellmatch.cells.repeats import TOLERANCE, RepeatRule, combined, described, places, times
from cellmatch.cells.table import CellTable, cell_table
from cellmatch.cells.understood import Repeat
from cellmatch.errors import FileAmbiguous, FileUnusable, Problem

SAME_LEAST = 3
"""Shared ids from which two files can be told to hold the same cells or others."""
SAME_RATIO = 0.6
"""Difference under the same id, as a fraction of the difference under different ids, above which the two
files hold different cells under the same numbers (common practice, no source)."""


def joined(pieces: Sequence[Piece], rule: str, *, strict: bool) -> tuple[CellTable, tuple[Repeat, ...], list[str]]:
    """Join the rows of all files, repeats combined.

    Returns
    -------
    cells : CellTable
    repeats : tuple of Repeat
    warnings : list of str

    Raises
    ------
    FileUnusable
        A needed reading is in no file; with `strict`, any row that can't be read; with the rule
        ``refuse``, any cell on several rows.
    FileAmbiguous
        Ids that look the same, or the same numbers used for different cells in two files.
    """
    _need_readings(pieces)
    rows = _stacked(pieces)
    _refuse_twins(rows.index, pieces)
    _refuse_reused_numbers(pieces)
    if rule == "refuse" and rows.index.has_duplicates:
        again = rows[rows.index.duplicated(keep=False)]
        raise FileUnusable(
            Problem(
                places(group["source"]),
                f"cell {i} stands {times(len(group))}, and repeats are to be refused",
            )
            for i, group in again.groupby(level=0, sort=False)
        )
    how: RepeatRule = "newest" if rule == "newest" else "median"
    rows, repeats, warnings = combined(rows, how)
    rows = _blanks_told(rows)
    if strict:
        _refuse_problems(rows)
    warnings = described(repeats) + warnings + _confused(rows.index)
    return cell_table(rows), repeats, warnings


def _need_readings(pieces: Sequence[Piece]) -> None:
    problems = []
    for name, why in (
        ("ocv_v", "without the voltage at rest nobody can tell whether cells may be joined"),
        ("capacity_mah", "without it no groups can be matched"),
    ):
        if any(name in p.frame.columns for p in pieces):
            continue
        for piece in pieces:
            found = ", ".join(h.text for h in piece.sheet.headings if h.text)
            told = piece.assignment.absent.get(name)
            problems.append(
                told
                or Problem(
                    piece.sheet.head,
                    f"no {WORDS[name]} column; headings found: {found}; {why}; name the column with "
                    f"--columns {name}=…, or give the readings in a second file with the columns cell_id and {name}",
                )
            )
    if problems:
        problems += [p for piece in pieces for p in _many_rows(piece)]
        raise FileUnusable(problems)


def _many_rows(piece: Piece) -> list[Problem]:
    """Say what a table with several rows a cell is, where it can't be used anyway."""
    cells, rows = piece.frame.index.nunique(), len(piece.frame) + piece.sheet.left_out
    parts = [h.text for h in piece.sheet.headings if h.roles & {"cycle", "mode", "step"}]
    if rows <= cells or not parts:
        return []
    return [
        Problem(
            piece.sheet.head,
            f"{rows} rows for {cells} cells, told apart by {', '.join(parts)}: charge rows are left out, every "
            "discharge of a cell is a repeat of it, and their median is used (with --repeats newest the last); a "
            "voltage at the end of a charge or discharge is no voltage at rest",
        )
    ]


def _stacked(pieces: Sequence[Piece]) -> pd.DataFrame:
    if len(pieces) == 1:
        return pieces[0].frame
    frames = []
    for piece in pieces:
        frame = piece.frame
        if piece.nameless.any():  # "line 5" of two files are two cells
            frame = frame.copy()
            frame.index = pd.Index(
                [f"{piece.sheet.file} {i}" if n else i for i, n in zip(frame.index, piece.nameless, strict=True)],
                dtype=object,
            )
        frames.append(frame)
    rows = pd.concat(frames)
    rows["problems"] = rows["problems"].astype(object)
    return rows


def _refuse_twins(ids: pd.Index, pieces: Sequence[Piece]) -> None:
    """Raise where two ids differ only in letters that look the same in print."""
    together = "".join(ids)
    if together.isascii() and "  " not in together:
        return
    sources = pd.concat([p.frame["source"] for p in pieces])
    problems = []
    for twins in same_under(ids.unique().tolist(), twin_key):
        codes = sorted({f"U+{ord(c):04X}" for i in twins for c in i if not c.isascii()})
        how = f"are spelled with different letters ({', '.join(codes)})" if codes else "differ in spaces only"
        problems.append(
            Problem(
                places(str(sources.loc[[i]].iloc[0]) for i in twins),
                f"the ids {' and '.join(map(repr, twins))} look the same and {how}; write them the same if they are "
                "one cell, or differently for all to see",
            )
        )
    if problems:
        raise FileAmbiguous(problems)


def _confused(ids: pd.Index) -> list[str]:
    """Return a warning for ids that are easily taken for each other at the bench."""
    pairs = same_under(ids.tolist(), confused_key, zeros=True)
    if not pairs:
        return []
    together = some_of([" and ".join(pair) for pair in pairs])
    return [f"ids that are easily taken for each other: {together}; mark the cells clearly"]


def _refuse_reused_numbers(pieces: Sequence[Piece]) -> None:
    """Raise where two files use the same ids for different cells: capacities under one id are no nearer than any."""
    problems = []
    for k, second in enumerate(pieces):
        for first in pieces[:k]:
            if not all("capacity_mah" in p.frame.columns for p in (first, second)):
                continue
            a = first.frame["capacity_mah"].groupby(level=0).median()
            b = second.frame["capacity_mah"].groupby(level=0).median()
            both = a.index.intersection(b.index)
            pairs = np.column_stack([a[both], b[both]])
            pairs = pairs[np.isfinite(pairs).all(axis=1)]
            if len(pairs) >= SAME_LEAST and _different_cells(pairs):
                problems.append(
                    Problem(
                        f"{first.sheet.file} and {second.sheet.file}",
                        f"{len(pairs)} ids stand in both (like {both[0]}), and the capacities under one id are no "
                        "nearer to each other than those of any two cells: these are different cells with the same "
                        "number; give every cell a number of its own, or plan from one file at a time",
                    )
                )
    if problems:
        raise FileAmbiguous(problems)


def _different_cells(pairs: np.ndarray) -> bool:
    offset = np.median(pairs[:, 1] - pairs[:, 0])  # two testers may differ by a constant
    own = float(np.median(np.abs(pairs[:, 1] - pairs[:, 0] - offset)))
    if own <= TOLERANCE["capacity_mah"][1] * float(np.median(pairs)):
        return False
    others = [np.median(np.abs(np.roll(pairs[:, 1], k) - pairs[:, 0] - offset)) for k in range(1, min(len(pairs), 6))]
    return own > SAME_RATIO * float(np.median(others))


def _blanks_told(rows: pd.DataFrame) -> pd.DataFrame:
    """Tell of readings that no row of a cell gives, and drop the working columns."""
    problems = rows["problems"].to_numpy(dtype=object, copy=True)
    for name in NEEDED:
        missing = rows[name].isna().to_numpy() if name in rows.columns else np.zeros(len(rows), dtype=bool)
        if BLANK.format(name) in rows.columns:
            words = rows.pop(BLANK.format(name)).to_numpy(dtype=object)
        else:
            words = np.full(len(rows), None, dtype=object)
        for row in map(int, np.flatnonzero(missing)):
            if isinstance(words[row], str):
                problems[row] = (*problems[row], words[row])
            elif name != "ir_mohm" and not problems[row]:
                problems[row] = (f"{rows['source'].iloc[row]}: no {WORDS[name]} is given in any file",)
    rows["problems"] = pd.Series(problems, index=rows.index, dtype=object)
    return rows


def _refuse_problems(rows: pd.DataFrame) -> None:
    found = [Problem("", text) for texts in rows["problems"] for text in texts]
    if found:
        raise FileUnusable(found)
