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

from cellmatch.bench.balance import Look, outliers
from cellmatch.bench.built import IR_UNCERTAINTY, BuiltPack
from cellmatch.bench.findings import Finding, alarm_sigma, finding, tied
from cellmatch.bench.rest_set import GROUP, as_number
from cellmatch.build.leaks import SEEN_SIGMA
from cellmatch.cells.readings import BenchReading

OPEN_FRACTION = 0.7
"""Above this part of what an open joint would drop it is called open; a joint of the cell's own resistance
drops about half."""
MODEL_FRACTION = 0.02
"""How well a cell's resistance under load follows from its reading, its links and its peers' scale
(common practice, no source)."""
LINKS_UNCERTAINTY = 0.25
"""Of what links and joints add to a group's resistance (common practice, no source)."""
MISSING_UNCERTAINTY = 0.12
"""Of what one missing cell adds: where it sits among the links, and its own reading (computed with the network of
packs from 3s2p to 20s10p)."""
LOOSE_ODDS = 0.05
"""How well a loose link, which can make any excess, explains one that fits a missing cell exactly."""
FEWEST_FOR_SLIDE = 4
"""Fewer groups than this can't tell a slide from one group that sags."""
JOINT_SCATTER = 0.5
"""Of the drop of a sound joint (common practice, no source)."""
ENOUGH_CAPS = 6
"""From this many caps on, what they all read alike is taken for the meter's (common practice, no source)."""
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
        [A] nan for a group whose resistances are not known; 0 for a group of one, which is open then; inf for one so
        wide that a cell makes no more than its cells' own readings scatter.
    """
    least = np.array([built.without_cell_ohm(g).min() for g in range(1, built.series + 1)])
    noise = built.noise_v if noise_v is None else noise_v
    needed = SEEN_SIGMA * math.sqrt(2) * noise / least
    return np.asarray(np.where(SEEN_SIGMA * expected_ohm_sigma(built) >= least, np.inf, needed))


def expected_ohm_sigma(built: BuiltPack, scale: float = 1.0) -> NDArray[np.float64]:
    """Return how well each group's resistance follows from its cells' readings and its links, shape (S,) [ohm].

    Parameters
    ----------
    built : BuiltPack
    scale : float
        How many times their readings all cells together show under load.
    """
    cells = scale * built.cells_ohm * math.hypot(IR_UNCERTAINTY, MODEL_FRACTION) / np.sqrt(built.sizes)
    return np.hypot(cells, LINKS_UNCERTAINTY * built.links_ohm)


def load_test(built: BuiltPack, readings: Sequence[BenchReading]) -> LoadTest | None:
    """Return each group's resistance from readings at rest and under load; None where there are too few.

    Parameters
    ----------
    built : BuiltPack
    readings : sequence of BenchReading
        Of one session: ``group_v`` at rest, ``load_v`` under load.
    """
    loaded = [r for r in readings if r.kind == "load_v" and r.load_a != 0 and as_number(r.target)]
    rest = {
        as_number(r.target): r.value_v for r in readings if r.kind == GROUP and r.load_a == 0 and as_number(r.target)
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
    expected = built.group_ohm[group - 1]
    if np.ptp(when) == 0 or len(group) < FEWEST_FOR_SLIDE or np.isnan(expected).any():
        return 0.0, 0.0, ("the groups' slide under load is not known: read the first group again last, with times",)
    beside = sag - expected * float(np.median(sag / expected))
    a, b = np.triu_indices(len(when), 1)
    apart = when[b] != when[a]
    # median of all pairwise slopes (Theil 1950, Sen 1968): one group that sags too much does not tilt it
    slope = float(np.median((beside[b] - beside[a])[apart] / (when[b] - when[a])[apart]))
    spread = float(np.std(when))
    # a straight line through n points knows its slope to s/(spread·√n); Theil-Sen does a little worse
    sigma = 1.2 * math.sqrt(2) * built.noise_v / (spread * math.sqrt(len(group)))
    words = "the slide under load was judged from all groups: read the first group again last to know it"
    return slope, sigma, (words,)


def resistances(built: BuiltPack, test: LoadTest | None) -> list[tuple[Finding, ...]]:
    """Return what a load test makes of the groups' resistance, beside what the network of cells and links says."""
    if test is None:
        return []
    mohm = [f"group {g} {1000 * r:.2f}" for g, r in zip(test.group, test.ohm, strict=True)]
    known = 1000 * float(np.median(test.sigma_ohm))
    words = f"at {test.load_a:g} A each group sags by, in mΩ (± {known:.2f}): {', '.join(mohm)}"
    expected = 1000 * built.group_ohm[test.group - 1]
    if not np.isnan(expected).any():
        words += f"; by the cells' own readings and the links {expected.min():.2f} to {expected.max():.2f}"
    return [(finding("measured", "resistance", words + ".", test.notes, sure_fraction=1.0),)]


