from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from random import Random

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cellmatch.build.links import wire_pack
from cellmatch.build.nets import Link, check_links, net_numbers
from cellmatch.errors import ArgumentInvalid
from cellmatch.pack.holder import Holder
from cellmatch.pack.holder_map import MapPlace
from cellmatch.pack.positions import Positions
from cellmatch.pack.spec import Pack


def test_10s3p_has_its_junctions_on_alternating_faces() -> None:
    # common practice, no source: both terminals and junctions 2-3, 4-5, 6-7, 8-9 on one face
    holder = Holder()
    wiring = wire_pack(holder.lay_out("10s3p"), holder)
    assert {j.number for j in wiring.junctions if j.face == "top"} == {2, 4, 6, 8}
    assert {j.number for j in wiring.junctions if j.face == "bottom"} == {1, 3, 5, 7, 9}
    assert [t.face for t in wiring.terminals] == ["top", "top"]
    assert [j.links for j in wiring.junctions] == [3] * 9
    assert wiring.cautions == ()


@pytest.mark.parametrize(("pack", "same"), [("10s3p", True), ("13s4p", False), ("1s2p", False), ("2s1p", True)])
def test_odd_series_puts_the_terminals_on_opposite_faces(pack: str, same: bool) -> None:
    # common practice, no source
    holder = Holder()
    minus, plus = wire_pack(holder.lay_out(pack), holder).terminals
    assert (minus.face == plus.face) is same


def test_terminals_are_taken_off_at_opposite_ends() -> None:
    holder = Holder()
    minus, plus = wire_pack(holder.lay_out("4s3p"), holder).terminals
    assert (minus.name, minus.position, plus.name, plus.position) == ("main -", 1, "main +", 12)


def test_10s4p_as_5x8_touches_at_one_pair_every_second_junction() -> None:
    # bench rule, computed by geometry: 1, 4, 1, 4 ... touching pairs; at 20 A the single link carries 20 A
    holder = Holder.parse("5x8")
    wiring = wire_pack(holder.lay_out("10s4p"), holder)
    assert [j.touching for j in wiring.junctions] == [1, 4, 1, 4, 1, 4, 1, 4, 1]
    assert [j.amps_per_link(20.0) for j in wiring.junctions] == [20, 5, 20, 5, 20, 5, 20, 5, 20]
    assert "1-2, 3-4, 5-6, 7-8, 9-10" in wiring.cautions[0]


@pytest.mark.parametrize(
    ("text", "touching"),
    [
        # bench rule: 13s4p as 4x13 mostly 1, as 13x4 always 4
        ("13x4", [4] * 12),
        ("4x13", [1, 1, 3, 1, 1, 1, 1, 1, 1, 3, 1, 1]),
    ],
)
def test_13s4p_prefers_a_group_a_row(text: str, touching: list[int]) -> None:
    holder = Holder.parse(text)
    wiring = wire_pack(holder.lay_out("13s4p"), holder)
    assert [j.touching for j in wiring.junctions] == touching


def test_strips_fold_at_one_pair_only() -> None:
    holder = Holder.parse("strips 5x8")
    assert [j.links for j in wire_pack(holder.lay_out("10s4p"), holder).junctions] == [4, 4, 4, 4, 1, 4, 4, 4, 4]


def test_offset_rows_touch_twice_and_take_one_link_a_cap() -> None:
    holder = Holder(shape="offset")
    wiring = wire_pack(holder.lay_out("4s3p"), holder)
    assert [(j.touching, j.links) for j in wiring.junctions] == [(5, 3)] * 3
    assert {link.length_mm for link in wiring.links} == {20.0}


def test_modules_are_joined_by_a_lead() -> None:
    holder = Holder(split_after=(5,))
    wiring = wire_pack(holder.lay_out("10s3p"), holder)
    assert [j.number for j in wiring.junctions if j.lead] == [5]
    lead = next(link for link in wiring.links if link.junction == 5)
    assert (lead.kind, lead.length_mm) == ("custom", 48.0)
    assert "a lead carries the whole pack current" in wiring.cautions[0]


BRICKS = {"straight": None, "offset": None, "folded": True, "strips": True}


