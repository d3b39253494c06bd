"""Attacks on the page, one for each rule of its gate; and what a well-meaning page must still be able to do."""

from __future__ import annotations

import io
import re
import socket
import zipfile
from pathlib import Path

import pytest
from starlette.testclient import TestClient

from cellmatch.errors import ArgumentInvalid
from cellmatch.page.jobs import JobFolder
from cellmatch.page.security import PAIRING_S, Keys
from cellmatch.page.server import serve
from cellmatch.page.web import STEPS, UPLOAD_BYTES
from tests.page.conftest import BENCH, HOME, ORIGIN, Running, Server, client_of

GOOD = "Cell,OCV (V),Capacity (mAh),IR 1kHz (mΩ)\n" + "".join(f"C{i:02d},3.65,{2500 + i},25.0\n" for i in range(12))


@pytest.mark.parametrize(
    "host",
    [
        "evil.example",
        "evil.example:8765",
        "127.0.0.1:9999",
        "localhost",
        "[::1]:8765",
        "192.168.7.20:8765",
    ],
)
def test_another_name_in_host_is_refused(server: Server, host: str) -> None:
    # DNS rebinding: a foreign name that was turned to this computer
    answer = server.client.get("/", headers={"host": host})
    assert answer.status_code == 400
    assert "Dock" not in answer.text


def test_own_names_are_answered(server: Server) -> None:
    for host in ("127.0.0.1:8765", "localhost:8765", "LOCALHOST:8765"):
        assert server.client.get("/", headers={"host": host}).status_code == 200


def test_nobody_gets_in_without_the_key(server: Server) -> None:
    stranger = client_of(server.app)
    for path in ("/", "/job/dock-cart/readings", "/static/page.js", "/?key=guess", "/?key="):
        assert stranger.get(path).status_code == 403
    assert stranger.post("/new", data={"title": "x"}, headers=ORIGIN).status_code == 403
    assert not server.root.exists()


def test_the_key_becomes_a_cookie_that_scripts_and_other_sites_never_see(server: Server) -> None:
    visitor = client_of(server.app)
    answer = visitor.get(f"/?key={server.keys.first}")
    cookie = answer.headers["set-cookie"]
    assert answer.status_code == 303
    assert answer.headers["location"] == "/"
    assert server.keys.first not in cookie
    assert "HttpOnly" in cookie
    assert "SameSite=Strict" in cookie
    assert visitor.get("/").status_code == 200


@pytest.mark.parametrize(
    "headers",
    [
        {"origin": "http://evil.example"},
        {"origin": "null"},
        {},
        {"origin": HOME.origin, "sec-fetch-site": "cross-site"},
        {"origin": HOME.origin, "sec-fetch-site": "same-site"},
        {"origin": "http://localhost:8765"},
    ],
)
def test_a_change_from_another_page_is_refused(server: Server, headers: dict[str, str]) -> None:
    answer = server.client.post("/new", data={"title": "planted"}, headers=headers)
    assert answer.status_code == 403
    assert not server.root.exists()


@pytest.mark.parametrize("method", ["PUT", "DELETE", "PATCH", "OPTIONS", "TRACE"])
def test_only_get_and_post_are_answered(server: Server, method: str) -> None:
    assert server.client.request(method, "/", headers=ORIGIN).status_code == 405


def test_a_change_never_comes_by_get(server: Server, job: JobFolder) -> None:
    before = job.read()
    for path in ("/new?title=x", "/sample/launch", f"/job/{job.name}/readings/remove?name=dock_cart.csv"):
        assert server.client.get(path).status_code in (404, 405)
    assert job.read() == before
    assert len(list(server.root.iterdir())) == 1


def test_every_answer_carries_the_policy(server: Server, job: JobFolder) -> None:
    for path in ("/", f"/job/{job.name}/screening", "/static/page.js", "/nothing", f"/job/{job.name}/job"):
        headers = server.client.get(path).headers
        policy = headers["content-security-policy"]
        assert policy.startswith("default-src 'none'; script-src 'self'; style-src 'self'; connect-src 'self'")
        assert "unsafe" not in policy
        assert "frame-ancestors 'none'" in policy
        assert headers["x-content-type-options"] == "nosniff"
        assert headers["cache-control"] == "no-store"


def test_no_page_holds_inline_script_or_style_or_a_foreign_address(server: Server, job: JobFolder) -> None:
    for step, _ in STEPS[:3]:
        html = server.client.get(f"/job/{job.name}/{step}").text
        assert not re.search(r"<script(?![^>]*\bsrc=)", html)
        assert not re.search(r"<style|\sstyle=|\son[a-z]+=|javascript:|hx-on|js:", html)
        assert not re.search(r"""(?:src|href|action|hx-get|hx-post)=["'](?:https?:)?//""", html)


