"""What `plan` is asked for: the options of the search, the job they make, and several packs from one tray."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from cellmatch.cli.options import accepted_from, pairs, typed_limits
from cellmatch.errors import ArgumentInvalid, Problem
from cellmatch.pack.aims import AIMS, UNEQUAL
from cellmatch.pack.spec import Pack

if TYPE_CHECKING:
    from cellmatch.pack.job import Job


def with_search(command: Callable[..., Any]) -> Callable[..., Any]:
    """Give a command the options of the search."""
    for option in (
        click.option("--seed", type=click.IntRange(min=0), metavar="NUMBER", help="Of the random parts.  [default: 0]"),
        click.option(
            "--reproducible", is_flag=True, help="Count work instead of seconds: the same groups on every machine."
        ),
        click.option(
            "--floor-is-enough",
            is_flag=True,
            help="End the search once the spread is below the floor: no better match could be measured.",
        ),
        click.option(
            "--seconds", type=click.FloatRange(min=0), metavar="NUMBER", help="s. Longest search.  [default: 3]"
        ),
        click.option(
            "--pack-capacity-ah",
            type=click.FloatRange(min=0, min_open=True),
            metavar="NUMBER",
            help="Ah. With --packs max: what the weakest group of every pack is to hold.",
        ),
        click.option(
            "--packs",
            metavar="NUMBER",
            help="Packs from this tray, or max: as many as reach --pack-capacity-ah. Each gets a folder DIR/pack_1 …; "
            "spread counts inside a pack, the spares are shared.",
        ),
        click.option(
            "--unequal",
            type=click.Choice(UNEQUAL),
            help="Groups of unequal size: each holds its share by size, or all hold the same sum.  [default: share]",
        ),
        click.option(
            "--parallel-of",
            multiple=True,
            metavar="GROUP=CELLS",
            help="A group with another number of cells in parallel, like 3=4; repeat per group.",
        ),
        click.option(
            "--rule",
            "rules",
            multiple=True,
            metavar="RULE",
            help="What the groups must keep: 'pin CELL=GROUP', 'out CELL', 'apart CELL,CELL', one-lot, lots-even, "
            "'ir-range MOHM' or 'ocv-range MV' inside a group; repeat for several.",
        ),
        click.option(
            "--spend-uncertainty",
            multiple=True,
            type=click.Choice([aim for aim in AIMS if aim in ("conductance", "range")]),
            help="Let group capacities differ by the group uncertainty, which can't be measured anyway, for this aim.",
        ),
        click.option(
            "--aim",
            "aims",
            multiple=True,
            type=click.Choice(AIMS),
            help="What the grouping looks for, most important first; repeat for several.",
        ),
    ):
        command = option(command)
    return command


def job_from(pack: str, options: Mapping[str, Any]) -> Job:
    """Return the job that PACK stands for, with what was typed in place of what its file says."""
    from cellmatch.pack.holder import Holder
    from cellmatch.pack.job import job_of, overlay

    job = job_of(pack)
    if options["parallel_of"]:
        job = replace(job, pack=resized(job.pack, options["parallel_of"]))
    if options["holder"] is not None:
        shape = Holder.parse(options["holder"])
        job = replace(
            job, holder=replace(job.holder, shape=shape.shape, brick=shape.brick, own_places=shape.own_places)
        )
    typed = {name: options[name] for name in ("cell_size", "pitch_mm", "link_type", "contact_a")}
    load = options["current"], options["power"]
    if load != (None, None):
        # one of the two was typed: the file's load, of either kind, gives way
        job = replace(job, current_a=None, power_w=None)
    return overlay(
        job,
        typed_limits(options),
        {name: value for name, value in typed.items() if value is not None},
        chemistry=options["chemistry"],
        current_a=options["current"],
        power_w=options["power"],
        peak_a=options["peak"],
        cell_a=options["cell_current"],
        cell_peak_a=options["cell_peak"],
        link_mohm=options["link_mohm"],
        load_uf=options["load_uf"],
        heat_placement=False if options["no_heat_placement"] else None,
        **search_from(options),
        accept=accepted_from(options) or None,
    )


def search_from(options: Mapping[str, Any]) -> dict[str, Any]:
    """Return the fields of a job that the options of the search give, None for what was not typed."""
    names = ("aims", "spend_uncertainty", "rules", "unequal", "floor_is_enough", "reproducible")
    chosen = {name: options[name] or None for name in names}
    return {**chosen, "seconds": options["seconds"], "seed": options["seed"]}


def resized(pack: Pack, texts: Sequence[str]) -> Pack:
    """Return the pack with some groups of another size, as --parallel-of says.

    Raises
    ------
    ArgumentInvalid
        Not GROUP=CELLS in whole numbers, or no such group.

    Examples
    --------
    >>> str(resized(Pack(3, 4), ["2=5"]))
    '3s(4+5+4)p'
    """
    sizes = list(pack.group_sizes)
    for group, cells in pairs(texts, "--parallel-of", "GROUP=CELLS").items():
        if not (group.isdecimal() and cells.isdecimal() and 1 <= int(group) <= pack.series and int(cells) >= 1):
            right = f"write it as GROUP=CELLS: a group of 1 to {pack.series}, and at least 1 cell"
            raise ArgumentInvalid(Problem(f"--parallel-of {group}={cells}", right))
        sizes[int(group) - 1] = int(cells)
    return Pack(pack.series, tuple(sizes) if len(set(sizes)) > 1 else sizes[0])


def require_packs(options: Mapping[str, Any]) -> None:
    """Raise ArgumentInvalid where --packs and --pack-capacity-ah don't go together, before anything is read."""
    packs, capacity_ah = options["packs"], options["pack_capacity_ah"]
    if packs is not None:
        number_of_packs(packs)
    if (packs == "max") != (capacity_ah is not None):
        raise ArgumentInvalid(Problem("--packs max", "goes with --pack-capacity-ah, and the other way round"))


