"""Several packs from one tray: each a plan of its own, the spares shared."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from typing import Any

from cellmatch.cells.table import CellTable, ScreenedCells
from cellmatch.grouping.pool import TENTHS_PER_MAH
from cellmatch.grouping.solve import Grouping
from cellmatch.pack.chemistry import Chemistry
from cellmatch.pack.holder import Holder
from cellmatch.pack.limits import Limits
from cellmatch.pack.spec import Pack
from cellmatch.plan import Plan, planned
from cellmatch.prediction import LoadCase
from cellmatch.tray import grouped, screened_tray


def plan_packs(
    cells: CellTable,
    pack: Pack | str,
    packs: int | str,
    *,
    pack_capacity_mah: float | None = None,
    limits: Limits | None = None,
    chemistry: Chemistry | str | None = None,
    accept: Mapping[str, str] | None = None,
    holder: Holder | None = None,
    case: LoadCase | None = None,
    heat_placement: bool = True,
    aims: Sequence[str] | None = None,
    rules: Sequence[str] = (),
    spend_uncertainty: Sequence[str] = (),
    floor_is_enough: bool = False,
    reproducible: bool = False,
    seed: int = 0,
    seconds: float = 3.0,
    progress: Callable[..., None] | None = None,
) -> tuple[Plan, ...]:
    """Plan several equal packs from one tray.

    Spread counts inside each pack: cells of different packs never share a current, so packs may differ.

    Parameters
    ----------
    cells : CellTable
    pack : Pack or str
    packs : int or str
        How many, or ``max``: as many as reach `pack_capacity_mah`.
    pack_capacity_mah : float, optional
        [mAh] What the weakest group of every pack is to hold.
    limits, chemistry, accept, holder, case, heat_placement, aims, rules, spend_uncertainty, floor_is_enough,
    reproducible, seed, seconds, progress
        As for :func:`cellmatch.plan_pack`.

    Returns
    -------
    tuple of Plan
        The strongest pack first. Each knows its own cells, the spares, which all share, and the rejects.

    Raises
    ------
    TooFewCells, MixedChemistries, RulesInfeasible, FileAmbiguous, ArgumentInvalid
        As :func:`cellmatch.plan_pack`.
    """
    pack = Pack.of(pack)
    tray = screened_tray(cells, pack, limits=limits, chemistry=chemistry, accept=accept)
    search: dict[str, Any] = {
        "rules": list(rules),
        "spend_uncertainty": list(spend_uncertainty),
        "unequal": "share",
        "floor_is_enough": floor_is_enough,
        "reproducible": reproducible,
        "seed": seed,
        "seconds": seconds,
    }
    found = grouped(
        tray, pack, progress=progress, aims=aims, packs=packs, pack_capacity_mah=pack_capacity_mah, **search
    )
    together = len(found.groups) // pack.series
    return tuple(
        planned(
            tray,
            _cells_of(tray.screened, found, of_pack),
            of_pack,
            pack,
            {**search, "packs": together, "pack_number": number},
            holder=holder,
            case=case,
            heat_placement=heat_placement,
            notes=(f"pack {number} of {together} from this tray; the {len(found.spares)} spares are shared by all",),
        )
        for number in range(1, together + 1)
        for of_pack in (grouping_of_pack(tray.screened, found, pack, number),)
    )


def grouping_of_pack(cells: ScreenedCells, found: Grouping, pack: Pack, number: int) -> Grouping:
    """Return the grouping of one of several packs, counted from 1, with its own spread and weakest group.

    What is proved of all packs is proved of each: no less than spread 0, no weakest group above the bound.
    """
    groups = found.groups[(number - 1) * pack.series : number * pack.series]
    tenths = (cells["capacity_mah"] * TENTHS_PER_MAH).round()
    sums = [int(tenths.loc[list(group)].sum()) for group in groups]
    spread_mah, weakest_mah = (max(sums) - min(sums)) / TENTHS_PER_MAH, min(sums) / TENTHS_PER_MAH
    bound_mah = min(found.bound_mah, spread_mah)
    of_aim: dict[str, dict[str, Any]] = {
        "spread": {"value": spread_mah, "bound": bound_mah, "proven": spread_mah == bound_mah},
        "weakest": {"value": weakest_mah, "proven": weakest_mah == found.weakest_bound_mah},
    }
    return replace(
        found,
        groups=groups,
        packs=None,
        aims=tuple(replace(aim, **of_aim.get(aim.name, {})) for aim in found.aims),
        spread_mah=spread_mah,
        bound_mah=bound_mah,
        proven=spread_mah == bound_mah,
        weakest_mah=weakest_mah,
        weakest_proven=weakest_mah == found.weakest_bound_mah,
    )


def _cells_of(screened: ScreenedCells, found: Grouping, of_pack: Grouping) -> ScreenedCells:
    """Return the table without the cells of the other packs."""
    own = {cell for group in of_pack.groups for cell in group}
    others = {cell for group in found.groups for cell in group} - own
    return ScreenedCells(CellTable(screened[[str(cell) not in others for cell in screened.index]]))
