"""Step 8: everything to take along: the papers, the record, the job's diary."""

from __future__ import annotations

import io
import json
import zipfile
from typing import Any

from starlette.responses import Response

from cellmatch.errors import ArgumentInvalid, Problem
from cellmatch.page.groups_step import plan_or_none
from cellmatch.page.jobs import RECORD_NAME, JobFolder
from cellmatch.page.plans import is_stale
from cellmatch.page.web import Ask, part, step_page, to_step

WORDS = {
    "report.html": "the report: verdict, groups, map of both faces, rejects with every reason, limits",
    "bench.html": "the bench sheet: one file for a phone or tablet, one step a screen, works without a network",
    "papers.html": "bench papers to print: kit, hazards, pick lists, checks, sense leads, first charge",
    "papers.pdf": "the bench papers as PDF",
    "labels.html": "labels with codes",
    "labels.pdf": "labels as PDF",
    RECORD_NAME: "the record: readings, limits, groups, positions, steps, history, with a checksum of every paper",
    "cells.csv": "every cell with all that was found out about it",
    "positions.csv": "where each cell sits, and which end is up",
    "groups.csv": "the groups with their sums and cells",
    "balance.png": "picture: groups, and cells before and after screening",
    "pack.toml": "what was asked for, to ask again on the command line",
}
"""What each paper is for, the most wanted first; others are listed under their name."""
ALWAYS = (RECORD_NAME, "pack.toml")
KINDS = {
    "html": "text/html; charset=utf-8",
    "csv": "text/csv; charset=utf-8",
    "json": "application/json",
    "png": "image/png",
    "pdf": "application/pdf",
    "toml": "text/plain; charset=utf-8",
}


def show(ask: Ask) -> Response:
    """List what can be taken along."""
    folder = ask.job_folder
    job = folder.read()
    view = plan_or_none(ask, folder)
    return step_page(
        ask, "papers", job, view=view, stale=view is not None and is_stale(folder, job, view), **_listed(ask)
    )


def listing(ask: Ask) -> Response:
    """List the papers again, while they are being written."""
    return part("papers_list.html", folder=ask.job_folder, **_listed(ask))


def pdfs(ask: Ask) -> Response:
    """Write the PDFs as well."""
    ask.site.press.soon(ask.job_folder, 0.0, pdf=True)
    return to_step(ask.job_folder, "papers")


def download(ask: Ask) -> Response:
    """Hand one paper out, as a file to keep."""
    name = ask.request.path_params["name"]
    if name not in names_of(ask.job_folder):
        raise ArgumentInvalid(Problem("papers", "there is no such paper; take one from the list"))
    return _file(name, (ask.job_folder.path / name).read_bytes())


def everything(ask: Ask) -> Response:
    """Hand all papers out in one archive."""
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as archive:
        for name in names_of(ask.job_folder):
            archive.write(ask.job_folder.path / name, f"{ask.job_folder.name}/{name}")
    return _file("papers.zip", packed.getvalue())


def names_of(folder: JobFolder) -> list[str]:
    """Return the names of the papers that are there, by the record's own list."""
    record = folder.read_json(RECORD_NAME)
    if record is None:
        return []
    told = [str(file["file"]) for file in record.get("files", [])]
    names = [n for n in (*told, *ALWAYS) if "/" not in n and "\\" not in n and (folder.path / n).is_file()]
    order = list(WORDS)
    return sorted(set(names), key=lambda n: (order.index(n) if n in order else len(order), n))


def _listed(ask: Ask) -> dict[str, Any]:
    folder = ask.job_folder
    return {
        "papers": [
            {"name": name, "words": WORDS.get(name, ""), "size": (folder.path / name).stat().st_size}
            for name in names_of(folder)
        ],
        "busy": ask.site.press.busy(folder),
        "failed": ask.site.press.failed(folder),
        "pdf": any(name.endswith(".pdf") for name in names_of(folder)),
    }


def _file(name: str, content: bytes) -> Response:
    kind = KINDS.get(name.rsplit(".", 1)[-1], "application/octet-stream")
    told = json.dumps(name.encode("ascii", "replace").decode())
    return Response(content, media_type=kind, headers={"content-disposition": f"attachment; filename={told}"})
