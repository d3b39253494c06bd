"""A server at hand for the page's tests: in this process for the routes, in its own for the browser."""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page
from starlette.applications import Starlette
from starlette.testclient import TestClient

from cellmatch.page.app import make_app
from cellmatch.page.desk import Desk
from cellmatch.page.jobs import JobFolder, Jobs
from cellmatch.page.security import Door, Keys

HOME = Door(host="127.0.0.1", port=8765)
BENCH = Door(host="192.168.7.20", port=8765, bench=True)
ORIGIN = {"origin": HOME.origin}


@dataclass
class Server:
    """A server in this process, with its client, its keys and its folder."""

    app: Starlette
    client: TestClient
    keys: Keys
    root: Path

    def post(self, path: str, **arguments: object) -> object:
        return self.client.post(path, headers=ORIGIN, **arguments)  # type: ignore[arg-type]

    def folder(self, name: str) -> JobFolder:
        found = Jobs(self.root).get(name)
        assert found is not None
        return found


def client_of(app: Starlette, door: Door = HOME) -> TestClient:
    """Return a client that talks to one door and follows nothing."""
    return TestClient(app, base_url=door.origin, follow_redirects=False, raise_server_exceptions=False)


class LentDesk(Desk):
    """A desk that outlives the server it is lent to: starting one takes longer than most tests."""

    def close(self) -> None:
        """Stay."""

    def warm_up(self) -> None:
        """Be warm."""


@pytest.fixture(scope="session")
def lent_desk() -> Iterator[LentDesk]:
    """Return one desk for all servers in this process."""
    one = LentDesk()
    yield one
    Desk.close(one)


@pytest.fixture
def server(tmp_path: Path, lent_desk: LentDesk) -> Iterator[Server]:
    """Return a server that already knows its visitor."""
    keys = Keys()
    app = make_app(tmp_path / "jobs", (HOME, BENCH), keys)
    app.state.site.desk = lent_desk
    with client_of(app) as client:
        client.cookies.set(HOME.cookie, keys.owner)
        yield Server(app, client, keys, tmp_path / "jobs")


@pytest.fixture
def job(server: Server) -> JobFolder:
    """Return the sample job of the dock cart."""
    server.post("/sample/dock_cart")
    return server.folder("dock-cart")


@dataclass
class Running:
    """A server in a process of its own."""

    process: subprocess.Popen[str]
    address: str
    root: Path

    @property
    def origin(self) -> str:
        return self.address.split("/?")[0]

    def kill(self) -> None:
        """End it without a word, as a power cut does."""
        self.process.send_signal(signal.SIGKILL)
        self.process.wait()

    def memory_mb(self) -> float:
        """Return what the server itself holds, its children apart."""
        status = Path(f"/proc/{self.process.pid}/status").read_text()
        found = re.search(r"VmRSS:\s+(\d+) kB", status)
        assert found is not None
        return int(found[1]) / 1000


def start(root: Path, *options: str) -> Running:
    """Start `cellmatch page` on a folder and wait for its address."""
    environment = {**os.environ, "OMP_NUM_THREADS": "1", "PYTHONUNBUFFERED": "1"}
    command = [sys.executable, "-m", "cellmatch", "page", str(root), "--no-browser", *options]
    process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, env=environment)
    assert process.stdout is not None
    for line in process.stdout:
        if found := re.search(r"Open\s+(http://\S+)", line):
            return Running(process, found[1], root)
    process.wait()
    process.stdout.close()
    raise AssertionError("the server said no address")


# a browser to drive


@dataclass
class Visit:
    """A page that is being driven, and what went wrong on it."""

    page: Page
    server: Running
    foreign: list[str]
    errors: list[str]

    def go(self, path: str) -> None:
        self.page.goto(self.server.origin + path)

    def check(self) -> None:
        """Nothing was asked of another machine, nothing was said on the console, nothing scrolls sideways."""
        assert self.foreign == []
        assert self.errors == []
        assert self.page.evaluate("document.documentElement.scrollWidth - window.innerWidth") <= 0

    def check_access(self) -> None:
        """Nothing serious stands in the way of people who can't see, or can't use a mouse."""
        from axe_playwright_python.sync_playwright import Axe  # type: ignore[import-untyped]

        found = Axe().run(self.page).response["violations"]
        serious = [v for v in found if v["impact"] in ("serious", "critical")]
        assert [(v["id"], [n["html"][:120] for n in v["nodes"]][:3]) for v in serious] == []


def visit(browser: Browser, server: Running, width: int = 1280, height: int = 900, **options: object) -> Visit:
    """Open the first page of a server in a window of its own."""
    # without smooth scrolling, which the driver would wait for
    looks = {"viewport": {"width": width, "height": height}, "reduced_motion": "reduce", **options}
    context = browser.new_context(**looks)  # type: ignore[arg-type]
    page = context.new_page()
    page.set_default_timeout(60_000)
    one = Visit(page, server, [], [])
    page.on("request", lambda r: None if r.url.startswith((server.origin, "data:")) else one.foreign.append(r.url))
    page.on("console", lambda m: one.errors.append(m.text) if m.type in ("error", "warning") else None)
    page.on("pageerror", lambda e: one.errors.append(str(e)))
    page.goto(server.address)
    return one


@pytest.fixture(scope="session")
def shared_server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Running]:
    """Return one running server for all tests that don't end it."""
    one = start(tmp_path_factory.mktemp("shared") / "jobs")
    yield one
    one.process.terminate()
    one.process.wait(10)
    assert one.process.stdout is not None
    one.process.stdout.close()


@pytest.fixture
def running(tmp_path: Path) -> Iterator[Running]:
    """Return a running server on an empty folder."""
    one = start(tmp_path / "jobs")
    yield one
    if one.process.poll() is None:
        one.process.terminate()
        one.process.wait(10)
    assert one.process.stdout is not None
    one.process.stdout.close()


def wait_until(true: object, seconds: float = 20.0, step: float = 0.05) -> None:
    """Wait until a function says so."""
    assert callable(true)
    end = time.monotonic() + seconds
    while not true():
        assert time.monotonic() < end, "waited in vain"
        time.sleep(step)


# a plan to work on


def found_plan(server: Server, name: str, seconds: str = "0.5") -> None:
    """Run a search to its end, papers and all."""
    server.post(f"/job/{name}/groups/find", data={"seconds": seconds})
    site, folder = server.app.state.site, server.folder(name)
    wait_until(lambda: site.searches.running(folder) is None, 120)
    search = site.searches.of(folder)
    assert search.ended == "done", search.problems
    wait_until(lambda: not site.press.busy(folder), 120)
    assert site.press.failed(folder) == ()


@pytest.fixture(scope="session")
def planned_folder(tmp_path_factory: pytest.TempPathFactory, lent_desk: LentDesk) -> Path:
    """Return the folder of a planned dock cart; tests work on copies of it."""
    root = tmp_path_factory.mktemp("planned")
    keys = Keys()
    app = make_app(root, (HOME,), keys)
    app.state.site.desk = lent_desk
    with client_of(app) as client:
        client.cookies.set(HOME.cookie, keys.owner)
        server = Server(app, client, keys, root)
        server.post("/sample/dock_cart")
        found_plan(server, "dock-cart")
        client.get("/job/dock-cart/map")
    return root / "dock-cart"
