"""What the server outlives, and what a job outlives: broken uploads by the hundred, ten tabs, a power cut."""

from __future__ import annotations

import os
import random
import shutil
import socket
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import httpx2
import pytest

from cellmatch import read_plan
from cellmatch.page.jobs import Jobs
from cellmatch.page.server import LOOPBACK, _listen
from tests.page.conftest import Running, start, wait_until

FLAT_MB = 12.0
"""What a hundred uploads may leave behind, between the fortieth and the last."""


@contextmanager
def client_of(server: Running) -> Iterator[httpx2.Client]:
    """Be a visitor that was let in."""
    with httpx2.Client(base_url=server.origin, headers={"origin": server.origin}, timeout=60) as client:
        assert client.get(server.address.removeprefix(server.origin)).status_code == 303
        yield client


def children_of(server: Running) -> list[int]:
    tasks = Path(f"/proc/{server.process.pid}/task").iterdir()
    return [int(pid) for task in tasks for pid in (task / "children").read_text().split()]


def ended(pid: int) -> bool:
    try:
        return Path(f"/proc/{pid}/stat").read_text().split(")")[1].split()[0] == "Z"
    except FileNotFoundError:
        return True


def a_file(number: int, chance: random.Random) -> tuple[str, bytes]:
    """Return the next file: good ones, and broken ones of every kind."""
    rows = "".join(f"C{i:04d},{3.6 + i % 9 / 1000:.3f},{2500 + number + i % 40},25.{i % 10}\n" for i in range(150))
    good = f"cell,ocv_v,capacity_mah,ir_mohm\n{rows}".encode()
    kinds = (
        good,
        good[: len(good) // 2] + chance.randbytes(300) + good[len(good) // 2 :],
        chance.randbytes(20_000),
        b"",
        b"\xff\xfe" + "cell,ocv_v,capacity_mah\nA,3,6\n".encode("utf-16-le")[:-1],
        b'cell,"ocv_v,capacity_mah\n' + good,
        b"PK\x03\x04" + chance.randbytes(5_000),
        b"x" * 300_000,
        b"cell\tU\tU\n" + b"a\t3.6\t3.6\n" * 400,
        good.replace(b"25.", b"OL"),
    )
    return f"{number}.csv", kinds[number % len(kinds)] + (f"\nZ{number},3.6,2500,25\n".encode() if number % 2 else b"")


@pytest.mark.slow
@pytest.mark.skipif(not Path("/proc/self/status").exists(), reason="reads memory from /proc")
def test_a_hundred_uploads_leave_the_server_as_it_was(running: Running) -> None:
    chance = random.Random(1)
    before = 0.0
    with client_of(running) as client:
        client.post("/new", data={"title": "uploads"})
        for number in range(100):
            name, content = a_file(number, chance)
            answer = client.post("/job/uploads/readings/upload", files={"files": (name, content)})
            assert answer.status_code in (303, 422), answer.text
            page = client.get("/job/uploads/readings")
            assert page.status_code == 200
            assert "Traceback" not in page.text
            kept = Jobs(running.root).get("uploads")
            assert kept is not None
            for file in kept.read().files:
                client.post("/job/uploads/readings/remove", data={"name": file.name})
            if number == 39:
                before = running.memory_mb()
        assert client.get("/").status_code == 200
    assert running.memory_mb() - before < FLAT_MB
    assert list((running.root / "uploads" / "tester").iterdir()) == []


@pytest.mark.slow
@pytest.mark.skipif(not Path("/proc/self/status").exists(), reason="looks for child processes in /proc")
def test_a_power_cut_in_the_middle_of_a_search_loses_only_that_search(planned_folder: Path, tmp_path: Path) -> None:
    shutil.copytree(planned_folder, tmp_path / "jobs" / "cart")
    server = start(tmp_path / "jobs")
    with client_of(server) as client:
        client.post("/job/cart/readings/exclude", data={"id": "D05", "reason": "dented"})
        client.post("/job/cart/screening/limits", data={"outlier_k": "6"})
        # ten tabs look at once
        answers: list[int] = []
        steps = ("job", "readings", "screening", "groups", "map", "prediction", "papers", "map", "screening", "build/1")
        tabs = [
            threading.Thread(target=lambda s=step: answers.append(client.get(f"/job/cart/{s}").status_code))
            for step in steps
        ]
        for tab in tabs:
            tab.start()
        for tab in tabs:
            tab.join()
        assert answers == [200] * 10
        client.post("/job/cart/groups/find", data={"seconds": "300"})
        wait_until(lambda: "starting" not in client.get("/job/cart/groups/progress").text, 60, 0.2)
    children = children_of(server)
    assert children
    server.kill()
    assert server.process.stdout is not None
    server.process.stdout.close()
    # nothing goes on without its server
    wait_until(lambda: all(ended(pid) for pid in children), 20)
    first = read_plan(planned_folder).created_at

    again = start(tmp_path / "jobs", "--port", server.origin.rsplit(":", 1)[1])
    with client_of(again) as client:
        told = client.get("/job/cart/groups").text
        kept = read_plan(tmp_path / "jobs" / "cart").created_at
        # the search may have been quicker than the cut; then its plan is there whole
        assert ("A search was broken off" in told) == (kept == first)
        assert "data-cell=" in client.get("/job/cart/map").text
    folder = Jobs(again.root).get("cart")
    assert folder is not None
    job = folder.read()
    assert job.excluded == {"D05": "dented"}
    assert job.limits["outlier_k"] == 6.0
    again.process.terminate()
    again.process.wait(10)
    assert again.process.stdout is not None
    again.process.stdout.close()


def test_two_servers_that_start_at_once_take_two_ports() -> None:
    # both may bind a port before either listens on it; only then one of them is told
    with socket.socket(socket.AF_INET, socket.SOCK_STREAM) as other:
        other.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        other.bind((LOOPBACK, 0))
        port = other.getsockname()[1]

        class Late(socket.socket):
            def bind(self, address: object, /) -> None:
                super().bind(address)  # type: ignore[arg-type]
                other.listen(1)

        with pytest.MonkeyPatch.context() as patch:
            patch.setattr("cellmatch.page.server.FIRST_PORT", port)
            patch.setattr("cellmatch.page.server.socket.socket", Late)
            mine = _listen(LOOPBACK, None)
    with mine:
        assert mine.getsockname()[1] != port


def test_a_taken_port_is_a_message(running: Running, tmp_path: Path) -> None:
    import subprocess
    import sys

    port = running.origin.rsplit(":", 1)[1]
    command = [sys.executable, "-m", "cellmatch", "page", str(tmp_path / "other"), "--no-browser", "--port", port]
    done = subprocess.run(command, capture_output=True, text=True, env={**os.environ, "OMP_NUM_THREADS": "1"})
    assert done.returncode == 2
    assert "can't be taken" in done.stderr
    assert "Traceback" not in done.stderr
