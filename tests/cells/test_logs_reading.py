"""The dialects of testers: every one reads to the same cell, or is refused with what to do."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import datetime, timedelta
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from cellmatch.cells.logs.clock import numbers, read_times, unbroken
from cellmatch.cells.logs.directions import direction_of
from cellmatch.cells.logs.measure import measure_log
from cellmatch.errors import CellmatchError, FileAmbiguous, FileUnusable
from tests.cells.logged_cell import FULL_TEST, Cell, Logged, Step, simulate

EVENING = datetime(2026, 3, 4, 20, 0, 0)
Row = Callable[[int, float, float, float], str]


@cache
def log(every_s: float = 10.0) -> Logged:
    """Return a full discharge and a charge."""
    return simulate(Cell(), (*FULL_TEST, Step(-0.5, 25_000.0, 4.215), Step(0.0, 600.0)), every_s=every_s)


def body(row: Row, end: str = "\n", every_s: float = 10.0) -> str:
    """Return the log's rows; `row` takes number, seconds, volts and amps, negative on discharge."""
    found = log(every_s)
    rows = zip(found.time_s.tolist(), found.voltage_v.tolist(), (-found.current_a).tolist(), strict=True)
    return end.join(row(k, t, v, i) for k, (t, v, i) in enumerate(rows))


def day(seconds: float, spelling: str) -> str:
    return (EVENING + timedelta(seconds=seconds)).strftime(spelling)


def clock(seconds: float) -> str:
    whole = round(seconds)
    return f"{whole // 3600:02d}:{whole % 3600 // 60:02d}:{whole % 60:02d}"


def letter(amps: float) -> str:
    return "D" if amps < 0 else "C" if amps > 0 else "R"