@pytest.mark.parametrize(
    "name",
    [
        "..",
        "%2e%2e",
        "..%2f..%2fetc",
        "..\\..",
        "dock-cart%2f..",
        "/etc/passwd",
        "%00",
        "DOCK-CART",
    ],
)
def test_no_path_comes_from_an_address(server: Server, job: JobFolder, name: str) -> None:
    (server.root.parent / "job.json").write_text("{}")
    answer = server.client.get(f"/job/{name}/readings")
    assert answer.status_code in (404, 400)
    assert (
        server.client.get(f"/static/{name}").status_code in (404, 400) or name == ".."
    )  # the client itself resolves it


@pytest.mark.parametrize(
    "name",
    [
        "../../evil.csv",
        "..\\..\\evil.csv",
        "/tmp/evil.csv",
        "C:\\evil.csv",
        ".hidden.csv",
        "evil.csv#../../x",
    ],
)
def test_a_file_lands_in_the_job_folder_whatever_it_is_called(server: Server, job: JobFolder, name: str) -> None:
    before = {p for p in server.root.parent.rglob("*") if job.path not in p.parents}
    server.post(f"/job/{job.name}/readings/upload", files={"files": (name, GOOD)})
    assert {p for p in server.root.parent.rglob("*") if job.path not in p.parents} == before
    kept = [p.name for p in (job.path / "tester").iterdir()]
    assert len(kept) == 2
    assert all(re.fullmatch(r"[A-Za-z0-9][A-Za-z0-9._-]*", k) for k in kept)


def test_a_chemistry_or_holder_is_a_name_never_a_file(server: Server, job: JobFolder, tmp_path: Path) -> None:
    secret = tmp_path / "secret.toml"
    secret.write_text("password = 'swordfish'")
    form = {"series": "13", "parallel": "4", "chemistry": str(secret)}
    answer = server.client.post(f"/job/{job.name}/job", data=form, headers=ORIGIN)
    assert answer.status_code == 422
    assert "swordfish" not in answer.text
    form = {"series": "13", "parallel": "4", "shape": str(tmp_path / "map.csv")}
    assert server.client.post(f"/job/{job.name}/job", data=form, headers=ORIGIN).status_code == 422
    assert job.read().chemistry is None
    assert job.read().holder == {}


def test_a_chemistry_in_a_file_is_a_name_never_a_file(server: Server, job: JobFolder, tmp_path: Path) -> None:
    secret = tmp_path / "secret.toml"
    secret.write_text("name = 'swordfish'")
    server.post(f"/job/{job.name}/readings/remove", data={"name": "dock_cart.csv"})
    rows = "".join(f"C{i},3.65,2500,{secret}\n" for i in range(8))
    server.post(
        f"/job/{job.name}/readings/upload", files={"files": ("a.csv", f"id,ocv_v,capacity_mah,chemistry\n{rows}")}
    )
    for step in ("readings", "screening"):
        html = server.client.get(f"/job/{job.name}/{step}").text
        assert "swordfish" not in html
        assert 'id="tally"' not in html
    assert "column chemistry" in server.client.get(f"/job/{job.name}/readings").text


def test_a_body_above_the_cap_is_refused_by_its_length(server: Server, job: JobFolder) -> None:
    told = {**ORIGIN, "content-length": str(UPLOAD_BYTES + 1)}
    answer = server.client.post(f"/job/{job.name}/readings/upload", content=b"", headers=told)
    assert answer.status_code == 413
    answer = server.client.post("/new", data={"title": "x" * 400_000}, headers=ORIGIN)
    assert answer.status_code == 413


def test_a_body_above_the_cap_is_refused_without_its_length(server: Server, job: JobFolder) -> None:
    def endless() -> object:
        yield b'--b\r\nContent-Disposition: form-data; name="files"; filename="a.csv"\r\n\r\n'
        for _ in range(40):
            yield b"1,2,3\n" * 200_000

    answer = server.client.post(
        f"/job/{job.name}/readings/upload",
        content=endless(),  # type: ignore[arg-type]
        headers={**ORIGIN, "content-type": "multipart/form-data; boundary=b"},
    )
    assert answer.status_code == 413
    assert len(job.read().files) == 1


def test_rows_are_capped_before_anything_reads_them(server: Server, job: JobFolder) -> None:
    many = "id,v\n" + "1,2\n" * 100_001
    answer = server.client.post(f"/job/{job.name}/readings/upload", files={"files": ("log.csv", many)}, headers=ORIGIN)
    assert answer.status_code == 422
    assert "100002 lines" in answer.text
    assert len(job.read().files) == 1


def test_a_workbook_that_unpacks_to_too_much_is_refused(server: Server, job: JobFolder) -> None:
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("xl/workbook.xml", "<workbook/>")
        archive.writestr("xl/worksheets/sheet1.xml", b"\x00" * 70_000_000)
    files = {"files": ("a.xlsx", packed.getvalue())}
    answer = server.client.post(f"/job/{job.name}/readings/upload", files=files, headers=ORIGIN)
    assert answer.status_code == 422
    assert "unpacks" in answer.text


def test_too_many_parts_are_refused(server: Server) -> None:
    answer = server.client.post("/new", data={f"f{i}": "x" for i in range(500)}, headers=ORIGIN)
    assert answer.status_code == 400


