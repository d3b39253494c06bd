"""Heat in a holder: ranges, neighbours, energy kept, limits of the model."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cellmatch.electrics.heat import Cylinder, holder_rise, steady_rise_k, time_constant_s
from cellmatch.errors import ArgumentInvalid

CELL = Cylinder(diameter_mm=18.0, length_mm=65.0)


def grid(rows: int, columns: int, pitch: float = 20.0) -> tuple[np.ndarray, np.ndarray]:
    y, x = np.mgrid[0:rows, 0:columns] * pitch
    return x.ravel(), y.ravel()


def test_one_cell_in_a_holder_is_a_cell_alone() -> None:
    rise = holder_rise([0.0], [0.0], ([0.4], [0.5]), CELL, film_w_per_m2_k=(5.0, 10.0))
    assert float(rise.low_k[0]) == pytest.approx(float(steady_rise_k(0.4, 10.0, CELL.area_m2)))
    assert float(rise.high_k[0]) == pytest.approx(float(steady_rise_k(0.5, 5.0, CELL.area_m2)))
    assert "K warmer than its surroundings" in rise.words


def test_the_middle_is_hottest_and_the_corners_coolest() -> None:
    x, y = grid(5, 7)
    heat = np.full(35, 0.3)
    rise = holder_rise(x, y, (heat, heat), CELL)
    assert rise.hottest == 17
    assert int(np.argmin(rise.high_k)) in (0, 6, 28, 34)
    assert sorted(set(rise.neighbours.tolist())) == [2, 3, 4]
    assert (rise.high_k > rise.low_k).all()


def test_a_staggered_holder_covers_more_and_gets_hotter() -> None:
    x, y = grid(5, 7)
    staggered = (x + 10.0 * ((y / 20.0) % 2), y * np.sqrt(3) / 2)
    heat = np.full(35, 0.3)
    straight = holder_rise(x, y, (heat, heat), CELL)
    dense = holder_rise(*staggered, (heat, heat), CELL)
    assert int(dense.neighbours.max()) == 6
    assert float(dense.high_k.max()) > float(straight.high_k.max())


@given(st.integers(1, 4), st.integers(1, 5), st.floats(18.0, 30.0), st.integers(0, 2**31))
@settings(deadline=None, max_examples=30)
def test_all_heat_leaves_through_free_surface(rows: int, columns: int, pitch: float, seed: int) -> None:
    x, y = grid(rows, columns, pitch)
    heat = np.random.default_rng(seed).uniform(0.0, 1.0, len(x))
    rise = holder_rise(x, y, (heat, heat), CELL, film_w_per_m2_k=(8.0, 8.0))
    np.testing.assert_allclose(rise.low_k, rise.high_k)
    angle = 2 * np.arcsin(9.0 / pitch) if len(x) > 1 else 0.0
    free = CELL.ends_m2 + CELL.side_m2 * (1 - rise.neighbours * angle / (2 * np.pi))
    assert float(np.sum(8.0 * free * rise.low_k)) == pytest.approx(float(heat.sum()), rel=1e-9)


def test_links_even_out_the_rise() -> None:
    x, y = grid(1, 3)
    heat = np.array([0.0, 0.9, 0.0])
    bare = holder_rise(x, y, (heat, heat), CELL)
    linked = holder_rise(x, y, (heat, heat), CELL, link_w_per_k=0.05)
    assert np.ptp(linked.high_k) < np.ptp(bare.high_k)


def test_rise_in_time_follows_the_time_constant() -> None:
    tau = time_constant_s(45.0, 5.0, CELL.area_m2)
    for times in (0.1, 1.0, 3.0):
        rise = holder_rise(
            [0.0],
            [0.0],
            ([0.5], [0.5]),
            CELL,
            film_w_per_m2_k=(5.0, 5.0),
            duration_s=times * tau,
            mass_g=45.0,
        )
        steady = float(steady_rise_k(0.5, 5.0, CELL.area_m2))
        assert float(rise.high_k[0]) == pytest.approx(steady * (1 - np.exp(-times)), rel=1e-3)
    assert "min from cold" in rise.assumed


def test_bad_input_is_named() -> None:
    x, y = grid(1, 2)
    heat = np.array([0.3, 0.3])
    with pytest.raises(ArgumentInvalid, match="cells of 18 mm overlap"):
        holder_rise(x / 2, y, (heat, heat), CELL)
    with pytest.raises(ArgumentInvalid, match="missing or below 0"):
        holder_rise(x, y, (heat, -heat), CELL)
    with pytest.raises(ArgumentInvalid, match="a place and a heat"):
        holder_rise(x, y, (heat[:1], heat), CELL)
    with pytest.raises(ArgumentInvalid, match="film coefficients of 10 to 5"):
        holder_rise(x, y, (heat, heat), CELL, film_w_per_m2_k=(10.0, 5.0))
    with pytest.raises(ArgumentInvalid, match="needs that time and the cell's mass"):
        holder_rise(x, y, (heat, heat), CELL, duration_s=600.0)
    with pytest.raises(ArgumentInvalid, match="found 0 x 65 mm"):
        Cylinder(diameter_mm=0.0, length_mm=65.0)
