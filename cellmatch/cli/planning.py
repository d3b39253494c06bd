"""The main job on the command line: plan, screen, papers, sample."""

from __future__ import annotations

import signal
from collections.abc import Callable
from pathlib import Path
from typing import Any

import click

from cellmatch.cli.options import (
    accepted_from,
    limits_from,
    read_tables,
    with_limits,
    with_reading,
    with_self_discharge,
)
from cellmatch.cli.progress import ProgressLine
from cellmatch.cli.searching import job_from, require_packs, run_packs, with_search

DEFAULT_SECONDS = 3.0
PAPER_OPTIONS = ("labels", "sheet", "pdf", "page")


def with_paper(command: Callable[..., Any]) -> Callable[..., Any]:
    """Add the options for papers beyond the usual ones, and for their size."""
    from cellmatch.output.label_sheets import LABEL_SHEETS, PAGES_MM

    sizes = ", ".join(f"{s.columns} × {s.rows} of {s.width_mm:g} × {s.height_mm:g} mm" for s in LABEL_SHEETS.values())
    for option in (
        click.option(
            "--page", type=click.Choice(list(PAGES_MM)), default="A4", help="Paper of the PDF.  [default: A4]"
        ),
        click.option("--pdf", is_flag=True, help="Write the bench papers and the labels as PDF as well."),
        click.option(
            "--label-sheet",
            "sheet",
            type=click.Choice(list(LABEL_SHEETS)),
            help=f"Write labels for this sheet: {sizes}.  [default: the first; on letter the last]",
        ),
        click.option("--labels", is_flag=True, help="Write label sheets as well."),
    ):
        command = option(command)
    return command


@click.command()
@click.argument("cells", nargs=-1, required=True, metavar="CELLS…", type=click.Path(path_type=Path))
@click.argument("pack")
@click.option("--out", required=True, type=click.Path(path_type=Path), metavar="DIR", help="Folder for the results.")
@with_search
@click.option("--current", type=float, metavar="NUMBER", help="A. Continuous current of the load.")
@click.option("--peak", type=float, metavar="NUMBER", help="A. Current of the load for seconds.")
@click.option("--power", type=float, metavar="NUMBER", help="W. Continuous power of the load, instead of --current.")
@click.option("--cell-current", type=float, metavar="NUMBER", help="A. Continuous limit of one cell, by its maker.")
@click.option("--cell-peak", type=float, metavar="NUMBER", help="A. Limit of one cell for seconds, by its maker.")
@click.option("--load-uf", type=float, metavar="NUMBER", help="µF. Capacitors at the load's input.")
@click.option("--link-mohm", type=float, metavar="NUMBER", help="mohm. One link with its joints.  [default: 0.5]")
@click.option(
    "--holder",
    metavar="SHAPE",
    help="straight, offset, 5x8 (rows x columns, folded), strips 5x8, or a map like places.csv.  [default: straight]",
)
@click.option("--cell-size", help="Cell by its designation, like 18650 or 21700.  [default: 18650]")
@click.option(
    "--pitch-mm",
    type=float,
    metavar="NUMBER",
    help="mm. Centre to centre of neighbours in the holder.  [default: diameter + 2]",
)
@click.option("--contact-a", type=float, metavar="NUMBER", help="A. What the holder's contact of one cell may carry.")
@click.option(
    "--link-type",
    type=click.Choice(["bolted", "welded"]),
    help="How links are made.  [default: bolted, and said]",
)
@click.option(
    "--new-plan",
    is_flag=True,
    help="Put a plan in place of one with readings or changes; its record is kept under its date.",
)
@click.option("--no-heat-placement", is_flag=True, help="Place cells by their ids, also where a load is given.")
@with_paper
@click.option("--json", "as_json", is_flag=True, help="Print the record on standard output and nothing else.")
@click.option("--quiet", is_flag=True, help="Print the verdict only.")
@with_self_discharge
@with_reading
@with_limits
def plan(
    cells: tuple[Path, ...],
    pack: str,
    out: Path,
    new_plan: bool,
    as_json: bool,
    quiet: bool,
    **options: Any,
) -> None:
    """Make a pack plan from one or several tester files: the main job.

    Reads the cells, screens them, groups them into PACK (groups in series, then cells in parallel, like 10s3p; or
    a job file like pack.toml), gives every cell its position, predicts the pack, and writes all papers into DIR.
    """
    from cellmatch.output.folder import check_writable, papers_wanted, write_plan

    job = job_from(pack, options)
    require_packs(options)
    check_writable(out)
    names = papers_wanted(**{name: options.pop(name) for name in PAPER_OPTIONS})
    table = read_tables(cells, options)

    from cellmatch.plan import plan_pack
    from cellmatch.prediction.asked import case_of

    signal.signal(signal.SIGINT, signal.default_int_handler)
    with ProgressLine(enabled=not (quiet or as_json)) as progress:
        asked: dict[str, Any] = {
            "cells": table,
            "pack": job.pack,
            "limits": job.limits,
            "chemistry": job.chemistry,
            "accept": job.accept,
            "holder": job.holder,
            "case": case_of(job),
            "heat_placement": job.heat_placement,
            **job.search,
            "seconds": DEFAULT_SECONDS if job.seconds is None else job.seconds,
            "progress": progress.show,
        }
        if options["packs"] is not None:
            run_packs(asked, options, out, new_plan=new_plan, papers=names, as_json=as_json, quiet=quiet)
            return
        made = plan_pack(**asked)
        folder = write_plan(made, out, new_plan=new_plan, papers=names)
    if as_json:
        click.echo((folder / "plan.json").read_text(encoding="utf-8"))
    elif quiet:
        click.echo(made.verdict)
    else:
        from cellmatch.output.summary import plan_summary

        click.echo(plan_summary(made))
        click.echo(f"Written   {folder}: plan.json, {', '.join(names)}")
        click.echo("Next      open report.html, then bench.html for the build; 'cellmatch inspect' checks its readings")


