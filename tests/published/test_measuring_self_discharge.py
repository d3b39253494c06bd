"""Self-discharge and resistance across voltages, against published and independently worked values."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from cellmatch.cells.worth.comparable import DC_OVER_AC, resistance_ocv_notes
from cellmatch.cells.worth.self_discharge import leak_ma, least_rest_days, self_discharge
from cellmatch.errors import CellmatchError
from cellmatch.pack.chemistry import load_chemistry

# 2.5 Ah NMC at 9.589 mV per % of charge (slope at 50 % of the parameter set of Chen et al. 2020, J. Electrochem.
# Soc. 167:080534, computed with an open battery model): leak of a given loss, computed independently
NMC_SLOPE_V = 0.9589
LEAKS = [(2.0, 217.3), (5.0, 543.0)]


@pytest.mark.parametrize(("mv_per_day", "leak_ua"), LEAKS)
def test_leak_of_a_25_ah_cell(mv_per_day: float, leak_ua: float) -> None:
    found = leak_ma(np.array(mv_per_day), np.array(NMC_SLOPE_V), np.array(2500.0))
    assert float(found) * 1000 == pytest.approx(leak_ua, abs=0.5)


def test_what_a_one_millivolt_meter_leaves_unknown_after_a_week() -> None:
    # computed independently: ±1 mV over 7 days is ±15.5 µA, of the size of a healthy cell's leak
    unknown = leak_ma(np.array(1.0 / 7.0), np.array(NMC_SLOPE_V), np.array(2500.0))
    assert float(unknown) * 1000 == pytest.approx(15.5, abs=0.05)
    healthy_mv_per_day = 2.0 * 15.5 / 217.3
    assert least_rest_days(0.001, healthy_mv_per_day) == pytest.approx(14.0, abs=0.1)  # weeks for a good cell
    assert least_rest_days(0.001, 2.0 * 100 / 217.3) < 7.0  # a week finds a leak of 100 µA


def test_millivolts_per_day_and_per_hour_are_one_figure() -> None:
    # one vendor's factory limits, below 2 mV/d or 0.08 mV/h: 0.08 × 24 = 1.92
    first = pd.DataFrame({"ocv_v": [3.7], "tested_at": ["2026-03-01T00:00"]}, index=["A"])
    second = pd.DataFrame({"ocv_v": [3.7 - 0.00008 * 50], "tested_at": ["2026-03-03T02:00"]}, index=["A"])
    assert self_discharge(first, second).mv_per_day[0] == pytest.approx(1.92)


def test_two_millivolts_a_day_on_a_flat_curve_would_be_four_percent() -> None:
    # computed independently: LFP at 0.5 mV per %: 2 mV/d would be 4 % of the charge a day
    per_day_mah = float(leak_ma(np.array(2.0), np.array(0.05), np.array(2500.0))) * 24
    assert per_day_mah / 2500 == pytest.approx(0.04)


def test_flat_range_is_refused() -> None:
    first = pd.DataFrame({"ocv_v": [3.300], "tested_at": ["2026-03-01"]}, index=["A"])
    second = pd.DataFrame({"ocv_v": [3.298], "tested_at": ["2026-03-08"]}, index=["A"])
    assert "A" in self_discharge(first, second, chemistry=load_chemistry("lfp")).refused


def test_equal_dates_are_an_error_for_the_cell_not_for_the_program() -> None:
    one = pd.DataFrame({"ocv_v": [3.7], "tested_at": ["2026-03-01"]}, index=["A"])
    assert "same date" in self_discharge(one, one).refused["A"]
    with pytest.raises(CellmatchError):
        self_discharge(one.drop(columns="ocv_v"), one)


def test_dc_is_more_than_ac_by_the_range_said() -> None:
    # Instant over 5 s DC resistance, mean over cells at 30 % of nominal, four sets of retired cells: LMO 10 Ah,
    # NMC 21 Ah, LFP 35 Ah, NMC 18650 (computed independently from open pulse data)
    instant_share = np.array([0.60, 0.70, 0.74, 0.57])
    assert (1 / instant_share).min() >= DC_OVER_AC[0]
    assert (1 / instant_share).max() <= DC_OVER_AC[1]


def test_resistance_read_at_one_charge_of_unequal_cells_is_warned_about(shared: Path) -> None:
    # 67 rows of retired 18650 cells (open pulse data, MIT licence; computed independently): read at the same Ah
    # above empty, capacity and 5 s resistance correlate by +0.51; at the same voltage by -0.89. So resistances
    # read at different voltages can turn an order round, and must not pass without a word.
    rows = pd.read_csv(shared / "data" / "retired_cells_270_pulse.csv")
    rows = rows[rows["set"] == "2.1Ah NMC"]
    assert len(rows) == 67
    assert np.corrcoef(rows["q_ah"], rows["r_dis_1c_5s_mohm"])[0, 1] == pytest.approx(0.51, abs=0.005)
    cells = pd.DataFrame(
        {"ocv_v": rows["ocv_at_30pct_nom_v"].to_numpy(), "ir_mohm": rows["r_dis_1c_5s_mohm"].to_numpy()},
        index=[str(i) for i in range(len(rows))],
    )
    assert "bring all cells to one voltage" in resistance_ocv_notes(cells, load_chemistry("nmc"))[0]