DIALECTS: dict[str, tuple[str, Row]] = {
    "epoch seconds, no units": (
        "timestamp,voltage,current\n",
        lambda k, t, v, i: f"{1772000000 + t:.0f},{v:.3f},{i:.3f}",
    ),
    "same heading, mV and mA": (
        "timestamp,voltage,current\n",
        lambda k, t, v, i: f"{1772000000 + t:.0f},{v * 1000:.0f},{i * 1000:.0f}",
    ),
    "preamble, states, unsigned": (
        "Today's Date\t03/04/2026\tTest\tx\n\n"
        "Rec#\tCyc#\tTestTime\tStepTime\tAmp-hr\tWatt-hr\tAmps\tVolts\tState\tDPt Time\tUnits\tUnits\t\n",
        lambda k, t, v, i: (
            f"{k}\t0\t  0d {clock(t)}\t  0d 00:00:05\t0.1\t0.2\t{abs(i):.4f}\t{v:.4f}\t{letter(i)}"
            "\t3/4/2026 10:00:00 PM\tC\tC\t"
        ),
    ),
    "semicolons, decimal commas": (
        "Zeit [s];Spannung [V];Strom [A]\n",
        lambda k, t, v, i: f"{t:.1f};{v:.4f};{i:.4f}".replace(".", ","),
    ),
    "ISO dates": (
        "DateTime,Voltage(V),Current(mA)\n",
        lambda k, t, v, i: f"{day(t, '%Y-%m-%d %H:%M:%S')},{v:.4f},{i * 1000:.1f}",
    ),
    "day first, over midnight": (
        "date time,Voltage(V),Current(mA)\n",
        lambda k, t, v, i: f"{day(t, '%d/%m/%Y %H:%M:%S')},{v:.4f},{i * 1000:.1f}",
    ),
    "month first, 12 h clock": (
        "date time,Voltage(V),Current(mA)\n",
        lambda k, t, v, i: f"{day(t, '%m/%d/%Y %I:%M:%S %p')},{v:.4f},{i * 1000:.1f}",
    ),
    "byte order mark, tab before the date": (
        "\ufeffData Point,Date Time,Test Time (s),Voltage (V),Current (A)\n",
        lambda k, t, v, i: f"{k},\t{day(t, '%d-%b-%y %I:%M:%S %p')},{t:.4f},{v:.4f},{i:.4f}",
    ),
    "time of day over midnight": (
        "time,voltage_v,current_a\n",
        lambda k, t, v, i: f"{day(t, '%H:%M:%S')},{v:.4f},{i:.4f}",
    ),
    "unit after a slash, hours": (
        "Test Time / h,Current / A,Voltage / V\n",
        lambda k, t, v, i: f"{t / 3600:.6f},{i:.4f},{v:.4f}",
    ),
    "units row": ("time,voltage,current\ns,V,A\n", lambda k, t, v, i: f"{t:.1f},{v:.4f},{i:.4f}"),
    "spreadsheet dates, trailing semicolons": (
        "index;time;voltage;current;;\n",
        lambda k, t, v, i: f"{k};{46000 + t / 86400:.8f};{v:.4f};{i:.4f};;",
    ),
    "comment mark before the heading": (
        "~Time[s]\tDataSet\tU[V]\tI[A]\n",
        lambda k, t, v, i: f"{t:.15f}\t{k}\t{v:.15f}\t{i:.15f}",
    ),
    "exponents": (
        "Nb header lines : 3\n\nmode\tox/red\ttime/s\tEcell/V\tI/mA\n",
        lambda k, t, v, i: f"1\t0\t{t:.6E}\t{v:.6E}\t{i * 1000:.6E}",
    ),
    "one sign for all currents": ("time_s,voltage_v,current_a\n", lambda k, t, v, i: f"{t:.0f},{v:.3f},{abs(i):.3f}"),
    "quoted with commas inside": (
        '"time_s","voltage_v","current_a","note"\n',
        lambda k, t, v, i: f'"{t:.0f}","{v:.3f}","{i:.3f}","a, b"',
    ),
    "Chinese headings, clock": ("时间,电压(V),电流(A)\n", lambda k, t, v, i: f"{clock(t)},{v:.3f},{i:.3f}"),
    "time within each step": (
        "Step,Step Time (s),Voltage (V),Current (A)\n",
        lambda k, t, v, i: f"1,{t if t <= 120 else t - 120 if t <= 17648 else t - 17648:.0f},{v:.3f},{i:.3f}",
    ),
    "bar as delimiter, milliamps in words": (
        "TestTime(s)|mAmps|Volts\n",
        lambda k, t, v, i: f"{t:.0f}|{i * 1000:.1f}|{v:.4f}",
    ),
}


@pytest.mark.parametrize("dialect", DIALECTS)
def test_every_dialect_reads_to_the_same_cell(tmp_path: Path, dialect: str) -> None:
    heading, row = DIALECTS[dialect]
    path = tmp_path / "K1.txt"
    path.write_text(heading + body(row) + "\n", encoding="utf-8")
    cells = measure_log(path)
    assert list(cells.index) == ["K1"]
    # one 10 s interval is open at the end
    assert cells["capacity_mah"].iloc[0] / 1000 == pytest.approx(log().discharged_ah, abs=2 * 0.5 * 10 / 3600)
    assert cells["ir_mohm"].iloc[0] == pytest.approx(37.8, abs=0.5)
    assert len(cells.attrs["measuring"].discharges) == 1


@pytest.mark.parametrize(("encoding", "end"), [("utf-16", "\r\n"), ("cp1252", "\r\n"), ("utf-8", "\r")])
def test_encodings_and_line_ends(tmp_path: Path, encoding: str, end: str) -> None:
    path = tmp_path / "K1.txt"
    text = f"time_s\tvoltage_v\tcurrent_a\tT [°C]{end}" + body(
        lambda k, t, v, i: f"{t:.0f}\t{v:.4f}\t{i:.4f}\t23.5", end
    )
    path.write_bytes(text.encode(encoding))
    cells = measure_log(path)
    assert cells["capacity_mah"].iloc[0] / 1000 == pytest.approx(log().discharged_ah, rel=1e-3)


