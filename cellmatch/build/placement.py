"""Which cell sits at which place."""

from __future__ import annotations

import re

import numpy as np

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
    parts = re.findall(r"(\d+)|(\D+)", text)
    return tuple((0, int(number), "") if number else (1, 0, word) for number, word in parts)


def place_cells(cells: GroupedCells, pack: Pack | str, holder: Holder | None = None) -> PlacedCells:
    """Give every cell of a group its place in the holder.

    Within a group the cells take the group's places in the natural order of their ids, so that the order
    of the table's rows doesn't matter.

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
    group = cells["group"].to_numpy(dtype=np.int64)
    _check_sizes(group, pack)
    ids = [str(cell) for cell in cells.index]
    keys = [natural_key(cell) for cell in ids]
    by_group: dict[int, list[int]] = {}
    for row in sorted(range(len(ids)), key=lambda i: (keys[i], ids[i])):
        by_group.setdefault(int(group[row]), []).append(row)
    place = np.full(len(cells), -1, dtype=np.int64)
    for number in range(1, pack.series + 1):
        place[by_group[number]] = np.flatnonzero(positions.group == number)
    return _with_places(cells, positions, place)


def _check_sizes(group: np.ndarray, pack: Pack) -> None:
    found = np.bincount(group[group > 0], minlength=pack.series + 1)[1:]
    if len(found) != pack.series or tuple(int(n) for n in found) != pack.group_sizes:
        raise ArgumentInvalid(
            Problem("groups of the table", f"hold {found.tolist()} cells; {pack} needs {list(pack.group_sizes)}")
        )


def _with_places(cells: GroupedCells, positions: Positions, place: np.ndarray) -> PlacedCells:
    """Add the columns of placement; `place` is an index into `positions`, -1 for none."""
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
