"""How warm cells get: one cell, and all cells of a holder, as a range.

Heat is I^2 R; the reversible part is left out. A cell alone rises by q/(h A) with the time constant
m c/(h A), and its core is q''' r^2/(4 k) above its skin (F. P. Incropera et al., Fundamentals of Heat and
Mass Transfer, 6th ed., Wiley 2007, sections 3.5 and 5.1). The film coefficient h is the weakest figure of
all, so every rise is a range.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.sparse import coo_array, diags_array
from scipy.sparse.linalg import splu
from scipy.spatial import KDTree

from cellmatch.errors import ArgumentInvalid, Problem

Array = NDArray[np.float64]

CELL_J_PER_KG_K = 1000.0
"""Specific heat of a cell: most are at 800 to 1000 (test laboratory's figure)."""
CELL_W_PER_M_K = (0.2, 1.0)
"""Radial conductivity of a cell: literature values lie far apart."""
FILM_W_PER_M2_K = (5.0, 10.0)
"""Still air and radiation on a cell's free surface (common practice, no source)."""
AIR_W_PER_M_K = 0.026
"""Still air at 300 K (F. P. Incropera et al., 6th ed., table A.4)."""
_NEIGHBOUR = 1.05
_TIME_STEPS = 60


@dataclass(frozen=True, kw_only=True, slots=True)
class Cylinder:
    """A round cell.

    Parameters
    ----------
    diameter_mm, length_mm : float
        [mm]

    Examples
    --------
    >>> cell = Cylinder(diameter_mm=18.0, length_mm=65.0)
    >>> cell.area_m2, 1e6 * cell.volume_m3
    (0.0041846, 16.5405)
    """

    diameter_mm: float
    length_mm: float

    def __post_init__(self) -> None:
        if not (self.diameter_mm > 0 and self.length_mm > 0):
            found = f"found {self.diameter_mm:g} x {self.length_mm:g} mm"
            raise ArgumentInvalid(Problem("cell size", f"{found}; both must be above 0"))

    @property
    def side_m2(self) -> float:
        """Round side [m2]."""
        return np.pi * self.diameter_mm * self.length_mm * 1e-6

    @property
    def ends_m2(self) -> float:
        """Both ends together [m2]."""
        return 0.5 * np.pi * self.diameter_mm**2 * 1e-6

    @property
    def area_m2(self) -> float:
        """Whole surface [m2]."""
        return self.side_m2 + self.ends_m2

    @property
    def volume_m3(self) -> float:
        """[m3]."""
        return 0.25 * self.side_m2 * self.diameter_mm * 1e-3

    def core_over_skin_k(self, heat_w: float, conductivity_w_per_m_k: float) -> float:
        """Return how much warmer the core is than the skin [K], heat made evenly and led off radially."""
        return heat_w / self.volume_m3 * (0.5e-3 * self.diameter_mm) ** 2 / (4.0 * conductivity_w_per_m_k)


def steady_rise_k(heat_w: ArrayLike, film_w_per_m2_k: ArrayLike, area_m2: float) -> Array:
    """Return the steady rise of a cell alone over its surroundings [K].

    Parameters
    ----------
    heat_w : array_like
        [W]
    film_w_per_m2_k : array_like
        [W/(m2 K)]
    area_m2 : float
        [m2]
    """
    return np.asarray(np.asarray(heat_w, dtype=float) / (np.asarray(film_w_per_m2_k, dtype=float) * area_m2))


def time_constant_s(
    mass_g: float, film_w_per_m2_k: float, area_m2: float, heat_j_per_kg_k: float = CELL_J_PER_KG_K
) -> float:
    """Return the time constant of a cell alone [s]: m c/(h A).

    Parameters
    ----------
    mass_g : float
        [g]
    film_w_per_m2_k : float
        [W/(m2 K)]
    area_m2 : float
        [m2]
    heat_j_per_kg_k : float
        [J/(kg K)]
    """
    return 1e-3 * mass_g * heat_j_per_kg_k / (film_w_per_m2_k * area_m2)


@dataclass(frozen=True, kw_only=True, slots=True)
class Rise:
    """How warm the cells of a holder get over their surroundings.

    Parameters
    ----------
    low_k, high_k : ndarray of shape (n,)
        [K] Skin of each cell, at the best and the worst of what was assumed.
    hottest : int
        Index of the hottest cell.
    neighbours : ndarray of int, shape (n,)
        Cells next to each.
    assumed : str
        What the range stands on.
    """

    low_k: Array
    high_k: Array
    hottest: int
    neighbours: NDArray[np.int64]
    assumed: str

    @property
    def words(self) -> str:
        """The range in words."""
        return (
            f"the hottest cell gets {self.low_k[self.hottest]:.0f} to {self.high_k[self.hottest]:.0f} K "
            f"warmer than its surroundings ({self.assumed})"
        )


def holder_rise(
    x_mm: ArrayLike,
    y_mm: ArrayLike,
    heat_w: tuple[ArrayLike, ArrayLike],
    cell: Cylinder,
    *,
    film_w_per_m2_k: tuple[float, float] = FILM_W_PER_M2_K,
    link_w_per_k: float = 0.0,
    duration_s: float | None = None,
    mass_g: float | None = None,
) -> Rise:
    """Return the rise of every cell of a holder over its surroundings.

    One node a cell. A cell gives heat to still air through both ends and that part of its side that no
    neighbour covers: a neighbour of diameter d at distance p covers an angle of 2 asin(d/(2 p)). Between
    neighbours heat flows through the air gap (conduction shape factor of two cylinders,
    2 pi L/acosh((2 p^2 - d^2)/d^2): F. P. Incropera et al., 6th ed., table 4.1, case 4) and through the
    links, where a value is given.

    Parameters
    ----------
    x_mm, y_mm : array_like of shape (n,)
        [mm] Centres of the cells.
    heat_w : pair of array_like of shape (n,)
        [W] Heat of each cell at either end of its range; twice the same where it is one figure.
    cell : Cylinder
    film_w_per_m2_k : pair of float
        [W/(m2 K)] Lowest and highest film coefficient.
    link_w_per_k : float
        [W/K] Of the links between two neighbours.
    duration_s : float, optional
        [s] Rise after this time from cold; without it the steady rise.
    mass_g : float, optional
        [g] Of a cell; needed with a duration.

    Raises
    ------
    ArgumentInvalid
        Lengths that differ, heat missing or below 0, a film coefficient of 0 or below or in the wrong order, a
        duration without a mass, cells that overlap.
    """
    at = np.column_stack((np.asarray(x_mm, dtype=float), np.asarray(y_mm, dtype=float)))
    one_w, other_w = (np.asarray(w, dtype=float) for w in heat_w)
    _check_holder(at, one_w, other_w, cell, film_w_per_m2_k, duration_s, mass_g)
    pairs, pitch_mm = _neighbours(at, cell)
    count = np.bincount(pairs.ravel(), minlength=len(at)).astype(np.int64)
    covered = np.zeros(len(at))
    np.add.at(covered, pairs.ravel(), np.repeat(2 * np.arcsin(cell.diameter_mm / (2 * pitch_mm)), 2))
    free_m2 = cell.ends_m2 + cell.side_m2 * np.clip(1 - covered / (2 * np.pi), 0, 1)
    ratio = np.maximum(2 * (pitch_mm / cell.diameter_mm) ** 2 - 1, 1.0 + 1e-6)
    between = AIR_W_PER_M_K * 2e-3 * np.pi * cell.length_mm / np.arccosh(ratio) + link_w_per_k
    capacity = None if duration_s is None or mass_g is None else 1e-3 * mass_g * CELL_J_PER_KG_K
    poor, good = film_w_per_m2_k
    low_w, high_w = np.minimum(one_w, other_w), np.maximum(one_w, other_w)
    high = _solved(free_m2 * poor, pairs, between, high_w, capacity, duration_s)
    low = _solved(free_m2 * good, pairs, between, low_w, capacity, duration_s)
    when = "steady" if duration_s is None else f"after {duration_s / 60:.0f} min from cold"
    return Rise(
        low_k=low,
        high_k=high,
        hottest=int(np.argmax(high)),
        neighbours=count,
        assumed=f"{when}, still air, {poor:g} to {good:g} W/(m2 K) on free surface, common practice",
    )


def _check_holder(
    at: Array,
    low_w: Array,
    high_w: Array,
    cell: Cylinder,
    film: tuple[float, float],
    duration_s: float | None,
    mass_g: float | None,
) -> None:
    problems = []
    if not (len(at) and low_w.shape == high_w.shape == (len(at),)):
        problems.append(Problem("heat", "a place and a heat are needed for each cell"))
    elif not ((low_w >= 0) & (high_w >= 0)).all():
        problems.append(Problem("heat", "found a heat that is missing or below 0"))
    if not 0 < film[0] <= film[1]:
        problems.append(Problem("heat", f"found film coefficients of {film[0]:g} to {film[1]:g} W/(m2 K)"))
    if duration_s is not None and not (duration_s > 0 and mass_g is not None and mass_g > 0):
        problems.append(Problem("heat", "the rise after a time needs that time and the cell's mass"))
    if len(at) > 1:
        nearest = _pitch_mm(at)
        if nearest < cell.diameter_mm * (1 - 1e-9):
            words = f"two cells stand {nearest:g} mm apart; cells of {cell.diameter_mm:g} mm overlap"
            problems.append(Problem("heat", words))
    if problems:
        raise ArgumentInvalid(problems)


def _neighbours(at: Array, cell: Cylinder) -> tuple[NDArray[np.int64], Array]:
    """Return pairs of cells next to each other, and their distances [mm]."""
    if len(at) < 2:
        return np.empty((0, 2), dtype=np.int64), np.empty(0)
    # cells with more than a diameter of air between them are no neighbours
    reach = min(_NEIGHBOUR * _pitch_mm(at), 2 * cell.diameter_mm)
    pairs = KDTree(at).query_pairs(reach, output_type="ndarray")
    pairs = pairs.reshape(-1, 2).astype(np.int64)
    return pairs, np.hypot(*(at[pairs[:, 0]] - at[pairs[:, 1]]).T)


def _pitch_mm(at: Array) -> float:
    """Return the smallest distance of two cells [mm]."""
    return float(np.asarray(KDTree(at).query(at, k=2)[0])[:, 1].min())


def _solved(
    to_air: Array,
    pairs: NDArray[np.int64],
    between: Array,
    heat_w: Array,
    capacity_j_per_k: float | None,
    duration_s: float | None,
) -> Array:
    """Return the rise: steady, or after a time by the trapezoidal rule."""
    n = len(to_air)
    a, b = pairs.T
    flows = coo_array(
        (np.concatenate((between, between, -between, -between)), (np.r_[a, b, a, b], np.r_[a, b, b, a])),
        shape=(n, n),
    )
    matrix = (flows + diags_array(to_air)).tocsc()
    if capacity_j_per_k is None or duration_s is None:
        return np.asarray(splu(matrix).solve(heat_w))
    dt = duration_s / _TIME_STEPS
    held = diags_array(np.full(n, capacity_j_per_k / dt)).tocsc()
    factors = splu((held + 0.5 * matrix).tocsc())
    rise = np.zeros(n)
    for _ in range(_TIME_STEPS):
        rise = factors.solve(held @ rise - 0.5 * (matrix @ rise) + heat_w)
    return np.asarray(rise)
