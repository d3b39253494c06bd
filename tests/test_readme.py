"""The README tells the truth: its commands, its tables, its output, its examples."""

from __future__ import annotations

import contextlib
import re
import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest

from cellmatch.cli import cli
from cellmatch.output.folder import PAPERS
from tests.readme_parts import PART, made_anew


@pytest.fixture(scope="module")
def readme(project: Path) -> str:
    return (project / "README.md").read_text(encoding="utf-8")


@pytest.fixture(scope="module")
def made(readme: str) -> dict[tuple[str, str], str]:
    """Return every made part of the README as it would be written now."""
    return {(kind, name): text for kind, name, text in PART.findall(made_anew(readme))}


def shown(readme: str) -> dict[tuple[str, str], str]:
    return {(kind, name): text for kind, name, text in PART.findall(readme)}


def fences(readme: str, language: str) -> Iterator[str]:
    yield from re.findall(rf"```{language}\n(.*?)\n```", readme, flags=re.S)


def settled(text: str) -> str:
    """Leave out what differs from run to run: the seconds of a search."""
    return re.sub(r"ended after [\d.]+ s", "ended after a while", text)


def test_set_up_commands_are_single_lines(readme: str) -> None:
    main, tests = list(fences(readme, "sh"))[:2]
    assert "cellmatch plan sample_data/dock_cart.csv 13s4p --out dock_cart_plan" in main
    assert "pytest" in tests
    assert "\n" not in main + tests


def test_the_job_comes_first(readme: str) -> None:
    first = readme.split("\n\n")[1]
    assert first.startswith("You have a tray of loose lithium-ion cells")


def test_every_made_part_is_up_to_date(readme: str, made: dict[tuple[str, str], str]) -> None:
    for part, text in shown(readme).items():
        assert settled(text) == settled(made[part]), f"{part}: run python tests/readme_parts.py --write"


def test_every_table_is_in_it(readme: str) -> None:
    tables = {name for kind, name in shown(readme) if kind == "table"}
    with_options = {f"options of {name}" for name in cli.commands} - {"options of inspect", "options of sample"}
    assert tables >= {"columns", "limits", "job keys", "commands", "record", "kinds of reading", *with_options}


def test_no_command_shown_fails_unless_it_says_so(made: dict[tuple[str, str], str]) -> None:
    consoles = [text for (kind, _), text in made.items() if kind == "console"]
    assert len(consoles) >= 8
    assert not any("(exit code 2)" in text for text in consoles)


def test_every_paper_is_named(readme: str) -> None:
    block = readme[readme.index("| file in `--out DIR` | what it holds |") :].split("\n\n")[0]
    named = {line.split("|")[1].strip().strip("`") for line in block.splitlines()[2:]}
    assert named == {"plan.json", *PAPERS}


def test_the_python_in_it_runs(readme: str, project: Path, tmp_path: Path) -> None:
    shutil.copytree(project / "sample_data", tmp_path / "sample_data")
    with contextlib.chdir(tmp_path):
        for code in fences(readme, "python"):
            exec(compile(code, "README.md", "exec"), {})  # the README is our own
    assert (tmp_path / "cart" / "plan.json").is_file()


def test_other_commands_in_it_have_real_options(readme: str) -> None:
    for line in "\n".join(fences(readme, "sh")).splitlines():
        words = line.split()
        if words[0] == "cellmatch":
            known = {name for option in cli.commands[words[1]].params for name in option.opts}
            assert {word for word in words if word.startswith("--")} <= known


def test_pictures_and_notebooks_are_there(readme: str, project: Path) -> None:
    pictures = re.findall(r"!\[[^\]]*\]\(([^)]+)\)", readme)
    assert pictures
    assert all((project / picture).is_file() for picture in pictures)
    named = set(re.findall(r"\| `(\w+\.ipynb)` \|", readme))
    assert named == {path.name for path in (project / "notebooks").glob("*.ipynb")}
