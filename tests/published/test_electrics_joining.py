"""Joining in parallel against worked values."""

from __future__ import annotations

import numpy as np
import pytest

from cellmatch.electrics.modules import join_branches, module_of, string_of
from cellmatch.electrics.parallel import join_cells
from cellmatch.electrics.settling import settle_cells
from cellmatch.electrics.shorting import short_circuit
from cellmatch.pack.chemistry import load_chemistry
from cellmatch.pack.curve import OcvCurve

STRAIGHT = OcvCurve(soc_fraction=(0, 1), ocv_v=(3.0, 4.2), uncertainty_v=(0, 0), source="slope of 1.2 V")


def test_one_high_cell_of_four() -> None:
    """Computed independently by Kirchhoff's laws, by hand."""
    joined = join_cells([4.10, 3.70, 3.70, 3.70], [0.05] * 4, 0.5)
    assert joined.bus_v == pytest.approx(3.8, abs=1e-9)
    np.testing.assert_allclose(joined.currents_a, [6, -2, -2, -2], atol=1e-9)


def test_four_unlike_cells() -> None:
    """Computed independently by Kirchhoff's laws, by hand."""
    r = np.array([0.032, 0.035, 0.030, 0.042])
    joined = join_cells([3.912, 3.905, 3.895, 3.880], r, 0.5)
    assert joined.bus_v == pytest.approx(3.898931, abs=1e-6)
    np.testing.assert_allclose(joined.currents_a, [0.40840, 0.17339, -0.13104, -0.45075], atol=1e-5)
    assert float(np.sum(joined.currents_a**2 * r)) == pytest.approx(15.44e-3, abs=5e-6)


def test_two_cells_100_mv_apart() -> None:
    """2.0 A between 25 mohm cells: (U1 - U2)/(R1 + R2); the figure also stands in a maker's public notes."""
    assert join_cells([3.75, 3.65], [0.025, 0.025], 5.0).worst_a == pytest.approx(2.0, rel=1e-9)


def test_equal_pair_settles() -> None:
    """Charge and energy computed independently by hand, for the closed form of A. Weng et al. (2023).

    arXiv 2310.10396, "Current imbalance in dissimilar parallel-connected batteries and the fate of
    degradation convergence"; the slowest constant of equal cells is R Q/slope also by the white paper on
    balancing in parallel of liionbms.com.
    """
    pair = settle_cells([3.66, 3.54], [0.03, 0.03], [2.5, 2.5], STRAIGHT)
    assert join_cells([3.66, 3.54], [0.03, 0.03], 5.0).worst_a == pytest.approx(2.0, rel=1e-9)
    assert pair.tau_s == pytest.approx(225.0, rel=1e-9)
    assert pair.moved_ah == pytest.approx(0.125, rel=1e-9)
    assert pair.heat_j == pytest.approx(27.0, rel=1e-9)
    # 2 A fall to C/50 = 0.05 A in tau ln 40
    assert pair.settled_s == pytest.approx(225 * np.log(40), rel=0.03)


def test_two_nmc_cells_settle_on_the_curve() -> None:
    """Two 5.153 Ah cells at 4.10 and 3.70 V (computed independently with PyBaMM 26.10.1.1, Chen2020)."""
    nmc = load_chemistry("nmc").curve
    assert nmc is not None
    np.testing.assert_allclose(nmc.soc([4.10, 3.70]), [0.9127, 0.4434], atol=1e-3)
    end = settle_cells([4.10, 3.70], [0.03, 0.03], [5.153, 5.153], nmc)
    assert end.soc == pytest.approx(0.6780, abs=1e-3)
    assert end.ocv_v == pytest.approx(3.9242, abs=1e-3)
    assert end.moved_ah == pytest.approx(1.209, abs=1e-3)


def test_20_mv_between_nmc_cells_move_little() -> None:
    """3.72 against 3.70 V: 0.0606 Ah for 5.153 Ah (computed independently with PyBaMM 26.10.1.1, Chen2020)."""
    nmc = load_chemistry("nmc").curve
    assert nmc is not None
    assert settle_cells([3.72, 3.70], [0.03, 0.03], [5.153, 5.153], nmc).moved_ah == pytest.approx(0.0606, abs=1e-3)


def test_second_series_link_of_a_junction_sees_a_reversed_cell() -> None:
    """7.34 V around four resistances of 25 mohm: 73 A (computed independently by hand)."""
    good, wrong = string_of([3.67, 3.67], [0.025] * 2, 1.25), string_of([3.67, -3.67], [0.025] * 2, 1.25)
    joined = join_branches([good, wrong])
    assert joined.worst_a == pytest.approx(7.34 / 0.1, rel=1e-9)
    assert joined.verdict == "stop"


def test_a_module_is_what_its_terminals_show() -> None:
    """2s2p: (3.7 V + 3.6 V) behind 2 * 25 mohm; one cell of two sees half (computed independently by hand)."""
    module = module_of([3.7, 3.7, 3.6, 3.6], [0.05] * 4, [1, 1, 2, 2], 1.25)
    assert (module.ocv_v, module.r_ohm, module.limit_a) == pytest.approx((7.3, 0.05, 2.5))


def test_short_circuit_of_small_and_large_packs() -> None:
    """P U/R with links at 0 (computed independently by hand): 14s8p and 20s50p of 25 mohm cells."""
    for series, parallel, low, high in ((14, 8, 1174.4, 1344.0), (20, 50, 7400.0, 8400.0)):
        group = np.repeat(np.arange(series), parallel)
        r = np.full(series * parallel, 0.025)
        volts = 3.67 if series == 14 else 3.70
        assert short_circuit(volts, r, group).pack_a == pytest.approx(low, rel=1e-9)
        short = short_circuit(4.2, r, group)
        assert short.pack_a == pytest.approx(high, rel=1e-9)
        np.testing.assert_allclose(short.group_a, high, rtol=1e-9)
        assert f"{series * 4.2:.1f} V" in short.fuse_words
        assert f"{high:.0f} A" in short.fuse_words
