"""Bias between testers, slots and dates, and trends along the test order."""

from __future__ import annotations

from itertools import permutations
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from cellmatch.cells.quality import single_readings
from cellmatch.cells.reading.files import read_cells
from cellmatch.cells.worth.bias import bias_between, corrected, level_names
from cellmatch.cells.worth.notes import quality_notes
from cellmatch.cells.worth.trends import trends
from cellmatch.errors import ArgumentInvalid


def _readings(
    of_tester: dict[str, tuple[float, range]],
    *,
    error: float = 2.0,
    seed: int = 5,
    quantity: str = "capacity_mah",
) -> pd.DataFrame:
    """Return readings of cells by tester: a factor (or offset), and which cells it read."""
    rng = np.random.default_rng(seed)
    base, scatter = (2500.0, 120.0) if quantity == "capacity_mah" else (20.0, 2.0)
    true = rng.normal(base, scatter, 200)
    rows = []
    for tester, (bias, cells) in of_tester.items():
        for i in cells:
            value = true[i] * (1 + bias) if quantity == "capacity_mah" else true[i] + bias
            rows.append((f"C{i}", tester, value + rng.normal(0, error)))
    ids, testers, values = zip(*rows, strict=True)
    return pd.DataFrame({"tester": testers, quantity: values}, index=list(ids))


def test_bias_of_a_second_tester_is_found_with_its_standard_error() -> None:
    readings = _readings({"A": (0.0, range(60)), "B": (0.02, range(50, 90))})
    bias = bias_between(readings, "capacity_mah", "tester")
    assert bias is not None
    assert bias.reference == "A"
    (other,) = bias.levels[1:]
    assert other.shared_cells == 10
    # one reading errs by 2 of 2500 mAh; the mean difference over 10 cells by 2·√(2/10)
    expected_error = 2.0 / 2500 * np.sqrt(2 / 10)
    assert other.standard_error == pytest.approx(expected_error, rel=0.6)
    assert other.bias == pytest.approx(0.02, abs=4 * expected_error)
    assert other.p_value < 1e-6
    assert "B reads capacity_mah" in bias.text()
    assert "above" in bias.text()


def test_standard_error_is_right_on_average() -> None:
    found = []
    for seed in range(120):
        readings = _readings({"A": (0.0, range(15)), "B": (0.0, range(10)), "C": (0.0, range(5, 15))}, seed=seed)
        bias = bias_between(readings, "capacity_mah", "tester")
        assert bias is not None
        found.append([(level.bias, level.standard_error, level.p_value) for level in bias.levels[1:]])
    values = np.array(found)
    said = np.sqrt((values[:, :, 1] ** 2).mean(axis=0))
    assert said == pytest.approx(values[:, :, 0].std(axis=0), rel=0.25)
    # without a bias a p-value is evenly spread: 5 % below 0.05 (± 1.4 %, 1 σ over 240)
    assert np.mean(values[:, :, 2] < 0.05) == pytest.approx(0.05, abs=0.05)


def test_bias_equals_a_regression_with_every_cell_as_an_unknown() -> None:
    # the same least squares written out in full: one column a cell, one a tester but the first
    readings = _readings(
        {"A": (0.0, range(8)), "B": (3.0, range(4, 12)), "C": (-1.0, range(10, 16))}, quantity="ir_mohm"
    )
    bias = bias_between(readings, "ir_mohm", "tester")
    assert bias is not None
    cell, _ = pd.factorize(np.asarray(readings.index))
    design = np.zeros((len(readings), cell.max() + 3))
    design[np.arange(len(readings)), cell] = 1
    for column, name in enumerate("BC"):
        design[:, cell.max() + 1 + column] = readings["tester"] == name
    values = readings["ir_mohm"].to_numpy()
    solution, residual, rank, _ = np.linalg.lstsq(design, values, rcond=None)
    degrees = len(values) - rank
    error = np.sqrt(np.diag(np.linalg.inv(design.T @ design)) * residual[0] / degrees)
    assert bias.degrees == degrees
    by_name = {level.level: level for level in bias.levels}
    for column, name in enumerate("BC"):
        assert by_name[name].bias == pytest.approx(solution[cell.max() + 1 + column])
        assert by_name[name].standard_error == pytest.approx(error[cell.max() + 1 + column])


def test_a_tester_that_shares_no_cell_is_named_and_not_corrected() -> None:
    readings = _readings({"A": (0.0, range(20)), "B": (0.02, range(15, 25)), "C": (0.1, range(30, 40))})
    bias = bias_between(readings, "capacity_mah", "tester")
    assert bias is not None
    assert bias.unconnected == ("C",)
    assert "control cells" in bias.text()
    with pytest.raises(ArgumentInvalid, match="C shares no cell"):
        corrected(readings, bias)


def test_one_shared_cell_gives_a_bias_without_certainty() -> None:
    bias = bias_between(_readings({"A": (0.0, range(5)), "B": (0.02, range(4, 9))}), "capacity_mah", "tester")
    assert bias is not None
    assert np.isnan(bias.levels[1].standard_error)
    assert "too few" in bias.text()


