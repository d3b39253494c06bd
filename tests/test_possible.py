"""What a tray can become: shapes, shortfalls, what limits cost, what the weakest cells are worth."""

from __future__ import annotations

from itertools import combinations

import numpy as np
import pytest

from cellmatch import Limits, screen_cells
from cellmatch.cells.table import ScreenedCells, cell_table
from cellmatch.possible import (
    LOOSENED,
    PackOption,
    guarded,
    limit_costs,
    nearest_packs,
    possible_packs,
    why_uneven,
    without_weakest,
)


def tray(capacities: list[float], limits: Limits | None = None, **columns: list[float]) -> ScreenedCells:
    n = len(capacities)
    readings = {"ocv_v": [3.67] * n, "capacity_mah": capacities, "ir_mohm": [25.0] * n, **columns}
    return screen_cells(cell_table(readings, ids=[f"C{i:03d}" for i in range(n)]), limits, chemistry="nmc")


def alike(n: int, capacity_mah: float = 2500.0) -> ScreenedCells:
    return tray([capacity_mah] * n)


def named(options: tuple[PackOption, ...]) -> list[str]:
    return [f"{o.packs}x{o.pack}" for o in options]


# --- shapes ----------------------------------------------------------------------------------------------


def test_every_shape_of_one_series_count() -> None:
    # 11 cells in 2 series: 2s5p to 2s1p, and as many alike as 11 cells give
    options = possible_packs(alike(11), series=[2])
    assert set(named(options)) == {"1x2s5p", "1x2s4p", "1x2s3p", "1x2s2p", "1x2s1p", "2x2s2p", "5x2s1p"}
    for option in options:
        assert option.left_over == 11 - option.packs * option.pack.places
        # equal cells: every group holds P of them, nothing is spread
        assert option.capacity_mah == pytest.approx(2500 * option.smallest_group)
        assert option.spread_mah == 0
        assert option.energy_wh == pytest.approx(option.packs * 2 * 3.65 * option.capacity_mah / 1000)
    assert [o.energy_wh for o in options] == sorted((o.energy_wh for o in options), reverse=True)


def test_without_a_series_count_the_largest_pack_of_each() -> None:
    options = possible_packs(alike(10))
    assert set(named(options)) == {
        "1x1s10p", "1x2s5p", "1x3s3p", "1x4s2p", "1x5s2p", "1x6s1p", "1x7s1p", "1x8s1p", "1x9s1p", "1x10s1p",
    }  # fmt: skip


def test_the_list_keeps_the_shapes_with_most_energy() -> None:
    assert named(possible_packs(alike(11), series=[2], most=2)) == ["1x2s5p", "5x2s1p"]


def strongest_weakest(capacities: list[float], parallel: int) -> float:
    """Return the strongest weakest group of two groups, by trying every choice: computed independently."""
    cells = range(len(capacities))
    best = 0.0
    for first in combinations(cells, parallel):
        rest = [c for c in cells if c not in first]
        for second in combinations(rest, parallel):
            best = max(best, min(sum(capacities[c] for c in first), sum(capacities[c] for c in second)))
    return best


@pytest.mark.parametrize("seed", range(4))
def test_usable_capacity_against_brute_force(seed: int) -> None:
    capacities = np.random.default_rng(seed).normal(2500, 8, 8).round(1).tolist()
    for option in possible_packs(tray(capacities), series=[2]):
        if option.packs == 1:
            best = strongest_weakest(capacities, option.smallest_group)
            assert option.capacity_mah <= best + 1e-6
            if option.proven:
                assert option.capacity_mah == pytest.approx(best)


def test_shapes_that_cannot_carry_the_load_are_left_out() -> None:
    # 20 A at 7 A a cell need three in parallel
    assert set(named(possible_packs(alike(11), series=[2], least_parallel=lambda series: 3))) == {
        "1x2s5p", "1x2s4p", "1x2s3p",
    }  # fmt: skip


def test_rejects_take_no_part() -> None:
    cells = tray([2500.0] * 8 + [1000.0] * 2, Limits(rated_mah=2500))
    assert {o.pack.places + o.left_over for o in possible_packs(cells)} == {8}


