"""The local page: first page, memory, a slider move, a large table; ratios against doing it on the command line.

Prints a table; asserts nothing. Wall time hangs on what else the machine does; beside it stands the processor time
that the server itself took (children apart), which doesn't. Run it on a quiet machine::

    python tests/benchmarks/page.py [--quick]
"""

from __future__ import annotations

import argparse
import os
import re
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import httpx2
import numpy as np

Row = tuple[str, str, str, str]


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--quick", action="store_true", help="fewer repetitions")
    repeats = 3 if parser.parse_args().quick else 11
    rows: list[Row] = [("what", "measured", "server's CPU", "against")]
    with tempfile.TemporaryDirectory() as folder:
        root = Path(folder) / "jobs"
        rows += first_page(root, repeats)
        server, client = started(root)
        try:
            rows += plan_of_130(server, client)
            rows += sliders(server, client, repeats)
            rows += swaps(server, client, repeats)
        finally:
            client.close()
            server.terminate()
            server.wait(10)
    widths = [max(len(row[i]) for row in rows) for i in range(4)]
    for row in rows:
        print("  ".join(text.ljust(width) for text, width in zip(row, widths, strict=True)).rstrip())


def started(root: Path) -> tuple[subprocess.Popen[str], httpx2.Client]:
    """Start a server; return it and a visitor that was let in."""
    command = [sys.executable, "-m", "cellmatch", "page", str(root), "--no-browser"]
    server = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
    assert server.stdout is not None
    address = next(m[1] for line in server.stdout if (m := re.search(r"Open\s+(http://\S+)", line)))
    origin = address.split("/?")[0]
    client = httpx2.Client(base_url=origin, headers={"origin": origin}, timeout=120)
    client.get(address.removeprefix(origin))
    return server, client


def cpu_s(pid: int) -> float:
    """Return the processor time a process has taken, its children apart; NaN where that can't be read."""
    try:
        fields = Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()
    except FileNotFoundError:
        return float("nan")
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def first_page(root: Path, repeats: int) -> list[Row]:
    """From the command to the first page, against a bare interpreter that imports pandas."""
    seconds, cpu = [], []
    for _ in range(repeats):
        begun = time.perf_counter()
        server, client = started(root)
        client.get("/").raise_for_status()
        seconds.append(time.perf_counter() - begun)
        cpu.append(cpu_s(server.pid))
        client.close()
        server.terminate()
        server.wait(10)
    alone = []
    for _ in range(repeats):
        begun = time.perf_counter()
        subprocess.run([sys.executable, "-c", "import pandas"], check=True)
        alone.append(time.perf_counter() - begun)
    found, pandas = statistics.median(seconds), statistics.median(alone)
    against = f"{found / pandas:.1f} × importing pandas ({pandas:.2f} s)"
    return [("command to first page", f"{found:.2f} s", f"{statistics.median(cpu):.2f} s", against)]


def memory_mb(pid: int) -> float:
    """Return what a process holds."""
    status = Path(f"/proc/{pid}/status").read_text()
    return int(re.search(r"VmRSS:\s+(\d+)", status)[1]) / 1000  # type: ignore[index]


def children_mb(pid: int) -> float:
    """Return what the children of a process hold."""
    tasks = Path(f"/proc/{pid}/task").iterdir()
    return sum(memory_mb(int(child)) for task in tasks for child in (task / "children").read_text().split())


def plan_of_130(server: subprocess.Popen[str], client: httpx2.Client) -> list[Row]:
    """Plan 14s8p from 130 cells, and see what the server holds then."""
    job = new_job(client, "bench", 130, "14", "8")
    before, cpu_before = memory_mb(server.pid), cpu_s(server.pid)
    begun = time.perf_counter()
    client.post(f"{job}/groups/find", data={"seconds": "0.5"})
    while 'dl class="strip"' not in client.get(f"{job}/groups").text:
        time.sleep(0.1)
    took = time.perf_counter() - begun
    cpu = cpu_s(server.pid) - cpu_before
    for step in ("map", "prediction", "build/1", "papers"):
        client.get(f"{job}/{step}").raise_for_status()
    rows = [
        (
            "14s8p of 130 cells: asked to seen (search 0.5 s)",
            f"{took:.1f} s",
            f"{cpu:.2f} s",
            f"{took / 0.5:.0f} × the search",
        )
    ]
    if Path("/proc").is_dir():
        own, children = memory_mb(server.pid), children_mb(server.pid)
        rows.append(("server after it", f"{own:.0f} MB", "", f"before {before:.0f} MB; its children {children:.0f} MB"))
    return rows


