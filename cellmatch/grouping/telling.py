"""The figures of a grouping in the units of the trade: what was reached, what is proved, what it cost."""

from __future__ import annotations

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
