"""How the rest-voltage curves of the chemistries were made. Needs PyBaMM; run it to write them again.

``python tests/pack/ocv_curves.py`` replaces the [curve] table of nmc, nca and lfp in
cellmatch/pack/chemistries. tests/published/test_electrics_ocv.py compares the files with what this
gives, where PyBaMM is installed.
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import PchipInterpolator

Points = tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64] | float]

# finer where the curves bend: straight lines between the points stay within 2 mV, within 1 mV above 5 %
GRID = np.concatenate(
    (
        np.arange(0, 1, 0.125),
        np.arange(1, 3, 0.25),
        np.arange(3, 6, 0.5),
        np.arange(6, 95),
        np.arange(95, 100.5, 0.5),
    )
)
GRID = GRID / 100

# mean over 56 retired 35 Ah LFP cells, rested 10 min after charging; state of charge by each cell's own
# measured capacity (1C, 3.65 V to 2.5 V). Terence Tao et al., "Pulse Voltage Response Generation:
# TBSI-Lijing Battery Dataset" (MIT licence)
LFP_SOC = np.array([5.91, 11.82, 17.72, 23.63, 29.54, 35.45, 41.36, 47.27, 53.17, 59.08]) / 100
LFP_OCV = np.array([3.1861, 3.2177, 3.2361, 3.2673, 3.2893, 3.3008, 3.3065, 3.3063, 3.3062, 3.3071])
LFP_EMPTY_V = 2.5
LEAST_SLOPE_V = 1e-3  # per unit of charge: what keeps the inverse unique where the readings stand still


def computed(parameter_set: str, soc: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return U_p - U_n of a published parameter set at the stoichiometries of its voltage limits [V]."""
    import pybamm

    values = pybamm.ParameterValues(parameter_set)
    parameters = pybamm.LithiumIonParameters()
    empty_n, full_n, full_p, empty_p = pybamm.lithium_ion.get_min_max_stoichiometries(values)
    temperature = pybamm.Scalar(values["Reference temperature [K]"])

    def electrode(side: object, at: NDArray[np.float64]) -> NDArray[np.float64]:
        potential = side.prim.U  # type: ignore[attr-defined]
        return np.array([float(values.evaluate(potential(pybamm.Scalar(v), temperature))) for v in at])

    positive = electrode(parameters.p, empty_p + soc * (full_p - empty_p))
    return positive - electrode(parameters.n, empty_n + soc * (full_n - empty_n))


def nmc() -> Points:
    """NMC811/graphite-SiOx; a second NMC set tells how far cells of the chemistry may lie from it."""
    curve = computed("Chen2020", GRID)
    return GRID, curve, np.maximum(np.abs(computed("Mohtat2020", GRID) - curve), 0.01)


def nca() -> Points:
    """NCA/graphite; no second set at hand."""
    return GRID, computed("NCA_Kim2011", GRID), 0.05


def lfp() -> Points:
    """LFP/graphite: readings up to 59 %, the parameter set from 80 % up, a monotone curve through both."""
    measured = LFP_OCV.copy()
    still = slice(6, 9)  # 3.3065, 3.3063, 3.3062: falling by less than their scatter; pooled
    measured[still] = measured[still].mean() + LEAST_SLOPE_V * (LFP_SOC[still] - LFP_SOC[7])
    upper = GRID[GRID >= 0.8]
    soc = np.concatenate(([0.0], LFP_SOC, upper))
    ocv = np.concatenate(([LFP_EMPTY_V], measured, computed("Prada2013", upper)))
    curve = PchipInterpolator(soc, ocv)(GRID)
    return GRID, curve, np.where(GRID < 0.05, 0.3, 0.04)


CURVES: dict[str, Callable[[], Points]] = {"nmc": nmc, "nca": nca, "lfp": lfp}


def as_toml(points: Points) -> str:
    """Return the three arrays as TOML, ten numbers a line."""
    soc, ocv, uncertainty = points
    columns = {
        "soc_fraction": (np.round(soc, 5), "{:g}"),
        "ocv_v": (ocv, "{:.6f}"),
        "uncertainty_v": (np.broadcast_to(uncertainty, soc.shape), "{:.3f}"),
    }
    text = ""
    for name, (values, form) in columns.items():
        numbers = [form.format(v) for v in values]
        lines = [", ".join(numbers[k : k + 10]) for k in range(0, len(numbers), 10)]
        text += f"{name} = [\n    " + ",\n    ".join(lines) + ",\n]\n"
    return text


if __name__ == "__main__":
    folder = Path(__file__).resolve().parents[2] / "cellmatch" / "pack" / "chemistries"
    for name, make in CURVES.items():
        path = folder / f"{name}.toml"
        head, _, _ = path.read_text(encoding="utf-8").partition("soc_fraction = [")
        path.write_text(head + as_toml(make()), encoding="utf-8")
        sys.stdout.write(f"{path.name} written\n")
