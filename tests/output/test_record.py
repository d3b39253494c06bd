"""The record: its schema, its round trip, and what a damaged one says."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import jsonschema
import numpy as np
import pytest

from cellmatch import Plan, plan_pack, read_plan, write_plan
from cellmatch.bench.inspection import inspect_pack
from cellmatch.cells.readings import BenchReading
from cellmatch.cells.table import cell_table
from cellmatch.errors import FileUnusable
from cellmatch.output.folder import ALL_PAPERS, change_plan
from cellmatch.output.record import plan_from_json, plan_to_json, record_schema


def make_plan(**columns: Any) -> Plan:
    rng = np.random.default_rng(7)
    n = 14
    readings: dict[str, Any] = {
        "ocv_v": rng.normal(3.670, 0.001, n).round(3),
        "capacity_mah": rng.normal(2500, 20, n).round(1),
        "ir_mohm": rng.normal(25, 0.6, n).round(1),
    }
    readings.update(columns)
    ids = ["0012", "1E5", "NA", "#7", "Ω\u202f3", "=1+1", *(f"C{i}" for i in range(8))]
    return plan_pack(cell_table(readings, ids=ids), "4s3p", seconds=0.2)


@pytest.mark.parametrize(
    "columns",
    [
        {},
        {"lot": ["a", None] * 7, "mass_g": [45.0, np.nan] * 7, "own words": list("abcdefghijklmn")},
        {"ocv_v": [2.2, -3.6, *[3.67] * 12], "rated_mah": 2500.0},
        {"ir_mohm": np.nan},
        {"ocv_v": np.r_[np.full(7, 3.6), np.full(7, 3.9)]},
    ],
)
def test_round_trip_is_exact(columns: dict[str, Any]) -> None:
    plan = make_plan(**columns)
    text = json.dumps(plan_to_json(plan), allow_nan=False)
    again = plan_from_json(json.loads(text))
    assert again == plan
    assert json.dumps(plan_to_json(again), allow_nan=False) == text


@pytest.mark.parametrize("columns", [{}, {"ir_mohm": np.nan}, {"ocv_v": [2.2, -3.6, *[3.67] * 12]}])
def test_record_fits_its_schema(columns: dict[str, Any]) -> None:
    schema = record_schema()
    jsonschema.Draft202012Validator.check_schema(schema)
    jsonschema.validate(plan_to_json(make_plan(**columns), {"cells.csv": "0" * 64}), schema)


def test_the_schema_says_of_every_key_what_it_holds() -> None:
    def undescribed(node: Any, at: str) -> list[str]:
        if not isinstance(node, dict):
            return []
        keys = node.get("properties", {}).items()
        parts = [node.get("items"), node.get("additionalProperties"), *node.get("anyOf", []), *node.get("oneOf", [])]
        return [
            *(f"{at}/{key}" for key, value in keys if isinstance(value, dict) and not value.get("description")),
            *(found for key, value in keys for found in undescribed(value, f"{at}/{key}")),
            *(found for part in parts for found in undescribed(part, at)),
        ]

    assert undescribed(record_schema(), "") == []


def test_schema_catches_a_damaged_record() -> None:
    record = plan_to_json(make_plan())
    record["verdict"] = "probably fine"
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate(record, record_schema())


def test_written_and_read_are_equal(tmp_path: Path) -> None:
    plan = make_plan()
    assert read_plan(write_plan(plan, tmp_path / "job")) == plan


def test_a_record_of_version_1_opens_and_goes_on(tmp_path: Path) -> None:
    """Written once, by the version that first had one: whatever comes later has to open it."""
    text = (Path(__file__).parent / "records" / "plan_version_1.json").read_text(encoding="utf-8")
    assert json.loads(text)["schema_version"] == 1
    (tmp_path / "plan.json").write_text(text, encoding="utf-8")
    plan = read_plan(tmp_path)
    assert str(plan.pack) == "2s2p"
    assert sorted(cell for group in plan.groups for cell in group) == ["C1", "C2", "C3", "C4"]
    assert plan.cells.at["Ω 5", "status"] == "reject"
    assert plan.prediction.load is not None
    assert plan.history[0]["reason"] == "step 9, group_v 2: second meter"
    # every paper can be made of it, and what is written then is a record of this version with the same history
    change_plan(tmp_path, lambda now: replace(now, history=(*now.history, {"what": "read again"})))
    write_plan(read_plan(tmp_path), tmp_path / "copy", papers=ALL_PAPERS)
    again = json.loads((tmp_path / "plan.json").read_text(encoding="utf-8"))
    jsonschema.validate(again, record_schema())
    assert [entry["what"] for entry in again["history"]] == ["inspected", "read again"]
    assert inspect_pack(plan, [BenchReading(kind="group_v", target="1", value_v=3.67)])


@pytest.mark.parametrize(
    ("content", "words"),
    [
        ("", "not a whole record"),
        ("[1, 2]", "no record of this tool"),
        ('{"format": "cellmatch plan", "schema_version": 99}', "newer"),
        ('{"format": "cellmatch plan", "schema_version": 1}', "damaged"),
    ],
)
def test_damaged_records_say_what_is_wrong(tmp_path: Path, content: str, words: str) -> None:
    (tmp_path / "plan.json").write_text(content, encoding="utf-8")
    with pytest.raises(FileUnusable, match=words):
        read_plan(tmp_path)


def test_a_folder_without_a_record(tmp_path: Path) -> None:
    with pytest.raises(FileUnusable, match="no record could be read"):
        read_plan(tmp_path / "nothing")
