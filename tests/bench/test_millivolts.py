from __future__ import annotations

import math
from collections.abc import Callable
from datetime import timedelta

import numpy as np
import pytest

from cellmatch.bench.built import BuiltPack
from cellmatch.bench.findings import Finding
from cellmatch.bench.inspection import inspect_pack
from cellmatch.bench.loaded import needed_load_a
from cellmatch.bench.visible import checks
from cellmatch.cells.readings import BenchReading
from cellmatch.errors import ArgumentInvalid

Built = Callable[..., BuiltPack]
Read = Callable[..., BenchReading]
WEEK = timedelta(days=7)


def _kinds(found: list[Finding]) -> list[tuple[str, str]]:
    return [(f.kind, f.target) for f in found if f.is_fault]


# ---- balance and meter ----


@pytest.mark.parametrize(("mv", "kind"), [(40, "group_high"), (-40, "group_low")])
@pytest.mark.parametrize("series", [3, 10])
def test_one_group_off_its_peers(built: Built, read: Read, mv: float, kind: str, series: int) -> None:
    volts = [3.67 + (mv / 1000 if g == 2 else 0.0) for g in range(1, series + 1)]
    found = inspect_pack(built(series, 3), [read("group_v", g, v) for g, v in enumerate(volts, start=1)])
    assert _kinds(found) == [(kind, "group 2")]
    assert not found[0].stop
    assert "40 mV" in found[0].words


def test_of_two_groups_neither_is_known_to_be_the_wrong_one(built: Built, read: Read) -> None:
    found = inspect_pack(built(2, 3), [read("group_v", 1, 3.70), read("group_v", 2, 3.65)])
    assert set(_kinds(found)) == {("group_high", "group 1"), ("group_low", "group 2")}
    assert found[0].tied_with == ("group_low group 2",)


def test_cumulative_readings_prove_order_and_not_balance(built: Built, read: Read) -> None:
    # 15 mV in the middle of the pack is above what one group's reading tells, and below the digits of 60 V
    taps = [read("tap_v", n, round((3.67 * n + (0.015 if n >= 5 else 0)) * 100) / 100) for n in range(11)]
    assert _kinds(inspect_pack(built(10, 3), taps)) == []
    groups = [read("group_v", g, 3.685 if g == 5 else 3.67) for g in range(1, 11)]
    assert _kinds(inspect_pack(built(10, 3), groups)) == [("group_high", "group 5")]


def test_pin_0_against_itself_shows_the_meter(built: Built, read: Read) -> None:
    taps = [read("tap_v", n, 3.67 * n + 0.025) for n in range(11)]
    found = inspect_pack(built(10, 3), [*taps, read("main_v", "pack", 36.725)])
    assert ("meter_offset", "meter") in _kinds(found)
    assert any("pin 0" in words for words in found[0].evidence)


# ---- leaks ----


def _week(read: Read, mv_per_day: dict[int, float], series: int = 10) -> list[BenchReading]:
    start = [read("group_v", g, 3.67, after=timedelta(0)) for g in range(1, series + 1)]
    later = [read("group_v", g, 3.67 - 0.007 * mv_per_day.get(g, 0.3), after=WEEK) for g in range(1, series + 1)]
    return start + later


def test_leaking_group_is_named_with_its_current(built: Built, read: Read) -> None:
    found = inspect_pack(built(10, 3, slope_v=0.953), _week(read, {4: 5.3}))
    assert _kinds(found) == [("group_leaking", "group 4")]
    # 5 mV/day over its peers on 0.953 V of slope and 7.5 Ah: 1.64 mA by hand; alone the cell would lose 15
    assert "5.0 mV a day" in found[0].words
    assert "1.6 mA" in found[0].words
    assert "15 mV a day" in found[0].words


def test_what_all_groups_lose_alike_is_no_leak(built: Built, read: Read) -> None:
    # a board that draws from every group, or colder cells
    assert _kinds(inspect_pack(built(10, 3), _week(read, dict.fromkeys(range(1, 11), 4.0)))) == []


def test_clean_week_does_not_clear_a_weak_leaker(built: Built, read: Read) -> None:
    found = inspect_pack(built(10, 8), _week(read, {}))
    notes = " ".join(f.words for f in found if f.kind == "cannot_show")
    # bench rule: 1.6 mV/day of a group, a cell that alone loses 12.9 mV/day at 8P
    assert "1.6 mV a day of a group" in notes
    assert "12.9 mV a day" in notes
    assert "does not clear a weak leaker" in notes


# ---- under load ----


def _loaded(
    read: Read, ohm: list[float], load_a: float, *, slide: float = 0.0, again: bool = True, times: bool = True
) -> list[BenchReading]:
    """Rest and load readings 5 s apart, the first group again last."""
    at = timedelta(minutes=30)
    rest = [read("group_v", g, 3.67, after=timedelta(0) if times else None) for g in range(1, len(ohm) + 1)]
    order = [*range(len(ohm)), 0] if again else [*range(len(ohm))]
    return rest + [
        read(
            "load_v",
            g + 1,
            3.67 - load_a * ohm[g] - slide * 5 * n,
            load_a,
            at + timedelta(seconds=5 * n) if times else None,
        )
        for n, g in enumerate(order)
    ]


