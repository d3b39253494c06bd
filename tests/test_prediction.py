"""What a grouped tray makes as a pack."""

from __future__ import annotations

import numpy as np
import pytest

from cellmatch.cells.table import PlacedCells, cell_table
from cellmatch.pack.chemistry import load_chemistry
from cellmatch.pack.limits import Limits
from cellmatch.pack.spec import Pack
from cellmatch.prediction import joining_window_mv, predict_pack, random_weakest_mah

NMC = load_chemistry("nmc")


def grouped(series: int, parallel: int, **columns: object) -> PlacedCells:
    n = series * parallel
    readings: dict[str, object] = {
        "ocv_v": np.full(n, 3.67),
        "capacity_mah": np.full(n, 2500.0),
        "ir_mohm": np.full(n, 25.0),
        "group": np.repeat(np.arange(1, series + 1), parallel),
    }
    readings.update(columns)
    return PlacedCells(cell_table(readings, ids=[f"C{i}" for i in range(n)]))  # type: ignore[arg-type]


def test_thirty_cells_make_a_36_volt_pack_of_7_5_ah() -> None:
    # 30 cells of 2.5 Ah in 10s3p make a 36 V, 7.5 Ah pack (common practice, no source); 36 V counts 3.6 V a cell
    pack = predict_pack(grouped(10, 3), "10s3p", load_chemistry("nca"))
    assert pack.capacity_mah == 7500
    assert pack.nominal_v == pytest.approx(36.0)
    assert pack.energy_wh == pytest.approx(270.0)
    # 10 groups of 25/3 mohm in series
    assert pack.ir_mohm == pytest.approx(83.333, abs=1e-3)
    assert pack.full_v == pytest.approx(42.0)
    assert pack.joining_verdict == "go"


def test_joining_current_above_the_limit_levels_first_though_inside_50_mv() -> None:
    # I = dV (P-1)/(P R) = 0.1·2/(3·0.025) = 2.667 A against 0.5 C of 2.5 Ah = 1.25 A (Kirchhoff's laws)
    pack = predict_pack(grouped(1, 3, ocv_v=[3.72, 3.62, 3.62]), "1s3p", NMC)
    group = pack.groups[0]
    assert group.joining_a == pytest.approx(2.667, abs=1e-3)
    assert group.joining_limit_a == pytest.approx(1.25)
    assert group.joining_cell == "C0"
    assert group.verdict == "level first"
    given = predict_pack(grouped(1, 3, ocv_v=[3.72, 3.62, 3.62]), "1s3p", NMC, Limits(charge_limit_a=4.0))
    assert given.joining_verdict == "go"


def test_the_method_of_resistance_does_not_change_the_joining_current() -> None:
    ocv = [3.70, 3.67, 3.67]
    plain = predict_pack(grouped(1, 3, ocv_v=ocv), "1s3p", NMC)
    as_ac = predict_pack(grouped(1, 3, ocv_v=ocv, ir_method="ac_1khz"), "1s3p", NMC)
    assert plain.groups[0].joining_a == as_ac.groups[0].joining_a
    assert as_ac.ir_method == "ac_1khz"


def test_one_cell_without_resistance_leaves_only_its_group_open() -> None:
    ir = np.full(6, 25.0)
    ir[4] = np.nan
    pack = predict_pack(grouped(2, 3, ir_mohm=ir), "2s3p", NMC)
    assert pack.groups[0].verdict == "go"
    assert pack.groups[1].verdict is None
    assert pack.ir_mohm is None
    assert pack.joining_verdict is None


def test_window_is_the_smaller_of_50_mv_and_half_the_current_limit() -> None:
    # 0.5 C of 2.5 Ah through 25 mohm: 47 mV in all for P = 3, 36 mV for P = 8 (Kirchhoff's laws)
    for parallel, whole_mv in ((3, 46.875), (8, 35.714)):
        half, words = joining_window_mv(grouped(1, parallel), Pack(1, parallel), Limits())
        assert 2 * half == pytest.approx(whole_mv, abs=1e-3)
        assert "1.25 A" in words
    wide, _ = joining_window_mv(grouped(1, 3, ir_mohm=np.full(3, 200.0)), Pack(1, 3), Limits())
    assert wide == 50
    assert joining_window_mv(grouped(1, 3), Pack(1, 3), Limits(join_window_mv=12))[0] == 12
    alone, _ = joining_window_mv(grouped(3, 1), Pack(3, 1), Limits())
    assert alone == 50


def test_random_grouping_loses_what_order_statistics_say() -> None:
    # E[min of S group means] = mean·(1 - c_S·cv/√P), c_13 = 1.66799 (H. A. David and H. N. Nagaraja, Order
    # Statistics, 3rd ed., 2003): 13s4p at cv 5 % loses 4.170 %
    rng = np.random.default_rng(5)
    trays = rng.normal(2500, 125, size=(20_000, 13, 4))
    expected = np.mean([random_weakest_mah(tray, Pack(13, 4)) for tray in trays[:500]])
    assert 1 - expected / 10_000 == pytest.approx(0.04170, abs=5e-4)
    assert trays.sum(axis=2).min(axis=1).mean() == pytest.approx(expected, rel=1e-3)


def test_single_cells_in_series_have_nothing_to_gain() -> None:
    cells = np.array([2400.0, 2500.0, 2600.0])
    assert random_weakest_mah(cells, Pack(3, 1)) == 2400.0
