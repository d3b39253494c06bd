"""Draw the sample data again: invented readings, no real cell was measured.

Run from the top of a checkout: ``python sample_data/draw.py``. The README beside this file says which
published statistics the figures follow.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd

HERE = Path(__file__).resolve().parent


def dock_cart() -> pd.DataFrame:
    """Return 60 new cells of 2500 mAh in two lots; two fail screening, three must be levelled."""
    rng = np.random.default_rng(130_04)
    n = 60
    # the cells were tested as they came to hand, not lot by lot
    lot = np.random.default_rng(2).permutation(np.repeat(["N1", "N2"], n // 2))
    quality = rng.normal(size=n)
    noise = rng.normal(size=n)
    capacity = 2530 * np.where(lot == "N2", 0.99, 1.0) * (1 + 0.007 * quality)
    # a weak negative correlation of capacity and resistance, -0.2
    resistance = 24.0 * (1 + 0.03 * (-0.2 * quality + np.sqrt(1 - 0.2**2) * noise))
    ocv = rng.normal(3.620, 0.002, n)
    ocv[[7, 22, 51]] = 3.702, 3.561, 3.668
    ocv[34] = 2.31
    resistance[46] = 43.5
    return pd.DataFrame(
        {
            "Cell": [f"D{i:02d}" for i in range(1, n + 1)],
            "OCV (V)": [f"{v:.3f}" for v in ocv],
            "Capacity (mAh)": [f"{q:.0f}" for q in capacity],
            "IR 1kHz (mΩ)": [f"{r:.1f}" for r in resistance],
            "Rated (mAh)": 2500,
            "Lot": lot,
        }
    )


def launch() -> pd.DataFrame:
    """Return 140 salvaged cells of 2600 mAh in three lots, with dead, leaking and high-resistance ones."""
    rng = np.random.default_rng(140_08)
    n = 140
    lot = np.array(["battery A", "battery B", "battery C"])[rng.permutation(np.arange(n) % 3)]
    weak = rng.random(n) < 0.14
    health = np.where(weak, rng.uniform(0.55, 0.90, n), rng.normal(0.97, 0.02, n))
    health *= pd.Series(lot).map({"battery A": 1.0, "battery B": 0.985, "battery C": 0.97}).to_numpy()
    resistance = 46.0 * (1 + 1.4 * (0.97 - health) + rng.normal(0, 0.08, n))
    ocv = rng.normal(3.700, 0.005, n)
    leak = np.abs(rng.normal(0.25, 0.10, n))
    mass = rng.normal(46.2, 0.12, n)
    ocv[[12, 77]] = 0.42, 1.35
    ocv[101] = 2.18
    ocv[[30, 119]] = 3.655, 3.742
    leak[[12, 77, 101]] = np.nan
    leak[[5, 58, 133]] = 6.8, 4.1, 9.5
    mass[88] = 44.7
    resistance[[19, 95, 127]] = 131.0, 118.5, 142.0
    return pd.DataFrame(
        {
            "cell no.": [f"{i:03d}" for i in range(1, n + 1)],
            "resting voltage [V]": [f"{v:.3f}" for v in ocv],
            "capacity [Ah]": [f"{2.6 * h:.3f}" for h in health],
            "R_AC [mOhm]": [f"{r:.1f}" for r in resistance],
            "self-discharge [mV/day]": ["" if np.isnan(v) else f"{v:.1f}" for v in leak],
            "mass [g]": [f"{m:.1f}" for m in mass],
            "lot": lot,
        }
    )


def lanterns() -> pd.DataFrame:
    """Return 30 new LFP cells of 1500 mAh that all rest at 3.30 V."""
    rng = np.random.default_rng(40_06)
    n = 30
    return pd.DataFrame(
        {
            "id": [f"L{i:02d}" for i in range(1, n + 1)],
            "ocv_v": [f"{v:.3f}" for v in rng.normal(3.300, 0.001, n)],
            "capacity_mah": [f"{q:.0f}" for q in rng.normal(1520, 14, n)],
            "ir_mohm": [f"{r:.1f}" for r in rng.normal(19.0, 0.4, n)],
            "ir_method": "ac_1khz",
            "rated_mah": 1500,
            "chemistry": "LFP",
            "last_direction": "charged",
        }
    )


def main() -> None:
    """Write the three files beside this script."""
    dock_cart().to_csv(HERE / "dock_cart.csv", index=False, lineterminator="\n")
    launch().to_csv(HERE / "launch.csv", index=False, sep=";", lineterminator="\n")
    lanterns().to_csv(HERE / "lanterns.csv", index=False, lineterminator="\n")


if __name__ == "__main__":
    main()
