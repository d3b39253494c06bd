"""Invented packs with one fault each, and what a meter would show of them.

Cells: rest voltages within 4 mV, capacities within 2 %, resistances within 5 % (standard deviations); the
plan knows them to 1 mV, 1 % and 3 %. Under load everything sags 1.0 to 1.6 times as much as the plan's
resistances say. Links of 0.5 mohm, joints of 0.2 mohm, both scattered. The meter repeats to 2 mV, has a gain
error within 0.5 % that differs from range to range, and rounds to its digit.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import cache

import numpy as np

from cellmatch.bench.balance import MODEL_V
from cellmatch.bench.built import BuiltPack
from cellmatch.build.links import wire_pack
from cellmatch.build.meter import Meter
from cellmatch.build.pack_network import JOINT_OHM, LINK_OHM, pack_network
from cellmatch.build.taps import list_taps
from cellmatch.cells.readings import BenchReading
from cellmatch.pack.holder import Holder

SIZES = (
    (3, 2), (4, 3), (6, 2), (7, 4), (10, 3), (10, 4), (13, 4), (13, 5), (14, 8), (16, 6), (20, 2), (20, 10),
)  # fmt: skip
NOISE_V = 0.002
START = datetime(2031, 5, 17, 9, 0)
GROUP_AH = 2.5


@dataclass
class Truth:
    """What the pack really is; a fault changes it before the meter looks."""

    rng: np.random.Generator
    built: BuiltPack
    cell_ohm: list[np.ndarray]
    group_v: np.ndarray
    plate: np.ndarray
    open_pins: set[int]
    probe: float
    offset_v: float
    joint_ohm: list[np.ndarray]
    cell_v: list[np.ndarray]
    leak_mv_per_day: np.ndarray
    scale: float
    load_a: float
    gain: np.ndarray
    effect: float = math.inf
    before_only: bool = False


def new_truth(rng: np.random.Generator, series: int, parallel: int) -> Truth:
    """Return a healthy pack and the plan's view of it."""
    cell_v = [3.67 + rng.normal(0, 0.004, parallel) for _ in range(series)]
    cell_ah = [rng.normal(GROUP_AH, 0.02 * GROUP_AH, parallel) for _ in range(series)]
    cell_ohm = [0.025 * np.exp(rng.normal(0, 0.05, parallel)) for _ in range(series)]
    known_ohm = [r * (1 + rng.normal(0, 0.03, parallel)) for r in cell_ohm]
    built = BuiltPack(
        groups=tuple(tuple(f"G{g}C{i}" for i in range(1, parallel + 1)) for g in range(1, series + 1)),
        cell_v=tuple(v + rng.normal(0, 0.001, parallel) for v in cell_v),
        cell_ohm=tuple(known_ohm),
        cell_ah=tuple(q * (1 + rng.normal(0, 0.01, parallel)) for q in cell_ah),
        join_limit_a=tuple(np.full(parallel, 0.5 * GROUP_AH) for _ in range(series)),
        group_ohm=group_ohm(known_ohm, [np.full(parallel, JOINT_OHM)] * series, np.random.default_rng(0), 0.0),
        min_v=2.5,
        full_v=4.2,
        noise_v=NOISE_V,
        slope_v=0.95,
    )
    return Truth(
        rng=rng,
        built=built,
        cell_ohm=cell_ohm,
        group_v=np.array([np.average(v, weights=q) for v, q in zip(cell_v, cell_ah, strict=True)]),
        plate=np.arange(series + 1),
        open_pins=set(),
        probe=1.0,
        offset_v=0.0,
        joint_ohm=[JOINT_OHM * np.exp(rng.normal(0, 0.3, parallel)) for _ in range(series)],
        cell_v=cell_v,
        leak_mv_per_day=np.abs(rng.normal(0.3, 0.1)) + np.abs(rng.normal(0, 0.05, series)),
        scale=rng.uniform(1.0, 1.6),
        load_a=rng.uniform(0.5, 1.5) * GROUP_AH * parallel,
        gain=1 + rng.uniform(-0.005, 0.005, 4),
    )


def group_ohm(
    cell_ohm: list[np.ndarray], joint_ohm: list[np.ndarray], rng: np.random.Generator, scatter: float
) -> np.ndarray:
    """Return tap-to-tap resistances of straight rows by the network."""
    series, parallel = len(cell_ohm), len(cell_ohm[0])
    positions, wiring, taps = _layout(series, parallel)
    links = LINK_OHM * np.exp(rng.normal(0, scatter, len(wiring.links))) if scatter else LINK_OHM
    r = np.concatenate(cell_ohm) + np.concatenate(joint_ohm) + JOINT_OHM
    return pack_network(positions, wiring, taps, r, links).group_ohm


@cache
def _layout(series: int, parallel: int) -> tuple:
    holder = Holder()
    positions = holder.lay_out(f"{series}s{parallel}p")
    wiring = wire_pack(positions, holder)
    taps = list_taps(positions, wiring, np.full(len(positions), 3.67), Meter(), holder.length_mm)
    return positions, wiring, taps


