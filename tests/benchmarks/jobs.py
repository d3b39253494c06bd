"""Many trays in one command: time by number of workers, against one command a tray.

    python tests/benchmarks/jobs.py            500 trays of 10s3p from 40 cells, 0.1 s of search each
    python tests/benchmarks/jobs.py --quick     60 trays
    python tests/benchmarks/jobs.py --workers 1,2,4

Every way plans the same trays and writes record and tables. "One command a tray" starts `cellmatch plan` anew for
each of a few trays, with all its papers, and is scaled up.
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import joblib
import numpy as np

from cellmatch.jobs import FAILED, plan_trays
from cellmatch.pack.trays import TrayJob, read_trays

CELLS, PACK = 40, "10s3p"
SINGLE_COMMANDS = 4


def write_trays(folder: Path, count: int) -> Path:
    """Draw trays of new cells and write them with their list; return the list."""
    lines = ["name,file,pack"]
    for number in range(count):
        rng = np.random.default_rng(number)
        readings = zip(
            rng.normal(3.60, 0.002, CELLS), rng.normal(2500, 20, CELLS), rng.normal(25, 0.6, CELLS), strict=True
        )
        rows = (f"A{i:03d},{v:.4f},{q:.1f},{r:.2f}\n" for i, (v, q, r) in enumerate(readings))
        (folder / f"{number}.csv").write_text("cell_id,ocv_v,capacity_mah,ir_mohm\n" + "".join(rows), encoding="utf-8")
        lines.append(f"tray {number},{number}.csv,{PACK}")
    path = folder / "trays.csv"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


def seconds_by_workers(trays: tuple[TrayJob, ...], out: Path, workers: int) -> float:
    """Plan all trays with so many workers, none of them warm; return the time it took."""
    joblib.externals.loky.get_reusable_executor().shutdown(wait=True)
    started = time.perf_counter()
    results = plan_trays(trays, out / f"by {workers}", workers=workers)
    taken = time.perf_counter() - started
    failed = [result.problem for result in results if result.verdict == FAILED]
    if failed:
        raise SystemExit(f"{len(failed)} trays failed: {failed[0]}")
    return taken


def seconds_by_single_commands(folder: Path, out: Path, count: int) -> float:
    """Run one command a tray for a few trays; return the time that all would take."""
    started = time.perf_counter()
    for number in range(SINGLE_COMMANDS):
        command = [sys.executable, "-m", "cellmatch", "plan", str(folder / f"{number}.csv"), PACK]
        command += ["--out", str(out / f"single {number}"), "--seconds", "0.1", "--quiet"]
        subprocess.run(command, check=True, capture_output=True)
    return (time.perf_counter() - started) / SINGLE_COMMANDS * count


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--quick", action="store_true")
    parser.add_argument("--workers", default=",".join(map(str, sorted({1, 2, joblib.cpu_count()}))))
    chosen = parser.parse_args()
    count = 60 if chosen.quick else 500
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        trays = read_trays(write_trays(folder, count))
        print(f"{count} trays of {PACK} from {CELLS} cells, 0.1 s of search each, {joblib.cpu_count()} cores")
        print(f"{'way':<22}{'s':>8}{'s a tray':>10}{'times as fast as one worker':>30}")
        alone: float | None = None
        for workers in map(int, chosen.workers.split(",")):
            taken = seconds_by_workers(trays, folder, workers)
            alone = alone or taken
            print(f"{f'{workers} at a time':<22}{taken:>8.1f}{taken / count:>10.3f}{alone / taken:>30.2f}", flush=True)
        single = seconds_by_single_commands(folder, folder, count)
        ratio = "" if alone is None else f"{alone / single:>30.2f}"
        print(f"{'one command a tray *':<22}{single:>8.1f}{single / count:>10.3f}{ratio}")
        print(f"* scaled up from {SINGLE_COMMANDS} commands")


if __name__ == "__main__":
    main()
