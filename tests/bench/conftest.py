"""Packs of equal cells, and short ways to write readings down."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime, timedelta

import numpy as np
import pytest

from cellmatch.bench.built import BuiltPack
from cellmatch.cells.readings import BenchReading

START = datetime(2031, 5, 17, 9, 0)


def _built(
    series: int,
    parallel: int,
    *,
    cell_v: float = 3.67,
    cell_ohm: float = 0.025,
    cell_ah: float = 2.5,
    group_ohm: float | None = None,
    slope_v: float | None = None,
) -> BuiltPack:
    def same(value: float) -> tuple[np.ndarray, ...]:
        return tuple(np.full(parallel, value) for _ in range(series))

    return BuiltPack(
        groups=tuple(tuple(f"G{g}C{i}" for i in range(1, parallel + 1)) for g in range(1, series + 1)),
        cell_v=same(cell_v),
        cell_ohm=same(cell_ohm),
        cell_ah=same(cell_ah),
        join_limit_a=same(0.5 * cell_ah),
        group_ohm=np.full(series, cell_ohm / parallel if group_ohm is None else group_ohm),
        min_v=2.5,
        full_v=4.2,
        slope_v=slope_v,
    )


def _read(kind: str, target: object, volts: float, load_a: float = 0.0, after: timedelta | None = None) -> BenchReading:
    when = None if after is None else START + after
    return BenchReading(kind=kind, target=str(target), value_v=volts, load_a=load_a, taken_at=when)


@pytest.fixture(scope="session")
def built() -> Callable[..., BuiltPack]:
    """Return a function that makes a pack of equal cells."""
    return _built


@pytest.fixture(scope="session")
def read() -> Callable[..., BenchReading]:
    """Return a function that writes one reading down."""
    return _read
