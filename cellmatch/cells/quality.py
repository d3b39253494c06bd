"""What a capacity reading is worth, and what that means for a match.

A tester's error is often larger than the spread being matched. Three figures, all on the *sum* of a
group's capacities, say how far a match can be believed:

=================  ===============  ==========================================================
figure             formula          meaning
=================  ===============  ==========================================================
group uncertainty  u·√P             1 σ of one group's sum
floor              2.77·u·√P        two groups closer than this can't be told apart at 95 %
least true spread  2·c_S·u·√P       the spread to expect between the true sums of S groups
                                    even if the readings match perfectly
=================  ===============  ==========================================================

u is the repeatability: the standard deviation of one capacity reading.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import pandas as pd

from cellmatch.errors import ArgumentInvalid, Problem
from cellmatch.pack.limits import REPEATABILITY_FRACTION

FLOOR_FACTOR = 2.77
"""1.96·√2: the 95 % limit of the difference of two readings with the same standard deviation."""

LEAST_DEGREES = 5
"""Fewer degrees of freedom than this leave a pooled standard deviation uncertain by more than a third
(1/√(2·5) = 32 %), so the default stands (common practice, no source)."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Repeatability:
    """Standard deviation of one reading, and how it is known.

    Parameters
    ----------
    value : float
        Standard deviation of one reading, in `unit`.
    unit : str
        ``mAh``, ``mohm`` or ``V``.
    known_from : str
        ``given``, ``repeats`` or ``default``.
    how : str
        The same in words, with what it was worked out from.
    degrees : int or None
        Degrees of freedom behind a value from repeats.
    """

    value: float
    unit: str
    known_from: str
    how: str
    degrees: int | None = None

    def text(self) -> str:
        """Return the repeatability for people."""
        return f"one reading repeats within ±{self.value:.3g} {self.unit} (1 σ; {self.how})"

    __str__ = text


def pooled_standard_deviation(cell_ids: Iterable[object], values: Iterable[float]) -> tuple[float, int]:
    """Pool the standard deviation of repeated readings over all cells that were read more than once.

    Parameters
    ----------
    cell_ids : iterable, length n
        Whose reading; an id stands once for each of its readings.
    values : iterable of float, length n
        Readings in any one unit; missing ones (NaN) don't count.

    Returns
    -------
    deviation : float
        sqrt(Σ(n_i - 1)·s_i² / Σ(n_i - 1)), in the unit of `values`; NaN without any repeat.
    degrees : int
        Degrees of freedom Σ(n_i - 1).

    References
    ----------
    ISO 5725-2, Basic method for the determination of repeatability: s_r² as the pooled within-cell
    variance.

    Examples
    --------
    >>> pooled_standard_deviation(["A", "A", "B", "B"], [2500.0, 2510.0, 2400.0, 2390.0])
    (7.0710678, 2)
    """
    frame = pd.DataFrame({"cell": list(cell_ids), "value": np.asarray(list(values), dtype=float)}).dropna()
    by_cell = frame.groupby("cell", sort=False)["value"]
    deviations = frame["value"] - by_cell.transform("mean")
    degrees = int(len(frame) - by_cell.ngroups)
    if degrees == 0:
        return float("nan"), 0
    return float(np.sqrt((deviations**2).sum() / degrees)), degrees


def single_readings(cells: pd.DataFrame) -> pd.DataFrame:
    """Return every reading that the cells were made of, a row a reading.

    Parameters
    ----------
    cells : DataFrame
        Cell table as read; where cells stood several times in the files, ``.attrs["reading"]`` holds each
        reading.

    Returns
    -------
    DataFrame
        Columns as in `cells`, under an index of cell ids that may repeat; the cells that were read once
        first, then the others in the order of ``Reading.repeats``. Of a repeated reading voltage, capacity,
        resistance, tester, slot and date were kept; the rest is missing.
    """
    repeats = getattr(cells.attrs.get("reading"), "repeats", ())
    if not repeats:
        return cells
    ids = [repeat.cell_id for repeat in repeats for _ in repeat.sources]
    names = dict.fromkeys(name for repeat in repeats for name in (*repeat.readings, *repeat.labels))
    kept = {
        name: [
            value
            for repeat in repeats
            for value in {**repeat.readings, **repeat.labels}.get(name, [None] * len(repeat.sources))
        ]
        for name in names
    }
    once = cells[~cells.index.isin(ids)]
    return pd.concat([once, pd.DataFrame(kept, index=ids)])


