"""Speed and memory of reading, as ratios to a plain all-text read in the same run; and the long run of damaged files.

``python -m tests.benchmarks.reading`` prints the table, ``python -m tests.benchmarks.reading --damaged 20000``
reads so many damaged files after it. Nothing is asserted about the clock.
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import tempfile
import warnings
from collections import Counter
from pathlib import Path
from time import process_time

import numpy as np

PROJECT = Path(__file__).resolve().parents[2]

MEASURED = """
import resource, sys
from time import process_time
import pandas
from cellmatch.cells.reading.files import read_cells
from cellmatch.cells.screening.screen import screen_cells
kind, path = sys.argv[1:]
start = process_time()
if kind == "plain":
    pandas.read_csv(path, dtype=str, keep_default_na=False, sep=";" if path.endswith("comma.csv") else ",")
else:
    cells = read_cells(path)
    if kind == "screened":
        screen_cells(cells)
print(process_time() - start, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6)
"""


def trays(folder: Path, rows: int) -> dict[str, Path]:
    """Write trays of invented cells in several dialects."""
    rng = np.random.default_rng(0)
    ocv, capacity, ir = rng.normal(3.6, 0.004, rows), rng.normal(2900, 50, rows), rng.normal(21, 1.5, rows)
    cells = list(zip(range(rows), ocv, capacity, ir, strict=True))
    plain, fine, comma, twice = (folder / f"{n}.csv" for n in ("plain", "fine", "comma", "twice"))
    head = "cell_id,ocv_v,capacity_mah,ir_mohm"
    plain.write_text(f"{head}\n" + "".join(f"C{i:07d},{v:.3f},{q:.0f},{r:.1f}\n" for i, v, q, r in cells))
    fine.write_text(
        f"{head},lot,note\n"
        + "".join(f"C{i:07d},{v:.7f},{q:.5f},{r:.6f},L{i % 7},\n" for i, v, q, r in cells)
    )
    text = "".join(f"C{i:07d};{v:.3f};{q:,.1f};{r:.1f}\n" for i, v, q, r in cells)
    comma.write_text(head.replace(",", ";") + "\n" + text.translate(str.maketrans(",.", ".,")))
    twice.write_text(
        f"{head}\n" + "".join(f"C{i // 2:07d},{v:.3f},{q:.0f},{r:.1f}\n" for i, v, q, r in cells)
    )
    return {
        "plain, few digits": plain,
        "fine, all different": fine,
        "decimal comma, thousands": comma,
        "every cell twice": twice,
    }


def measured(kind: str, path: Path) -> tuple[float, float]:
    """Return seconds and peak memory [GB] of one read in a process of its own, on one core."""
    command = [sys.executable, "-c", MEASURED, kind, str(path)]
    out = subprocess.run(
        command, cwd=PROJECT, capture_output=True, text=True, check=True, env={"OMP_NUM_THREADS": "1"}
    )
    seconds, memory = map(float, out.stdout.split())
    return seconds, memory


def print_speed(rows: int) -> None:
    """Print a line a dialect: seconds, ratio to the plain read, peak memory."""
    print(
        f"{rows:,} rows          plain read [s]   read_cells [s]  ratio  peak [GB]   and screened [s]  peak [GB]"
    )
    with tempfile.TemporaryDirectory() as folder:
        for name, path in trays(Path(folder), rows).items():
            base, _ = measured("plain", path)
            ours, memory = measured("read", path)
            both, peak = measured("screened", path)
            print(
                f"{name:24} {base:10.2f} {ours:16.2f} {ours / base:8.1f} {memory:9.2f} {both:18.2f} {peak:11.2f}",
                flush=True,
            )


def print_damaged(count: int) -> None:
    """Read damaged copies of all sample files; stop at the first that is not one clear error or a sound table."""
    from tests.cells.mutated import damaged, outcome

    warnings.simplefilter("error")
    folders = (PROJECT / "tests" / "cells" / "cases", PROJECT / "sample_data")
    seeds = [p.read_bytes() for folder in folders for p in sorted(folder.rglob("*.csv"))]
    rng = np.random.default_rng(1)
    seen: Counter[str] = Counter()
    start = process_time()
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "damaged.csv"
        for number in range(count):
            path.write_bytes(damaged(seeds, rng))
            try:
                seen[outcome(path)] += 1
            except Exception:
                print(f"input {number}: {path.read_bytes()!r}")
                raise
    print(
        f"{count:,} damaged files from {len(seeds)} samples in {process_time() - start:.0f} s of CPU: {dict(seen)}"
    )


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rows", type=int, default=1_000_000)
    parser.add_argument("--damaged", type=int, default=0)
    asked = parser.parse_args()
    print_speed(asked.rows)
    if asked.damaged:
        print_damaged(asked.damaged)
