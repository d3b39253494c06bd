"""Grouping against drafts by hand, number partitioning libraries and plain solver models, in one run.

    python tests/benchmarks/grouping.py [FOLDER]            all tables; minutes, since the solvers get 10 s a tray
    python tests/benchmarks/grouping.py [FOLDER] --quick    fewer trays, solvers 0.5 s: within 50 s
    python tests/benchmarks/grouping.py [FOLDER] --targets  the targets only
    python tests/benchmarks/grouping.py [FOLDER] --proofs   only how many trays are proven with 6 s each

FOLDER holds trays as CSV files with best_known.json; without it trays are drawn by the same rules. Processor time is
shown beside the clock: other work on the machine lengthens the clock only.
"""

from __future__ import annotations

import argparse
import statistics
import time
from collections import defaultdict
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from cellmatch.grouping.solve import Grouping, group_cells
from tests.benchmarks.grouping_peers import PEERS, SOLVERS, cp_sat, serpentine
from tests.benchmarks.grouping_scale import in_a_fresh_process, many_packs, million
from tests.benchmarks.trays import ONE_LOT, Tray, drawn, invented, stored, table

CAP_S = 6.0
COMPARED = ((10, 3, 30), (13, 4, 52), (14, 8, 112), (20, 20, 400))
NUMPY_ONLY = "not needed"


@dataclass(frozen=True)
class Ours:
    """One grouping with what the whole call took; `search_s` is the processor time from first to last better answer."""

    grouping: Grouping
    clock_s: float
    cpu_s: float
    search_s: float


def ours(tray: Tray, **how: object) -> Ours:
    """Group a tray for the least spread."""
    clock, cpu = time.perf_counter(), time.process_time()
    told: list[float] = []
    grouping = group_cells(
        tray.cells,
        tray.pack,
        ("spread",),
        progress=lambda *now: told.append(time.process_time()),
        **{"seconds": CAP_S, **how},  # type: ignore[arg-type]
    )
    return Ours(grouping, time.perf_counter() - clock, time.process_time() - cpu, told[-1] - told[0])


def line(*cells: object) -> None:
    """Print one row of a table."""
    widths = (22, 24, 13, 12, 12, 10)
    print("  ".join(f"{cell!s:<{width}}" for cell, width in zip(cells, widths, strict=False)).rstrip(), flush=True)


def median(values: Iterable[float]) -> float:
    """Return the median, NaN of nothing."""
    known = list(values)
    return statistics.median(known) if known else float("nan")


def compare(trays: Sequence[Tray], seconds: float) -> None:
    """Print median spread and time of everybody for each kind and size."""
    by_size: dict[str, list[Tray]] = defaultdict(list)
    for tray in trays:
        by_size[f"{tray.kind} {tray.pack}/{len(tray.cells)}"].append(tray)
    line("trays", "method", "spread mAh", "clock ms", "cpu ms", "proven")
    for size, some in by_size.items():
        for method, peer in PEERS.items():
            found, clocks, cpus = [], [], []
            for tray in some[:1] if method in SOLVERS and seconds < 1 else some:
                clock, cpu = time.perf_counter(), time.process_time()
                found.append(peer(tray.capacity, tray.series, tray.parallel, seconds))
                clocks.append(time.perf_counter() - clock)
                cpus.append(time.process_time() - cpu)
            proven = f"{sum(answer.proven for answer in found)}/{len(found)}"
            known = [answer.spread for answer in found if answer.spread is not None]
            line(size, method, f"{median(known):g}", *_ms(clocks, cpus), proven if method in SOLVERS else "")
        mine = [ours(tray) for tray in some]
        proven = f"{sum(o.grouping.proven for o in mine)}/{len(mine)}"
        spread = median(o.grouping.spread_mah for o in mine)
        line(size, "ours", f"{spread:g}", *_ms([o.clock_s for o in mine], [o.cpu_s for o in mine]), proven)


def _ms(clocks: list[float], cpus: list[float]) -> tuple[str, str]:
    return f"{1000 * median(clocks):.1f}", f"{1000 * median(cpus):.1f}"


def target(number: int, words: str, reached: bool, figures: str) -> None:
    """Print one target."""
    print(f"{number}  {'reached    ' if reached else 'NOT REACHED'}  {words}: {figures}", flush=True)