def test_no_good_cell_no_pack() -> None:
    cells = tray([1000.0] * 6, Limits(rated_mah=2500))
    assert possible_packs(cells) == ()
    assert possible_packs(cells, series=[2]) == ()


# --- too few, too many -----------------------------------------------------------------------------------


def test_fifty_one_cells_for_thirteen_by_four() -> None:
    # 51 = 13 x 3 + 12; common practice, no source: 13s3p takes 39, 12s4p 48, or twelve groups of 4 and one of 3
    options = {str(o.pack): o for o in nearest_packs(alike(51), "13s4p")}
    assert set(options) == {"13s3p", "12s4p", "13s(4+4+4+4+4+4+4+4+4+4+4+4+3)p"}
    assert [o.left_over for o in options.values()] == [12, 3, 0]
    unequal = options["13s(4+4+4+4+4+4+4+4+4+4+4+4+3)p"]
    # 20 A over the three cells of the smallest group, not over four
    assert unequal.current_per_cell_a(20) == pytest.approx(20 / 3)
    # and of equal cells it gives no more than 13s3p does
    assert unequal.capacity_mah == options["13s3p"].capacity_mah == 7500
    assert unequal.spread_mah == 2500


def test_thirty_one_cells_for_ten_by_three() -> None:
    options = {str(o.pack): o for o in nearest_packs(alike(31), "10s3p")}
    assert set(options) == {"10s3p", "10s(4+3+3+3+3+3+3+3+3+3)p"}
    assert options["10s3p"].why == "leave 1 out"
    assert options["10s3p"].left_over == 1
    assert options["10s(4+3+3+3+3+3+3+3+3+3)p"].why == "unequal groups: 1 of 4 and 9 of 3"


def test_unequal_groups_pay_where_cells_differ() -> None:
    # 5 cells in 2 series, 3000, 3000, 2000, 2000, 2000: two strong against three weak, 6000 mAh each;
    # 2s2p of the four best gives 5000 (3000 + 2000 twice)
    options = {str(o.pack): o for o in nearest_packs(tray([3000.0, 3000.0, 2000.0, 2000.0, 2000.0]), "2s2p")}
    assert options["2s(3+2)p"].capacity_mah == 6000
    assert options["2s(3+2)p"].spread_mah == 0
    assert options["2s2p"].capacity_mah == 5000


@pytest.mark.parametrize("seed", range(5))
def test_unequal_groups_against_brute_force(seed: int) -> None:
    capacities = np.random.default_rng(seed).uniform(1500, 2500, 7).round().tolist()
    unequal = nearest_packs(tray(capacities), "2s3p")[-1]
    cells = range(7)
    best = max(
        min(sum(capacities[c] for c in three), sum(capacities[c] for c in cells if c not in three))
        for three in combinations(cells, 3)
    )
    assert unequal.pack.group_sizes == (4, 3)
    assert unequal.capacity_mah == pytest.approx(best)


def test_enough_for_one_more_in_parallel() -> None:
    assert [str(o.pack) for o in nearest_packs(alike(9), "2s3p")] == ["2s3p", "2s4p", "2s(5+4)p"]


def test_cells_that_come_out_even_need_no_choice() -> None:
    assert nearest_packs(alike(30), "10s3p") == ()


def test_far_too_few_cells() -> None:
    assert [str(o.pack) for o in nearest_packs(alike(3), "10s2p")] == ["1s2p"]
    assert nearest_packs(alike(1), "10s2p") == ()


@pytest.mark.parametrize(
    ("good", "pack", "words"),
    [
        (52, "13s4p", "52 good cells for 52 places: none is left over"),
        (50, "13s4p", "50 good cells for 52 places: 2 are missing; 50 = 13 × 3 + 11"),
        (35, "10s3p", "35 good cells for 30 places: 5 are left over; 35 = 10 × 3 + 5"),
    ],
)
def test_why_it_does_not_come_out_even(good: int, pack: str, words: str) -> None:
    assert why_uneven(good, pack) == words


# --- what limits cost ------------------------------------------------------------------------------------


