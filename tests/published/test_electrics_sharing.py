"""Sharing under load against measurements, closed forms and an independent integrator."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from cellmatch.electrics.discharge import run_load
from cellmatch.electrics.load import constant_current, profile
from cellmatch.electrics.sharing import capacity_share, conductance_share, share_two_cells
from cellmatch.pack.chemistry import load_chemistry
from cellmatch.pack.curve import OcvCurve

STRAIGHT = OcvCurve(soc_fraction=(0, 1), ocv_v=(3.0, 4.2), uncertainty_v=(0, 0), source="slope of 1.2 V")


def working(name: str) -> OcvCurve:
    curve = load_chemistry(name).working_curve()
    assert curve is not None
    return curve


@pytest.mark.parametrize("measured", [0.3359, 0.3323, 0.3444])
def test_measured_split_of_two_aged_cells_at_load_on(measured: float) -> None:
    """Two aged cells, mean DC resistance 0.5493 and 0.2773 ohm, both currents logged.

    A. Weng et al., "Current imbalance in dissimilar parallel-connected batteries and the fate of
    degradation convergence", arXiv 2310.10396 (2023), data of the repository wengandrew/current-imbalance
    (MIT): first cell's share at C/10 charge, C/10 discharge and C/4 discharge.
    """
    assert conductance_share([0.5493, 0.2773])[0] == pytest.approx(measured, abs=0.010)


def test_20_percent_more_resistance() -> None:
    """R and 1.2 R split 0.5455 to 0.4545: S. Gogoana et al., J. Power Sources 252:8 (2014), the pair used there."""
    np.testing.assert_allclose(conductance_share([1.0, 1.2]), [0.5455, 0.4545], atol=5e-5)


PAIRS = [
    # formula of Weng et al., arXiv 2310.10396; figures computed independently with a Runge-Kutta integration
    ((0.060, 0.050), (4.0, 5.0), 733.333, -9.259e-4, {0.0: 1.363636, 600.0: 1.346704, 1e9: 1.333333}),
    (
        (0.150, 0.150 / 1.1),
        (3.0, 30.0 / 7.0),
        1516.04,
        -0.01537433,
        {0.0: 1.428571, 600.0: 1.365401, 3600.0: 1.253279, 1e9: 1.235294},
    ),
]


@pytest.mark.parametrize(("r", "q", "tau", "kappa", "current"), PAIRS)
def test_closed_form_of_two_cells(
    r: tuple[float, float],
    q: tuple[float, float],
    tau: float,
    kappa: float,
    current: dict[float, float],
) -> None:
    two = share_two_cells(r, q, 1.2, 3.0, list(current))
    assert two.tau_s == pytest.approx(tau, rel=1e-5)
    assert two.kappa_per_a == pytest.approx(kappa, rel=1e-4)
    np.testing.assert_allclose(two.currents_a[:, 0], list(current.values()), atol=1e-6)
    np.testing.assert_allclose(two.currents_a.sum(axis=1), 3.0, atol=1e-12)
    assert two.currents_a[-1, 0] / 3.0 == pytest.approx(float(capacity_share(q)[0]), rel=1e-6)


@pytest.mark.parametrize(("r", "q", "tau", "kappa", "current"), PAIRS)
def test_stepped_run_meets_the_closed_form(
    r: tuple[float, float],
    q: tuple[float, float],
    tau: float,
    kappa: float,
    current: dict[float, float],
) -> None:
    run = run_load(
        q, r, [1, 1], STRAIGHT, constant_current(3.0),
        end_v=3.0, full_v=4.3, step_s=10.0, longest_s=3600.0, keep_currents=True,
    )  # fmt: skip
    assert run.ended_by == "time"
    assert run.currents_a is not None
    closed = share_two_cells(r, q, 1.2, 3.0, run.time_s)
    np.testing.assert_allclose(run.currents_a, closed.currents_a, atol=1e-5)
    for time_s, amps in current.items():
        if time_s <= 3600.0:
            k = int(np.flatnonzero(run.time_s == time_s)[0])
            assert run.currents_a[k, 0] == pytest.approx(amps, abs=1e-4)


@pytest.mark.parametrize(("name", "end_v", "full_v"), [("nmc", 3.0, 4.2), ("lfp", 2.5, 3.6)])
def test_four_cells_against_an_independent_integrator(name: str, end_v: float, full_v: float) -> None:
    """2C discharge of 4P to the end voltage with scipy's solve_ivp (LSODA, rtol 1e-8): within 0.1 %."""
    curve = working(name)
    q, r, amps = np.array([2.5, 2.4, 2.6, 2.5]), np.array([0.025, 0.027, 0.025, 0.0375]), 20.0

    def bus_v(z: np.ndarray) -> float:
        return float((np.sum(curve.voltage(z) / r) - amps) / np.sum(1 / r))

    def rate(_: float, z: np.ndarray) -> np.ndarray:
        return np.asarray(-(curve.voltage(z) - bus_v(z)) / r / (3600 * q))

    def empty(_: float, z: np.ndarray) -> float:
        return bus_v(z) - end_v

    empty.terminal = True  # type: ignore[attr-defined]
    other = solve_ivp(rate, (0, 4000), np.ones(4), method="LSODA", rtol=1e-8, atol=1e-10, events=empty)
    assert other.t_events is not None
    assert other.y_events is not None
    ended_s, z_end = float(other.t_events[0][0]), np.asarray(other.y_events[0][0])
    run = run_load(q, r, [1] * 4, curve, constant_current(amps), end_v=end_v, full_v=full_v, step_s=2.0)
    assert run.ended_by == "end voltage"
    assert run.duration_s == pytest.approx(ended_s, rel=1e-3)
    np.testing.assert_allclose(run.cell_charge_ah, q * (1 - z_end), rtol=1e-3)


