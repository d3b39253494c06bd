"""The local web page on the command line."""

from __future__ import annotations

from pathlib import Path

import click


@click.command()
@click.argument("folder", metavar="[FOLDER]", default="cellmatch_jobs", type=click.Path(path_type=Path))
@click.option(
    "--port",
    type=click.IntRange(1, 65535),
    metavar="NUMBER",
    help="Port on this computer.  [default: the first free from 8765]",
)
@click.option(
    "--bench",
    metavar="ADDRESS",
    help="Let paired phones have the bench pages on this address of your network ('auto' finds it). Plain HTTP.",
)
@click.option("--no-browser", is_flag=True, help="Only print the address.")
def page(folder: Path, port: int | None, bench: str | None, no_browser: bool) -> None:
    """Do the whole job in a browser, on this computer only.

    FOLDER holds the jobs, a folder each, and is made where it isn't there; or it is one job's folder, also one that
    `plan` wrote. Everything is kept in it as it happens.
    """
    from cellmatch.page.server import serve

    serve(folder, port=port, bench=bench, open_browser=not no_browser, say=click.echo)
