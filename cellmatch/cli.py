"""The command line. Each command imports what it needs when it runs, so that --help answers at once."""

from __future__ import annotations

import sys
from collections.abc import Callable
from dataclasses import fields
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from cellmatch.errors import ArgumentInvalid, CellmatchError, Problem
from cellmatch.pack.limits import LIMIT_WORDS, Limits, option_name

if TYPE_CHECKING:
    from cellmatch.cells.table import CellTable

EXIT_INTERRUPTED = 130


def main() -> None:
    """Run the command line; the only place where errors become exit codes."""
    try:
        result = cli.main(standalone_mode=False, prog_name="cellmatch")
        code = result if isinstance(result, int) else 0
    except CellmatchError as error:
        for problem in error.problems:
            click.echo(f"cellmatch: {problem}", err=True)
        code = error.exit_code
    except click.ClickException as error:
        error.show()
        code = 2
    except (KeyboardInterrupt, click.Abort):
        click.echo("cellmatch: interrupted, nothing was kept", err=True)
        code = EXIT_INTERRUPTED
    except BrokenPipeError:
        # the reader of our output has gone: nothing more to tell it
        sys.stderr.close()
        code = 0
    sys.exit(code)


@click.group(context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 110})
@click.option(
    "--version",
    is_flag=True,
    help="Show the version and end.",
    is_eager=True,
    expose_value=False,
    callback=lambda c, p, v: _show_version(c, v),
)
def cli() -> None:
    """From a cell tester's file to a battery pack plan.

    Which cells may be used, which belong together, where each one sits, and whether it is safe to join them.
    """


def _show_version(context: click.Context, wanted: bool) -> None:
    if wanted:
        from cellmatch import __version__

        click.echo(__version__)
        context.exit()


def _with_limits(command: Callable[..., Any]) -> Callable[..., Any]:
    """Give a command one option per limit."""
    for limit in reversed(fields(Limits)):
        words, default = LIMIT_WORDS[limit.name]
        name = option_name(limit.name)
        text = f"{words}.  [default: {default}]"
        option = (
            click.option(name, is_flag=True, help=text)
            if limit.name == "salvaged"
            else click.option(name, type=float, default=None, help=text, metavar="NUMBER")
        )
        command = option(command)
    return command


def _with_reading(command: Callable[..., Any]) -> Callable[..., Any]:
    """Give a command the options that say what a file means."""
    for option in (
        click.option(
            "--strict", is_flag=True, help="Stop at any reading that can't be read, instead of leaving its cell out."
        ),
        click.option(
            "--repeats",
            type=click.Choice(["median", "newest", "refuse"]),
            default="median",
            show_default=True,
            help="What to do with several readings of one cell.",
        ),
        click.option("--encoding", help="Text encoding of the files, like gbk."),
        click.option("--decimal", type=click.Choice([".", ","]), help="Decimal sign of the files."),
        click.option("--units", metavar="NAME=UNIT,…", help="Units of columns, like capacity_mah=Ah."),
        click.option("--columns", metavar="NAME=HEADER,…", help="Which column is what, like ocv_v=U,capacity_mah=4."),
        click.option(
            "--chemistry",
            metavar="NAME",
            help="nmc, nca, lco, lmo, lfp, lto, or a TOML file.  [default: nmc, and said]",
        ),
        click.option(
            "--accept",
            metavar="CELL=REASON",
            multiple=True,
            help="Let a rejected cell in, with a written reason; it stays marked for ever. Repeat per cell.",
        ),
    ):
        command = option(command)
    return command


@cli.command()
@click.argument("cells", nargs=-1, required=True, metavar="CELLS…", type=click.Path(path_type=Path))
@click.argument("pack")
@click.option("--out", required=True, type=click.Path(path_type=Path), metavar="DIR", help="Folder for the results.")
@click.option(
    "--aim",
    "aims",
    multiple=True,
    type=click.Choice(["weakest", "spread", "conductance", "range"]),
    help="What the grouping looks for, most important first; repeat for several.",
)
@click.option("--seconds", type=click.FloatRange(min=0), default=3.0, show_default=True, help="Longest search.")
@click.option("--seed", type=int, default=0, show_default=True, help="Seed of the random parts.")
@click.option("--cell-size", default="18650", show_default=True, help="Cell by its designation, like 18650 or 21700.")
@click.option("--pitch-mm", type=float, help="Centre to centre of neighbours in the holder.  [default: diameter + 2]")
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
@click.option("--json", "as_json", is_flag=True, help="Print the record on standard output and nothing else.")
@click.option("--quiet", is_flag=True, help="Print the verdict only.")
@_with_reading
@_with_limits
def plan(
    cells: tuple[Path, ...],
    pack: str,
    out: Path,
    aims: tuple[str, ...],
    seconds: float,
    seed: int,
    cell_size: str,
    pitch_mm: float | None,
    link_type: str | None,
    new_plan: bool,
    as_json: bool,
    quiet: bool,
    chemistry: str | None,
    accept: tuple[str, ...],
    columns: str | None,
    units: str | None,
    decimal: str | None,
    encoding: str | None,
    repeats: str,
    strict: bool,
    **limits: Any,
) -> None:
    """Make a pack plan from one or several tester files: the main job.

    Reads the cells, screens them, groups them into PACK (groups in series, then cells in parallel, like 10s3p),
    gives every cell its position, predicts the pack, and writes all papers into DIR.
    """
    from cellmatch.pack.holder import Holder
    from cellmatch.pack.spec import Pack

    shape = Pack.parse(pack)
    chosen = _limits(limits)
    reasons = _pairs(accept, "--accept", "CELL=REASON")
    holder = Holder(cell_size=cell_size, pitch_mm=pitch_mm, link_type=link_type)

    from cellmatch.output.folder import check_writable, write_plan

    check_writable(out)
    table = _read(cells, columns, units, decimal, encoding, repeats, strict)

    from cellmatch.plan import plan_pack

    with ProgressLine(enabled=not (quiet or as_json)) as progress:
        made = plan_pack(
            table,
            shape,
            limits=chosen,
            chemistry=chemistry,
            accept=reasons,
            holder=holder,
            aims=aims or None,
            seed=seed,
            seconds=seconds,
            progress=progress.show,
        )
        folder = write_plan(made, out, new_plan=new_plan)
    if as_json:
        click.echo((folder / "plan.json").read_text(encoding="utf-8"))
    elif quiet:
        click.echo(made.verdict)
    else:
        from cellmatch.output.folder import PAPERS
        from cellmatch.output.summary import plan_summary

        click.echo(plan_summary(made))
        click.echo(f"Written   {folder}: plan.json, {', '.join(PAPERS)}")


