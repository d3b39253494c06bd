"""What does not need a load: short circuit, fuse, what the voltmeter hides, balance in series."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from cellmatch.cells.table import resistances_mohm
from cellmatch.electrics.balance import group_charge, series_balance
from cellmatch.electrics.settling import hidden_by_meter, settle_cells, voltage_words
from cellmatch.electrics.shorting import short_circuit
from cellmatch.pack.chemistry import Chemistry
from cellmatch.pack.curve import OcvCurve
from cellmatch.pack.limits import Limits

BLEED_A = 0.060
"""Current of a small balancer, for the hours (common practice, no source)."""


@dataclass(frozen=True, kw_only=True, slots=True)
class ShortPrediction:
    """Prospective short-circuit currents at the lowest resistance known, links counted as nothing.

    Parameters
    ----------
    pack_a, group_a : float
        [A] Across the terminals, and across the strongest group.
    pack_v : float
        [V] What a fuse has to break.
    words : str
        What to look for on a fuse's sheet.
    """

    pack_a: float
    group_a: float
    pack_v: float
    words: str


@dataclass(frozen=True, kw_only=True, slots=True)
class BalancePrediction:
    """Groups of unequal charge in series, by the cells' rest voltages.

    Parameters
    ----------
    usable_ah, balanced_ah : float
        [Ah] As the groups stand, and once they are level at full.
    bleed_ah : float
        [Ah] A balancer has to take from the fullest group.
    bleed_h : float
        [h] With a small balancer of :data:`BLEED_A` that works all the time.
    charge_alone : tuple of (int, float)
        Group and [Ah] to put into it alone instead, the emptiest first; only what is worth it.
    uncertain_ah : float
        [Ah] How far the curve may be off for one group.
    """

    usable_ah: float
    balanced_ah: float
    bleed_ah: float
    bleed_h: float
    charge_alone: tuple[tuple[int, float], ...]
    uncertain_ah: float


@dataclass(frozen=True, kw_only=True, slots=True)
class SettlingPrediction:
    """Where the cells of one group end after joining.

    Parameters
    ----------
    group : int
    ocv_v : float
        [V] Common rest voltage.
    moved_mah : float
        [mAh] From cell to cell.
    heat_j : float
        [J]
    settled_s : float
        [s] Until no cell carries more than C/50.
    """

    group: int
    ocv_v: float
    moved_mah: float
    heat_j: float
    settled_s: float


def predict_short(used: pd.DataFrame, full_v: float) -> ShortPrediction | None:
    """Return the short-circuit currents of the full pack; None where a cell has no resistance."""
    ir = resistances_mohm(used)
    if np.isnan(ir).any():
        return None
    short = short_circuit(full_v, ir / 1000, used["group"].to_numpy(dtype=np.int64))
    return ShortPrediction(
        pack_a=short.pack_a, group_a=float(short.group_a.max()), pack_v=short.pack_v, words=short.fuse_words
    )


def predict_balance(used: pd.DataFrame, chemistry: Chemistry, limits: Limits) -> BalancePrediction | None:
    """Return how far the groups are from balance; None where voltage does not show charge."""
    curve = chemistry.working_curve(full_v=limits.max_v)
    if curve is None or chemistry.flat:
        return None
    soc = np.clip(curve.soc(used["ocv_v"].to_numpy(dtype=float)), 0.0, 1.0)
    number = used["group"].to_numpy(dtype=np.int64)
    capacity_ah, charge = group_charge(used["capacity_mah"].to_numpy(dtype=float) / 1000, soc, number)
    balance = series_balance(capacity_ah, charge)
    alone = balance.charge_alone_ah - np.median(balance.charge_alone_ah)
    worth = np.flatnonzero(alone > 0.01 * capacity_ah)
    off = np.interp(float(np.median(charge)), curve.soc_fraction, curve.uncertainty_v)
    return BalancePrediction(
        usable_ah=balance.usable_ah,
        balanced_ah=balance.balanced_ah,
        bleed_ah=float(balance.bleed_ah.max()),
        bleed_h=balance.bleed_hours(BLEED_A),
        charge_alone=tuple((int(k) + 1, float(alone[k])) for k in sorted(worth, key=lambda k: -alone[k])),
        uncertain_ah=float(off / curve.slope_v(float(np.median(charge))) * np.median(capacity_ah)),
    )


def predict_settling(
    used: pd.DataFrame, groups: Sequence[int], chemistry: Chemistry, limits: Limits
) -> tuple[SettlingPrediction, ...]:
    """Return where the named groups settle after joining; nothing where the chemistry has no curve."""
    curve = chemistry.working_curve(full_v=limits.max_v)
    ir = pd.Series(resistances_mohm(used), index=used.index)
    if curve is None or ir.isna().any():
        return ()
    return tuple(
        _settled(number, cells, ir, curve)
        for number in groups
        if len(cells := used[used["group"] == number]) > 1 and cells["ocv_v"].min() > 0
    )


def _settled(group: int, cells: pd.DataFrame, ir_mohm: pd.Series, curve: OcvCurve) -> SettlingPrediction:
    end = settle_cells(
        cells["ocv_v"].to_numpy(dtype=float),
        ir_mohm[cells.index].to_numpy(dtype=float) / 1000,
        cells["capacity_mah"].to_numpy(dtype=float) / 1000,
        curve,
    )
    return SettlingPrediction(
        group=group,
        ocv_v=end.ocv_v,
        moved_mah=1000 * end.moved_ah,
        heat_j=end.heat_j,
        settled_s=end.settled_s,
    )


def meter_words(used: pd.DataFrame, parallel: int, chemistry: Chemistry, limits: Limits) -> str | None:
    """Return what equal readings of the voltmeter still hide; None without resistances or a curve."""
    curve = chemistry.working_curve(full_v=limits.max_v)
    ir = resistances_mohm(used)
    if curve is None or np.isnan(ir).any() or parallel < 2:
        return None
    reading = float(used["ocv_v"].median())
    hidden = hidden_by_meter(
        reading,
        limits.meter_fraction * reading + limits.meter_digits_v,
        float(np.median(ir)) / 1000,
        float(used["capacity_mah"].median()) / 1000,
        parallel,
        curve,
    )
    return voltage_words(chemistry.label, chemistry.flat, hidden) or hidden.words
