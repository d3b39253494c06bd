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


@pytest.fixture(scope="module")
def tray(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a tray of 14 good cells and one over-discharged."""
    path = tmp_path_factory.mktemp("tray") / "tray.csv"
    rows = [f"C{i:02d},3.670,{2500 + 3 * (i % 5)},25.0\n" for i in range(14)]
    path.write_text("cell_id,ocv_v,capacity_mah,ir_mohm\n" + "".join(rows) + "C14,2.200,2500,25.0\n", encoding="utf-8")
    return path


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
    assert run(tray, "--pack", "4s4p", "--current", "20") == 0
    told = capsys.readouterr().out
    assert "15 cells, 14 good, 1 rejected" in told
    assert "14 good cells for 16 places: 2 are missing; 14 = 4 × 3 + 2" in told
    for shape in ("4s3p", "3s4p", "4s3-4p"):
        assert shape in told
    # 20 A over three cells or over four
    assert "6.7  unequal groups: 2 of 4 and 2 of 3" in told
    assert "its 3 cells carry 33% more each" in told
    assert "over-discharged 1: no limit is to open this" in told


def test_a_tray_and_a_voltage(tray: Path, capsys: pytest.CaptureFixture[str]) -> None:
    # 14.6 V / 3.65 V = 4; 14 cells in four series: three in parallel and two spare
    run(tray, "--voltage", "14.6", "--chemistry", "nmc")
    told = capsys.readouterr().out
    assert "Series    4: 14.6 V nominal / 3.65 V a cell = 4.00" in told
    assert "14 good cells for 12 places: 2 are left over" in told
    assert "without up to 2 of the weakest: 4s3p" in told


def test_a_tray_alone(tray: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(tray) == 0
    told = capsys.readouterr().out
    for shape in ("1s14p", "2s7p", "14s1p"):
        assert shape in told


def test_shapes_that_cannot_carry_the_current_are_not_offered(tray: Path, capsys: pytest.CaptureFixture[str]) -> None:
    # 15 A at 8 A a cell: two in parallel at least
    run(tray, "--pack", "4s3p", "--current", "15", "--cell-current", "8")
    told = capsys.readouterr().out
    shapes = [line.split()[1] for line in told.splitlines() if line.startswith("    ")]
    assert "4s2p" in shapes
    assert "4s1p" not in shapes
    run(tray, "--pack", "4s3p", "--current", "300", "--cell-current", "8")
    assert "Shapes    none" in capsys.readouterr().out


def test_everything_as_json(tray: Path, capsys: pytest.CaptureFixture[str]) -> None:
    run(tray, "--voltage", "16", "--json")
    told = json.loads(capsys.readouterr().out)
    # 16 V / 3.65 V = 4.38
    assert {option["pack"]["series"] for option in told["options"]} == {4, 5}
    assert told["options"][0]["left_over"] <= 2
    assert told["guarded"] == {"over-discharged": 1}
    assert [size["pack"]["series"] for size in told["sizing"]["sizes"]] == [4, 5]


def test_the_job_file_it_writes(tmp_path: Path, tray: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "pack.toml"
    run(
        tray,
        "--voltage",
        "14.6",
        "--current",
        "20",
        "--contact-a",
        "8",
        "--rated-mah",
        "2500",
        "--chemistry",
        "nmc",
        "--write",
        path,
    )
    job = read_job(path)
    assert job.pack == Pack(4, 3)
    assert (job.current_a, job.limits.rated_mah, job.chemistry, job.holder.contact_a) == (20, 2500, "nmc", 8)
    with pytest.raises(FolderNotWritable, match="is there already"):
        run(tray, "--voltage", "14.6", "--write", path)
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
