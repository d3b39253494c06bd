"""The kit list: what has to lie ready, counted and sized from the plan."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from cellmatch.build.hazards import Neighbours, insulators
from cellmatch.build.steps import Workbench
from cellmatch.build.taps import Tap
from cellmatch.pack.positions import FACES

PRECHARGE_OHM = 100.0
"""First connection of a load with capacitors goes through this (common practice, no source)."""
FUSE_ABOVE_LOAD = 1.25
"""A fuse is chosen at or above this multiple of the steady load current (common practice, no source)."""


@dataclass(frozen=True, kw_only=True, slots=True)
class KitItem:
    """One line of the kit list.

    Parameters
    ----------
    what : str
    count : int
    size : str
        Length, rating or other figure; empty where there is none.
    note : str
        Why, or what to watch.
    """

    what: str
    count: int
    size: str = ""
    note: str = ""


def short_circuit_a(group: NDArray[np.int64], r_ohm: NDArray[np.float64], full_v: float) -> float | None:
    """Return the current of the full pack into a short, links counted as nothing.

    Parameters
    ----------
    group : ndarray of int, shape (n,)
        Group of each cell, from 1.
    r_ohm : ndarray, shape (n,)
        [ohm] Lowest resistance known of each cell.
    full_v : float
        [V] One cell, full.

    Returns
    -------
    float or None
        [A] None where a resistance is missing.

    Examples
    --------
    >>> group = np.repeat(np.arange(1, 15), 8)
    >>> short_circuit_a(group, np.full(112, 0.025), 4.2)
    1344.0
    """
    if np.isnan(r_ohm).any():
        return None
    conductance = np.bincount(group, 1 / r_ohm)[1:]
    return float(len(conductance) * full_v / np.sum(1 / conductance))


def precharge(load_f: float, pack_v: float, ohm: float = PRECHARGE_OHM) -> tuple[float, float, float]:
    """Return what charging a load's capacitors through a resistor takes.

    Parameters
    ----------
    load_f : float
        [F] Capacitance of the load.
    pack_v : float
        [V]
    ohm : float
        [ohm]

    Returns
    -------
    float
        [J] Stored in the capacitors, and as much again spent in the resistor: C·V²/2.
    float
        [s] Time constant R·C; after five of them the rest is below 1 %.
    float
        [A] First current.

    Examples
    --------
    >>> precharge(0.001, 58.8)
    (1.729, 0.1, 0.588)
    """
    return 0.5 * load_f * pack_v**2, ohm * load_f, pack_v / ohm


def list_kit(
    bench: Workbench,
    neighbours: tuple[Neighbours, ...],
    taps: tuple[Tap, ...],
    *,
    current_a: float | None = None,
    load_f: float | None = None,
) -> tuple[KitItem, ...]:
    """Return everything that has to lie ready before the first step.

    Parameters
    ----------
    bench : Workbench
    neighbours : tuple of Neighbours
    taps : tuple of Tap
    current_a : float, optional
        [A] Steady load current.
    load_f : float, optional
        [F] Capacitance of the load.

    Returns
    -------
    tuple of KitItem
    """
    return (
        *_insulation(bench, neighbours),
        *_links(bench),
        *(KitItem(what=f"sense lead, pin {t.pin}", count=1, size=f"{t.lead_mm:.0f} mm", note=t.plate) for t in taps),
        *_fuse(bench, current_a),
        _precharge_resistor(bench, load_f),
    )


def _insulation(bench: Workbench, neighbours: tuple[Neighbours, ...]) -> list[KitItem]:
    place = bench.positions
    across, down = (float(np.ptp(v)) + bench.holder.spacing_mm for v in (place.x_mm, place.y_mm))
    items = [
        KitItem(
            what="insulating ring", count=len(place), size=f"for {bench.holder.diameter_mm:g} mm", note="under every +"
        ),
        KitItem(what="insulating sheet", count=2, size=f"{across:.0f} x {down:.0f} mm", note="one for each whole face"),
    ]
    for face in FACES:
        strips = Counter(round(n.length_mm) for n in insulators(neighbours) if n.face == face)
        items += [
            KitItem(
                what=f"insulating strip, {face} face", count=n, size=f"{mm} mm", note="between rows not joined there"
            )
            for mm, n in sorted(strips.items())
        ]
    return items


def _links(bench: Workbench) -> list[KitItem]:
    bolted = bench.holder.joint == "bolted"
    metal = "bar" if bolted else "strip"
    counted = Counter((link.kind, round(link.length_mm, 1)) for link in bench.wiring.links)
    items = [
        KitItem(
            what=f"{kind} {metal}" if kind != "custom" else "own link or lead",
            count=n,
            size=f"{mm:g} mm centre to centre",
        )
        for (kind, mm), n in sorted(counted.items(), key=lambda item: (item[0][0] == "custom", item[0]))
    ]
    if bolted:
        items.append(
            KitItem(what="nut and washer", count=2 * len(bench.positions), note="one at each end of each cell")
        )
    return items


def _fuse(bench: Workbench, current_a: float | None) -> list[KitItem]:
    pack_v = bench.series * bench.full_v
    short_a = short_circuit_a(bench.positions.group, bench.r_ohm, bench.full_v)
    breaks = f"breaks at least {short_a:.0f} A" if short_a else "breaking capacity not known: no resistance given"
    load = f", about {FUSE_ABOVE_LOAD * current_a:.0f} A" if current_a else ""
    note = "its curve and size by its maker's sheet; near the pack, before any load lead"
    return [KitItem(what="fuse", count=1, size=f"at least {pack_v:.1f} V DC, {breaks}{load}", note=note)]


def _precharge_resistor(bench: Workbench, load_f: float | None) -> KitItem:
    pack_v = bench.series * bench.full_v
    if load_f is None:
        note = f"first current {pack_v / PRECHARGE_OHM:.2f} A; with the load's capacitance its energy can be told"
    else:
        joule, tau_s, first_a = precharge(load_f, pack_v)
        note = f"{joule:.1f} J, {first_a:.2f} A at first, wait {5 * tau_s:.1f} s"
    return KitItem(what="pre-charge resistor", count=1, size=f"{PRECHARGE_OHM:g} ohm", note=note)
