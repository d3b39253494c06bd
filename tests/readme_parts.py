"""The parts of the README that are made, not written: tables from the code, and what the commands really print.

    python tests/readme_parts.py --write      write them anew

A part stands between ``<!-- table: NAME -->`` or ``<!-- console: COMMAND -->`` and ``<!-- end -->``. Commands run in
their order in one folder that holds a copy of sample_data/, so a later one may use what an earlier one wrote.
"""

from __future__ import annotations

import contextlib
import io
import json
import re
import shlex
import shutil
import sys
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path

import click

from cellmatch import cli
from cellmatch.cells.readings import KINDS
from cellmatch.cells.table import COLUMNS
from cellmatch.pack.job_keys import JOB_KEYS
from cellmatch.pack.limits import LIMIT_WORDS, option_name

PROJECT = Path(__file__).resolve().parents[1]
README = PROJECT / "README.md"
PART = re.compile(r"<!-- (table|console): (.+?) -->\n(.*?)<!-- end -->", flags=re.S)
KEPT_BY_THE_READER = {"source", "problems"}
EXIT = "exit code"


def _table(heading: tuple[str, ...], rows: Iterator[tuple[str, ...]]) -> str:
    lines = [heading, ("---",) * len(heading), *rows]
    return "".join("| " + " | ".join(cell.replace("|", "\\|") for cell in line) + " |\n" for line in lines)


def _columns() -> str:
    shown = (c for c in COLUMNS if c.stage == "read" and c.name not in KEPT_BY_THE_READER)
    return _table(
        ("column", "meaning", "required"), ((f"`{c.name}`", c.meaning, "yes" if c.required else "") for c in shown)
    )


def _limits() -> str:
    return _table(
        ("option", "meaning", "default"), ((f"`{option_name(name)}`", *told[:2]) for name, told in LIMIT_WORDS.items())
    )


def _job_keys() -> str:
    return _table(("key", "meaning", "default"), ((f"`[{k.table}] {k.name}`", k.meaning, k.default) for k in JOB_KEYS))


def _kinds_of_reading() -> str:
    return _table(("kind", "what is read"), ((f"`{kind}`", words) for kind, words in KINDS.items()))


def _record() -> str:
    schema = json.loads((PROJECT / "cellmatch" / "output" / "plan.schema.json").read_text(encoding="utf-8"))
    return _table(
        ("key", "what it holds"), ((f"`{k}`", v.get("description", "")) for k, v in schema["properties"].items())
    )


def _options(command: str) -> str:
    """Return the options of a command; where all limits are among them, without these: they have their own table."""
    context = click.Context(cli.cli.commands[command])
    shown = [option for option in cli.cli.commands[command].params if isinstance(option, click.Option)]
    limits = {option_name(name) for name in LIMIT_WORDS}
    if limits <= {name for option in shown for name in option.opts}:
        shown = [option for option in shown if not limits & set(option.opts)]
    records = (option.get_help_record(context) for option in shown)
    rows = ((f"`{record[0]}`", " ".join(record[1].split())) for record in records if record is not None)
    return _table(("option", "what it does"), rows)


def _commands() -> str:
    return _table(
        ("command", "what it does"),
        ((f"`cellmatch {name}`", (c.help or "").split("\n\n")[0]) for name, c in cli.cli.commands.items()),
    )


TABLES: dict[str, Callable[[], str]] = {
    "columns": _columns,
    "limits": _limits,
    "job keys": _job_keys,
    "kinds of reading": _kinds_of_reading,
    "record": _record,
    "commands": _commands,
    **{f"options of {name}": lambda name=name: _options(name) for name in cli.cli.commands},  # type: ignore[misc]
}


def _console(command: str) -> str:
    out = io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(out):
        code = cli.run(shlex.split(command)[1:])
    ended = f"({EXIT} {code})\n" if code else ""
    return f"```console\n$ {command}\n{out.getvalue().rstrip()}\n{ended}```\n"


def made_anew(readme: str) -> str:
    """Return the README with every made part made again."""

    def part(found: re.Match[str]) -> str:
        kind, name = found[1], found[2]
        text = TABLES[name]() if kind == "table" else _console(name)
        return f"<!-- {kind}: {name} -->\n{text}<!-- end -->"

    with tempfile.TemporaryDirectory() as folder, contextlib.chdir(folder):
        shutil.copytree(PROJECT / "sample_data", "sample_data")
        return PART.sub(part, readme)


if __name__ == "__main__":
    text = README.read_text(encoding="utf-8")
    if sys.argv[1:] == ["--write"]:
        README.write_text(made_anew(text), encoding="utf-8")
    else:
        print(__doc__)
