"""The groups of a pack: capacity, resistance, and what flows at the first instant of joining."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from cellmatch.cells.quality import expected_largest
from cellmatch.cells.table import resistances_mohm
from cellmatch.electrics.parallel import join_groups, joining_window_v
from cellmatch.pack.limits import JOIN_WINDOW_MV, Limits
from cellmatch.pack.spec import Pack

NO_RESISTANCE = "no resistance given"


@dataclass(frozen=True, kw_only=True, slots=True)
class GroupPrediction:
    """What one group will be, and what joining its cells would do.

    Parameters
    ----------
    group : int
        1 at pack negative.
    capacity_mah : float
        [mAh] Sum of its cells.
    ir_mohm : float or None
        [mohm] 1/sum(1/R) of its cells, links left out; None without resistances.
    ocv_min_v, ocv_max_v : float
        [V] Lowest and highest cell.
    joining_a : float or None
        [A] Largest current any of its cells sees at the first instant of joining.
    joining_limit_a : float or None
        [A] What that cell may see.
    joining_cell : str or None
        Which cell.
    verdict : str or None
        go, level first or stop; None without resistances.
    """

    group: int
    capacity_mah: float
    ir_mohm: float | None
    ocv_min_v: float
    ocv_max_v: float
    joining_a: float | None
    joining_limit_a: float | None
    joining_cell: str | None
    verdict: str | None


def random_weakest_mah(capacity_mah: np.ndarray, pack: Pack) -> float:
    """Return the weakest group to expect when the cells are grouped at random.

    E = P·mean·(1 - c_S·cv/√P), c_S being the expected largest of S standard normal values
    (H. A. David and H. N. Nagaraja, Order Statistics, 3rd ed., 2003, section 3.1).

    Parameters
    ----------
    capacity_mah : ndarray, shape (S·P,)
        [mAh] The cells in the pack.
    pack : Pack

    Returns
    -------
    float
        [mAh] For groups of equal size; with unequal ones, of the mean size.
    """
    parallel = pack.places / pack.series
    if parallel == 1:
        return float(np.min(capacity_mah))
    # ddof 1: drawing groups from a finite tray correlates them, and the two corrections meet in it
    mean, deviation = float(np.mean(capacity_mah)), float(np.std(capacity_mah, ddof=1))
    return parallel * mean - expected_largest(pack.series) * deviation * float(np.sqrt(parallel))


def joining_limit_a(cells: pd.DataFrame, limits: Limits) -> np.ndarray:
    """Return what each cell may see at the instant of joining.

    The maker's charge limit where it is given, else ``join_limit_c`` of the cell's own capacity.

    Returns
    -------
    ndarray, shape (n,)
        [A]
    """
    if limits.charge_limit_a is not None:
        return np.full(len(cells), limits.charge_limit_a)
    return limits.join_limit_c * cells["capacity_mah"].to_numpy(dtype=float) / 1000


def joining_window_mv(cells: pd.DataFrame, pack: Pack | None, limits: Limits) -> tuple[float, str]:
    """Return the half width of the joining window for this tray, and where it comes from.

    The smaller of 50 mV and half of what the joining limit allows between one cell and the rest of its
    group: I = dV·(P-1)/(P·R).

    Parameters
    ----------
    cells : DataFrame
        The cell table.
    pack : Pack or None
        None where it isn't known yet: any number in parallel.
    limits : Limits

    Returns
    -------
    float
        [mV]
    str
        In words, with the current it stands for.
    """
    if limits.join_window_mv is not None:
        return limits.join_window_mv, f"joining window ±{limits.join_window_mv:.1f} mV: set"
    resistance = np.nanmedian(r) / 1000 if (r := _positive(resistances_mohm(cells))).size else np.nan
    capacity = _positive(cells["capacity_mah"].to_numpy(dtype=float))
    if np.isnan(resistance) or not capacity.size:
        return (
            JOIN_WINDOW_MV,
            f"joining window ±{JOIN_WINDOW_MV:.0f} mV: {NO_RESISTANCE}, so no current stands behind it",
        )
    limit = limits.charge_limit_a or limits.join_limit_c * float(np.median(capacity)) / 1000
    parallel = max(pack.group_sizes) if pack else None
    by_current = 1000 * joining_window_v(float(resistance), parallel, limit)
    half = min(JOIN_WINDOW_MV, by_current)
    share = 1.0 if parallel is None else (parallel - 1) / parallel
    worst = 2 * half / 1000 * share / float(resistance)
    limit_words = (
        "charge limit given" if limits.charge_limit_a else f"{limits.join_limit_c:g} C of the median cell, assumed"
    )
    words = (
        f"joining window ±{half:.1f} mV: at most {worst:.2f} A at the first instant between typical cells "
        f"of {1000 * resistance:.1f} mΩ (limit {limit:.2f} A: {limit_words})"
    )
    return half, words


def _positive(values: np.ndarray) -> np.ndarray:
    with np.errstate(invalid="ignore"):
        return values[values > 0]


def predict_groups(used: pd.DataFrame, limits: Limits) -> tuple[GroupPrediction, ...]:
    """Return what each group will be, from the rows of the cells in the pack."""
    number = used["group"].to_numpy(dtype=np.int64)
    ir = resistances_mohm(used)
    by_group = used.groupby("group", sort=True)
    capacity = by_group["capacity_mah"].sum()
    low, high = by_group["ocv_v"].min(), by_group["ocv_v"].max()
    figures = _resistance_figures(used, number, ir, limits)
    nothing = {
        "ir_mohm": None,
        "joining_a": None,
        "joining_limit_a": None,
        "joining_cell": None,
        "verdict": None,
    }
    return tuple(
        GroupPrediction(
            group=int(g),
            capacity_mah=float(capacity[g]),
            ocv_min_v=float(low[g]),
            ocv_max_v=float(high[g]),
            **figures.get(int(g), nothing),
        )
        for g in capacity.index
    )


def _resistance_figures(
    used: pd.DataFrame, number: np.ndarray, ir_mohm: np.ndarray, limits: Limits
) -> dict[int, dict[str, Any]]:
    """Return what needs resistances, for the groups in which every cell has one."""
    lacking = np.unique(number[np.isnan(ir_mohm)])
    known = np.flatnonzero(~np.isin(number, lacking))
    if not known.size:
        return {}
    joined = join_groups(
        used["ocv_v"].to_numpy(dtype=float)[known],
        ir_mohm[known] / 1000,
        number[known],
        joining_limit_a(used, limits)[known],
        stop_ratio=limits.join_stop_ratio,
    )
    conductance = np.bincount(number[known], 1 / ir_mohm[known])
    return {
        int(g): {
            "ir_mohm": float(1 / conductance[g]),
            "joining_a": float(joined.worst_a[k]),
            "joining_limit_a": float(joined.limit_a[k]),
            "joining_cell": str(used.index[known[joined.worst_cell[k]]]),
            "verdict": str(joined.verdict[k]),
        }
        for k, g in enumerate(joined.group)
    }
