"""Repeatability, floor, least true spread, and the step in which readings were taken."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from cellmatch.cells.quality import (
    FLOOR_FACTOR,
    LEAST_DEGREES,
    Repeatability,
    expected_largest,
    match_uncertainty,
    pooled_standard_deviation,
    repeatability,
    resolution,
    single_readings,
)
from cellmatch.cells.reading.files import read_cells
from cellmatch.errors import ArgumentInvalid


def _cells(capacity_mah: list[float], **more: list[float]) -> pd.DataFrame:
    ids = [f"C{i}" for i in range(len(capacity_mah))]
    return pd.DataFrame({"capacity_mah": capacity_mah, **more}, index=ids)


def _repeats(cells: int, times: int, deviation: float, seed: int = 1, digits: int = 3) -> pd.DataFrame:
    rng = np.random.default_rng(seed)
    true = rng.normal(2500, 100, cells).repeat(times)
    ids = np.repeat([f"C{i}" for i in range(cells)], times)
    return pd.DataFrame({"capacity_mah": np.round(true + rng.normal(0, deviation, true.size), digits)}, index=ids)


def test_pooling_uses_every_degree_of_freedom() -> None:
    # by hand: A deviates by ±5 (2 readings), B by -3, 0, 3; sum of squares 50 + 18 over 1 + 2 degrees
    deviation, degrees = pooled_standard_deviation(["A", "A", "B", "B", "B", "C"], [95, 105, 7, 10, 13, 50])
    assert degrees == 3
    assert deviation == pytest.approx(np.sqrt(68 / 3))


def test_pooling_leaves_missing_readings_out_and_knows_when_nothing_repeats() -> None:
    deviation, degrees = pooled_standard_deviation(["A", "A", "B"], [100.0, np.nan, 90.0])
    assert degrees == 0
    assert np.isnan(deviation)


def test_pooled_deviation_finds_what_was_put_in() -> None:
    repeats = _repeats(400, 3, 12.5)
    deviation, degrees = pooled_standard_deviation(repeats.index, repeats["capacity_mah"])
    assert degrees == 800
    assert deviation == pytest.approx(12.5, rel=4 / np.sqrt(2 * 800))


def test_a_users_figure_comes_before_repeats_and_repeats_before_the_default() -> None:
    cells = _cells([2400, 2500, 2600])
    repeats = _repeats(20, 2, 5.0)
    assert repeatability(cells, repeats=repeats, fraction=0.004).value == pytest.approx(10.0)
    assert repeatability(cells, repeats=repeats, fraction=0.004).known_from == "given"
    found = repeatability(cells, repeats=repeats)
    assert found.known_from == "repeats"
    assert found.value == pytest.approx(5.0, rel=0.4)
    default = repeatability(cells)
    assert (default.value, default.known_from) == (25.0, "default")
    assert "median" in default.text()


def test_the_default_is_of_rated_where_a_rated_capacity_is_given() -> None:
    assert repeatability(_cells([1500, 1600], rated_mah=[2600, 2600])).value == pytest.approx(26.0)
    assert repeatability(_cells([1500, 1600]), rated_mah=3000).value == pytest.approx(30.0)


def test_few_repeats_leave_the_default_and_say_so() -> None:
    found = repeatability(_cells([2500]), repeats=_repeats(LEAST_DEGREES - 1, 2, 5.0))
    assert found.known_from == "default"
    assert str(LEAST_DEGREES) in found.text()


def test_repeats_that_agree_in_every_digit_are_worth_the_digit_not_nothing() -> None:
    repeats = _repeats(20, 1, 0.0, digits=0)
    found = repeatability(_cells([2500]), repeats=pd.concat([repeats, repeats]))
    assert found.known_from == "repeats"
    assert found.value == pytest.approx(1 / np.sqrt(12))


def test_identical_repeats_without_any_visible_step_are_no_proof() -> None:
    repeats = pd.DataFrame({"capacity_mah": [2500.0] * 12}, index=["A", "B"] * 6)
    assert repeatability(_cells([2500.0]), repeats=repeats).known_from == "default"


@pytest.mark.parametrize("fraction", [-0.1, 1.5, float("nan")])
def test_a_fraction_out_of_range_is_refused(fraction: float) -> None:
    with pytest.raises(ArgumentInvalid, match="fraction from 0 to 1"):
        repeatability(_cells([2500]), fraction=fraction)


def test_no_capacity_at_all_is_refused() -> None:
    with pytest.raises(ArgumentInvalid, match="no cell has"):
        repeatability(_cells([np.nan]))


def test_floor_is_the_95_percent_limit_of_a_difference_of_groups() -> None:
    rng = np.random.default_rng(7)
    known = Repeatability(value=12.5, unit="mAh", known_from="given", how="given")
    worth = match_uncertainty(known, 10, 3)
    difference = rng.normal(0, 12.5, (200_000, 2, 3)).sum(axis=2) @ np.array([1.0, -1.0])
    # share of equal groups that read further apart than the floor: 5 %, known to ±0.05 % (1 σ)
    assert np.mean(np.abs(difference) > worth.floor_mah) == pytest.approx(0.05, abs=0.0025)


def test_text_warns_of_a_match_below_the_floor_and_only_then() -> None:
    known = Repeatability(value=12.5, unit="mAh", known_from="given", how="given")
    worth = match_uncertainty(known, 10, 3)
    assert "numbers only" in worth.text(5.0)
    assert "numbers only" not in worth.text(200.0)
    assert "60 mAh" in worth.text()
    assert str(worth) == worth.text()


def test_true_spread_is_never_below_the_least_nor_below_the_apparent() -> None:
    known = Repeatability(value=20.0, unit="mAh", known_from="given", how="given")
    worth = match_uncertainty(known, 13, 4)
    assert worth.true_spread_mah(0.0) == pytest.approx(worth.least_true_spread_mah)
    assert worth.true_spread_mah(1e6) == pytest.approx(1e6)


def test_one_group_has_no_spread() -> None:
    known = Repeatability(value=20.0, unit="mAh", known_from="given", how="given")
    assert match_uncertainty(known, 1, 4).least_true_spread_mah == pytest.approx(0.0, abs=1e-9)


@pytest.mark.parametrize("count", [2, 3, 50, 1000])
def test_expected_largest_agrees_with_drawing_lots(count: int) -> None:
    draws = np.random.default_rng(3).standard_normal((20_000, count)).max(axis=1)
    assert expected_largest(count) == pytest.approx(draws.mean(), abs=5 * draws.std() / np.sqrt(20_000))


def test_expected_largest_has_closed_forms_for_two_and_three() -> None:
    # Closed forms of the largest of n standard normal values: 1/√π for 2, 3/(2√π) for 3
    # (H. A. David and H. N. Nagaraja, Order Statistics, 3rd ed., 2003; also worked out by hand)
    assert expected_largest(1) == pytest.approx(0.0, abs=1e-12)
    assert expected_largest(2) == pytest.approx(1 / np.sqrt(np.pi), rel=1e-10)
    assert expected_largest(3) == pytest.approx(1.5 / np.sqrt(np.pi), rel=1e-10)
    with pytest.raises(ValueError, match="1 or more"):
        expected_largest(0)


def test_floor_factor_is_what_it_says() -> None:
    from scipy.stats import norm

    assert pytest.approx(np.sqrt(2) * norm.ppf(0.975), abs=0.005) == FLOOR_FACTOR


@given(
    st.lists(st.integers(-4000, 4000), min_size=5, max_size=60),
    st.sampled_from([0.0001, 0.001, 0.005, 0.01, 0.1, 0.5, 1.0, 20.0]),
)
def test_the_step_found_fits_every_reading_and_is_no_finer_than_the_meters(counts: list[int], step: float) -> None:
    values = np.array(counts) * step
    found = resolution(values)
    if len(set(counts)) < 2:
        assert np.isnan(found)
    else:
        assert found >= step * 0.999
        assert np.allclose(values / found, np.round(values / found), atol=1e-4)


def test_the_step_survives_a_change_of_unit() -> None:
    assert resolution(np.array([2.513, 2.509, 2.498, 2.501, 2.517]) * 1000) == 1.0
    assert resolution([4.04, 4.05, 4.06, 4.04, 4.05]) == 0.01
    assert np.isnan(resolution([3.6, 3.7]))
    assert np.isnan(resolution(np.random.default_rng(0).normal(size=50)))


def test_single_readings_come_from_what_reading_kept(tmp_path: Path) -> None:
    path = tmp_path / "tray.csv"
    rows = [f"C{i},3.6{i},{2500 + 10 * i + d},20" for i in range(8) for d in (-3, 3)]
    path.write_text("cell_id,ocv_v,capacity_mah,ir_mohm\nonce,3.60,2400,21\n" + "\n".join(rows), encoding="utf-8")
    cells = read_cells(path)
    readings = single_readings(cells)
    assert len(readings) == 17
    assert sorted(readings["capacity_mah"][readings.index == "C3"]) == [2527.0, 2533.0]
    found = repeatability(cells, repeats=readings)
    # by hand: each pair lies ±3 about its mean, 18 over one degree of freedom each
    assert (found.known_from, found.degrees) == ("repeats", 8)
    assert found.value == pytest.approx(np.sqrt(18.0))
    plain = _cells([2500.0, 2510.0])
    assert single_readings(plain) is plain