@cli.command()
@click.argument("cells", nargs=-1, required=True, metavar="CELLS…", type=click.Path(path_type=Path))
@click.option(
    "--out",
    type=click.Path(path_type=Path, dir_okay=False),
    metavar="FILE",
    help="Write the judged table as CSV.",
)
@_with_reading
@_with_limits
def screen(
    cells: tuple[Path, ...],
    out: Path | None,
    chemistry: str | None,
    accept: tuple[str, ...],
    columns: str | None,
    units: str | None,
    decimal: str | None,
    encoding: str | None,
    repeats: str,
    strict: bool,
    **limits: Any,
) -> None:
    """Read and judge the cells only: verdicts and the reject list."""
    from dataclasses import replace

    chosen = _limits(limits)
    reasons = _pairs(accept, "--accept", "CELL=REASON")
    table = _read(cells, columns, units, decimal, encoding, repeats, strict)

    from cellmatch.cells.screening import screen_cells
    from cellmatch.output.summary import screening_summary
    from cellmatch.prediction import joining_window_mv

    window_mv, words = joining_window_mv(table, None, chosen)
    screened = screen_cells(table, replace(chosen, join_window_mv=window_mv), chemistry=chemistry, accept=reasons)
    click.echo(screening_summary(screened))
    click.echo(f"Assumed   {words}; any number in parallel")
    if out is not None:
        from cellmatch.output.folder import write_whole
        from cellmatch.output.tables import table_csv

        write_whole(out, table_csv(screened))
        click.echo(f"Written   {out}")


@cli.command()
@click.argument("folder", metavar="DIR", type=click.Path(path_type=Path))
def papers(folder: Path) -> None:
    """Write all papers again from the record in DIR."""
    from cellmatch.output.folder import PAPERS, write_plan
    from cellmatch.output.record import read_plan

    write_plan(read_plan(folder), folder, same_plan=True)
    click.echo(f"Written   {folder}: plan.json, {', '.join(PAPERS)}")


@cli.command()
@click.argument("folder", metavar="DIR", type=click.Path(path_type=Path))
def sample(folder: Path) -> None:
    """Copy the sample data that the package carries into DIR."""
    from cellmatch.output.samples import copy_samples

    names = copy_samples(folder)
    click.echo(f"Written   {folder}: {', '.join(names)}")


def _read(
    paths: tuple[Path, ...],
    columns: str | None,
    units: str | None,
    decimal: str | None,
    encoding: str | None,
    repeats: str,
    strict: bool,
) -> CellTable:
    """Read the files; show what was understood on standard error."""
    column_map = _pairs(columns.split(",") if columns else (), "--columns", "NAME=HEADER,…")
    unit_map = _pairs(units.split(",") if units else (), "--units", "NAME=UNIT,…")

    from cellmatch.cells.files import read_cells

    return read_cells(
        *paths,
        columns=column_map or None,
        units=unit_map or None,
        decimal=decimal,
        encoding=encoding,
        repeats=repeats,
        strict=strict,
    )


def _limits(given: dict[str, Any]) -> Limits:
    return Limits(**{name: value for name, value in given.items() if value is not None})


def _pairs(texts: tuple[str, ...] | list[str], option: str, form: str) -> dict[str, str]:
    """Read NAME=VALUE texts.

    Raises
    ------
    ArgumentInvalid
        A text without "=".
    """
    pairs = {}
    for text in texts:
        name, sign, value = text.partition("=")
        if not sign or not name:
            raise ArgumentInvalid(Problem(f"{option} {text}", f"write it as {form}"))
        pairs[name.strip() if option != "--accept" else name] = value.strip()
    return pairs


class ProgressLine:
    """One line on the terminal that says how the search goes; silent where no person watches."""

    def __init__(self, enabled: bool) -> None:
        self._shown = enabled and sys.stderr.isatty()
        self._last = ""

    def __enter__(self) -> ProgressLine:
        return self

    def show(self, best_spread_mah: float, bound_mah: float, floor_mah: float, stage: str) -> None:
        """Show the best spread so far, its bound, and the floor of the measurement [mAh]."""
        line = f"{stage}: spread {best_spread_mah:.1f} mAh, bound {bound_mah:.1f}, floor {floor_mah:.0f}"
        if self._shown and line != self._last:
            click.echo(f"\r\x1b[K{line}  (Ctrl-C keeps the best so far)", nl=False, err=True)
            self._last = line

    def __exit__(self, *error: object) -> None:
        if self._last:
            click.echo("\r\x1b[K", nl=False, err=True)
