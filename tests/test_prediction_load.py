"""A placed pack under load: closed forms, ranges, limits and what is said where something is missing."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from cellmatch.build.placement import place_cells
from cellmatch.cells.table import GroupedCells, PlacedCells, cell_table
from cellmatch.errors import ArgumentInvalid, JobError
from cellmatch.pack.chemistry import load_chemistry
from cellmatch.pack.holder import Holder
from cellmatch.pack.spec import Pack
from cellmatch.prediction import LoadCase, Prediction, predict_pack

NMC = load_chemistry("nmc")
THIN = 1e-6  # mohm: links that count as nothing


def placed(series: int, parallel: int, **columns: Any) -> PlacedCells:
    n = series * parallel
    readings: dict[str, Any] = {
        "ocv_v": np.full(n, 3.67),
        "capacity_mah": np.full(n, 2500.0),
        "ir_mohm": np.full(n, 25.0),
        "ir_method": "dc_10s",
        "group": np.repeat(np.arange(1, series + 1), parallel),
    }
    readings.update(columns)
    cells = GroupedCells(cell_table(readings, ids=[f"C{i:02d}" for i in range(n)]))  # type: ignore[arg-type]
    return place_cells(cells, Pack(series, parallel))


def predict(cells: PlacedCells, pack: str, **case: Any) -> Prediction:
    return predict_pack(cells, pack, NMC, case=LoadCase(**case))


def test_equal_cells_share_equally_and_sag_by_ohms_law() -> None:
    load = predict(placed(3, 4), "3s4p", current_a=10.0, link_mohm=THIN).load
    assert load is not None
    # 3 groups of 25/4 mohm at 10 A: 0.1875 V (Ohm's law)
    assert load.sag_v == pytest.approx((0.1875, 0.1875), rel=1e-4)
    assert [cell.first_a for cell in load.cells] == pytest.approx([2.5] * 12, rel=1e-4)
    assert load.uneven == pytest.approx(1.0, abs=1e-4)
    # I²R = 2.5²·0.025 W in each cell (Joule's law)
    assert load.cells[0].heat_w == pytest.approx((0.15625, 0.15625), rel=1e-3)
    assert load.findings == ()


def test_a_measured_ac_resistance_gives_ranges() -> None:
    load = predict(placed(3, 4, ir_method="ac_1khz"), "3s4p", current_a=10.0, link_mohm=THIN).load
    assert load is not None
    low, high = load.sag_v
    assert high / low == pytest.approx(1.8 / 1.3, rel=1e-3)
    assert load.usable_ah[0] < load.usable_ah[1] <= 10.0
    assert load.rise_k[0] < load.rise_k[1]


def test_a_cell_of_high_resistance_carries_least_at_first_and_most_at_the_end() -> None:
    # equal capacities, one cell 50 % higher in resistance: 0.727 of the mean at load-on by conductance
    # (1/1.5)/((3 + 1/1.5)/4); later the shares drift to the capacities, so that it comes last and carries most
    load = predict(placed(1, 4, ir_mohm=[25, 25, 25, 37.5]), "1s4p", current_a=10.0, link_mohm=THIN).load
    assert load is not None
    last = load.cells[3]
    assert last.first_a == pytest.approx(0.727 * 2.5, rel=1e-3)
    assert last.most_a > 1.2 * 2.5
    assert last.most_a == max(cell.most_a for cell in load.cells)


def test_links_and_take_off_make_the_load_uneven() -> None:
    load = predict(placed(2, 8), "2s8p", current_a=40.0, link_mohm=1.0).load
    assert load is not None
    assert load.uneven > 1.10
    assert any("taken off" in finding for finding in load.findings)


def test_limits_are_held_against_the_largest_current_of_the_run() -> None:
    cells = placed(1, 4, ir_mohm=[25, 25, 25, 37.5])
    load = predict(cells, "1s4p", current_a=10.0, cell_a=2.9, link_mohm=THIN).load
    assert load is not None
    assert any("continuous limit not kept by C03" in finding for finding in load.findings)
    peak = predict(cells, "1s4p", current_a=10.0, peak_a=30.0, cell_peak_a=8.0, link_mohm=THIN).load
    assert peak is not None
    assert any("peak limit not kept" in finding for finding in peak.findings)


def test_a_load_no_split_can_carry_stops_the_job() -> None:
    with pytest.raises(JobError):
        predict(placed(3, 4), "3s4p", current_a=50.0, cell_a=10.0)
    with pytest.raises(JobError):
        predict(placed(3, 4), "3s4p", current_a=5000.0)


def test_power_and_current_agree_at_the_mean_voltage() -> None:
    by_power = predict(placed(3, 4), "3s4p", power_w=108.0, link_mohm=THIN).load
    assert by_power is not None
    assert by_power.usable_wh[0] == pytest.approx(108.0 * by_power.hours[0], rel=1e-3)


def test_in_order_means_the_order_of_the_file() -> None:
    # strong cells first, weak last: in the order of the file the last group is all weak
    capacity = np.repeat([2600.0, 2500.0, 2400.0], 3)
    cells = placed(3, 3, capacity_mah=capacity, group=[1, 2, 3, 1, 2, 3, 1, 2, 3])
    load = predict(cells, "3s3p", current_a=3.0, link_mohm=THIN).load
    assert load is not None
    assert load.in_order_ah == pytest.approx(7.2, rel=0.02)
    assert load.usable_ah[0] == pytest.approx(7.5, rel=0.02)
    assert load.random_ah is not None
    assert load.in_order_ah is not None
    assert load.in_order_ah < load.random_ah < load.usable_ah[0]


def test_what_is_missing_is_said() -> None:
    without = predict(placed(2, 2, ir_mohm=np.nan), "2s2p", current_a=5.0)
    assert without.load is None
    assert "no resistance given" in " ".join(without.notes)
    lto = predict_pack(placed(2, 2, ocv_v=2.3), "2s2p", load_chemistry("lto"), case=LoadCase(current_a=5.0))
    assert lto.load is None
    assert "no curve" in " ".join(lto.notes)
    idle = predict_pack(placed(2, 2), "2s2p", NMC)
    assert idle.load is None
    assert "no load given" in " ".join(idle.notes)


@pytest.mark.parametrize(
    "case",
    [{}, {"current_a": 5.0, "power_w": 5.0}, {"current_a": -1.0}, {"power_w": 0.0}, {"current_a": 5.0, "cell_a": -2}],
)
def test_loads_that_cannot_be_meant(case: dict[str, float]) -> None:
    with pytest.raises(ArgumentInvalid):
        LoadCase(**case)


def test_short_circuit_of_the_full_pack() -> None:
    # 14s8p of 25 mohm, links ignored: 14·4.2 V/(14·25/8 mohm) = 1344 A (Ohm's law)
    short = predict_pack(placed(14, 8), "14s8p", NMC).short
    assert short is not None
    assert short.pack_a == pytest.approx(1344.0)
    assert short.pack_v == pytest.approx(58.8)
    assert "58.8 V" in short.words


def test_balance_of_groups_at_different_charge() -> None:
    even = predict_pack(placed(3, 2), "3s2p", NMC).balance
    assert even is not None
    assert even.usable_ah == pytest.approx(even.balanced_ah)
    assert even.charge_alone == ()
    apart = predict_pack(placed(3, 2, ocv_v=[3.67, 3.67, 3.60, 3.60, 3.67, 3.67]), "3s2p", NMC).balance
    assert apart is not None
    assert apart.usable_ah < apart.balanced_ah
    assert [group for group, _ in apart.charge_alone] == [2]
    flat = predict_pack(placed(2, 2, ocv_v=3.30), "2s2p", load_chemistry("lfp"))
    assert flat.balance is None
    assert "not shown by voltage" in " ".join(flat.notes)


def test_settling_moves_charge_from_high_to_low() -> None:
    cells = placed(2, 3, ocv_v=[3.72, 3.62, 3.62, 3.67, 3.67, 3.67])
    settling = predict_pack(cells, "2s3p", NMC, holder=Holder()).settling
    assert [s.group for s in settling] == [1]
    assert 3.62 < settling[0].ocv_v < 3.72
    assert settling[0].moved_mah > 0
    assert settling[0].heat_j > 0
