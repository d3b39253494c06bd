"""Holders: how a pack's places lie beside each other, and which end of each cell is up.

A shape is one function that turns a pack into :class:`Positions`; :data:`SHAPES` lists them::

    straight   group g in row g, its cells along the row
    offset     the same, every second row moved by half a pitch and nested (hexagonal)
    folded     a brick of R x C places, the groups laid along a line that turns at each row's end
    strips     straight rows P wide, folded into strips that stand side by side
    map        the user's own places, from a CSV file

All coordinates are seen from the top: x across, y down, in millimetres. Every second group is turned
over, and group 1 shows its negative ends on the top face unless the holder says otherwise.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from cellmatch.errors import ArgumentInvalid, Problem, nearest_name
from cellmatch.pack.holder_map import MapPlace, read_map
from cellmatch.pack.positions import Positions
from cellmatch.pack.spec import Pack

GAP_MM = 2.0
"""Room between neighbouring cells where no pitch is given (common practice, no source)."""
MODULE_GAP_MM = 30.0
"""Room between the nearest cells of two modules (common practice, no source)."""
LINK_TYPES = ("bolted", "welded")
ASSUMED_LINK_TYPE = "bolted"
"""Assumed, and said, where the kind of link is not given."""

_SIZE_TEXT = re.compile(r"(\d{2})(\d{3})|(\d{2})(\d{2})")
_BRICK_TEXT = re.compile(r"(?:(folded|strips)[ :]+)?(\d+)\s*[xX×]\s*(\d+)")


@dataclass(frozen=True, kw_only=True, slots=True)
class Holder:
    """What carries the cells.

    Parameters
    ----------
    shape : str
        One of :data:`SHAPES`.
    brick : tuple of int or None
        Rows and columns of a ``folded`` or ``strips`` holder (of each module where there are several).
    cell_size : str
        Designation of the cell: diameter in mm, then length in 0.1 mm (18650) or in mm (4680).
    pitch_mm : float or None
        [mm] Centre to centre of neighbours; None: diameter + :data:`GAP_MM`.
    link_type : str or None
        ``bolted`` or ``welded``; None: :data:`ASSUMED_LINK_TYPE` is assumed.
    contact_a : float or None
        [A] What the holder's maker allows through the contact of one cell; None: not given.
    first_negative_up : bool
        Group 1 shows its negative ends on the top face.
    split_after : tuple of int
        Groups after which the pack goes on in another module. Every second module is mirrored, so that
        the groups to be joined lie side by side; a lead joins them.
    custom_links : tuple of pairs of int
        Places joined by a link of the user's own, such as a diagonal.
    own_places : tuple of MapPlace
        The places of a ``map`` holder.

    Raises
    ------
    ArgumentInvalid
        An unknown shape or link type, a size that is no designation, a pitch below the diameter, a brick
        where the shape has none.

    Examples
    --------
    >>> holder = Holder()
    >>> holder.diameter_mm, holder.length_mm, holder.spacing_mm
    (18.0, 65.0, 20.0)
    >>> holder.lay_out("3s2p").positive_up
    array([False, False,  True,  True, False, False])
    """

    shape: str = "straight"
    brick: tuple[int, int] | None = None
    cell_size: str = "18650"
    pitch_mm: float | None = None
    link_type: str | None = None
    contact_a: float | None = None
    first_negative_up: bool = True
    split_after: tuple[int, ...] = ()
    custom_links: tuple[tuple[int, int], ...] = ()
    own_places: tuple[MapPlace, ...] = ()

    def __post_init__(self) -> None:
        problems = [*_shape_problems(self), *_size_problems(self)]
        if self.link_type is not None and self.link_type not in LINK_TYPES:
            problems.append(Problem(f"link type '{self.link_type}'", nearest_name(self.link_type, LINK_TYPES)))
        if self.contact_a is not None and not 0 < self.contact_a < float("inf"):
            problems.append(Problem(f"contact rating {self.contact_a} A", "it must be above 0"))
        if list(self.split_after) != sorted(set(self.split_after)) or min(self.split_after, default=1) < 1:
            problems.append(Problem("split after", f"found {self.split_after}; name groups in rising order"))
        if problems:
            raise ArgumentInvalid(problems)

    @classmethod
    def parse(cls, text: str) -> Holder:
        """Read a holder as it is typed: ``straight``, ``offset``, ``5x8``, ``strips 5x8``, ``my_map.csv``.

        Examples
        --------
        >>> Holder.parse("5x8").brick, Holder.parse("5x8").shape, Holder.parse("strips 5x8").shape
        ((5, 8), 'folded', 'strips')
        """
        brick = _BRICK_TEXT.fullmatch(text.strip())
        if brick:
            return cls(shape=brick[1] or "folded", brick=(int(brick[2]), int(brick[3])))
        if text.strip().lower().endswith(".csv"):
            return cls(shape="map", own_places=read_map(text.strip()))
        if text.strip() not in SHAPES:
            known = "known: straight, offset, 5x8 (rows x columns, folded), strips 5x8, or a map like places.csv"
            raise ArgumentInvalid(Problem(f"holder '{text}'", known))
        return cls(shape=text.strip())

    @classmethod
    def of(cls, holder: Holder | str | None) -> Holder:
        """Return `holder` as a Holder: a text is parsed, None means straight rows."""
        return holder if isinstance(holder, Holder) else cls() if holder is None else cls.parse(holder)

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
        """Centre to centre of neighbours: given, the smallest on the map, or assumed [mm]."""
        if self.pitch_mm is not None:
            return self.pitch_mm
        if len(self.own_places) > 1:
            return float(_nearest_mm(self.own_places)[0].min())
        return self.diameter_mm + GAP_MM

    @property
    def joint(self) -> str:
        """``bolted`` or ``welded``, given or assumed."""
        return self.link_type or ASSUMED_LINK_TYPE

    @property
    def assumptions(self) -> tuple[str, ...]:
        """What was not given and therefore assumed, in words to print."""
        assumed = []
        if self.pitch_mm is None:
            how = f"cell {self.cell_size}: {self.diameter_mm:g} mm + {GAP_MM:g} mm"
            how = "the smallest distance on the map" if self.own_places else how
            assumed.append(f"holder pitch {self.spacing_mm:g} mm ({how})")
        if self.link_type is None:
            assumed.append(f"links are {ASSUMED_LINK_TYPE}")
        if self.split_after:
            assumed.append(f"{MODULE_GAP_MM:g} mm between modules")
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
        pack = Pack.of(pack)
        if not self.split_after:
            return SHAPES[self.shape](self, pack)
        if self.split_after[-1] >= pack.series:
            last = f"{pack} has {pack.series} groups; the last split can come after group {pack.series - 1}"
            raise ArgumentInvalid(Problem(f"split after group {self.split_after[-1]}", last))
        return _modules(self, pack)

    def turned(self, group: NDArray[np.int64]) -> NDArray[np.bool_]:
        """Say for each group number whether its positive ends show on the top face.

        Returns
        -------
        ndarray of bool, shape of `group`
        """
        even: NDArray[np.bool_] = group % 2 == 0
        return even if self.first_negative_up else ~even


def _shape_problems(holder: Holder) -> list[Problem]:
    if holder.shape not in SHAPES:
        return [Problem(f"holder shape '{holder.shape}'", nearest_name(holder.shape, SHAPES))]
    problems = []
    if holder.shape in BRICKS and holder.brick is None:
        problems.append(Problem(f"holder {holder.shape}", "needs its rows and columns, like 5x8"))
    if holder.shape not in BRICKS and holder.brick is not None:
        problems.append(Problem(f"holder {holder.shape}", f"takes no rows and columns; {' or '.join(BRICKS)} does"))
    if (holder.shape == "map") != bool(holder.own_places):
        problems.append(Problem(f"holder {holder.shape}", "a map holder, and no other, brings its own places"))
    if holder.shape == "map" and holder.split_after:
        problems.append(Problem("holder map", "is split by the map itself; leave the split out"))
    return problems


def _size_problems(holder: Holder) -> list[Problem]:
    if not _SIZE_TEXT.fullmatch(holder.cell_size):
        right = "write diameter and length as on the cell, like 18650, 21700 or 4680"
        return [Problem(f"cell size '{holder.cell_size}'", right)]
    if holder.pitch_mm is not None and not holder.diameter_mm <= holder.pitch_mm < float("inf"):
        right = f"cells of {holder.diameter_mm:g} mm need a pitch of at least that"
        return [Problem(f"holder pitch {holder.pitch_mm} mm", right)]
    return []


def _places(holder: Holder, group: NDArray[np.int64], row: NDArray[np.int64], column: NDArray[np.int64]) -> Positions:
    """Lay places on a square grid."""
    return Positions(
        position=np.arange(1, len(group) + 1, dtype=np.int64),
        group=group,
        row=row,
        column=column,
        x_mm=(column - 1).astype(np.float64) * holder.spacing_mm,
        y_mm=(row - 1).astype(np.float64) * holder.spacing_mm,
        positive_up=holder.turned(group),
        module=np.ones(len(group), dtype=np.int64),
    )


def _straight(holder: Holder, pack: Pack) -> Positions:
    sizes = np.asarray(pack.group_sizes, dtype=np.int64)
    group = np.repeat(np.arange(1, pack.series + 1, dtype=np.int64), sizes)
    first = np.cumsum(sizes) - sizes
    column = np.arange(1, pack.places + 1, dtype=np.int64) - np.repeat(first, sizes)
    return _places(holder, group, group.copy(), column)


def _offset(holder: Holder, pack: Pack) -> Positions:
    square = _straight(holder, pack)
    return replace(
        square,
        x_mm=square.x_mm + np.where(square.row % 2 == 0, holder.spacing_mm / 2, 0.0),
        y_mm=square.y_mm * math.sqrt(3) / 2,
    )


def _folded(holder: Holder, pack: Pack) -> Positions:
    rows, columns = holder.brick or (0, 0)
    if rows * columns != pack.places:
        raise ArgumentInvalid(Problem(f"holder {rows}x{columns}", _bricks_that_work(pack, columns)))
    along = np.arange(pack.places, dtype=np.int64)
    row, step = along // columns, along % columns
    column = np.where(row % 2 == 0, step, columns - 1 - step)
    group = np.repeat(np.arange(1, pack.series + 1, dtype=np.int64), pack.group_sizes)
    return _places(holder, group, row + 1, column + 1)


def _bricks_that_work(pack: Pack, columns: int) -> str:
    widths = [c for c in range(1, pack.places + 1) if pack.places % c == 0]
    nearest = sorted(widths, key=lambda c: (abs(c - columns), c))[:3]
    bricks = ", ".join(f"{pack.places // c}x{c}" for c in nearest)
    wide = max(pack.group_sizes)
    best = (
        f"; one group a row ({pack.series}x{wide}) gives every junction {wide} links" if pack.places % wide == 0 else ""
    )
    return f"{pack} has {pack.places} places; rows x columns that make that: {bricks}{best}"


def _strips(holder: Holder, pack: Pack) -> Positions:
    rows, columns = holder.brick or (0, 0)
    wide = pack.group_sizes[0]
    if set(pack.group_sizes) != {wide}:
        raise ArgumentInvalid(Problem("holder strips", f"needs groups of one size; {pack} has {pack.group_sizes}"))
    if columns % wide or rows * columns != pack.places:
        strips = [n for n in range(1, pack.series + 1) if pack.series % n == 0]
        nearest = sorted(strips, key=lambda n: abs(n * wide - columns))[:3]
        works = ", ".join(f"{pack.series // n}x{n * wide}" for n in nearest)
        raise ArgumentInvalid(
            Problem(
                f"holder strips {rows}x{columns}",
                f"a strip is {wide} wide for {pack}, so the columns are a multiple of {wide}; what works: {works}",
            )
        )
    square = _straight(holder, pack)
    strip, down = (square.group - 1) // rows, (square.group - 1) % rows
    row = np.where(strip % 2 == 0, down, rows - 1 - down)
    return _places(holder, square.group, row + 1, strip * wide + square.column)


def _own(holder: Holder, pack: Pack) -> Positions:
    places = sorted(holder.own_places, key=lambda p: p.position)
    group = np.array([p.group for p in places], dtype=np.int64)
    found = np.bincount(group, minlength=pack.series + 1)[1:]
    if tuple(int(n) for n in found) != pack.group_sizes:
        wanted = f"groups of {[int(n) for n in found]} places; {pack} needs {list(pack.group_sizes)}"
        raise ArgumentInvalid(Problem("holder map", wanted))
    distance, neighbour = _nearest_mm(tuple(places))
    if len(places) > 1 and distance.min() < holder.diameter_mm:
        first = int(np.argmin(distance))
        near = f"are {distance[first]:.1f} mm apart; cells of {holder.diameter_mm:g} mm would overlap"
        both = sorted((places[first].position, places[neighbour[first]].position))
        raise ArgumentInvalid(Problem(f"holder map, places {both[0]} and {both[1]}", near))
    x, y = (np.array([getattr(p, name) for p in places]) for name in ("x_mm", "y_mm"))
    row, column = _rows_of_map(x, y, holder.diameter_mm)
    stated = [p.positive_up for p in places]
    by_rule = holder.turned(group)
    ends = [bool(rule) if own is None else own for own, rule in zip(stated, by_rule, strict=True)]
    return replace(_places(holder, group, row, column), x_mm=x, y_mm=y, positive_up=np.array(ends))


def _nearest_mm(places: tuple[MapPlace, ...]) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
    """Return how far each place's nearest neighbour is, and which one that is."""
    from scipy.spatial import KDTree  # imported here: only a map of one's own needs it

    at = np.array([(p.x_mm, p.y_mm) for p in places])
    distance, index = KDTree(at).query(at, k=[2])
    return np.ravel(distance), np.ravel(index).astype(np.int64)


