from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from cellmatch.build.links import wire_pack
from cellmatch.build.meter import Meter
from cellmatch.build.pack_network import PackNetwork, link_loads, pack_network
from cellmatch.build.taps import list_taps
from cellmatch.pack.holder import Holder


def _network(
    pack: str, cell_ohm: float, link_ohm: float, *, one_column: bool = False
) -> tuple[PackNetwork, np.ndarray]:
    holder = Holder()
    positions = holder.lay_out(pack)
    wiring = wire_pack(positions, holder)
    taps = list_taps(positions, wiring, np.full(len(positions), 3.67), Meter(), holder.length_mm)
    columns = dict(zip(positions.position.tolist(), positions.column.tolist(), strict=True))
    gone = [one_column and link.kind == "series" and columns[link.a] > 1 for link in wiring.links]
    circuit = pack_network(positions, wiring, taps, cell_ohm, np.where(gone, np.inf, link_ohm))
    return circuit, np.array([link.kind == "parallel" for link in wiring.links])


def test_a_link_in_every_column_carries_a_share_and_end_bars_nearly_all() -> None:
    # bench rule, simulated there: 10s4p, 0.5 mohm links, 20 A: a link in every column 5.1 A, but the end
    # groups' bars still 14.7 A from a corner take-off. Here with cells of 30 mohm.
    circuit, bars = _network("10s4p", 0.030, 0.0005)
    flow = np.abs(circuit.network.solve(3.67, 20.0).link_a)
    assert flow[~bars].max() == pytest.approx(5.1, abs=0.05)
    assert flow[bars].max() == pytest.approx(14.7, abs=0.05)


def test_one_link_a_junction_loads_every_bar() -> None:
    # bench rule: one link a junction carries 20 A and its parallel bars 14.4 A
    circuit, bars = _network("10s4p", 0.030, 0.0005, one_column=True)
    flow = np.abs(circuit.network.solve(3.67, 20.0).link_a)
    assert flow[~bars & np.isfinite(circuit.network.link_ohm)].max() == pytest.approx(20.0)
    assert np.median(flow[bars][flow[bars] > 14]) == pytest.approx(14.4, abs=0.05)


@pytest.mark.parametrize(("link_type", "saved"), [("bolted", True), ("welded", False)])
def test_what_stacking_saves(link_type: str, saved: bool) -> None:
    # by hand: 2s3p of equal cells with links of next to nothing: 3 series links of 4 A at 12 A, each a joint of
    # 0.2 mohm less at both ends: 3 x 2 x 0.0002 x 16 = 19.2 mW
    circuit, _ = _network("2s3p", 0.030, 1e-9)
    holder = Holder(link_type=link_type)
    positions = holder.lay_out("2s3p")
    loads = link_loads(circuit, positions, wire_pack(positions, holder), holder, 12.0)
    assert (loads.saved_w is not None) is saved
    assert ("saves 0.02 W" in loads.stacking_words) is saved
    if saved:
        assert loads.saved_w == pytest.approx(0.0192, rel=1e-3)


@pytest.mark.parametrize(
    ("terminals", "pack_v", "currents_a"),
    [
        # ladder of 4 cells of 30 mohm with rails of 1 mohm links, 3.7 V, 20 A; computed with an open pack
        # simulator's nodal analysis and with an own nodal solve, equal to six digits
        ("same end", 3.518155, [6.061486, 5.132252, 4.545168, 4.261095]),
        ("opposite", None, [5.161290, 4.838710, 4.838710, 5.161290]),
    ],
)
def test_ladder_of_one_group(terminals: str, pack_v: float | None, currents_a: list[float]) -> None:
    holder = Holder()
    positions = holder.lay_out("1s4p")
    wiring = wire_pack(positions, holder)
    if terminals == "same end":
        wiring = replace(wiring, terminals=(wiring.terminals[0], replace(wiring.terminals[1], position=1)))
    taps = list_taps(positions, wiring, np.full(4, 3.7), Meter(), holder.length_mm)
    circuit = pack_network(positions, wiring, taps, 0.030, 0.001)
    state = circuit.network.solve(3.7, 20.0)
    assert state.cell_a == pytest.approx(currents_a, abs=1e-5)
    if pack_v is not None:
        assert state.pack_v == pytest.approx(pack_v, abs=1e-6)
        # bench rule: such a row reads 9.09 mohm, not 7.5
        assert 1000 * circuit.group_ohm[0] == pytest.approx(9.09, abs=0.005)
