"""What all tests share: the optional folder of studies, instances and open data."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

PROJECT = Path(__file__).resolve().parents[1]


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Mark notebooks as slow: each starts a kernel of its own."""
    for item in items:
        if item.path.suffix == ".ipynb":
            item.add_marker("slow")


@pytest.fixture(scope="session")
def project() -> Path:
    """Return the checkout's top folder."""
    return PROJECT


@pytest.fixture(scope="session")
def shared() -> Path:
    """Return the optional folder with instances and open data, or skip, saying so."""
    folder = Path(os.environ.get("CELLMATCH_SHARED", PROJECT.parent / "shared"))
    if not folder.is_dir():
        pytest.skip("the optional folder with instances and open data is not here (CELLMATCH_SHARED)")
    return folder