def number_of_packs(text: str) -> int | str:
    """Return how many packs are wanted, or max.

    Raises
    ------
    ArgumentInvalid
        Neither a whole number from 1 nor max.
    """
    if text == "max":
        return text
    if text.isdecimal() and int(text) >= 1:
        return int(text)
    raise ArgumentInvalid(Problem(f"--packs {text}", "a whole number of at least 1, or max, is needed"))


def run_packs(
    asked: Mapping[str, Any],
    options: Mapping[str, Any],
    out: Path,
    *,
    new_plan: bool,
    papers: Sequence[str],
    as_json: bool,
    quiet: bool,
) -> None:
    """Plan several packs, write their folders, and say what came out."""
    from cellmatch.output.packs import packs_summary, write_packs
    from cellmatch.packs import plan_packs

    capacity_ah = options["pack_capacity_ah"]
    plans = plan_packs(
        **{name: value for name, value in asked.items() if name != "unequal"},
        packs=number_of_packs(options["packs"]),
        pack_capacity_mah=None if capacity_ah is None else 1000 * capacity_ah,
    )
    folders = write_packs(plans, out, new_plan=new_plan, papers=papers)
    if as_json:
        records = ",\n".join((folder / "plan.json").read_text(encoding="utf-8") for folder in folders)
        click.echo(f'{{"packs": [\n{records}\n]}}')
    elif quiet:
        click.echo("\n".join(f"pack {number}: {plan.verdict}" for number, plan in enumerate(plans, start=1)))
    else:
        click.echo(packs_summary(plans))
        click.echo(
            f"Written   {out}: packs.csv, and in each of pack_1 to pack_{len(plans)}: plan.json, {', '.join(papers)}"
        )
        click.echo("Next      open the report.html of each pack; a spare used in one pack is no spare of the others")