def test_markup_in_ids_names_and_reasons_is_text(server: Server, job: JobFolder) -> None:
    mark = "<img src=x onerror=alert(1)>"
    rows = "".join(f'"{mark}{i}",{2.9 if i else 0.1},2500,25\n' for i in range(8))
    server.post(
        f"/job/{job.name}/readings/upload", files={"files": (f"{mark}.csv", f"id,ocv_v,capacity_mah,ir_mohm\n{rows}")}
    )
    server.post("/new", data={"title": f"{mark} & co"})
    server.post(f"/job/{job.name}/readings/exclude", data={"id": f"{mark}3", "reason": mark})
    pages = ["/", f"/job/{job.name}/readings", f"/job/{job.name}/screening", f"/job/{job.name}/readings?id={mark}"]
    for path in pages:
        html = server.client.get(path).text
        assert "<img" not in html
        assert "&lt;img src=x onerror=alert(1)&gt;" in html


def test_a_fault_shows_no_inside(server: Server, job: JobFolder, monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(*arguments: object) -> None:
        raise RuntimeError("inside at line 7")

    monkeypatch.setattr("cellmatch.page.screening_step._view", broken)
    answer = server.client.get(f"/job/{job.name}/screening")
    assert answer.status_code == 500
    assert "inside" not in answer.text
    assert "Traceback" not in answer.text


# the bench door


def test_a_phone_is_paired_once(server: Server) -> None:
    key = server.keys.new_pairing_key()
    phone = client_of(server.app, BENCH)
    assert phone.get("/static/page.css").status_code == 403
    answer = phone.get(f"/pair?key={key}")
    assert answer.status_code == 303
    assert "HttpOnly; SameSite=Strict" in answer.headers["set-cookie"]
    assert phone.get("/static/page.css").status_code == 200
    second = client_of(server.app, BENCH)
    assert second.get(f"/pair?key={key}").status_code == 403
    assert second.get("/static/page.css").status_code == 403


def test_a_pairing_key_grows_old_and_a_new_one_voids_it() -> None:
    clock = [0.0]
    keys = Keys(clock=lambda: clock[0])
    old = keys.new_pairing_key()
    new = keys.new_pairing_key()
    assert keys.pair(old) is None
    assert keys.pair("guess") is None
    assert keys.pair(new) is not None
    late = keys.new_pairing_key()
    clock[0] = PAIRING_S + 1
    assert keys.pair(late) is None


def paired(server: Server) -> TestClient:
    phone = client_of(server.app, BENCH)
    phone.get(f"/pair?key={server.keys.new_pairing_key()}")
    return phone


def test_a_phone_gets_bench_pages_only(server: Server, job: JobFolder) -> None:
    phone = paired(server)
    for path in ("/", "/new", f"/job/{job.name}/readings", f"/job/{job.name}/papers", f"/job/{job.name}", "/pair"):
        assert phone.get(path).status_code == 403
    for path in ("/new", f"/job/{job.name}/readings/remove", f"/job/{job.name}/screening/limits"):
        assert phone.post(path, data={"title": "x"}, headers={"origin": BENCH.origin}).status_code == 403
    assert len(job.read().files) == 1


def test_the_keys_of_one_door_open_no_other(server: Server) -> None:
    phone = client_of(server.app, BENCH)
    assert phone.get(f"/?key={server.keys.first}").status_code == 403
    phone.cookies.set(BENCH.cookie, server.keys.owner)
    assert phone.get("/bench").status_code == 403
    home = client_of(server.app)
    assert home.get(f"/pair?key={server.keys.new_pairing_key()}").status_code == 403
    device = server.keys.pair(server.keys.new_pairing_key())
    home.cookies.set(HOME.cookie, device or "")
    assert home.get("/").status_code == 403


def test_the_bench_door_knows_its_own_name_only(server: Server) -> None:
    phone = paired(server)
    for host in ("evil.example:8765", "localhost:8765", "127.0.0.1:8765"):
        assert phone.get("/static/page.css", headers={"host": host}).status_code == 400


@pytest.mark.parametrize("address", ["0.0.0.0", "127.0.0.1", "8.8.8.8", "224.0.0.1", "::", "nas.local", ""])
def test_only_one_address_of_a_local_network_is_bound(tmp_path: Path, address: str) -> None:
    with pytest.raises(ArgumentInvalid, match="bench"):
        serve(tmp_path, bench=address, open_browser=False, say=lambda words: None)


def test_the_server_listens_on_loopback_only(running: Running) -> None:
    port = int(running.origin.rsplit(":", 1)[1])
    bound = [line.split() for line in Path("/proc/net/tcp").read_text().splitlines()[1:]]
    listening = [row[1] for row in bound if row[3] == "0A" and int(row[1].split(":")[1], 16) == port]
    assert listening == [f"0100007F:{port:04X}"]
    with socket.socket() as other, pytest.raises(OSError, match="refused"):
        other.connect(("127.0.0.2", port))