def test_what_each_limit_costs() -> None:
    # 20 cells of 2500 mAh and 25 mohm; two of 2100 mAh (under 90 % of rated), one of 60 mohm (over 1.5 x median),
    # one that breaks both, one over-discharged: no limit is to bring that one back
    capacities = [2500.0] * 20 + [2100.0] * 2 + [2500.0] + [2100.0] + [2500.0]
    cells = tray(
        capacities,
        Limits(rated_mah=2500),
        ocv_v=[3.67] * 24 + [2.2],
        ir_mohm=[25.0] * 22 + [36.0] + [60.0] + [25.0],
    )
    assert int((cells["status"] == "good").sum()) == 20
    costs = {cost.option: cost for cost in limit_costs(cells, "2s10p")}
    assert costs["--min-capacity-fraction"].cells == 2
    # the 36 mohm cell is under the ratio (37.5) but an outlier; the 60 mohm cell breaks two more rules
    assert costs["--outlier-k"].cells == 1
    assert set(costs) == {"--min-capacity-fraction", "--outlier-k"}
    assert list(costs) == ["--min-capacity-fraction", "--outlier-k"]
    assert costs["--min-capacity-fraction"].capacity_mah == pytest.approx(25_000)
    assert guarded(cells) == {"over-discharged": 1}


def test_a_limit_can_be_all_that_is_missing() -> None:
    cells = tray([2500.0] * 18 + [2200.0] * 2, Limits(rated_mah=2500))
    (cost,) = limit_costs(cells, "10s2p")
    assert (cost.option, cost.cells) == ("--min-capacity-fraction", 2)
    # 18 cells were too few; with the two, each group holds at most one of them
    assert cost.capacity_mah == pytest.approx(2500 + 2200)
    (cost,) = limit_costs(cells, "10s3p")
    assert cost.capacity_mah is None


def test_limits_that_keep_nobody_out_cost_nothing() -> None:
    assert limit_costs(alike(10), "2s5p") == ()
    assert limit_costs(tray([2500.0] * 4, Limits(rated_mah=2500))) == ()


def test_an_accepted_cell_stays_accepted_when_screened_anew() -> None:
    table = cell_table(
        {"ocv_v": [3.67] * 12, "capacity_mah": [2500.0] * 10 + [2100.0] * 2}, ids=[f"C{i}" for i in range(12)]
    )
    cells = screen_cells(table, Limits(rated_mah=2500), chemistry="nmc", accept={"C10": "measured twice"})
    (cost,) = limit_costs(cells)
    assert cost.cells == 1


def test_no_limit_that_guards_against_fire_is_loosened() -> None:
    assert not LOOSENED.keys() & {"floor_v", "min_v", "max_v", "above_full_v", "join_limit_c", "charge_limit_a"}


# --- the weakest cells -----------------------------------------------------------------------------------


def test_spares_are_the_weakest_anyway_and_then_it_costs() -> None:
    # 12 of 2500 mAh and 2 of 2300 mAh for 2s6p: both weak ones can go for nothing; a third costs a place
    cells = tray([2500.0] * 12 + [2300.0, 2310.0])
    steps = without_weakest(cells, "2s6p", most=4)
    assert [step.left_out for step in steps] == [0, 1, 2, 3, 4]
    assert [step.least_mah for step in steps] == [2300, 2310, 2500, 2500, 2500]
    assert [str(step.option.pack) for step in steps] == ["2s6p", "2s6p", "2s6p", "2s5p", "2s5p"]
    assert [step.option.capacity_mah for step in steps] == [15_000, 15_000, 15_000, 12_500, 12_500]


def test_a_weak_cell_that_is_needed_costs_more_when_left_out() -> None:
    # 2s2p of 2500, 2500, 2500, 1500: with it 4000 mAh, without it 2500
    steps = without_weakest(tray([2500.0, 2500.0, 2500.0, 1500.0]), "2s2p")
    assert [step.option.capacity_mah for step in steps] == [4000, 2500, 2500]


def test_too_few_for_the_pack_leaves_nothing_to_leave_out() -> None:
    assert without_weakest(alike(5), "2s3p") == ()
