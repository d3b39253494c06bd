"""Where joined cells settle, and what a meter hides."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cellmatch.electrics.discharge import run_load
from cellmatch.electrics.load import constant_current
from cellmatch.electrics.parallel import join_cells
from cellmatch.electrics.settling import hidden_by_meter, settle_cells, voltage_words
from cellmatch.errors import ArgumentInvalid
from cellmatch.pack.chemistry import load_chemistry
from cellmatch.pack.curve import OcvCurve


def curve_of(name: str) -> OcvCurve:
    curve = load_chemistry(name).curve
    assert curve is not None
    return curve


NMC, LFP = curve_of("nmc"), curve_of("lfp")

CELLS = st.lists(st.tuples(st.floats(3.3, 4.15), st.floats(0.01, 0.1), st.floats(1.0, 5.0)), min_size=2, max_size=6)


@given(CELLS)
@settings(deadline=None, max_examples=40)
def test_charge_is_kept_and_heat_is_never_negative(cells: list[tuple[float, float, float]]) -> None:
    ocv, r, q = (np.array(x) for x in zip(*cells, strict=True))
    end = settle_cells(ocv, r, q, NMC)
    assert float(end.given_ah.sum()) == pytest.approx(0.0, abs=1e-9)
    assert ocv.min() - 1e-9 <= end.ocv_v <= ocv.max() + 1e-9
    assert end.heat_j >= -1e-6
    assert end.moved_ah == pytest.approx(float(np.abs(end.given_ah).sum()) / 2, abs=1e-9)


def test_a_run_without_load_settles_where_conservation_says() -> None:
    ocv, r, q = np.array([4.0, 3.7, 3.6]), [0.03, 0.05, 0.04], np.array([2.5, 2.0, 3.0])
    end = settle_cells(ocv, r, q, NMC)
    run = run_load(
        q, r, [1] * 3, NMC, constant_current(0.0), end_v=2.6, full_v=4.3, soc=NMC.soc(ocv),
        step_s=5.0, longest_s=20 * end.tau_s,
    )  # fmt: skip
    np.testing.assert_allclose(run.cell_soc, end.soc, atol=1e-4)
    assert float(run.group_v[-1, 0]) == pytest.approx(end.ocv_v, abs=1e-4)
    assert 3600 * run.heat_wh == pytest.approx(end.heat_j, rel=1e-3)
    np.testing.assert_allclose(run.cell_charge_ah, end.given_ah, atol=1e-3)
    # C/50 is reached when the record says so
    kept = run_load(
        q, r, [1] * 3, NMC, constant_current(0.0), end_v=2.6, full_v=4.3, soc=NMC.soc(ocv),
        step_s=1.0, longest_s=end.settled_s * 1.1, keep_currents=True,
    )  # fmt: skip
    assert kept.currents_a is not None
    quiet = (np.abs(kept.currents_a) <= 0.02 * q).all(axis=1)
    assert float(kept.time_s[np.argmax(quiet)]) == pytest.approx(end.settled_s, rel=0.1)


def test_equal_cells_have_nothing_to_settle() -> None:
    end = settle_cells([3.7] * 3, [0.03, 0.05, 0.04], [2.5, 2.0, 3.0], NMC)
    assert end.moved_ah == pytest.approx(0.0, abs=1e-12)
    assert end.settled_s == 0.0
    one = settle_cells([3.7], [0.03], [2.5], NMC)
    assert (one.tau_s, one.moved_ah) == (0.0, 0.0)


def test_the_slowest_of_many_cells_lies_between_those_of_pairs() -> None:
    straight = OcvCurve(soc_fraction=(0, 1), ocv_v=(3.0, 4.2), uncertainty_v=(0, 0), source="")
    r, q = [0.02, 0.05, 0.08], [2.5, 2.5, 2.5]
    three = settle_cells([3.7, 3.6, 3.65], r, q, straight).tau_s
    rates = np.sort(1 / (np.array(r) * np.array(q) * 3600 / 1.2))  # each against a bus held fast
    assert 1 / rates[1] < three < 1 / rates[0]


def test_a_dead_or_reversed_cell_is_not_settled() -> None:
    with pytest.raises(ArgumentInvalid, match=r"cell number 2: found -3\.67 V"):
        settle_cells([3.67, -3.67], [0.03] * 2, [2.5] * 2, NMC)
    with pytest.raises(ArgumentInvalid, match="cell number 1: found nan V"):
        settle_cells([np.nan, 3.67], [0.03] * 2, [2.5] * 2, NMC)


def test_a_meter_hides_little_charge_of_nmc_and_much_of_lfp() -> None:
    nmc = hidden_by_meter(3.70, 0.010, 0.025, 2.5, 4, NMC)
    lfp = hidden_by_meter(3.30, 0.010, 0.025, 1.5, 6, LFP)
    assert nmc.current_a == pytest.approx(join_cells([3.71, 3.69, 3.69, 3.69], [0.025] * 4, 1.0).worst_a)
    assert nmc.soc_high - nmc.soc_low < 0.03
    assert lfp.soc_high - lfp.soc_low > 0.3
    assert lfp.apart_ah == pytest.approx((lfp.soc_high - lfp.soc_low) * 1.5)
    assert hidden_by_meter(3.30, 0.010, 0.025, 1.5, 1, LFP).current_a == 0.0
    words = voltage_words("LFP/graphite", True, lfp)
    assert words is not None
    assert "equal charge is not shown by voltage" in words
    assert voltage_words("NMC/graphite", False, nmc) is None
    with pytest.raises(ArgumentInvalid, match="all must be above 0"):
        hidden_by_meter(3.30, 0.0, 0.025, 1.5, 6, LFP)
