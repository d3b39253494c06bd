"""The pack map: each cell once a face, the bottom mirrored, the poles and terminals where they are."""

from __future__ import annotations

import re
from dataclasses import replace
from xml.etree import ElementTree

import pytest

from cellmatch import Plan
from cellmatch.build.nets import Link
from cellmatch.output.map import id_lines, map_windows, pack_map_svg

SVG = "{http://www.w3.org/2000/svg}"
PLUS, MINUS = "+", "−"


def drawn(plan: Plan, face: str) -> dict[str, tuple[float, float, str]]:
    """Return x, y and pole of each cell on a face, over all parts."""
    found: dict[str, tuple[float, float, str]] = {}
    for window in map_windows(plan):
        root = ElementTree.fromstring(pack_map_svg(plan, face, window))
        for cell in root.iter(f"{SVG}g"):
            title, circle = cell.find(f"{SVG}title"), cell.find(f"{SVG}circle")
            assert title is not None
            assert title.text is not None
            assert circle is not None
            end = next(t.text for t in cell.iter(f"{SVG}text") if t.get("class") == "end")
            cell_id = re.sub(r", group \d+, position \d+, \w+ end$", "", title.text)
            assert cell_id not in found
            found[cell_id] = (float(circle.get("cx", "")), float(circle.get("cy", "")), str(end))
    return found


def test_every_used_cell_stands_once_on_each_face(odd_plans: dict[str, Plan]) -> None:
    for plan in odd_plans.values():
        used = set(plan.with_status("used").index)
        assert set(drawn(plan, "top")) == used
        assert set(drawn(plan, "bottom")) == used


def test_the_bottom_mirrors_the_top_and_shows_the_other_poles(plain_plan: Plan) -> None:
    top, bottom = drawn(plain_plan, "top"), drawn(plain_plan, "bottom")
    width = min(x for x, _, _ in top.values()) + max(x for x, _, _ in top.values())
    for cell, (x, y, end) in top.items():
        assert bottom[cell][:2] == pytest.approx((width - x, y))
        assert {end, bottom[cell][2]} == {PLUS, MINUS}


def test_group_1_shows_its_negative_ends_on_top_unless_told_otherwise(plain_plan: Plan) -> None:
    top = drawn(plain_plan, "top")
    assert {top[c][2] for c in plain_plan.groups[0]} == {MINUS}
    assert {top[c][2] for c in plain_plan.groups[1]} == {PLUS}


def test_a_window_is_mirrored_within_the_whole_holder(odd_plans: dict[str, Plan]) -> None:
    plan = odd_plans["one group"]
    top, bottom = drawn(plan, "top"), drawn(plan, "bottom")
    assert [c for c, _ in sorted(top.items(), key=lambda i: i[1][0])] == [
        c for c, _ in sorted(bottom.items(), key=lambda i: -i[1][0])
    ]


@pytest.mark.parametrize(
    ("name", "face", "words"),
    [
        ("plain", "top", ["pack −"]),  # 13 groups: the terminals lie on opposite faces
        ("plain", "bottom", ["pack +"]),
        ("no resistance", "top", ["pack −", "pack +"]),  # 4 groups: on one face
        ("no resistance", "bottom", []),
        ("one group", "top", ["pack −"]),
        ("one group", "bottom", ["pack +"]),
    ],
)
def test_terminals_are_named_on_the_face_where_they_show(
    odd_plans: dict[str, Plan], name: str, face: str, words: list[str]
) -> None:
    root = ElementTree.fromstring(pack_map_svg(odd_plans[name], face))
    assert [t.text for t in root.iter(f"{SVG}text") if t.get("class") == "terminal"] == words


def test_drawings_carry_words_for_those_who_do_not_see_them(plain_plan: Plan) -> None:
    root = ElementTree.fromstring(pack_map_svg(plain_plan, "bottom"))
    assert root.get("role") == "img"
    assert root.findtext(f"{SVG}title") == "13s4p, bottom face"
    description = root.findtext(f"{SVG}desc") or ""
    assert "mirrored" in description
    assert "group 1: positive ends show" in description


def test_nothing_is_styled_in_place_and_nothing_is_fetched(plain_plan: Plan) -> None:
    svg = pack_map_svg(plain_plan)
    assert "style=" not in svg
    assert "href" not in svg
    assert "nan" not in svg.lower().replace("resonance", "")


def test_large_packs_come_in_parts_that_hold_each_cell_once(odd_plans: dict[str, Plan]) -> None:
    plan = odd_plans["single cells"]
    windows = map_windows(plan)
    assert len(windows) > 1
    used = plan.with_status("used")
    held = sum(int(w.holds(used["x_mm"].to_numpy(), used["y_mm"].to_numpy()).sum()) for w in windows)
    assert held == len(used) == 100


def test_links_lie_on_their_face_and_series_ones_are_heavier(plain_plan: Plan) -> None:
    kinds = {"series": (1, 5, 0, 1), "parallel": (1, 2, 1, 0)}
    links = [
        Link(kind=kind, face="bottom", a=a, b=b, group=group, junction=junction, length_mm=20.0)
        for kind, (a, b, group, junction) in kinds.items()
    ]
    assert 'class="link' not in pack_map_svg(plain_plan, "top", links=links)
    root = ElementTree.fromstring(pack_map_svg(plain_plan, "bottom", links=links))
    width = {
        p.get("class", "").split()[-1]: float(p.get("stroke-width", ""))
        for p in root.iter(f"{SVG}path")
        if "link" in p.get("class", "")
    }
    assert width["series"] > 2 * width["parallel"]


def test_the_corner_mark_is_the_same_corner_of_the_holder(plain_plan: Plan) -> None:
    def corner(face: str) -> float:
        root = ElementTree.fromstring(pack_map_svg(plain_plan, face))
        mark = next(p for p in root.iter(f"{SVG}path") if p.get("class") == "corner")
        return float(mark.get("d", "").removeprefix("M").split()[0])

    cells = drawn(plain_plan, "top")
    assert corner("top") < min(x for x, _, _ in cells.values())
    assert corner("bottom") > max(x for x, _, _ in cells.values())


def test_ids_with_markup_come_through_whole(odd_plans: dict[str, Plan]) -> None:
    svg = pack_map_svg(odd_plans["odd ids"])
    assert "<b>" not in svg
    assert "&lt;b&gt;&amp;" in svg


def test_turned_holder_turns_every_pole(plain_plan: Plan) -> None:
    cells = plain_plan.cells.copy()
    cells["positive_up"] = [None if up is None else not up for up in cells["positive_up"]]
    turned = replace(plain_plan, cells=cells)
    before, after = drawn(plain_plan, "top"), drawn(turned, "top")
    assert all(before[c][2] != after[c][2] for c in before)


def test_an_unknown_face_is_refused(plain_plan: Plan) -> None:
    with pytest.raises(ValueError, match="one of top, bottom"):
        pack_map_svg(plain_plan, "side")


@pytest.mark.parametrize("cell", ["7", "C0123", "LOT4-0172", "a very long cell identification 0001", "電池-0000001"])
def test_id_lines_keep_the_start_and_the_end_of_an_id(cell: str) -> None:
    lines = id_lines(cell)
    assert len(lines) <= 2
    assert max(map(len, lines)) <= 13
    assert cell.startswith(lines[0].rstrip("…"))
    assert cell.endswith(lines[-1].lstrip("…"))