def _rows_of_map(
    x: NDArray[np.float64], y: NDArray[np.float64], diameter_mm: float
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Count rows down the map and places along each row; a row ends where y leaps by half a cell."""
    order = np.argsort(y, kind="stable")
    row = np.empty(len(y), dtype=np.int64)
    row[order] = 1 + np.cumsum(np.diff(y[order], prepend=y[order[0]]) > diameter_mm / 2)
    column = np.empty(len(y), dtype=np.int64)
    across = np.lexsort((x, row))
    starts = np.flatnonzero(np.diff(row[across], prepend=0))
    column[across] = np.arange(len(y)) - np.repeat(starts, np.diff(starts, append=len(y))) + 1
    return row, column


def _modules(holder: Holder, pack: Pack) -> Positions:
    """Lay each module out by itself, the next beside the last, every second one mirrored top to bottom.

    With its rows running the other way, the first group of a module lies beside the last of the one before.
    """
    bounds = (0, *holder.split_after, pack.series)
    single = replace(holder, split_after=(), custom_links=())
    parts: list[Positions] = []
    at, left_mm, right = 0, 0.0, 0
    for number, (start, end) in enumerate(pairwise(bounds), start=1):
        part = SHAPES[holder.shape](single, Pack(end - start, pack.group_sizes[start:end]))
        if number % 2 == 0:
            # rows are mirrored against the whole module before it, so that joined groups lie level
            part = replace(part, y_mm=parts[-1].y_mm.max() - part.y_mm, row=parts[-1].row.max() + 1 - part.row)
        elif parts:
            part = replace(part, y_mm=part.y_mm + parts[-1].y_mm.min(), row=part.row + parts[-1].row.min() - 1)
        group = part.group + start
        part = replace(
            part,
            position=part.position + at,
            group=group,
            column=part.column + right,
            x_mm=part.x_mm - part.x_mm.min() + left_mm,
            positive_up=holder.turned(group),
            module=np.full(len(group), number, dtype=np.int64),
        )
        parts.append(part)
        at, right = at + len(part), int(part.column.max())
        left_mm = float(part.x_mm.max()) + holder.diameter_mm + MODULE_GAP_MM
    names = Positions.__slots__
    return _from_corner(Positions(**{n: np.concatenate([getattr(p, n) for p in parts]) for n in names}))


def _from_corner(positions: Positions) -> Positions:
    """Count rows from 1 and y from 0 again."""
    return replace(positions, y_mm=positions.y_mm - positions.y_mm.min(), row=positions.row - positions.row.min() + 1)


BRICKS = ("folded", "strips")
"""Shapes that are given by rows x columns."""

SHAPES: dict[str, Callable[[Holder, Pack], Positions]] = {
    "straight": _straight,
    "offset": _offset,
    "folded": _folded,
    "strips": _strips,
    "map": _own,
}
"""Every holder shape; a new one is one function and one entry here."""