def one_lot_meets_its_bound(trays: Sequence[Tray]) -> None:
    """Target 1."""
    some = [t for t in trays if t.kind in ONE_LOT and len(t.cells) >= 100]
    found = [ours(t) for t in some]
    met = sum(o.grouping.proven and NUMPY_ONLY in o.grouping.solver for o in found)
    slowest = max((o.search_s for o in found), default=0.0)
    target(
        1, "one lot, N >= 100: spread equals bound, numpy only, <= 50 ms", met == len(some) and slowest <= 0.05,
        f"{met}/{len(some)}, slowest search {1000 * slowest:.0f} ms cpu; whole call with table and check "
        f"{1000 * median(o.cpu_s for o in found):.0f} ms, at most {1000 * max(o.cpu_s for o in found):.0f} ms",
    )  # fmt: skip


def far_below_drafts(trays: Sequence[Tray]) -> None:
    """Target 2."""
    for series, parallel, cells in ((10, 3, 30), (13, 4, 52)):
        for kind in ("new", "salv"):
            some = [t for t in trays if t.kind == kind and t.pack == f"{series}s{parallel}p" and len(t.cells) == cells]
            found = [ours(t, seconds=0.5).grouping for t in some]
            mine = [grouping.spread_mah for grouping in found]
            arguments = [(t.capacity, series, parallel, 0.0) for t in some]
            deals = [serpentine(*a).spread or 0 for a in arguments]
            kk = [PEERS["numberpartitioning KK"](*a).spread or 10**9 for a in arguments]
            above = sum(m > min(d, k) for m, d, k in zip(mine, deals, kk, strict=True))
            least = [longer.spread_mah if longer.proven else -1 for longer in (ours(t).grouping for t in some)]
            best = sum(m == b for m, b in zip(mine, least, strict=True))
            to_deal, to_kk = median(mine) / median(deals), median(mine) / median(kk)
            target(
                2, f"{kind} {series}s{parallel}p/{cells} in 0.5 s: <= 0.06 x serpentine, <= 0.2 x KK, or all optimal",
                not above and (best == len(found) or (to_deal <= 0.06 and to_kk <= 0.2)),
                f"{to_deal:.3f}, {to_kk:.3f}; above on {above} trays; {best}/{len(found)} are proven optima",
            )  # fmt: skip


def salvaged_proven(trays: Sequence[Tray], *, beside: int) -> None:
    """Target 3; plain CP-SAT gets 20 times our clock on so many of them."""
    sizes = {("10s3p", 34), ("10s3p", 40), ("10s3p", 60), ("13s4p", 52), ("13s4p", 60)}
    some = [t for t in trays if t.kind == "salv" and (t.pack, len(t.cells)) in sizes]
    found = [(t, ours(t)) for t in some]
    proven = sum(o.grouping.proven for _, o in found)
    above = [t.name for t, o in found if t.best is not None and o.grouping.spread_mah > t.best]
    name, slowest = max(((t.name, o.cpu_s) for t, o in found), key=lambda pair: pair[1], default=("", 0.0))
    target(
        3, "salvaged: best known, all proven, <= 1 s each", proven == len(some) and not above and slowest <= 1,
        f"{proven}/{len(some)} proven, above best known {above or 'none'}, slowest {slowest:.2f} s cpu ({name})",
    )  # fmt: skip
    hard = sorted(found, key=lambda pair: -pair[1].clock_s)[:beside]
    solved = [cp_sat(t.capacity, t.series, t.parallel, 20 * o.clock_s).proven for t, o in hard]
    target(3, "plain CP-SAT at 20 x our time proves none", not any(solved), f"proved {sum(solved)} of {len(solved)}")


def proofs(trays: Sequence[Tray]) -> None:
    """Target 4; work is counted instead of seconds, so that other load on the machine costs no proof."""
    proven, above, open_ones = 0, [], []
    for tray in trays:
        found = ours(tray, reproducible=True).grouping
        proven += found.proven
        if tray.best is not None and found.spread_mah > tray.best:
            above.append(f"{tray.name}: {found.spread_mah:g} above {tray.best}")
        if not found.proven:
            known = "" if tray.best is None else f" (known {tray.bound} to {tray.best})"
            open_ones.append(f"{tray.name}: {found.bound_mah:g} to {found.spread_mah:g}{known}")
    share = proven / max(1, len(trays))
    target(4, "proven with 6 s each: >= 94 %", share >= 0.94, f"{proven} of {len(trays)}, {share:.1%}")
    target(4, "none above the best known", not above, "; ".join(above) or "none")
    for words in open_ones:
        print(f"     open: {words}")