def new_job(client: httpx2.Client, title: str, cells: int, series: str, parallel: str) -> str:
    """Make a job with drawn cells; return its address."""
    chance = np.random.default_rng(1)
    drawn = zip(
        chance.normal(3.67, 0.01, cells), chance.normal(2500, 40, cells), chance.normal(25, 2, cells), strict=True
    )
    text = "cell,ocv_v,capacity_mah,ir_mohm,rated_mah\n" + "".join(
        f"C{i:05d},{v:.3f},{q:.0f},{r:.1f},2500\n" for i, (v, q, r) in enumerate(drawn)
    )
    job = client.post("/new", data={"title": title}).headers["location"].rsplit("/", 1)[0]
    client.post(f"{job}/readings/upload", files={"files": ("tray.csv", text)})
    client.post(f"{job}/job", data={"series": series, "parallel": parallel})
    return str(job)


def timed(pid: int, work: Callable[[int], object], repeats: int) -> tuple[float, float]:
    """Return the median time of a call and the mean processor time of the server [s].

    The first call, which may have to read the files, is left apart.
    """
    work(0)
    seconds, cpu_before = [], cpu_s(pid)
    for number in range(1, repeats + 1):
        begun = time.perf_counter()
        work(number)
        seconds.append(time.perf_counter() - begun)
    return statistics.median(seconds), (cpu_s(pid) - cpu_before) / repeats


def milliseconds(wall_s: float, cpu: float) -> tuple[str, str]:
    """Write a time and the processor time beside it."""
    return f"{1000 * wall_s:.0f} ms", f"{1000 * cpu:.0f} ms"


def sliders(server: subprocess.Popen[str], client: httpx2.Client, repeats: int) -> list[Row]:
    """Move a limit, against reading and screening the same cells anew; and turn a page of 10,000 cells."""
    rows = []
    for cells in (1_000, 10_000):
        job = new_job(client, f"slider {cells}", cells, "14", "8")
        live = {"hx-request": "true"}

        def move(number: int, job: str = job, live: dict[str, str] = live) -> object:
            form = {"max_ir_ratio": f"{1.2 + number / 100:.2f}"}
            return client.post(f"{job}/screening/limits", data=form, headers=live).raise_for_status()

        def turn(number: int, job: str = job) -> object:
            return client.get(f"{job}/screening?page={number + 1}").raise_for_status()

        moved, moved_cpu = timed(server.pid, move, repeats)
        page, page_cpu = timed(server.pid, turn, repeats)
        size = len(client.get(f"{job}/screening").content)
        begun = time.perf_counter()
        client.post(f"{job}/readings/choices", data={"decimal": "."})  # another choice: the files are read anew
        client.get(f"{job}/screening").raise_for_status()
        anew = time.perf_counter() - begun
        against = f"{moved / anew:.2f} × reading anew"
        rows.append((f"slider move, {cells} cells", *milliseconds(moved, moved_cpu), against))
        rows.append(
            (f"page of the table, {cells} cells", *milliseconds(page, page_cpu), f"{size / 1000:.0f} kB a page")
        )
    rows.append(("server after them", f"{memory_mb(server.pid):.0f} MB", "", ""))
    return rows


def swaps(server: subprocess.Popen[str], client: httpx2.Client, repeats: int) -> list[Row]:
    """Swap two cells on the map, there and back."""
    ids = re.findall(r'data-cell="(C\d+)"', client.get("/job/bench/map").text)
    pairs = [(ids[0], ids[20]), (ids[20], ids[0])]

    def change(number: int) -> object:
        a, b = pairs[number % 2]
        return client.post(
            "/job/bench/map/swap", data={"a": a, "b": b}, headers={"hx-request": "true"}
        ).raise_for_status()

    times = milliseconds(*timed(server.pid, change, min(repeats, 5)))
    return [("swap on the map, 14s8p", *times, "prediction and steps anew, in the child")]


if __name__ == "__main__":
    main()
