"""After the plan on the command line: inspect, replace."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

from cellmatch.errors import ArgumentInvalid, Problem

if TYPE_CHECKING:
    from cellmatch.bench.findings import Finding
    from cellmatch.plan import Plan

EXIT_STOP = 1


@click.command()
@click.argument("folder", metavar="DIR", type=click.Path(path_type=Path))
@click.argument("readings", nargs=-1, metavar="[READINGS…]", type=click.Path(path_type=Path))
def inspect(folder: Path, readings: tuple[Path, ...]) -> int:
    """Hold bench readings against the plan in DIR: what fits, what does not, what to read next.

    READINGS are CSV files with the columns kind, target, value, unit, load_a, taken_at, step, reason, as the bench
    sheet saves them. What was found is added to the record. Without READINGS: what each check would need, the load
    or the resolution, before anything is measured.
    """
    from cellmatch.bench.built import built_pack
    from cellmatch.bench.inspection import inspect_pack
    from cellmatch.bench.visible import checks
    from cellmatch.cells.readings import read_readings
    from cellmatch.output.findings import checks_text, findings_text, history_entry
    from cellmatch.output.folder import change_plan
    from cellmatch.output.record import read_plan

    if not readings:
        click.echo(checks_text(checks(built_pack(read_plan(folder)))))
        return 0
    found = [reading for path in readings for reading in read_readings(path)]
    now = datetime.now(UTC)
    findings: list[Finding] = []

    def with_findings(plan: Plan) -> Plan:
        from dataclasses import replace

        findings[:] = inspect_pack(plan, found, now=now)
        return replace(plan, history=(*plan.history, history_entry(found, findings, now)))

    change_plan(folder, with_findings)
    click.echo(findings_text(findings))
    return EXIT_STOP if any(finding.stop for finding in findings) else 0


@click.command()
@click.argument("folder", required=False, metavar="[DIR]", type=click.Path(path_type=Path))
@click.option("--cell", metavar="ID", help="The cell that leaves: dented, missing, failing.")
@click.option("--reason", metavar="WORDS", help="Why it leaves; with it the change is made and kept in the record.")
@click.option("--joined", multiple=True, metavar="ID", help="A cell that is joined already and stays; repeat per cell.")
@click.option("--cell-v", multiple=True, type=float, metavar="NUMBER", help="V. The cell that comes in, read now.")
@click.option("--group-v", multiple=True, type=float, metavar="NUMBER", help="V. The group it joins, read now.")
@click.option(
    "--group-readings",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="An old pack instead of DIR: its groups as they read now, CSV with group, ocv_v, capacity_mah.",
)
@click.option("--tray", type=click.Path(path_type=Path), metavar="FILE", help="Cells at hand for the old pack.")
@click.option("--parallel", type=click.IntRange(min=1), metavar="NUMBER", help="Cells in a group of the old pack.")
@click.option("--chemistry", metavar="NAME", help="Of the old pack's tray.  [default: nmc, and said]")
def replace(
    folder: Path | None,
    cell: str | None,
    reason: str | None,
    joined: tuple[str, ...],
    cell_v: tuple[float, ...],
    group_v: tuple[float, ...],
    group_readings: Path | None,
    tray: Path | None,
    parallel: int | None,
    chemistry: str | None,
) -> int:
    """Find the least change that mends the plan in DIR when a cell can't be used; with --reason, make it.

    Joining a new cell is judged by what it and its group read now (--cell-v and --group-v, once for each move in the
    order told), never by the record.

    For an old pack, --group-readings, --tray and --parallel: which cells of the tray bring its weakest group nearest
    to the others, and what that is worth.
    """
    if group_readings is not None and tray is not None and parallel is not None:
        return _mend(group_readings, tray, parallel, chemistry)
    if group_readings is not None or tray is not None or parallel is not None:
        raise ArgumentInvalid(Problem("old pack", "give all of --group-readings, --tray and --parallel"))
    if folder is None or cell is None:
        what = "give DIR and --cell; or, for an old pack, --group-readings, --tray and --parallel"
        raise ArgumentInvalid(Problem("replace", what))
    return _replace(folder, cell, reason, joined, cell_v, group_v)


def _mend(group_readings: Path, tray: Path, parallel: int, chemistry: str | None) -> int:
    """Say which cells of a tray mend the weak group of an old pack."""
    from cellmatch.bench.mending import mend_from_tray
    from cellmatch.cells.reading.files import read_cells
    from cellmatch.cells.screening.screen import screen_cells
    from cellmatch.output.findings import mending_text

    groups = read_cells(group_readings, columns={"cell_id": "group"})
    screened = screen_cells(read_cells(tray), chemistry=chemistry)
    mending = mend_from_tray(groups, screened, parallel)
    click.echo(mending_text(mending, screened.attrs["screening"].assumptions))
    return 0


def _replace(
    folder: Path,
    cell: str,
    reason: str | None,
    joined: tuple[str, ...],
    cell_v: tuple[float, ...],
    group_v: tuple[float, ...],
) -> int:
    """Say what mends a plan, and make it where a reason is given."""
    from cellmatch.bench.replace import joining_of_move, replace_cell, replaced_plan
    from cellmatch.output.findings import labelled
    from cellmatch.output.folder import change_plan
    from cellmatch.output.record import read_plan

    if len(cell_v) != len(group_v):
        raise ArgumentInvalid(Problem("--cell-v and --group-v", "give both, read now, once for each move, or none"))
    plan = read_plan(folder)
    change = replace_cell(plan, cell, joined=joined)
    if len(cell_v) not in (0, len(change.moves)):
        right = f"give both, read now, once for each of {len(change.moves)} moves, or none"
        raise ArgumentInvalid(Problem("--cell-v and --group-v", f"{right}. {change.words}"))
    lines = labelled(change.words, "Change")
    stop = False
    for move, now_v, others_v in zip(change.moves, cell_v, group_v, strict=False):
        joining = joining_of_move(plan, change, move, cell_v=now_v, group_v=others_v)
        words = f"{move.cell} to group {move.to_group}: {joining.verdict.upper()}: {joining.why}"
        lines += labelled(words, "Joining")
        stop = stop or joining.verdict == "stop"
    for k, text in enumerate(change.read_now if not cell_v else ()):
        lines += labelled(text, "Read now" if k == 0 else "")
    click.echo("\n".join(lines))
    if stop:
        click.echo("Stop      nothing was changed: a joining stop is opened by new readings only")
        return EXIT_STOP
    if reason is None:
        told = f"nothing was changed; --reason WORDS makes the change and keeps it in the record of {folder}"
        click.echo("\n".join(labelled(told, "Next")))
        return 0
    when = datetime.now(UTC).isoformat(timespec="seconds")
    change_plan(
        folder,
        lambda now: replaced_plan(now, replace_cell(now, cell, joined=joined), when=when, reason=reason),
    )
    click.echo(f"Written   {folder}: the change stands in the record and on all papers")
    return 0
