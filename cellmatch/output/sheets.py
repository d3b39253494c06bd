"""Sheets for the bench as plain tables: what is printed from a browser and what stands in the PDF is one.

A sheet is a title, a word on how to use it, and rows; :data:`SHEETS` lists them in the order of the work.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pandas as pd

from cellmatch.build.steps import Expected
from cellmatch.cells.table import resistances_mohm, texts
from cellmatch.output import look
from cellmatch.output.look import MINUS, NOTHING, number
from cellmatch.output.quantities import kind_of_cells
from cellmatch.plan import Plan

TICK = "☐"
"""A box to tick by hand."""
BLANK = ""
"""A box to write in."""


@dataclass(frozen=True, kw_only=True, slots=True)
class SheetColumn:
    """One column of a sheet.

    Parameters
    ----------
    words : str
    number : bool
        Set to the right.
    write : bool
        Left empty to be written in by hand; drawn with a line around.
    share : float
        Of the width, against the other columns.
    """

    words: str
    number: bool = False
    write: bool = False
    share: float = 1.0


@dataclass(frozen=True, kw_only=True, slots=True)
class Sheet:
    """One paper.

    Parameters
    ----------
    name : str
        Short, like ``picks by tray``.
    title : str
    lead : tuple of str
        How to use it, before the table.
    columns : tuple of SheetColumn
    rows : tuple of tuple of str
    foot : tuple of str
        After the table.
    """

    name: str
    title: str
    lead: tuple[str, ...]
    columns: tuple[SheetColumn, ...]
    rows: tuple[tuple[str, ...], ...]
    foot: tuple[str, ...] = ()


TICK_COLUMN = SheetColumn(words="✓", share=0.35)


def _end(up: object) -> str:
    return "+" if up else MINUS


def _decimals(cells: pd.DataFrame) -> int:
    return look.decimals_of(cells["capacity_mah"].tolist())


def picks_by_tray(plan: Plan) -> Sheet:
    """List the cells in the order of the tester's file: what becomes of each."""
    cells, kinds, decimals = plan.cells, kind_of_cells(plan), _decimals(plan.cells)
    rows = []
    for (cell, row), kind in zip(cells.iterrows(), kinds, strict=True):
        to = f"level to {number(row['level_to_v'], 3, 'V')}" if kind == "level" else str(kind)
        used = row["group"] > 0
        rows.append(
            (
                TICK,
                str(cell),
                f"{look.SIGNS[str(kind)]} {to}",
                str(int(row["group"])) if used else NOTHING,
                str(int(row["position"])) if used else NOTHING,
                _end(row["positive_up"]) if used else NOTHING,
                number(row["ocv_v"], 3),
                number(row["capacity_mah"], decimals),
            )
        )
    columns = (
        TICK_COLUMN,
        SheetColumn(words="cell", share=1.6),
        SheetColumn(words="is", share=1.8),
        SheetColumn(words="group", number=True, share=0.7),
        SheetColumn(words="place", number=True, share=0.7),
        SheetColumn(words="up", share=0.4),
        SheetColumn(words="V", number=True, share=0.8),
        SheetColumn(words="mAh", number=True, share=0.9),
    )
    lead = ("Go through the tray in its own order; put each cell where the line says. Rejects leave the bench first.",)
    return Sheet(
        name="picks by tray", title="Pick list, in the order of the tray", lead=lead, columns=columns, rows=tuple(rows)
    )


def picks_by_group(plan: Plan) -> Sheet:
    """List the cells of each group in the order of their places."""
    used = plan.with_status("used").sort_values("position")
    rows = [
        (
            TICK,
            str(int(row["group"])),
            str(int(row["position"])),
            str(cell),
            _end(row["positive_up"]),
            f"row {int(row['row'])}, {int(row['column'])}",
        )
        for cell, row in used.iterrows()
    ]
    columns = (
        TICK_COLUMN,
        SheetColumn(words="group", number=True, share=0.6),
        SheetColumn(words="place", number=True, share=0.6),
        SheetColumn(words="cell", share=2.0),
        SheetColumn(words="up", share=0.5),
        SheetColumn(words="row and place in it", share=1.2),
    )
    lead = ("Group by group, place by place. “Up” is the end that shows on the top face.",)
    return Sheet(name="picks by group", title="Pick list, by group", lead=lead, columns=columns, rows=tuple(rows))


