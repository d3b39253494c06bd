"""Readings under load: the resistance of each group, and the drop from each cap to its bar.

A cell that is not joined, or joined loosely, does not show at rest. Under load its group sags more than the
network of cells and links says; and its cap stays at rest voltage while its bar sags.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.stats import theilslopes

from cellmatch.bench.balance import against_peers
from cellmatch.bench.built import IR_UNCERTAINTY, BuiltPack
from cellmatch.bench.findings import Finding, alarm_sigma, finding
from cellmatch.bench.rest_set import GROUP, as_number
from cellmatch.build.leaks import SEEN_SIGMA
from cellmatch.cells.readings import BenchReading

SAME_LOAD = 0.05
"""Loads that differ by less than this are one load (common practice, no source)."""


@dataclass(frozen=True, kw_only=True, eq=False)
class LoadTest:
    """Groups read at rest and under load.

    Parameters
    ----------
    group : ndarray of int, shape (n,)
    ohm : ndarray, shape (n,)
        [ohm] Sag per ampere, the slide of the whole pack taken out.
    sigma_ohm : ndarray, shape (n,)
        [ohm] How well the readings tell it.
    load_a : float
        [A]
    notes : tuple of str
        What was done about the slide.
    """

    group: NDArray[np.int64]
    ohm: NDArray[np.float64]
    sigma_ohm: NDArray[np.float64]
    load_a: float
    notes: tuple[str, ...]


def needed_load_a(built: BuiltPack, noise_v: float | None = None) -> NDArray[np.float64]:
    """Return the load that shows one cell that is not joined, whichever it is, at four standard deviations.

    Two readings with the meter's noise each: I = 4·√2·noise / dR.

    Parameters
    ----------
    built : BuiltPack
    noise_v : float, optional
        [V] Default: the meter's.

    Returns
    -------
    ndarray, shape (S,)
        [A] nan for a group whose resistances are not known; 0 for a group of one, which is open then.
    """
    least = np.array([built.without_cell_ohm(g).min() for g in range(1, built.series + 1)])
    noise = built.noise_v if noise_v is None else noise_v
    return np.asarray(SEEN_SIGMA * math.sqrt(2) * noise / least)


def load_test(built: BuiltPack, readings: Sequence[BenchReading]) -> LoadTest | None:
    """Return each group's resistance from readings at rest and under load; None where there are too few.

    Parameters
    ----------
    built : BuiltPack
    readings : sequence of BenchReading
        Of one session: ``group_v`` (or ``load_v`` with 0 A) at rest, ``load_v`` under load.
    """
    loaded = [r for r in readings if r.kind == "load_v" and r.load_a != 0 and as_number(r.target)]
    rest = {
        as_number(r.target): r.value_v
        for r in readings
        if (r.kind == GROUP or r.kind == "load_v") and r.load_a == 0 and as_number(r.target)
    }
    if not loaded:
        return None
    load_a = float(np.median([abs(r.load_a) for r in loaded]))
    usable = [r for r in loaded if as_number(r.target) in rest and abs(abs(r.load_a) - load_a) < SAME_LOAD * load_a]
    group = np.array([as_number(r.target) for r in usable], dtype=np.int64)
    if len(np.unique(group)) < 2:
        return None
    sag = np.array([rest[int(g)] - r.value_v for g, r in zip(group, usable, strict=True)])
    when = _seconds(usable)
    slide, slide_sigma, notes = _slide(built, group, sag, when)
    first = np.array([int(np.flatnonzero(group == g)[0]) for g in np.unique(group)])
    free = (sag - slide * when)[first]
    own = math.sqrt(2) * built.noise_v
    sigma = np.hypot(own, slide_sigma * (when[first] - when[first].mean()))
    return LoadTest(group=group[first], ohm=free / load_a, sigma_ohm=sigma / load_a, load_a=load_a, notes=notes)


def _seconds(readings: Sequence[BenchReading]) -> NDArray[np.float64]:
    """Return the time of each reading; without times their order, which has no unit but the same use."""
    if all(r.taken_at is not None for r in readings):
        start = min(r.taken_at for r in readings if r.taken_at is not None)
        return np.array([(r.taken_at - start).total_seconds() for r in readings if r.taken_at is not None])
    return np.arange(len(readings), dtype=float)


def _slide(
    built: BuiltPack, group: NDArray[np.int64], sag: NDArray[np.float64], when: NDArray[np.float64]
) -> tuple[float, float, tuple[str, ...]]:
    """Return how fast the whole pack sags on under load [V/s], how well that is known, and words."""
    again = [(np.flatnonzero(group == g)[0], np.flatnonzero(group == g)[-1]) for g in np.unique(group)]
    again = [(a, b) for a, b in again if when[b] > when[a]]
    if again:
        a, b = max(again, key=lambda pair: when[pair[1]] - when[pair[0]])
        span = float(when[b] - when[a])
        rate = float(sag[b] - sag[a]) / span
        words = f"group {group[a]} was read again after {span:.0f} s: {1000 * rate:.2f} mV/s of slide taken out"
        return rate, math.sqrt(2) * built.noise_v / span, (words,)
    if np.ptp(when) == 0 or len(group) < 4:
        return 0.0, 0.0, ("the groups' slide under load is not known: read the first group again last, with times",)
    expected = built.group_ohm[group - 1]
    scale = float(np.median(sag / expected))
    slope = theilslopes(sag - scale * expected, when)
    spread = float(np.std(when))
    sigma = math.sqrt(2) * built.noise_v / (spread * math.sqrt(len(group)))
    words = "the slide under load was judged from all groups: read the first group again last to know it"
    return float(slope.slope), 1.2 * sigma, (words,)


def sagging(built: BuiltPack, test: LoadTest) -> list[tuple[Finding, ...]]:
    """Return groups that sag more than the network says, against their peers.

    All groups together may sag 1.3 to 1.8 times what AC readings say, so they are first brought to one scale.

    Returns
    -------
    list of tuple of Finding
        Explanations of each event, the surest first.
    """
    expected = built.group_ohm[test.group - 1]
    if np.isnan(expected).any():
        return []
    ratio = test.ohm / expected
    known = np.hypot(test.sigma_ohm / expected, IR_UNCERTAINTY / np.sqrt(built.sizes[test.group - 1]))
    away, sigma = against_peers(ratio, known)
    found = []
    for i in np.flatnonzero(away > alarm_sigma(len(ratio)) * sigma):
        scale = float(ratio[i] - away[i])
        found.append(_sag_event(built, test, int(i), scale, float(sigma[i] * expected[i])))
    return found


def _sag_event(built: BuiltPack, test: LoadTest, i: int, scale: float, sigma_ohm: float) -> tuple[Finding, ...]:
    """Name what may make one group sag: a cell not joined, or a loose link."""
    group = int(test.group[i])
    expected = scale * float(built.group_ohm[group - 1])
    more = float(test.ohm[i]) - expected
    missing = scale * built.without_cell_ohm(group)
    evidence = (
        f"group {group} sags {1000 * test.ohm[i]:.2f} mΩ at {test.load_a:g} A; the network, at its peers' scale of "
        f"{scale:.2f}, says {1000 * expected:.2f} ± {1000 * sigma_ohm:.2f} mΩ",
        *test.notes,
    )
    ask = f"load with {test.load_a:g} A and read from the cap of each cell of group {group} to its bar"
    low, high = float(missing.min()), float(missing.max())
    # how far the excess lies from what one missing cell makes
    beside = max(low - more, more - high, 0.0) / sigma_ohm if math.isfinite(high) else math.inf
    like = math.exp(-0.5 * beside**2) if math.isfinite(beside) else 0.0
    chance = like / (like + 0.2)
    size = len(built.groups[group - 1])
    unjoined = finding(
        "cell_not_joined",
        f"group {group}",
        f"one cell of group {group} is probably not joined: the group would have {size - 1} of {size} cells' "
        "capacity, and the others carry its share.",
        evidence,
        sure_fraction=chance,
        next_measurement=ask,
        tied_with=(f"loose_link group {group}",) if chance < 0.98 else (),
    )
    loose = finding(
        "loose_link",
        f"group {group}",
        f"a link or joint of group {group} is loose, or one of its series links is missing: it heats up under load.",
        evidence,
        sure_fraction=1 - chance,
        next_measurement=ask,
        tied_with=(f"cell_not_joined group {group}",) if chance > 0.02 else (),
    )
    both = [f for f in (unjoined, loose) if f.sure_fraction > 0.02]
    return tuple(sorted(both, key=lambda f: -f.sure_fraction))


def cap_drops(built: BuiltPack, readings: Sequence[BenchReading], scale: float = 1.0) -> list[tuple[Finding, ...]]:
    """Return cells whose cap does not follow its bar under load.

    A joined cell shows the drop of its own joint; one that is not joined stays at rest voltage while the bar
    sags by what the others make of the load.

    Parameters
    ----------
    built : BuiltPack
    readings : sequence of BenchReading
    scale : float
        What all groups together sag of what their resistances say.

    Returns
    -------
    list of tuple of Finding
    """
    place = {cell: (g, i) for g, group in enumerate(built.groups) for i, cell in enumerate(group)}
    drops = [r for r in readings if r.kind == "cap_drop_v" and r.load_a != 0 and r.target in place]
    alarm = alarm_sigma(len(drops)) if drops else math.inf
    found: list[tuple[Finding, ...]] = []
    for r in drops:
        g, i = place[r.target]
        g_cell = 1 / built.cell_ohm[g]
        rest_of_group = scale / (g_cell.sum() - g_cell[i]) if len(g_cell) > 1 else math.inf
        open_v = abs(r.load_a) * rest_of_group
        joint_v = abs(r.load_a) * g_cell[i] / g_cell.sum() * built.joint_ohm
        if not abs(r.value_v) > joint_v + max(alarm * built.noise_v, 2 * joint_v):
            continue
        # a joint of any resistance lies between; one cell's resistance halves the open drop
        kind = "cell_not_joined" if abs(r.value_v) > 0.7 * open_v else "loose_link"
        found.append((_cap_finding(built, r, g + 1, kind, open_v, joint_v),))
    return found


def _cap_finding(built: BuiltPack, r: BenchReading, group: int, kind: str, open_v: float, joint_v: float) -> Finding:
    size = len(built.groups[group - 1])
    words = (
        f"cell {r.target} of group {group} is not joined to its bar: {size - 1} of {size} cells carry the load."
        if kind == "cell_not_joined"
        else f"the joint of cell {r.target} of group {group} is loose: it drops {1000 * abs(r.value_v):.1f} mV."
    )
    return finding(
        kind,
        f"cell {r.target}",
        words,
        (
            f"cap to bar {1000 * abs(r.value_v):.1f} mV at {abs(r.load_a):g} A; joined it would show about "
            f"{1000 * joint_v:.1f} mV, not joined about {1000 * open_v:.1f} mV",
        ),
        sure_fraction=0.995 if abs(r.value_v) > 2 * joint_v + 8 * built.noise_v else 0.9,
        next_measurement="take the load off, make that joint again, and read it once more under load",
    )


def scale_of(built: BuiltPack, test: LoadTest | None) -> float:
    """Return what all groups together sag of what the network says; 1 without a load test."""
    if test is None:
        return 1.0
    scale = float(np.median(test.ohm / built.group_ohm[test.group - 1]))
    return scale if math.isfinite(scale) and scale > 0 else 1.0
