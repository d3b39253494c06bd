"""One common voltage: clusters, the joining window, and what each cell outside it must be brought to.

Being inside the window never means safe: the joining current of each group decides.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from cellmatch.cells.tray import Tray
from cellmatch.pack.limits import JOIN_WINDOW_MV

CLUSTER_GAP_WINDOWS = 2.0
"""Two neighbours in voltage further apart than the whole window belong to different clusters."""
CLUSTER_SHARE = 0.2
"""A second cluster with at least this share of the tray is a cluster, not a few cells to level
(common practice, no source)."""
FEWEST_IN_CLUSTER = 3


@dataclass(frozen=True, kw_only=True)
class JoiningWindow:
    """The voltages within which cells are taken as one.

    Parameters
    ----------
    half_width_v : float
        [V]
    center_v : float or None
        [V] Median of the good cells; None where there are none or where they form clusters.
    level_to_v : ndarray, shape (n,)
        [V] What each good cell outside the window must be brought to; NaN for the others.
    clusters : tuple of (count, median voltage)
        More than one: the tray does not have one common voltage.
    remarks : mapping of cell number to text
        Words for each cell outside. This and `level_to_v` stand in the table once screening is done.
    notes : tuple of str
        Words for the tray.
    """

    half_width_v: float
    center_v: float | None
    level_to_v: np.ndarray = field(compare=False, repr=False)
    clusters: tuple[tuple[int, float], ...]
    remarks: Mapping[int, str] = field(default_factory=dict, compare=False, repr=False)
    notes: tuple[str, ...] = ()


def joining_window(tray: Tray, good: np.ndarray) -> JoiningWindow:
    """Find the common voltage of the good cells and those outside the window around it.

    Parameters
    ----------
    tray : Tray
    good : ndarray of bool, shape (n,)
        Cells that passed the absolute rules.

    Returns
    -------
    JoiningWindow
    """
    half = (JOIN_WINDOW_MV if tray.limits.join_window_mv is None else tray.limits.join_window_mv) / 1000
    level_to = np.full(len(tray.cells), np.nan)
    clusters = voltage_clusters(tray.ocv_v[good], CLUSTER_GAP_WINDOWS * half)
    if len(clusters) > 1:
        listing = " and ".join(f"{count} around {median:.3f} V" for count, median in clusters)
        note = (
            f"{_count_word(len(clusters))} voltage clusters: {listing}. Find out why first (another source, one half "
            "charged); bring them to one voltage of your choice, let them rest, measure again and plan anew"
        )
        return JoiningWindow(half_width_v=half, center_v=None, level_to_v=level_to, clusters=clusters, notes=(note,))
    if not good.any():
        return JoiningWindow(half_width_v=half, center_v=None, level_to_v=level_to, clusters=clusters)
    center = _common_voltage(tray.ocv_v[good], half)
    outside = good & (np.abs(tray.ocv_v - center) > half * (1 + 1e-9))
    level_to[outside] = round(center, 3)
    remarks = {int(i): _words(tray.ocv_v[i], center, half) for i in np.flatnonzero(outside)}
    return JoiningWindow(half_width_v=half, center_v=center, level_to_v=level_to, clusters=clusters, remarks=remarks)


def voltage_clusters(ocv_v: np.ndarray, gap_v: float) -> tuple[tuple[int, float], ...]:
    """Split voltages at gaps wider than `gap_v`; keep the parts that hold a fair share of the cells.

    Parameters
    ----------
    ocv_v : ndarray, shape (n,)
        [V]
    gap_v : float
        [V]

    Returns
    -------
    tuple of (count, median voltage [V])
        Largest first; a few cells apart from the rest are no cluster.

    Examples
    --------
    >>> voltage_clusters(np.r_[np.full(20, 3.6), np.full(20, 3.9)], 0.1)
    ((20, 3.6), (20, 3.9))
    >>> voltage_clusters(np.r_[np.full(37, 3.6), np.full(3, 3.9)], 0.1)
    ((37, 3.6),)
    """
    ordered = np.sort(ocv_v)
    parts = np.split(ordered, np.flatnonzero(np.diff(ordered) > gap_v) + 1)
    parts = [p for p in parts if p.size]
    largest = max((p.size for p in parts), default=0)
    shares = [
        p
        for p in parts
        if p.size == largest or (p.size >= CLUSTER_SHARE * ordered.size and p.size >= FEWEST_IN_CLUSTER)
    ]
    return tuple(sorted(((int(p.size), float(np.median(p))) for p in shares), key=lambda c: (-c[0], c[1])))


def _common_voltage(ocv_v: np.ndarray, half_v: float) -> float:
    """Return the median of the cells within the window of the first median: strays have no say."""
    first = np.median(ocv_v)
    near = ocv_v[np.abs(ocv_v - first) <= half_v]
    return float(np.median(near)) if near.size else float(first)


def _words(ocv_v: float, center_v: float, half_v: float) -> str:
    low, high = center_v - half_v, center_v + half_v
    by = f"{(ocv_v - high) * 1000:.0f} mV over" if ocv_v > high else f"{(low - ocv_v) * 1000:.0f} mV under"
    return (
        f"joining window: {ocv_v:.3f} V is {by} the window {low:.3f} to {high:.3f} V: level to {center_v:.3f} V "
        "(at 0.1 C or less, or taper to C/50), rest 1 h, read again; the new reading decides"
    )


def _count_word(n: int) -> str:
    return {2: "two", 3: "three", 4: "four"}.get(n, str(n))
