"""The pack as one circuit: Kirchhoff's laws, energy, missing metal, and how a run takes it over."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cellmatch.electrics.discharge import run_load
from cellmatch.electrics.load import constant_current
from cellmatch.electrics.network import Network, NetworkState, seen_by_the_load, worst_over_mean
from cellmatch.errors import ArgumentInvalid, JobError
from cellmatch.pack.chemistry import load_chemistry


def pack_of(series: int, parallel: int, r_ohm: np.ndarray, link_ohm: float, series_links: int | None = None) -> Network:
    """Return straight rows: rails of parallel links on each net, series links column by column.

    Nodes: row 2 g holds the negative, row 2 g + 1 the positive poles of group g + 1.
    """
    node = np.arange(2 * series * parallel).reshape(2 * series, parallel)
    rails = [(node[row, :-1], node[row, 1:]) for row in range(2 * series)]
    columns = np.arange(parallel if series_links is None else series_links)
    joints = [(node[2 * g + 1, columns], node[2 * g + 2, columns]) for g in range(series - 1)]
    a, b = (np.concatenate(side) for side in zip(*(rails + joints), strict=True))
    return Network(
        nodes=node.size,
        cell_minus=node[0::2].ravel(),
        cell_plus=node[1::2].ravel(),
        cell_ohm=r_ohm,
        link_from=a,
        link_to=b,
        link_ohm=np.full(len(a), link_ohm),
        minus=int(node[0, 0]),
        plus=int(node[-1, -1]),
    )


def sum_at_nodes(network: Network, state: NetworkState, current_a: float) -> np.ndarray:
    into = np.zeros(network.nodes)
    np.add.at(into, network.cell_plus, state.cell_a)
    np.add.at(into, network.cell_minus, -state.cell_a)
    np.add.at(into, network.link_to, state.link_a)
    np.add.at(into, network.link_from, -state.link_a)
    into[network.plus] -= current_a
    into[network.minus] += current_a
    return into


@given(st.integers(1, 4), st.integers(1, 5), st.floats(-30.0, 30.0), st.integers(0, 2**31))
@settings(deadline=None, max_examples=40)
def test_currents_meet_at_every_node_and_energy_is_kept(series: int, parallel: int, current: float, seed: int) -> None:
    rng = np.random.default_rng(seed)
    n = series * parallel
    network = pack_of(series, parallel, rng.uniform(0.01, 0.1, n), 1e-3)
    ocv = rng.uniform(3.4, 3.8, n)
    state = network.solve(ocv, current)
    np.testing.assert_allclose(sum_at_nodes(network, state, current), 0.0, atol=1e-9)
    given_w = float(np.sum(ocv * state.cell_a))
    lost_w = float(state.cell_w.sum() + state.link_w.sum())
    assert given_w == pytest.approx(state.pack_v * current + lost_w, abs=1e-8)


def test_without_links_to_speak_of_it_is_the_plain_formula() -> None:
    rng = np.random.default_rng(4)
    r, ocv = rng.uniform(0.02, 0.06, 12), rng.uniform(3.5, 3.7, 12)
    state = pack_of(3, 4, r, 1e-9).solve(ocv, 10.0)
    for g in range(3):
        mine = slice(4 * g, 4 * g + 4)
        bus = (np.sum(ocv[mine] / r[mine]) - 10.0) / np.sum(1 / r[mine])
        np.testing.assert_allclose(state.cell_a[mine], (ocv[mine] - bus) / r[mine], atol=1e-5)


def test_one_series_link_carries_the_whole_pack() -> None:
    r = np.full(8, 0.03)
    one = pack_of(2, 4, r, 5e-4, series_links=1).solve(3.7, 20.0)
    four = pack_of(2, 4, r, 5e-4).solve(3.7, 20.0)
    assert one.link_a[-1] == pytest.approx(20.0)
    assert np.abs(four.link_a[-4:]).max() < 8.0
    assert one.link_w.sum() > four.link_w.sum()


def test_a_missing_link_sends_its_current_elsewhere() -> None:
    network = pack_of(2, 4, np.full(8, 0.03), 5e-4)
    whole, broken = (
        network.solve(3.7, 20.0),
        network.with_links(len(network.link_ohm) - 1, np.inf).solve(3.7, 20.0),
    )
    assert broken.link_a[-1] == 0.0
    assert np.abs(broken.link_a).max() > np.abs(whole.link_a).max()
    assert broken.pack_v < whole.pack_v
    loose = network.with_links([0], 0.05).solve(3.7, 20.0)
    assert loose.link_w[0] > whole.link_w[0]


def test_a_cell_that_is_not_joined_shows_in_the_tap_resistance() -> None:
    network = pack_of(2, 4, np.full(8, 0.03), 1e-4)
    taps = [0, 8, 15]
    healthy, missing = network.tap_ohm(taps), network.with_cells(2, np.inf).tap_ohm(taps)
    assert missing[0] / healthy[0] == pytest.approx(4 / 3, rel=0.03)
    assert missing[1] == pytest.approx(healthy[1], rel=0.01)
    state = network.with_cells(2, np.inf).solve(3.7, 4.0)
    assert state.cell_a[2] == 0.0
    assert state.cell_w[2] == 0.0


def test_the_take_off_corner_shows() -> None:
    network = pack_of(1, 10, np.full(10, 0.06), 1e-3)
    near = network.with_terminals(0, 10).solve(3.7, 10.0)
    across = network.solve(3.7, 10.0)
    group = np.ones(10)
    assert worst_over_mean(near.cell_a, group)[0] > 1.5 > worst_over_mean(across.cell_a, group)[0]
    assert np.isnan(worst_over_mean([0.0, 0.0], [1, 1])[0])


def test_two_packs_on_one_network_rest_apart() -> None:
    """An island without a terminal is solved with a node of its own held; its voltages are not given."""
    network = Network(
        nodes=4,
        cell_minus=np.array([0, 2, 2]),
        cell_plus=np.array([1, 3, 3]),
        cell_ohm=np.array([0.03, 0.03, 0.05]),
        link_from=np.empty(0, dtype=np.int64),
        link_to=np.empty(0, dtype=np.int64),
        link_ohm=np.empty(0),
        minus=0,
        plus=1,
    )
    state = network.solve([3.7, 3.7, 3.6], 1.0)
    assert state.cell_a[0] == pytest.approx(1.0)
    assert state.cell_a[1] == pytest.approx(0.1 / 0.08)
    assert np.isnan(state.node_v[2:]).all()


def test_a_run_takes_over_what_the_links_do() -> None:
    rng = np.random.default_rng(6)
    r, group = rng.uniform(0.02, 0.04, 12), np.repeat([1, 2, 3], 4)
    network = pack_of(3, 4, r, 5e-4)
    seen, link_ohm = seen_by_the_load(network, group)
    state = network.solve(4.2, 20.0)
    curve = load_chemistry("nmc").working_curve()
    assert curve is not None
    run = run_load([2.5] * 12, seen, group, curve, constant_current(20.0), end_v=3.0, full_v=4.2, link_ohm=link_ohm)
    np.testing.assert_allclose(run.cell_first_a, state.cell_a, rtol=1e-9)
    assert run.pack_v[0] == pytest.approx(state.pack_v, rel=1e-12)
    with pytest.raises(JobError, match="cell number 3: carries nothing"):
        seen_by_the_load(network.with_cells(2, np.inf), group)
    with pytest.raises(JobError, match="cell number 3") as caught:
        seen_by_the_load(network.with_cells(2, np.inf), group)
    assert caught.value.exit_code == 1


def test_bad_input_is_named() -> None:
    right = {
        "nodes": 2, "cell_minus": [0], "cell_plus": [1], "cell_ohm": [0.03],
        "link_from": [], "link_to": [], "link_ohm": [], "minus": 0, "plus": 1,
    }  # fmt: skip

    def made(**changed: object) -> Network:
        return Network(**(right | changed))  # type: ignore[arg-type]

    assert made().solve(3.7, 0.0).pack_v == pytest.approx(3.7)
    with pytest.raises(ArgumentInvalid, match="cell number 1: found 0 ohm"):
        made(cell_ohm=[0.0])
    with pytest.raises(ArgumentInvalid, match="link number 1: found nan ohm"):
        made(link_from=[0], link_to=[1], link_ohm=[np.nan])
    with pytest.raises(ArgumentInvalid, match="names node 2; nodes run from 0 to 1"):
        made(cell_plus=[2])
    with pytest.raises(ArgumentInvalid, match="each link needs two nodes"):
        made(link_from=[0])
    with pytest.raises(ArgumentInvalid, match="each cell needs two nodes"):
        made(cell_ohm=[])
    with pytest.raises(JobError, match="nothing joins the two terminals"):
        made(nodes=3, plus=2)
