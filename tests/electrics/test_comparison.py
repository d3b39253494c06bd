"""What grouping buys."""

from __future__ import annotations

import numpy as np
import pytest

from cellmatch.electrics.comparison import compare_groupings
from cellmatch.electrics.discharge import run_load
from cellmatch.electrics.load import constant_current, constant_power, profile
from cellmatch.errors import ArgumentInvalid
from cellmatch.pack.chemistry import load_chemistry
from cellmatch.pack.curve import OcvCurve


def nmc() -> OcvCurve:
    curve = load_chemistry("nmc").working_curve()
    assert curve is not None
    return curve


def test_matched_groups_give_more_than_random_and_in_order_ones() -> None:
    rng = np.random.default_rng(2)
    q = np.sort(rng.normal(2.5, 0.15, 24))
    r = np.full(24, 0.04)
    dealt = np.concatenate([np.arange(6), np.arange(6)[::-1]] * 2) + 1  # folded: every group gets as much
    found = compare_groupings(q, r, dealt, nmc(), constant_current(8.0), end_v=3.0, full_v=4.2, draws=10)
    fine = run_load(q, r, dealt, nmc(), constant_current(8.0), end_v=3.0, full_v=4.2)
    assert found.this_ah == pytest.approx(fine.charge_ah, rel=1e-3)
    assert found.in_order_ah < float(found.random_ah.mean()) < found.this_ah
    assert found.gain_fraction > 0.01
    again = compare_groupings(q, r, dealt, nmc(), constant_current(8.0), end_v=3.0, full_v=4.2, draws=10)
    assert found.random_ah.tolist() == again.random_ah.tolist()


def test_power_and_groupings_that_can_t_carry_the_load() -> None:
    q, r = [2.5, 2.5, 2.5, 2.5], [0.02, 0.09, 0.02, 0.09]
    power = compare_groupings(q, r, [1, 1, 2, 2], nmc(), constant_power(30.0), end_v=3.0, full_v=4.2, draws=2)
    assert power.this_ah == pytest.approx(power.in_order_ah)
    heavy = compare_groupings(
        q, r, [1, 1, 2, 2], nmc(), constant_current(40.0), end_v=3.2, full_v=4.2, draws=12, seed=1
    )
    assert heavy.this_ah > 0
    assert (heavy.random_ah == 0.0).any()  # both strong cells in one group leave the other too weak


def test_a_load_that_only_charges_compares_nothing() -> None:
    load = profile("current", [1.0, 1.0], [1.0, -1.0])
    with pytest.raises(ArgumentInvalid, match="needs a load that discharges"):
        compare_groupings([2.5], [0.04], [1], nmc(), load, end_v=3.0, full_v=4.2)
