"""Series balance and self-discharge against worked examples."""

from __future__ import annotations

import numpy as np
import pytest

from cellmatch.electrics.balance import drift, leak_a, series_balance


def test_book_example_of_two_cells() -> None:
    """100 Ah at 75 % and 90 Ah at 50 % give 70 Ah; balanced 90 Ah.

    J. Jiang and C. Zhang, Fundamentals and Application of Lithium-ion Battery Management in Electric
    Drive Vehicles, Wiley 2015, section 6.3, eqs. 6.10 to 6.13.
    """
    balance = series_balance([100.0, 90.0], [0.75, 0.50])
    assert balance.usable_ah == pytest.approx(70.0, abs=1e-9)
    assert balance.balanced_ah == pytest.approx(90.0, abs=1e-9)
    assert balance.utilisation_fraction == pytest.approx(0.7778, abs=5e-5)
    assert (balance.first_empty, balance.first_full) == (1, 0)


def test_three_groups() -> None:
    """Same equations, computed independently by hand: 4.700 + 4.704 Ah, 0.596 Ah to bleed, 9.93 h."""
    balance = series_balance([10.2, 9.8, 10.0], [0.50, 0.52, 0.47])
    assert balance.usable_ah == pytest.approx(9.404, abs=1e-9)
    assert balance.balanced_ah == pytest.approx(9.8, abs=1e-9)
    np.testing.assert_allclose(balance.missing_ah, [5.1, 4.704, 5.3], atol=1e-9)
    assert float(balance.bleed_ah.max()) == pytest.approx(0.596, abs=1e-9)
    assert balance.bleed_hours(0.060) == pytest.approx(9.93, abs=5e-3)


@pytest.mark.parametrize(
    ("capacity", "apart", "bleed", "duty", "hours"),
    [(10.0, 0.05, 0.060, 1.0, 8.333), (100.0, 0.02, 0.100, 0.5, 40.0)],
)
def test_bleed_hours(capacity: float, apart: float, bleed: float, duty: float, hours: float) -> None:
    """Charge over current, computed independently by hand."""
    balance = series_balance([capacity, capacity], [0.5, 0.5 + apart])
    assert balance.bleed_hours(bleed, duty) == pytest.approx(hours, abs=1e-3)


@pytest.mark.parametrize(("loss", "microamps"), [(0.002, 217.3), (0.005, 543.0)])
def test_leak_behind_a_fall_of_voltage(loss: float, microamps: float) -> None:
    """2.5 Ah at 9.589 mV per %; formula of two readings: "Measuring self-discharge", electronicdesign.com 2019.

    Figures computed independently by hand.
    """
    assert 1e6 * float(leak_a(loss, 0.9589, 2.5)) == pytest.approx(microamps, abs=0.5)


def test_a_meter_of_1_mv_over_a_week() -> None:
    """+-15.5 uA, as much as a healthy cell loses (computed independently by hand)."""
    assert 1e6 * float(leak_a(0.001 / 7, 0.9589, 2.5)) == pytest.approx(15.5, abs=0.05)


def test_balance_current_needed_for_good() -> None:
    """(largest leak - smallest leak)/fraction of the time allowed (a board maker's notes, one source)."""
    lost = drift([10.0, 10.0], [0.9, 0.9], [50e-6, 250e-6], weeks=4.0, duty=0.1)
    assert lost.steady_a == pytest.approx(2e-3)
    assert lost.apart_ah == pytest.approx(200e-6 * 4 * 168)
