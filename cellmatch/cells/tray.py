"""The cells at hand as arrays, with the medians and robust scales that screening compares against."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd

from cellmatch.cells.quality import resolution
from cellmatch.cells.table import resistances_mohm, texts
from cellmatch.pack.chemistry import Chemistry
from cellmatch.pack.limits import Limits

IR_REPEATABILITY_FRACTION = 0.02
"""Two readings of one cell's resistance differ by about this much (common practice, no source)."""
FEWEST_FOR_STATISTICS = 5
"""Below this many cells of a kind a median and a scale say nothing."""
SAME_TEMPERATURE_K = 3.0
"""Resistances read further apart than this are not one scale (common practice, no source)."""
MAD_TO_SIGMA = 1.4826
"""Median absolute deviation of a normal distribution to its standard deviation: 1/0.6745."""

Floats = np.ndarray


@dataclass(frozen=True)
class Tray:
    """The readings of one tray.

    Parameters
    ----------
    cells : DataFrame
        The cell table.
    limits : Limits
        Settled limits: no voltage or ratio is None.
    chemistry : Chemistry
        The tray's chemistry.
    """

    cells: pd.DataFrame
    limits: Limits
    chemistry: Chemistry

    def number(self, name: str) -> Floats:
        """Return a number column, NaN where the table has none; shape (n,)."""
        if name not in self.cells.columns:
            return np.full(len(self.cells), np.nan)
        return self.cells[name].to_numpy(dtype=float)

    @cached_property
    def ocv_v(self) -> Floats:
        """Open-circuit voltages [V], shape (n,)."""
        return self.number("ocv_v")

    @cached_property
    def capacity_mah(self) -> Floats:
        """Capacities [mAh], shape (n,)."""
        return self.number("capacity_mah")

    @cached_property
    def ir_mohm(self) -> Floats:
        """Resistances [mohm], shape (n,)."""
        return resistances_mohm(self.cells)

    @cached_property
    def rated_mah(self) -> Floats:
        """Rated capacities [mAh], the tray's own where the file gives none per cell; shape (n,)."""
        rated = self.number("rated_mah")
        if self.limits.rated_mah is not None:
            rated = np.where(np.isnan(rated), self.limits.rated_mah, rated)
        return rated

    @cached_property
    def kind(self) -> np.ndarray:
        """Number of the kind each cell's resistance is compared within: model, method, temperature.

        Temperature parts kinds only where the tray's temperatures lie further apart than
        :data:`SAME_TEMPERATURE_K`.
        """
        keys = [texts(self.cells, "model"), texts(self.cells, "ir_method")]
        temperature = self.number("temperature_c")
        known = temperature[~np.isnan(temperature)]
        if known.size and np.ptp(known) > SAME_TEMPERATURE_K:
            keys.append(np.round(temperature / SAME_TEMPERATURE_K))
        frame = pd.DataFrame(dict(enumerate(keys)))
        return _numbered(frame)

    @cached_property
    def model(self) -> np.ndarray:
        """Number of the model of each cell."""
        return pd.factorize(texts(self.cells, "model"))[0]

    @cached_property
    def lot(self) -> np.ndarray:
        """Number of the lot (and model) of each cell."""
        frame = pd.DataFrame({"lot": texts(self.cells, "lot"), "model": self.model})
        return _numbered(frame)

    @cached_property
    def plausible(self) -> np.ndarray:
        """Cells whose voltage is between the service minimum and full: only they shape the medians."""
        low, high = self.limits.min_v or 0.0, (self.limits.max_v or np.inf) + self.limits.above_full_v
        with np.errstate(invalid="ignore"):
            return (self.ocv_v >= low) & (self.ocv_v <= high)

    def median_within(self, values: Floats, kinds: np.ndarray) -> Floats:
        """Return for each cell the median of its kind, NaN where the kind has too few cells; shape (n,)."""
        return _within(values, kinds, self.plausible, np.median)

    def scale_within(self, values: Floats, kinds: np.ndarray, repeatability: Floats) -> Floats:
        """Return for each cell the robust scale of its kind.

        The scale is never below the repeatability of one reading nor below one step of the reading's
        resolution: on rounded data the median absolute deviation is 0, and every cell off the median
        would be an outlier.

        Parameters
        ----------
        values, repeatability : ndarray, shape (n,)
            In one unit.
        kinds : ndarray of int, shape (n,)

        Returns
        -------
        ndarray, shape (n,)
        """
        spread = _within(values, kinds, self.plausible, _robust_sigma)
        scale: Floats = np.fmax(np.fmax(spread, repeatability), resolution(values))
        return scale


def _numbered(keys: pd.DataFrame) -> np.ndarray:
    """Return a number per row, equal where all keys are equal; shape (n,)."""
    number: np.ndarray = keys.groupby(list(keys.columns), sort=False, dropna=False).ngroup().to_numpy()
    return number


def _robust_sigma(values: Floats) -> float:
    return float(MAD_TO_SIGMA * np.median(np.abs(values - np.median(values))))


def _within(values: Floats, kinds: np.ndarray, counted: np.ndarray, figure: Callable[[Floats], float]) -> Floats:
    result = np.full(len(values), np.nan)
    for kind in np.unique(kinds):
        members = kinds == kind
        known = values[members & counted & ~np.isnan(values)]
        if known.size >= FEWEST_FOR_STATISTICS:
            result[members] = figure(known)
    return result
