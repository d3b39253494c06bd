"""Very many cells: capacities as arrays in, group numbers out. The table and its ids are not counted."""

from __future__ import annotations

import multiprocessing
import resource
import time
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from typing import NamedTuple

import numpy as np

from cellmatch.grouping.allowance import NoLimit
from cellmatch.grouping.demands import no_demands
from cellmatch.grouping.packs import in_packs, searches_of_packs
from cellmatch.grouping.pool import TENTHS_PER_MAH, Ints, Pool
from cellmatch.grouping.search import Search, Wishes
from cellmatch.grouping.stages import serve_spread
from tests.benchmarks.trays import drawn

SERIES, PARALLEL = 13, 5


class Scaled(NamedTuple):
    """What it took [s], [MB of the whole process], and the spread inside the worst pack [mAh]."""

    clock_s: float
    cpu_s: float
    memory_mb: float
    worst_mah: float


def in_a_fresh_process(measured: Callable[..., Scaled], *what: object) -> Scaled:
    """Measure where nothing was done before: the memory of a process is the most it ever held."""
    with ProcessPoolExecutor(1, mp_context=multiprocessing.get_context("spawn")) as process:
        return process.submit(measured, *what).result()


def _pool(kind: str, cells: int, packs: int) -> Pool:
    capacity, _ = drawn(kind, cells, np.random.default_rng(1))
    tenths = np.asarray(-np.sort(-capacity * TENTHS_PER_MAH), dtype=np.int64)
    middle, nothing, unknown = int(tenths[cells // 2]), np.full(cells, None), np.full(cells, np.nan)
    return Pool(
        ids=nothing,
        tenths=tenths,
        ir_mohm=unknown,
        ocv_v=unknown,
        lot=nothing,
        sizes=(PARALLEL,) * SERIES * packs,
        steps=(tenths - middle) // TENTHS_PER_MAH,
        step=TENTHS_PER_MAH,
        middle=middle,
    )


def _search(pool: Pool, packs: int) -> Search:
    wishes = Wishes(
        group_uncertainty_mah=25,
        floor_mah=70,
        tolerances={},
        spend_uncertainty=frozenset(),
        stop_at_noise=True,
        floor_is_enough=False,
    )
    return Search(
        pool=pool,
        rules=no_demands(pool),
        wishes=wishes,
        allowance=NoLimit(),
        report=lambda groups, stage: None,
        before_exact=lambda: None,
        packs=packs,
    )


def _worst(search: Search, packs: Ints) -> float:
    return float(np.ptp(search.pool.steps[packs].sum(axis=2), axis=1).max()) * search.pool.step_mah


def million(kind: str, cells: int) -> Scaled:
    """Group so many cells into packs of 70 cells' worth, all at once."""
    pool = _pool(kind, cells, cells // 70)
    clock, cpu = time.perf_counter(), time.process_time()
    search = _search(pool, cells // 70)
    search.start()
    serve_spread(search)
    packs = in_packs(search.pool.steps, search.best, search.packs)
    memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    return Scaled(time.perf_counter() - clock, time.process_time() - cpu, memory, _worst(search, packs))


def many_packs(kind: str) -> Scaled:
    """Group 14,000 cells into 200 packs, each searched alone where it is not at 0."""
    pool = _pool(kind, 14_000, 200)
    clock, cpu = time.perf_counter(), time.process_time()
    search = _search(pool, 200)
    search.start()
    serve_spread(search)
    for alone, keep in searches_of_packs(search):
        if alone.spread() == 0:
            break
        serve_spread(alone)
        keep()
    packs = search.best.reshape(200, SERIES, PARALLEL)
    memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    return Scaled(time.perf_counter() - clock, time.process_time() - cpu, memory, _worst(search, packs))
