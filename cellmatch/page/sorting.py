"""Screening on the page: which cell is what, in which order they are shown, what may be let in."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from cellmatch.cells.screening.rules import RULES
from cellmatch.cells.screening.screen import Screening, screen_cells, tray_chemistry
from cellmatch.cells.table import CellTable, ScreenedCells, resistances_mohm
from cellmatch.errors import ArgumentInvalid, Problem
from cellmatch.pack.chemistry import Chemistry
from cellmatch.pack.limits import Limits
from cellmatch.page.desk import Desk
from cellmatch.page.jobs import Job, JobFolder
from cellmatch.page.tray import LEFT_OUT

PAGE_ROWS = 200
KINDS = ("reject", "level", "remark", "good")
"""In the order in which cells are shown."""
KIND_WORDS = {"reject": "✗ reject", "level": "↕ level first", "remark": "good, with a remark", "good": "good"}

_CLOSED = tuple(f"{rule.name}: " for rule in RULES if rule.rejects and not rule.reason_opens)


@dataclass(frozen=True, kw_only=True)
class Sorted:
    """The cells of a job, screened.

    Parameters
    ----------
    cells : ScreenedCells
    screening : Screening
    window_words : str
        Where the joining window comes from.
    kind : ndarray of object, shape (n,)
        One of :data:`KINDS` for each cell.
    """

    cells: ScreenedCells
    screening: Screening
    window_words: str
    kind: np.ndarray

    @property
    def counts(self) -> dict[str, int]:
        """Cells of each kind."""
        return {kind: int((self.kind == kind).sum()) for kind in KINDS}

    @property
    def usable(self) -> int:
        """Cells that may be grouped."""
        return int((self.kind != "reject").sum())


def sort_cells(desk: Desk, folder: JobFolder, job: Job, cells: CellTable) -> Sorted:
    """Screen the cells of a job exactly as its plan will.

    The joining window hangs on currents, and what one reading is worth on its repeats: both are settled at the
    desk, which knows the circuit. The verdicts are found here.

    Raises
    ------
    CellmatchError
        Limits that can't be meant, a chemistry that has to be said.
    """
    known, _ = tray_chemistry(cells, job.chemistry)
    limits, words = desk.ask("settle", folder=str(folder.path), job=job)
    accept = {cell: why for cell, why in job.accept.items() if cell in cells.index}
    screened = screen_cells(cells, limits, chemistry=known, accept=accept)
    return Sorted(
        cells=screened, screening=screened.attrs["screening"], window_words=words, kind=_kinds(screened)
    )  # fmt: skip


def _kinds(cells: ScreenedCells) -> np.ndarray:
    kind = np.full(len(cells), "good", dtype=object)
    kind[np.fromiter((bool(r) for r in cells["remarks"]), dtype=bool, count=len(cells))] = "remark"
    kind[np.isfinite(cells["level_to_v"].to_numpy(dtype=float))] = "level"
    kind[(cells["status"] == "reject").to_numpy()] = "reject"
    return kind


def may_be_let_in(reasons: tuple[str, ...], ocv_v: float, capacity_mah: float) -> bool:
    """Tell whether a written reason may let a reject in; :func:`screen_cells` has the last word."""
    if np.isnan(ocv_v) or np.isnan(capacity_mah):
        return False
    return not any(reason.startswith(_CLOSED) for reason in reasons)


def shown_rows(found: Sorted, page: int, wanted: str = "", kinds: tuple[str, ...] = KINDS) -> dict[str, Any]:
    """Return one page of cells, rejects first.

    Parameters
    ----------
    found : Sorted
    page : int
        From 1.
    wanted : str
        Part of an id.
    kinds : tuple of str
        Which kinds to show.

    Returns
    -------
    dict
        ``rows`` (dicts), ``page``, ``pages``, ``total``, ``first``.
    """
    cells = found.cells
    order = np.argsort([KINDS.index(k) for k in found.kind], kind="stable")
    order = order[np.isin(found.kind[order].astype(str), kinds)]
    if wanted:
        low = wanted.casefold()
        order = order[[low in str(cells.index[i]).casefold() for i in order]]
    pages = max(1, -(-len(order) // PAGE_ROWS))
    page = min(page, pages)
    part = order[(page - 1) * PAGE_ROWS : page * PAGE_ROWS]
    rows = cells.iloc[part]
    resistance = resistances_mohm(rows)
    columns = zip(
        map(str, rows.index), found.kind[part], rows["ocv_v"], rows["capacity_mah"], resistance, rows["reasons"],
        rows["remarks"], rows["level_to_v"], rows["accepted"], strict=True,
    )  # fmt: skip
    return {
        "rows": [
            {
                "cell": cell, "kind": kind, "ocv_v": float(ocv), "capacity_mah": float(mah), "ir_mohm": float(ir),
                "reasons": [_without_rule(r) for r in reasons], "remarks": remarks, "level_to_v": float(to_v),
                "accepted": accepted, "left_out": any(LEFT_OUT in r for r in reasons),
                "opens": kind == "reject" and may_be_let_in(reasons, float(ocv), float(mah)),
            }
            for cell, kind, ocv, mah, ir, reasons, remarks, to_v, accepted in columns
        ],
        "page": page, "pages": pages, "total": len(order), "first": (page - 1) * PAGE_ROWS + 1,
    }  # fmt: skip


def _without_rule(reason: str) -> str:
    """Take the rule's name off where the cell was left out by hand: it could be read."""
    return reason.removeprefix("unreadable: ") if LEFT_OUT in reason else reason


def checked_limits(given: Mapping[str, Any], chemistry: Chemistry, stood: Mapping[str, Any]) -> dict[str, Any]:
    """Return the limits that differ from the defaults.

    On the page the lowest voltage and the floor may only be raised: what lies below the service minimum of a
    chemistry is opened by nothing but a new reading. A lower one that `stood` before came with a job file, and stays.

    Raises
    ------
    ArgumentInvalid
    """
    salvaged = bool(given.get("salvaged", False))
    default = Limits(salvaged=salvaged).settled(chemistry)
    problems = [
        Problem(words, f"found {given[name]:g} V; the page only raises it above the {least:g} V of {chemistry.label}")
        for name, words, least in (
            ("min_v", "lowest in service", chemistry.min_v),
            ("floor_v", "floor", chemistry.floor_v),
        )
        if given.get(name) is not None and given[name] < min(least, stood.get(name, least))
    ]
    if problems:
        raise ArgumentInvalid(problems)
    kept = {name: value for name, value in given.items() if value is not None and value != getattr(default, name)}
    Limits(**{**kept, "salvaged": salvaged}).settled(chemistry)
    return {**kept, "salvaged": True} if salvaged else kept
