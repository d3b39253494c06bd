"""From logs to a cell table on the command line: measure."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from cellmatch.cli.options import named_choices


@click.command()
@click.argument("logs", nargs=-1, required=True, metavar="LOG…", type=click.Path(path_type=Path))
@click.option(
    "--out",
    required=True,
    type=click.Path(path_type=Path, dir_okay=False),
    metavar="FILE",
    help="The cell table, as CSV.",
)
@click.option(
    "--end-v", type=float, metavar="NUMBER", help="V. Count the capacity down to here.  [default: to the end]"
)
@click.option("--rated-mah", type=float, metavar="NUMBER", help="mAh. Rated capacity of the cells.")
@click.option(
    "--cycle", default="last", show_default=True, help="Which discharge of a cell counts: last, first, or its name."
)
@click.option("--columns", multiple=True, metavar="NAME=HEADER,…", help="Which column is what, like voltage=U,time=1.")
@click.option("--units", multiple=True, metavar="NAME=UNIT,…", help="Units of columns, like current=mA.")
@click.option("--decimal", type=click.Choice([".", ","]), help="Decimal sign of the files.")
@click.option("--encoding", help="Text encoding of the files, like gbk.")
def measure(logs: tuple[Path, ...], out: Path, rated_mah: float | None, **options: Any) -> None:
    """Make a cell table from discharge logs of time, voltage and current."""
    from cellmatch.cells.logs.measure import measure_log
    from cellmatch.output.folder import write_whole
    from cellmatch.output.summary import measuring_summary
    from cellmatch.output.tables import table_csv

    cells = measure_log(
        *logs,
        end_v=options["end_v"],
        rated_ah=None if rated_mah is None else rated_mah / 1000,
        cycle=options["cycle"],
        columns=named_choices(options, "columns"),
        units=named_choices(options, "units"),
        decimal=options["decimal"],
        encoding=options["encoding"],
    )
    write_whole(out, table_csv(cells))
    left_out = sum(map(bool, cells["problems"]))
    click.echo(measuring_summary(cells))
    click.echo(f"\nWritten   {out}: {len(cells)} cells, {left_out} with problems")
