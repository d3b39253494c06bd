"""Before the plan on the command line: size."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from cellmatch.cli.options import accepted_from, limits_from, read_tables, with_limits, with_reading
from cellmatch.errors import ArgumentInvalid, FolderNotWritable, Problem

if TYPE_CHECKING:
    from cellmatch.cells.table import ScreenedCells
    from cellmatch.pack.limits import Limits
    from cellmatch.pack.needs import CellData, Needs
    from cellmatch.pack.sizing import Sizing
    from cellmatch.pack.spec import Pack

_LOAD: tuple[tuple[str, str, str], ...] = (
    ("--voltage", "voltage_v", "V. Nominal voltage of the load."),
    ("--load-min-v", "least_v", "V. The load switches off below it."),
    ("--load-max-v", "most_v", "V. The load must never see more."),
    ("--capacity-ah", "capacity_ah", "Ah. Capacity wanted."),
    ("--energy-wh", "energy_wh", "Wh. Energy wanted."),
    ("--range-km", "range_km", "km. Range wanted; with --wh-per-km."),
    ("--wh-per-km", "wh_per_km", "Wh/km. Consumption."),
    ("--current", "current_a", "A. Continuous current of the load."),
    ("--peak", "peak_a", "A. Current for seconds."),
    ("--power", "power_w", "W. Continuous power of the load."),
)
_CELL: tuple[tuple[str, str, str], ...] = (
    ("--cell-v", "nominal_v", "V. Nominal voltage of one cell.  [default: by chemistry]"),
    ("--cell-current", "cell_current_a", "A. Continuous limit of one cell."),
    ("--cell-peak", "cell_peak_a", "A. Limit of one cell for seconds."),
    ("--cell-mohm", "ir_mohm", "mohm. DC resistance of one cell."),
    ("--cell-g", "mass_g", "g. Mass of one cell."),
    ("--contact-a", "contact_a", "A. What the contact of one cell may carry."),
)


def _numbers(command: Any) -> Any:
    for name, field, words in reversed(_LOAD + _CELL):
        command = click.option(name, field, type=float, metavar="NUMBER", help=words)(command)
    return command


@click.command()
@click.argument("cells", nargs=-1, metavar="[CELLS…]", type=click.Path(path_type=Path))
@click.option("--pack", metavar="PACK", help="The pack wished for, like 10s3p, held against the tray.")
@_numbers
@click.option(
    "--reject-fraction", type=float, metavar="NUMBER", help="Share of bought cells expected to fail, like 0.05."
)
@click.option(
    "--write",
    type=click.Path(path_type=Path, dir_okay=False),
    metavar="FILE",
    help="Write a job file of the first shape.",
)
@click.option("--json", "as_json", is_flag=True, help="Print everything as JSON and nothing else.")
@with_reading
@with_limits
def size(
    cells: tuple[Path, ...],
    pack: str | None,
    reject_fraction: float | None,
    write: Path | None,
    as_json: bool,
    **options: Any,
) -> None:
    """Find the pack for a load, or what a tray can become.

    From voltage, capacity or energy or range, currents and the data of one cell (--rated-mah): how many groups in
    series, how many cells in parallel, how many to buy. With CELLS the data come from the good cells of the tray,
    and every pack they can become is shown, with what each limit costs.
    """
    from cellmatch.pack.needs import Needs
    from cellmatch.pack.spec import Pack

    limits = limits_from(options)
    wished = None if pack is None else Pack.parse(pack)
    needs = Needs(**{field: options[field] for _, field, _ in _LOAD})
    _refuse_unclear(needs, wished, write, tray=bool(cells))

    screened = _screened(cells, options, limits) if cells else None
    cell = _cell_data(options, limits, screened)
    sizing = _sizing(needs, cell, options, screened, reject_fraction) if _has_voltage(needs) else None
    current_a = needs.current_a if sizing is None else sizing.sizes[0].current_a
    if wished is None and sizing is not None:
        wished = sizing.sizes[0].pack
        if screened is not None and not needs.asks_for_charge:
            # the voltage settles the series; the tray gives as many in parallel as it can
            wished = Pack(wished.series, max(wished.group_sizes[0], _good(screened) // wished.series))
    parts: dict[str, Any] = {"needs": needs, "sizing": sizing}
    if screened is not None:
        parts |= _possible(screened, wished, needs, cell, sizing)
    if as_json:
        _print_json(parts)
    else:
        click.echo("\n\n".join(_texts(parts, screened, wished, current_a)))
    if write is not None and wished is not None:
        _write_job(write, wished, options, limits)
        if not as_json:
            click.echo(f"\nWritten   {write}")


def _refuse_unclear(needs: Needs, wished: Pack | None, write: Path | None, tray: bool) -> None:
    if not tray and not _has_voltage(needs):
        raise ArgumentInvalid(Problem("size", "nothing to go by: give the load's --voltage, or a file of cells"))
    if write is not None and write.exists():
        raise FolderNotWritable(Problem(str(write), "is there already; name another file, or take it away first"))
    if write is not None and wished is None and not _has_voltage(needs):
        raise ArgumentInvalid(Problem("--write", "needs a shape: give --pack, or the load's --voltage"))


def _has_voltage(needs: Needs) -> bool:
    return any(v is not None for v in (needs.voltage_v, needs.least_v, needs.most_v))


def _good(screened: ScreenedCells) -> int:
    return int((screened["status"] == "good").sum())


def _screened(paths: tuple[Path, ...], options: Mapping[str, Any], limits: Limits) -> ScreenedCells:
    table = read_tables(paths, options)

    from cellmatch.cells.screening.screen import screen_cells

    return screen_cells(table, limits, chemistry=options["chemistry"], accept=accepted_from(options))


def _sizing(
    needs: Needs,
    cell: CellData,
    options: Mapping[str, Any],
    screened: ScreenedCells | None,
    reject_fraction: float | None,
) -> Sizing:
    from cellmatch.pack.chemistry import ASSUMED_CHEMISTRY, load_chemistry
    from cellmatch.pack.sizing import size_pack

    if screened is None:
        chemistry = load_chemistry(options["chemistry"] or ASSUMED_CHEMISTRY)
    else:
        chemistry = screened.attrs["screening"].chemistry
    return size_pack(needs, cell, chemistry, reject_fraction=reject_fraction)


def _cell_data(options: Mapping[str, Any], limits: Limits, screened: ScreenedCells | None) -> CellData:
    """Return the cell's data: typed, else the median of the tray's good cells."""
    from cellmatch.pack.needs import CellData

    typed = {name: options[name] for name in ("nominal_v", "contact_a", "mass_g", "ir_mohm")}
    currents = {"current_a": options["cell_current_a"], "peak_a": options["cell_peak_a"]}
    if screened is None:
        if limits.rated_mah is None:
            raise ArgumentInvalid(
                Problem("--rated-mah", "the rated capacity of one cell is needed, or a file of cells")
            )
        return CellData(capacity_mah=limits.rated_mah, **typed, **currents)
    good = screened[screened["status"] == "good"]
    if good.empty:
        from cellmatch.errors import TooFewCells

        raise TooFewCells(Problem("tray", "no good cell; cellmatch screen says why"))
    for column in ("mass_g", "ir_mohm"):
        if typed[column] is None and column in good and good[column].notna().any():
            typed[column] = float(good[column].median())
    return CellData(capacity_mah=float(good["capacity_mah"].median()), **typed, **currents)


def _possible(
    screened: ScreenedCells, wished: Pack | None, needs: Needs, cell: CellData, sizing: Sizing | None
) -> dict[str, Any]:
    from cellmatch.pack.sizing import least_parallel
    from cellmatch.possible import guarded, limit_costs, nearest_packs, possible_packs, without_weakest

    chemistry = screened.attrs["screening"].chemistry
    series = None
    if wished is not None:
        series = sorted({wished.series} | ({s.pack.series for s in sizing.sizes} if sizing else set()))
    options = possible_packs(
        screened, series=series, least_parallel=lambda s: least_parallel(needs, cell, s, chemistry)
    )
    parts: dict[str, Any] = {"options": options}
    if wished is not None:
        parts |= {"nearest": nearest_packs(screened, wished), "without_weakest": without_weakest(screened, wished)}
    return {**parts, "limits": limit_costs(screened, wished), "guarded": guarded(screened)}


def _texts(
    parts: Mapping[str, Any], screened: ScreenedCells | None, wished: Pack | None, current_a: float | None
) -> list[str]:
    from cellmatch.output import choices

    needs, sizing = parts["needs"], parts["sizing"]
    asked = choices.needs_text(needs)
    texts = [f"Asked     {asked}"] if asked else []
    if sizing is not None:
        # with a tray and no charge asked for, the tray says how many in parallel
        full = screened is None or needs.asks_for_charge
        texts.append(choices.sizing_text(sizing) if full else choices.series_text(sizing))
    if screened is None:
        return texts
    from cellmatch.possible import why_uneven

    good = _good(screened)
    texts.append(f"Tray      {len(screened)} cells, {good} good, {len(screened) - good} rejected")
    if parts["options"]:
        texts.append(choices.options_text(parts["options"], current_a))
    else:
        texts.append("Shapes    none: too few good cells, or too few in parallel for the current")
    if wished is not None:
        texts.append(f"{wished!s:<9} {why_uneven(good, wished)}")
    if parts.get("nearest"):
        texts.append(choices.nearest_text(parts["nearest"], current_a))
    steps = parts.get("without_weakest", ())
    if steps:
        texts.append(choices.weakest_text(steps))
    now_mah = steps[0].option.capacity_mah if steps else None
    texts.append(choices.costs_text(parts["limits"], parts["guarded"], now_mah))
    return texts


def _print_json(parts: Mapping[str, Any]) -> None:
    import json

    from cellmatch.plain import to_plain

    click.echo(json.dumps(to_plain(parts), ensure_ascii=False, allow_nan=False, indent=1))


def _write_job(path: Path, wished: Pack, options: Mapping[str, Any], limits: Limits) -> None:
    from cellmatch.output.folder import write_whole
    from cellmatch.pack.holder import Holder
    from cellmatch.pack.job import Job, job_toml

    load = {name: options[name] for name in ("current_a", "peak_a", "power_w")}
    chemistry = options["chemistry"]
    if chemistry is not None and chemistry.endswith(".toml"):
        chemistry = str(Path(chemistry).resolve())  # paths in a job file count from its own folder
    job = Job(
        pack=wished,
        chemistry=chemistry,
        limits=limits,
        holder=Holder(contact_a=options["contact_a"]),
        accept=accepted_from(options),
        **load,
    )
    write_whole(path, job_toml(job).encode("utf-8"))