@click.command()
@click.argument("cells", nargs=-1, required=True, metavar="CELLS…", type=click.Path(path_type=Path))
@click.option(
    "--out",
    type=click.Path(path_type=Path, dir_okay=False),
    metavar="FILE",
    help="Write the judged table as CSV.",
)
@with_self_discharge
@with_reading
@with_limits
def screen(
    cells: tuple[Path, ...],
    out: Path | None,
    **options: Any,
) -> None:
    """Read and judge the cells only: verdicts and the reject list."""
    chosen = limits_from(options)
    reasons = accepted_from(options)
    table = read_tables(cells, options)

    from cellmatch.cells.worth.notes import quality_notes
    from cellmatch.output.summary import screening_summary
    from cellmatch.tray import screened_tray

    tray = screened_tray(table, None, limits=chosen, chemistry=options["chemistry"], accept=reasons)
    screened = tray.screened
    notes = quality_notes(
        table, chemistry=tray.chemistry, join_window_mv=tray.window_mv, salvaged=tray.limits.salvaged
    )
    click.echo(screening_summary(screened, tray.assumptions, notes))
    if out is not None:
        from cellmatch.output.folder import write_whole
        from cellmatch.output.tables import table_csv

        write_whole(out, table_csv(screened))
        click.echo(f"\nWritten   {out}")


@click.command()
@click.argument("folder", metavar="DIR", type=click.Path(path_type=Path))
@with_paper
def papers(folder: Path, **options: Any) -> None:
    """Write all papers again from the record in DIR."""
    from cellmatch.output.folder import papers_wanted, rewrite_papers

    names = papers_wanted(**options)
    rewrite_papers(folder, names)
    click.echo(f"Written   {folder}: plan.json, {', '.join(names)}")


@click.command()
@click.argument("folder", metavar="DIR", type=click.Path(path_type=Path))
def sample(folder: Path) -> None:
    """Copy the sample data that the package carries into DIR."""
    from cellmatch.output.samples import copy_samples

    names = copy_samples(folder)
    click.echo(f"Written   {folder}: {', '.join(names)}")
