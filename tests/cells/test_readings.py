from __future__ import annotations

from datetime import datetime
from pathlib import Path

import pytest

from cellmatch.cells.readings import KINDS, read_readings
from cellmatch.errors import FileUnusable

HEADER = "kind,target,value,unit,load_a,taken_at,step\n"
LINES = "cell_v,A1,3671,mV,,2031-05-17T09:00:00,4\nload_v,3,3.52,V,20,2031-05-17T09:30:05,\n"


def _write(tmp_path: Path, text: str) -> Path:
    path = tmp_path / "readings.csv"
    path.write_text(text, encoding="utf-8")
    return path


def test_readings_come_in_volts_with_load_and_time(tmp_path: Path) -> None:
    one, two = read_readings(_write(tmp_path, HEADER + LINES))
    assert (one.kind, one.target, one.value_v, one.load_a, one.step) == ("cell_v", "A1", 3.671, 0.0, "4")
    assert one.taken_at == datetime(2031, 5, 17, 9)
    assert (two.value_v, two.load_a) == (3.52, 20.0)


def test_short_header_will_do(tmp_path: Path) -> None:
    (one,) = read_readings(_write(tmp_path, "kind,target,value,unit\nmain_v,pack,36.7,V\n"))
    assert one.taken_at is None


def test_a_reason_stands_beside_a_reading_or_in_its_place(tmp_path: Path) -> None:
    rows = "group_v,1,3.6,V,,,4,second meter\ngroup_v,2,,V,,,5,lid stuck\n"
    one, two = read_readings(_write(tmp_path, HEADER.replace("step", "step,reason") + rows))
    assert (one.is_taken, one.reason) == (True, "second meter")
    assert (two.is_taken, two.reason, two.step) == (False, "lid stuck", "5")


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "column kind, target, value, unit is missing"),
        (HEADER, "holds no reading"),
        ('{"plan": "1"}', "progress of the bench sheet"),
        (HEADER + LINES.replace("3671", ""), "line 2: value ''"),
        (HEADER + LINES.replace("3671", "3,67"), "line 2: 8 fields"),
        (HEADER + LINES.replace("3671", "3.6l7"), "line 2: value '3.6l7'"),
        (HEADER + LINES.replace("3671", "nan"), "line 2: value 'nan'"),
        (HEADER + LINES.replace("load_v", "laod_v"), "line 3: kind 'laod_v'; did you mean load_v"),
        (HEADER + LINES.replace("mV", "mv"), "unit 'mv'"),
        (HEADER + LINES.replace(",A1,", ",,"), "no target"),
        (HEADER + LINES.replace("2031-05-17T09:00:00", "17/5"), "taken_at '17/5'"),
        (HEADER + LINES.replace("09:30:05", "09:30:05+02:00"), "time zone"),
    ],
)
def test_what_can_not_be_read_is_named(tmp_path: Path, text: str, words: str) -> None:
    with pytest.raises(FileUnusable) as caught:
        read_readings(_write(tmp_path, text))
    assert words in str(caught.value)


def test_all_faults_are_named_in_one_go(tmp_path: Path) -> None:
    with pytest.raises(FileUnusable) as caught:
        read_readings(_write(tmp_path, HEADER + "x,1,2,V,,,\ncell_v,A,b,V,,,\n"))
    assert len(caught.value.problems) == 2


def test_missing_file(tmp_path: Path) -> None:
    with pytest.raises(FileUnusable, match=r"none\.csv"):
        read_readings(tmp_path / "none.csv")


def test_every_kind_says_what_its_target_is() -> None:
    assert all("target:" in words for words in KINDS.values())