def group_check(plan: Plan) -> Sheet:
    """Give each cell a line for its reading before its group is joined, and each group a go or hold."""
    allowed = {e.target: e.high_v for step in plan.assembly.steps for e in step.expected if e.kind == "spread_v"}
    used = plan.with_status("used").sort_values("position")
    decimals = _decimals(plan.cells)
    rows = []
    for g, cells in used.groupby("group", sort=True):
        for cell, row in cells.iterrows():
            expected = row["level_to_v"] if np.isfinite(row["level_to_v"]) else row["ocv_v"]
            rows.append(
                (str(g), str(cell), number(row["capacity_mah"], decimals), number(expected, 3), BLANK, BLANK, BLANK)
            )
        apart = allowed.get(str(g))
        rule = "one cell" if apart is None else f"apart at most {number(1000 * apart, 0, 'mV')}"
        rows.append((str(g), rule, BLANK, BLANK, BLANK, "go / hold", BLANK))
    columns = (
        SheetColumn(words="group", number=True, share=0.6),
        SheetColumn(words="cell", share=1.8),
        SheetColumn(words="mAh", number=True, share=0.8),
        SheetColumn(words="expect V", number=True, share=0.8),
        SheetColumn(words="reads V", write=True, share=1.2),
        SheetColumn(words="sign right", write=True, share=0.9),
        SheetColumn(words="by, at", write=True, share=1.2),
    )
    lead = (
        "Read every cell of a group with its sign, one meter, within 24 h of joining. Highest less lowest above the "
        "figure on the group's last line, or a wrong sign: hold. No reason opens that; only a new reading or a new "
        "plan does.",
    )
    return Sheet(
        name="group check",
        title="Check of each group before it is joined",
        lead=lead,
        columns=columns,
        rows=tuple(rows),
    )


def reread_form(plan: Plan) -> Sheet:
    """Give each cell that is to be levelled a line for its new reading, which alone opens its joining."""
    rows: list[tuple[str, ...]] = []
    for cell, row in plan.with_status("used").sort_values("position").iterrows():
        if np.isfinite(row["level_to_v"]):
            was, to = number(row["ocv_v"], 3), number(row["level_to_v"], 3)
            rows.append((str(cell), str(row["group"]), str(row["position"]), was, to, BLANK, BLANK, BLANK))
    columns = (
        SheetColumn(words="cell", share=1.8),
        SheetColumn(words="group", number=True, share=0.6),
        SheetColumn(words="place", number=True, share=0.6),
        SheetColumn(words="was V", number=True, share=0.8),
        SheetColumn(words="level to V", number=True, share=0.9),
        SheetColumn(words="levelled, at", write=True, share=1.2),
        SheetColumn(words="reads V", write=True, share=1.2),
        SheetColumn(words="read, at", write=True, share=1.2),
    )
    lead = (
        "Level at a tenth of the capacity an hour or less, never below "
        f"{number(plan.chemistry.charge_min_c, 0, '°C')}, let each cell rest for an hour or more, then read it again: "
        "the set-point is not the voltage at rest. The new reading decides; until then its joining stays locked.",
    )
    return Sheet(name="read again", title="Cells to level and read again", lead=lead, columns=columns, rows=tuple(rows))


