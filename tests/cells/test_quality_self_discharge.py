"""Self-discharge from two dated voltages, and everything it refuses."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from cellmatch.cells.reading.files import read_cells
from cellmatch.cells.screening.screen import screen_cells
from cellmatch.cells.worth.leaks import lost_between_readings
from cellmatch.cells.worth.self_discharge import (
    leak_ma,
    least_rest_days,
    population_limit,
    self_discharge,
    with_self_discharge,
)
from cellmatch.errors import ArgumentInvalid
from cellmatch.pack.chemistry import load_chemistry
from cellmatch.pack.curve import OcvCurve


def _curve(soc: tuple[float, ...], ocv_v: tuple[float, ...]) -> OcvCurve:
    return OcvCurve(soc_fraction=soc, ocv_v=ocv_v, uncertainty_v=tuple(0.0 for _ in soc), source="made up")


NMC, LFP = load_chemistry("nmc"), load_chemistry("lfp")
STRAIGHT = replace(NMC, curve=_curve((0.0, 1.0), (3.0, 4.2)))
FLAT_MIDDLE = replace(LFP, curve=_curve((0.0, 0.30, 0.95, 1.0), (2.5, 3.20, 3.32, 3.60)))


def _voltages(ocv_v: list[float], at: str | list[str], **more: float) -> pd.DataFrame:
    ids = [f"C{i}" for i in range(len(ocv_v))]
    frame = pd.DataFrame({"ocv_v": ocv_v, "tested_at": at}, index=ids)
    for name, value in more.items():
        frame[name] = value
    return frame


ONE = _voltages([3.7], "2026-03-01")


def test_rate_and_leak_of_a_lot() -> None:
    first = _voltages([3.700, 3.700, 3.700], "2026-03-01", capacity_mah=2500.0, rested_h=48.0)
    second = _voltages([3.699, 3.686, 3.693], "2026-03-08T00:00:00")
    found = self_discharge(first, second, chemistry=STRAIGHT)
    assert found.mv_per_day == pytest.approx([1 / 7, 2.0, 1.0])
    # by hand: 2 mV/d ÷ 1.2 V × 2500 mAh ÷ 24 h = 0.17361 mA
    assert found.leak_ma[1] == pytest.approx(0.173611, rel=1e-5)
    assert not found.refused
    assert found.step_mv_per_day == pytest.approx(1 / 7)
    assert "median 1 mV a day" in found.text()
    assert "not given" not in found.text()


def test_only_cells_of_both_tables_count_and_order_does_not_matter() -> None:
    first = _voltages([3.7, 3.7, 3.7], "2026-03-01")
    second = _voltages([3.69, 3.68, 3.67], "2026-03-11").iloc[::-1].drop("C1")
    found = self_discharge(first, second)
    assert found.cell_ids == ("C0", "C2")
    assert found.mv_per_day == pytest.approx([1.0, 3.0])
    assert np.isnan(found.leak_ma).all()


def test_rising_voltage_is_not_relaxed_and_never_a_negative_leak() -> None:
    found = self_discharge(_voltages([3.60, 3.60], "2026-03-01"), _voltages([3.62, 3.601], "2026-03-08"), step_v=0.001)
    assert np.isnan(found.mv_per_day).all()
    assert "not relaxed" in found.refused["C0"]
    assert "one step of the meter" in found.refused["C1"]


def test_dates_that_are_equal_backwards_or_unreadable_are_refused() -> None:
    first = _voltages([3.7] * 4, ["2026-03-01", "2026-03-09", "01.03.2026", "2026-03-01"])
    second = _voltages([3.69, 3.69, 3.69, np.nan], ["2026-03-01", "2026-03-08", "2026-03-08", "2026-03-08"])
    found = self_discharge(first, second)
    assert "same date" in found.refused["C0"]
    assert "1 days before" in found.refused["C1"]
    assert "2026-03-31 08:00" in found.refused["C2"]
    assert "missing" in found.refused["C3"]
    assert np.isnan(found.mv_per_day).all()
    assert "no figure for 4 cell(s)" in found.text()


def test_the_flat_range_of_lfp_is_refused_and_its_ends_are_not() -> None:
    first = _voltages([3.10, 3.26, 3.40, 3.30], "2026-03-01")
    second = _voltages([3.09, 3.25, 3.39, 3.29], "2026-03-11")
    found = self_discharge(first, second, chemistry=FLAT_MIDDLE)
    assert set(found.refused) == {"C1", "C3"}
    assert "capacity lost" in found.refused["C1"]
    assert set(self_discharge(first, second, chemistry=replace(LFP, curve=None)).refused) == {"C0", "C1", "C2", "C3"}


def test_short_or_unknown_rest_is_said() -> None:
    second = _voltages([3.69], "2026-03-08")
    unknown = self_discharge(_voltages([3.7], "2026-03-01"), second)
    assert "relaxation" in unknown.text()
    short = self_discharge(_voltages([3.7], "2026-03-01", rested_h=2.0), second)
    assert "rested less than 24 h" in short.text()


def test_the_step_is_assumed_aloud_where_it_can_not_be_seen() -> None:
    found = self_discharge(_voltages([3.7], "2026-03-01"), _voltages([3.69], "2026-03-08"))
    assert found.step_mv == 1.0
    assert "assumed 1 mV" in found.text()


@pytest.mark.parametrize(
    ("first", "second", "words"),
    [
        (ONE.drop(columns="tested_at"), ONE, "tested_at is missing"),
        (ONE, ONE.rename(index={"C0": "X"}), "ids written alike"),
        (pd.concat([ONE, ONE]), ONE, "C0 stands more than once"),
    ],
)
def test_tables_that_can_not_be_used_say_why(first: pd.DataFrame, second: pd.DataFrame, words: str) -> None:
    with pytest.raises(ArgumentInvalid, match=words):
        self_discharge(first, second)


def test_a_slope_must_be_above_zero() -> None:
    with pytest.raises(ArgumentInvalid, match="above 0"):
        self_discharge(_voltages([3.7], "2026-03-01"), _voltages([3.6], "2026-03-08"), slope_v_per_soc=0.0)
    with pytest.raises(ArgumentInvalid, match="above 0"):
        least_rest_days(0.001, 0.0)


def test_the_population_limit_finds_a_leaker_and_spares_the_lot() -> None:
    rng = np.random.default_rng(8)
    first = np.full(60, 3.7)
    second = np.round(first - 7 * rng.normal(0.6, 0.1, 60) / 1000, 3)
    second[7] -= 0.035
    found = self_discharge(_voltages(list(first), "2026-03-01"), _voltages(list(second), "2026-03-08"))
    limit = found.limit_mv_per_day()
    assert list(np.flatnonzero(found.mv_per_day > limit)) == [7]


def test_the_population_limit_is_never_finer_than_the_meter() -> None:
    # all alike in the last digit: the median absolute deviation is 0, one step up is no leaker
    values = np.array([1 / 7] * 20 + [2 / 7])
    assert population_limit(values) == pytest.approx(1 / 7)
    assert population_limit(values, k=5, least_scale=1 / 7) == pytest.approx(6 / 7)
    assert np.isnan(population_limit(np.array([np.nan])))


def test_rates_are_written_into_the_table_beside_those_that_were_there() -> None:
    cells = pd.DataFrame({"self_discharge_mv_per_day": [9.0, 8.0]}, index=["C0", "other"])
    found = self_discharge(_voltages([3.7], "2026-03-01"), _voltages([3.69], "2026-03-11"))
    assert list(with_self_discharge(cells, found)["self_discharge_mv_per_day"]) == pytest.approx([1.0, 8.0])
    assert list(cells["self_discharge_mv_per_day"]) == [9.0, 8.0]


def test_leak_is_proportional_to_capacity_and_loss() -> None:
    assert leak_ma(np.array([2.0, 4.0]), np.array([1.0, 1.0]), np.array([1000.0, 2000.0])) == pytest.approx(
        [2 / 24, 8 / 24]
    )


def _two_days(folder: Path, dates: tuple[str, str] = ("2031-05-01", "2031-05-15")) -> list[Path]:
    """Write a tray on its first day, and its voltages 14 days later: 2.8 mV lost, and 28 mV by C2."""
    first, second = folder / "first.csv", folder / "second.csv"
    first.write_text(
        "cell_id,ocv_v,capacity_mah,tested_at\n" + "".join(f"C{i},3.7{i}00,2500,{dates[0]}\n" for i in range(5))
    )
    lost = {i: 28.0 if i == 2 else 2.8 for i in range(5)}
    second.write_text(
        "cell_id,ocv_v,tested_at\n" + "".join(f"C{i},{3.7 + i / 100 - lost[i] / 1000:.4f},{dates[1]}\n" for i in lost)
    )
    return [first, second]


@pytest.mark.parametrize("order", [1, -1])
def test_two_dated_files_give_what_each_cell_loses_a_day(tmp_path: Path, order: int) -> None:
    cells = lost_between_readings(read_cells(*_two_days(tmp_path)[::order]), load_chemistry("nmc"))
    # by hand: 2.8 mV in 14 days, and ten times as much
    assert cells["self_discharge_mv_per_day"].to_numpy() == pytest.approx([0.2, 0.2, 2.0, 0.2, 0.2])
    assert cells["ocv_v"].to_numpy()[:3] == pytest.approx([3.6972, 3.7072, 3.692])  # the last voltage counts
    assert (cells["leak_ma"] > 0).all()
    reading = cells.attrs["reading"]
    (told,) = [words for words in reading.assumptions if "self-discharge" in words]
    for words in ("median 0.2 mV a day", "leak current", "limit", "24 h or more are needed"):
        assert words in told
    assert not any("differ" in words for words in reading.warnings)
    assert reading.told == ("--self-discharge",)
    reasons = screen_cells(cells, chemistry="nmc")["reasons"]
    assert [bool(r) for r in reasons] == [False, False, True, False, False]
    assert "self-discharge outlier" in reasons["C2"][0]


def test_two_voltages_of_one_date_are_refused_cell_by_cell(tmp_path: Path) -> None:
    cells = lost_between_readings(read_cells(*_two_days(tmp_path, ("2031-05-01", "2031-05-01"))))
    assert cells["self_discharge_mv_per_day"].isna().all()
    assert any("same date" in words for words in cells.attrs["reading"].assumptions)


def test_self_discharge_needs_two_dates(tmp_path: Path) -> None:
    first, _ = _two_days(tmp_path)
    with pytest.raises(ArgumentInvalid, match="no cell has two voltages with a date each"):
        lost_between_readings(read_cells(first))
