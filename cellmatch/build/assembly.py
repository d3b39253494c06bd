"""Everything a plan says about building, in one call."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from cellmatch.build.first_charge import FirstCharge, first_charge_sheet
from cellmatch.build.hazards import Hazard, Neighbours, list_hazards, neighbour_voltages
from cellmatch.build.kit import KitItem, list_kit
from cellmatch.build.links import Wiring, wire_pack
from cellmatch.build.orders import plan_steps
from cellmatch.build.pack_network import LINK_OHM, WORST_OVER_MEAN, LinkLoads, link_loads, pack_network
from cellmatch.build.steps import Step, Workbench, workbench
from cellmatch.build.taps import Tap, list_taps
from cellmatch.cells.table import PlacedCells
from cellmatch.pack.chemistry import Chemistry
from cellmatch.pack.holder import Holder
from cellmatch.pack.limits import Limits
from cellmatch.pack.spec import Pack


@dataclass(frozen=True, kw_only=True, slots=True)
class Assembly:
    """How a pack is built.

    Parameters
    ----------
    wiring : Wiring
        Links, junctions and terminals.
    neighbours : tuple of Neighbours
        Voltages between neighbouring groups on each face, largest first.
    hazards : tuple of Hazard
        What must never be bridged, largest voltage first.
    taps : tuple of Tap
        Pin 0 first.
    steps : tuple of Step
    kit : tuple of KitItem
    first_charge : FirstCharge
    loads : LinkLoads or None
        What links and cells carry at the load current; None without a current or without resistances.
    cautions : tuple of str
        What this holder and this wiring add to the cautions of every pack.
    """

    wiring: Wiring
    neighbours: tuple[Neighbours, ...]
    hazards: tuple[Hazard, ...]
    taps: tuple[Tap, ...]
    steps: tuple[Step, ...]
    kit: tuple[KitItem, ...]
    first_charge: FirstCharge
    loads: LinkLoads | None
    cautions: tuple[str, ...]


def plan_assembly(
    cells: PlacedCells,
    pack: Pack | str,
    holder: Holder | None,
    chemistry: Chemistry,
    limits: Limits,
    *,
    current_a: float | None = None,
    load_f: float | None = None,
    balance_h: float | None = None,
    link_ohm: float = LINK_OHM,
) -> Assembly:
    """Work out how the placed cells become a pack.

    Parameters
    ----------
    cells : PlacedCells
        From :func:`cellmatch.build.placement.place_cells`, with the same pack and holder.
    pack : Pack or str
    holder : Holder or None
        None: straight rows.
    chemistry : Chemistry
    limits : Limits
        Open values are filled from the chemistry.
    current_a : float, optional
        [A] Steady load current, for link currents, contact rating and fuse.
    load_f : float, optional
        [F] Capacitance of the load.
    balance_h : float, optional
        [h] Predicted time to balance.
    link_ohm : float
        [ohm] Each link with its joints.

    Returns
    -------
    Assembly

    Raises
    ------
    ArgumentInvalid
        The holder can't take the pack, or its map makes a group that can't be linked.
    """
    pack, holder, limits = Pack.of(pack), Holder.of(holder), limits.settled(chemistry)
    positions = holder.lay_out(pack)
    wiring = wire_pack(positions, holder, _ids_by_place(cells))
    bench = workbench(cells, positions, wiring, holder, chemistry, limits)
    neighbours = neighbour_voltages(positions, holder.spacing_mm, bench.full_v)
    taps = list_taps(positions, wiring, bench.ocv_v, bench.meter, holder.length_mm)
    loads = _loads(bench, taps, current_a, link_ohm)
    return Assembly(
        wiring=wiring,
        neighbours=neighbours,
        hazards=list_hazards(positions, neighbours, wiring.terminals, bench.full_v),
        taps=taps,
        steps=plan_steps(bench, taps),
        kit=list_kit(bench, neighbours, taps, current_a=current_a, load_f=load_f),
        first_charge=first_charge_sheet(bench, balance_h=balance_h),
        loads=loads,
        cautions=(*wiring.cautions, *_current_cautions(bench, current_a, loads)),
    )


def _ids_by_place(cells: PlacedCells) -> Sequence[str]:
    used = cells[cells["position"] > 0].sort_values("position")
    return [str(cell) for cell in used.index]


def _loads(bench: Workbench, taps: tuple[Tap, ...], current_a: float | None, link_ohm: float) -> LinkLoads | None:
    if current_a is None or np.isnan(bench.r_ohm).any():
        return None
    circuit = pack_network(bench.positions, bench.wiring, taps, bench.r_ohm, link_ohm)
    return link_loads(circuit, bench.positions, bench.wiring, bench.holder, current_a)


def _current_cautions(bench: Workbench, current_a: float | None, loads: LinkLoads | None) -> list[str]:
    words = []
    sizes = [len(bench.places_of(g)) for g in range(1, bench.series + 1)]
    short = [j for j in bench.wiring.junctions if j.links < min(sizes[j.number - 1 : j.number + 1])]
    if short and bench.holder.joint == "bolted":
        names = ", ".join(f"{j.number}-{j.number + 1}" for j in short)
        words.append(
            f"junction {names}: fewer links than columns, so the parallel bars there carry load current whichever "
            "bar lies next to the cap"
        )
    if current_a is None:
        return words
    single = [j for j in bench.wiring.junctions if j.links == 1 and sizes[j.number - 1] > 1]
    if single:
        names = ", ".join(f"{j.number}-{j.number + 1}" for j in single)
        words.append(f"at {current_a:g} A the one link of junction {names} carries all {current_a:g} A")
    share_a = current_a / min(sizes)
    if bench.holder.contact_a is not None and share_a > bench.holder.contact_a:
        words.append(
            f"{share_a:.2f} A through each cell's contact even if shared evenly; "
            f"the holder allows {bench.holder.contact_a:g} A"
        )
    if loads is not None and loads.worst_over_mean > WORST_OVER_MEAN:
        words.append(f"{loads.words}: take the load off at opposite ends, or use heavier bars")
    return words
