"""The answer, checked again in plain Python: no numpy, and nothing shared with the search."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from fractions import Fraction

import pandas as pd

from cellmatch.grouping.result import Grouping
from cellmatch.grouping.rules import KeepOut, Rule
from cellmatch.pack.spec import Pack


def check_grouping(cells: pd.DataFrame, pack: Pack | str, grouping: Grouping, rules: Sequence[Rule] = ()) -> None:
    """Check that a grouping is what it says it is.

    The right number of distinct good cells in every group, every other good cell a spare, the spread, the
    weakest group and their bounds as stated, from capacities rounded to 0.1 mAh, and every rule kept.

    Raises
    ------
    RuntimeError
        A group or a figure is wrong: a fault of this program, never of the input.
    """
    pack = Pack.of(pack)
    packs = grouping.packs or (1,) * len(grouping.groups)
    sizes = pack.group_sizes * len(set(packs))
    good = _good_cells(cells)
    faults = _wrong_cells(good, sizes, grouping)
    if not faults:
        left_out = {rule.cell for rule in rules if isinstance(rule, KeepOut)}
        tenths = {cell: round(float(str(row["capacity_mah"])) * 10) for cell, row in good.items()}
        faults += _wrong_figures(tenths, sizes, grouping, packs, left_out)
        rows = {cell: row for cell, row in good.items() if cell not in left_out}
        faults += [broken for rule in rules if (broken := rule.broken(grouping.groups, rows))]
    if faults:
        raise RuntimeError("the grouping does not hold its own check: " + "; ".join(faults))


def _good_cells(cells: pd.DataFrame) -> dict[str, Mapping[str, object]]:
    names = [name for name in ("capacity_mah", "ir_mohm", "ocv_v", "lot", "status") if name in cells.columns]
    columns = [cells[name].tolist() for name in names]
    rows = (dict(zip(names, values, strict=True)) for values in zip(*columns, strict=True))
    table = {str(cell): row for cell, row in zip(cells.index.tolist(), rows, strict=True)}
    return {cell: row for cell, row in table.items() if row.get("status", "good") in ("good", "used", "spare")}


def _wrong_cells(good: Mapping[str, Mapping[str, object]], sizes: Sequence[int], grouping: Grouping) -> list[str]:
    faults = []
    seen: set[str] = set()
    if len(grouping.groups) != len(sizes):
        return [f"{len(grouping.groups)} groups, not {len(sizes)}"]
    if grouping.unequal == "free":
        total, sizes = sum(sizes), [len(group) for group in grouping.groups]
        faults += [f"the groups take {sum(sizes)} cells, not {total}"] if sum(sizes) != total else []
    for number, (group, size) in enumerate(zip(grouping.groups, sizes, strict=True), start=1):
        if len(group) != size:
            faults.append(f"group {number} has {len(group)} cells, not {size}")
        faults += [f"cell {cell} stands twice" for cell in group if cell in seen or group.count(cell) > 1]
        faults += [f"cell {cell} of group {number} is not a good cell" for cell in group if cell not in good]
        seen.update(group)
    if set(grouping.spares) != good.keys() - seen or len(set(grouping.spares)) != len(grouping.spares):
        faults.append("the spares are not the good cells left over")
    return faults


def _wrong_figures(
    tenths: Mapping[str, int],
    sizes: Sequence[int],
    grouping: Grouping,
    packs: Sequence[int],
    left_out: set[str],
) -> list[str]:
    taking_part = [value for cell, value in tenths.items() if cell not in left_out]
    share = round(Fraction(sum(taking_part), len(taking_part))) if grouping.unequal == "share" else 0
    above: dict[int, list[int]] = {}
    for number, group, size in zip(packs, grouping.groups, sizes, strict=True):
        above.setdefault(number, []).append(sum(tenths[cell] for cell in group) - size * share)
    spread = max(max(sums) - min(sums) for sums in above.values())
    weakest = min(min(sums) for sums in above.values()) + min(sizes) * share
    wrong = []
    if round(grouping.spread_mah * 10) != spread:
        wrong.append(f"the spread is {spread / 10} mAh, not {grouping.spread_mah}")
    if round(grouping.weakest_mah * 10) != weakest:
        wrong.append(f"the weakest group is {weakest / 10} mAh, not {grouping.weakest_mah}")
    if round(grouping.bound_mah * 10) > spread:
        wrong.append(f"the bound {grouping.bound_mah} mAh is above the spread")
    if round(grouping.weakest_bound_mah * 10) < weakest:
        wrong.append(f"the bound {grouping.weakest_bound_mah} mAh is below the weakest group")
    return wrong
