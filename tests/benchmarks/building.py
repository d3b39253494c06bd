"""Building and inspecting, measured: faults named, false alarms, and how long placement and steps take.

Run ``python tests/benchmarks/building.py [packs a fault] [healthy packs]``; the defaults are 200 and 2000.
It prints tables and asserts nothing.
"""

from __future__ import annotations

import sys
import time
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import TypeVar

import numpy as np
from faulty_packs import FAULTS, LEFT_OUT, SIZES, Truth, answer, new_truth, readings_of

from cellmatch.bench.findings import Finding
from cellmatch.bench.inspection import inspect_pack
from cellmatch.build.assembly import plan_assembly
from cellmatch.build.heat_placement import place_by_heat
from cellmatch.build.placement import place_cells
from cellmatch.cells.table import GroupedCells, cell_table
from cellmatch.pack.chemistry import load_chemistry
from cellmatch.pack.limits import Limits
from cellmatch.pack.spec import Pack

Result = TypeVar("Result")

SEEN = 4.0
"""Effects from this many standard deviations of the evidence on have to be named."""
TIE = 0.9
"""Explanations tie where the surest is no surer than this."""
ASKED = 2
"""A tie is followed up by at most so many of the readings it asks for."""


def main(each: int, healthy: int) -> None:
    """Print all tables."""
    faults_named(each)
    print()
    false_alarms(healthy)
    print()
    times()


def _pack(seed: tuple[int, int]) -> Truth:
    rng = np.random.default_rng(seed)
    series, parallel = SIZES[int(rng.integers(len(SIZES)))]
    return new_truth(rng, series, parallel)


@dataclass
class Told:
    """What inspection said of the packs with one fault."""

    first: Counter[str] = field(default_factory=Counter)
    ties: int = 0
    named: int = 0
    after: int = 0


def faults_named(each: int) -> None:
    """Print the confusion table: what was ranked first for each fault whose effect should show."""
    print(
        f"{each} packs a fault, 3s2p to 20s10p, meter noise 2 mV; of those with an effect of at least {SEEN:g} sigma:"
    )
    print(f"{'fault':18}{'shown':>6}{'ties':>6}{'first':>8}{'named':>8}{'right':>8}{'after':>8}  ranked first instead")
    for number, (name, (spoil, kind)) in enumerate(FAULTS.items()):
        told = Told()
        for k in range(each):
            truth = _pack((number, k))
            spoil(truth)
            if truth.effect >= SEEN:
                readings = [r for r in readings_of(truth) if r.kind not in LEFT_OUT.get(name, ())]
                _count(told, truth, readings, kind)
        print(f"{name:18}{_row(told, kind)}")
    print(
        f"tie: the readings fit several faults, the surest at most {TIE:.0%}; right where the true one is named among "
        "them with\nthe reading that tells them apart. first: of the packs without a tie; named: of those with one; "
        "right: of all;\nafter: ranked first once the readings that ties ask for were taken"
    )


def _count(told: Told, truth: Truth, readings: list, kind: str) -> None:
    found = inspect_pack(truth.built, readings)
    best = found[0]
    if best.tied_with and best.sure_fraction <= TIE:
        told.ties += 1
        among = (best.kind, *(other.split()[0] for other in best.tied_with))
        told.named += kind in among and bool(best.next_measurement)
    else:
        told.first[best.kind] += 1
    told.after += _followed_up(truth, readings, found).kind == kind


def _row(told: Told, kind: str) -> str:
    """Return the figures of one line of the table."""
    clear = told.first.total()
    shown = told.ties + clear

    def share(part: int, of: int) -> str:
        return f"{part / of:8.1%}" if of else f"{'-':>8}"

    others = ", ".join(f"{k} {n}" for k, n in told.first.most_common() if k != kind)
    return (
        f"{shown:6}{told.ties:6}{share(told.first[kind], clear)}{share(told.named, told.ties)}"
        f"{share(told.first[kind] + told.named, shown)}{share(told.after, shown)}  {others}"
    )


def _followed_up(truth: Truth, readings: list, found: list[Finding]) -> Finding:
    """Take the readings that a tie asks for."""
    for _ in range(ASKED):
        if not found[0].tied_with or found[0].ask is None:
            break
        readings = [*readings, answer(truth, found[0].ask)]
        found = inspect_pack(truth.built, readings)
    return found[0]


def false_alarms(packs: int) -> None:
    """Print what is said of packs without a fault."""
    wrong: Counter[str] = Counter()
    start = time.process_time()
    for k in range(packs):
        truth = _pack((99, k))
        faults = {f.kind for f in inspect_pack(truth.built, readings_of(truth)) if f.is_fault}
        wrong.update(faults or ())
        wrong["packs"] += bool(faults)
    seconds = time.process_time() - start
    alarms = wrong.pop("packs", 0)
    kinds = ", ".join(f"{k} {n}" for k, n in wrong.most_common())
    print(f"false alarms: {alarms} of {packs} healthy packs ({kinds}); {1000 * seconds / max(packs, 1):.0f} ms a pack")


def times() -> None:
    """Print how long placement and steps take, as processor seconds and as a ratio to placing by id."""
    print(f"{'pack':8}{'by id s':>9}{'by heat s':>11}{'ratio':>7}{'steps s':>9}{'steps':>7}  (processor time)")
    nmc = load_chemistry("nmc")
    for text in ("10s3p", "14s8p", "20s20p", "20s50p"):
        cells, heat = _cells(text)
        by_id, placed = _timed(lambda cells=cells, text=text: place_cells(cells, text))
        by_heat, _ = _timed(lambda cells=cells, text=text, heat=heat: place_by_heat(cells, text, None, heat))
        steps, plan = _timed(lambda placed=placed, text=text: plan_assembly(placed, text, None, nmc, Limits()))
        print(f"{text:8}{by_id:9.3f}{by_heat:11.3f}{by_heat / by_id:7.1f}{steps:9.3f}{len(plan.steps):7}")


def _timed(work: Callable[[], Result]) -> tuple[float, Result]:
    start = time.process_time()
    result = work()
    return time.process_time() - start, result


def _cells(text: str) -> tuple[GroupedCells, np.ndarray]:
    pack, rng = Pack.parse(text), np.random.default_rng(0)
    n = pack.places
    cells = cell_table(
        {
            "ocv_v": rng.normal(3.67, 0.003, n),
            "capacity_mah": rng.normal(2500, 30, n),
            "ir_mohm": rng.normal(25, 1, n),
        },
        ids=[f"C{i}" for i in range(n)],
    )
    cells["level_to_v"] = np.nan
    cells["group"] = np.repeat(np.arange(1, pack.series + 1), pack.group_sizes)
    return GroupedCells(cells), rng.normal(0.5, 0.05, n)


if __name__ == "__main__":
    main(*(int(a) for a in (*sys.argv[1:], *("200", "2000")[len(sys.argv) - 1 :])))
