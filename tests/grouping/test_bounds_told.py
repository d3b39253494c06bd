"""A bound that is told is a bound, also where the search was content with less than the best."""

from __future__ import annotations

from itertools import permutations

import numpy as np
import pytest

from cellmatch.grouping.solve import group_cells
from tests.grouping.exhaustion import all_groupings
from tests.grouping.invented import tray

SHAPES = [(9, 4, 2), (12, 5, 2), (10, 3, 3), (12, 3, 4), (11, 3, 3)]


def _spreads(capacities: np.ndarray, series: int, parallel: int) -> np.ndarray:
    sums = capacities[all_groupings(len(capacities), series, parallel)].sum(axis=2)
    return np.asarray(np.ptp(sums, axis=1))


@pytest.mark.parametrize("trial", range(40))
def test_a_search_that_stops_at_the_floor_proves_nothing_there(trial: int) -> None:
    cells, series, parallel = SHAPES[trial % len(SHAPES)]
    capacities = np.random.default_rng(trial).integers(2000, 2400, cells)
    least = int(_spreads(capacities, series, parallel).min())
    found = group_cells(tray(capacities), f"{series}s{parallel}p", ("spread",), floor_is_enough=True)
    assert found.bound_mah <= least <= found.spread_mah
    assert found.spread_mah <= found.floor_mah or found.spread_mah == least
    assert not found.proven or found.spread_mah == least


# trays whose least spread lies beside the group uncertainty, where the weakest group gives way to the spread
BESIDE = [
    ((4, 2), [2251, 2113, 2094, 2023, 2264, 2173, 2316, 2286, 2193]),
    ((5, 2), [2069, 2329, 2329, 2309, 2147, 2091, 2297, 2101, 2095, 2339, 2390, 2287]),
    ((5, 2), [2207, 2143, 2248, 2176, 2071, 2159, 2031, 2123, 2063, 2199, 2155, 2327]),
]


@pytest.mark.parametrize(("shape", "capacities"), BESIDE)
def test_the_group_uncertainty_is_no_bound(shape: tuple[int, int], capacities: list[int]) -> None:
    series, parallel = shape
    found = group_cells(tray(np.array(capacities)), f"{series}s{parallel}p", ("weakest", "spread"))
    assert found.bound_mah <= _spreads(np.array(capacities), series, parallel).min() <= found.spread_mah


@pytest.mark.parametrize("trial", range(30))
def test_the_weakest_and_then_the_spread(trial: int) -> None:
    cells, series, parallel = SHAPES[trial % len(SHAPES)]
    random = np.random.default_rng(500 + trial)
    alike = np.rint(random.normal(2500, 12, cells)).astype(np.int64)
    capacities = random.integers(2000, 2400, cells) if trial % 2 else alike
    sums = capacities[all_groupings(cells, series, parallel)].sum(axis=2)
    found = group_cells(tray(capacities), f"{series}s{parallel}p", ("weakest", "spread"))
    near = np.ptp(sums, axis=1) <= found.group_uncertainty_mah
    weakest = sums.min(axis=1)
    if not any("so the spread rules" in note for note in found.notes):
        assert found.weakest_bound_mah >= weakest[near].max() >= found.weakest_mah
        kept = near & (weakest >= found.weakest_mah)
        assert found.bound_mah <= np.ptp(sums[kept], axis=1).min() <= found.spread_mah
    else:
        assert found.bound_mah <= np.ptp(sums, axis=1).min() <= found.spread_mah


@pytest.mark.parametrize("trial", range(20))
def test_the_spread_and_then_the_weakest(trial: int) -> None:
    """Groupings of that spread may lie higher than the one found: all of them count."""
    cells, series, parallel = [(10, 3, 3), (11, 3, 3), (9, 4, 2), (14, 3, 4)][trial % 4]
    random = np.random.default_rng(900 + trial)
    capacities = random.integers(2000, 2400, cells)
    sums = capacities[all_groupings(cells, series, parallel)].sum(axis=2)
    found = group_cells(tray(capacities), f"{series}s{parallel}p", ("spread", "weakest"))
    kept = np.ptp(sums, axis=1) <= found.spread_mah
    assert found.weakest_bound_mah >= sums[kept].min(axis=1).max() >= found.weakest_mah


@pytest.mark.parametrize("order", list(permutations(("weakest", "spread", "conductance", "range"))))
def test_every_order_of_aims_holds_its_own_check(order: tuple[str, ...]) -> None:
    """The check says so where a later aim leaves a bound of an earlier one behind."""
    for trial in range(4):
        random = np.random.default_rng([trial, 77])
        cells = tray(random.integers(2000, 2400, 13))
        cells["ir_mohm"] = np.round(random.uniform(20, 40, 13), 1)
        given = {"range": 1.0, "weakest": 20.0, "conductance": 0.01} if trial % 2 else {}
        found = group_cells(cells, "4s3p", order, tolerances=given, seconds=0.5)
        assert found.bound_mah <= found.spread_mah
        assert found.weakest_bound_mah >= found.weakest_mah
