"""Findings of an inspection: as text for a person, and as an entry of the record's history."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from datetime import datetime
from typing import Any

from cellmatch.bench.findings import Finding
from cellmatch.cells.readings import BenchReading
from cellmatch.output.summary import WIDTH
from cellmatch.plain import to_plain


def findings_text(findings: Sequence[Finding]) -> str:
    """Return the findings, most dangerous first, each with its evidence and the next reading."""
    lines: list[str] = []
    for finding in findings:
        head = "STOP      " if finding.stop else "Finding   " if finding.is_fault else "Note      "
        sure = f" ({finding.sure})" if finding.is_fault else ""
        lines += _wrapped(f"{finding.target}: {finding.words}{sure}", head)
        lines += [line for text in finding.evidence for line in _wrapped(text, "  read    ")]
        if finding.next_measurement:
            lines += _wrapped(finding.next_measurement, "  next    ")
    return "\n".join(lines)


def history_entry(readings: Sequence[BenchReading], findings: Sequence[Finding], when: datetime) -> dict[str, Any]:
    """Return what the record keeps of an inspection: every reading, every finding."""
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
        "reason": "",
    }


def _wrapped(text: str, head: str) -> list[str]:
    return textwrap.wrap(text, WIDTH, initial_indent=head, subsequent_indent=" " * 12, break_on_hyphens=False)
