"""Strings, modules and packs joined by the rule for cells."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from cellmatch.electrics.modules import Branch, join_branches, level_through_resistor, module_of, string_of
from cellmatch.electrics.network import Network
from cellmatch.errors import ArgumentInvalid


def test_a_string_is_its_sum_and_its_weakest_cell() -> None:
    string = string_of([3.7, 3.6, 3.8], [0.03, 0.04, 0.05], [1.0, 0.8, 1.2], link_ohm=0.001)
    assert (string.ocv_v, string.r_ohm, string.limit_a) == pytest.approx((11.1, 0.121, 0.8))


@given(st.lists(st.tuples(st.floats(3.5, 3.9), st.floats(0.02, 0.06), st.floats(0.5, 2.0)), min_size=6, max_size=6))
def test_modules_joined_at_their_terminals_are_the_network(cells: list[tuple[float, float, float]]) -> None:
    """Two modules of 3s1p give the same currents as the circuit of all their cells."""
    ocv, r, limit = (np.array(x) for x in zip(*cells, strict=True))
    one = module_of(ocv[:3], r[:3], [1, 2, 3], limit[:3])
    other = module_of(ocv[3:], r[3:], [1, 2, 3], limit[3:])
    joined = join_branches([one, other])
    circuit = Network(
        nodes=6,
        cell_minus=np.array([0, 1, 2, 0, 4, 5]),
        cell_plus=np.array([1, 2, 3, 4, 5, 3]),
        cell_ohm=r,
        link_from=np.empty(0, dtype=np.int64),
        link_to=np.empty(0, dtype=np.int64),
        link_ohm=np.empty(0),
        minus=0,
        plus=3,
    )
    state = circuit.solve(ocv, 0.0)
    np.testing.assert_allclose(state.cell_a[[0, 3]], joined.currents_a, atol=1e-9)
    over = np.max(np.abs(state.cell_a) / limit)
    assert joined.worst_a / joined.limit_a == pytest.approx(float(over), abs=1e-9)


def test_a_module_s_limit_is_that_of_its_lowest_resistance() -> None:
    module = module_of([3.7] * 3, [0.02, 0.04, 0.04], [1, 1, 1], 1.0)
    assert module.limit_a == pytest.approx(2.0)  # the first cell takes half
    with pytest.raises(ArgumentInvalid, match="not above 0"):
        module_of([3.7], [0.0], [1], 1.0)


def test_packs_far_apart_are_brought_together_through_a_resistor() -> None:
    one, other = Branch(ocv_v=50.4, r_ohm=0.05, limit_a=5.0), Branch(ocv_v=47.4, r_ohm=0.05, limit_a=5.0)
    assert join_branches([one, other]).verdict == "level first"
    level = level_through_resistor(one, other, (10.0, 10.0), (12 * 1.2, 12 * 1.2))
    assert level.resistor_ohm == pytest.approx(3.0 / 5.0 - 0.1)
    assert level.first_a == pytest.approx(5.0)
    assert level.first_w == pytest.approx(25 * 0.5)
    # independent: step the difference of two straight packs in time
    apart, time_s, heat_j, dt = 3.0, 0.0, 0.0, 0.25
    while apart > 5.0 * 0.1:
        amps = apart / 0.6
        heat_j += amps**2 * 0.5 * dt
        apart -= amps * dt * 2 * 14.4 / 36000
        time_s += dt
    assert level.time_s == pytest.approx(time_s, rel=1e-2)
    assert level.energy_j == pytest.approx(heat_j, rel=1e-2)


def test_packs_close_together_need_no_resistor() -> None:
    one, other = Branch(ocv_v=50.1, r_ohm=0.05, limit_a=5.0), Branch(ocv_v=50.0, r_ohm=0.05, limit_a=5.0)
    level = level_through_resistor(one, other, (10.0, 10.0), (14.4, 14.4))
    assert (level.resistor_ohm, level.time_s, level.energy_j) == (0.0, 0.0, 0.0)
    assert level.first_a == pytest.approx(1.0)
    with pytest.raises(ArgumentInvalid, match="must be above 0"):
        level_through_resistor(one, other, (10.0, 0.0), (14.4, 14.4))
