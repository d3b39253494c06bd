"""Whether a reading follows the order of testing, the tester, the slot or the date.

No repeats are needed, so a trend is only told and never corrected: the cells themselves may differ. For a
figure that can be corrected see :mod:`cellmatch.cells.worth.bias`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from cellmatch.cells.table import texts
from cellmatch.cells.tray import MAD_TO_SIGMA
from cellmatch.cells.worth.bias import LEVELS, UNIT, level_names

TREND_P = 0.01
"""A tray is looked at in up to six ways, so about one honest tray in twenty is flagged."""
LEAST_TREND_SIGMA = 0.5
"""A trend smaller than this share of the tray's own scatter is not worth a word, however certain."""
FEWEST_IN_ORDER = 8
FEWEST_ON_A_LEVEL = 3
MOST_LOOKED_AT = 20_000
"""Cells that a trend is worked out from; of more, so many are drawn, their order kept."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Trend:
    """Whether a reading follows test order, tester or slot.

    Parameters
    ----------
    quantity : str
        Column of the cell table.
    along : str
        ``test order``, ``row order``, ``tester``, ``slot`` or ``date``.
    size : float
        In the quantity's unit: last third minus first third of the order (medians), or highest minus
        lowest level (medians).
    size_fraction : float
        `size` over the median of all.
    p_value : float
        Kendall's rank correlation (orders) or the Kruskal-Wallis test (levels).
    cells : int
        Cells it was worked out from.
    scatter : float
        Robust standard deviation of the quantity over the tray, in its unit.
    words : str
        What was seen.
    """

    quantity: str
    along: str
    size: float
    size_fraction: float
    p_value: float
    cells: int
    scatter: float
    words: str

    @property
    def flagged(self) -> bool:
        """Whether it is both unlikely to be chance and large enough to matter."""
        return self.p_value < TREND_P and abs(self.size) >= LEAST_TREND_SIGMA * self.scatter

    def text(self) -> str:
        """Return the trend for people, with what to do next."""
        return (
            f"{self.quantity} follows {self.along}: {self.words} ({abs(self.size_fraction) * 100:.2g} %, "
            f"p = {self.p_value:.1g}, {self.cells} cells); measure a few cells again in another order or "
            "place before trusting the differences"
        )

    __str__ = text


def trends(cells: pd.DataFrame) -> tuple[Trend, ...]:
    """Look for a trend of capacity and resistance along test order, tester, slot and date.

    Parameters
    ----------
    cells : DataFrame
        Cell table. The test order is that of ``tested_at`` where it tells most cells apart, else the
        order of the rows, unless they are sorted by the quantity itself.

    Returns
    -------
    tuple of Trend
        Every one that could be worked out; look at :attr:`Trend.flagged`.

    References
    ----------
    M. G. Kendall, Rank Correlation Methods, 1948. W. H. Kruskal and W. A. Wallis, Use of ranks in
    one-criterion variance analysis, 1952.
    """
    if len(cells) > MOST_LOOKED_AT:
        # drawn, not every n-th: slots come round in turn
        drawn = np.random.default_rng(0).choice(len(cells), MOST_LOOKED_AT, replace=False)
        cells = cells.iloc[np.sort(drawn)]
    found = []
    for quantity in ("capacity_mah", "ir_mohm"):
        if quantity not in cells.columns:
            continue
        values = cells[quantity].to_numpy(dtype=float)
        found.append(_along_order(quantity, values, *_test_order(cells)))
        found += [_between_levels(quantity, values, by, level_names(cells, by)) for by in LEVELS]
    return tuple(trend for trend in found if trend is not None)


def _test_order(cells: pd.DataFrame) -> tuple[np.ndarray, str]:
    when = texts(cells, "tested_at")
    stamps = pd.to_datetime(pd.Series(when), format="ISO8601", utc=True, errors="coerce")
    if stamps.notna().all() and stamps.nunique() * 2 > len(stamps):
        return stamps.to_numpy(dtype="datetime64[ns]").astype(np.int64).astype(float), "test order"
    return np.arange(len(cells), dtype=float), "row order"


def _along_order(quantity: str, values: np.ndarray, order: np.ndarray, along: str) -> Trend | None:
    from scipy.stats import kendalltau

    known = np.flatnonzero(np.isfinite(values))
    known = known[np.argsort(order[known], kind="stable")]
    ordered = values[known]
    steps = np.diff(ordered)
    sorted_by_it = along == "row order" and (bool((steps >= 0).all()) or bool((steps <= 0).all()))
    if len(known) < FEWEST_IN_ORDER or sorted_by_it:
        return None
    p = float(kendalltau(order[known], ordered).pvalue)
    third = len(known) // 3
    first, last = float(np.median(ordered[:third])), float(np.median(ordered[-third:]))
    words = f"the last third reads {last:.4g} {UNIT[quantity]}, the first third {first:.4g}"
    return _trend(quantity, along, last - first, p, ordered, words)


def _between_levels(quantity: str, values: np.ndarray, by: str, levels: np.ndarray) -> Trend | None:
    from scipy.stats import kruskal

    known = np.isfinite(values) & (levels != "")
    code, names = pd.factorize(levels[known])
    enough = np.flatnonzero(np.bincount(code, minlength=1) >= FEWEST_ON_A_LEVEL)
    groups = {str(names[k]): values[known][code == k] for k in enough}
    all_values = np.concatenate(list(groups.values())) if groups else np.array([])
    if len(groups) < 2 or np.ptp(all_values) == 0:
        return None
    p = float(kruskal(*groups.values()).pvalue)
    medians = {name: float(np.median(g)) for name, g in groups.items()}
    low, high = min(medians, key=medians.__getitem__), max(medians, key=medians.__getitem__)
    words = f"{high} reads {medians[high]:.4g} {UNIT[quantity]}, {low} reads {medians[low]:.4g}"
    return _trend(quantity, by, medians[high] - medians[low], p, all_values, words)


def _trend(quantity: str, along: str, size: float, p: float, values: np.ndarray, words: str) -> Trend:
    middle = float(np.median(values))
    return Trend(
        quantity=quantity,
        along=along,
        size=size,
        size_fraction=size / middle if middle else float("nan"),
        p_value=p,
        cells=len(values),
        scatter=float(MAD_TO_SIGMA * np.median(np.abs(values - middle))),
        words=words,
    )
