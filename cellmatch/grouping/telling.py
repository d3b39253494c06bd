"""The figures of a grouping in the units of the trade: what was reached, what is proved, what it cost."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import numpy as np

from cellmatch.grouping import company
from cellmatch.grouping.pool import TENTHS_PER_MAH
from cellmatch.grouping.result import AimResult, Figures
from cellmatch.grouping.search import Search


def _spread_mah(search: Search) -> float:
    return search.spread() * search.pool.step / TENTHS_PER_MAH


def _weakest_mah(search: Search) -> float:
    return search.pool.weakest_tenths(search.weakest()) / TENTHS_PER_MAH


def _conductance_fraction(search: Search) -> float | None:
    """Return the largest difference of group conductances inside any pack, of the mean."""
    packs = np.split(search.best, search.packs if search.cut else 1)
    fractions = [company.conductance_fraction(search.pool, groups) for groups in packs]
    known = [fraction for fraction in fractions if fraction is not None]
    return max(known) if known else None


def figures_of(search: Search, aim: str) -> Figures:
    """Return all figures as they stand after one aim."""
    pool, groups = search.pool, search.best
    known = company.known_resistances(pool).any()
    ocv_known = bool(np.isfinite(pool.ocv_v).any())
    return Figures(
        aim=aim,
        weakest_mah=_weakest_mah(search),
        spread_mah=_spread_mah(search),
        conductance_fraction=_conductance_fraction(search),
        ir_range_mohm=float(company.ranges(pool, pool.ir_mohm, groups).mean()) if known else None,
        ocv_range_mv=1000 * float(company.ranges(pool, pool.ocv_v, groups).mean()) if ocv_known else None,
    )


def aim_result(search: Search, aim: str) -> AimResult | None:
    """Return what was reached of one aim and what is proved about it; None where it can't be measured."""
    pool = search.pool
    value: float
    if aim == "weakest":
        value, bound = _weakest_mah(search), pool.weakest_tenths(search.weakest_bound) / TENTHS_PER_MAH
        return AimResult(name=aim, value=value, bound=bound, proven=value == bound, unit="mAh")
    if aim == "spread":
        value, bound = _spread_mah(search), search.spread_bound * pool.step / TENTHS_PER_MAH
        return AimResult(name=aim, value=value, bound=bound, proven=value == bound, unit="mAh")
    if aim == "conductance":
        fraction = _conductance_fraction(search)
        if fraction is None:
            return None
        return AimResult(name=aim, value=fraction, bound=None, proven=fraction == 0, unit="fraction")
    value = float(company.unlikeness(pool)(search.best).mean())
    return AimResult(name=aim, value=value, bound=None, proven=value == 0, unit="fraction")


_FIGURES: tuple[tuple[str, str, float, int, str], ...] = (
    ("weakest_mah", "weakest group", 1, 1, "mAh"),
    ("spread_mah", "spread", 1, 1, "mAh"),
    ("conductance_fraction", "spread of conductance", 100, 2, "%"),
    ("ir_range_mohm", "resistance range inside a group", 1, 2, "mΩ"),
    ("ocv_range_mv", "voltage range inside a group", 1, 1, "mV"),
)
"""Field of `Figures`, words, factor, decimals and unit as printed."""

BETWEEN_AND_INSIDE = (
    "For the cells used, the variance of resistance between the groups and that inside them add up to a fixed amount: "
    "the more alike the groups, the less alike the cells in each."
)
"""The identity of the analysis of variance for groups of one size (total = between + within sum of squares):
R. A. Fisher (1925), Statistical Methods for Research Workers."""


def costs_of_aims(figures: Sequence[Figures]) -> tuple[str, ...]:
    """Return in words what each aim changed of all figures, against the aim before it.

    Parameters
    ----------
    figures : sequence of Figures
        After each aim, in order.

    Returns
    -------
    tuple of str
        One sentence for each aim after the first, and where resistances are known why they oppose each other.
    """
    words = []
    for before, after in pairwise(figures):
        changes = [
            f"{name} {_printed(old * factor, decimals)} to {_printed(new * factor, decimals)} {unit}"
            for field, name, factor, decimals, unit in _FIGURES
            if (old := getattr(before, field)) is not None
            and (new := getattr(after, field)) is not None
            and _printed(old * factor, decimals) != _printed(new * factor, decimals)
        ]
        words.append(f"{after.aim}, sought after {before.aim}: {', '.join(changes) or 'nothing changed'}")
    if words and figures[-1].ir_range_mohm is not None:
        words.append(BETWEEN_AND_INSIDE)
    return tuple(words)


def _printed(value: float, decimals: int) -> str:
    return f"{value:.{decimals}f}"