def test_needed_load_for_ten_cells_in_parallel(built: Built) -> None:
    # bench rule: 10 cells of 30 mohm: a missing one changes 5 A by 1.7 mV; 4 sigma at 2 mV noise a reading
    # needs 34 A
    ten = built(10, 10, cell_ohm=0.030)
    assert 1000 * 5 * ten.without_cell_ohm(1)[0] == pytest.approx(1.667, abs=0.001)
    assert needed_load_a(ten) == pytest.approx(np.full(10, 33.94), abs=0.01)


def test_what_can_not_be_seen_is_said_with_the_load_that_would_show_it(built: Built, read: Read) -> None:
    found = inspect_pack(built(10, 10, cell_ohm=0.030), _loaded(read, [0.003] * 10, 5.0))
    assert _kinds(found) == []
    joints = next(f for f in found if f.target == "joints")
    assert "1.7 mV" in joints.words
    assert "at least 34 A" in joints.next_measurement
    # 1.667 mV / (4 √2) = 0.29 mV
    assert "read to 0.3 mV" in joints.next_measurement


def test_healthy_ladder_row_is_not_called_unjoined(built: Built, read: Read) -> None:
    # a 4P row of 30 mohm with 1 mohm links and same-end take-off reads 9.09 mohm, not 7.5: +21 % by the links
    # (ladder computed with an open pack simulator's nodal analysis and an own nodal solve)
    pack = built(6, 4, cell_ohm=0.030, group_ohm=0.0090923)
    assert _kinds(inspect_pack(pack, _loaded(read, [0.00909] * 6, 20.0))) == []


def test_load_test_tells_the_resistance_of_each_group(built: Built, read: Read) -> None:
    ohm = [0.0060, 0.0064, 0.0062, 0.0063, 0.0061]
    found = inspect_pack(built(5, 4), _loaded(read, ohm, 20.0, slide=0.00036))
    told = next(f for f in found if f.kind == "measured")
    assert not told.is_fault
    shown = [float(part.split()[-1]) for part in told.words.split(": ")[1].split(";")[0].split(", ")]
    assert shown == pytest.approx([1000 * r for r in ohm], abs=0.01)
    assert "0.36 mV/s of slide taken out" in told.evidence[0]


def test_slide_under_load_is_taken_out(built: Built, read: Read) -> None:
    # bench rule: 34 A, ten groups read 5 s apart, slide 0.36 mV/s, healthy: no finding
    readings = _loaded(read, [0.003] * 10, 34.0, slide=0.00036)
    assert _kinds(inspect_pack(built(10, 10, cell_ohm=0.030), readings)) == []


@pytest.mark.parametrize("again", [True, False])
@pytest.mark.parametrize("times", [True, False])
def test_missing_cell_shows_through_the_slide(built: Built, read: Read, again: bool, times: bool) -> None:
    ohm = [0.00625] * 10
    ohm[6] = 0.025 / 3
    readings = _loaded(read, ohm, 20.0, slide=0.00036, again=again, times=times)
    found = inspect_pack(built(10, 4), readings)
    assert _kinds(found)[0] == ("cell_not_joined", "group 7")
    assert "from the cap of each cell of group 7 to its bar" in found[0].next_measurement


def test_groups_that_all_sag_more_than_ac_readings_say_are_healthy(built: Built, read: Read) -> None:
    # resistance by DC is 1.3 to 1.8 times that by 1 kHz: only peers are compared
    assert _kinds(inspect_pack(built(10, 4), _loaded(read, [1.6 * 0.00625] * 10, 20.0))) == []


def test_sag_beyond_one_missing_cell_is_a_loose_link(built: Built, read: Read) -> None:
    ohm = [0.00625] * 10
    ohm[2] = 0.02
    assert _kinds(inspect_pack(built(10, 4), _loaded(read, ohm, 20.0)))[0] == ("loose_link", "group 3")


def test_unjoined_cap_stays_while_its_bar_sags(built: Built, read: Read) -> None:
    # bench rule: ten cells of 30 mohm at 5 A: an unjoined cell shows 16.7 mV, a joined one its joint drop
    pack = built(4, 10, cell_ohm=0.030)
    drops = [read("cap_drop_v", c, 0.0001, 5.0) for group in pack.groups for c in group if c != "G2C3"]
    found = inspect_pack(pack, [*drops, read("cap_drop_v", "G2C3", 0.0167, 5.0)])
    assert _kinds(found) == [("cell_not_joined", "cell G2C3")]
    assert "not joined about 16.7 mV" in found[0].evidence[0]
    assert found[0].stop


