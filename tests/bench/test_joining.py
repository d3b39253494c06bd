from __future__ import annotations

import math
import time
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from statistics import NormalDist
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from cellmatch.bench.built import BuiltPack
from cellmatch.bench.findings import KINDS, alarm_sigma, finding, most_dangerous_first
from cellmatch.bench.inspection import inspect_pack
from cellmatch.cells.readings import BenchReading
from cellmatch.electrics.parallel import join_cells
from cellmatch.errors import ArgumentInvalid

Built = Callable[..., BuiltPack]
Read = Callable[..., BenchReading]


def _cells(read: Read, pack: BuiltPack, **other: float) -> list[BenchReading]:
    return [
        read("cell_v", cell, other.get(cell, float(v)))
        for group, volts in zip(pack.groups, pack.cell_v, strict=True)
        for cell, v in zip(group, volts, strict=True)
    ]


def test_reversed_cell_is_a_stop_that_names_what_would_flow(built: Built, read: Read) -> None:
    # bench rule, Kirchhoff: 4P, one reversed, 3.67 V, 25 mohm: bus 1.835 V, 73.4 A in each of three cells, 220 A in
    # it; at the second series link 7.34 V / (4 x 25 mohm) = 73 A
    pack = built(4, 4)
    found = inspect_pack(pack, _cells(read, pack, G2C3=-3.67))
    assert (found[0].kind, found[0].target, found[0].stop) == ("cell_reversed", "cell G2C3", True)
    evidence = " ".join(found[0].evidence)
    assert "second series link beside it would drive 73 A" in evidence
    assert "bus would stand at 1.835 V" in evidence
    assert "220 A" in evidence
    assert "73 A through each other one" in evidence
    assert "Only a new reading clears this" in found[0].words


def test_currents_of_a_reversed_cell() -> None:
    # bench rule: bus 1.835 V; 73.4 A in each of three cells and 220.2 A in the reversed one
    joined = join_cells([3.67, 3.67, 3.67, -3.67], [0.025] * 4, 1.25)
    assert joined.bus_v == pytest.approx(1.835)
    assert np.abs(joined.currents_a) == pytest.approx([73.4, 73.4, 73.4, 220.2])
    assert joined.verdict == "stop"


def test_spread_inside_50_mv_can_still_ask_for_levelling(built: Built, read: Read) -> None:
    # bench rule: 3P, 25 mohm, 2.5 Ah, 3.72 / 3.62 / 3.62 V: 2.667 A above 1.25 A
    pack = replace(built(3, 3), cell_v=tuple(np.array([3.72, 3.62, 3.62]) for _ in range(3)))
    found = [f for f in inspect_pack(pack, _cells(read, pack)) if f.is_fault]
    assert {f.kind for f in found} == {"level_first"}
    assert "2.67 A" in found[0].words
    assert "1.25 A" in found[0].words


def test_joining_amps_leave_links_out(built: Built, read: Read) -> None:
    # bench rule: joining figures use the lowest resistance, links counted as nothing unless measured
    pack = replace(built(3, 3), cell_v=tuple(np.array([3.72, 3.62, 3.62]) for _ in range(3)))
    with_joints = replace(pack, joint_ohm=0.005, group_ohm=pack.group_ohm + 0.005)
    words = [[f.words for f in inspect_pack(p, _cells(read, p)) if f.is_fault] for p in (pack, with_joints)]
    assert words[0] == words[1]
    assert words[0]


def test_large_difference_is_a_fault_to_look_for(built: Built, read: Read) -> None:
    pack = built(3, 3)
    found = inspect_pack(pack, _cells(read, pack, G2C1=4.15))
    assert found[0].kind == "joining_current"
    assert ("cell_differs", "cell G2C1") in [(f.kind, f.target) for f in found]


def test_over_discharged_cell_is_never_brought_up(built: Built, read: Read) -> None:
    pack = built(3, 3)
    found = inspect_pack(pack, _cells(read, pack, G2C1=2.10))
    below = next(f for f in found if f.kind == "below_service")
    assert "quarantine" in below.words
    # bench rule: the word "charge" nowhere
    assert "charge" not in " ".join([below.words, below.next_measurement, *below.evidence])


def test_overcharged_cell_is_named(built: Built, read: Read) -> None:
    pack = built(3, 3)
    assert "over_full" in {f.kind for f in inspect_pack(pack, _cells(read, pack, G1C1=4.28))}


@pytest.mark.parametrize("mv", [-30, 30])
def test_cell_that_changed_since_the_plan_is_told(built: Built, read: Read, mv: int) -> None:
    pack = built(3, 1)
    found = inspect_pack(pack, _cells(read, pack, G2C1=3.67 + mv / 1000))
    assert [(f.kind, f.target) for f in found if f.is_fault] == [("cell_differs", "cell G2C1")]
    assert f"{mv:+d} mV" in found[0].words


def test_cells_as_planned_raise_nothing(built: Built, read: Read) -> None:
    pack = built(10, 4)
    assert [f.kind for f in inspect_pack(pack, _cells(read, pack)) if f.kind != "cannot_show"] == ["clean"]