def repeatability(
    cells: pd.DataFrame,
    *,
    repeats: pd.DataFrame | None = None,
    fraction: float | None = None,
    rated_mah: float | None = None,
) -> Repeatability:
    """Settle how well one capacity reading repeats.

    The user's figure comes first, then repeated readings where there are enough of them, then
    the default of 1 % of rated capacity, or of the median where no rated capacity is given.

    Parameters
    ----------
    cells : DataFrame
        Cell table with ``capacity_mah``, and ``rated_mah`` where known.
    repeats : DataFrame, optional
        Every single reading: ``capacity_mah`` under an index of cell ids that may repeat.
    fraction : float, optional
        The user's figure, of rated or else of the median capacity.
    rated_mah : float, optional
        [mAh] Rated capacity where the table holds none.

    Returns
    -------
    Repeatability
        [mAh]

    Raises
    ------
    ArgumentInvalid
        `fraction` is not a number from 0 to 1, or neither a rated nor a measured capacity is there.
    """
    if fraction is not None and not 0 <= fraction <= 1:
        raise ArgumentInvalid(
            Problem("--repeatability-fraction", f"found {fraction}; a fraction from 0 to 1 (0.01 means 1 %)")
        )
    reference_mah, of_what = _reference_capacity(cells, rated_mah)
    if fraction is not None:
        how = f"given: {fraction:.3g} of {of_what}"
        return Repeatability(value=fraction * reference_mah, unit="mAh", known_from="given", how=how)
    few = ""
    if repeats is not None and "capacity_mah" in repeats.columns:
        values = repeats["capacity_mah"].to_numpy(dtype=float)
        deviation, degrees = pooled_standard_deviation(repeats.index, values)
        step = resolution(values)
        least = 0.0 if np.isnan(step) else step / np.sqrt(12.0)
        if degrees >= LEAST_DEGREES and max(deviation, least) > 0:
            known_within = f"known to about ±{100 / np.sqrt(2 * degrees):.0f} %"
            how = f"from repeats with {degrees} degrees of freedom, {known_within}"
            if deviation < least:
                how = f"repeats with {degrees} degrees of freedom agree within the last digit that was read"
            return Repeatability(
                value=float(max(deviation, least)),
                unit="mAh",
                known_from="repeats",
                how=how,
                degrees=degrees,
            )
        if 0 < degrees < LEAST_DEGREES:
            few = f"; {degrees} repeated reading(s) are too few to work it out, {LEAST_DEGREES} are needed"
    how = f"assumed: {REPEATABILITY_FRACTION:.3g} of {of_what}, a hobby tester{few}"
    return Repeatability(value=REPEATABILITY_FRACTION * reference_mah, unit="mAh", known_from="default", how=how)


def _reference_capacity(cells: pd.DataFrame, rated_mah: float | None) -> tuple[float, str]:
    if rated_mah is not None:
        return rated_mah, "rated capacity"
    for column, words in (("rated_mah", "rated capacity"), ("capacity_mah", "median capacity")):
        if column in cells.columns:
            values = cells[column].to_numpy(dtype=float)
            values = values[np.isfinite(values)]
            if values.size:
                return float(np.median(values)), words
    raise ArgumentInvalid(Problem("repeatability", "no cell has a rated or a measured capacity"))


