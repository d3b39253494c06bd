"""Which group gets which number: pinned groups theirs, the others by their largest cell."""

from __future__ import annotations

from cellmatch.grouping.demands import Demands
from cellmatch.grouping.pool import Ints, Pool


def number_groups(groups: Ints, demands: Demands, pool: Pool, packs: int = 1) -> list[list[int]]:
    """Return the cells of group 1, 2, …, blanks left out, each group's largest cell first; pack after pack."""
    if packs > 1:
        each = len(groups) // packs
        of_packs = (sorted(sorted(row) for row in groups[i * each : (i + 1) * each].tolist()) for i in range(packs))
        return [row for rows in of_packs for row in rows]
    wanted = dict(demands.pinned)
    rows = sorted(sorted(row) for row in groups.tolist())
    numbered: dict[int, list[int]] = {}
    free = []
    for row in rows:
        number = next((wanted[cell] for cell in row if cell in wanted), None)
        if number is None:
            free.append(row)
        else:
            numbered[number] = row
    others = iter(free)
    ordered = [numbered[g] if g in numbered else next(others) for g in range(pool.series)]
    return [[cell for cell in row if cell < pool.cells] for row in ordered]
