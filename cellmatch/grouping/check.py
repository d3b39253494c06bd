"""The answer, checked again in plain Python: no numpy, nothing shared with the search."""

from __future__ import annotations

import pandas as pd

from cellmatch.grouping.result import Grouping
from cellmatch.pack.spec import Pack


def check_grouping(
    cells: pd.DataFrame, pack: Pack | str, grouping: Grouping, rules: tuple[object, ...] = ()
) -> None:
    """Check that a grouping is what it says it is.

    Exactly P distinct good cells in every group, every other good cell a spare, and the spread and the
    weakest group as stated, from capacities rounded to 0.1 mAh.

    Raises
    ------
    RuntimeError
        A group or a figure is wrong: a fault of this program, never of the input.
    """
    pack = Pack.of(pack)
    takes_part = _good_cells(cells)
    packs = grouping.packs or (1,) * len(grouping.groups)
    faults: list[str] = []
    seen: set[str] = set()
    for number, (group, size) in enumerate(
        zip(grouping.groups, pack.group_sizes * len(set(packs)), strict=True), start=1
    ):
        if len(group) != size:
            faults.append(f"group {number} has {len(group)} cells, not {size}")
        for cell in group:
            if cell in seen:
                faults.append(f"cell {cell} stands twice")
            if cell not in takes_part:
                faults.append(f"cell {cell} of group {number} is not a good cell")
            seen.add(cell)
    if set(grouping.spares) != takes_part.keys() - seen or len(set(grouping.spares)) != len(grouping.spares):
        faults.append("the spares are not the good cells left over")
    if not faults:
        faults += _wrong_figures(takes_part, grouping, packs)
    if faults:
        raise RuntimeError("the grouping does not hold its own check: " + "; ".join(faults))


def _good_cells(cells: pd.DataFrame) -> dict[str, int]:
    statuses = list(cells["status"]) if "status" in cells.columns else ["good"] * len(cells)
    return {
        str(cell): round(float(capacity) * 10)
        for cell, capacity, status in zip(cells.index, cells["capacity_mah"], statuses, strict=True)
        if status in ("good", "used", "spare")
    }


def _wrong_figures(tenths: dict[str, int], grouping: Grouping, packs: tuple[int, ...]) -> list[str]:
    sums = [sum(tenths[cell] for cell in group) for group in grouping.groups]
    in_pack: dict[int, list[int]] = {}
    for number, total in zip(packs, sums, strict=True):
        in_pack.setdefault(number, []).append(total)
    spread = max(max(totals) - min(totals) for totals in in_pack.values())
    wrong = []
    if round(grouping.spread_mah * 10) != spread:
        wrong.append(f"the spread is {spread / 10} mAh, not {grouping.spread_mah}")
    if round(grouping.weakest_mah * 10) != min(sums):
        wrong.append(f"the weakest group is {min(sums) / 10} mAh, not {grouping.weakest_mah}")
    if round(grouping.bound_mah * 10) > spread:
        wrong.append(f"the bound {grouping.bound_mah} mAh is above the spread")
    if round(grouping.weakest_bound_mah * 10) < min(sums):
        wrong.append(f"the bound {grouping.weakest_bound_mah} mAh is below the weakest group")
    return wrong
