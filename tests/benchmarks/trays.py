"""Trays for the grouping benchmark: those of a folder, or invented ones by the same rules with other seeds."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.random import Generator
from numpy.typing import NDArray

from cellmatch.cells.table import CellTable, cell_table

Floats = NDArray[np.float64]

KINDS = ("new", "salv", "outl", "huge", "bimod", "coarse")
ONE_LOT = ("new", "salv", "coarse")
OWN_SEED = 700
SHAPES = ((10, 3, 30), (10, 3, 34), (10, 3, 40), (13, 4, 52), (13, 4, 60), (14, 8, 112), (14, 8, 130), (20, 20, 400))
_NAME = re.compile(r"(\w+?)_(\d+)S(\d+)P_(\d+)_s(\d+)\.csv")


@dataclass(frozen=True, kw_only=True)
class Tray:
    """Cells of one kind for S groups of P; `best` and `bound` as known beforehand [mAh], None where not."""

    kind: str
    series: int
    parallel: int
    seed: int
    cells: CellTable
    best: int | None = None
    bound: int | None = None

    @property
    def pack(self) -> str:
        """The pack as text."""
        return f"{self.series}s{self.parallel}p"

    @property
    def capacity(self) -> NDArray[np.int64]:
        """Capacities [mAh], whole numbers, in the order of the table."""
        return self.cells["capacity_mah"].to_numpy().astype(np.int64)

    @property
    def name(self) -> str:
        """Kind, pack, cells and seed."""
        return f"{self.kind} {self.pack}/{len(self.cells)} s{self.seed}"


def drawn(kind: str, cells: int, random: Generator) -> tuple[Floats, Floats]:
    """Return capacities [mAh] and resistances [mohm] of a kind of tray."""
    noise = random.normal(size=cells)
    capacity = random.normal(2500, 20, cells)
    ir = 20 * (1 + 0.05 * (-0.2 * (capacity - 2500) / 20 + np.sqrt(1 - 0.04) * noise))
    if kind == "salv":
        capacity = 1800 + 800 * random.beta(5, 2.2, cells)
        standing = (capacity - capacity.mean()) / capacity.std()
        ir = np.clip(52 * np.exp(0.28 * (-0.75 * standing + np.sqrt(1 - 0.75**2) * noise)), 30, 110)
    if kind == "outl":
        capacity = random.normal(2500, 1.2, cells)
        odd = random.choice(cells, max(1, round(0.05 * cells)), replace=False)
        capacity[odd] += random.uniform(-300, 120, len(odd))
    if kind == "huge":
        capacity[random.integers(cells)] = 3500
    if kind == "bimod":
        better = random.random(cells) < 0.5
        capacity = np.where(better, random.normal(2900, 15, cells), random.normal(2200, 40, cells))
    if kind == "coarse":
        capacity = np.round(capacity, -1)
    return np.round(capacity), np.round(ir, 1)


def table(capacity: Floats, ir: Floats, lot: list[str] | None = None) -> CellTable:
    """Return a cell table with ids c1, c2 and so on."""
    columns: dict[str, object] = {"ocv_v": np.full(len(capacity), 3.6), "capacity_mah": capacity, "ir_mohm": ir}
    if lot is not None:
        columns["lot"] = lot
    return cell_table(columns, ids=[f"c{i}" for i in range(1, len(capacity) + 1)])  # type: ignore[arg-type]


def invented(seeds: int) -> Iterator[Tray]:
    """Yield trays of all kinds and shapes."""
    for series, parallel, cells in SHAPES:
        for kind in KINDS:
            for seed in range(seeds):
                random = np.random.default_rng([OWN_SEED, KINDS.index(kind), cells, seed])
                yield Tray(
                    kind=kind, series=series, parallel=parallel, seed=seed, cells=table(*drawn(kind, cells, random))
                )


def stored(folder: Path) -> Iterator[Tray]:
    """Yield the single-pack trays of a folder with what ``best_known.json`` says of them."""
    known = json.loads((folder / "best_known.json").read_text(encoding="utf-8"))["single_pack"]
    for name, best in known.items():
        found = _NAME.fullmatch(name)
        if found:
            rows = pd.read_csv(folder / name)
            yield Tray(
                kind=found[1],
                series=int(found[2]),
                parallel=int(found[3]),
                seed=int(found[5]),
                cells=table(rows["capacity_mAh"].to_numpy(float), rows["ir_mohm"].to_numpy(float)),
                best=best["best_spread"],
                bound=best["bound"],
            )
