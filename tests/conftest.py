"""What all tests share: the optional folder of studies, instances and open data."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

if TYPE_CHECKING:
    from playwright.sync_api import Browser

PROJECT = Path(__file__).resolve().parents[1]
FLAGS = (
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
)
NO_BROWSER = "NO CHROMIUM ON THIS MACHINE: THE BROWSER TESTS DID NOT RUN (install it, or name it in CELLMATCH_CHROMIUM)"


def chromium() -> str | None:
    """Return where the browser lies; None where there is none."""
    return os.environ.get("CELLMATCH_CHROMIUM") or shutil.which("chromium") or shutil.which("chromium-browser")


def no_browser_allowed() -> bool:
    """Tell whether tests may go without a browser: CI says that they may not."""
    return chromium() is None and not os.environ.get("CELLMATCH_NEEDS_BROWSER")


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


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    """Return a headless browser; without one skip, saying so loudly, or fail where there has to be one."""
    if no_browser_allowed():
        pytest.skip(NO_BROWSER)
    path = chromium()
    if path is None:
        pytest.fail(NO_BROWSER)
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        one = playwright.chromium.launch(executable_path=path, args=list(FLAGS))
        yield one
        one.close()
