from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from cellmatch.errors import ArgumentInvalid, FileUnusable
from cellmatch.pack.holder import GAP_MM, SHAPES, Holder
from cellmatch.pack.spec import Pack

# cell sizes by their designation: diameter in mm, then length in 0.1 mm (five digits) or mm (four digits),
# as in the catalogue figures 18 x 65.0, 21 x 70.0 and 46 x 80 mm (common practice, no source)
SIZES = [("18650", 18.0, 65.0), ("21700", 21.0, 70.0), ("26650", 26.0, 65.0), ("4680", 46.0, 80.0)]


@pytest.mark.parametrize(("size", "diameter_mm", "length_mm"), SIZES)
def test_size_is_read_from_the_designation(size: str, diameter_mm: float, length_mm: float) -> None:
    holder = Holder(cell_size=size)
    assert (holder.diameter_mm, holder.length_mm) == (diameter_mm, length_mm)
    assert holder.spacing_mm == diameter_mm + GAP_MM


def test_what_was_not_given_is_said() -> None:
    assert Holder().assumptions == ("holder pitch 20 mm (cell 18650: 18 mm + 2 mm)", "links are bolted")
    assert Holder(pitch_mm=20.2, link_type="welded").assumptions == ()
    assert Holder().joint == "bolted"


def test_straight_rows_put_each_group_in_its_row() -> None:
    places = Holder().lay_out("3s2p")
    assert places.position.tolist() == [1, 2, 3, 4, 5, 6]
    assert places.group.tolist() == places.row.tolist() == [1, 1, 2, 2, 3, 3]
    assert places.column.tolist() == [1, 2, 1, 2, 1, 2]
    assert places.x_mm.tolist() == [0, 20, 0, 20, 0, 20]
    assert places.y_mm.tolist() == [0, 0, 20, 20, 40, 40]


def test_every_second_group_is_turned_over_and_group_1_shows_minus() -> None:
    # convention of this tool, bench rule: group 1 shows its negative ends on the top face
    up = Holder().lay_out("4s1p").positive_up
    assert up.tolist() == [False, True, False, True]
    assert Holder(first_negative_up=False).lay_out("4s1p").positive_up.tolist() == [True, False, True, False]


def test_bottom_face_is_mirrored_and_shows_the_other_pole() -> None:
    places = Holder().lay_out("2s3p")
    group_1 = places.group == 1
    assert not places.shows_positive("top")[group_1].any()
    assert places.shows_positive("bottom")[group_1].all()
    assert places.seen_x_mm("top")[group_1].tolist() == [0, 20, 40]
    assert places.seen_x_mm("bottom")[group_1].tolist() == [40, 20, 0]


def test_brick_is_laid_along_a_line_that_turns_at_each_row_end() -> None:
    places = Holder.parse("5x8").lay_out("10s4p")
    assert places.group.reshape(5, 8)[:2].tolist() == [[1, 1, 1, 1, 2, 2, 2, 2], [3, 3, 3, 3, 4, 4, 4, 4]]
    assert places.column.reshape(5, 8)[1].tolist() == [8, 7, 6, 5, 4, 3, 2, 1]


def test_strips_stand_side_by_side_and_turn() -> None:
    places = Holder.parse("strips 5x8").lay_out("10s4p")
    first_of = {
        g: (int(places.row[places.group == g][0]), int(places.column[places.group == g][0])) for g in (1, 5, 6, 10)
    }
    assert first_of == {1: (1, 1), 5: (5, 1), 6: (5, 5), 10: (1, 5)}


def test_offset_rows_nest_at_the_pitch() -> None:
    places = Holder(shape="offset").lay_out("2s2p")
    # hexagonal nesting: neighbours in the next row lie at exactly one pitch (geometry)
    assert np.hypot(places.x_mm[2] - places.x_mm[0], places.y_mm[2] - places.y_mm[0]) == pytest.approx(20.0)
    assert np.hypot(places.x_mm[2] - places.x_mm[1], places.y_mm[2] - places.y_mm[1]) == pytest.approx(20.0)


def test_modules_lie_side_by_side_with_joined_groups_level() -> None:
    places = Holder(split_after=(3, 6)).lay_out("9s2p")
    assert places.module.tolist() == [1] * 6 + [2] * 6 + [3] * 6
    for last, first in ((3, 4), (6, 7)):
        assert set(places.y_mm[places.group == last]) == set(places.y_mm[places.group == first])
        assert places.x_mm[places.group == first].min() > places.x_mm[places.group == last].max() + 40
    assert sorted(places.position.tolist()) == list(range(1, 19))