def test_loose_joint_lies_between(built: Built, read: Read) -> None:
    pack = built(4, 4)
    drops = [read("cap_drop_v", c, 0.001, 20.0) for group in pack.groups for c in group if c != "G3C1"]
    found = inspect_pack(pack, [*drops, read("cap_drop_v", "G3C1", 0.035, 20.0)])
    assert _kinds(found) == [("loose_link", "cell G3C1")]


def test_caps_that_all_follow_leave_only_a_link(built: Built, read: Read) -> None:
    pack = built(10, 4)
    ohm = [0.00625] * 10
    ohm[6] = 0.025 / 3
    caps = [read("cap_drop_v", c, 0.001, 20.0, timedelta(minutes=40)) for group in pack.groups for c in group]
    assert _kinds(inspect_pack(pack, [*_loaded(read, ohm, 20.0), *caps])) == [("loose_link", "group 7")]


# ---- what to ask for, and what is refused ----


def test_checks_tell_the_load_before_anything_is_measured(built: Built) -> None:
    told = {c.name: c for c in checks(built(10, 10, cell_ohm=0.030))}
    sag = next(c for name, c in told.items() if "sag" in name)
    cap = next(c for name, c in told.items() if "cap by cap" in name)
    assert sag.load_a == pytest.approx(33.94, abs=0.01)
    assert "at least 34 A" in sag.needs
    # 2 mV at 33.94 A is 0.059 mV for each ampere
    assert "0.059 mV for every ampere" in sag.needs
    # 4 x 2 mV over the 3.33 mohm that nine cells make
    assert cap.load_a == pytest.approx(0.008 / (0.030 / 9))
    # a joint carries a tenth of that: 8 mV over 0.24 A
    assert "a joint of 33 mΩ" in cap.shows
    leak = next(c for name, c in told.items() if "leaking" in name)
    assert "1.6 mV a day" in leak.shows


def test_a_check_shows_what_it_says_it_shows(built: Built, read: Read) -> None:
    # the deviation told for the balance of groups, and half of it, as readings
    pack = built(10, 3)
    balance = next(c for c in checks(pack) if "low or high" in c.name)
    mv = float(balance.shows.split("a group ")[1].split(" mV")[0])
    for factor, seen in ((1.0, True), (0.5, False)):
        groups = [read("group_v", g, 3.67 + (factor * mv / 1000 if g == 4 else 0.0)) for g in range(1, 11)]
        assert _kinds(inspect_pack(pack, groups)) == ([("group_high", "group 4")] if seen else [])


def test_no_load_shows_one_cell_of_sixty(built: Built, read: Read) -> None:
    # one of 60 equal cells missing makes 1/59 = 1.69 %; the mean of 60 readings, each within 3.6 %, is known to
    # 0.47 %, and four times that is 1.86 %: computed by hand
    pack = built(4, 60)
    assert np.isinf(needed_load_a(pack)).all()
    sag = next(c for c in checks(pack) if "sag" in c.name)
    assert "no load shows it" in sag.needs
    assert sag.load_a is None
    for readings in ([read("group_v", g, 3.67) for g in range(1, 5)], _loaded(read, [0.0005] * 4, 500.0)):
        found = inspect_pack(pack, readings)
        joints = next(f for f in found if f.target == "joints")
        assert "can't tell" in joints.words
        assert "each cap to its bar" in joints.next_measurement
    # of 20 one makes 5.3 %, known to 0.8 %
    assert np.isfinite(needed_load_a(built(4, 20))).all()


def test_groups_of_one_cell_need_no_load(built: Built) -> None:
    assert all(c.load_a is None for c in checks(built(5, 1)))


def test_without_resistances_it_says_so(built: Built, read: Read) -> None:
    pack = built(5, 3, cell_ohm=math.nan, group_ohm=math.nan)
    found = inspect_pack(pack, _loaded(read, [0.008] * 5, 10.0, again=False))
    assert _kinds(found) == []
    assert any("without resistances" in f.words for f in found)
    assert all(c.load_a is None for c in checks(pack))


@pytest.mark.parametrize(
    ("kind", "target", "words"),
    [
        ("cell_v", "G1C9", "did you mean"),
        ("group_v", "11", "from 1 to 10"),
        ("tap_v", "eleven", "from 0 to 10"),
        ("load_v", "0", "from 1 to 10"),
        ("cap_drop_v", "G1C1", "load_a"),
    ],
)
def test_readings_of_what_is_not_there_are_refused(
    built: Built, read: Read, kind: str, target: str, words: str
) -> None:
    with pytest.raises(ArgumentInvalid, match=words):
        inspect_pack(built(10, 3), [read(kind, target, 3.67)])


def test_no_reading_at_all_is_refused(built: Built) -> None:
    with pytest.raises(ArgumentInvalid, match="there are none"):
        inspect_pack(built(10, 3), [])
