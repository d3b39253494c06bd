"""Series balance: properties, self-discharge, what is refused."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from cellmatch.electrics.balance import drift, group_charge, leak_a, series_balance
from cellmatch.errors import ArgumentInvalid
from cellmatch.pack.chemistry import load_chemistry

GROUPS = st.lists(st.tuples(st.floats(1.0, 20.0), st.floats(0.0, 1.0)), min_size=1, max_size=20)


@given(GROUPS)
def test_never_more_than_the_weakest_and_all_of_it_once_level(groups: list[tuple[float, float]]) -> None:
    q, z = (np.array(x) for x in zip(*groups, strict=True))
    balance = series_balance(q, z)
    assert balance.usable_ah <= balance.balanced_ah + 1e-9
    assert balance.usable_ah >= -1e-9
    weakest = int(np.argmin(q))
    both = balance.first_empty == weakest and balance.first_full == weakest
    if both:
        assert balance.usable_ah == pytest.approx(balance.balanced_ah)
    # what charging alone puts in, or bleeding takes out, makes all lack the same
    np.testing.assert_allclose(np.ptp(balance.missing_ah - balance.charge_alone_ah), 0.0, atol=1e-9)
    np.testing.assert_allclose(np.ptp(balance.missing_ah + balance.bleed_ah), 0.0, atol=1e-9)


@given(st.lists(st.floats(1.0, 20.0), min_size=1, max_size=20), st.floats(0.0, 1.0))
def test_equal_charge_gives_all_of_the_weakest(q: list[float], z: float) -> None:
    assert series_balance(q, z).usable_ah == pytest.approx(min(q))


def test_cells_make_groups() -> None:
    q, z = group_charge([2.0, 3.0, 2.5], [0.5, 1.0, 0.2], [2, 2, 1])
    np.testing.assert_allclose(q, [2.5, 5.0])
    np.testing.assert_allclose(z, [0.2, 0.8])


def test_a_leak_that_voltage_can_t_tell_is_not_told() -> None:
    assert np.isnan(leak_a(-0.001, 0.9589, 2.5))  # rising: had not relaxed
    lfp = load_chemistry("lfp").curve
    assert lfp is not None
    z = np.array([0.3, 0.4, 0.6, 0.8, 0.94])
    slope = lfp.slope_v(z)
    assert np.isnan(leak_a(0.002, slope[1:], 1.5)).all()
    nmc = load_chemistry("nmc").curve
    assert nmc is not None
    assert not np.isnan(leak_a(0.002, nmc.slope_v(np.linspace(0, 1, 200)), 1.5)).any()
    assert np.isnan(leak_a(np.nan, 0.9, 2.5))


def test_weeks_of_self_discharge_cost_capacity_until_it_is_balanced() -> None:
    lost = drift([10.0, 10.0, 10.0], 0.9, [50e-6, 50e-6, 1e-3], weeks=8)
    assert lost.apart_ah == pytest.approx(0.95e-3 * 8 * 168)
    assert lost.balance.usable_ah == pytest.approx(10.0 - lost.apart_ah)
    assert lost.balance.bleed_hours(0.06) == pytest.approx(lost.apart_ah / 0.06)
    assert lost.balance.first_empty == 2
    assert float(drift([10.0], 0.01, [0.01], weeks=50).balance.missing_ah[0]) == pytest.approx(10.0)


def test_bad_input_is_named() -> None:
    with pytest.raises(ArgumentInvalid, match=r"group number 2: found 9 Ah at a charge of 1\.2"):
        series_balance([10.0, 9.0], [0.5, 1.2])
    with pytest.raises(ArgumentInvalid, match="group number 1: found 0 Ah"):
        series_balance([0.0], [0.5])
    with pytest.raises(ArgumentInvalid, match="found 0 A at a duty of 1"):
        series_balance([10.0], [0.5]).bleed_hours(0.0)
    with pytest.raises(ArgumentInvalid, match="slopes and capacities above 0"):
        leak_a(0.001, 0.0, 2.5)
    with pytest.raises(ArgumentInvalid, match="leaks and weeks"):
        drift([10.0], [0.5], [np.nan], weeks=2)