def junction_cards(plan: Plan) -> Sheet:
    """Give each junction its links, and what the meter must show before and after, in the order of the work."""
    rows: list[tuple[str, ...]] = []
    for step in plan.assembly.steps:
        if not step.junction:
            continue
        name = f"{step.junction}–{step.junction + 1}"
        live = f"live afterwards: up to {number(step.live_v, 1, 'V')}"
        rows.append((name, f"step {step.number}: {step.title}; {live}", NOTHING, BLANK, BLANK, TICK))
        rows.append((name, _links_words(plan, step.junction), NOTHING, BLANK, BLANK, NOTHING))
        rows += [(name, words, NOTHING, BLANK, BLANK, TICK) for words in step.do]
        rows += [
            (
                name,
                f"{e.when}: {_reading_words(e)}",
                f"{number(e.low_v, 3)} to {number(e.high_v, 3)}",
                BLANK,
                BLANK,
                TICK,
            )
            for e in step.expected
            if e.kind != "spread_v"
        ]
        rows.append((name, f"cover: {step.cover}", NOTHING, BLANK, BLANK, TICK))
    rows = rows or [(NOTHING, "one group: there is no junction", NOTHING, BLANK, BLANK, NOTHING)]
    columns = (
        SheetColumn(words="junction", share=0.7),
        SheetColumn(words="what", share=4.0),
        SheetColumn(words="window V", share=1.3),
        SheetColumn(words="reads V", write=True, share=0.9),
        SheetColumn(words="by, at", write=True, share=0.9),
        TICK_COLUMN,
    )
    lead = ("One junction at a time, from top to bottom. A reading outside its window: stop there, and read again.",)
    loads = plan.assembly.loads
    foot = tuple(words for words in (loads.words, loads.stacking_words) if words) if loads else ()
    return Sheet(name="junctions", title="Junction cards", lead=lead, columns=columns, rows=tuple(rows), foot=foot)


def _links_words(plan: Plan, number_of_junction: int) -> str:
    """Return how many places touch at a junction, how many links join them, and what each carries."""
    junction = next(j for j in plan.assembly.wiring.junctions if j.number == number_of_junction)
    pairs, links = junction.touching, junction.links
    words = f"{pairs} touching pair{'s' if pairs != 1 else ''}, {links} link{'s' if links != 1 else ''}"
    loads = plan.assembly.loads
    if loads is None:
        return words
    return f"{words}: at {loads.current_a:g} A {number(junction.amps_per_link(loads.current_a), 1, 'A')} each"


def _reading_words(e: Expected) -> str:
    """Return what is read, and how."""
    where = {"gap_v": "gap", "group_v": "groups" if "-" in e.target else "group"}.get(e.kind, e.kind)
    return f"{where} {e.target.replace('-', '–')}" + (f", {e.words}" if e.words else "")


def tap_table(plan: Plan) -> Sheet:
    """List the sense leads: which pin, which plate, what it must read."""
    rows = [
        (
            str(tap.pin),
            tap.plate,
            f"{tap.face}, place {tap.position}",
            number(tap.value_v, 2 if tap.value_v >= 6 else 3),
            f"{number(tap.low_v, 2 if tap.value_v >= 6 else 3)} to {number(tap.high_v, 2 if tap.value_v >= 6 else 3)}",
            BLANK,
            TICK,
        )
        for tap in plan.assembly.taps
    ]
    columns = (
        SheetColumn(words="pin", number=True, share=0.4),
        SheetColumn(words="plate", share=2.0),
        SheetColumn(words="face", share=1.1),
        SheetColumn(words="expect V", number=True, share=0.8),
        SheetColumn(words="window V", share=1.2),
        SheetColumn(words="reads V", write=True, share=1.0),
        TICK_COLUMN,
    )
    lead = (
        "Board unplugged. Every pin against pin 0 before anything is plugged in. The order of plugging is in the "
        "board's own sheet.",
    )
    return Sheet(name="taps", title="Sense leads", lead=lead, columns=columns, rows=tuple(rows))


def kit_list(plan: Plan) -> Sheet:
    """List what has to lie ready."""
    rows = [(TICK, str(item.count), item.what, item.size, item.note) for item in plan.assembly.kit]
    columns = (
        TICK_COLUMN,
        SheetColumn(words="count", number=True, share=0.6),
        SheetColumn(words="what", share=1.6),
        SheetColumn(words="size", share=1.8),
        SheetColumn(words="note", share=2.4),
    )
    return Sheet(
        name="kit",
        title="Kit list",
        lead=("All of it on the bench before the first step.",),
        columns=columns,
        rows=tuple(rows),
    )