def test_start_of_the_discharge_is_kept_where_stamps_are_dates(tmp_path: Path) -> None:
    path = tmp_path / "K1.csv"
    heading, row = DIALECTS["ISO dates"]
    path.write_text(heading + body(row), encoding="utf-8")
    assert measure_log(path)["tested_at"].iloc[0] == "2026-03-04T20:02:10"


def test_the_id_in_the_preamble_is_found(tmp_path: Path) -> None:
    path = tmp_path / "log 17.csv"
    path.write_text(
        "Operator:,x\nCell ID: 0012\ntime_s,voltage_v,current_a\n"
        + body(lambda k, t, v, i: f"{t:.0f},{v:.3f},{i:.3f}"),
        encoding="utf-8",
    )
    cells = measure_log(path)
    assert list(cells.index) == ["0012"]
    assert "cell id '0012' from the lines above" in str(cells.attrs["measuring"])


def test_slots_of_one_file_are_cells_of_their_own(tmp_path: Path) -> None:
    rows = body(lambda k, t, v, i: f"{t:.0f},1,{v:.3f},{i:.3f}\n{t:.0f},2,{v:.3f},{0.9 * i:.3f}")
    path = tmp_path / "rack.csv"
    path.write_text("time_s,slot,voltage_v,current_a\n" + rows, encoding="utf-8")
    cells = measure_log(path)
    assert list(cells.index) == ["rack slot 1", "rack slot 2"]
    assert list(cells["slot"]) == ["1", "2"]
    assert cells["capacity_mah"].iloc[1] / cells["capacity_mah"].iloc[0] == pytest.approx(0.9, abs=1e-3)


def test_rows_of_other_kinds_are_passed_over_and_said(tmp_path: Path) -> None:
    rows = body(
        lambda k, t, v, i: (f"1,2.9\n,{k},CC DChg\n" if k % 500 == 0 else "") + f",,{k},{clock(t)},{v:.4f},{i:.4f}"
    )
    path = tmp_path / "K1.csv"
    path.write_text(
        "Cycle Index,Cap(Ah)\n,Step Index,Step Type\n,,DataPoint,Time,Voltage(V),Current(A)\n" + rows, encoding="utf-8"
    )
    cells = measure_log(path)
    assert cells["capacity_mah"].iloc[0] / 1000 == pytest.approx(log().discharged_ah, rel=1e-3)
    assert "row(s) of another kind were passed over, the first on line 4" in "\n".join(
        cells.attrs["measuring"].warnings
    )


def test_a_truncated_last_line_and_unreadable_rows_are_left_out_and_counted(tmp_path: Path) -> None:
    rows = body(lambda k, t, v, i: f"{t:.0f},{'OL' if k == 300 else f'{v:.4f}'},{i:.4f},x")
    path = tmp_path / "K1.csv"
    path.write_text("time_s,voltage_v,current_a,note\n" + rows + "\n99999,4.1", encoding="utf-8")
    cells = measure_log(path)
    warnings = "\n".join(cells.attrs["measuring"].warnings)
    assert "1 row(s) could not be read, the first on line 302" in warnings
    assert "1 row(s) of another kind were passed over" in warnings
    assert cells["capacity_mah"].iloc[0] / 1000 == pytest.approx(log().discharged_ah, rel=1e-3)


def test_headless_logs_are_read_where_columns_are_told_by_number(tmp_path: Path) -> None:
    path = tmp_path / "K1.csv"
    path.write_text(
        "@Model:x; SN:1\n" + body(lambda k, t, v, i: f"$1;{k};{t:.0f};{v * 1000:.0f};{i * 1000:.0f}"), encoding="utf-8"
    )
    with pytest.raises(FileUnusable, match="no line names a time, a voltage and a current column"):
        measure_log(path)
    cells = measure_log(path, columns={"time": 3, "voltage": 4, "current": 5})
    assert cells["capacity_mah"].iloc[0] / 1000 == pytest.approx(log().discharged_ah, rel=1e-3)
    assert "time in s (assumed: seconds)" in str(cells.attrs["measuring"])


