"""Capacity, energy, rest voltages and resistance from logs of a simulated cell."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

from cellmatch.cells.logs.measure import measure_log
from cellmatch.errors import ArgumentInvalid, FileAmbiguous, FileUnusable
from tests.cells.logged_cell import FULL_TEST, Cell, Logged, Step, as_csv, simulate

CHARGE = Step(-0.5, 25_000.0, 4.215)


def _write(folder: Path, log: Logged, name: str = "A1.csv", **how: int) -> Path:
    path = folder / name
    path.write_text(as_csv(log, **how), encoding="utf-8")
    return path


def _cell(cells: pd.DataFrame, name: str = "A1") -> dict[str, Any]:
    assert list(cells.index) == [name]
    return {str(column): cells[column].iloc[0] for column in cells.columns}


def _column(cells: pd.DataFrame, column: str) -> dict[str, Any]:
    return dict(zip(cells.index, cells[column], strict=True))


def _true_ah(log: Logged, end_v: float) -> float:
    """Return what really came out down to `end_v`, from a fine log."""
    below = np.flatnonzero((log.current_a > 0) & (log.voltage_v <= end_v))
    began = log.time_s[np.flatnonzero(log.current_a > 0)[0]]
    return float((log.time_s[below[0]] - began) * 0.5 / 3600.0)


@pytest.mark.parametrize(("every_s", "jitter_s"), [(1.0, 0.0), (10.0, 0.0), (1.0, 0.3), (10.0, 3.0)])
def test_capacity_of_a_known_cell(tmp_path: Path, every_s: float, jitter_s: float) -> None:
    log = simulate(Cell(), FULL_TEST, every_s=every_s, jitter_s=jitter_s)
    fine = simulate(Cell(), FULL_TEST, every_s=0.1)
    path = _write(tmp_path, log)
    # an unsynchronised row leaves at most one interval open at each end: I·dt/3600
    open_ah = 0.5 * every_s / 3600.0
    stopped = _cell(measure_log(path))
    assert stopped["capacity_mah"] / 1000 == pytest.approx(log.discharged_ah, abs=2 * open_ah)
    for end_v in (2.8, 3.0, 3.3):
        found = _cell(measure_log(path, end_v=end_v))
        assert found["capacity_mah"] / 1000 == pytest.approx(_true_ah(fine, end_v), abs=1.1 * open_ah), end_v
        assert found["end_v"] == end_v


@pytest.mark.parametrize(
    ("every_s", "jitter_s", "within"),
    [(1.0, 0.0, 0.02), (1.0, 0.3, 0.02), (10.0, 0.0, 0.10), (10.0, 3.0, 0.12)],
)
def test_resistance_of_a_known_cell(tmp_path: Path, every_s: float, jitter_s: float, within: float) -> None:
    cell = Cell()
    found = _cell(measure_log(_write(tmp_path, simulate(cell, FULL_TEST, every_s=every_s, jitter_s=jitter_s))))
    # after 10 s at 0.5 A: R0 + R1(1 - exp(-10/20)), and what the rest voltage fell meanwhile (1.6 V per unit)
    slide = 1.6 * 10 / 3600 / cell.capacity_ah
    expected = cell.r0_ohm + cell.r1_ohm * (1 - np.exp(-10 / cell.tau_s)) + slide
    assert found["ir_mohm"] == pytest.approx(1000 * expected, rel=within)
    assert (found["ir_method"], found["ir_how"]) == ("dc_10s", "step from rest")
    assert found["ir_ocv_v"] == pytest.approx(4.2, abs=0.001)


def test_two_levels_are_preferred_where_they_are_there(tmp_path: Path) -> None:
    cell = Cell()
    steps = (Step(0.0, 300.0), Step(0.5, 10.0), Step(2.5, 1.0), Step(0.0, 600.0), *FULL_TEST[1:])
    found = _cell(measure_log(_write(tmp_path, simulate(cell, steps, every_s=0.1))))
    # in the second at 1 It the slow branch goes from 1 - e^(-0.5) of R1·0.5 A towards R1·2.5 A
    start = 0.5 * cell.r1_ohm * (1 - np.exp(-0.5))
    slow = 2.5 * cell.r1_ohm + (start - 2.5 * cell.r1_ohm) * np.exp(-1 / cell.tau_s)
    slide = 1.6 * 2.5 / 3600 / cell.capacity_ah
    expected = cell.r0_ohm + (slow - start + slide) / 2.0
    assert (found["ir_method"], found["ir_how"]) == ("dc_1s", "two levels")
    assert found["ir_mohm"] == pytest.approx(1000 * expected, rel=0.005)


def test_a_log_without_a_rest_before_has_no_resistance_and_says_so(tmp_path: Path) -> None:
    cells = measure_log(_write(tmp_path, simulate(Cell(), FULL_TEST[1:], every_s=1.0)))
    assert "ir_mohm" not in cells.columns
    warnings = "\n".join(cells.attrs["measuring"].warnings)
    assert "no log has a clean current step" in warnings
    assert "begins under load" in warnings


def test_a_short_rest_after_current_is_no_base_for_a_step(tmp_path: Path) -> None:
    steps = (Step(-0.5, 600.0), Step(0.0, 20.0), *FULL_TEST[1:])
    cells = measure_log(_write(tmp_path, simulate(Cell(), steps, soc=0.95)))
    assert "ir_mohm" not in cells.columns


def test_rest_voltages_and_what_the_cell_is_now(tmp_path: Path) -> None:
    log = simulate(Cell(), FULL_TEST)
    found = _cell(measure_log(_write(tmp_path, log)))
    assert found["ocv_start_v"] == pytest.approx(log.voltage_v[119], abs=1e-4)
    assert found["ocv_end_v"] == pytest.approx(log.voltage_v[-1], abs=1e-4)
    assert found["ocv_v"] == found["ocv_end_v"]
    assert found["rested_h"] == pytest.approx(0.5, abs=0.01)
    assert found["last_direction"] == "discharged"


def test_no_rest_at_the_end_leaves_the_open_circuit_voltage_open(tmp_path: Path) -> None:
    cells = measure_log(_write(tmp_path, simulate(Cell(), FULL_TEST[:2])))
    assert np.isnan(_cell(cells)["ocv_v"])
    assert "read the open-circuit voltage" in "\n".join(cells.attrs["measuring"].warnings)


def test_energy_is_the_integral_of_power(tmp_path: Path) -> None:
    fine = simulate(Cell(), FULL_TEST, every_s=0.1)
    pulling = fine.current_a > 0
    expected_wh = np.trapezoid(fine.voltage_v[pulling] * 0.5, fine.time_s[pulling]) / 3600
    found = _cell(measure_log(_write(tmp_path, simulate(Cell(), FULL_TEST))))
    assert found["energy_wh"] == pytest.approx(expected_wh, rel=2e-4)


def test_discharge_may_be_positive_or_negative_in_the_file(tmp_path: Path) -> None:
    steps = (*FULL_TEST, CHARGE, Step(0.0, 600.0))
    log = simulate(Cell(), steps, every_s=5.0)
    minus, plus = _write(tmp_path, log, "minus.csv", sign=-1), _write(tmp_path, log, "plus.csv", sign=1)
    cells = measure_log(minus, plus)
    capacity_mah = _column(cells, "capacity_mah")
    assert capacity_mah["minus"] == pytest.approx(capacity_mah["plus"])
    assert capacity_mah["minus"] / 1000 == pytest.approx(log.discharged_ah, rel=1e-3)
    said = "\n".join(cells.attrs["measuring"].assumptions)
    assert "minus.csv: discharge currents are negative" in said
    assert "plus.csv: discharge currents are positive" in said
    assert list(cells["last_direction"]) == ["charged", "charged"]


def test_charge_is_never_counted_as_capacity(tmp_path: Path) -> None:
    log = simulate(Cell(), (Step(0.0, 300.0), CHARGE, Step(0.0, 300.0)), soc=0.0)
    with pytest.raises(FileUnusable, match="no discharge in it"):
        measure_log(_write(tmp_path, log))


def test_the_last_complete_discharge_counts_unless_another_is_asked_for(tmp_path: Path) -> None:
    weak = (Step(0.0, 120.0), Step(0.5, 25_000.0, 3.0), Step(0.0, 300.0), CHARGE, Step(0.0, 300.0))
    part = (Step(0.5, 1200.0), Step(0.0, 300.0))
    log = simulate(Cell(), (*FULL_TEST, CHARGE, Step(0.0, 300.0), *weak, *part), every_s=5.0)
    path = _write(tmp_path, log)
    found = {cycle: _cell(measure_log(path, cycle=cycle))["capacity_mah"] for cycle in ("first", "last", 1, "2")}
    assert found["first"] == found[1]
    assert found["last"] == found["2"]
    assert found["first"] > found["last"] + 20
    every = measure_log(path).attrs["measuring"].discharges
    assert [(item.cycle, item.used) for item in every] == [("1", False), ("2", True), ("3", False)]
    with pytest.raises(FileUnusable, match="called cycle 7; found: 1, 2, 3"):
        measure_log(path, cycle=7)


def test_a_leaking_or_broken_cycle_is_noticed_by_its_coulombic_ratio(tmp_path: Path) -> None:
    log = simulate(Cell(), (*FULL_TEST, CHARGE, Step(0.0, 300.0), *FULL_TEST[1:]), every_s=5.0)
    clean = "\n".join(measure_log(_write(tmp_path, log)).attrs["measuring"].warnings)
    assert "as much was charged" not in clean
    charging = log.current_a < 0
    broken = Logged(log.time_s, log.voltage_v, np.where(charging, 1.06 * log.current_a, log.current_a), 0.0)
    warnings = "\n".join(measure_log(_write(tmp_path, broken)).attrs["measuring"].warnings)
    assert "1.06" in warnings
    assert "as much was charged" in warnings


def test_rests_and_pulses_inside_a_discharge_belong_to_it(tmp_path: Path) -> None:
    steps = [Step(0.0, 120.0)]
    for _ in range(9):
        steps += [Step(0.5, 1700.0), Step(0.0, 600.0), Step(-0.5, 10.0), Step(0.0, 60.0)]
    log = simulate(Cell(), (*steps, Step(0.5, 25_000.0, 2.8), Step(0.0, 600.0)), every_s=2.0)
    cells = measure_log(_write(tmp_path, log))
    assert len(cells.attrs["measuring"].discharges) == 1
    # net of the nine pulses of 10 s at 0.5 A
    assert _cell(cells)["capacity_mah"] / 1000 == pytest.approx(log.discharged_ah - 9 * 0.5 * 10 / 3600, rel=1e-3)


def test_rest_rows_written_seldom_don_t_add_charge(tmp_path: Path) -> None:
    log = simulate(Cell(), FULL_TEST, every_s=1.0)
    resting = log.current_a == 0
    keep = ~resting | (np.arange(len(resting)) % 100 == 0)
    thin = Logged(log.time_s[keep], log.voltage_v[keep], log.current_a[keep], log.discharged_ah)
    found = _cell(measure_log(_write(tmp_path, thin)))
    assert found["capacity_mah"] / 1000 == pytest.approx(log.discharged_ah, abs=0.5 * 2 / 3600)


def test_a_gap_that_matters_is_refused_with_its_line(tmp_path: Path) -> None:
    log = simulate(Cell(), FULL_TEST, every_s=1.0)
    gap = (log.time_s > 5000) & (log.time_s < 7000)
    path = _write(tmp_path, Logged(log.time_s[~gap], log.voltage_v[~gap], log.current_a[~gap], 0.0))
    with pytest.raises(FileUnusable, match=r"line 5002: 2000 s without a row while current flowed"):
        measure_log(path)


def test_a_log_that_is_silent_at_the_end_of_the_discharge_needs_an_end_voltage(tmp_path: Path) -> None:
    log = simulate(Cell(), FULL_TEST, every_s=5.0)
    down_to_3_v = int(np.flatnonzero((log.current_a > 0) & (log.voltage_v <= 3.0))[1])
    keep = np.append(np.arange(down_to_3_v), len(log.time_s) - 1)
    path = _write(tmp_path, Logged(log.time_s[keep], log.voltage_v[keep], log.current_a[keep], 0.0))
    with pytest.raises(FileUnusable, match="when the discharge stopped is not known"):
        measure_log(path)
    assert _cell(measure_log(path, end_v=3.0))["capacity_mah"] == pytest.approx(2392, abs=3)


def test_a_discharge_that_ends_far_from_empty_is_warned_about(tmp_path: Path) -> None:
    log = simulate(Cell(), (Step(0.0, 120.0), Step(0.5, 6000.0), Step(0.0, 120.0)), every_s=5.0)
    assert "not its capacity" in "\n".join(measure_log(_write(tmp_path, log)).attrs["measuring"].warnings)


def test_a_small_gap_is_bridged(tmp_path: Path) -> None:
    log = simulate(Cell(), FULL_TEST, every_s=1.0)
    gap = (log.time_s > 5000) & (log.time_s < 5100)
    path = _write(tmp_path, Logged(log.time_s[~gap], log.voltage_v[~gap], log.current_a[~gap], 0.0))
    assert _cell(measure_log(path))["capacity_mah"] / 1000 == pytest.approx(log.discharged_ah, abs=0.001)


def test_a_discharge_that_stops_above_the_end_voltage_is_refused(tmp_path: Path) -> None:
    path = _write(tmp_path, simulate(Cell(), FULL_TEST))
    with pytest.raises(FileUnusable, match=r"stops at 2\.801 V and never reaches the end voltage of 2\.500 V"):
        measure_log(path, end_v=2.5)


def test_one_bad_log_among_good_ones_makes_that_cell_a_reject(tmp_path: Path) -> None:
    good = _write(tmp_path, simulate(Cell(), FULL_TEST), "good.csv")
    short = _write(tmp_path, simulate(Cell(), (Step(0.0, 120.0), Step(0.5, 3600.0), Step(0.0, 300.0))), "short.csv")
    cells = measure_log(good, short, end_v=3.0)
    assert _column(cells, "problems")["good"] == ()
    assert np.isnan(_column(cells, "capacity_mah")["short"])
    (problem,) = _column(cells, "problems")["short"]
    assert "short.csv line" in problem
    assert "3.000 V" in problem


def test_a_single_glitch_below_the_end_voltage_is_not_the_end(tmp_path: Path) -> None:
    log = simulate(Cell(), FULL_TEST)
    volts = log.voltage_v.copy()
    volts[4000] = 0.0
    clean = _cell(measure_log(_write(tmp_path, log), end_v=3.0))
    found = _cell(measure_log(_write(tmp_path, Logged(log.time_s, volts, log.current_a, 0.0)), end_v=3.0))
    assert found["capacity_mah"] == pytest.approx(clean["capacity_mah"])


def test_unlike_end_and_start_voltages_are_warned_about(tmp_path: Path) -> None:
    one = _write(tmp_path, simulate(Cell(), FULL_TEST), "one.csv")
    steps = (Step(0.0, 120.0), Step(0.5, 25_000.0, 3.0), Step(0.0, 600.0))
    two = _write(tmp_path, simulate(Cell(), steps, soc=0.9), "two.csv")
    warnings = "\n".join(measure_log(one, two).attrs["measuring"].warnings)
    assert "--end-v 3.00" in warnings
    assert "two at 4.100 V: were they full?" in warnings
    assert "not one scale" not in "\n".join(measure_log(one, two, end_v=3.0).attrs["measuring"].warnings)


def test_unlike_and_fast_discharge_currents_are_warned_about(tmp_path: Path) -> None:
    slow = _write(tmp_path, simulate(Cell(), FULL_TEST, every_s=5.0), "slow.csv")
    fast = (Step(0.0, 120.0), Step(2.5, 9000.0, 2.8), Step(0.0, 600.0))
    both = measure_log(slow, _write(tmp_path, simulate(Cell(), fast, every_s=5.0), "fast.csv"))
    warnings = "\n".join(both.attrs["measuring"].warnings)
    assert "ran at 0.5 to 2.5 A" in warnings
    assert "usually given at 0.2 C" in warnings
    assert "0.2 C" not in "\n".join(measure_log(slow).attrs["measuring"].warnings)


def test_two_files_of_one_name_are_not_one_cell(tmp_path: Path) -> None:
    paths = []
    for folder in ("slot1", "slot2"):
        (tmp_path / folder).mkdir()
        paths.append(_write(tmp_path / folder, simulate(Cell(), FULL_TEST, every_s=10.0), "log.csv"))
    with pytest.raises(FileAmbiguous, match=r"log\.csv: stands more than once and does not name its cell"):
        measure_log(*paths)


def test_a_row_averaged_over_the_step_does_not_hide_it(tmp_path: Path) -> None:
    log = simulate(Cell(), FULL_TEST, every_s=1.0)
    first = int(np.flatnonzero(log.current_a > 0)[0])
    current, volts = log.current_a.copy(), log.voltage_v.copy()
    current[first] /= 2
    volts[first] = (volts[first - 1] + volts[first]) / 2
    found = _cell(measure_log(_write(tmp_path, Logged(log.time_s, volts, current, 0.0))))
    assert found["ir_mohm"] == pytest.approx(35.7, rel=0.03)
    assert found["ir_method"] == "dc_10s"


def test_a_nearly_dead_cell_is_a_reading_and_not_a_wrong_unit(tmp_path: Path) -> None:
    paths = [_write(tmp_path, simulate(Cell(), FULL_TEST, every_s=10.0), f"C{i}.csv") for i in range(2)]
    dead = (Step(0.0, 120.0), Step(0.5, 25_000.0, 2.8), Step(0.0, 600.0))
    paths.append(_write(tmp_path, simulate(Cell(capacity_ah=0.03), dead, every_s=1.0), "dead.csv"))
    capacity_mah = _column(measure_log(*paths), "capacity_mah")
    assert capacity_mah["dead"] == pytest.approx(29, abs=2)


def test_an_unsteady_current_is_said(tmp_path: Path) -> None:
    steps = (Step(0.0, 120.0), Step(0.5, 9000.0), Step(1.0, 25_000.0, 2.8))
    warnings = "\n".join(measure_log(_write(tmp_path, simulate(Cell(), steps))).attrs["measuring"].warnings)
    assert "not steady (0.5 to 1 A)" in warnings


def test_cells_and_cycles_by_column(tmp_path: Path) -> None:
    rows = ["cell,cycle,time (s),U (V),I (A)"]
    true = {}
    for name, capacity in (("0012", 2.5), ("1E5", 2.3)):
        log = simulate(Cell(capacity_ah=capacity), FULL_TEST, every_s=10.0)
        true[name] = log.discharged_ah
        rows += [
            f"{name},3,{t:.1f},{v:.4f},{i:.3f}"
            for t, v, i in zip(log.time_s, log.voltage_v, log.current_a, strict=True)
        ]
    path = tmp_path / "both.csv"
    path.write_text("\n".join(rows), encoding="utf-8")
    cells = measure_log(path)
    assert list(cells.index) == ["0012", "1E5"]
    assert list(cells["cycle"]) == ["3", "3"]
    for name, ah in true.items():
        assert _column(cells, "capacity_mah")[name] / 1000 == pytest.approx(ah, rel=1e-3)


def test_one_cell_in_two_files_is_one_row(tmp_path: Path) -> None:
    def written(name: str, steps: tuple[Step, ...], every_s: float) -> Path:
        path = tmp_path / name
        path.write_text("Cell ID,K7\n" + as_csv(simulate(Cell(), steps, every_s=every_s)), encoding="utf-8")
        return path

    pulse = written("pulse.csv", (Step(0.0, 300.0), Step(0.5, 10.0), Step(2.5, 1.0), Step(0.0, 60.0)), 0.1)
    test = written("test.csv", FULL_TEST[1:], 5.0)
    found = _cell(measure_log(pulse, test), "K7")
    assert found["capacity_mah"] > 2400
    assert (found["ir_method"], found["ir_how"]) == ("dc_1s", "two levels")


def test_rated_capacity_is_kept_beside(tmp_path: Path) -> None:
    assert _cell(measure_log(_write(tmp_path, simulate(Cell(), FULL_TEST)), rated_ah=2.6))["rated_mah"] == 2600.0


def test_the_table_goes_into_screening_and_remembers_what_was_understood(tmp_path: Path) -> None:
    cells = measure_log(_write(tmp_path, simulate(Cell(), FULL_TEST)))
    copied = cells.copy()
    assert copied.attrs["measuring"] is cells.attrs["measuring"]
    text = str(copied.attrs["measuring"])
    assert "time_s     time     s" in text
    assert "assumed: A1.csv: cell id 'A1' from the file name" in text
    assert copied.attrs["reading"].files[0].rows == len(simulate(Cell(), FULL_TEST).time_s)


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ({"end_v": 28.0}, "--end-v: found 28"),
        ({"rated_ah": -1.0}, "--rated-mah: found -1.0 Ah"),
        ({"columns": {"volts": 1}}, "--columns volts: did you mean"),
        ({"units": {"current": "kA"}}, "--units current=kA: right would be one of A, mA"),
        ({"units": {"charge": "Ah"}}, "--units charge"),
        ({"decimal": ";"}, "--decimal"),
    ],
)
def test_arguments_that_can_not_be_meant(tmp_path: Path, arguments: dict[str, object], words: str) -> None:
    with pytest.raises(ArgumentInvalid, match=words):
        measure_log(tmp_path / "any.csv", **arguments)  # type: ignore[arg-type]


def test_no_file_at_all() -> None:
    with pytest.raises(ArgumentInvalid, match="no file"):
        measure_log()
