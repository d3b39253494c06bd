"""CSV tables: ids stay text, no formula runs, numbers stay numbers, and our own reader takes them back."""

from __future__ import annotations

import csv
import io
from pathlib import Path

import numpy as np

from cellmatch import Plan, plan_pack, read_cells
from cellmatch.cells.reading.ids import guarded_id, unguarded
from cellmatch.cells.table import cell_table
from cellmatch.output.tables import cells_csv, csv_bytes, groups_csv, positions_csv

IDS = ["0012", "1E5", "NA", "nan", "1-100", "3/4", "=1+1", "@x", "-2 mm", "+5", "#7", "A B"]


def rows(content: bytes) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(content.decode("utf-8-sig"))))


def plan_of_odd_ids() -> Plan:
    rng = np.random.default_rng(1)
    cells = cell_table(
        {
            "ocv_v": rng.normal(3.67, 0.001, 12).round(3),
            "capacity_mah": rng.normal(2500, 20, 12).round(1),
            "ir_mohm": rng.normal(25, 0.6, 12).round(1),
            "note": ["=HYPERLINK(1)", "-0.02", *[None] * 10],
            "temperature_c": np.full(12, -0.02),
        },
        ids=IDS,
    )
    return plan_pack(cells, "4s3p", seconds=0.2)


def test_text_cannot_become_a_formula_and_numbers_stay_numbers() -> None:
    table = rows(cells_csv(plan_of_odd_ids()))
    assert {row["cell_id"] for row in table} == {guarded_id(i) for i in IDS}
    for row in table:
        assert row["temperature_c"] == "-0.02"
        for value in (row["cell_id"], row["note"]):
            assert not value.startswith(("=", "+", "-", "@"))


def test_ids_that_a_spreadsheet_would_change_are_kept_as_text() -> None:
    # what common spreadsheets do with such text when they open a CSV: common practice, no source
    changed = ["0012", "1E5", "1e-3", "3/4", "1-100", "12.10", "1:30", "MAR1", "1-Sep", "2026-11-25", "TRUE", "9" * 16]
    kept = ["12", "A12", "B3-017", "E5", "MARK 7", "DECK1", "12A", "#7", "電池1", "cell 0012"]
    for cell in changed:
        assert guarded_id(cell) == "'" + cell
    for cell in kept:
        assert guarded_id(cell) == cell
    for cell in [*changed, *kept, *IDS, "'0012", "''=x"]:
        assert unguarded(guarded_id(cell)) == cell


def test_own_table_reads_back_identically(tmp_path: Path) -> None:
    plan = plan_of_odd_ids()
    path = tmp_path / "cells.csv"
    path.write_bytes(cells_csv(plan))
    again = read_cells(path)
    assert list(again.index) == IDS
    for name in ("ocv_v", "capacity_mah", "ir_mohm", "temperature_c"):
        np.testing.assert_array_equal(again[name], plan.cells[name])


def test_positions_say_which_end_is_up() -> None:
    table = rows(positions_csv(plan_of_odd_ids()))
    assert [int(row["position"]) for row in table] == list(range(1, 13))
    assert all((row["end_up"] == "positive") == (int(row["group"]) % 2 == 0) for row in table)
    assert list(table[0]) == ["cell_id", "group", "position", "row", "column", "end_up"]


def test_groups_hold_their_sums() -> None:
    plan = plan_of_odd_ids()
    table = rows(groups_csv(plan))
    assert list(table[0]) == ["group", "capacity_mah", "ir_mohm", "ocv_min_v", "ocv_max_v", "cells"]
    for row, ids in zip(table, plan.groups, strict=True):
        assert float(row["capacity_mah"]) == round(float(plan.cells.loc[list(ids), "capacity_mah"].sum()), 4)


def test_missing_is_empty() -> None:
    text = csv_bytes(("a", "b", "c"), [(None, float("nan"), ("x", "y"))]).decode("utf-8-sig")
    assert text == "a,b,c\r\n,,x; y\r\n"
