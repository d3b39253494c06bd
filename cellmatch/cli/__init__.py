"""The command line. Each command imports what it needs when it runs, so that --help answers at once."""

from __future__ import annotations

import signal
import sys
from collections.abc import Sequence

import click

from cellmatch.cli.bench import inspect, replace
from cellmatch.cli.jobs import jobs
from cellmatch.cli.measuring import measure
from cellmatch.cli.page import page
from cellmatch.cli.planning import papers, plan, sample, screen
from cellmatch.cli.sizing import size
from cellmatch.errors import CellmatchError

EXIT_INTERRUPTED = 130


def main() -> None:
    """Run the command line and end the process with its exit code."""
    sys.exit(run())


def run(arguments: Sequence[str] | None = None) -> int:
    """Run one command; the only place where errors become exit codes.

    Parameters
    ----------
    arguments : sequence of str, optional
        Like ``["plan", "tray.csv", "10s3p", "--out", "job"]``; default: those of the process.

    Returns
    -------
    int
        0 done, 1 the job can't be done or must stop, 2 input that can't be used, 130 interrupted.
    """
    try:
        result = cli.main(args=arguments, standalone_mode=False, prog_name="cellmatch")
    except CellmatchError as error:
        for problem in error.problems:
            click.echo(f"cellmatch: {problem}", err=True)
        return error.exit_code
    except click.ClickException as error:
        error.show()
        return 2
    except (KeyboardInterrupt, click.Abort):
        click.echo("cellmatch: interrupted, nothing was kept", err=True)
        return EXIT_INTERRUPTED
    except BrokenPipeError:
        # the reader of our output has gone: nothing more to tell it
        sys.stderr.close()
        return 0
    return result if isinstance(result, int) else 0


@click.group(context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 110})
@click.option(
    "--version",
    is_flag=True,
    help="Show the version and end.",
    is_eager=True,
    expose_value=False,
    callback=lambda c, p, v: _show_version(c, v),
)
@click.pass_context
def cli(context: click.Context) -> None:
    """From a cell tester's file to a battery pack plan.

    Which cells may be used, which belong together, where each one sits, and whether it is safe to join them.
    """
    if context.invoked_subcommand != "plan":
        # what is written is cleared away on the way out; plan does the same once it has read its files
        signal.signal(signal.SIGINT, signal.default_int_handler)


def _show_version(context: click.Context, wanted: bool) -> None:
    if wanted:
        from cellmatch import __version__

        click.echo(__version__)
        context.exit()


for command in (plan, screen, measure, size, inspect, replace, papers, jobs, sample, page):
    cli.add_command(command)