def sagging(built: BuiltPack, test: LoadTest) -> list[tuple[Finding, ...]]:
    """Return groups that sag more than the network says, against their peers.

    Under load all cells may show 1.3 to 1.8 times what their AC readings say; their links do not. So the
    links' part is taken off, and what is left of each group is compared with its cells' readings.

    Returns
    -------
    list of tuple of Finding
        Explanations of each event, the surest first.
    """
    cells, links = built.cells_ohm[test.group - 1], built.links_ohm[test.group - 1]
    if np.isnan(cells).any():
        return []
    ratio = (test.ohm - links) / cells
    model = expected_ohm_sigma(built, float(np.median(ratio)))[test.group - 1]
    known = np.hypot(test.sigma_ohm, model) / cells
    return [
        _sag_event(built, test, i, float(ratio[i]) - away, sigma * float(cells[i]))
        for i, away, sigma in outliers(ratio, known, high_only=True)
    ]


def _sag_event(built: BuiltPack, test: LoadTest, i: int, scale: float, sigma_ohm: float) -> tuple[Finding, ...]:
    """Name what may make one group sag: a cell not joined, or a loose link."""
    group = int(test.group[i])
    expected = scale * float(built.cells_ohm[group - 1]) + float(built.links_ohm[group - 1])
    more = float(test.ohm[i]) - expected
    missing = scale * built.without_cell_ohm(group)
    evidence = (
        f"group {group} sags {1000 * test.ohm[i]:.2f} mΩ at {test.load_a:g} A; the network, at its peers' scale of "
        f"{scale:.2f}, says {1000 * expected:.2f} ± {1000 * sigma_ohm:.2f} mΩ",
        *test.notes,
    )
    ask = f"load with {test.load_a:g} A and read from the cap of each cell of group {group} to its bar"
    low, high = float(missing.min()), float(missing.max())
    like = 0.0
    if math.isfinite(high):
        # how far the excess lies from what one missing cell makes, which is known no better than its own part
        beside = max(low - more, more - high, 0.0)
        like = math.exp(-0.5 * (beside / math.hypot(sigma_ohm, MISSING_UNCERTAINTY * high)) ** 2)
    chance = like / (like + LOOSE_ODDS)
    size = len(built.groups[group - 1])
    unjoined = finding(
        "cell_not_joined",
        f"group {group}",
        f"one cell of group {group} is probably not joined: the group would have {size - 1} of {size} cells' "
        "capacity, and the others carry its share.",
        evidence,
        sure_fraction=chance,
        next_measurement=ask,
    )
    loose = finding(
        "loose_link",
        f"group {group}",
        f"a link or joint of group {group} is loose, or one of its series links is missing: it heats up under load.",
        evidence,
        sure_fraction=1 - chance,
        next_measurement=ask,
    )
    both = sorted((f for f in (unjoined, loose) if f.sure_fraction > 0.02), key=lambda f: -f.sure_fraction)
    return tied(tuple(both))


@dataclass(frozen=True, kw_only=True, slots=True)
class CapDrop:
    """One reading from a cap to its bar under load, and what it would be.

    Parameters
    ----------
    cell : str
    group : int
    load_a : float
        [A]
    drop_v : float
        [V] As read.
    joint_v, open_v : float
        [V] With a sound joint, and with none.
    """

    cell: str
    group: int
    load_a: float
    drop_v: float
    joint_v: float
    open_v: float


