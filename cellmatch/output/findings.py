"""What the bench is told, findings and changes: as text for a person, and as an entry of the record's history."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from datetime import datetime
from typing import Any

from cellmatch.bench.findings import Finding
from cellmatch.bench.mending import HONEST, Mending
from cellmatch.bench.visible import Check
from cellmatch.cells.readings import BenchReading
from cellmatch.output.summary import WIDTH
from cellmatch.plain import to_plain


def findings_text(findings: Sequence[Finding]) -> str:
    """Return the findings, most dangerous first, each with its evidence and the next reading.

    Explanations that the readings can't tell apart stand together, joined by "or", above what they share.
    """
    lines: list[str] = []
    for i, finding in enumerate(findings):
        is_other = i > 0 and _shares(findings[i - 1], finding)
        head = "or" if is_other else "STOP" if finding.stop else "Finding" if finding.is_fault else "Note"
        lines += labelled(f"{finding.words}{f' ({finding.sure})' if finding.is_fault else ''}", head)
        if i + 1 < len(findings) and _shares(finding, findings[i + 1]):
            continue
        for k, text in enumerate(finding.evidence):
            lines += labelled(text, "Read" if k == 0 else "")
        if finding.next_measurement:
            lines += labelled(finding.next_measurement, "Next")
    return "\n".join(lines)


def checks_text(checks: Sequence[Check]) -> str:
    """Return what each check of a built pack needs, for somebody who has not measured yet."""
    lines: list[str] = []
    for check in checks:
        lines += labelled(check.name, "Check")
        lines += labelled(check.how, "Read")
        lines += labelled(check.needs, "Needs")
        lines += labelled(check.shows, "Shows")
    return "\n".join(lines)


def mending_text(mending: Mending, assumptions: Sequence[str]) -> str:
    """Return which cells mend an old pack, what that is worth, and what comes before joining them."""
    lines = [*labelled(mending.words, "Cells"), *labelled(HONEST, "Caution")]
    if mending.level_to_v is not None:
        first = (
            f"bring each of the cells to {mending.level_to_v:.3f} V, where the other groups rest, let them rest, and "
        )
        lines += labelled(first + "read them and every group again before anything is joined", "Next")
    for k, text in enumerate(assumptions):
        lines += labelled(text, "Assumed" if k == 0 else "")
    return "\n".join(lines)


def history_entry(readings: Sequence[BenchReading], findings: Sequence[Finding], when: datetime) -> dict[str, Any]:
    """Return what the record keeps of an inspection: every reading, every written reason, every finding."""
    return {
        "what": "inspected",
        "when": when.isoformat(timespec="seconds"),
        "before": None,
        "after": {
            "readings": [
                {**to_plain(r), "taken_at": None if r.taken_at is None else r.taken_at.isoformat()} for r in readings
            ],
            "findings": to_plain(tuple(findings)),
        },
        "reason": "; ".join(f"step {r.step}, {r.kind} {r.target}: {r.reason}" for r in readings if r.reason),
    }


def _shares(one: Finding, other: Finding) -> bool:
    """Say whether two findings are explanations of one event."""
    return f"{other.kind} {other.target}" in one.tied_with


def labelled(text: str, head: str) -> list[str]:
    """Return a text behind its label, wrapped as on every screen of the command line."""
    return textwrap.wrap(
        text,
        WIDTH,
        initial_indent=f"{head:<9} ",
        subsequent_indent=" " * 12,
        break_long_words=False,
        break_on_hyphens=False,
    )
