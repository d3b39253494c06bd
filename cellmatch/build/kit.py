"""The kit list: what has to lie ready, counted and sized from the plan."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass

import numpy as np

from cellmatch.build.hazards import Neighbours, insulators
from cellmatch.build.steps import Workbench
from cellmatch.build.taps import Tap
from cellmatch.electrics.shorting import precharge_capacitor, short_circuit
from cellmatch.pack.conductors import wire
from cellmatch.pack.positions import FACES

PRECHARGE_OHM = 100.0
"""First connection of a load with capacitors goes through this (common practice, no source)."""
LEAD_GAUGES = (4, 6, 8, 10, 12, 14)
"""Wire gauges (AWG) for which the drop of the main leads is told; their ratings stand in the maker's sheet."""
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
    """Fuse and main leads: what the plan can tell of them."""
    pack_v = bench.series * bench.full_v
    if np.isnan(bench.r_ohm).any():
        breaks = "breaking capacity not known: no resistance given"
    else:
        short = short_circuit(bench.full_v, bench.r_ohm, bench.positions.group)
        breaks = f"breaks at least {short.pack_a:.0f} A"
    load = f", about {FUSE_ABOVE_LOAD * current_a:.0f} A" if current_a else ""
    note = "its curve and size by its maker's sheet; near the pack, before any load lead"
    fuse = KitItem(what="fuse", count=1, size=f"at least {pack_v:.1f} V DC, {breaks}{load}", note=note)
    if not current_a:
        return [fuse]
    drops = ", ".join(f"AWG {n} {1000 * wire(n, 1000.0).drop_v(current_a):.0f} mV" for n in LEAD_GAUGES)
    lead = f"drop per metre of wire at {current_a:g} A: {drops}; ampere rating by the maker's sheet"
    return [fuse, KitItem(what="main lead", count=2, size="by the drop you allow", note=lead)]


def _precharge_resistor(bench: Workbench, load_f: float | None) -> KitItem:
    pack_v = bench.series * bench.full_v
    if load_f is None:
        note = f"first current {pack_v / PRECHARGE_OHM:.2f} A; with the load's capacitance its energy can be told"
    else:
        pre = precharge_capacitor(pack_v, load_f, PRECHARGE_OHM)
        note = f"takes {pre.energy_j:.1f} J and {pre.first_w:.0f} W at first; wait at least {pre.time_s:.1f} s"
    return KitItem(what="pre-charge resistor", count=1, size=f"{PRECHARGE_OHM:g} ohm", note=note)