@pytest.mark.parametrize("shape", ["straight", "offset"])
def test_groups_of_different_sizes_keep_their_sizes(shape: str) -> None:
    places = Holder(shape=shape).lay_out(Pack(3, (2, 3, 1)))
    assert np.bincount(places.group)[1:].tolist() == [2, 3, 1]


@pytest.mark.parametrize(
    ("text", "pack", "wanted"),
    [
        ("5x9", "10s4p", ["40 places", "5x8", "10x4"]),
        ("strips 5x9", "10s4p", ["4 wide", "5x8"]),
        ("sraight", "10s4p", ["straight"]),
        ("folded", "10s4p", ["5x8"]),
    ],
)
def test_impossible_shapes_name_what_works(text: str, pack: str, wanted: list[str]) -> None:
    with pytest.raises(ArgumentInvalid) as caught:
        Holder.parse(text).lay_out(pack)
    assert all(word in str(caught.value) for word in wanted)


@pytest.mark.parametrize(
    "fields",
    [
        {"cell_size": "186"},
        {"pitch_mm": 17.0},
        {"pitch_mm": float("nan")},
        {"link_type": "glued"},
        {"contact_a": 0.0},
        {"split_after": (3, 2)},
        {"shape": "folded"},
        {"brick": (2, 2)},
        {"shape": "map"},
    ],
)
def test_what_can_not_be_meant_is_refused(fields: dict[str, object]) -> None:
    with pytest.raises(ArgumentInvalid):
        Holder(**fields)  # type: ignore[arg-type]


def test_split_after_the_last_group_is_refused() -> None:
    with pytest.raises(ArgumentInvalid, match="group 3"):
        Holder(split_after=(4,)).lay_out("4s1p")


MAP = "position,x,y,group,end_up\n1,0,0,1,negative\n2,20,0,1,\n3,0,20,2,positive\n4,20,20,2,+\n"


def test_own_map_is_read_with_its_ends(tmp_path: Path) -> None:
    path = tmp_path / "places.csv"
    path.write_text(MAP, encoding="utf-8")
    holder = Holder.parse(str(path))
    places = holder.lay_out("2s2p")
    assert holder.spacing_mm == 20.0
    assert places.group.tolist() == [1, 1, 2, 2]
    assert places.positive_up.tolist() == [False, False, True, True]
    assert (places.row.tolist(), places.column.tolist()) == ([1, 1, 2, 2], [1, 2, 1, 2])
    assert "the smallest distance on the map" in holder.assumptions[0]


@pytest.mark.parametrize(
    ("text", "wanted"),
    [
        ("", "line 1"),
        ("position,x,y\n1,0,0\n", "group is missing"),
        (MAP.replace("2,20,0", "2,a,0"), "line 3: x_mm 'a'"),
        (MAP.replace("3,0,20,2", "3,0,20,0"), "line 4: group '0'"),
        (MAP.replace("positive", "up"), "end_up 'up'"),
        (MAP.replace("\n2,20", "\n1,20"), "places [1] stand twice"),
        (MAP.replace("\n4,", "\n7,"), "places [4] are missing"),
    ],
)
def test_faults_of_a_map_name_line_and_text(tmp_path: Path, text: str, wanted: str) -> None:
    path = tmp_path / "places.csv"
    path.write_text(text, encoding="utf-8")
    with pytest.raises((FileUnusable, ArgumentInvalid)) as caught:
        Holder.parse(str(path))
    assert wanted in str(caught.value)


def test_missing_map_file_is_named(tmp_path: Path) -> None:
    with pytest.raises(FileUnusable, match=r"nowhere\.csv"):
        Holder.parse(str(tmp_path / "nowhere.csv"))


@pytest.mark.parametrize(
    ("text", "wanted"),
    [(MAP.replace("2,20,0", "2,9,0"), "places 1 and 2"), (MAP.replace("20,20,2", "20,20,1"), "groups of [3, 1]")],
)
def test_maps_that_can_not_hold_the_pack_are_refused(tmp_path: Path, text: str, wanted: str) -> None:
    path = tmp_path / "places.csv"
    path.write_text(text, encoding="utf-8")
    holder = Holder.parse(str(path))
    with pytest.raises(ArgumentInvalid) as caught:
        holder.lay_out("2s2p")
    assert wanted in str(caught.value)


def test_every_shape_has_a_test_above() -> None:
    assert set(SHAPES) == {"straight", "offset", "folded", "strips", "map"}
