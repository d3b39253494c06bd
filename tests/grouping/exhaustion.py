"""Every grouping of a few cells, the plain way: what the tests compare with."""

from __future__ import annotations

from collections.abc import Iterator
from functools import lru_cache
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

Ints = NDArray[np.int64]


def _groupings(cells: tuple[int, ...], series: int, parallel: int) -> Iterator[tuple[tuple[int, ...], ...]]:
    """Yield every way to put S·P given cells in S groups; the first cell left always opens the next group."""
    if series == 0:
        yield ()
        return
    first, rest = cells[0], cells[1:]
    for others in combinations(rest, parallel - 1):
        left = tuple(cell for cell in rest if cell not in others)
        for tail in _groupings(left, series - 1, parallel):
            yield ((first, *others), *tail)


@lru_cache(maxsize=32)
def all_groupings(cells: int, series: int, parallel: int) -> Ints:
    """Return all groupings of S·P out of so many cells, shape (groupings, S, P)."""
    return np.array(
        [
            grouping
            for chosen in combinations(range(cells), series * parallel)
            for grouping in _groupings(chosen, series, parallel)
        ],
        dtype=np.int64,
    )
