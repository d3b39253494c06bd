"""Holders: how a pack's places lie beside each other, and which end of each cell is up.

A shape is one function that turns a pack into :class:`Positions`; :data:`SHAPES` lists them. All
coordinates are seen from the top: x across, y down, in millimetres. Every second group is turned over,
and group 1 shows its negative ends on the top face unless the holder says otherwise.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from cellmatch.errors import ArgumentInvalid, Problem, nearest_name
from cellmatch.pack.spec import Pack

GAP_MM = 2.0
"""Room between neighbouring cells where no pitch is given (common practice, no source)."""
LINK_TYPES = ("bolted", "welded")
ASSUMED_LINK_TYPE = "bolted"
"""Assumed, and said, where the kind of link is not given."""

_SIZE_TEXT = re.compile(r"(\d{2})(\d{3})|(\d{2})(\d{2})")


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
    """

    position: NDArray[np.int64]
    group: NDArray[np.int64]
    row: NDArray[np.int64]
    column: NDArray[np.int64]
    x_mm: NDArray[np.float64]
    y_mm: NDArray[np.float64]
    positive_up: NDArray[np.bool_]

    def __len__(self) -> int:
        return len(self.position)


@dataclass(frozen=True, kw_only=True, slots=True)
class Holder:
    """What carries the cells.

    Parameters
    ----------
    shape : str
        One of :data:`SHAPES`.
    cell_size : str
        Designation of the cell: diameter in mm, then length in 0.1 mm (18650) or in mm (4680).
    pitch_mm : float or None
        [mm] Centre to centre of neighbours; None: diameter + :data:`GAP_MM`.
    link_type : str or None
        ``bolted`` or ``welded``; None: :data:`ASSUMED_LINK_TYPE` is assumed.
    first_negative_up : bool
        Group 1 shows its negative ends on the top face.

    Raises
    ------
    ArgumentInvalid
        An unknown shape or link type, a size that is no designation, a pitch below the diameter.

    Examples
    --------
    >>> holder = Holder()
    >>> holder.diameter_mm, holder.length_mm, holder.spacing_mm
    (18.0, 65.0, 20.0)
    >>> holder.lay_out(Pack.parse("3s2p")).positive_up
    array([False, False,  True,  True, False, False])
    """

    shape: str = "straight"
    cell_size: str = "18650"
    pitch_mm: float | None = None
    link_type: str | None = None
    first_negative_up: bool = True

    def __post_init__(self) -> None:
        problems = []
        if self.shape not in SHAPES:
            problems.append(Problem(f"holder shape '{self.shape}'", nearest_name(self.shape, SHAPES)))
        if self.link_type is not None and self.link_type not in LINK_TYPES:
            problems.append(
                Problem(f"link type '{self.link_type}'", nearest_name(self.link_type, LINK_TYPES))
            )
        if not _SIZE_TEXT.fullmatch(self.cell_size):
            right = "write diameter and length as on the cell, like 18650, 21700 or 4680"
            problems.append(Problem(f"cell size '{self.cell_size}'", right))
        elif self.pitch_mm is not None and not self.diameter_mm <= self.pitch_mm < float("inf"):
            right = f"cells of {self.diameter_mm:g} mm need a pitch of at least that"
            problems.append(Problem(f"holder pitch {self.pitch_mm} mm", right))
        if problems:
            raise ArgumentInvalid(problems)

    @property
    def diameter_mm(self) -> float:
        """Cell diameter by the designation [mm]."""
        return float(self.cell_size[:2])

    @property
    def length_mm(self) -> float:
        """Cell length by the designation [mm]."""
        length = float(self.cell_size[2:])
        return length / 10.0 if len(self.cell_size) == 5 else length

    @property
    def spacing_mm(self) -> float:
        """Centre to centre of neighbours, given or assumed [mm]."""
        return self.diameter_mm + GAP_MM if self.pitch_mm is None else self.pitch_mm

    @property
    def joint(self) -> str:
        """``bolted`` or ``welded``, given or assumed."""
        return self.link_type or ASSUMED_LINK_TYPE

    @property
    def assumptions(self) -> tuple[str, ...]:
        """What was not given and therefore assumed, in words to print."""
        assumed = []
        if self.pitch_mm is None:
            assumed.append(
                f"holder pitch {self.spacing_mm:g} mm (cell {self.cell_size}: {self.diameter_mm:g} mm + {GAP_MM:g} mm)"
            )
        if self.link_type is None:
            assumed.append(f"links are {ASSUMED_LINK_TYPE}")
        return tuple(assumed)

    def lay_out(self, pack: Pack | str) -> Positions:
        """Give every cell of `pack` its place.

        Returns
        -------
        Positions
            Arrays of length ``pack.places``, in the order of the place numbers.

        Raises
        ------
        ArgumentInvalid
            The shape can't take this pack; the message names the nearest that can.
        """
        return SHAPES[self.shape](self, Pack.of(pack))

    def turned(self, group: NDArray[np.int64]) -> NDArray[np.bool_]:
        """Say for each group number whether its positive ends show on the top face.

        Returns
        -------
        ndarray of bool, shape of `group`
        """
        return (group % 2 == 0) == self.first_negative_up


def _straight(holder: Holder, pack: Pack) -> Positions:
    """Group g in row g, its cells along the row."""
    sizes = np.asarray(pack.group_sizes, dtype=np.int64)
    group = np.repeat(np.arange(1, pack.series + 1, dtype=np.int64), sizes)
    first = np.cumsum(sizes) - sizes
    column = np.arange(1, pack.places + 1, dtype=np.int64) - np.repeat(first, sizes)
    return Positions(
        position=np.arange(1, pack.places + 1, dtype=np.int64),
        group=group,
        row=group.copy(),
        column=column,
        x_mm=(column - 1) * holder.spacing_mm,
        y_mm=(group - 1) * holder.spacing_mm,
        positive_up=holder.turned(group),
    )


SHAPES: dict[str, Callable[[Holder, Pack], Positions]] = {
    "straight": _straight,
}
"""Every holder shape; a new one is one function and one entry here."""