def hazard_list(plan: Plan) -> Sheet:
    """List what must never be bridged, the largest voltage first."""
    rows = [
        (number(h.volts, 1), h.face, ", ".join(map(str, h.places)), str(h.count), h.words)
        for h in plan.assembly.hazards
    ]
    columns = (
        SheetColumn(words="V, full", number=True, share=0.6),
        SheetColumn(words="face", share=0.7),
        SheetColumn(words="places", share=0.8),
        SheetColumn(words="times", number=True, share=0.5),
        SheetColumn(words="what", share=4.0),
    )
    lead = ("Bare parts that lie near each other, and what stands between them when the pack is full.",)
    return Sheet(
        name="hazards", title="Never bridge", lead=lead, columns=columns, rows=tuple(rows), foot=plan.assembly.cautions
    )


def first_charge(plan: Plan) -> Sheet:
    """Give each group a line for the first charge: start, hours, end, a day, a week."""
    sheet = plan.assembly.first_charge
    rows = [(e.target, f"{number(e.low_v, 3)} to {number(e.high_v, 3)}", *[BLANK] * 7) for e in sheet.groups]
    columns = (
        SheetColumn(words="group", number=True, share=0.6),
        SheetColumn(words="start, window V", share=1.5),
        *(SheetColumn(words=w, write=True) for w in ("start", "1 h", "2 h", "3 h", "end", "24 h", "7 days")),
    )
    stop = (
        f"Stop at {number(sheet.group_stop_v, 2, 'V')} in any group; don't charge a group below "
        f"{number(sheet.group_low_v, 2, 'V')}. "
        f"Charger at most {number(sheet.charger_max_v, 2, 'V')} open, {number(sheet.charge_min_c, 0)} to "
        f"{number(sheet.charge_max_c, 0, '°C')}."
    )
    return Sheet(
        name="first charge", title="First charge", lead=(stop,), columns=columns, rows=tuple(rows), foot=sheet.words
    )


SHEETS: tuple[Callable[[Plan], Sheet], ...] = (
    kit_list,
    hazard_list,
    picks_by_tray,
    picks_by_group,
    reread_form,
    group_check,
    junction_cards,
    tap_table,
    first_charge,
)
"""Every sheet; a new one is one function and one entry here."""


def sheets_of(plan: Plan) -> tuple[Sheet, ...]:
    """Return the sheets of a plan; one that has nothing to list is left out."""
    return tuple(sheet for sheet in (make(plan) for make in SHEETS) if sheet.rows)


def label_words(plan: Plan) -> list[dict[str, str]]:
    """Return what stands on the label of each cell, used cells by place, then spares, then rejects.

    Returns
    -------
    list of dict
        ``cell``, ``group``, ``place``, ``figures``, ``flags``, ``date``; empty where there is nothing to say.
    """
    cells = plan.cells.assign(kind=kind_of_cells(plan), ir=resistances_mohm(plan.cells))
    cells["tested"] = [t[:10] for t in texts(plan.cells, "tested_at")]
    cells["rank"] = cells["kind"].map({"used": 0, "level": 0, "spare": 1, "reject": 2})
    labels = []
    for cell, row in cells.sort_values(["rank", "position"], kind="stable").iterrows():
        kind, used = str(row["kind"]), row["group"] > 0
        to = f"level to {number(row['level_to_v'], 3, 'V')}" if kind == "level" else kind
        flags = [] if kind == "used" else [f"{look.SIGNS[kind]} {to}"]
        flags += ["accepted by reason"] if row["accepted"] else []
        figures = ((row["capacity_mah"], 0, "mAh"), (row["ir"], 1, "mΩ"))
        labels.append(
            {
                "cell": str(cell),
                "group": f"group {int(row['group'])}" if used else "",
                "place": f"place {int(row['position'])}, {_end(row['positive_up'])} up" if used else "",
                "figures": ", ".join(number(v, d, u) for v, d, u in figures if np.isfinite(v)),
                "flags": ", ".join(flags),
                "date": str(row["tested"] or plan.created_at[:10]),
            }
        )
    return labels
