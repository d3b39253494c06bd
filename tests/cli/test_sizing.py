"""The command size: for a load, for a tray, and the job file it writes."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from cellmatch.cli import cli
from cellmatch.errors import ArgumentInvalid, FolderNotWritable, InputError, TooFewCells
from cellmatch.pack.job import read_job
from cellmatch.pack.spec import Pack


def run(*arguments: str | Path) -> int:
    return int(cli.main(["size", *map(str, arguments)], standalone_mode=False) or 0)


@pytest.fixture
def tray(project: Path) -> Path:
    """Return the invented tray of the sample data: 58 good cells of 60."""
    return project / "sample_data" / "dock_cart.csv"


def test_a_pack_for_a_load(capsys: pytest.CaptureFixture[str]) -> None:
    assert (
        run("--voltage", "36", "--capacity-ah", "7.5", "--current", "20", "--rated-mah", "2500", "--cell-v", "3.6") == 0
    )
    told = capsys.readouterr().out
    # common practice, no source: 30 cells of 2.5 Ah are 10s3p, 36 V and 7.5 Ah; 20 A over three cells
    row = next(line for line in told.splitlines() if line.startswith("10s3p")).split()
    assert row == ["10s3p", "30", "30", "30.0", "36.0", "42.0", "7.50", "270", "20.0", "6.7"]
    assert "36 V nominal / 3.6 V a cell = 10.00" in told
    assert "current not judged" in told


def test_what_is_too_little_is_said(capsys: pytest.CaptureFixture[str]) -> None:
    run("--voltage", "36", "--capacity-ah", "7", "--rated-mah", "2500", "--reject-fraction", "0.05")
    told = capsys.readouterr().out
    assert "gives 5 of 7 Ah" in told
    assert "reject rate not given" not in told


def test_a_tray_that_is_two_cells_short(tray: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(tray, "--pack", "15s4p", "--current", "20") == 0
    told = capsys.readouterr().out
    assert "60 cells, 58 good, 2 rejected" in told
    assert "58 good cells for 60 places: 2 are missing; 58 = 15 × 3 + 13" in told
    for shape in ("15s3p", "14s4p", "15s3-4p"):
        assert shape in told
    assert "its 3 cells carry 33% more each" in told
    assert "over-discharged 1: no limit is to open this" in told


def test_a_tray_and_a_voltage(tray: Path, capsys: pytest.CaptureFixture[str]) -> None:
    run(tray, "--voltage", "48")
    told = capsys.readouterr().out
    # 58 cells in 13 series: four in parallel and six spare
    assert "13s4p" in told
    assert "58 good cells for 52 places: 6 are left over" in told
    assert "without up to 6 of the weakest: 13s4p" in told


def test_a_tray_alone(tray: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(tray) == 0
    told = capsys.readouterr().out
    assert "14s4p" in told
    assert "10s5p" in told


def test_shapes_that_cannot_carry_the_current_are_not_offered(tray: Path, capsys: pytest.CaptureFixture[str]) -> None:
    # 30 A at 10 A a cell: three in parallel at least
    run(tray, "--voltage", "48", "--current", "30", "--cell-current", "10")
    told = capsys.readouterr().out
    assert "13s3p" in told
    assert "13s2p" not in told
    run(tray, "--pack", "13s4p", "--current", "300", "--cell-current", "10")
    assert "Shapes    none" in capsys.readouterr().out


def test_everything_as_json(tray: Path, capsys: pytest.CaptureFixture[str]) -> None:
    run(tray, "--voltage", "48", "--json")
    told = json.loads(capsys.readouterr().out)
    assert told["options"][0]["pack"] == {"series": 14, "parallel": 4}
    assert {option["pack"]["series"] for option in told["options"]} == {13, 14}
    assert told["guarded"] == {"over-discharged": 1}
    assert told["sizing"]["sizes"][0]["pack"]["series"] == 13


def test_the_job_file_it_writes(tmp_path: Path, tray: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "pack.toml"
    run(
        tray,
        "--voltage",
        "48",
        "--current",
        "20",
        "--contact-a",
        "6",
        "--rated-mah",
        "2500",
        "--chemistry",
        "nmc",
        "--write",
        path,
    )
    job = read_job(path)
    assert job.pack == Pack(13, 4)
    assert (job.current_a, job.limits.rated_mah, job.chemistry, job.holder.contact_a) == (20, 2500, "nmc", 6)
    with pytest.raises(FolderNotWritable, match="is there already"):
        run(tray, "--voltage", "48", "--write", path)
    assert read_job(path) == job


def test_a_chemistry_file_is_found_from_anywhere(
    tmp_path: Path, project: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    source = project / "cellmatch" / "pack" / "chemistries" / "nca.toml"
    (tmp_path / "own.toml").write_bytes(source.read_bytes())
    (tmp_path / "deep").mkdir()
    monkeypatch.chdir(tmp_path)
    run("--voltage", "36", "--rated-mah", "2500", "--chemistry", "own.toml", "--write", tmp_path / "deep" / "pack.toml")
    monkeypatch.chdir(tmp_path / "deep")
    assert read_job("pack.toml").chemistry == str(tmp_path / "own.toml")


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ((), "nothing to go by"),
        (("--capacity-ah", "5"), "nothing to go by"),
        (("--voltage", "36"), "--rated-mah"),
        (("--voltage", "-36", "--rated-mah", "2500"), "above 0"),
        (("--voltage", "36", "--rated-mah", "2500", "--range-km", "30"), "Wh/km"),
        (("--voltage", "36", "--rated-mah", "2500", "--reject-fraction", "1"), "below 1"),
        (("--voltage", "36", "--rated-mah", "2500", "--pack", "4p13s"), "series comes first"),
        (("none.csv",), "none.csv"),
    ],
)
def test_what_cannot_be_meant_is_refused(arguments: tuple[str, ...], words: str) -> None:
    with pytest.raises(InputError, match=words):
        run(*arguments)


def test_a_job_file_needs_a_shape(tray: Path, tmp_path: Path) -> None:
    with pytest.raises(ArgumentInvalid, match="needs a shape"):
        run(tray, "--write", tmp_path / "pack.toml")


def test_a_tray_without_a_good_cell(tmp_path: Path) -> None:
    (tmp_path / "dead.csv").write_text("cell_id,ocv_v,capacity_mah\nA,0.5,2500\nB,0.4,2500\n", encoding="utf-8")
    with pytest.raises(TooFewCells, match="no good cell"):
        run(tmp_path / "dead.csv", "--voltage", "36")
