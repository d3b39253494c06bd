from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from cellmatch.build.heat_placement import place_by_heat, place_hotness_k_per_w
from cellmatch.build.placement import natural_key, place_cells
from cellmatch.cells.table import GroupedCells
from cellmatch.errors import ArgumentInvalid
from cellmatch.pack.holder import Holder

Cells = Callable[..., GroupedCells]


def test_cells_take_the_places_of_their_group_in_the_order_of_their_ids(invented_cells: Cells) -> None:
    cells = invented_cells("3s2p")
    placed = place_cells(cells, "3s2p")
    used = placed[placed["group"] > 0]
    assert used["position"].tolist() == [1, 2, 3, 4, 5, 6]
    assert used["positive_up"].tolist() == [False, False, True, True, False, False]
    spare = placed[placed["group"] == 0]
    assert spare["position"].tolist() == [0, 0]
    assert spare["x_mm"].isna().all()
    assert spare["positive_up"].tolist() == [None, None]


def test_order_of_rows_does_not_matter(invented_cells: Cells) -> None:
    cells = invented_cells("3s2p")
    shuffled = GroupedCells(cells.iloc[::-1])
    one, two = place_cells(cells, "3s2p"), place_cells(shuffled, "3s2p").loc[cells.index]
    assert one["position"].tolist() == two["position"].tolist()


def test_ids_are_counted_as_people_count() -> None:
    assert sorted(["C10", "C9", "c2", "10", "9", "²"], key=natural_key) == ["9", "10", "C9", "C10", "c2", "²"]


def test_groups_of_another_size_are_refused(invented_cells: Cells) -> None:
    with pytest.raises(ArgumentInvalid, match="3s3p needs"):
        place_cells(invented_cells("3s2p"), "3s3p")


def test_hot_cell_goes_to_the_coolest_place(invented_cells: Cells) -> None:
    cells = invented_cells("1s4p")
    heat = np.array([0.1, 0.9, 0.2, 0.3, np.nan, np.nan])
    hotness = np.array([10.0, 30.0, 20.0, 5.0])
    placed = place_by_heat(cells, "1s4p", None, heat, hotness)
    # rearrangement inequality: opposite orders make the largest product least
    assert placed.cells["position"].tolist()[:4] == [2, 4, 3, 1]
    assert placed.hottest_after_k == pytest.approx(4.5)
    assert placed.hottest_before_k == pytest.approx(27.0)
    assert placed.gained_k == pytest.approx(22.5)


def test_placement_against_every_order_tried(invented_cells: Cells) -> None:
    # computed independently: all orders of the cells within their groups, and of the groups
    from itertools import permutations

    rng = np.random.default_rng(3)
    cells = invented_cells("2s3p")
    heat = np.append(rng.uniform(0.2, 1.0, 6), [np.nan, np.nan])
    hot = rng.uniform(10, 30, 6)
    best = min(
        max(max(heat[list(a)] * hot[:3]), max(heat[list(b)] * hot[3:]))
        for first, second in (((0, 1, 2), (3, 4, 5)), ((3, 4, 5), (0, 1, 2)))
        for a in permutations(first)
        for b in permutations(second)
    )
    assert place_by_heat(cells, "2s3p", None, heat, hot).hottest_after_k == pytest.approx(best)


def test_groups_move_to_their_place_in_the_series_and_are_renumbered(invented_cells: Cells) -> None:
    cells = invented_cells("3s2p")
    heat = np.array([0.9, 0.9, 0.1, 0.1, 0.5, 0.5, np.nan, np.nan])
    hot = np.array([30.0, 30.0, 10.0, 10.0, 20.0, 20.0])
    placed = place_by_heat(cells, "3s2p", None, heat, hot)
    assert placed.series_order == (2, 1, 3)
    assert placed.cells["group"].tolist() == [2, 2, 1, 1, 3, 3, 0, 0]
    stay = place_by_heat(cells, "3s2p", None, heat, hot, move_groups=False)
    assert stay.series_order == (1, 2, 3)


def test_pins_stay_and_their_group_too(invented_cells: Cells) -> None:
    cells = invented_cells("3s2p")
    heat = np.array([0.9, 0.2, 0.1, 0.1, 0.5, 0.5, np.nan, np.nan])
    hot = np.array([30.0, 29.0, 10.0, 10.0, 20.0, 20.0])
    placed = place_by_heat(cells, "3s2p", None, heat, hot, pins={"C0000": 1})
    assert placed.cells.loc["C0000", "position"] == 1
    assert placed.series_order[0] == 1


@pytest.mark.parametrize(
    ("pins", "words"),
    [({"C0000": 3}, "belongs to group 2"), ({"X": 1}, "no such"), ({"C0000": 1, "C0001": 1}, "two cells")],
)
def test_pins_that_can_not_be_kept_are_refused(invented_cells: Cells, pins: dict[str, int], words: str) -> None:
    with pytest.raises(ArgumentInvalid, match=words):
        place_by_heat(invented_cells("3s2p"), "3s2p", None, np.ones(8), pins=pins)


def test_gain_below_the_uncertainty_of_heat_transfer_is_said(invented_cells: Cells) -> None:
    rng = np.random.default_rng(0)
    placed = place_by_heat(invented_cells("5s4p"), "5s4p", None, rng.normal(0.5, 0.02, 22))
    assert 0 <= placed.gained_k < placed.uncertainty_k
    assert "less than the rise is known" in placed.words


def test_no_gain_keeps_the_order_of_ids(invented_cells: Cells) -> None:
    placed = place_by_heat(invented_cells("3s2p"), "3s2p", None, np.ones(8))
    assert placed.cells["position"].tolist()[:6] == [1, 2, 3, 4, 5, 6]
    assert "gains nothing" in placed.words


@pytest.mark.parametrize("bad", [np.ones(3), np.full(8, np.nan), np.full(8, -1.0)])
def test_heats_that_are_none_are_refused(invented_cells: Cells, bad: np.ndarray) -> None:
    with pytest.raises(ArgumentInvalid):
        place_by_heat(invented_cells("3s2p"), "3s2p", None, bad)


def test_single_cell_rises_by_heat_over_h_times_surface() -> None:
    # analytic: I²R/(h A) of a bare 18650 at 3 A, 50 mohm (0.45 W), A = 4.1846e-3 m², h = 5 W/m²K
    alone = place_hotness_k_per_w(Holder().lay_out("1s1p"), Holder())
    assert 0.45 * alone[0] == pytest.approx(21.507, abs=0.001)


def test_places_inside_are_hotter_than_at_the_edge() -> None:
    hot = place_hotness_k_per_w(Holder().lay_out("5s5p"), Holder()).reshape(5, 5)
    assert hot[2, 2] == hot.max()
    assert hot[0, 0] < hot[0, 2] < hot[2, 2]