def test_resistance_mismatch_shows_at_the_end_not_at_load_on() -> None:
    """4P with one cell of 1.5 R at 2C: 0.727 of the mean at load-on (conductance, by hand), most at the end.

    That the largest current comes late and lies above the mean: T. Bruen and J. Marco, J. Power Sources
    310:91 (2016), highlights: 30 % more impedance gave 60 % difference of the peak currents.
    """
    q, r = [2.5] * 4, [0.025, 0.025, 0.025, 0.0375]
    run = run_load(q, r, [1] * 4, working("nmc"), constant_current(20.0), end_v=3.0, full_v=4.2, step_s=2.0)
    assert run.cell_first_a[3] / 5 == pytest.approx(8 / 11, rel=1e-9)
    assert 1.3 < run.cell_max_a[3] / 5 < 1.6
    assert run.cell_max_at_s[3] > 0.8 * run.duration_s
    lfp = run_load(q, r, [1] * 4, working("lfp"), constant_current(20.0), end_v=2.5, full_v=3.6, step_s=2.0)
    assert 2.5 < lfp.cell_max_a[3] / 5 < 3.6


def test_who_runs_hotter_depends_on_the_load() -> None:
    """Heat of the 1.5 R cell over a normal one of 4P: 1.50 steady at 1C, 0.79 in 3C pulses of 10 s in 60 s.

    Computed independently in a simulation with another set of curve points: within 0.05 and 0.03.
    """
    q, r = [2.5] * 4, [0.025, 0.025, 0.025, 0.0375]
    ratios = []
    for load in (constant_current(10.0), profile("current", [10.0, 50.0], [30.0, 0.0])):
        run = run_load(q, r, [1] * 4, working("nmc"), load, end_v=3.0, full_v=4.2, step_s=5.0)
        ratios.append(float(run.cell_heat_w[3] / run.cell_heat_w[0]))
    assert ratios[0] == pytest.approx(1.50, abs=0.05)
    assert ratios[1] == pytest.approx(0.79, abs=0.03)
