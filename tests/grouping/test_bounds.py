"""Every bound against every grouping of small trays (checked by exhaustion in the test itself)."""

from __future__ import annotations

import numpy as np
import pytest

from cellmatch.grouping.bounds import (
    deciding_threshold,
    descending,
    divisibility_bound,
    spread_bound,
    spread_bound_at,
    threshold_bounds,
    weakest_bound,
    weakest_bound_by_lots,
)
from tests.grouping.exhaustion import all_groupings
from tests.grouping.invented import KINDS, random_capacities

SHAPES = [
    (8, 4, 2),
    (9, 3, 3),
    (9, 4, 2),
    (8, 2, 4),
    (10, 3, 3),
    (10, 5, 2),
    (11, 3, 3),
    (7, 3, 2),
    (8, 2, 3),
    (9, 2, 4),
]


@pytest.mark.parametrize("shape", SHAPES, ids=str)
def test_no_grouping_beats_a_bound_and_often_one_meets_it(shape: tuple[int, int, int]) -> None:
    cells, series, parallel = shape
    groupings = all_groupings(cells, series, parallel)
    random = np.random.default_rng(cells * 100 + series * 10 + parallel)
    met = 0
    for trial in range(120):
        kind = KINDS[trial % len(KINDS)]
        values = descending(np.rint(random_capacities(kind, cells, random) * 10).astype(np.int64))
        values = values // max(1, int(np.gcd.reduce(values - values[0])))
        sums = values[groupings].sum(axis=2)
        spreads = sums.max(axis=1) - sums.min(axis=1)
        bound = spread_bound(values, series, parallel)
        assert bound <= spreads.min(), (kind, values)
        assert weakest_bound(values, series, parallel) >= sums.min(axis=1).max(), (kind, values)
        for weakest in np.unique(sums.min(axis=1))[-3:].tolist():
            strong = spreads[sums.min(axis=1) >= weakest]
            assert spread_bound_at(values, series, parallel, weakest) <= strong.min(), (kind, values, weakest)
        met += int(bound == spreads.min())
    assert met > 0


def test_there_are_more_than_a_thousand_trays_above() -> None:
    assert len(SHAPES) * 120 >= 1000


def test_a_strong_weakest_group_leaves_no_choice_of_cells() -> None:
    # the four largest hold 33, which is odd, any other four 26 at the most, and two groups of 16 need 32
    values = np.array([9, 8, 8, 8, 1, 1])
    assert spread_bound_at(values, 2, 2, 16) == 1
    assert spread_bound_at(values, 2, 2, 9) == 0  # groups of 9 leave room for other cells
    assert spread_bound_at(np.array([9, 8, 8, 7, 1, 1]), 2, 2, 16) == 0  # 32 can be shared out


@pytest.mark.parametrize("trial", range(60))
def test_one_lot_a_group_bounds_the_weakest(trial: int) -> None:
    cells, series, parallel = SHAPES[trial % len(SHAPES)]
    random = np.random.default_rng(trial)
    values, lots = random.integers(0, 60, cells), random.integers(0, 2 + trial % 2, cells)
    values = values + 40 * lots * (trial % 3)
    groupings = all_groupings(cells, series, parallel)
    pure = (np.ptp(lots[groupings], axis=2) == 0).all(axis=1)
    bound = weakest_bound_by_lots(values, lots, series, parallel)
    if pure.any():
        assert bound is not None
        assert bound >= values[groupings[pure]].sum(axis=2).min(axis=1).max()
    else:
        assert bound is None


def test_lots_share_the_groups_as_their_cells_allow() -> None:
    # lot 0 makes one group of 19 or two of 15, lot 1 one of 12: of three groups the weakest holds 12 at the most
    values, lots = np.array([10, 9, 6, 5, 7, 5]), np.array([0, 0, 0, 0, 1, 1])
    assert weakest_bound_by_lots(values, lots, 3, 2) == 12
    assert weakest_bound_by_lots(values, lots, 2, 2) == 15


def test_divisibility() -> None:
    assert divisibility_bound(np.array([3, 2, 1, 1]), 2, 2) == 1
    assert divisibility_bound(np.array([3, 2, 1, 0]), 2, 2) == 0
    assert divisibility_bound(np.array([3, 2, 1, 1, 0]), 2, 2) == 0  # a spare may take the odd one


def test_one_huge_cell_is_counted() -> None:
    # the group with the huge cell: 10 + 0; the others at most (3 + 2 + 1 + 0) / 2 = 3
    assert threshold_bounds(np.array([10, 3, 2, 1, 0, 0]), 3, 2).spread == 7


def test_two_lots_are_counted() -> None:
    # three better cells in two groups: two of them in one group, so 20 against 10 at the best
    counted = threshold_bounds(np.array([10, 10, 10, 0]), 2, 2)
    assert (counted.spread, counted.weakest, counted.threshold) == (10, 10, 3)


def test_enough_spares_silence_the_counting() -> None:
    counted = threshold_bounds(np.array([10, 10, 10, 0, 0]), 2, 2)
    assert (counted.spread, counted.weakest) == (0, None)


def test_the_threshold_falls_between_two_lots() -> None:
    assert deciding_threshold(np.array([29, 29, 28, 22, 22, 21, 21]), 3, 2) == 3