def test_readings_older_than_a_day_decide_nothing(built: Built, read: Read) -> None:
    # bench rule: readings for a verdict at most 24 h old
    pack = built(3, 2)
    readings = [replace(r, taken_at=datetime(2031, 5, 17, 9, tzinfo=UTC)) for r in _cells(read, pack)]
    fresh = inspect_pack(pack, readings, now=datetime(2031, 5, 18, 8, tzinfo=UTC))
    stale = inspect_pack(pack, readings, now=datetime(2031, 5, 18, 10, tzinfo=UTC))
    assert not any("24 h ago" in f.words for f in fresh)
    told = next(f for f in stale if "24 h ago" in f.words)
    assert told.words.startswith("6 cells were read more than 24 h ago")
    assert "G1C1" in told.next_measurement


def test_only_the_latest_reading_of_a_cell_can_be_too_old(built: Built, read: Read) -> None:
    pack = built(3, 1)
    old = [replace(r, taken_at=datetime(2031, 5, 15, 9, tzinfo=UTC)) for r in _cells(read, pack)]
    again = [replace(r, taken_at=datetime(2031, 5, 18, 9, tzinfo=UTC)) for r in old[:2]]
    found = inspect_pack(pack, [*again, *old], now=datetime(2031, 5, 18, 10, tzinfo=UTC))
    told = next(f for f in found if "24 h ago" in f.words)
    assert told.words.startswith("1 cell was read")
    assert told.next_measurement == "read G3C1 again"


@pytest.mark.parametrize("zone", ["UTC", "Asia/Tokyo", "America/New_York"])
def test_times_without_a_zone_are_of_this_machine(
    built: Built, read: Read, zone: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    if not hasattr(time, "tzset"):
        pytest.skip("NOT RUN: this system can't change its time zone")
    monkeypatch.setenv("TZ", zone)
    time.tzset()
    try:
        pack, now = built(3, 1), datetime(2031, 5, 18, 10, tzinfo=UTC)
        # a wall clock of this zone, 23 and 25 hours before
        for hours, stale in ((23, False), (25, True)):
            wall = (now - timedelta(hours=hours)).astimezone(ZoneInfo(zone)).replace(tzinfo=None)
            readings = [replace(r, taken_at=wall) for r in _cells(read, pack)]
            assert any("24 h ago" in f.words for f in inspect_pack(pack, readings, now=now)) is stale
    finally:
        monkeypatch.undo()
        time.tzset()


def test_times_of_two_kinds_are_refused(built: Built, read: Read) -> None:
    times = (datetime(2031, 5, 17, 9), datetime(2031, 5, 17, 9, tzinfo=UTC))
    readings = [replace(read("group_v", g, 3.67), taken_at=at) for g, at in enumerate(times, start=1)]
    with pytest.raises(ArgumentInvalid, match="time zone"):
        inspect_pack(built(3, 1), readings)


def test_a_reading_that_was_not_taken_counts_for_nothing(built: Built, read: Read) -> None:
    pack = built(3, 1)
    left_out = replace(read("cell_v", "G1C1", math.nan), reason="box full")
    found = inspect_pack(pack, [left_out, *_cells(read, pack)[1:]])
    assert any("all 2 readings fit" in f.words for f in found)
    with pytest.raises(ArgumentInvalid, match="there are none"):
        inspect_pack(pack, [left_out])


def test_only_what_was_compared_is_called_fitting(built: Built, read: Read) -> None:
    pack = built(4, 1)
    gap, block = read("gap_v", "1-2", 0.01), read("group_v", "1-2", 7.34)
    words = [
        next(f.words for f in inspect_pack(pack, readings) if f.kind == "clean")
        for readings in ([gap, block], [gap, read("main_v", "pack", 14.68)], [read("load_v", "1", 3.67)])
    ]
    assert words[0].startswith("nothing was compared with the plan. 2 of gaps and blocks")
    assert words[1].startswith("the one reading fits the plan")
    assert "1 of gaps and blocks" in words[1]
    assert words[2].startswith("the one reading fits")


def test_group_read_without_a_load_is_read_at_rest(built: Built, read: Read) -> None:
    found = inspect_pack(built(5, 3), [read("load_v", g, 3.60 if g == 2 else 3.67) for g in range(1, 6)])
    assert [(f.kind, f.target) for f in found if f.is_fault] == [("group_low", "group 2")]


def test_group_outside_its_limits_is_a_stop_whatever_else(built: Built, read: Read) -> None:
    groups = [read("group_v", g, 4.27 if g == 2 else 4.18, after=timedelta(0)) for g in range(1, 6)]
    found = inspect_pack(built(5, 3), groups)
    assert (found[0].kind, found[0].target) == ("over_full", "group 2")


def test_most_dangerous_comes_first() -> None:
    ranked = [
        finding(kind, "group 1", "", (), sure_fraction=0.9)
        for kind in ("clean", "group_low", "tap_open", "cell_reversed", "group_leaking")
    ]
    ordered = most_dangerous_first([(f,) for f in ranked])
    assert [f.kind for f in ordered] == ["cell_reversed", "tap_open", "group_leaking", "group_low", "clean"]


def test_every_kind_is_ranked_once_and_stops_come_before_the_rest() -> None:
    dangers = [kind.danger for kind in KINDS.values()]
    assert len(set(dangers)) == len(dangers)
    assert max(k.danger for k in KINDS.values() if k.stop) < min(k.danger for k in KINDS.values() if not k.stop)


def test_alarm_rises_with_the_number_of_readings() -> None:
    # the standard library's normal quantiles, not the ones used
    for tests, sides in ((1, 2), (20, 2), (200, 1)):
        assert alarm_sigma(tests, sides=sides) == pytest.approx(NormalDist().inv_cdf(1 - 0.002 / (sides * tests)))
