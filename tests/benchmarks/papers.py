"""How long each paper of a plan takes and how large it is, against the standard library writing the same plan as JSON.

Run it from the checkout: ``python -m tests.benchmarks.papers [--quick]``. It prints a table; nothing is asserted.
``json.dumps`` of the record, indented, is the least that any tool does which writes a plan down; every ratio is of one
run on one machine, in processor time. The libraries are loaded before: the first line says what that takes. The PDF of
the papers has a second measure: the tables alone of the same plan with matplotlib's own ``PdfPages``, a text a value.
"""

from __future__ import annotations

import argparse
import io
import json
import time
from collections.abc import Callable

import numpy as np
from matplotlib.backends.backend_pdf import PdfPages
from matplotlib.figure import Figure

from cellmatch import Plan, plan_pack
from cellmatch.cells.table import CellTable, cell_table
from cellmatch.output.folder import ALL_PAPERS
from cellmatch.output.record import plan_to_json
from cellmatch.output.sheets import sheets_of
from cellmatch.prediction import LoadCase

SIZES = (("13s4p", 60, 10.0), ("14s8p", 130, 40.0), ("20s50p", 1100, 100.0))
"""Pack, cells of the tray, load [A]."""
MOST_BYTES = {("14s8p", "report.html"): 600_000, ("20s50p", "report.html"): 3_000_000}
"""What a paper must stay under."""
ROWS_A_PAGE = 44


def drawn_tray(cells: int) -> CellTable:
    """Draw a tray of new cells, invented."""
    rng = np.random.default_rng(cells)
    return cell_table(
        {
            "ocv_v": rng.normal(3.60, 0.002, cells).round(4),
            "capacity_mah": rng.normal(2500, 20, cells).round(1),
            "ir_mohm": rng.normal(25, 0.6, cells).round(2),
        },
        ids=[f"A{i:04d}" for i in range(cells)],
    )


def cpu_s(make: Callable[[], object], runs: int) -> float:
    """Return the least processor time of some runs [s]."""
    took = []
    for _ in range(runs):
        began = time.process_time()
        make()
        took.append(time.process_time() - began)
    return min(took)


def tables_by_matplotlib(plan: Plan) -> bytes:
    """Write the tables of the papers with matplotlib's own PDF: a text a value, nothing measured or broken."""
    content = io.BytesIO()
    with PdfPages(content) as pdf:
        for sheet in sheets_of(plan):
            for first in range(0, len(sheet.rows), ROWS_A_PAGE):
                figure = Figure(figsize=(8.27, 11.69))
                for down, row in enumerate(sheet.rows[first : first + ROWS_A_PAGE], start=1):
                    for across, value in enumerate(row):
                        at = 0.05 + 0.9 * across / len(row), 1 - down / (ROWS_A_PAGE + 1)
                        figure.text(*at, value, fontsize=8, parse_math=False)
                pdf.savefig(figure)
    return content.getvalue()


def show(plan: Plan, pack: str, runs: int) -> None:
    """Print a line for each paper of a plan."""
    record = plan_to_json(plan, {})
    least = cpu_s(lambda: json.dumps(record, indent=1), runs)
    size = len(json.dumps(record, indent=1).encode())
    print(f"{pack + ': json.dumps of the record':<36}{1000 * least:>9.0f}{'1':>8}{size / 1000:>9.0f}")
    for name, make in ALL_PAPERS.items():
        took = cpu_s(lambda make=make: make(plan), runs)  # type: ignore[misc]
        size = len(make(plan))
        most = MOST_BYTES.get((pack, name))
        limit = f"   under {most / 1000:.0f}: {'yes' if size <= most else 'NO'}" if most else ""
        print(f"{pack + ': ' + name:<36}{1000 * took:>9.0f}{took / least:>8.1f}{size / 1000:>9.0f}{limit}", flush=True)
        if name == "papers.pdf":
            peer = cpu_s(lambda: tables_by_matplotlib(plan), 1)
            size = len(tables_by_matplotlib(plan))
            words = f"{pack}: its tables by PdfPages"
            print(
                f"{words:<36}{1000 * peer:>9.0f}{peer / least:>8.1f}{size / 1000:>9.0f}   {peer / took:.1f} papers.pdf"
            )


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--quick", action="store_true", help="one run each, without the largest pack")
    quick = parser.parse_args().quick
    print(f"{'paper':<36}{'CPU ms':>9}{'ratio':>8}{'kB':>9}")
    small = plan_pack(drawn_tray(10), "3s3p", seconds=0.1)
    first = cpu_s(lambda: [make(small) for make in ALL_PAPERS.values()], 1)
    print(f"{'all papers of 3s3p, loading libraries':<36}{1000 * first:>8.0f}")
    for pack, cells, current_a in SIZES[: 2 if quick else None]:
        plan = plan_pack(drawn_tray(cells), pack, case=LoadCase(current_a=current_a), seconds=0.5)
        _ = plan.assembly  # the build is worked out once, before any paper
        show(plan, pack, 1 if quick else 3)


if __name__ == "__main__":
    main()