def cap_readings(built: BuiltPack, readings: Sequence[BenchReading], scale: float) -> list[CapDrop]:
    """Return the drops from cap to bar with what is expected of them.

    A joined cell shows the drop of its own joint; one that is not joined stays at rest voltage while the bar
    sags by what the others make of the load.

    Parameters
    ----------
    built : BuiltPack
    readings : sequence of BenchReading
    scale : float
        How many times their readings all cells together show under load.
    """
    place = {cell: (g, i) for g, group in enumerate(built.groups) for i, cell in enumerate(group)}
    drops = []
    for r in readings:
        if r.kind != "cap_drop_v" or r.load_a == 0:
            continue
        g, i = place[r.target]
        conductance = 1 / built.cell_ohm[g]
        load_a, own = abs(r.load_a), float(conductance[i])
        others = float(conductance.sum()) - own
        drops.append(
            CapDrop(
                cell=r.target,
                group=g + 1,
                load_a=load_a,
                drop_v=r.value_v,
                joint_v=load_a * own / (own + others) * built.joint_ohm,
                open_v=load_a * scale / others if len(conductance) > 1 else math.inf,
            )
        )
    return drops


def cap_shift(built: BuiltPack, drops: Sequence[CapDrop]) -> list[Look]:
    """Return what all caps read alike, where there are enough: that is the meter, not the joints."""
    if len(drops) < ENOUGH_CAPS:
        return []
    shift = float(np.median([d.drop_v - d.joint_v for d in drops]))
    joints = float(np.median([d.joint_v for d in drops]))
    sigma = math.hypot(built.noise_v * math.sqrt(math.pi / (2 * len(drops))), joints)
    words = f"all {len(drops)} caps together read {1000 * shift:+.1f} mV more against their bars than joints make"
    return [(shift, sigma, words)]


def bad_joints(built: BuiltPack, drops: Sequence[CapDrop]) -> list[tuple[Finding, ...]]:
    """Return cells whose cap does not follow its bar under load.

    Parameters
    ----------
    built : BuiltPack
    drops : sequence of CapDrop

    Returns
    -------
    list of tuple of Finding
    """
    alarm = alarm_sigma(len(drops), sides=1)
    common_v = sum(volts for volts, _, _ in cap_shift(built, drops))
    noise_v = math.hypot(built.noise_v, built.rounding_v)
    found: list[tuple[Finding, ...]] = []
    for drop in drops:
        own_v = abs(drop.drop_v - common_v)
        scatter_v = math.hypot(noise_v, JOINT_SCATTER * drop.joint_v)
        if own_v > drop.joint_v + max(alarm * scatter_v, 2 * drop.joint_v):
            found.append((_joint_finding(built, drop, own_v),))
    return found


def _joint_finding(built: BuiltPack, drop: CapDrop, own_v: float) -> Finding:
    size = len(built.groups[drop.group - 1])
    unjoined = own_v > OPEN_FRACTION * drop.open_v
    where = f"cell {drop.cell} of group {drop.group}"
    words = (
        f"{where} is not joined to its bar: {size - 1} of {size} cells carry the load."
        if unjoined
        else f"the joint of {where} is loose: it drops {1000 * own_v:.1f} mV and warms up."
    )
    return finding(
        "cell_not_joined" if unjoined else "loose_link",
        f"cell {drop.cell}",
        words,
        (
            f"cap to bar {1000 * own_v:.1f} mV at {drop.load_a:g} A; joined it would show about "
            f"{1000 * drop.joint_v:.1f} mV, not joined about {1000 * drop.open_v:.1f} mV",
        ),
        sure_fraction=0.995 if own_v > 2 * drop.joint_v + 8 * built.noise_v else 0.9,
        next_measurement="take the load off, make that joint again, and read it once more under load",
    )


def scale_of(built: BuiltPack, test: LoadTest | None) -> float:
    """Return how many times their readings all cells together show under load; 1 without a load test."""
    if test is None:
        return 1.0
    cells, links = built.cells_ohm[test.group - 1], built.links_ohm[test.group - 1]
    scale = float(np.median((test.ohm - links) / cells))
    return scale if math.isfinite(scale) and scale > 0 else 1.0
