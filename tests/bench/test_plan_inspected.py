from __future__ import annotations

import importlib.util
import sys
from dataclasses import replace
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest

from cellmatch.bench.built import built_pack
from cellmatch.bench.inspection import inspect_pack
from cellmatch.build.pack_network import JOINT_OHM, LINK_OHM
from cellmatch.cells.readings import BenchReading
from cellmatch.cells.table import cell_table
from cellmatch.plan import Plan, consequences, plan_pack
from cellmatch.prediction import LoadCase


@pytest.fixture(scope="module")
def plan() -> Plan:
    """Return a plan of 5s3p from invented cells."""
    rng = np.random.default_rng(2)
    cells = cell_table(
        {
            "ocv_v": 3.67 + rng.normal(0, 0.002, 17),
            "capacity_mah": rng.normal(2500, 30, 17).round(1),
            "ir_mohm": rng.normal(25, 0.5, 17).round(2),
        },
        ids=[f"C{i}" for i in range(17)],
    )
    return plan_pack(cells, "5s3p", chemistry="nmc", seconds=1.0)


def test_plan_is_inspected_as_it_is(plan: Plan) -> None:
    groups = [
        BenchReading(kind="group_v", target=str(g), value_v=float(v))
        for g, v in enumerate(built_pack(plan).group_v, start=1)
    ]
    found = inspect_pack(plan, groups)
    assert [f.kind for f in found if f.kind != "cannot_show"] == ["clean"]


def test_expectation_of_a_plan(plan: Plan) -> None:
    pack = built_pack(plan)
    assert {c for group in pack.groups for c in group} == {c for group in plan.groups for c in group}
    assert pack.sizes.tolist() == [3] * 5
    # links and joints only ever add to what the cells have
    cells_alone = np.array([1 / np.sum(1 / r) for r in pack.cell_ohm])
    assert (pack.group_ohm > cells_alone).all()
    assert (pack.group_ohm < cells_alone + 10 * (LINK_OHM + JOINT_OHM)).all()
    assert pack.slope_v is None or 0.2 < pack.slope_v < 3


def test_links_as_the_plan_has_them_are_counted(plan: Plan) -> None:
    # 0.5 mohm where nothing is said, with and without a load; else what the plan says
    case = LoadCase(current_a=5.0, link_mohm=2.0)
    made = consequences(plan.cells, plan.pack, plan.holder, plan.chemistry, plan.limits, plan.screening, case)
    heavier = replace(plan, prediction=made.prediction, assembly=made.assembly)
    assert built_pack(heavier).group_ohm == pytest.approx(built_pack(plan, link_ohm=0.002).group_ohm)
    assert built_pack(heavier).group_ohm.sum() > built_pack(plan).group_ohm.sum() + 0.001
    assert LoadCase(current_a=5.0).link_mohm == 1000 * LINK_OHM


def test_reversed_cell_of_a_plan_is_found_before_joining(plan: Plan) -> None:
    victim = plan.groups[2][1]
    readings = [
        BenchReading(kind="cell_v", target=c, value_v=-3.67 if c == victim else float(v))
        for c, v in plan.cells["ocv_v"].items()
        if c in {c for g in plan.groups for c in g}
    ]
    found = inspect_pack(plan, readings)
    assert (found[0].kind, found[0].target) == ("cell_reversed", f"cell {victim}")


@pytest.fixture(scope="module")
def invented(project: Path) -> ModuleType:
    """Return the benchmark's module of invented packs."""
    spec = importlib.util.spec_from_file_location("faulty_packs", project / "tests/benchmarks/faulty_packs.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules["faulty_packs"] = module
    spec.loader.exec_module(module)
    return module


FAULTS = [
    "reversed cell", "reversed group", "dead group", "cell not joined", "loose link", "tap open", "taps swapped",
    "row shifted low", "row shifted high", "probes swapped", "group low", "group high", "leaking group", "meter offset",
]  # fmt: skip


@pytest.mark.parametrize("name", FAULTS)
def test_invented_faults_are_named(invented: ModuleType, name: str) -> None:
    spoil, kind = invented.FAULTS[name]
    for seed in range(3):
        rng = np.random.default_rng((7, seed))
        truth = invented.new_truth(rng, *invented.SIZES[(3 * seed) % 9])
        spoil(truth)
        found = inspect_pack(truth.built, invented.readings_of(truth))
        named = [found[0].kind, *(other.split()[0] for other in found[0].tied_with)]
        # effects near the noise may go unseen; the benchmark counts those
        assert truth.effect < 6 or kind in named


def test_packs_without_a_fault_raise_next_to_nothing(invented: ModuleType) -> None:
    # each check may raise a false alarm in 0.2 % of packs: one in 20 packs is bad luck, two are a fault
    alarms = 0
    for seed in range(20):
        rng = np.random.default_rng((8, seed))
        truth = invented.new_truth(rng, *invented.SIZES[seed % 9])
        found = inspect_pack(truth.built, invented.readings_of(truth))
        alarms += any(f.is_fault for f in found)
    assert alarms <= 1
