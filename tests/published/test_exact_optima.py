"""Groupings against exhaustive search, another solver and published capacities."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import combinations
from random import Random

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import Bounds, LinearConstraint, milp
from scipy.sparse import csr_array

from cellmatch import Grouping, group_cells
from cellmatch.cells.table import CellTable, cell_table

LFP_AH = (1.0612, 1.0639, 1.0598, 1.0785, 1.0345, 1.0440, 1.0558, 1.0698, 1.0670, 1.0588, 1.0729, 1.0631)
"""First-cycle discharge capacities [Ah] of the first twelve training cells of K. A. Severson et al.,
"Data-driven prediction of battery cycle life before capacity degradation", Nature Energy 4, 383 (2019)."""


def tray(capacity_mah: list[float] | tuple[float, ...] | np.ndarray) -> CellTable:
    n = len(capacity_mah)
    return cell_table(
        {"ocv_v": np.full(n, 3.3), "capacity_mah": list(capacity_mah)}, ids=[f"C{i:02d}" for i in range(n)]
    )


def partitions(cells: tuple[int, ...], parallel: int) -> Iterator[tuple[tuple[int, ...], ...]]:
    """Yield every way to share cells out into groups of `parallel`, each once."""
    if not cells:
        yield ()
        return
    first, rest = cells[0], cells[1:]
    for others in combinations(rest, parallel - 1):
        left = tuple(c for c in rest if c not in others)
        for more in partitions(left, parallel):
            yield ((first, *others), *more)


def exhaustive(tenths: np.ndarray, series: int, parallel: int) -> tuple[int, int]:
    """Return least spread and strongest weakest group over every choice and partition, in 0.1 mAh."""
    least, strongest = None, None
    for chosen in combinations(range(len(tenths)), series * parallel):
        for groups in partitions(chosen, parallel):
            sums = [int(tenths[list(group)].sum()) for group in groups]
            spread, weakest = max(sums) - min(sums), min(sums)
            least = spread if least is None else min(least, spread)
            strongest = weakest if strongest is None else max(strongest, weakest)
    assert least is not None
    assert strongest is not None
    return least, strongest


@pytest.mark.parametrize(
    ("series", "parallel", "spread_mah", "strongest_mah"),
    [(4, 3, 2.3, 3180.9), (3, 4, 1.2, 4242.6), (6, 2, 12.8, 2113.0), (2, 6, 0.1, 6364.6)],
)
def test_twelve_published_lfp_cells(series: int, parallel: int, spread_mah: float, strongest_mah: float) -> None:
    capacity = np.array(LFP_AH) * 1000
    # the optima, computed independently by exhaustive search: over 15400, 5775, 10395 and 462 partitions
    assert exhaustive(np.rint(capacity * 10).astype(int), series, parallel) == (
        round(10 * spread_mah),
        round(10 * strongest_mah),
    )
    cells = tray(capacity)
    least = group_cells(cells, f"{series}s{parallel}p", aims=("spread",))
    assert least.proven
    assert least.spread_mah == pytest.approx(spread_mah)
    assert least.bound_mah == pytest.approx(spread_mah)


def test_least_spread_and_strongest_weakest_group_are_different_partitions() -> None:
    cells = tray(np.array(LFP_AH) * 1000)
    least = group_cells(cells, "4s3p", aims=("spread",))
    strongest = group_cells(cells, "4s3p", aims=("weakest",))
    assert least.weakest_mah == pytest.approx(3180.8)
    assert strongest.weakest_mah == pytest.approx(3180.9)
    assert strongest.weakest_proven
    assert {frozenset(g) for g in least.groups} != {frozenset(g) for g in strongest.groups}


SHAPES = [(2, 2), (2, 3), (3, 2), (2, 4), (3, 3), (4, 2), (5, 2), (2, 5), (3, 4), (4, 3)]


@pytest.mark.parametrize(("series", "parallel"), SHAPES)
def test_small_trays_against_every_partition(series: int, parallel: int) -> None:
    rng = np.random.default_rng(100 * series + parallel)
    spare_most = 0 if series * parallel >= 10 else 2
    for _ in range(6):
        n = series * parallel + int(rng.integers(0, spare_most + 1))
        tenths = rng.integers(20_000, 30_000, n) if rng.random() < 0.5 else rng.integers(200, 210, n) * 100
        least, strongest = exhaustive(tenths, series, parallel)
        found = group_cells(tray(tenths / 10), f"{series}s{parallel}p", aims=("spread",), seconds=10)
        assert round(10 * found.spread_mah) == least
        assert found.proven
        # so coarse a tester puts no limit on the spread beside the weakest group
        best = group_cells(
            tray(tenths / 10), f"{series}s{parallel}p", aims=("weakest",), seconds=10, repeatability_fraction=1.0
        )
        if best.weakest_proven:
            assert round(10 * best.weakest_mah) == strongest
        assert round(10 * best.weakest_mah) <= strongest <= round(10 * best.weakest_bound_mah)


def highs_least_spread(tenths: np.ndarray, series: int, parallel: int) -> float:
    """Return the least spread by HiGHS (scipy.optimize.milp) on the plain assignment model [0.1 mAh]."""
    n = len(tenths)
    size = n * series + 2  # x[i, g], then largest and smallest sum
    rows = np.zeros((n + 3 * series, size))
    lower, upper = np.zeros(n + 3 * series), np.zeros(n + 3 * series)
    for i in range(n):
        rows[i, i * series : (i + 1) * series] = 1
        lower[i], upper[i] = (1 if n == series * parallel else 0), 1
    for g in range(series):
        count, most, least = n + g, n + series + g, n + 2 * series + g
        rows[count, g : n * series : series] = 1
        lower[count] = upper[count] = parallel
        rows[most, g : n * series : series], rows[most, -2] = tenths, -1
        lower[most], upper[most] = -np.inf, 0
        rows[least, g : n * series : series], rows[least, -1] = tenths, -1
        lower[least], upper[least] = 0, np.inf
    cost = np.zeros(size)
    cost[-2:] = 1, -1
    integral = np.ones(size, dtype=np.int64)
    integral[-2:] = 0
    bounds_high = np.ones(size)
    bounds_high[-2:] = tenths.sum()
    solved = milp(
        cost,
        constraints=LinearConstraint(csr_array(rows), lower, upper),
        integrality=integral,
        bounds=Bounds(np.zeros(size), bounds_high),
        options={"time_limit": 20, "mip_rel_gap": 0},
    )
    assert solved.status == 0
    return float(solved.fun)


@pytest.mark.parametrize("seed", range(4))
def test_against_another_solver(seed: int) -> None:
    rng = np.random.default_rng(seed)
    tenths = rng.normal(25_000, 300, 9).round().astype(int)
    found = group_cells(tray(tenths / 10), "3s3p", aims=("spread",))
    assert found.proven
    assert 10 * found.spread_mah == pytest.approx(highs_least_spread(tenths, 3, 3), abs=1e-3)


# ------------------------------------------------- what must not change the answer, or only one way

capacities = st.lists(st.integers(22_000, 28_000), min_size=6, max_size=9)


def grouped(tenths: list[int], ids: list[str] | None = None, aims: tuple[str, ...] = ("spread",)) -> Grouping:
    cells = tray(np.array(tenths) / 10)
    if ids is not None:
        cells.index = cells.index.__class__(ids, dtype=object, name="cell_id")
    # so coarse a tester puts no limit on the spread beside the weakest group
    return group_cells(cells, "3s2p", aims=aims, repeatability_fraction=1.0, rated_mah=2500, seconds=10)


@settings(max_examples=25, deadline=None)
@given(capacities, st.integers(-2_000, 2_000))
def test_adding_to_every_cell_keeps_the_least_spread(tenths: list[int], more: int) -> None:
    assert grouped(tenths).spread_mah == pytest.approx(grouped([q + more for q in tenths]).spread_mah)


@pytest.mark.slow
@settings(max_examples=25, deadline=None)
@given(capacities, st.integers(22_000, 28_000))
def test_a_spare_never_makes_it_worse(tenths: list[int], spare: int) -> None:
    before, after = grouped(tenths), grouped([*tenths, spare])
    if before.proven and after.proven:
        assert after.spread_mah <= before.spread_mah + 1e-9
    weak_before, weak_after = grouped(tenths, aims=("weakest",)), grouped([*tenths, spare], aims=("weakest",))
    if weak_before.weakest_proven and weak_after.weakest_proven:
        assert weak_after.weakest_mah >= weak_before.weakest_mah - 1e-9


@settings(max_examples=25, deadline=None)
@given(capacities, st.randoms(use_true_random=False))
def test_order_of_rows_and_names_do_not_matter(tenths: list[int], random: Random) -> None:
    cells = tray(np.array(tenths) / 10)
    order = list(range(len(tenths)))
    random.shuffle(order)
    plain = group_cells(cells, "3s2p", aims=("spread",))
    shuffled = group_cells(CellTable(cells.iloc[order]), "3s2p", aims=("spread",))
    assert plain.groups == shuffled.groups
    renamed = grouped(tenths, ids=[f"Z{i:02d}" for i in range(len(tenths))])
    name = dict(zip(cells.index, range(len(tenths)), strict=True))
    assert [[name[c] for c in g] for g in plain.groups] == [[int(c[1:]) for c in g] for g in renamed.groups]
