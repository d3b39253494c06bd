"""The README tells the truth: its commands, its tables, its output."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from cellmatch import plan_pack, read_cells
from cellmatch.cells.table import COLUMNS
from cellmatch.output.folder import PAPERS
from cellmatch.output.summary import plan_summary
from cellmatch.pack.limits import LIMIT_WORDS, option_name

KEPT_BY_THE_READER = {"source", "problems"}


@pytest.fixture(scope="module")
def readme(project: Path) -> str:
    return (project / "README.md").read_text(encoding="utf-8")


def table_rows(readme: str, heading: str) -> list[list[str]]:
    """Return the cells of the table under a heading row."""
    block = readme[readme.index(heading) :].split("\n\n")[0]
    return [[cell.strip() for cell in line.strip("|").split("|")] for line in block.splitlines()[2:]]


def test_set_up_commands_are_single_lines(readme: str) -> None:
    blocks = re.findall(r"```sh\n(.*?)\n```", readme, flags=re.S)
    assert "cellmatch plan sample_data/dock_cart.csv 13s4p --out dock_cart_plan" in blocks[0]
    assert "pytest" in blocks[1]
    assert all("\n" not in block for block in blocks[:2])


def test_the_job_comes_first(readme: str) -> None:
    first = readme.split("\n\n")[1]
    assert first.startswith("You have a tray of loose lithium-ion cells")


def test_every_limit_is_in_its_table(readme: str) -> None:
    expected = [[f"`{option_name(name)}`", *words] for name, words in LIMIT_WORDS.items()]
    assert table_rows(readme, "| option | meaning | default |") == expected


def test_every_column_is_in_its_table(readme: str) -> None:
    expected = [
        [f"`{c.name}`", c.meaning, "yes" if c.required else ""]
        for c in COLUMNS
        if c.stage == "read" and c.name not in KEPT_BY_THE_READER
    ]
    assert table_rows(readme, "| column | meaning | required |") == expected


def test_every_paper_is_named(readme: str) -> None:
    named = {row[0].strip("`") for row in table_rows(readme, "| file in `--out DIR` | what it holds |")}
    assert named == {"plan.json", *PAPERS}


def test_the_output_shown_is_the_output(readme: str, project: Path) -> None:
    plan = plan_pack(read_cells(project / "sample_data" / "dock_cart.csv"), "13s4p")
    shown = re.search(r"```text\n(.*?)\n```", readme, flags=re.S)
    assert shown is not None

    def sections(text: str) -> dict[str, str]:
        return {part.split()[0]: part.strip() for part in text.strip().split("\n\n")}

    is_so, is_shown = sections(plan_summary(plan)), sections(shown[1])
    assert list(is_so) == list(is_shown)
    # a slow machine may end the search elsewhere, with other cells in a group
    found_by_searching = {"Verdict", "Groups"}
    for title in is_so.keys() - found_by_searching:
        assert is_so[title] == is_shown[title]


def test_pictures_are_there(readme: str, project: Path) -> None:
    pictures = re.findall(r"!\[[^\]]*\]\(([^)]+)\)", readme)
    assert pictures
    assert all((project / picture).is_file() for picture in pictures)