def test_correction_keeps_what_was_read_and_takes_the_bias_out() -> None:
    readings = _readings({"A": (0.0, range(60)), "B": (0.02, range(50, 90))}, error=0.0)
    bias = bias_between(readings, "capacity_mah", "tester")
    assert bias is not None
    done = corrected(readings, bias)
    assert np.array_equal(done["capacity_mah_as_read"], readings["capacity_mah"])
    shared = done.loc[[f"C{i}" for i in range(50, 60)], "capacity_mah"].groupby(level=0)
    assert (shared.max() - shared.min()).max() < 1e-6
    assert "capacity_mah_as_read" not in readings.columns
    again = bias_between(done, "capacity_mah", "tester")
    assert again is not None
    assert again.levels[1].bias == pytest.approx(0.0, abs=1e-12)


def test_resistance_is_offset_not_scaled() -> None:
    readings = _readings({"A": (0.0, range(30)), "B": (5.0, range(30))}, error=0.1, quantity="ir_mohm")
    bias = bias_between(readings, "ir_mohm", "tester")
    assert bias is not None
    assert not bias.factor
    assert bias.levels[1].bias == pytest.approx(5.0, abs=0.2)
    assert corrected(readings, bias)["ir_mohm"].to_numpy()[30:].mean() == pytest.approx(
        readings["ir_mohm"].to_numpy()[:30].mean(), abs=0.2
    )


def test_one_tester_or_no_such_column_has_no_bias() -> None:
    readings = _readings({"A": (0.0, range(5))})
    assert bias_between(readings, "capacity_mah", "tester") is None
    assert bias_between(readings, "ir_mohm", "tester") is None


def test_slots_of_two_testers_are_not_one_slot() -> None:
    cells = pd.DataFrame({"tester": ["A", "B", "A"], "slot": ["1", "1", None]}, index=list("xyz"))
    assert list(level_names(cells, "slot")) == ["A/1", "B/1", ""]
    with pytest.raises(ArgumentInvalid, match="did you mean slot"):
        level_names(cells, "slots")


def _tray(n: int, seed: int = 2, **more: list[str]) -> pd.DataFrame:
    rng = np.random.default_rng(seed)
    frame = pd.DataFrame(
        {"capacity_mah": rng.normal(2500, 40, n), "ir_mohm": rng.normal(20, 1, n)},
        index=[f"C{i}" for i in range(n)],
    )
    return frame.assign(**more)


def test_a_resistance_that_climbs_with_the_test_order_is_flagged_with_its_size() -> None:
    cells = _tray(60)
    cells["tested_at"] = [f"2026-03-{1 + i // 24:02d} {i % 24:02d}:00" for i in range(60)]
    cells["ir_mohm"] += np.linspace(0, 6, 60)
    shuffled = cells.sample(frac=1, random_state=1)
    flagged = [trend for trend in trends(shuffled) if trend.flagged]
    assert [(t.quantity, t.along) for t in flagged if t.along != "date"] == [("ir_mohm", "test order")]
    # thirds of a 6 mohm climb are 4 mohm apart
    assert flagged[0].size == pytest.approx(4.0, abs=1.0)
    assert "another order" in flagged[0].text()


def test_a_slot_that_reads_low_is_flagged() -> None:
    cells = _tray(64, slot=[str(i % 4 + 1) for i in range(64)])
    cells.loc[cells["slot"] == "3", "capacity_mah"] -= 100
    flagged = [trend for trend in trends(cells) if trend.flagged]
    assert [(t.quantity, t.along) for t in flagged] == [("capacity_mah", "slot")]
    assert flagged[0].size == pytest.approx(100, abs=60)
    assert "3 reads" in flagged[0].words


def test_honest_trays_are_seldom_flagged() -> None:
    trays = [_tray(40, seed, slot=[str(i % 4) for i in range(40)], tester=["A", "B"] * 20) for seed in range(50)]
    flagged = sum(any(trend.flagged for trend in trends(tray)) for tray in trays)
    # six looks at p < 0.01: about 6 %, 3 of 50; 10 is more than 4 σ away
    assert flagged < 10


def test_rows_sorted_by_capacity_are_no_trend() -> None:
    cells = _tray(40).sort_values("capacity_mah")
    assert not [t for t in trends(cells) if t.quantity == "capacity_mah"]


def test_a_certain_but_tiny_trend_is_not_worth_a_word() -> None:
    cells = _tray(4000)
    cells["capacity_mah"] += np.linspace(0, 12, 4000)
    (found,) = [t for t in trends(cells) if t.quantity == "capacity_mah"]
    assert found.p_value < 0.01
    assert not found.flagged


def test_p_value_of_the_order_agrees_with_every_permutation() -> None:
    # computed independently: concordant minus discordant pairs over all 8! orders, two-sided
    values = np.array([15.6, 16.4, 16.1, 17.5, 18.9, 18.7, 19.1, 19.2])
    pairs = [(i, j) for i in range(8) for j in range(i + 1, 8)]
    orders = np.array(list(permutations(range(8))))
    score = sum(np.sign(values[orders[:, j]] - values[orders[:, i]]) for i, j in pairs)
    seen = sum(np.sign(values[j] - values[i]) for i, j in pairs)
    exact = float(np.mean(np.abs(score) >= abs(seen)))
    cells = pd.DataFrame({"ir_mohm": values}, index=list("abcdefgh"))
    (trend,) = trends(cells)
    assert trend.p_value == pytest.approx(exact, rel=1e-9)
    assert trend.flagged


