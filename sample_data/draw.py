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


def winch_log(number: int, capacity_ah: float, resistance_ohm: float) -> pd.DataFrame:
    """Return the log of one discharge at 1.25 A from full to 3.0 V, with the two steps of a resistance test before it.

    After ten minutes of rest 0.5 A for 10 s and 2.5 A for 1 s: the two levels of IEC 61960-3, 0.2 and 1 times the
    rated current of 2.5 A. The curve is a rough invention with the shape of an NMC cell's.
    """
    rng = np.random.default_rng(number)
    pieces = [(0.0, range(0, 600, 60)), (0.5, range(600, 610, 1)), (2.5, np.arange(610, 611.01, 0.25))]
    times = np.concatenate([np.asarray(t, dtype=float) for _, t in pieces])
    currents = np.concatenate([np.full(len(t), a) for a, t in pieces])
    run = np.arange(612, 612 + 2.2 * 3600, 30.0)
    times, currents = np.append(times, run), np.append(currents, np.full(len(run), 1.25))
    used_ah = np.concatenate(([0.0], np.cumsum(currents[:-1] * np.diff(times)))) / 3600
    charge = 1 - used_ah / capacity_ah
    ocv = np.interp(
        charge, [-0.02, 0, 0.05, 0.1, 0.3, 0.5, 0.7, 0.9, 1], [2.6, 3.0, 3.3, 3.45, 3.6, 3.68, 3.9, 4.08, 4.18]
    )
    volts = ocv - currents * resistance_ohm + rng.normal(0, 0.0005, len(times))
    kept = np.flatnonzero(volts > 3.0 - 0.02)
    return pd.DataFrame(
        {
            "time [s]": [f"{t:.2f}" for t in times[kept]],
            "voltage [V]": [f"{v:.4f}" for v in volts[kept]],
            "current [A]": [f"{-a:.3f}" for a in currents[kept]],
        }
    )


def main() -> None:
    """Write the files of readings beside this script."""
    dock_cart().to_csv(HERE / "dock_cart.csv", index=False, lineterminator="\n")
    launch().to_csv(HERE / "launch.csv", index=False, sep=";", lineterminator="\n")
    lanterns().to_csv(HERE / "lanterns.csv", index=False, lineterminator="\n")
    for number, capacity_ah, resistance_ohm in ((1, 2.471, 0.041), (2, 2.438, 0.044)):
        log = winch_log(number, capacity_ah, resistance_ohm)
        log.to_csv(HERE / f"winch_W{number}.csv", index=False, lineterminator="\n")


if __name__ == "__main__":
    main()
