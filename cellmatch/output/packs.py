"""Several packs from one tray: a whole result folder each, and one table of them all."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from pathlib import Path

from cellmatch.errors import FileUnusable, FolderNotWritable, Problem
from cellmatch.output.folder import write_plan, write_whole
from cellmatch.output.record import RECORD_NAME, read_plan
from cellmatch.output.summary import limits_words, section
from cellmatch.output.tables import csv_bytes
from cellmatch.plan import Plan

PACKS_NAME = "packs.csv"


def write_packs(
    plans: Sequence[Plan], folder: str | Path, *, new_plan: bool = False, papers: Collection[str] | None = None
) -> list[Path]:
    """Write a folder for each pack, ``pack_1`` and so on, and the table of them all last.

    Parameters
    ----------
    plans : sequence of Plan
    folder : path
    new_plan, papers
        As for :func:`cellmatch.write_plan`.

    Returns
    -------
    list of Path
        The packs' folders.

    Raises
    ------
    FolderNotWritable
        A folder can't be written, holds a record with history and `new_plan` is False, or there are folders of
        more packs from an earlier plan, which would not fit.
    """
    target = Path(folder)
    folders = [target / f"pack_{number}" for number in range(1, len(plans) + 1)]
    left = sorted(p.name for p in target.glob("pack_*") if (p / RECORD_NAME).exists() and p not in folders)
    if left or (target / RECORD_NAME).exists():
        found = ", ".join(left) or RECORD_NAME
        raise FolderNotWritable(Problem(str(target), f"holds {found} of another plan; give another folder"))
    held = [path for path in folders if not new_plan and _has_history(path)]
    if held:
        raise FolderNotWritable(
            Problem(str(held[0]), "holds a plan with readings or changes; give another folder, or --new-plan")
        )
    for plan, path in zip(plans, folders, strict=True):
        write_plan(plan, path, new_plan=new_plan, papers=papers)
    write_whole(target / PACKS_NAME, packs_csv(plans))
    return folders


def _has_history(path: Path) -> bool:
    try:
        return bool(read_plan(path).history)
    except FileUnusable:
        return False


def packs_csv(plans: Sequence[Plan]) -> bytes:
    """Return the packs side by side, a row a pack."""
    header = ("pack", "verdict", "capacity_mah", "spread_mah", "proven", "energy_wh", "ir_mohm", "cells")
    rows = (
        (
            number,
            plan.verdict,
            plan.prediction.capacity_mah,
            plan.grouping.spread_mah,
            plan.grouping.proven,
            plan.prediction.energy_wh,
            plan.prediction.ir_mohm,
            plan.pack.places,
        )
        for number, plan in enumerate(plans, start=1)
    )
    return csv_bytes(header, rows)


def packs_summary(plans: Sequence[Plan]) -> str:
    """Return what matters of all packs on one screen."""
    first = plans[0]
    spares, files = len(first.grouping.spares), ", ".join(f.name for f in first.reading.files) or "readings at hand"
    used = sum(plan.pack.places for plan in plans)
    rejects = len(first.with_status("reject"))
    lines = [
        f"{len(plans)} × {first.pack} from {files}: {used} cells used, {spares} spare, {rejects} rejected",
        "",
        f"{'pack':>4}  {'verdict':<12}{'Ah':>8}{'spread mAh':>12}{'Wh':>8}{'mΩ':>8}",
    ]
    for number, plan in enumerate(plans, start=1):
        p, g = plan.prediction, plan.grouping
        resistance = "–" if p.ir_mohm is None else f"{p.ir_mohm:.0f}"
        proven = "" if g.proven else f"  bound {g.bound_mah:.1f}"
        lines.append(
            f"{number:>4}  {plan.verdict:<12}{p.capacity_mah / 1000:>8.3f}{g.spread_mah:>12.1f}"
            f"{p.energy_wh:>8.0f}{resistance:>8}{proven}"
        )
    g = first.grouping
    worst = max(plan.grouping.spread_mah for plan in plans)
    return "\n".join(
        [
            *lines,
            "",
            *section(
                "Groups",
                [
                    f"spread inside the worst pack {worst:.1f} mAh; two groups closer than {g.floor_mah:.0f} mAh "
                    "can't be told apart with this tester (floor)",
                    g.search_words,
                ],
            ),
            *section("Limits", [limits_words(first.screening)]),
            *section("Assumed", first.assumptions),
        ]
    )
