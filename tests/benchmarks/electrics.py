"""Speed of the electrical parts, as ratios in one run. Prints a table, asserts nothing.

``python tests/benchmarks/electrics.py``
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from functools import partial
from time import perf_counter

import numpy as np
from scipy.integrate import solve_ivp

from cellmatch.electrics.comparison import compare_groupings
from cellmatch.electrics.discharge import run_load
from cellmatch.electrics.load import constant_current
from cellmatch.electrics.network import Network
from cellmatch.electrics.parallel import join_cells, join_groups
from cellmatch.pack.chemistry import load_chemistry
from cellmatch.pack.curve import OcvCurve

Row = tuple[str, float, str, float]


def seconds(action: Callable[[], object], repeats: int = 3) -> float:
    """Return the best of a few runs [s]."""
    best = np.inf
    for _ in range(repeats):
        start = perf_counter()
        action()
        best = min(best, perf_counter() - start)
    return best


def cells_of(series: int, parallel: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return capacities [Ah], resistances [ohm] and groups of a salvaged-looking pack."""
    rng = np.random.default_rng(7)
    n = series * parallel
    return rng.normal(2.5, 0.08, n), rng.normal(0.04, 0.005, n), np.repeat(np.arange(series) + 1, parallel)


def integrate(q: np.ndarray, r: np.ndarray, curve: OcvCurve, amps: float, end_v: float, step_s: float) -> float:
    """Discharge one group with scipy's solve_ivp, no step longer than ours; return the duration [s]."""

    def bus(z: np.ndarray) -> float:
        return float((np.sum(curve.voltage(z) / r) - amps) / np.sum(1 / r))

    def rate(_: float, z: np.ndarray) -> np.ndarray:
        return np.asarray(-(curve.voltage(z) - bus(z)) / r / (3600 * q))

    def empty(_: float, z: np.ndarray) -> float:
        return bus(z) - end_v

    empty.terminal = True  # type: ignore[attr-defined]
    found = solve_ivp(rate, (0, 9e4), np.ones(len(q)), method="LSODA", rtol=1e-6, max_step=step_s, events=empty)
    if found.t_events is None:
        raise SystemExit("solve_ivp met no end")
    return float(found.t_events[0][0])


def discharge_rows(curve: OcvCurve) -> list[Row]:
    """Full discharges at 1C, and one group of each against scipy's integrator."""
    rows: list[Row] = []
    for series, parallel, step in ((14, 8, 1.0), (20, 50, 10.0)):
        q, r, group = cells_of(series, parallel)
        load = constant_current(2.5 * parallel)
        mine = group == 1
        ours = partial(run_load, curve=curve, load=load, end_v=3.0, full_v=4.2, step_s=step)
        run = seconds(partial(ours, q, r, group))
        one = seconds(partial(ours, q[mine], r[mine], np.ones(parallel)))
        other = seconds(partial(integrate, q[mine], r[mine], curve, load.values[0], 3.0, step), 1)
        name = f"{series}s{parallel}p full discharge, steps of {step:g} s"
        rows.append((name, run, f"solve_ivp on each of its {series} groups", other * series))
        rows.append((f"one group of {parallel}, steps of {step:g} s", one, "solve_ivp, same steps", other))
    return rows


def network_of(series: int, parallel: int) -> Network:
    """Return straight rows with a link between all neighbours."""
    _, r, _ = cells_of(series, parallel)
    node = np.arange(2 * series * parallel).reshape(2 * series, parallel)
    a = np.concatenate((node[:, :-1].ravel(), node[1:-1:2].ravel()))
    b = np.concatenate((node[:, 1:].ravel(), node[2::2].ravel()))
    return Network(
        nodes=node.size, cell_minus=node[0::2].ravel(), cell_plus=node[1::2].ravel(), cell_ohm=r,
        link_from=a, link_to=b, link_ohm=np.full(len(a), 2e-4), minus=0, plus=int(node[-1, -1]),
    )  # fmt: skip


def network_rows() -> list[Row]:
    """Solve a factorised network again, against building and factorising it anew."""
    network = network_of(20, 50)
    again = seconds(lambda: network.solve(3.7, 100.0))
    anew = seconds(lambda: network_of(20, 50).solve(3.7, 100.0))
    return [("20s50p network, solved again", again, "built and factorised anew", anew)]


def joining_rows() -> list[Row]:
    """Join many groups at once, against one after the other."""
    rng = np.random.default_rng(3)
    n, p = 2000, 8
    ocv, r, group = rng.normal(3.6, 0.02, n * p), rng.normal(0.04, 0.005, n * p), np.repeat(np.arange(n), p)
    at_once = seconds(lambda: join_groups(ocv, r, group, 1.25))
    each = seconds(lambda: [join_cells(ocv[k : k + p], r[k : k + p], 1.25) for k in range(0, n * p, p)], 1)
    return [(f"joining of {n} groups at once", at_once, "one after the other", each)]


def comparison_rows(curve: OcvCurve) -> list[Row]:
    """Compare with 20 random groupings, against runs of the default fineness."""
    q, r, group = cells_of(14, 8)
    load = constant_current(20.0)
    compared = seconds(lambda: compare_groupings(q, r, group, curve, load, end_v=3.0, full_v=4.2, draws=20), 1)
    run = seconds(lambda: run_load(q, r, group, curve, load, end_v=3.0, full_v=4.2))
    return [("14s8p against 20 random groupings", compared, "22 runs of default steps", 22 * run)]


def main() -> None:
    """Print the table."""
    curve = load_chemistry("nmc").working_curve()
    if curve is None:
        raise SystemExit("the chemistry carries no curve")
    rows = discharge_rows(curve) + network_rows() + joining_rows() + comparison_rows(curve)
    sys.stdout.write(f"{'what':44} {'s':>9}   {'named alternative':36} {'s':>9}   {'ratio':>7}\n")
    for what, mine, other, theirs in rows:
        sys.stdout.write(f"{what:44} {mine:9.4f}   {other:36} {theirs:9.4f}   {theirs / mine:6.1f}x\n")


if __name__ == "__main__":
    main()
