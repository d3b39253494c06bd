"""Capacity and DC resistance from logs, against published procedures and independently worked values."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

import numpy as np
import pytest

from cellmatch.cells.logs.measure import measure_log
from cellmatch.cells.logs.pulses import two_level_resistance_ohm
from cellmatch.cells.logs.runs import charge_ah

# IEC 61960-3, internal d.c. resistance: 0.2 It for 10 s, at once 1.0 It for 1 s, R = (U1 - U2)/(I2 - I1), each
# voltage at the end of its level (procedure and formula as in three makers' application notes); numbers made up
LOW, HIGH = (3.650, 0.5), (3.580, 2.5)
TWO_LEVELS_MOHM = 35.0


def _log(folder: Path, rows: Iterable[tuple[float, float, float]], name: str = "A1.csv") -> Path:
    path = folder / name
    lines = [f"{t:.3f},{v:.5f},{i:.4f}" for t, v, i in rows]
    path.write_text("time_s,voltage_v,current_a\n" + "\n".join(lines), encoding="utf-8")
    return path


def _falling(
    start_s: float, start_v: float, end_v: float, amps: float, seconds: float, every_s: float
) -> list[tuple[float, float, float]]:
    times = np.arange(0.0, seconds + every_s / 2, every_s)
    volts = np.interp(times, [0.0, seconds], [start_v, end_v])
    return [(start_s + t, v, amps) for t, v in zip(times.tolist(), volts.tolist(), strict=True)]


def test_two_level_formula() -> None:
    found = two_level_resistance_ohm(LOW[0], HIGH[0], LOW[1], HIGH[1])
    assert found * 1000 == pytest.approx(TWO_LEVELS_MOHM, abs=1e-9)


def test_two_levels_found_in_a_log(tmp_path: Path) -> None:
    rest = [(float(t), 3.700, 0.0) for t in range(0, 300, 10)]
    low = _falling(300.0, 3.680, LOW[0], LOW[1], 10.0, 0.1)
    high = _falling(310.1, 3.600, HIGH[0], HIGH[1], 1.0, 0.1)
    after = [(311.2 + t, 3.69, 0.0) for t in range(0, 300, 10)]
    discharge = _falling(620.0, 3.67, 3.0, 0.5, 17_000.0, 10.0)
    found = measure_log(_log(tmp_path, [*rest, *low, *high, *after, *discharge]))
    assert found["ir_mohm"].iloc[0] == pytest.approx(TWO_LEVELS_MOHM, abs=1e-6)
    assert found["ir_method"].iloc[0] == "dc_1s"
    assert found["ir_ocv_v"].iloc[0] == 3.700


# Retired NMC cell, 5 s pulses from rest at 3.8526 V: 1.05 A -> 3.8284 V, 2.10 A -> 3.8073 V (open pulse data,
# repository Pulse-Voltage-Response-Generation, MIT licence, cell D3-100); resistances computed independently.
# One cell, two definitions, 7 % apart: the method has to stay with the number.
REST_V, ONE_C, TWO_C = 3.8526, (3.8284, 1.05), (3.8073, 2.10)


def test_two_definitions_differ_by_seven_percent_on_one_real_cell() -> None:
    between = two_level_resistance_ohm(ONE_C[0], TWO_C[0], ONE_C[1], TWO_C[1]) * 1000
    from_rest = two_level_resistance_ohm(REST_V, TWO_C[0], 0.0, TWO_C[1]) * 1000
    assert between == pytest.approx(20.10, abs=0.005)
    assert from_rest == pytest.approx(21.57, abs=0.005)
    assert from_rest / between == pytest.approx(1.07, abs=0.005)


def test_a_five_second_pulse_from_rest_is_read_as_one(tmp_path: Path) -> None:
    rest = [(float(t), REST_V, 0.0) for t in range(120)]
    pulse = [(119.0 + t, TWO_C[0], TWO_C[1]) for t in np.arange(0.1, 5.05, 0.1).tolist()]
    after = [(124.1 + t, REST_V, 0.0) for t in range(600)]
    discharge = _falling(800.0, 3.80, 3.0, 0.42, 17_000.0, 10.0)
    cells = measure_log(_log(tmp_path, [*rest, *pulse, *after, *discharge]))
    assert cells["ir_mohm"].iloc[0] == pytest.approx(21.57, abs=0.005)
    assert (cells["ir_method"].iloc[0], cells["ir_how"].iloc[0]) == ("dc_5s", "step from rest")


# Irregular log at a steady 0.5 A, worked by hand: 0.5 A × 17400 s / 3600 = 2.416667 Ah; eight rows times the
# first period would give 0.67 Ah
IRREGULAR_S = np.array([0.0, 600, 1200, 3600, 7200, 10800, 14400, 17400])


def test_charge_goes_by_time_stamps() -> None:
    assert charge_ah(IRREGULAR_S, np.full(8, 0.5)) == pytest.approx(2.416667, abs=5e-7)


def test_an_irregular_log_is_measured_whole(tmp_path: Path) -> None:
    volts = np.interp(IRREGULAR_S, [0, 17400], [4.1, 3.0])
    path = _log(tmp_path, zip(IRREGULAR_S.tolist(), volts.tolist(), [0.5] * 8, strict=True))
    assert measure_log(path)["capacity_mah"].iloc[0] == pytest.approx(2416.667, abs=5e-4)


@pytest.mark.parametrize("every_s", [1.0, 10.0, 60.0])
def test_the_end_voltage_is_interpolated(tmp_path: Path, every_s: float) -> None:
    # voltage falls by 1.1 V in 17400 s; 3.05 V is crossed at 17400·(4.1 - 3.05)/1.1 s. Not interpolating would
    # leave an error of up to I·dt/3600
    rows = _falling(0.0, 4.1, 3.0, 0.5, 17_400.0, every_s)
    exact_ah = 0.5 * 17_400 * (4.1 - 3.05) / 1.1 / 3600
    found_ah = measure_log(_log(tmp_path, rows), end_v=3.05)["capacity_mah"].iloc[0] / 1000
    assert found_ah == pytest.approx(exact_ah, abs=1e-5)
    last_row_ah = 0.5 * np.ceil(exact_ah * 7200 / every_s) * every_s / 3600
    assert abs(last_row_ah - exact_ah) <= 0.5 * every_s / 3600 + 1e-9


def test_charge_over_discharge_outside_two_percent_is_noticed(tmp_path: Path) -> None:
    # coulombic ratio outside 0.98 to 1.02: a broken log or a leaking cell (common practice, no source)
    def cycle(ratio: float) -> list[tuple[float, float, float]]:
        first = _falling(0.0, 4.1, 3.0, 0.5, 17_000.0, 20.0)
        charge = _falling(17_100.0, 3.1, 4.15, -0.5 * ratio, 17_000.0, 20.0)
        return [*first, *charge, *_falling(34_200.0, 4.1, 3.0, 0.5, 17_000.0, 20.0)]

    for ratio, noticed in ((1.0, False), (1.015, False), (1.03, True), (0.97, True)):
        cells = measure_log(_log(tmp_path, cycle(ratio)))
        warnings = "\n".join(cells.attrs["measuring"].warnings)
        assert ("as much was charged" in warnings) is noticed, ratio
