"""Which cell sits at which place."""

from __future__ import annotations

import re

import numpy as np
from numpy.typing import NDArray

from cellmatch.cells.table import GroupedCells, PlacedCells
from cellmatch.errors import ArgumentInvalid, Problem
from cellmatch.pack.holder import Holder
from cellmatch.pack.positions import Positions
from cellmatch.pack.spec import Pack


def natural_key(text: str) -> tuple[tuple[int, int, str], ...]:
    """Return a key that sorts ids the way a person counts: A2 before A10.

    Examples
    --------
    >>> sorted(["A10", "A2", "B1", "7"], key=natural_key)
    ['7', 'A2', 'A10', 'B1']
    """
    parts = re.findall(r"([0-9]+)|([^0-9]+)", text)
    return tuple((0, int(number), "") if number else (1, 0, word) for number, word in parts)


def place_cells(cells: GroupedCells, pack: Pack | str, holder: Holder | None = None) -> PlacedCells:
    """Give every cell of a group its place in the holder.

    Within a group the cells take the group's places in the natural order of their ids, so that the order
    of the table's rows doesn't matter. See :func:`cellmatch.build.heat_placement.place_by_heat` for hot and
    cool places.

    Parameters
    ----------
    cells : GroupedCells
        The table with its ``group`` column; 0 stands for a cell in no group.
    pack : Pack or str
        Series and parallel count, like ``10s3p``.
    holder : Holder, optional
        Default: straight rows.

    Returns
    -------
    PlacedCells
        A new table with position, row, column (0 for a cell in no group), x_mm, y_mm (NaN) and
        positive_up (None).

    Raises
    ------
    ArgumentInvalid
        The groups of the table don't have the sizes of the pack.
    """
    pack = Pack.of(pack)
    positions = (holder or Holder()).lay_out(pack)
    check_group_sizes(cells["group"].to_numpy(dtype=np.int64), pack)
    place = np.full(len(cells), -1, dtype=np.int64)
    for number, rows in enumerate(ids_in_order(cells, pack), start=1):
        place[rows] = np.flatnonzero(positions.group == number)
    return with_places(cells, positions, place)


def ids_in_order(cells: GroupedCells, pack: Pack) -> list[NDArray[np.int64]]:
    """Return the rows of each group, group 1 first, in the natural order of their ids."""
    group = cells["group"].to_numpy(dtype=np.int64)
    keys = [(natural_key(str(cell)), str(cell)) for cell in cells.index]
    order = np.array(sorted(range(len(keys)), key=keys.__getitem__), dtype=np.int64)
    return [order[group[order] == g] for g in range(1, pack.series + 1)]


def check_group_sizes(group: NDArray[np.int64], pack: Pack) -> None:
    """Refuse a table whose groups are not those of the pack.

    Raises
    ------
    ArgumentInvalid
    """
    found = np.bincount(group[group > 0], minlength=pack.series + 1)[1:]
    if len(found) != pack.series or tuple(int(n) for n in found) != pack.group_sizes:
        raise ArgumentInvalid(
            Problem("groups of the table", f"hold {found.tolist()} cells; {pack} needs {list(pack.group_sizes)}")
        )


def with_places(cells: GroupedCells, positions: Positions, place: NDArray[np.int64]) -> PlacedCells:
    """Add the columns of placement; `place` is an index into `positions` for each row, -1 for none."""
    placed = cells.copy()
    sits = place >= 0
    for name in ("position", "row", "column"):
        placed[name] = np.where(sits, getattr(positions, name)[place], 0)
    for name in ("x_mm", "y_mm"):
        placed[name] = np.where(sits, getattr(positions, name)[place], np.nan)
    ends = np.full(len(cells), None, dtype=object)
    ends[sits] = positions.positive_up[place[sits]].tolist()
    placed["positive_up"] = ends
    return PlacedCells(placed)