PLAIN: Row = lambda k, t, v, i: f"{t:.0f},{v:.4f},{i:.4f}"  # noqa: E731

REFUSED: dict[str, tuple[str, Row | None, type[CellmatchError], str]] = {
    "a table of cells": ("cell,ocv,capacity,ir\nA,3.6,2500,20\n", None, FileUnusable, "no line names a time"),
    "heading only": ("timestamp,voltage,current\n", None, FileUnusable, "a heading, but no reading"),
    "empty": ("", None, FileUnusable, "is empty"),
    "mV that the heading calls V": (
        "time (s),Volts,Amps\n",
        lambda k, t, v, i: f"{t:.0f},{v * 1000:.1f},{i:.3f}",
        FileAmbiguous,
        "say --units voltage=mV",
    ),
    "a pack": (
        "time_s,voltage_v,current_a\n",
        lambda k, t, v, i: f"{t:.0f},{v * 10:.3f},{i:.3f}",
        FileAmbiguous,
        "not one of a pack",
    ),
    "minutes without a word": (
        "Time,Current,Voltage\n",
        lambda k, t, v, i: f"{t / 60:.4f},{i:.4f},{v:.4f}",
        FileAmbiguous,
        "say --units time=…",
    ),
    "hours without a word": (
        "Time,Current,Voltage\n",
        lambda k, t, v, i: f"{t / 3600:.6f},{i:.4f},{v:.4f}",
        FileUnusable,
        "is time in s and voltage in V",
    ),
    "milliamps called amps": (
        "time_s,voltage_v,current_a\n",
        lambda k, t, v, i: f"{t:.0f},{v:.4f},{i * 1000:.1f}",
        FileAmbiguous,
        "which no cell has",
    ),
    "two voltages": (
        "time_s,voltage (V),voltage (V),current_a\n",
        lambda k, t, v, i: f"{t:.0f},{v:.3f},{v:.3f},{i:.3f}",
        FileAmbiguous,
        "choose with --columns voltage=2 or --columns voltage=3",
    ),
    "three digits behind a comma": (
        "Zeit;Spannung;Strom\n",
        lambda k, t, v, i: f"{t:.0f};{v:.3f};{i:.3f}".replace(".", ","),
        FileAmbiguous,
        "choose with --decimal",
    ),
    "more columns than headings": (
        "time_s,voltage_v,current_a\n",
        lambda k, t, v, i: f"{t:.0f},{v:.3f},{i:.3f},7",
        FileUnusable,
        "which is which can't be",
    ),
    "no times": (
        "time_s,voltage_v,current_a\n",
        lambda k, t, v, i: f"t{k}x,{v:.3f},{i:.3f}",
        FileUnusable,
        "no times that can be read",
    ),
    "the clock goes back under load": (
        "time_s,voltage_v,current_a\n",
        lambda k, t, v, i: f"{t if t < 5000 else t - 3000:.0f},{v:.3f},{i:.3f}",
        FileUnusable,
        r"line 501: the clock goes back by 2990 s",
    ),
    "mostly unreadable": (
        "time_s,voltage_v,current_a\n",
        lambda k, t, v, i: f"{t:.0f},{'--' if k % 2 else f'{v:.3f}'},{i:.3f}",
        FileUnusable,
        "rows have no time, voltage or current",
    ),
    "charge runs into discharge with one sign": (
        "time_s,voltage_v,current_a\n",
        lambda k, t, v, i: f"{t:.0f},{v:.3f},0.5",
        FileAmbiguous,
        "--columns mode=…",
    ),
}


@pytest.mark.parametrize("case", REFUSED)
def test_what_is_refused_says_what_would_be_right(tmp_path: Path, case: str) -> None:
    heading, row, kind, words = REFUSED[case]
    path = tmp_path / "K1.csv"
    path.write_text(heading + (body(row) if row else ""), encoding="utf-8")
    with pytest.raises(kind, match=words) as caught:
        measure_log(path)
    assert "K1" in str(caught.value)


