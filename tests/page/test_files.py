"""The files the page hands out: what is carried is what it claims to be, and nothing needs what the policy forbids."""

from __future__ import annotations

import hashlib
import re
from pathlib import Path

import pytest

from cellmatch.page.app import ROUTES
from cellmatch.page.web import STEPS


@pytest.fixture(scope="module")
def page(project: Path) -> Path:
    return project / "cellmatch" / "page"


def test_what_is_carried_is_unchanged_and_brings_its_licence(page: Path) -> None:
    told = (page / "static" / "htmx.SOURCE").read_text()
    content = (page / "static" / "htmx.min.js").read_bytes()
    assert hashlib.sha256(content).hexdigest() in told
    assert "Zero-Clause BSD" in (page / "static" / "htmx.LICENSE").read_text()


def test_the_stylesheet_is_whole(page: Path) -> None:
    depth = 0
    for number, line in enumerate((page / "static" / "page.css").read_text().splitlines(), start=1):
        depth += line.count("{") - line.count("}")
        assert depth >= 0, f"line {number}: {line}"
    assert depth == 0


def test_nothing_needs_inline_script_style_or_evaluation(page: Path) -> None:
    for path in (page / "templates").glob("*.html"):
        text = path.read_text()
        assert not re.search(r"\sstyle=|<style|\son[a-z]+=|hx-on|js:|javascript:", text), path.name
        assert not re.search(r"<script(?![^>]*\bsrc=)", text), path.name
        assert not re.search(r'"(?:https?:)?//', text), path.name
    script = (page / "static" / "page.js").read_text()
    assert not re.search(r"\beval\(|new Function|innerHTML|insertAdjacentHTML|https?://", script)


def test_only_trusted_drawings_are_put_in_unescaped(page: Path) -> None:
    # each of these is drawn by our own functions, which escape what they write
    drawn = {
        "charts[column]", "svg", "line", "history", "face.svg", "b.head", "b.rows[loop.index0]", "here.drawing", "code",
        '"<b>"', '"</b>"',
    }  # fmt: skip
    found = {
        expression.strip()
        for path in (page / "templates").glob("*.html")
        for expression in re.findall(r"{{\s*([^{}|]+?)\s*\|\s*safe", path.read_text())
    }
    assert found <= drawn


def test_every_step_has_its_route() -> None:
    shown = {path for method, path, _ in ROUTES if method == "GET"}
    assert {f"/job/{{job}}/{step}" for step, _ in STEPS} <= shown