def test_a_large_tray_is_looked_at_by_a_fair_draw() -> None:
    cells = _tray(30_000, slot=[str(i % 4 + 1) for i in range(30_000)])
    cells.loc[cells["slot"] == "2", "capacity_mah"] -= 40
    flagged = [trend for trend in trends(cells) if trend.flagged]
    assert [(t.quantity, t.along, t.cells) for t in flagged] == [("capacity_mah", "slot", 20_000)]
    assert "2 reads" in flagged[0].words


def test_ids_in_the_slot_column_are_no_slots() -> None:
    cells = _tray(500, slot=[f"s{i}" for i in range(500)])
    assert bias_between(cells, "capacity_mah", "slot") is None
    assert [t.along for t in trends(cells)] == ["row order", "row order"]


def _two_testers(folder: Path, by_b: float, rows: int = 40) -> Path:
    """Write a tray of which tester A read every cell, and tester B every fourth one again, `by_b` times as high."""
    rng = np.random.default_rng(5)
    lines = ["cell_id,ocv_v,capacity_mah,ir_mohm,tester"]
    for i in range(rows):
        true = rng.normal(2500, 30)
        lines.append(f"C{i},3.600,{true + rng.normal(0, 4):.1f},20.0,A")
        if i % 4 == 0:
            lines.append(f"C{i},3.600,{true * by_b + rng.normal(0, 4):.1f},20.0,B")
    path = folder / "tray.csv"
    path.write_text("\n".join(lines), encoding="utf-8")
    return path


def test_testers_of_a_file_are_compared_by_the_cells_both_read(tmp_path: Path) -> None:
    cells = read_cells(_two_testers(tmp_path, 1.02))
    (repeat, *_) = cells.attrs["reading"].repeats
    assert repeat.labels == {"tester": ("A", "B")}
    (note,) = [n for n in quality_notes(cells) if "tester B" in n]
    assert "tester B reads capacity_mah" in note
    bias = bias_between(single_readings(cells), "capacity_mah", "tester")
    assert bias is not None
    # by construction: 2 % above, known to about 4·√(2/10) mAh of 2500
    assert bias.levels[1].bias == pytest.approx(0.02, abs=4 * bias.levels[1].standard_error)


def test_a_correction_is_made_on_request_and_keeps_both_values(tmp_path: Path) -> None:
    path = _two_testers(tmp_path, 1.02)
    as_read, done = read_cells(path), read_cells(path, correct="tester")
    assert np.array_equal(done["capacity_mah_as_read"], as_read["capacity_mah"])
    assert "ir_mohm_as_read" not in done.columns  # both testers read the same resistance: nothing to take out
    # the median of a pair lies 1 % high; brought to tester A's scale it does not
    pairs = [f"C{i}" for i in range(0, 40, 4)]
    ratio = as_read.loc[pairs, "capacity_mah"] / done.loc[pairs, "capacity_mah"]
    assert ratio.mean() == pytest.approx(1.01, abs=0.002)
    others = done.index.difference(pairs)
    assert np.array_equal(done.loc[others, "capacity_mah"], as_read.loc[others, "capacity_mah"])
    reading = done.attrs["reading"]
    (words,) = [words for words in reading.assumptions if "corrected" in words]
    assert "to the scale of tester A" in words
    assert "standard error" in words
    assert reading.told == ("--correct", "tester")
    first = reading.repeats[0].readings
    assert first["capacity_mah_as_read"] == as_read.attrs["reading"].repeats[0].readings["capacity_mah"]
    assert first["capacity_mah"][0] == first["capacity_mah_as_read"][0]
    assert first["capacity_mah"][1] < first["capacity_mah_as_read"][1]


def test_the_newest_reading_is_the_one_that_is_corrected(tmp_path: Path) -> None:
    path = _two_testers(tmp_path, 1.02)
    as_read, done = (read_cells(path, repeats="newest", correct=by) for by in (None, "tester"))
    bias = (as_read["capacity_mah"] / done["capacity_mah"]).to_dict()
    assert bias["C0"] == pytest.approx(1.02, abs=0.005)


def test_nothing_is_corrected_that_chance_could_give(tmp_path: Path) -> None:
    path = _two_testers(tmp_path, 1.0)
    done = read_cells(path, correct="tester")
    assert "capacity_mah_as_read" not in done.columns
    assert any("capacity_mah is left as read" in words for words in done.attrs["reading"].assumptions)


def test_a_correction_without_control_cells_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "tray.csv"
    path.write_text("cell_id,ocv_v,capacity_mah,tester\nA1,3.6,2500,A\nB1,3.6,2500,B\n", encoding="utf-8")
    with pytest.raises(ArgumentInvalid, match="three or more control cells"):
        read_cells(path, correct="tester")
