from __future__ import annotations

import numpy as np
import pytest

from cellmatch.build.hazards import Hazard, Neighbours, insulators, list_hazards, neighbour_voltages
from cellmatch.build.links import wire_pack
from cellmatch.pack.holder import Holder

FULL_V = 4.2


def _found(holder: Holder, pack: str) -> tuple[tuple[Neighbours, ...], tuple[Hazard, ...]]:
    positions = holder.lay_out(pack)
    wiring = wire_pack(positions, holder)
    neighbours = neighbour_voltages(positions, holder.spacing_mm, FULL_V)
    return neighbours, list_hazards(positions, neighbours, wiring.terminals, FULL_V)


def test_straight_rows_stand_two_cells_apart_where_no_link_joins_them() -> None:
    # bench rule, worked by Kirchhoff's laws: linked rows 0, unlinked neighbouring rows 2 cells (8.4 V)
    neighbours, _ = _found(Holder(), "10s3p")
    between = {(n.face, n.groups): n.pole_v for n in neighbours}
    assert between["bottom", (1, 2)] == between["top", (2, 3)] == 0.0
    assert between["top", (1, 2)] == between["bottom", (2, 3)] == pytest.approx(8.4)
    assert len(insulators(neighbours)) == 9
    assert all(n.can_v == pytest.approx(FULL_V) for n in neighbours)


@pytest.mark.parametrize(
    ("text", "pack", "can_v", "pole_v", "bare_v"),
    [
        # bench rule: 12.6 V and 25.2 V, the figure from can to can through the wraps. The bare poles on a face
        # can lie further apart: group 1 shows - (0 V), group 4 shows + (4 cells), worked by hand.
        ("5x8", "10s4p", 12.6, 16.8, 16.8),
        # the cap of group 10 stands at 10 cells, the rim of group 4's can beside it at 3: seven cells
        ("4x13", "13s4p", 25.2, 25.2, 29.4),
    ],
)
def test_folded_rows_bring_distant_groups_together(
    text: str, pack: str, can_v: float, pole_v: float, bare_v: float
) -> None:
    neighbours, hazards = _found(Holder.parse(text), pack)
    assert max(n.can_v for n in neighbours) == pytest.approx(can_v)
    assert max(n.pole_v for n in neighbours) == pytest.approx(pole_v)
    assert max(n.bare_v for n in neighbours) == pytest.approx(bare_v)
    assert any("full-length sheet" in h.words for h in hazards)


def test_even_series_shows_the_whole_pack_on_one_face() -> None:
    # bench rule: even S has full pack voltage between the terminals on one face
    _, hazards = _found(Holder(), "10s3p")
    assert (hazards[0].kind, hazards[0].face) == ("terminals", "top")
    assert hazards[0].volts == pytest.approx(42.0)
    _, odd = _found(Holder(), "3s2p")
    assert (odd[0].kind, odd[0].face) == ("terminals", "both")


def test_every_cap_stands_one_cell_from_its_own_rim() -> None:
    _, hazards = _found(Holder(), "3s2p")
    rim = next(h for h in hazards if h.kind == "rim")
    assert (rim.volts, rim.count) == (FULL_V, 6)


def test_largest_voltage_comes_first() -> None:
    _, hazards = _found(Holder.parse("5x8"), "10s4p")
    volts = [h.volts for h in hazards]
    assert volts == sorted(volts, reverse=True)


def test_bare_voltage_against_all_pairs_tried_one_by_one() -> None:
    # computed independently: every pair of places within 1.05 pitches, every pair of bare parts
    holder = Holder.parse("4x13")
    positions = holder.lay_out("13s4p")
    for face in ("top", "bottom"):
        parts = [
            {(g - 1) * FULL_V, (g if up == (face == "top") else g - 1) * FULL_V}
            for g, up in zip(positions.group.tolist(), positions.positive_up.tolist(), strict=True)
        ]
        worst = max(
            abs(p - q)
            for i in range(52)
            for j in range(i)
            if np.hypot(positions.x_mm[i] - positions.x_mm[j], positions.y_mm[i] - positions.y_mm[j]) < 21.1
            and positions.group[i] != positions.group[j]
            for p in parts[i]
            for q in parts[j]
        )
        ours = max(n.bare_v for n in neighbour_voltages(positions, 20.0, FULL_V) if n.face == face)
        assert ours == pytest.approx(worst)
