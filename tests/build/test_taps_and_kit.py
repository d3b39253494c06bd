from __future__ import annotations

from collections import Counter
from collections.abc import Callable

import numpy as np
import pytest

from cellmatch.build.assembly import Assembly
from cellmatch.build.leaks import leak_limit
from cellmatch.cells.table import cell_table
from cellmatch.pack.holder import Holder
from cellmatch.plan import plan_pack
from cellmatch.prediction import LoadCase

Assemble = Callable[..., Assembly]


def test_taps_climb_one_group_a_pin(assemble: Assemble) -> None:
    taps = assemble("10s3p").taps
    assert [t.pin for t in taps] == list(range(11))
    assert np.diff([t.value_v for t in taps]) == pytest.approx([3.67] * 10, abs=0.01)
    assert taps[0].plate == "− of group 1 (main −)"
    assert taps[3].plate == "+ of group 3, − of group 4"
    assert taps[10].plate == "+ of group 10 (main +)"
    # the face of net k: odd junctions lie on the bottom face, both terminals of an even pack on top
    assert [t.face for t in taps[:4]] == ["top", "bottom", "top", "bottom"]


def test_tap_windows_widen_with_the_range_of_the_meter(assemble: Assemble) -> None:
    # bench rule: 20 mV at 3.67 V, 0.20 V at 36.7 V, plus what the cells of the groups differ by
    taps = assemble("10s3p").taps
    assert taps[1].high_v - taps[1].value_v == pytest.approx(0.020, abs=0.006)
    assert taps[10].high_v - taps[10].value_v == pytest.approx(0.2035, abs=0.05)
    assert taps[10].high_v - taps[10].value_v > 0.2035


def test_lead_lengths_grow_with_the_way(assemble: Assemble) -> None:
    taps = assemble("4s3p").taps
    # straight rows at 20 mm from main negative at place 1, 65 mm to the other face, 100 mm slack
    assert [t.lead_mm for t in taps] == [100, 165, 120, 205, 160]


def test_kit_counts_what_the_links_need(assemble: Assemble) -> None:
    plan = assemble("10s3p")
    items = {i.what: i for i in plan.kit}
    assert items["insulating ring"].count == 30
    assert items["series bar"].count == 27
    assert items["parallel bar"].count == 40
    assert items["nut and washer"].count == 60
    assert sum(1 for i in plan.kit if i.what.startswith("sense lead")) == 11
    strips = Counter({i.what: i.count for i in plan.kit if i.what.startswith("insulating strip")})
    assert strips == {"insulating strip, top face": 5, "insulating strip, bottom face": 4}


def test_kit_lists_own_links_apart(assemble: Assemble) -> None:
    own = [i for i in assemble("6s2p", Holder(split_after=(3,), link_type="welded")).kit if i.what.startswith("own")]
    assert [(i.count, i.size) for i in own] == [(1, "48 mm centre to centre")]


def test_precharge_resistor_of_a_milliferad(assemble: Assemble) -> None:
    # bench rule: 1 mF at 58.8 V holds 1.7 J; 100 ohm makes 0.1 s, of which three reach 95 %
    item = next(i for i in assemble("14s2p", load_f=0.001).kit if i.what == "pre-charge resistor")
    assert "1.7 J" in item.note
    assert "0.3 s" in item.note
    assert item.size == "100 ohm"


def test_precharge_follows_the_load_of_the_plan() -> None:
    # C V²/2 by hand: 470 uF at 4 x 4.2 V is 0.066 J; the first current is 16.8 V over 100 ohm
    cells = cell_table(
        {"ocv_v": [3.67] * 4, "capacity_mah": [2500.0] * 4, "ir_mohm": [25.0] * 4}, ids=[f"C{i}" for i in range(4)]
    )
    case = LoadCase(current_a=2.0, load_uf=470.0)
    plan = plan_pack(cells, "4s1p", chemistry="nmc", seconds=0.1, case=case)
    note = next(i for i in plan.assembly.kit if i.what == "pre-charge resistor").note
    assert "0.1 J" in note
    assert "3 W at first" in note


def test_fuse_is_rated_for_the_full_pack(assemble: Assemble) -> None:
    fuse = next(i for i in assemble("14s8p", current_a=20.0).kit if i.what == "fuse")
    assert "58.8 V DC" in fuse.size
    assert "about 25 A" in fuse.size
    # bench rule: 14s8p of 25 mohm gives 1344 A when full; the invented cells scatter by a few percent
    assert 1270 < float(fuse.size.split("breaks at least ")[1].split(" A")[0]) < 1420


def test_main_lead_drops_by_its_gauge(assemble: Assemble) -> None:
    # ASTM B258, copper of 100 % IACS: AWG 12 has 5.2107 mohm/m, so 20 A drop 104 mV a metre
    lead = next(i for i in assemble("4s3p", current_a=20.0).kit if i.what == "main lead")
    assert "AWG 12 104 mV" in lead.note


@pytest.mark.parametrize(("parallel", "leak_a_ma", "alone"), [(3, 0.53, 4.8), (8, 1.4, 12.9)])
def test_what_a_week_can_show_of_a_leak(parallel: int, leak_a_ma: float, alone: float) -> None:
    # bench rule: 2 mV noise, 4 sigma, 7 days sees 1.6 mV/day of a group, 0.53 mA (3P) or 1.4 mA (8P) with
    # cells of 2.5 Ah, that is a cell which alone loses 4.8 or 12.9 mV/day. The slope behind those currents,
    # 0.95 V per unit of charge, is worked back from them.
    limit = leak_limit(parallel, group_ah=2.5 * parallel, slope_v=0.953)
    assert limit.group_mv_per_day == pytest.approx(1.6, abs=0.02)
    assert limit.cell_mv_per_day == pytest.approx(alone, abs=0.06)
    assert limit.leak_ma == pytest.approx(leak_a_ma, abs=0.02)


def test_contact_rating_and_single_links_are_told_with_the_current(assemble: Assemble) -> None:
    plan = assemble("10s4p", Holder(shape="folded", brick=(5, 8), contact_a=4.0), current_a=20.0)
    words = " ".join(plan.cautions)
    assert "carries all 20 A" in words
    assert "5.00 A through each cell's contact" in words


def test_loads_of_links_come_from_the_network(assemble: Assemble) -> None:
    # bench rule, simulated there: 10s4p, 0.5 mohm links, 20 A: 5.1 A in a link of every column, 14.7 A in end bars
    plan = assemble("10s4p", current_a=20.0)
    assert plan.loads is not None
    assert plan.loads.series_a == pytest.approx(5.1, abs=0.3)
    assert plan.loads.parallel_a == pytest.approx(14.7, abs=0.4)
    assert assemble("10s4p").loads is None


def test_stacking_that_does_not_hold_is_said(assemble: Assemble) -> None:
    # bench rule: the stacking of bars needs a series link in every column to be true
    words = " ".join(assemble("10s4p", Holder.parse("5x8")).cautions)
    assert "fewer links than columns" in words
    assert "fewer links" not in " ".join(assemble("10s4p").cautions)
