"""The places of a holder as arrays, and how they look from either face."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FACES = ("top", "bottom")


@dataclass(frozen=True, kw_only=True, slots=True)
class Positions:
    """The places of a holder, one entry a place, in the order of their numbers.

    Parameters
    ----------
    position : ndarray of int, shape (places,)
        Number of the place, counted from 1.
    group : ndarray of int, shape (places,)
        Group that sits there, 1 at pack negative.
    row, column : ndarray of int, shape (places,)
        Row in the holder and place in that row, counted from 1.
    x_mm, y_mm : ndarray of float, shape (places,)
        [mm] Centre of the cell, seen from the top: x across, y down.
    positive_up : ndarray of bool, shape (places,)
        The positive end shows on the top face.
    module : ndarray of int, shape (places,)
        Module the place belongs to, counted from 1.
    """

    position: NDArray[np.int64]
    group: NDArray[np.int64]
    row: NDArray[np.int64]
    column: NDArray[np.int64]
    x_mm: NDArray[np.float64]
    y_mm: NDArray[np.float64]
    positive_up: NDArray[np.bool_]
    module: NDArray[np.int64]

    def __len__(self) -> int:
        return len(self.position)

    def shows_positive(self, face: str) -> NDArray[np.bool_]:
        """Say for each place whether its positive end shows on `face`.

        Returns
        -------
        ndarray of bool, shape (places,)
        """
        return self.positive_up if face == "top" else ~self.positive_up

    def seen_x_mm(self, face: str) -> NDArray[np.float64]:
        """Return x as it is seen when looking at `face`; the bottom is turned over like a page.

        Returns
        -------
        ndarray of float, shape (places,)
            [mm]
        """
        return self.x_mm if face == "top" else self.x_mm.min() + self.x_mm.max() - self.x_mm
