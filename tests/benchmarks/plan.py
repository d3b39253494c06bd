"""The main job from the command line: time and memory by size, against starting the libraries it rests on.

    python tests/benchmarks/plan.py            all sizes, three runs each
    python tests/benchmarks/plan.py --quick    one run each

Each row is one process: `cellmatch plan` with all its papers, or the named alternative. The alternatives do none of the
job: an interpreter that imports the same libraries, and one that imports click, show what no program on this ground can
go below. Processor time is shown beside the clock, since other work on the machine lengthens the clock only.
"""

from __future__ import annotations

import argparse
import os
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import NamedTuple

import numpy as np

LIBRARIES = "import numpy, pandas, scipy.optimize, scipy.stats, ortools.sat.python.cp_model, matplotlib.figure, jinja2"
SIZES = (("10s3p", 30), ("10s3p", 60), ("14s8p", 130), ("14s80p", 1300))


class Cost(NamedTuple):
    """What a process took: clock and processor [s], largest memory [MB]."""

    clock_s: float
    cpu_s: float
    memory_mb: float


def write_tray(path: Path, cells: int) -> Path:
    """Draw a tray of new cells, invented, and write it."""
    rng = np.random.default_rng(cells)
    readings = zip(rng.normal(3.60, 0.002, cells), rng.normal(2500, 20, cells), rng.normal(25, 0.6, cells), strict=True)
    rows = (f"A{i:04d},{v:.4f},{q:.1f},{r:.2f}\n" for i, (v, q, r) in enumerate(readings))
    path.write_text("cell_id,ocv_v,capacity_mah,ir_mohm\n" + "".join(rows), encoding="utf-8")
    return path


def cost_of(*arguments: str) -> Cost:
    """Run one process of this interpreter to its end."""
    started = time.perf_counter()
    process = subprocess.Popen([sys.executable, *arguments], stdout=subprocess.DEVNULL)
    _, status, used = os.wait4(process.pid, 0)
    if status:
        raise SystemExit(f"{' '.join(arguments)} ended with {os.waitstatus_to_exitcode(status)}")
    return Cost(time.perf_counter() - started, used.ru_utime + used.ru_stime, used.ru_maxrss / 1024)


def median_cost(runs: int, *arguments: str) -> Cost:
    """Return the medians over some runs."""
    return Cost(*map(statistics.median, zip(*(cost_of(*arguments) for _ in range(runs)), strict=True)))


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--quick", action="store_true")
    runs = 1 if parser.parse_args().quick else 3
    cost_of("-c", LIBRARIES)  # so that the first row doesn't pay for a cold disk
    print(f"{'process':<40}{'s':>8}{'CPU s':>8}{'MB':>7}{'times the alternative':>24}")

    def show(words: str, cost: Cost, against: Cost | None = None) -> None:
        ratio = f"{cost.clock_s / against.clock_s:>24.2f}" if against else ""
        print(f"{words:<40}{cost.clock_s:>8.2f}{cost.cpu_s:>8.2f}{cost.memory_mb:>7.0f}{ratio}", flush=True)

    bare = median_cost(runs, "-c", "import click")
    show("an interpreter that imports click", bare)
    show("cellmatch --help", median_cost(runs, "-m", "cellmatch", "--help"), bare)
    libraries = median_cost(runs, "-c", LIBRARIES)
    show("an interpreter that imports the libraries", libraries)
    with tempfile.TemporaryDirectory() as folder:
        for pack, cells in SIZES:
            tray = write_tray(Path(folder) / f"{cells}.csv", cells)
            command = ("-m", "cellmatch", "plan", str(tray), pack, "--out", str(Path(folder) / f"{pack} {cells}"))
            show(f"cellmatch plan, {pack} from {cells}", median_cost(runs, *command), libraries)


if __name__ == "__main__":
    main()