@st.composite
def _holders(draw: st.DrawFn) -> tuple[Holder, Pack]:
    shape = draw(st.sampled_from(sorted(BRICKS)))
    series = draw(st.integers(1, 9))
    if shape in ("straight", "offset") and draw(st.booleans()):
        pack = Pack(series, tuple(draw(st.lists(st.integers(1, 5), min_size=series, max_size=series))))
    else:
        pack = Pack(series, draw(st.integers(1, 6)))
    brick = None
    if shape == "folded":
        columns = draw(st.sampled_from([c for c in range(1, pack.places + 1) if pack.places % c == 0]))
        brick = (pack.places // columns, columns)
    elif shape == "strips":
        strips = draw(st.sampled_from([n for n in range(1, series + 1) if series % n == 0]))
        brick = (series // strips, strips * pack.group_sizes[0])
    splits: tuple[int, ...] = ()
    if shape in ("straight", "offset") and series > 1:
        splits = tuple(sorted(draw(st.sets(st.integers(1, series - 1), max_size=2))))
    holder = Holder(shape=shape, brick=brick, split_after=splits, first_negative_up=draw(st.booleans()))
    as_map = draw(st.booleans())
    return (_as_map(holder, pack, draw(st.randoms())) if as_map and not splits else holder), pack


def _as_map(holder: Holder, pack: Pack, random: Random) -> Holder:
    """Return the same places as a map of the user's own, numbered in any order."""
    places = holder.lay_out(pack)
    numbers = list(range(1, len(places) + 1))
    random.shuffle(numbers)
    own = tuple(
        MapPlace(position=n, x_mm=float(x), y_mm=float(y), group=int(g), positive_up=bool(up))
        for n, x, y, g, up in zip(numbers, places.x_mm, places.y_mm, places.group, places.positive_up, strict=True)
    )
    return Holder(shape="map", own_places=own, pitch_mm=holder.spacing_mm)


@settings(max_examples=150, deadline=None, derandomize=True)
@given(_holders())
def test_links_of_every_shape_make_the_pack(case: tuple[Holder, Pack]) -> None:
    _walk_up(*case)


@pytest.mark.parametrize("pack", ["20s10p", "20s50p", "14s8p", "1s50p", "20s1p"])
@pytest.mark.parametrize("shape", ["straight", "offset", "split", "folded", "strips"])
def test_links_of_large_packs_make_the_pack(pack: str, shape: str) -> None:
    sized = Pack.parse(pack)
    rows = sized.series // 2 if sized.series > 1 else 1
    wide = sized.places // rows
    holder = {
        "straight": Holder(),
        "offset": Holder(shape="offset"),
        "split": Holder(split_after=(sized.series // 2,) if sized.series > 1 else ()),
        "folded": Holder(shape="folded", brick=(rows, wide)),
        "strips": Holder(shape="strips", brick=(rows, wide)),
    }[shape]
    _walk_up(holder, sized)


def _walk_up(holder: Holder, pack: Pack) -> None:
    """Follow the links from pack negative to pack positive."""
    positions = holder.lay_out(pack)
    wiring = wire_pack(positions, holder)
    nets = net_numbers(positions, wiring.links)
    negative = np.where(positions.positive_up, nets[1], nets[0])
    positive = np.where(positions.positive_up, nets[0], nets[1])
    # found anew, without the checker: S + 1 nets, and walking up the cells visits every group once
    assert len(np.unique(nets)) == pack.series + 1
    at = set(negative[positions.group == 1].tolist())
    assert len(at) == 1
    for group in range(1, pack.series + 1):
        here = positions.group == group
        assert set(negative[here].tolist()) == at
        at = set(positive[here].tolist())
        assert len(at) == 1
    # no bar more than a tree needs: P - 1 a group and face
    bars = [link for link in wiring.links if link.group]
    assert len(bars) == 2 * (pack.places - pack.series)
    # at most one bar of a junction at each cap
    ends = [(link.face, p) for link in wiring.links if link.kind == "series" for p in (link.a, link.b)]
    assert len(ends) == len(set(ends))


@settings(max_examples=40, deadline=None, derandomize=True)
@given(_holders(), st.integers(0, 10**6))
def test_the_graph_finds_a_link_that_is_lost_or_wrong(case: tuple[Holder, Pack], choice: int) -> None:
    holder, pack = case
    positions = holder.lay_out(pack)
    links = list(wire_pack(positions, holder).links)
    if not links:
        return
    lost = links[choice % len(links)]
    alone = sum(1 for link in links if link.junction == lost.junction and link.junction) == 1
    problems = check_links(positions, [link for link in links if link is not lost])
    # elsewhere the neighbouring row's bars and the other series bars still hold the net together
    at_end = (lost.group == 1, lost.group == pack.series)
    end_face = [t.face for t in wire_pack(positions, holder).terminals]
    needed = alone or any(end and face == lost.face for end, face in zip(at_end, end_face, strict=True))
    assert problems or not needed
    assert all("not one piece of metal" in str(p) for p in problems)
    # one too many: the same bar on the other face joins poles a group or more apart, if it is a series bar
    other = "bottom" if lost.face == "top" else "top"
    if lost.junction:
        shorted = check_links(positions, [*links, replace(lost, face=other)])
        assert any("shorted" in str(p) for p in shorted)


def _map(
    *rows: tuple[float, float, int], ends: dict[int, bool] | None = None, **more: object
) -> tuple[Holder, Positions]:
    ends = ends or {}
    places = tuple(
        MapPlace(position=n, x_mm=20.0 * x, y_mm=20.0 * y, group=g, positive_up=ends.get(n))
        for n, (x, y, g) in enumerate(rows, start=1)
    )
    holder = Holder(shape="map", own_places=places, pitch_mm=20.0, **more)  # type: ignore[arg-type]
    sizes = np.bincount([g for _, _, g in rows])[1:]
    return holder, holder.lay_out(Pack(len(sizes), tuple(int(n) for n in sizes)))


def test_split_group_is_refused_with_its_ids() -> None:
    holder, positions = _map((0, 0, 1), (1, 0, 2), (2, 0, 1), (1, 1, 2))
    with pytest.raises(ArgumentInvalid) as caught:
        wire_pack(positions, holder, ids=["A", "B", "C", "D"])
    assert "group 1" in str(caught.value)
    assert "(C)" in str(caught.value)


def test_mixed_ends_are_refused_with_the_ids() -> None:
    holder, positions = _map((0, 0, 1), (1, 0, 1), (2, 0, 1), ends={3: True})
    with pytest.raises(ArgumentInvalid, match=r"group 1: mixes end-up: place 3 \(Z\)"):
        wire_pack(positions, holder, ids=["X", "Y", "Z"])


def test_neighbouring_groups_that_show_the_same_end_are_refused() -> None:
    holder, positions = _map((0, 0, 1), (0, 1, 2), ends={1: False, 2: False})
    with pytest.raises(ArgumentInvalid, match="groups 1 and 2: show the same end"):
        wire_pack(positions, holder)


def test_diagonal_only_junction_is_refused_and_its_custom_link_accepted() -> None:
    rows = ((0, 0, 1), (1, 1, 2))
    holder, positions = _map(*rows)
    with pytest.raises(ArgumentInvalid) as caught:
        wire_pack(positions, holder, ids=["A", "B"])
    # geometry: the diagonal of a square is 1.41 pitches
    assert "28.3 mm" in str(caught.value)
    assert "1 (A), 2 (B)" in str(caught.value)
    holder, positions = _map(*rows, custom_links=((1, 2),))
    wiring = wire_pack(positions, holder)
    assert [(link.kind, link.length_mm) for link in wiring.links] == [("custom", 28.284)]
    assert wiring.junctions[0].lead


def test_custom_link_can_mend_a_split_group_on_both_faces() -> None:
    holder, positions = _map((0, 0, 1), (1, 0, 2), (2, 0, 1), (1, 1, 2), custom_links=((1, 3),))
    own = [link for link in wire_pack(positions, holder).links if link.kind == "custom"]
    assert {(link.face, link.group, link.length_mm) for link in own} == {("top", 1, 40.0), ("bottom", 1, 40.0)}


@pytest.mark.parametrize(
    ("pair", "words"), [((1, 5), "shorts what lies between"), ((1, 99), "places 1 to 6"), ((2, 2), "two")]
)
def test_custom_links_that_can_not_be_are_refused(pair: tuple[int, int], words: str) -> None:
    holder = Holder(custom_links=(pair,))
    with pytest.raises(ArgumentInvalid, match=words):
        wire_pack(holder.lay_out("3s2p"), holder)


def test_checker_names_the_places_of_a_short() -> None:
    holder = Holder()
    positions = holder.lay_out("3s2p")
    links = [*wire_pack(positions, holder).links]
    short = Link(kind="custom", face="top", a=1, b=5, group=0, junction=0, length_mm=40.0)
    problems = check_links(positions, [*links, short], ids=list("ABCDEF"))
    assert any("groups 1 to 2 would be shorted" in str(p) and "(A)" in str(p) for p in problems)


def test_map_read_from_a_file_is_wired(tmp_path: Path) -> None:
    path = tmp_path / "l_shape.csv"
    path.write_text("position,x,y,group\n1,0,0,1\n2,20,0,1\n3,20,20,2\n4,40,20,2\n", encoding="utf-8")
    holder = Holder.parse(str(path))
    assert [j.links for j in wire_pack(holder.lay_out("2s2p"), holder).junctions] == [1]
