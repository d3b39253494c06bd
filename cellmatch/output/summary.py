"""A plan or a screening on one screen."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable

from cellmatch.cells.screening.screen import Screening
from cellmatch.cells.table import CellTable, ScreenedCells
from cellmatch.cells.understood import Reading
from cellmatch.plan import Plan

WIDTH = 100
MOST_LINES = 6
"""Of one list; the rest is counted and stands in the report."""


def plan_summary(plan: Plan) -> str:
    """Return what matters of a plan on one screen."""
    counts = plan.cells["status"].value_counts()
    numbers = ", ".join(
        f"{counts.get(s, 0)} {w}" for s, w in (("used", "used"), ("spare", "spare"), ("reject", "rejected"))
    )
    files = ", ".join(f.name for f in plan.reading.files) or "readings at hand"
    lines = [f"{plan.pack} from {files}: {len(plan.cells)} cells, {numbers}", ""]
    lines += section(
        "Verdict",
        [
            plan.verdict.upper() + (" (provisional: read again after a rest)" if plan.provisional else ""),
            *plan.verdict_reasons,
        ],
        MOST_LINES,
    )
    lines += section("Pack", [pack_words(plan)])
    lines += section("Groups", grouping_words(plan))
    lines += section("Load", _load_words(plan))
    rejects = plan.with_status("reject")
    lines += section("Rejects", (f"{cell}: {'; '.join(r)}" for cell, r in rejects["reasons"].items()), MOST_LINES)
    lines += section("Remarks", _remark_words(plan))
    lines += section("Read as", reading_words(plan.reading))
    lines += section("Limits", [limits_words(plan.screening)])
    lines += section("Assumed", plan.assumptions)
    lines += section("Notes", plan.notes, MOST_LINES)
    lines += section("Caution", plan.cautions[:2] if len(plan.cautions) > 11 else plan.cautions[:1])
    return "\n".join(lines)


def screening_summary(cells: ScreenedCells, assumptions: Iterable[str] = (), notes: Iterable[str] = ()) -> str:
    """Return what was understood of the files, and what screening found.

    Parameters
    ----------
    cells : ScreenedCells
    assumptions, notes : iterable of str
        What else was taken for granted, and what the numbers are worth.

    Returns
    -------
    str
    """
    screening: Screening = cells.attrs["screening"]
    reading: Reading = cells.attrs.get("reading", Reading())
    good = int((cells["status"] == "good").sum())
    level = cells[cells["level_to_v"].notna()]
    lines = [
        f"{len(cells)} cells: {good} good ({len(level)} of them to level first), {len(cells) - good} rejected",
        "",
    ]
    if reading.columns:
        lines += [reading.table(), ""]
    rejects = cells[cells["status"] == "reject"]
    lines += section("Rejects", (f"{cell}: {'; '.join(r)}" for cell, r in rejects["reasons"].items()))
    lines += section(
        "By rule",
        [", ".join(f"{name} {n}" for name, n in screening.counts.items())] if screening.counts else [],
    )
    remarked = cells[[bool(r) for r in cells["remarks"]]]
    lines += section("Remarks", (f"{cell}: {'; '.join(r)}" for cell, r in remarked["remarks"].items()))
    lines += section("Limits", [limits_words(screening)])
    lines += section("Assumed", [*reading.assumptions, *screening.assumptions, *assumptions])
    lines += section("Notes", [*reading.warnings, *screening.notes, *notes])
    return "\n".join(lines).rstrip("\n")


def measuring_summary(cells: CellTable) -> str:
    """Return what was understood of discharge logs, and what was left out."""
    reading: Reading = cells.attrs["reading"]
    problems = (f"{cell}: {'; '.join(p)}" for cell, p in zip(cells.index, cells["problems"], strict=True) if p)
    lines = [reading.table(), ""]
    lines += section("Assumed", reading.assumptions)
    lines += section("Notes", reading.warnings)
    lines += section("Problems", problems)
    return "\n".join(lines).rstrip("\n")


def reading_words(reading: Reading) -> list[str]:
    """Return, file by file, what each column was taken for."""
    files = dict.fromkeys(column.file for column in reading.columns)
    return [
        f"{file}: "
        + ", ".join(
            f"{c.header or f'column {c.number}'} → {c.name}" + (f" [{c.unit}: {c.how}]" if c.unit else "")
            for c in reading.columns
            if c.file == file
        )
        for file in files
    ]


def limits_words(screening: Screening) -> str:
    """Return every limit that was used, in one sentence."""
    limits, window = screening.limits, screening.window
    parts = [
        f"floor {limits.floor_v:g} V, lowest {limits.min_v:g} V, full {limits.max_v:g} V (+{limits.above_full_v:g} V)",
        f"joining window ±{1000 * window.half_width_v:.1f} mV"
        + (f" around {window.center_v:.3f} V" if window.center_v is not None else ""),
        f"joining limit {limits.charge_limit_a:g} A"
        if limits.charge_limit_a
        else f"joining limit {limits.join_limit_c:g} C",
        f"stop from {limits.join_stop_ratio:g} × that",
        f"capacity at least {limits.min_capacity_fraction:.0%} of rated"
        + (f" {limits.rated_mah:g} mAh" if limits.rated_mah else " where rated is given"),
        f"resistance at most {limits.max_ir_ratio:g} × the median of its kind"
        + (f" and {limits.max_ir_mohm:g} mΩ" if limits.max_ir_mohm else ""),
        f"outliers from {limits.outlier_k:g} robust standard deviations",
        f"mass at most {limits.mass_loss_fraction:.0%} under its lot",
        f"one capacity reading repeats within {limits.repeatability_fraction:.2%}",
    ]
    return ", ".join(parts)


def section(title: str, texts: Iterable[str], most: int | None = None) -> list[str]:
    """Return a titled list as lines for the terminal, with a blank line behind; nothing for no texts."""
    texts = list(texts)
    if not texts:
        return []
    left_out = len(texts) - most if most is not None else 0
    shown = texts[:most] if left_out > 1 else texts
    if left_out > 1:
        shown = [*shown, f"… and {left_out} more, all in report.html"]
    lines: list[str] = []
    for i, text in enumerate(shown):
        head = f"{title:<9} " if i == 0 else " " * 10
        lines += textwrap.wrap(
            text,
            WIDTH,
            initial_indent=head,
            subsequent_indent=" " * 12,
            break_long_words=False,
            break_on_hyphens=False,
        )
    return [*lines, ""]


def pack_words(plan: Plan) -> str:
    """Return voltage, capacity, energy and resistance of the pack in one line."""
    p = plan.prediction
    words = (
        f"{p.nominal_v:.1f} V nominal ({p.end_v:.1f} V empty, {p.full_v:.1f} V full), {p.capacity_mah / 1000:.2f} Ah, "
        f"{p.energy_wh:.0f} Wh"
    )
    if p.ir_mohm is None:
        return words + ", resistance not known"
    return words + f", {p.ir_mohm:.0f} mΩ ({p.ir_method or 'method unknown'}, links left out)"


def _load_words(plan: Plan) -> list[str]:
    load = plan.prediction.load
    if load is None:
        return []
    (least_h, most_h), (least_ah, most_ah) = load.hours, load.usable_ah
    words = (
        f"{load.case.words}: {least_ah:.2f} to {most_ah:.2f} Ah in {60 * least_h:.0f} to {60 * most_h:.0f} min from "
        f"full, ended by group {load.ended_group}; drop at load-on {load.sag_v[0]:.1f} to {load.sag_v[1]:.1f} V; "
        f"hottest cell {load.hottest_cell} {load.rise_k[0]:.0f} to {load.rise_k[1]:.0f} K over its surroundings"
    )
    return [words, *load.findings]


def grouping_words(plan: Plan) -> list[str]:
    """Return how good the grouping is, how sure that is, and what the tester could have seen of it."""
    g, p = plan.grouping, plan.prediction
    weakest = f"weakest group {p.weakest_group} holds {g.weakest_mah:.1f} mAh"
    spread = f"spread {g.spread_mah:.1f} mAh"
    words = []
    for text, bound, proven, better in (
        (weakest, g.weakest_bound_mah, g.weakest_proven, "more"),
        (spread, g.bound_mah, g.proven, "less"),
    ):
        if proven:
            words.append(f"{text}: proven, no grouping {'of these cells ' if better == 'more' else ''}gives {better}")
        else:
            go_on = f"; go on with --seconds {10 * max(plan.settings['seconds'], 1):.0f}" if g.more_may_help else ""
            words.append(f"{text}: best found, bound {bound:.1f} mAh{go_on}")
    words.append(
        f"two groups closer than {g.floor_mah:.0f} mAh can't be told apart with this tester (floor; one group is known "
        f"to ±{g.group_uncertainty_mah:.0f} mAh)"
        + (": a better match could not be measured" if g.spread_mah < g.floor_mah else "")
    )
    gain = (g.weakest_mah - p.random_capacity_mah) / p.random_capacity_mah
    words.append(
        f"grouped at random, these cells would give about {p.random_capacity_mah / 1000:.2f} Ah "
        f"({gain:+.1%} by matching)"
    )
    words.append(g.search_words)
    return words


def _remark_words(plan: Plan) -> list[str]:
    counts = [f"{name} {n}" for name, n in plan.screening.remark_counts.items() if name != "joining window"]
    return [f"{', '.join(counts)}: each in report.html"] if counts else []
