"""The first instant of joining: currents, limits and verdicts."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from cellmatch.electrics.parallel import join_cells, join_groups, joining_window_v, worst_verdict
from cellmatch.errors import ArgumentInvalid


def test_a_spread_inside_50_mv_can_still_be_too_much_current() -> None:
    """100 mV across one cell of 25 mohm and two of them side by side: 0.1 V / 37.5 mohm (by hand)."""
    joined = join_cells([3.72, 3.62, 3.62], [0.025] * 3, 1.25)
    assert joined.worst_a == pytest.approx(0.1 * (2 / 3) / 0.025, rel=1e-9)
    assert joined.bus_v == pytest.approx(3.65333333, abs=1e-8)
    assert joined.verdict == "level first"
    assert "2.67 A" in joined.why
    assert "1.25 A" in joined.why


def test_a_reversed_cell_stops() -> None:
    """Bus V (P - 2)/P = 1.835 V, 73.4 A in each good cell, 220.2 A in the reversed one (by hand)."""
    joined = join_cells([3.67, 3.67, 3.67, -3.67], [0.025] * 4, 1.25)
    assert joined.bus_v == pytest.approx(1.835, abs=1e-12)
    np.testing.assert_allclose(joined.currents_a, [73.4, 73.4, 73.4, -220.2], rtol=1e-12)
    assert joined.worst_cell == 3
    assert joined.verdict == "stop"
    assert "cell number 4" in joined.why


@pytest.mark.parametrize("ocv_v", [0.0, -0.001])
def test_a_dead_cell_stops_whatever_the_current(ocv_v: float) -> None:
    assert join_cells([0.001, ocv_v], [0.05, 0.05], 1.0).verdict == "stop"


def test_ten_times_the_limit_is_a_fault_not_a_levelling_job() -> None:
    """A cell of 3.67 V added to a group of three at 4.15 V, 25 mohm each: 14.4 A (by hand)."""
    joined = join_cells([4.15, 4.15, 4.15, 3.67], [0.025] * 4, 1.25)
    assert joined.worst_a == pytest.approx(14.4, rel=1e-9)
    assert joined.verdict == "stop"
    assert join_cells([4.15, 4.15, 4.15, 3.67], [0.025] * 4, 1.25, stop_ratio=12).verdict == "level first"


def test_each_cell_is_held_against_its_own_limit() -> None:
    joined = join_cells([4.10, 3.70, 3.70, 3.70], [0.05] * 4, [7.0, 1.0, 3.0, 3.0])
    assert joined.worst_cell == 1
    assert joined.limit_a == 1.0
    assert joined.verdict == "level first"


def test_equal_cells_carry_exactly_nothing() -> None:
    joined = join_cells([3.6789] * 7, np.linspace(0.02, 0.05, 7), 1e-12)
    assert joined.currents_a.tolist() == [0.0] * 7
    assert joined.verdict == "go"


def test_one_cell_is_not_joined() -> None:
    joined = join_cells([3.7], [0.03], 1.0)
    assert (joined.bus_v, joined.worst_a, joined.verdict) == (3.7, 0.0, "go")
    reversed_alone = join_cells([-3.7], [0.03], 1.0)
    assert (reversed_alone.worst_a, reversed_alone.verdict) == (0.0, "stop")
    assert "reversed" in reversed_alone.why


def test_groups_give_what_each_gives_alone() -> None:
    rng = np.random.default_rng(5)
    group = rng.permutation(np.repeat(np.arange(1, 21), 6))
    ocv, r = rng.normal(3.7, 0.02, 120), rng.uniform(0.02, 0.05, 120)
    limit = rng.uniform(0.3, 1.5, 120)
    many = join_groups(ocv, r, group, limit)
    assert many.group.tolist() == list(range(1, 21))
    for g in range(20):
        mine = np.flatnonzero(group == g + 1)
        alone = join_cells(ocv[mine], r[mine], limit[mine])
        assert many.bus_v[g] == pytest.approx(alone.bus_v, rel=1e-12)
        assert many.worst_cell[g] == mine[alone.worst_cell]
        assert many.worst_a[g] == pytest.approx(alone.worst_a, rel=1e-12)
        assert many.verdict[g] == alone.verdict
    assert set(many.verdict.tolist()) == {"go", "level first"}
    assert many.worst_verdict == "level first"


def test_groups_may_differ_in_size() -> None:
    many = join_groups([3.7, 3.6, 3.6, 3.6], [0.05] * 4, [2, 1, 1, 1], 1.0)
    assert many.size.tolist() == [3, 1]
    assert many.worst_a.tolist() == [0.0, 0.0]


@given(
    st.lists(st.tuples(st.floats(2.5, 4.2), st.floats(0.005, 0.2)), min_size=2, max_size=12),
)
def test_no_charge_appears_and_the_bus_lies_between(cells: list[tuple[float, float]]) -> None:
    ocv, r = (np.array(x) for x in zip(*cells, strict=True))
    joined = join_cells(ocv, r, 1.0)
    assert abs(joined.currents_a.sum()) <= 1e-9 * max(1.0, np.abs(joined.currents_a).sum())
    assert ocv.min() - 1e-9 <= joined.bus_v <= ocv.max() + 1e-9
    np.testing.assert_allclose(ocv - joined.currents_a * r, joined.bus_v, atol=1e-9)


@given(st.integers(2, 80), st.floats(0.005, 0.2), st.floats(0.1, 5.0), st.integers(1, 79))
def test_the_window_keeps_the_limit_and_uses_all_of_it(p: int, r: float, limit: float, high: int) -> None:
    """No way of standing at the window's edges passes the limit; one alone at its edge just reaches it."""
    half = joining_window_v(r, p, limit)
    at_edges = np.where(np.arange(p) < min(high, p - 1), 3.7 + half, 3.7 - half)
    assert join_cells(at_edges, [r] * p, limit * (1 + 1e-9)).verdict == "go"
    alone = np.where(np.arange(p) < 1, 3.7 + half, 3.7 - half)
    assert join_cells(alone, [r] * p, limit).worst_a == pytest.approx(limit, rel=1e-9)