def test_the_choice_that_was_asked_for_helps(tmp_path: Path) -> None:
    def read(case: str, **choice: Any) -> float:
        heading, row, _, _ = REFUSED[case]
        assert row is not None
        path = tmp_path / "K1.csv"
        path.write_text(heading + body(row), encoding="utf-8")
        return float(measure_log(path, **choice)["capacity_mah"].iloc[0]) / 1000

    expected = pytest.approx(log().discharged_ah, rel=1.5e-3)
    assert read("mV that the heading calls V", units={"voltage": "mV"}) == expected
    assert read("minutes without a word", units={"time": "min"}) == expected
    assert read("hours without a word", units={"time": "h"}) == expected
    assert read("milliamps called amps", units={"current": "mA"}) == expected
    assert read("two voltages", columns={"voltage": 3}) == expected
    assert read("three digits behind a comma", decimal=",") == expected


def test_a_missing_file_a_folder_and_a_wrong_column_name(tmp_path: Path) -> None:
    (tmp_path / "K1.csv").write_text("time_s,voltage_v,current_a\n" + body(PLAIN), encoding="utf-8")
    with pytest.raises(FileUnusable, match=r"did you mean K1\.csv"):
        measure_log(tmp_path / "K2.csv")
    with pytest.raises(FileUnusable, match="is a folder"):
        measure_log(tmp_path)
    with pytest.raises(FileUnusable, match="no column 'voltage' for voltage; did you mean voltage_v"):
        measure_log(tmp_path / "K1.csv", columns={"voltage": "voltage"})


def test_faults_of_several_files_are_told_in_one_go(tmp_path: Path) -> None:
    for name in ("a.csv", "b.csv"):
        (tmp_path / name).write_text("timestamp,voltage,current\n", encoding="utf-8")
    with pytest.raises(FileUnusable) as caught:
        measure_log(tmp_path / "a.csv", tmp_path / "b.csv")
    assert [p.where for p in caught.value.problems] == ["a.csv line 1", "b.csv line 1"]


@settings(max_examples=15, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    delimiter=st.sampled_from([",", ";", "\t", "|"]),
    comma=st.booleans(),
    milli=st.booleans(),
    sign=st.sampled_from([1, -1]),
    stamp=st.sampled_from(["s", "min", "h", "clock", "iso"]),
    order=st.permutations(["time", "voltage", "current", "note"]),
    preamble=st.sampled_from(["", "Made by,x\n", "# any words\n\n"]),
)
def test_any_dialect_of_these_reads_back_equal(
    tmp_path: Path,
    delimiter: str,
    comma: bool,
    milli: bool,
    sign: int,
    stamp: str,
    order: Sequence[str],
    preamble: str,
) -> None:
    decimal = "," if comma and delimiter != "," else "."
    scale, unit = (1000.0, "m") if milli else (1.0, "")
    time_unit = stamp if stamp in ("s", "min", "h") else ""
    names = {
        "time": f"Time ({time_unit})" if time_unit else "Time",
        "voltage": f"Voltage ({unit}V)",
        "current": f"Current ({unit}A)",
        "note": "note",
    }

    def row(k: int, t: float, v: float, i: float) -> str:
        stamps = {
            "s": f"{t:.2f}",
            "min": f"{t / 60:.5f}",
            "h": f"{t / 3600:.7f}",
            "clock": clock(t),
            "iso": day(t, "%Y-%m-%dT%H:%M:%S"),
        }
        fields = {
            "time": stamps[stamp],
            "voltage": f"{v * scale:.4f}",
            "current": f"{sign * i * scale:.4f}",
            "note": "x",
        }
        return delimiter.join(fields[name].replace(".", decimal) for name in order)

    path = tmp_path / "K1.csv"
    path.write_text(
        preamble + delimiter.join(names[name] for name in order) + "\n" + body(row, every_s=60.0), encoding="utf-8"
    )
    cells = measure_log(path)
    assert cells["capacity_mah"].iloc[0] / 1000 == pytest.approx(log().discharged_ah, abs=2 * 0.5 * 60 / 3600)
    assert cells["ocv_start_v"].iloc[0] == pytest.approx(4.2, abs=0.001)


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
def test_broken_bytes_never_end_in_a_traceback(tmp_path: Path, data: st.DataObject) -> None:
    heading, row = DIALECTS[data.draw(st.sampled_from(sorted(DIALECTS)))]
    text = bytearray((heading + "\n".join(body(row, every_s=600.0).split("\n"))).encode())
    for _ in range(data.draw(st.integers(1, 12))):
        at = data.draw(st.integers(0, len(text) - 1))
        action = data.draw(st.sampled_from(["flip", "cut", "insert", "double"]))
        if action == "flip":
            text[at] = data.draw(st.integers(0, 255))
        elif action == "cut":
            del text[at : at + data.draw(st.integers(1, 40))]
        elif action == "insert":
            text[at:at] = data.draw(st.sampled_from([b'"', b"\n", b",", b"\x00", b"nan", b"-", b"1e999", b"\xff"]))
        else:
            text[at:at] = text[max(0, at - 60) : at]
        if not text:
            break
    path = tmp_path / "K1.csv"
    path.write_bytes(bytes(text))
    try:
        cells = measure_log(path)
    except CellmatchError:
        return
    assert len(cells)


