"""How long a 50 MB discharge log takes to measure, against reading the same numbers with pandas and with numpy.

Run it from the checkout: ``python -m tests.benchmarks.measuring [megabytes]``. It prints a table; nothing is
asserted. Each way reads the same file; the ratios are of one run on one machine.
"""

from __future__ import annotations

import resource
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd

from cellmatch.cells.logs.measure import measure_log
from tests.cells.logged_cell import Cell, Step, as_csv, simulate

CYCLE = (Step(0.0, 120.0), Step(0.5, 25_000.0, 2.8), Step(0.0, 1800.0), Step(-0.5, 25_000.0, 4.215))


def written(folder: Path, megabytes: float) -> Path:
    """Write a log of as many cycles as the size needs, a row a second."""
    one = as_csv(simulate(Cell(), CYCLE), digits=6)
    cycles = max(1, round(megabytes * 1e6 / len(one)))
    path = folder / "cell.csv"
    path.write_text(as_csv(simulate(Cell(), CYCLE * cycles), digits=6), encoding="utf-8")
    return path


def pandas_trapezoid(path: Path) -> float:
    """Read three columns and integrate: the least that any tool has to do."""
    frame = pd.read_csv(path)
    return float(np.trapezoid(frame["current_a"], frame["time_s"]))


def pandas_as_text(path: Path) -> float:
    """Read every field as text, as a strict reader must, then convert."""
    frame = pd.read_csv(path, dtype=str, keep_default_na=False)
    numbers = {name: pd.to_numeric(frame[name]).to_numpy() for name in frame.columns}
    return float(np.trapezoid(numbers["current_a"], numbers["time_s"]))


def numpy_text(path: Path) -> float:
    """Read with numpy's own text reader."""
    table = np.loadtxt(path, delimiter=",", skiprows=1)
    return float(np.trapezoid(table[:, 2], table[:, 0]))


WAYS: dict[str, Callable[[Path], object]] = {
    "pandas numbers + one trapezoid": pandas_trapezoid,
    "pandas as text + one trapezoid": pandas_as_text,
    "numpy loadtxt + one trapezoid": numpy_text,
    "measure_log, to where the tester stopped": measure_log,
    "measure_log, down to 3.0 V": lambda path: measure_log(path, end_v=3.0),
}


def main(megabytes: float) -> None:
    """Print the table."""
    with tempfile.TemporaryDirectory() as folder:
        path = written(Path(folder), megabytes)
        rows = path.read_bytes().count(b"\n") - 1
        print(f"{path.stat().st_size / 1e6:.1f} MB, {rows} rows")
        print(f"{'way':<44}{'s':>8}{'ratio':>8}{'MB/s':>8}")
        base = 0.0
        for name, way in WAYS.items():
            began = time.process_time()
            way(path)
            seconds = time.process_time() - began
            base = base or seconds
            print(f"{name:<44}{seconds:>8.2f}{seconds / base:>8.1f}{path.stat().st_size / 1e6 / seconds:>8.1f}")
        peak_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1000
        print(f"peak memory of the whole run {peak_mb:.0f} MB")


if __name__ == "__main__":
    main(float(sys.argv[1]) if len(sys.argv) > 1 else 50.0)
