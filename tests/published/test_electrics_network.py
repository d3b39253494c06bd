"""Ladders of links against an independent circuit solver."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import ArrayLike

from cellmatch.electrics.network import Network, worst_over_mean


def ladder(n: int, rail_ohm: float, r_ohm: ArrayLike, *, opposite: bool) -> Network:
    """Return n cells between two rails of n - 1 links each, the load at one end or at opposite ends."""
    k = np.arange(n - 1)
    return Network(
        nodes=2 * n,
        cell_minus=np.arange(n),
        cell_plus=n + np.arange(n),
        cell_ohm=np.broadcast_to(np.asarray(r_ohm, dtype=float), (n,)),
        link_from=np.concatenate((k, n + k)),
        link_to=np.concatenate((k + 1, n + k + 1)),
        link_ohm=np.full(2 * (n - 1), rail_ohm),
        minus=0,
        plus=2 * n - 1 if opposite else n,
    )


# computed independently with liionpack 0.4.0 (BSD-3, modified nodal analysis) and with a second nodal
# solve, equal to six digits: n, rail link, joint and cell in mohm, load, opposite ends, cell currents, volts
LADDERS = [
    (4, 0.1, 10, [50.0], 20, False, [5.058043, 5.008237, 4.975124, 4.958596], 3.396517),
    (4, 0.1, 10, [50.0], 20, True, [5.008319, 4.991681, 4.991681, 5.008319], 3.396501),
    (4, 1.0, 0, [30.0], 20, False, [6.061486, 5.132252, 4.545168, 4.261095], 3.518155),
    (4, 1.0, 0, [30.0], 20, True, [5.161290, 4.838710, 4.838710, 5.161290], None),
    (4, 1.0, 0, [30.0, 36.0, 30.0, 25.0], 20, False, [6.103848, 4.314531, 4.538663, 5.042959], 3.516885),
    (
        10, 1.0, 10, [50.0], 10, False,
        [1.764870, 1.490365, 1.265540, 1.082899, 0.936355, 0.821022, 0.733058, 0.669528, 0.628316, 0.608047],
        None,
    ),
    (
        10, 1.0, 10, [50.0], 10, True,
        [1.186459, 1.059341, 0.967534, 0.907978, 0.878689, 0.878689, 0.907978, 0.967534, 1.059341, 1.186459],
        None,
    ),
]  # fmt: skip


@pytest.mark.parametrize(("n", "rail", "joint", "cell", "load", "opposite", "amps", "volts"), LADDERS)
def test_ladder_under_load(
    n: int,
    rail: float,
    joint: float,
    cell: list[float],
    load: float,
    opposite: bool,
    amps: list[float],
    volts: float | None,
) -> None:
    network = ladder(n, 1e-3 * rail, 1e-3 * (joint + np.array(cell)), opposite=opposite)
    state = network.solve(3.7, load)
    np.testing.assert_allclose(state.cell_a, amps, atol=1e-5)
    if volts is not None:
        assert state.pack_v == pytest.approx(volts, abs=1e-5)


def test_ladder_at_rest() -> None:
    """Computed independently with liionpack 0.4.0 (BSD-3) and a second nodal solve."""
    network = ladder(4, 1e-4, 1e-3 * (2 + np.array([30.0, 33.0, 28.0, 40.0])), opposite=False)
    state = network.solve([3.912, 3.905, 3.895, 3.880], 0.0)
    np.testing.assert_allclose(state.cell_a, [0.40422, 0.17188, -0.12897, -0.44713], atol=1e-5)
    assert state.pack_v == pytest.approx(3.899065, abs=1e-6)


def test_take_off_at_opposite_ends_is_worth_more_than_matching() -> None:
    """Worst over mean of a 10P row falls from 1.765 to 1.186 (from the table above)."""
    for opposite, ratio in ((False, 1.765), (True, 1.186)):
        state = ladder(10, 1e-3, 0.06, opposite=opposite).solve(3.7, 10.0)
        assert float(worst_over_mean(state.cell_a, np.ones(10))[0]) == pytest.approx(ratio, abs=5e-4)


def test_healthy_row_reads_more_than_its_cells_alone() -> None:
    """4P of 30 mohm, 1 mohm links, taps and load at one end: 9.09 mohm, not 7.5 (computed independently)."""
    row = ladder(4, 1e-3, 0.03, opposite=False)
    assert 1e3 * float(row.tap_ohm([0, 4])[0]) == pytest.approx(9.09, abs=5e-3)
    missing = [1e3 * float(row.with_cells(k, np.inf).tap_ohm([0, 4])[0]) for k in range(4)]
    assert min(missing) > 10.5


def straight_rows(series: int, parallel: int, columns: np.ndarray) -> Network:
    """Return 10 rows of 25 mohm cells, bars of 0.5 mohm along each row, series links in some columns."""
    node = np.arange(2 * series * parallel).reshape(2 * series, parallel)
    pairs = [(node[k, :-1], node[k, 1:]) for k in range(2 * series)]
    pairs += [(node[2 * g + 1, columns], node[2 * g + 2, columns]) for g in range(series - 1)]
    a, b = (np.concatenate(side) for side in zip(*pairs, strict=True))
    return Network(
        nodes=node.size, cell_minus=node[0::2].ravel(), cell_plus=node[1::2].ravel(),
        cell_ohm=np.full(series * parallel, 0.025), link_from=a, link_to=b, link_ohm=np.full(len(a), 5e-4),
        minus=0, plus=int(node[-1, 0]),
    )  # fmt: skip


def test_bars_of_a_bolted_10s4p_at_20_a() -> None:
    """One series link a junction: 20 A, bars 14.4 A. One in every column: 5.1 A, end bars 14.7 A.

    Computed independently in another simulation, whose cell resistance was not noted: within 0.1 A.
    """
    bars = 2 * 10 * 3
    one = np.abs(straight_rows(10, 4, np.array([0])).solve(3.7, 20.0).link_a)
    assert one[bars:].max() == pytest.approx(20.0, rel=1e-9)
    assert one[:bars].max() == pytest.approx(14.4, abs=0.1)
    each = np.abs(straight_rows(10, 4, np.arange(4)).solve(3.7, 20.0).link_a)
    assert each[bars:].max() == pytest.approx(5.1, abs=0.1)
    assert each[:bars].max() == pytest.approx(14.7, abs=0.1)
    assert int(np.argmax(each[:bars])) in (0, 1, 2, bars - 3, bars - 2, bars - 1)
