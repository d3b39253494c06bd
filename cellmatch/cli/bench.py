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
@click.argument("readings", nargs=-1, required=True, metavar="READINGS…", type=click.Path(path_type=Path))
def inspect(folder: Path, readings: tuple[Path, ...]) -> int:
    """Hold bench readings against the plan in DIR: what fits, what does not, what to read next.

    READINGS are CSV files with the columns kind, target, value, unit, load_a, taken_at, step, as the bench sheet saves
    them. What was found is added to the record.
    """
    from cellmatch.bench.inspection import inspect_pack
    from cellmatch.cells.readings import read_readings
    from cellmatch.output.findings import findings_text, history_entry
    from cellmatch.output.folder import change_plan

    found = [reading for path in readings for reading in read_readings(path)]
    now = datetime.now(UTC)
    findings: list[Finding] = []

    def with_findings(plan: Plan) -> Plan:
        from dataclasses import replace

        findings[:] = inspect_pack(plan, found)
        return replace(plan, history=(*plan.history, history_entry(found, findings, now)))

    change_plan(folder, with_findings)
    click.echo(findings_text(findings))
    return EXIT_STOP if any(finding.stop for finding in findings) else 0


@click.command()
@click.argument("folder", metavar="DIR", type=click.Path(path_type=Path))
@click.option("--cell", required=True, metavar="ID", help="The cell that leaves: dented, missing, failing.")
@click.option("--reason", metavar="WORDS", help="Why it leaves; with it the change is made and kept in the record.")
@click.option("--joined", multiple=True, metavar="ID", help="A cell that is joined already and stays; repeat per cell.")
@click.option("--cell-v", multiple=True, type=float, metavar="NUMBER", help="V. The cell that comes in, read now.")
@click.option("--group-v", multiple=True, type=float, metavar="NUMBER", help="V. The group it joins, read now.")
def replace(
    folder: Path,
    cell: str,
    reason: str | None,
    joined: tuple[str, ...],
    cell_v: tuple[float, ...],
    group_v: tuple[float, ...],
) -> int:
    """Find the least change that mends the plan in DIR when a cell can't be used; with --reason, make it.

    Joining a new cell is judged by what it and its group read now (--cell-v and --group-v, once for each move in the
    order told), never by the record.
    """
    from cellmatch.bench.replace import joining_of_move, replace_cell, replaced_plan
    from cellmatch.output.folder import change_plan
    from cellmatch.output.record import read_plan

    if len(cell_v) != len(group_v):
        raise ArgumentInvalid(Problem("--cell-v and --group-v", "give both, read now, once for each move, or none"))
    plan = read_plan(folder)
    change = replace_cell(plan, cell, joined=joined)
    if len(cell_v) not in (0, len(change.moves)):
        right = f"give both, read now, once for each of {len(change.moves)} moves, or none"
        raise ArgumentInvalid(Problem("--cell-v and --group-v", f"{right}. {change.words}"))
    click.echo(change.words)
    stop = False
    for move, now_v, others_v in zip(change.moves, cell_v, group_v, strict=False):
        joining = joining_of_move(plan, change, move, cell_v=now_v, group_v=others_v)
        click.echo(f"Joining   {move.cell} to group {move.to_group}: {joining.verdict.upper()}: {joining.why}")
        stop = stop or joining.verdict == "stop"
    if not cell_v:
        for text in change.read_now:
            click.echo(f"Read now  {text}")
    if reason is None:
        click.echo(f"Nothing was changed. To make the change: --reason WORDS (the record in {folder} keeps it)")
    elif not stop:
        when = datetime.now(UTC).isoformat(timespec="seconds")
        change_plan(
            folder,
            lambda now: replaced_plan(now, replace_cell(now, cell, joined=joined), when=when, reason=reason),
        )
        click.echo(f"Written   {folder}: the change stands in the record and on all papers")
    else:
        click.echo("Nothing was changed: a joining stop is opened by new readings only")
    return EXIT_STOP if stop else 0