def shown(truth: Truth, volts: float, *, noise: bool = True) -> float:
    """Return what the meter shows of a voltage."""
    meter = truth.built.meter
    number = meter.range_number(volts)
    digit = meter.digits_v / 2 * 10.0**number
    read = volts * truth.gain[number] + (truth.rng.normal(0, NOISE_V) if noise else 0.0) + truth.offset_v
    return truth.probe * round(read / digit) * digit


def readings_of(truth: Truth, *, with_main: bool = True) -> list[BenchReading]:
    """Return everything an inspection asks for: at rest, under load, and a week later."""
    series = truth.built.series
    if truth.before_only:
        return [
            _reading("cell_v", cell, shown(truth, v), START)
            for g, group in enumerate(truth.built.groups)
            for cell, v in zip(group, truth.cell_v[g], strict=True)
        ]
    out = [_reading("group_v", str(g + 1), shown(truth, truth.group_v[g]), START) for g in range(series)]
    plates = np.concatenate([[0.0], np.cumsum(truth.group_v)])
    pairwise = truth.rng.random() < 0.5
    for pin in range(1 if pairwise else 0, series + 1):
        against = pin - 1 if pairwise else 0
        if {pin, against} & truth.open_pins and pin != against:
            volts = truth.rng.normal(0, 0.05)
        else:
            volts = plates[truth.plate[pin]] - plates[truth.plate[against]]
        out.append(_reading("tap_v", str(pin), shown(truth, float(volts)), START))
    if with_main:
        out.append(_reading("main_v", "pack", shown(truth, float(plates[-1])), START))
    out += _under_load(truth)
    return out + _week_later(truth)


def _under_load(truth: Truth) -> list[BenchReading]:
    built, rng = truth.built, truth.rng
    cells = [r * truth.scale * (1 + rng.normal(0, 0.01, len(r))) for r in truth.cell_ohm]
    sag = group_ohm(cells, truth.joint_ohm, rng, 0.2)
    slide, out = rng.uniform(0.0001, 0.0005), []
    order = [*range(built.series), 0] if rng.random() < 0.7 else [*range(built.series)]
    for n, g in enumerate(order):
        volts = truth.group_v[g] - truth.load_a * sag[g] - slide * 5.0 * n
        when = START + timedelta(minutes=30, seconds=5 * n)
        out.append(_reading("load_v", str(g + 1), shown(truth, float(volts)), when, truth.load_a))
    for g, group in enumerate(built.groups):
        with np.errstate(divide="ignore"):
            branch = 1 / (cells[g] + truth.joint_ohm[g] + JOINT_OHM)
        bus = truth.load_a / branch.sum()
        # an open joint shows the whole sag, a closed one its share of it
        drop = np.where(np.isinf(truth.joint_ohm[g]), bus, bus * branch * np.where(branch > 0, truth.joint_ohm[g], 0.0))
        drop = np.where(np.isnan(drop), bus, drop)
        for cell, v in zip(group, drop, strict=True):
            out.append(
                _reading("cap_drop_v", cell, shown(truth, float(v)), START + timedelta(minutes=40), truth.load_a)
            )
    return out


def _week_later(truth: Truth) -> list[BenchReading]:
    later = START + timedelta(days=7)
    volts = truth.group_v - 0.007 * truth.leak_mv_per_day
    return [_reading("group_v", str(g + 1), shown(truth, float(v)), later) for g, v in enumerate(volts)]


def _reading(kind: str, target: str, volts: float, when: datetime, load_a: float = 0.0) -> BenchReading:
    return BenchReading(kind=kind, target=target, value_v=volts, load_a=load_a, taken_at=when)


# ---- faults: each changes the truth and says how many standard deviations of the evidence that is ----


def _peer_factor(truth: Truth) -> float:
    return math.sqrt(1 + math.pi / (2 * max(truth.built.series - 1, 1)))


def _group(truth: Truth) -> int:
    return int(truth.rng.integers(truth.built.series))


def cell_reversed(truth: Truth) -> None:
    g, i = _group(truth), int(truth.rng.integers(len(truth.cell_v[0])))
    truth.cell_v[g][i] *= -1
    truth.before_only = True


def group_reversed(truth: Truth) -> None:
    truth.group_v[_group(truth)] *= -1


def group_dead(truth: Truth) -> None:
    truth.group_v[_group(truth)] = truth.rng.uniform(0, 0.1)


def tap_open(truth: Truth) -> None:
    truth.open_pins = {int(truth.rng.integers(truth.built.series + 1))}


def taps_swapped(truth: Truth) -> None:
    i = int(truth.rng.integers(truth.built.series))
    j = i + 1 if truth.rng.random() < 0.8 else int(truth.rng.choice([k for k in truth.plate if k != i]))
    truth.plate[[i, j]] = truth.plate[[j, i]]