def test_numbers_are_read_strictly_on_the_fast_way_too() -> None:
    plain = ["4.1", "-0.5", "1e-3", "+2", " 3.5"]
    assert numbers(plain, ".").tolist() == [4.1, -0.5, 0.001, 2.0, 3.5]
    assert numbers(["4,1", "-0,5"], ",").tolist() == [4.1, -0.5]
    odd = numbers(["1_000", "inf", "nan", "٣", "OL", "", "4.1 V", "1.2.3", "3.7"], ".")
    assert np.isnan(odd[:-1]).all()
    assert odd[-1] == 3.7


def test_times_that_are_none_are_none() -> None:
    assert read_times(["", " "], ".") is None
    assert read_times(["a", "b"], ".") is None
    found = read_times(["1:00:00", "1:00:10,5"], ",")
    assert found is not None
    assert found.time_s.tolist() == [3600.0, 3610.5]


def test_rows_out_of_order_and_restarts_never_make_time_fall() -> None:
    line, rest = np.arange(2, 12), np.zeros(10, dtype=bool)
    swapped = unbroken(np.array([0.0, 1, 2, 4, 3, 5, 6, 7, 8, 9]), rest, line)
    assert (np.diff(swapped.time_s) >= 0).all()
    assert not swapped.breaks
    restarted = unbroken(np.array([0.0, 1, 2, 3, 4, 0, 1, 2, 3, 4]), rest, line)
    assert restarted.time_s.tolist() == list(range(10))
    assert "restarts 1 time" in restarted.notes[0]
    jumped = unbroken(np.array([100.0, 101, 102, 103, 104, 50, 51, 52, 53, 54]), rest, line)
    assert list(jumped.breaks) == [5]
    at_rest = unbroken(np.array([100.0, 101, 102, 103, 104, 50, 51, 52, 53, 54]), ~rest, line)
    assert not at_rest.breaks


DISCHARGING = ("D", "CC DChg", "CC_DChg", "Discharge", "DCH", "discharging", "Entladen", "放电")
CHARGING = ("C", "CCCV_Chg", "Charge", "CHG", "Laden", "恒流充电")
NEITHER = ("R", "Rest", "Pause", "", "0")


def test_words_of_mode_columns() -> None:
    assert {word: direction_of(word) for word in (*DISCHARGING, *CHARGING, *NEITHER)} == {
        **dict.fromkeys(DISCHARGING, 1),
        **dict.fromkeys(CHARGING, -1),
        **dict.fromkeys(NEITHER, 0),
    }