def scale(cells: int) -> None:
    """Target 5."""
    for kind in ("new", "salv"):
        result = in_a_fresh_process(million, kind, cells)
        target(
            5, f"{kind}: {cells:,} cells into {cells // 70:,} packs of 13s5p: <= 10 s, <= 400 MB, <= 1 mAh",
            result.cpu_s <= 10 and result.memory_mb <= 400 and result.worst_mah <= 1,
            f"{result.cpu_s:.1f} s cpu ({result.clock_s:.1f} s), {result.memory_mb:.0f} MB, {result.worst_mah:g} mAh",
        )  # fmt: skip
        result = in_a_fresh_process(many_packs, kind)
        target(
            5, f"{kind}: 14,000 cells into 200 packs: <= 0.3 s, 0 mAh in each",
            result.cpu_s <= 0.3 and result.worst_mah == 0,
            f"{result.cpu_s:.2f} s cpu ({result.clock_s:.2f} s), {result.worst_mah:g} mAh",
        )  # fmt: skip


CONDUCTANCE_TARGETS = (
    ("new", 10, 3, 0.15), ("new", 13, 4, 0.06), ("salv", 13, 4, 0.06), ("new", 14, 8, 0.005), ("salv", 14, 8, 0.005),
)  # fmt: skip


def conductance(seeds: int) -> None:
    """Target 6: spread of group conductances with the uncertainty of capacity spent, against capacity alone."""
    for kind, series, parallel, most in CONDUCTANCE_TARGETS:
        ratios, spent = [], []
        for seed in range(seeds):
            random = np.random.default_rng([711, series, seed])
            cells = table(*drawn(kind, series * parallel, random))
            pack = f"{series}s{parallel}p"
            plain = group_cells(cells, pack, ("spread",), seconds=1)
            cpu = time.process_time()
            best = group_cells(
                cells, pack, ("spread", "conductance"), seconds=2, repeatability_fraction=0.005,
                spend_uncertainty=("conductance",), stop_at_noise=False,
            )  # fmt: skip
            spent.append(time.process_time() - cpu)
            before, after = plain.figures[-1].conductance_fraction, best.figures[-1].conductance_fraction
            ratios.append((after or 0.0) / (before or 1.0))
        target(
            6, f"{kind} {series}s{parallel}p: conductance spread <= {most:g} x, within 1 s",
            median(ratios) <= most and max(spent) <= 1.0, f"{median(ratios):.4f}, slowest {max(spent):.2f} s cpu",
        )  # fmt: skip


def one_lot_a_group(trays: Sequence[Tray]) -> None:
    """Target 7."""
    some = [t for t in trays if t.kind in ("new", "salv") and t.pack == "10s3p" and len(t.cells) == 40][:6]
    found = []
    for tray in some:
        lots = ["red" if lot else "blue" for lot in np.random.default_rng(tray.seed).integers(0, 2, 40)]
        cells = table(tray.cells["capacity_mah"].to_numpy(), tray.cells["ir_mohm"].to_numpy(), lots)
        cpu = time.process_time()
        grouping = group_cells(cells, "10s3p", ("spread",), ("one-lot",), seconds=CAP_S)
        found.append((grouping, time.process_time() - cpu))
    proven, slowest = sum(g.proven for g, _ in found), max((s for _, s in found), default=0.0)
    target(
        7, "one lot per group, 10s3p/40: proven <= 0.5 s", proven == len(found) and slowest <= 0.5,
        f"{proven}/{len(found)} proven, spreads {[g.spread_mah for g, _ in found]}, slowest {slowest:.2f} s cpu",
    )  # fmt: skip


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folder", nargs="?", type=Path)
    parser.add_argument("--quick", action="store_true")
    parser.add_argument("--targets", action="store_true")
    parser.add_argument("--proofs", action="store_true")
    asked = parser.parse_args()
    trays = list(stored(asked.folder) if asked.folder else invented(2 if asked.quick else 5))
    if asked.proofs:
        proofs(trays)
        return
    few = 2 if asked.quick else 10**6
    compared = [t for t in trays if (t.series, t.parallel, len(t.cells)) in COMPARED and t.seed < few]
    if asked.quick:
        compared = [t for t in compared if t.kind in ("new", "salv") and len(t.cells) <= 112]
    if not asked.targets:
        compare(compared, 0.5 if asked.quick else 10.0)
        print()
    shown = [t for t in trays if t.seed < few]
    steps: list[Callable[[], None]] = [
        lambda: one_lot_meets_its_bound(shown),
        lambda: far_below_drafts(trays),
        lambda: salvaged_proven(shown, beside=1 if asked.quick else 15),
        lambda: scale(100_000 if asked.quick else 1_000_000),
        lambda: conductance(3 if asked.quick else 5),
        lambda: one_lot_a_group(trays),
    ]
    if not asked.quick:
        steps.append(lambda: proofs(trays))
    for step in steps:
        step()


if __name__ == "__main__":
    main()