def test_window_without_a_parallel_count_is_the_narrowest() -> None:
    assert joining_window_v(0.025, None, 1.25) == pytest.approx(0.015625)
    assert joining_window_v(0.025, None, 1.25) < joining_window_v(0.025, 1000, 1.25)
    assert joining_window_v(0.025, 1, 1.25) == np.inf


def test_bad_input_is_named() -> None:
    with pytest.raises(ArgumentInvalid, match=r"cell number 2.*above 0"):
        join_cells([3.7, 3.7], [0.03, 0.0], 1.0)
    with pytest.raises(ArgumentInvalid, match=r"cell number 1.*-0\.5 A"):
        join_cells([3.7, 3.7], [0.03, 0.03], -0.5)
    with pytest.raises(ValueError, match="no resistance for cell number 2"):
        join_cells([3.7, 3.7], [0.03, np.nan], 1.0)
    with pytest.raises(ArgumentInvalid, match="one of each per cell"):
        join_cells([3.7, 3.7], [0.03], 1.0)
    with pytest.raises(ArgumentInvalid, match="3 group numbers for 2 cells"):
        join_groups([3.7, 3.7], [0.03, 0.03], [1, 1, 2], 1.0)
    with pytest.raises(ArgumentInvalid, match="both must be above 0"):
        joining_window_v(0.0, 3, 1.0)
    with pytest.raises(ArgumentInvalid, match="at least 1"):
        joining_window_v(0.03, 0, 1.0)


def test_worst_verdict() -> None:
    assert worst_verdict([]) == "go"
    assert worst_verdict(["stop", "go", "level first"]) == "stop"
    with pytest.raises(ValueError, match="not in"):
        worst_verdict(["fine"])
