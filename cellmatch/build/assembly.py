"""Everything a plan says about building, in one call."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from cellmatch.build.first_charge import FirstCharge, first_charge_sheet
from cellmatch.build.hazards import Hazard, Neighbours, list_hazards, neighbour_voltages
from cellmatch.build.kit import KitItem, list_kit
from cellmatch.build.links import Wiring, wire_pack
from cellmatch.build.orders import plan_steps
from cellmatch.build.steps import Step, Workbench, workbench
from cellmatch.build.taps import Tap, list_taps
from cellmatch.cells.table import PlacedCells
from cellmatch.pack.chemistry import Chemistry
from cellmatch.pack.holder import Holder
from cellmatch.pack.limits import Limits
from cellmatch.pack.positions import Positions
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
    slope_v: float | None = None,
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
    slope_v : float, optional
        [V] Change of rest voltage per unit of state of charge where the pack will rest.

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
    return Assembly(
        wiring=wiring,
        neighbours=neighbours,
        hazards=list_hazards(positions, neighbours, wiring.terminals, bench.full_v),
        taps=taps,
        steps=plan_steps(bench, taps),
        kit=list_kit(bench, neighbours, taps, current_a=current_a, load_f=load_f),
        first_charge=first_charge_sheet(bench, balance_h=balance_h, slope_v=slope_v),
        cautions=(*wiring.cautions, *_current_cautions(bench, positions, current_a)),
    )


def _ids_by_place(cells: PlacedCells) -> Sequence[str]:
    used = cells[cells["position"] > 0].sort_values("position")
    return [str(cell) for cell in used.index]


def _current_cautions(bench: Workbench, positions: Positions, current_a: float | None) -> list[str]:
    if current_a is None:
        return []
    words = []
    single = [j for j in bench.wiring.junctions if j.links == 1 and len(bench.places_of(j.number)) > 1]
    if single:
        words.append(
            f"at {current_a:g} A the one link of junction "
            f"{', '.join(f'{j.number}-{j.number + 1}' for j in single)} carries all {current_a:g} A"
        )
    smallest = min(len(bench.places_of(g)) for g in range(1, bench.series + 1))
    share_a = current_a / smallest
    if bench.holder.contact_a is not None and share_a > bench.holder.contact_a:
        words.append(
            f"{share_a:.2f} A through each cell's contact even if shared evenly; "
            f"the holder allows {bench.holder.contact_a:g} A"
        )
    return words
