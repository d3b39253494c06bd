"""Many trays on the command line: jobs."""

from __future__ import annotations

import sys
from collections import Counter
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import click

from cellmatch.cli.options import limits_from, reading_from, typed_limits, with_limits, with_reading
from cellmatch.errors import ArgumentInvalid, Problem


@click.command()
@click.argument("trays", metavar="TRAYS", type=click.Path(path_type=Path))
@click.option("--out", required=True, type=click.Path(path_type=Path), metavar="DIR", help="Folder for the results.")
@click.option(
    "--workers",
    type=click.IntRange(min=1),
    metavar="NUMBER",
    help="Trays planned at a time.  [default: as many as there are cores]",
)
@click.option(
    "--scheduler",
    metavar="ADDRESS",
    help="Share out on a running Dask cluster, like tcp://host:8786; all must see DIR.",
)
@click.option("--reports", is_flag=True, help="Write report and picture of each tray too.")
@click.option(
    "--seconds",
    type=click.FloatRange(min=0, min_open=True),
    metavar="NUMBER",
    help="s. Longest search of each tray.  [default: 0.1]",
)
@click.option("--seed", type=click.IntRange(min=0), metavar="NUMBER", help="Seed of the random parts.  [default: 0]")
@click.option(
    "--new-plan", is_flag=True, help="Put plans in place of ones with readings or changes; their records are kept."
)
@click.option("--quiet", is_flag=True, help="Print failed trays only.")
@with_reading
@with_limits
def jobs(
    trays: Path,
    out: Path,
    workers: int | None,
    scheduler: str | None,
    reports: bool,
    seconds: float | None,
    seed: int | None,
    new_plan: bool,
    quiet: bool,
    **options: Any,
) -> None:
    """Plan many trays: a result folder each, and one summary.

    TRAYS is a CSV file with the columns name, file and pack; pack is a shape like 10s3p or a job file like
    pack.toml. What is typed here wins over job files. A tray that fails is a row in DIR/summary.csv; if any did,
    the exit code is 1.
    """
    if options["accept"]:
        raise ArgumentInvalid(Problem("--accept", "belongs to one tray: write it into the [accept] of its job file"))
    from dataclasses import replace

    from cellmatch.pack.job import overlay
    from cellmatch.pack.trays import read_trays

    limits_from(options)  # refuses what can't be meant before any tray is read
    typed = {"chemistry": options["chemistry"], "seconds": seconds, "seed": seed}
    listed = [replace(tray, job=overlay(tray.job, typed_limits(options), {}, **typed)) for tray in read_trays(trays)]

    from cellmatch.jobs import FAILED, plan_trays

    with _backend(scheduler), _Counter(len(listed), enabled=not quiet) as counter:
        results = plan_trays(
            listed,
            out,
            workers=workers,
            reports=reports,
            new_plan=new_plan,
            reading=reading_from(options),
            progress=counter.show,
        )
    failed = [result for result in results if result.verdict == FAILED]
    for result in failed:
        click.echo(f"{result.name}: {result.problem}", err=True)
    if not quiet:
        click.echo(f"{len(results)} trays: {_verdict_words(result.verdict for result in results)}")
        click.echo(f"Written   {out}: summary.csv and a folder for each tray that was planned")
    if failed:
        click.get_current_context().exit(1)


@contextmanager
def _backend(scheduler: str | None) -> Iterator[None]:
    """Let joblib share out on the cluster named, or on this machine."""
    if scheduler is None:
        yield
        return
    try:
        from distributed import Client
    except ImportError as error:
        raise ArgumentInvalid(
            Problem("--scheduler", "needs the extra cluster: pip install 'cellmatch[cluster]'")
        ) from error
    import joblib

    try:
        client = Client(scheduler, timeout="10s")  # type: ignore[no-untyped-call]
    except (OSError, ValueError) as error:
        raise ArgumentInvalid(
            Problem(f"--scheduler {scheduler}", f"no Dask scheduler answers there ({error})")
        ) from error
    with client, joblib.parallel_config(backend="dask"):
        yield


class _Counter:
    """How many trays are done, on one line of the terminal; silent where no person watches."""

    def __init__(self, total: int, enabled: bool) -> None:
        self._total = total
        self._shown = enabled and sys.stderr.isatty()

    def __enter__(self) -> _Counter:
        return self

    def show(self, done: int, failed: int) -> None:
        if self._shown:
            click.echo(f"\r\x1b[K{done} of {self._total} trays, {failed} failed", nl=False, err=True)

    def __exit__(self, *error: object) -> None:
        if self._shown:
            click.echo("\r\x1b[K", nl=False, err=True)


def _verdict_words(verdicts: Iterable[str]) -> str:
    """Count verdicts: "37 go, 2 level first, 1 failed"."""
    from cellmatch.electrics.parallel import VERDICTS
    from cellmatch.jobs import FAILED

    counts = Counter(verdicts)
    return ", ".join(f"{counts[verdict]} {verdict}" for verdict in (*VERDICTS, FAILED) if counts[verdict])
