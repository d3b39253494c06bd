"""Rest-voltage curves against what they were made from."""

from __future__ import annotations

import runpy
from pathlib import Path

import numpy as np
import pytest

from cellmatch.pack.chemistry import load_chemistry
from cellmatch.pack.curve import OcvCurve


def curve_of(name: str) -> OcvCurve:
    curve = load_chemistry(name).curve
    assert curve is not None
    return curve


# computed with PyBaMM 26.10.1.1 (ElectrodeSOHSolver stoichiometries, U = U_p - U_n, 25 degC), BSD-3-Clause;
# sets Chen2020 (J. Electrochem. Soc. 167:080534) and NCA_Kim2011 (J. Electrochem. Soc. 158:A955)
SOC = np.array([0, 5, 10, 20, 30, 40, 50, 60, 70, 80, 90, 95, 100]) / 100
CHEN = [2.5, 3.1094, 3.2959, 3.4852, 3.5814, 3.6670, 3.7509, 3.8406, 3.9479, 4.0421, 4.0967, 4.1236, 4.2]
KIM = [2.7, 3.1939, 3.2471, 3.3721, 3.4918, 3.5978, 3.6846, 3.7678, 3.8742, 3.9803, 4.0803, 4.1354, 4.2]


def test_nmc_and_nca_follow_their_parameter_sets() -> None:
    np.testing.assert_allclose(curve_of("nmc").voltage(SOC), CHEN, atol=6e-5)
    np.testing.assert_allclose(curve_of("nca").voltage(SOC), KIM, atol=6e-5)


def test_nmc_slope_at_half_charge() -> None:
    """9.59 mV per % at 50 % (Chen2020, computed with PyBaMM 26.10.1.1)."""
    nmc = curve_of("nmc")
    assert float(nmc.voltage(0.51) - nmc.voltage(0.49)) / 2 == pytest.approx(9.59e-3, abs=0.05e-3)


def test_lfp_follows_the_readings_below_60_percent() -> None:
    """Mean of 56 retired 35 Ah LFP cells rested 10 min (TBSI-Lijing data set, MIT)."""
    soc = np.array([5.91, 11.82, 17.72, 23.63, 29.54, 35.45, 41.36, 47.27, 53.17, 59.08]) / 100
    ocv = [3.1861, 3.2177, 3.2361, 3.2673, 3.2893, 3.3008, 3.3065, 3.3063, 3.3062, 3.3071]
    np.testing.assert_allclose(curve_of("lfp").voltage(soc), ocv, atol=1.2e-3)


def test_lfp_follows_its_parameter_set_from_80_percent() -> None:
    """Prada2013 (J. Electrochem. Soc. 160:A616), computed with PyBaMM 26.10.1.1."""
    at = np.array([0.8, 0.9, 0.95, 1.0])
    np.testing.assert_allclose(curve_of("lfp").voltage(at), [3.3097, 3.3142, 3.3164, 3.6], atol=6e-5)


def test_two_readings_give_charge_apart() -> None:
    """3.72 against 3.70 V on Chen2020: 0.0235 of charge (computed with PyBaMM 26.10.1.1)."""
    nmc = curve_of("nmc")
    assert float(nmc.soc(3.72) - nmc.soc(3.70)) == pytest.approx(0.0235, abs=2e-4)


def test_measured_nmc_lies_within_the_stated_uncertainty() -> None:
    """Mean of 52 retired 21 Ah NMC cells rested 10 min (TBSI-Lijing data set, MIT)."""
    soc = np.array([5.1, 10.2, 20.5, 30.7, 41.0, 51.2]) / 100
    ocv = np.array([3.4512, 3.4848, 3.5688, 3.6193, 3.6481, 3.6894])
    nmc = curve_of("nmc")
    off = np.abs(nmc.voltage(soc) - ocv)
    # these cells lie up to 0.07 V below the second parameter set that the uncertainty was taken from
    assert (off <= nmc.voltage_uncertainty_v(soc) + 0.05).all()
    assert off.max() > 0.1  # one curve does not fit all cells of a chemistry, and the file says so


@pytest.mark.parametrize("name", ["nmc", "nca", "lfp"])
def test_the_files_are_what_pybamm_gives(name: str, project: Path) -> None:
    pytest.importorskip("pybamm", reason="PyBaMM is not installed: the curves are not computed again")
    script = runpy.run_path(str(project / "tests" / "pack" / "ocv_curves.py"))
    soc, ocv, uncertainty = script["CURVES"][name]()
    curve = curve_of(name)
    np.testing.assert_allclose(curve.voltage(soc), ocv, atol=2e-6)
    np.testing.assert_allclose(curve.voltage_uncertainty_v(soc), np.broadcast_to(uncertainty, soc.shape), atol=6e-4)


@pytest.mark.parametrize(("name", "parameter_set"), [("nmc", "Chen2020"), ("nca", "NCA_Kim2011")])
def test_straight_lines_between_the_points_are_fine_enough(name: str, parameter_set: str, project: Path) -> None:
    pytest.importorskip("pybamm", reason="PyBaMM is not installed: the curves are not computed again")
    script = runpy.run_path(str(project / "tests" / "pack" / "ocv_curves.py"))
    between = script["GRID"][:-1] + 0.5 * np.diff(script["GRID"])
    off = np.abs(curve_of(name).voltage(between) - script["computed"](parameter_set, between))
    assert off[between > 0.05].max() < 1e-3
    assert off.max() < 2e-3
