"""Resistance and voltage of cells that share a group: figures, and the values that the aims need."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from cellmatch.grouping.pool import Flags, Floats, Ints, Pool
from cellmatch.grouping.rules import Breaks
from cellmatch.pack.limits import JOIN_WINDOW_MV

CONDUCTANCE_UNITS = 10_000
"""The median cell's conductance in whole units: 1 unit is 0.01 % of a cell."""

RESISTANCE_NOISE_FRACTION = 0.005
"""Group conductances closer than this are equal to a resistance meter (common practice, no source)."""


def known_resistances(pool: Pool) -> Flags:
    """Return which cells have a resistance, shape (n,)."""
    return np.asarray(np.isfinite(pool.ir_mohm) & (pool.ir_mohm > 0))


def filled_resistances(pool: Pool) -> Floats:
    """Return resistances, with the median where none is known [mohm], shape (n,)."""
    known = known_resistances(pool)
    return np.where(known, pool.ir_mohm, np.median(pool.ir_mohm[known]))


def _conductance_units(pool: Pool) -> Floats:
    ir_mohm = filled_resistances(pool)
    return CONDUCTANCE_UNITS * np.median(ir_mohm) / ir_mohm


def conductances(pool: Pool) -> Ints | None:
    """Return each cell's conductance above the mean in units of 0.01 % of the median cell's, or None.

    None without resistances. A blank counts 0, like the middle of the capacities.
    """
    if not known_resistances(pool).any():
        return None
    units = np.rint(_conductance_units(pool)).astype(np.int64)
    above = units - round(int(units.sum()) / len(units))
    return np.concatenate((above, np.zeros(len(pool.steps) - pool.cells, dtype=np.int64)))


def mean_conductance(pool: Pool, groups: Ints) -> float:
    """Return the mean conductance of a group of the smallest size, in the same units."""
    used = groups[groups < pool.cells]
    return min(pool.sizes) * float(_conductance_units(pool)[used].mean())


def conductance_fraction(pool: Pool, groups: Ints) -> float | None:
    """Return largest minus smallest group conductance as a fraction of the mean, None without resistances."""
    values = conductances(pool)
    if values is None:
        return None
    sums = values[groups].sum(axis=1)
    return float(sums.max() - sums.min()) / mean_conductance(pool, groups)


def ranges(pool: Pool, readings: Floats, groups: Ints) -> Floats:
    """Return largest minus smallest reading in each group, cells without a reading and blanks left out."""
    padded = np.concatenate((readings, np.full(len(pool.steps) - pool.cells, np.nan)))[groups]
    high = np.where(np.isnan(padded), -np.inf, padded).max(axis=1)
    low = np.where(np.isnan(padded), np.inf, padded).min(axis=1)
    return np.asarray(np.maximum(0.0, high - low))


def unlikeness(pool: Pool) -> Callable[[Ints], Floats]:
    """Return the measure of how unlike a group's cells are, for the aim ``range``.

    Resistance range as a fraction of the median resistance, which drives unequal currents under load, plus
    voltage range as a fraction of the usual joining window, which drives currents at joining.
    """
    parts = []
    if known_resistances(pool).any():
        parts.append(pool.ir_mohm / np.median(pool.ir_mohm[known_resistances(pool)]))
    if np.isfinite(pool.ocv_v).any():
        parts.append(1000 * pool.ocv_v / JOIN_WINDOW_MV)

    def unlike(groups: Ints) -> Floats:
        return np.asarray(sum((ranges(pool, part, groups) for part in parts), np.zeros(len(groups))))

    return unlike


def no_wider(pool: Pool, groups: Ints) -> Breaks:
    """Return the check that no group's cells are more unlike than the most unlike of `groups`."""
    unlike = unlikeness(pool)
    limit = float(unlike(groups).max()) + 1e-9

    def wider(members: Ints) -> Ints:
        excess: Floats = np.maximum(0.0, unlike(members) - limit)
        return np.asarray(np.ceil(100 * excess), dtype=np.int64)

    return wider
