"""Shares, limits and loads that nobody can carry."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from cellmatch.electrics.discharge import Run, run_load
from cellmatch.electrics.load import Load, constant_current, profile
from cellmatch.electrics.sharing import (
    capacity_share,
    conductance_share,
    hold_against_limits,
    largest_current_a,
    refuse_overload,
    share_two_cells,
)
from cellmatch.errors import ArgumentInvalid, JobError
from cellmatch.pack.chemistry import load_chemistry


def run_of(load: Load) -> Run:
    curve = load_chemistry("nmc").working_curve()
    assert curve is not None
    return run_load([2.5] * 4, [0.025, 0.025, 0.025, 0.0375], [1] * 4, curve, load, end_v=3.0, full_v=4.2)


@given(st.lists(st.floats(0.01, 1.0), min_size=1, max_size=20))
def test_shares_sum_to_one(values: list[float]) -> None:
    assert float(conductance_share(values).sum()) == pytest.approx(1.0)
    assert float(capacity_share(values).sum()) == pytest.approx(1.0)


@given(
    st.tuples(st.floats(0.01, 0.2), st.floats(0.01, 0.2)),
    st.tuples(st.floats(1.0, 10.0), st.floats(1.0, 10.0)),
    st.floats(0.2, 5.0),
    st.floats(-20.0, 20.0),
)
def test_two_cells_start_by_conductance_and_end_by_capacity(
    r: tuple[float, float], q: tuple[float, float], slope: float, current: float
) -> None:
    two = share_two_cells(r, q, slope, current, [0.0, 1e9])
    np.testing.assert_allclose(two.currents_a[0], current * conductance_share(r), atol=1e-9)
    np.testing.assert_allclose(two.currents_a[1], current * capacity_share(q), atol=1e-9)


@given(st.floats(0.01, 0.2), st.floats(1.0, 10.0), st.floats(1.0, 10.0), st.floats(0.0, 1e5))
def test_equal_r_times_q_never_drifts(r: float, qa: float, qb: float, time_s: float) -> None:
    two = share_two_cells((r, r * qa / qb), (qa, qb), 1.2, 5.0, time_s)
    assert float(two.soc_difference[0]) == pytest.approx(0.0, abs=1e-12)


def test_the_largest_over_the_run_is_held_against_the_limit() -> None:
    load = constant_current(20.0)
    run = run_of(load)
    assert run.cell_first_a.max() < 5.6 < run.cell_max_a.max()
    check, contact = hold_against_limits(run, load, continuous_a=5.6, contact_a=10.0)
    assert (check.name, check.cell, check.kept) == ("continuous", 3, False)
    assert check.current_a == pytest.approx(float(run.cell_max_a[3]))
    assert check.at_s is not None
    assert check.at_s > 1000
    assert "above its continuous limit of 5.60 A" in check.why
    assert contact.kept
    assert "within the contact's limit of 10.00 A" in contact.why


def test_pulses_meet_the_peak_limit_and_their_mean_the_continuous_one() -> None:
    load = profile("current", [10.0, 50.0], [40.0, 4.0])
    run = run_of(load)
    continuous, peak = hold_against_limits(run, load, continuous_a=6.0, peak_a=12.0)
    assert continuous.current_a == pytest.approx(float(run.cell_rms_a.max()))
    assert continuous.at_s is None
    assert continuous.kept
    assert peak.current_a == pytest.approx(float(run.cell_max_a.max()))
    assert peak.kept
    (only,) = hold_against_limits(run, load, continuous_a=6.0)
    assert not only.kept  # without a peak limit the continuous one counts at every instant


def test_the_largest_current_is_where_the_first_cell_reaches_its_limit() -> None:
    r, group = np.array([0.02, 0.03, 0.04, 0.025, 0.025, 0.03]), [1, 1, 1, 2, 2, 2]
    largest = largest_current_a(r, group, [5, 5, 5, 9, 9, 9])
    carried = [largest * conductance_share(r[:3]), largest * conductance_share(r[3:])]
    assert carried[0].max() == pytest.approx(5.0)
    assert carried[1].max() < 9.0


def test_a_load_above_the_sum_of_the_limits_is_refused() -> None:
    refuse_overload(30.0, [1, 1, 1], 10.0)
    with pytest.raises(JobError, match=r"31 A is more than group 2 may carry: its 3 cells may carry 30 A"):
        refuse_overload(-31.0, [1, 1, 1, 1, 2, 2, 2], 10.0)


def test_bad_input_is_named() -> None:
    with pytest.raises(ArgumentInvalid, match="cell number 2: found a resistance of 0 ohm"):
        conductance_share([0.1, 0.0])
    with pytest.raises(ArgumentInvalid, match="found a slope of -1 V"):
        share_two_cells((0.1, 0.1), (1.0, 1.0), -1.0, 1.0, 0.0)