def shifted_low(truth: Truth) -> None:
    truth.plate = np.maximum(truth.plate - 1, 0)


def shifted_high(truth: Truth) -> None:
    truth.plate = np.minimum(truth.plate + 1, truth.built.series)
    if truth.rng.random() < 0.5:
        truth.open_pins = {truth.built.series}


def probes_swapped(truth: Truth) -> None:
    truth.probe = -1.0


def _off(truth: Truth, sign: float) -> None:
    g, by = _group(truth), 10 ** truth.rng.uniform(-2.5, -0.4)
    truth.group_v[g] += sign * by
    own = math.hypot(NOISE_V, MODEL_V, NOISE_V / math.sqrt(len(truth.cell_v[g])))
    truth.effect = by / (own * _peer_factor(truth))


def group_low(truth: Truth) -> None:
    _off(truth, -1.0)


def group_high(truth: Truth) -> None:
    _off(truth, 1.0)


def group_leaking(truth: Truth) -> None:
    rate = 10 ** truth.rng.uniform(-0.5, 1.8)
    truth.leak_mv_per_day[_group(truth)] += rate
    truth.effect = rate / (1000 * math.sqrt(2) * NOISE_V / 7 * _peer_factor(truth))


def cell_not_joined(truth: Truth) -> None:
    g, i = _group(truth), int(truth.rng.integers(len(truth.cell_v[0])))
    truth.joint_ohm[g][i] = np.inf
    r = truth.cell_ohm[g] * truth.scale
    truth.effect = truth.load_a / (np.sum(1 / r) - 1 / r[i]) / NOISE_V


def not_joined_by_sag(truth: Truth) -> None:
    cell_not_joined(truth)
    g = next(g for g, joints in enumerate(truth.joint_ohm) if np.isinf(joints).any())
    i = int(np.flatnonzero(np.isinf(truth.joint_ohm[g]))[0])
    conductance = 1 / truth.built.cell_ohm[g]
    total, one = conductance.sum(), conductance[i]
    more = truth.scale * one / (total * (total - one))
    # the slide of all groups is known no better than from one group read first and last: it tilts the row of groups
    series = truth.built.series
    meter = math.sqrt(2) * NOISE_V * math.hypot(1.0, (g - (series - 1) / 2) / series) / truth.load_a
    own = math.hypot(meter, 0.03 / math.sqrt(len(conductance)) * truth.scale / total)
    truth.effect = more / (own * _peer_factor(truth))


def loose_link(truth: Truth) -> None:
    g, i = _group(truth), int(truth.rng.integers(len(truth.cell_v[0])))
    loose = 10 ** truth.rng.uniform(-3, -1.3)
    truth.joint_ohm[g][i] = loose
    r = truth.cell_ohm[g] * truth.scale + JOINT_OHM
    branch = 1 / (r + np.where(np.arange(len(r)) == i, loose, JOINT_OHM))
    truth.effect = truth.load_a / branch.sum() * branch[i] * (loose - JOINT_OHM) / NOISE_V


def meter_offset(truth: Truth) -> None:
    by = truth.rng.choice([-1.0, 1.0]) * 10 ** truth.rng.uniform(-2.5, -0.8)
    truth.offset_v = by
    # caps against their bars show it alone, and so does pin 0 against itself
    truth.effect = abs(by) / NOISE_V


FAULTS: dict[str, tuple[Callable[[Truth], None], str]] = {
    "reversed cell": (cell_reversed, "cell_reversed"),
    "reversed group": (group_reversed, "group_reversed"),
    "dead group": (group_dead, "group_dead"),
    "cell not joined": (cell_not_joined, "cell_not_joined"),
    "same, no caps read": (not_joined_by_sag, "cell_not_joined"),
    "loose link": (loose_link, "loose_link"),
    "tap open": (tap_open, "tap_open"),
    "taps swapped": (taps_swapped, "taps_swapped"),
    "row shifted low": (shifted_low, "row_shifted"),
    "row shifted high": (shifted_high, "row_shifted"),
    "probes swapped": (probes_swapped, "probes_swapped"),
    "group low": (group_low, "group_low"),
    "group high": (group_high, "group_high"),
    "leaking group": (group_leaking, "group_leaking"),
    "meter offset": (meter_offset, "meter_offset"),
}
"""Name -> how it changes the truth, and the kind that should be ranked first."""

LEFT_OUT = {"same, no caps read": ("cap_drop_v",)}
"""Readings that were not taken."""


def answer(truth: Truth, ask: tuple[str, str]) -> BenchReading:
    """Return the reading that a tie asks for."""
    kind, target = ask
    plates = np.concatenate([[0.0], np.cumsum(truth.group_v)])
    if kind == "main_v":
        volts = plates[-1]
    elif kind == "group_v":
        volts = truth.group_v[int(target) - 1]
    else:
        pin = int(target)
        volts = truth.rng.normal(0, 0.05) if pin in truth.open_pins else plates[truth.plate[pin]]
    return _reading(kind, target, shown(truth, float(volts)), START)
