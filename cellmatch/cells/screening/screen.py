"""Which cells may go into a pack, which must be brought to the common voltage first, which never.

A cell is told **every** rule it breaks; the rules themselves stand in :mod:`cellmatch.cells.screening.rules`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from cellmatch.cells.screening.rules import RULES, Rule
from cellmatch.cells.screening.window import JoiningWindow, joining_window
from cellmatch.cells.table import CellTable, ScreenedCells, texts
from cellmatch.cells.tray import Tray
from cellmatch.errors import ArgumentInvalid, FileAmbiguous, MixedChemistries, Problem, nearest_name
from cellmatch.pack.chemistry import ASSUMED_CHEMISTRY, Chemistry, load_chemistry
from cellmatch.pack.limits import Limits

UNSTATED_AND_UNCLEAR_V = (3.15, 3.40)
"""Median voltage at which a tray of unstated chemistry could be half-full LFP or nearly empty NMC."""


@dataclass(frozen=True, kw_only=True)
class Screening:
    """What was compared with what: kept beside the table in ``.attrs["screening"]``.

    Parameters
    ----------
    limits : Limits
        As used, every open value filled.
    chemistry : Chemistry
        As given, stated in the table, or assumed.
    window : JoiningWindow
        The joining window, voltage clusters and the voltage to level to.
    counts : mapping of rule name to int
        Cells each rejecting rule caught.
    remark_counts : mapping of rule name to int
        Cells each remark was made about.
    notes : tuple of str
        What holds for the tray as a whole.
    assumptions : tuple of str
        What was taken for granted.
    """

    limits: Limits
    chemistry: Chemistry
    window: JoiningWindow
    counts: Mapping[str, int]
    remark_counts: Mapping[str, int]
    notes: tuple[str, ...]
    assumptions: tuple[str, ...]

    def __deepcopy__(self, memo: object) -> Screening:
        # pandas copies .attrs with every table; this object never changes
        return self


def screen_cells(
    cells: CellTable,
    limits: Limits | None = None,
    *,
    chemistry: Chemistry | str | None = None,
    accept: Mapping[str, str] | None = None,
) -> ScreenedCells:
    """Judge every cell of a tray.

    Parameters
    ----------
    cells : CellTable
        As read.
    limits : Limits, optional
        Open values are filled from the chemistry. ``join_window_mv`` None means 50 mV here: a window
        from a current needs the pack, see :func:`cellmatch.plan_pack`.
    chemistry : Chemistry or str, optional
        Where the table has no ``chemistry`` column; without either NMC is assumed, and said.
    accept : mapping of cell id to written reason, optional
        Lets a rejected cell in where a reason may do that, and marks it for ever.

    Returns
    -------
    ScreenedCells
        + ``status`` (good or reject), ``reasons``, ``remarks`` (tuples of text), ``level_to_v`` [V],
        ``accepted``; ``.attrs["screening"]`` is the :class:`Screening`.

    Raises
    ------
    MixedChemistries
        The table holds cells of more than one chemistry.
    FileAmbiguous
        No chemistry is given and the median voltage fits two.
    ArgumentInvalid
        `accept` names a cell that is not there, or gives an empty reason.
    """
    known, assumptions = tray_chemistry(cells, chemistry)
    settled = (limits or Limits()).settled(known)
    tray = Tray(cells, settled, known)
    _check_accept(cells, accept or {})
    reasons, counts, closed = _collect(tray, [rule for rule in RULES if rule.rejects])
    remarks, remark_counts, _ = _collect(tray, [rule for rule in RULES if not rule.rejects])
    reject = np.fromiter((bool(r) for r in reasons), dtype=bool, count=len(cells))
    accepted = _accepted(tray, accept or {}, reject, closed, reasons, remarks)
    reject &= np.fromiter((a is None for a in accepted), dtype=bool, count=len(cells))

    window = joining_window(tray, ~reject)
    for i, text in window.remarks.items():
        remarks[i] = (*remarks[i], text)
    if window.remarks:
        remark_counts["joining window"] = len(window.remarks)

    screened = cells.copy()
    screened["status"] = pd.Series(np.where(reject, "reject", "good"), index=cells.index, dtype=object)
    screened["reasons"] = pd.Series(list(reasons), index=cells.index, dtype=object)
    screened["remarks"] = pd.Series(list(remarks), index=cells.index, dtype=object)
    screened["level_to_v"] = window.level_to_v
    screened["accepted"] = pd.Series(accepted, index=cells.index, dtype=object)
    screened.attrs["screening"] = Screening(
        limits=settled,
        chemistry=known,
        window=window,
        counts=counts,
        remark_counts=remark_counts,
        notes=(*window.notes, *_tray_notes(tray, ~reject)),
        assumptions=assumptions,
    )
    return ScreenedCells(CellTable(screened))


def tray_chemistry(cells: CellTable, given: Chemistry | str | None) -> tuple[Chemistry, tuple[str, ...]]:
    """Settle the chemistry of a tray: given, stated in its table, or assumed and said.

    Returns
    -------
    Chemistry
    tuple of str
        The assumption that was made, if one was.

    Raises
    ------
    MixedChemistries
        The table states more than one, or another than the one given.
    FileAmbiguous
        Nothing is stated and the median voltage fits two chemistries.
    """
    chosen = load_chemistry(given) if isinstance(given, str) else given
    column = texts(cells, "chemistry")
    stated = pd.Series(column[column != ""]).str.strip().str.lower()
    if len(set(stated)) > 1:
        count = ", ".join(f"{n} {name}" for name, n in stated.value_counts().items())
        raise MixedChemistries(
            Problem("column chemistry", f"found {count}; one pack holds one chemistry: plan each on its own")
        )
    if len(stated):
        from_table = load_chemistry(str(stated.iloc[0]))
        if chosen is not None and chosen.name != from_table.name:
            raise MixedChemistries(
                Problem("column chemistry", f"the file says {from_table.name}, --chemistry says {chosen.name}")
            )
        return chosen or from_table, ()
    if chosen is not None:
        return chosen, ()
    ocv = cells["ocv_v"].to_numpy(dtype=float)
    ocv = ocv[ocv > 0]
    median = float(np.median(ocv)) if ocv.size else np.nan
    low, high = UNSTATED_AND_UNCLEAR_V
    if low <= median <= high:
        raise FileAmbiguous(
            Problem(
                "chemistry",
                f"not given, and a median of {median:.3f} V fits LFP at mid charge and NMC near empty: "
                "say --chemistry lfp or --chemistry nmc (read it off the cell's label or data sheet)",
            )
        )
    assumed = load_chemistry(ASSUMED_CHEMISTRY)
    return assumed, (
        f"chemistry not given: {assumed.label} assumed (full {assumed.full_v:.2f} V); say --chemistry otherwise",
    )


def _collect(tray: Tray, rules: list[Rule]) -> tuple[list[tuple[str, ...]], dict[str, int], np.ndarray]:
    """Run rules; return the texts of each cell, the count of each rule, and the cells no reason may let in."""
    told: list[tuple[str, ...]] = [()] * len(tray.cells)
    counts: dict[str, int] = {}
    closed = np.isnan(tray.ocv_v) | np.isnan(tray.capacity_mah)
    for rule in rules:
        with np.errstate(invalid="ignore"):
            caught, words = rule.catch(tray)
        where = np.flatnonzero(caught)
        if where.size:
            counts[rule.name] = int(where.size)
        for i in map(int, where):
            told[i] = (*told[i], f"{rule.name}: {words(i)}")
        if not rule.reason_opens:
            closed |= caught
    return told, counts, closed


def _check_accept(cells: CellTable, accept: Mapping[str, str]) -> None:
    problems = []
    for cell, reason in accept.items():
        if cell not in cells.index:
            problems.append(Problem(f"--accept {cell}", f"there is no such cell; {nearest_name(cell, cells.index)}"))
        elif not reason.strip():
            problems.append(Problem(f"--accept {cell}", "a written reason is needed: --accept CELL=REASON"))
    if problems:
        raise ArgumentInvalid(problems)


def _accepted(
    tray: Tray,
    accept: Mapping[str, str],
    reject: np.ndarray,
    closed: np.ndarray,
    reasons: list[tuple[str, ...]],
    remarks: list[tuple[str, ...]],
) -> list[str | None]:
    """Return the written reason per cell let in; say on the cell what was asked and could not be done."""
    accepted: list[str | None] = [None] * len(tray.cells)
    place = {cell: i for i, cell in enumerate(tray.cells.index)} if accept else {}
    for cell, reason in accept.items():
        i = place[cell]
        if not reject[i]:
            remarks[i] = (*remarks[i], f"accepted without need: {reason}")
        elif closed[i]:
            reasons[i] = (
                *reasons[i],
                f"not accepted ({reason}): no reason opens this; only a new reading does",
            )
        else:
            accepted[i] = reason
            remarks[i] = (*remarks[i], f"accepted though {'; '.join(reasons[i])}. Reason given: {reason}")
    return accepted


def _tray_notes(tray: Tray, good: np.ndarray) -> tuple[str, ...]:
    """Return what holds for the tray as a whole, each with what to do next."""
    notes = []
    ocv = tray.ocv_v[good]
    limit = tray.chemistry.too_full_v
    if limit is not None and ocv.size and np.median(ocv) > limit:
        notes.append(
            f"too full to build with: the cells rest at {np.median(ocv):.3f} V, above {limit:.2f} V; "
            "bring them down to storage charge before building"
        )
    if tray.chemistry.flat:
        notes.append(
            "charge not shown by voltage: LFP cells anywhere between about 33 and 71 % charge read within ±10 mV; "
            "equal voltage does not show equal charge: top balance first, or count the charge"
        )
        directions = {d.strip().lower() for d in texts(tray.cells, "last_direction")[good]}
        if directions != {"charged"} and directions != {"discharged"}:
            found = "mixed" if len(directions - {""}) > 1 else "unknown"
            notes.append(
                f"last direction {found}: an LFP cell rests 10 to 20 mV apart after charge and after discharge; "
                "bring all cells to their voltage from the same side"
            )
    if np.isnan(tray.ir_mohm).all():
        notes.append("no resistance given: joining currents, sharing and drop can't be computed; measure it")
    return tuple(notes)
