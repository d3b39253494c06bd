"""The house keeps its order: a folder imports only from below, and one file talks to the exact solver."""

from __future__ import annotations

import ast
from pathlib import Path

# one line a storey, top first; names on one line know nothing of each other
STOREYS = (
    ("__main__",),
    ("cli",),
    ("page",),
    ("jobs",),
    ("output",),
    ("bench", "packs"),
    ("plan", "possible"),
    ("tray",),
    ("prediction",),
    ("build",),
    ("grouping",),
    ("cells", "electrics"),
    ("pack",),
    ("errors", "plain"),
)
# inside cells/: logs are read as tables are; what readings are worth is asked of a table, and so is the screening
FOLDERS_OF_CELLS = (("logs",), ("reading",), ("worth", "screening"))
# a Plan shows itself: what is written about plans lives in output/, and is imported when it is asked for
SHOWS_ITSELF = {
    "plan.py imports cellmatch.output.summary.plan_summary",
    "plan.py imports cellmatch.output.notebook.plan_html",
}
FILES_AT_THE_TOP = ("README.md", "DEVELOPERS.md", "LICENSE", "pyproject.toml")
LEVEL = {name: level for level, names in enumerate(STOREYS) for name in names}


def _imports(path: Path) -> set[str]:
    tree = ast.parse(path.read_text(encoding="utf-8"))
    found: set[str] = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module:
            found |= {f"{node.module}.{alias.name}" for alias in node.names}
    return found


def test_folders_import_only_from_below(project: Path) -> None:
    package = project / "cellmatch"
    wrong = []
    for path in package.rglob("*.py"):
        here = path.relative_to(package).with_suffix("").parts[0]
        if here == "__init__":
            continue
        for name in _imports(path):
            parts = name.split(".")
            if parts[0] != "cellmatch" or len(parts) < 2 or parts[1] not in LEVEL:
                continue
            there = parts[1]
            if there != here and LEVEL[there] <= LEVEL[here]:
                wrong.append(f"{path.relative_to(package)} imports {name}")
    assert set(wrong) == SHOWS_ITSELF


def test_the_folders_of_cells_import_only_from_below(project: Path) -> None:
    cells = project / "cellmatch" / "cells"
    level = {name: level for level, names in enumerate(FOLDERS_OF_CELLS) for name in names}
    assert set(level) == {path.parent.name for path in cells.glob("*/__init__.py")}
    ground = len(FOLDERS_OF_CELLS)  # the modules beside the folders: the table and what everything knows of it
    wrong = []
    for path in cells.rglob("*.py"):
        here = path.relative_to(cells).parts[0]
        for name in _imports(path):
            there = name.removeprefix("cellmatch.cells.").split(".")[0]
            if there != here and there in level and level[there] <= level.get(here, ground):
                wrong.append(f"{path.relative_to(cells)} imports {name}")
    assert wrong == []


def test_every_module_has_a_storey(project: Path) -> None:
    package = project / "cellmatch"
    names = {p.relative_to(package).with_suffix("").parts[0] for p in package.rglob("*.py")}
    assert names - {"__init__", "sample_data"} <= set(LEVEL)


def test_the_exact_solver_is_imported_in_one_file(project: Path) -> None:
    users = [
        str(path.relative_to(project))
        for path in (project / "cellmatch").rglob("*.py")
        if any(name.split(".")[0] == "ortools" for name in _imports(path))
    ]
    assert users == ["cellmatch/grouping/exact.py"]


def test_nothing_else_lies_at_the_top(project: Path) -> None:
    """What commands and tests write belongs in folders of their own, never into the checkout."""
    made_on_purpose = ("dist", "build_env", "__pycache__")
    found = {path.name for path in project.iterdir() if not path.name.startswith(".")}
    found = {name for name in found if not name.endswith(("_plan", ".egg-info"))}.difference(made_on_purpose)
    assert found == {"cellmatch", "notebooks", "sample_data", "tests", *FILES_AT_THE_TOP}