def resolution(values: Iterable[float]) -> float:
    """Work out the step in which values were read: the coarsest of 1, 2 or 5·10^k that fits all of them.

    Parameters
    ----------
    values : iterable of float
        Readings in any one unit; missing ones don't count.

    Returns
    -------
    float
        In the unit of `values`; NaN where no step shows: fewer than five readings, one value only, or
        a step below 10^-6.

    Examples
    --------
    >>> resolution([4.04, 4.05, 4.04, 4.06, 4.05])
    0.01
    >>> resolution([2500, 2515, 2490, 2505, 2520])
    5.0
    """
    found = np.asarray(list(values) if not isinstance(values, np.ndarray) else values, dtype=float)
    found = np.unique(found[np.isfinite(found)] if found.size >= 5 else found[:0])
    if found.size < 2:
        return float("nan")
    sample = found[:: max(1, found.size // 1000)]
    for exponent in range(3, -7, -1):
        for mantissa in (5.0, 2.0, 1.0):
            step = mantissa * 10.0**exponent
            if _on_grid(sample, step) and _on_grid(found, step):
                return float(step)
    return float("nan")


def _on_grid(values: np.ndarray, step: float) -> bool:
    steps = values / step
    return bool(np.all(np.abs(steps - np.round(steps)) <= 1e-5))


@lru_cache(maxsize=256)
def expected_largest(count: int) -> float:
    """Return c_n: what the largest of n standard normal values is on average.

    Parameters
    ----------
    count : int
        n, at least 1.

    Returns
    -------
    float
        ∫ x·n·φ(x)·Φ(x)^(n-1) dx, by the trapezoid rule (exact to 1e-10 for this integrand). The average
        largest-minus-smallest of n values is 2·c_n.

    Raises
    ------
    ValueError
        `count` below 1.

    References
    ----------
    H. A. David and H. N. Nagaraja, Order Statistics, 3rd ed., 2003, section 3.1.

    Examples
    --------
    >>> expected_largest(13)
    1.66799
    """
    if count < 1:
        raise ValueError(f"expected_largest needs a count of 1 or more, found {count}")
    from scipy.special import log_ndtr

    x = np.linspace(-12.0, 12.0, 9601)
    log_density = -0.5 * x**2 - 0.5 * np.log(2.0 * np.pi)
    density = count * np.exp(log_density + (count - 1) * log_ndtr(x))
    return float(np.trapezoid(x * density, x))


@dataclass(frozen=True, kw_only=True, slots=True)
class MatchUncertainty:
    """How far a match between groups can be believed; all on group sums.

    Parameters
    ----------
    repeatability : Repeatability
        Of one capacity reading.
    series, parallel : int
        Groups, and cells in each; the largest group where they differ.
    group_uncertainty_mah : float
        [mAh] u·√P, 1 σ of one group's sum.
    floor_mah : float
        [mAh] 2.77·u·√P: two groups closer than this can't be told apart at 95 %.
    least_true_spread_mah : float
        [mAh] 2·c_S·u·√P: true spread to expect even where the readings match perfectly.
    """

    repeatability: Repeatability
    series: int
    parallel: int
    group_uncertainty_mah: float
    floor_mah: float
    least_true_spread_mah: float

    def true_spread_mah(self, apparent_mah: float) -> float:
        """Return the true spread to expect when the readings show `apparent_mah`.

        Parameters
        ----------
        apparent_mah : float
            [mAh] Largest minus smallest group sum of the readings.

        Returns
        -------
        float
            [mAh] sqrt(apparent² + least²): reading errors are independent of what the grouping evened out.
        """
        return float(np.hypot(apparent_mah, self.least_true_spread_mah))

    def text(self, apparent_mah: float | None = None) -> str:
        """Return what the readings can and can't show, for people."""
        lines = [
            f"{self.repeatability.text()}; a group of {self.parallel} is known to "
            f"±{self.group_uncertainty_mah:.3g} mAh; two groups closer than "
            f"{self.floor_mah:.3g} mAh can't be told apart (95 %)"
        ]
        if apparent_mah is not None:
            lines.append(
                f"the readings show a spread of {apparent_mah:.3g} mAh; the true spread to expect is about "
                f"{self.true_spread_mah(apparent_mah):.3g} mAh"
            )
            if apparent_mah < self.floor_mah:
                lines.append("a better match on these readings would be one of numbers only: repeat the readings first")
        return "; ".join(lines)

    __str__ = text


def match_uncertainty(known: Repeatability, series: int, parallel: int) -> MatchUncertainty:
    """Work out group uncertainty, floor and least true spread.

    Parameters
    ----------
    known : Repeatability
        Of one capacity reading [mAh].
    series, parallel : int
        Groups, and cells in each; give the largest group where they differ.

    Returns
    -------
    MatchUncertainty

    Examples
    --------
    >>> one = Repeatability(value=12.5, unit="mAh", known_from="given", how="given")
    >>> worth = match_uncertainty(one, 10, 3)
    >>> round(worth.group_uncertainty_mah, 1), round(worth.floor_mah)
    (21.7, 60)
    """
    group_mah = known.value * float(np.sqrt(parallel))
    return MatchUncertainty(
        repeatability=known,
        series=series,
        parallel=parallel,
        group_uncertainty_mah=group_mah,
        floor_mah=FLOOR_FACTOR * group_mah,
        least_true_spread_mah=2.0 * expected_largest(series) * group_mah,
    )
