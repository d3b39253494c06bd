"""What charts and report both draw: group deviations, and histograms of the cells with their limits."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from cellmatch.cells.table import resistances_mohm
from cellmatch.cells.tray import Tray
from cellmatch.output.look import number
from cellmatch.plan import Plan
from cellmatch.prediction import CellLoad

FEWEST_BINS, MOST_BINS = 8, 24
REACH = 1.5
"""The scale reaches at most this many widths of the kept cells beyond them; strays are counted."""


@dataclass(frozen=True, kw_only=True, slots=True)
class GroupBalance:
    """Group capacities as deviations from their mean.

    Parameters
    ----------
    group : ndarray of int, shape (S,)
    deviation_mah : ndarray, shape (S,)
        [mAh] Capacity less the mean of the groups.
    mean_mah, floor_mah : float
        [mAh]
    weakest : int
        Index of the weakest group.
    """

    group: np.ndarray
    deviation_mah: np.ndarray
    mean_mah: float
    floor_mah: float
    weakest: int

    @property
    def within_floor(self) -> bool:
        """The readings can't tell any two groups apart."""
        return float(np.ptp(self.deviation_mah)) <= self.floor_mah

    def finding(self) -> str:
        """Say in one sentence what the chart shows."""
        weakest_ah = (self.mean_mah + self.deviation_mah[self.weakest]) / 1000
        held = f"group {self.group[self.weakest]} holds {number(weakest_ah, 2, 'Ah')}"
        if len(self.group) == 1:
            return f"One group: {held}"
        spread = number(float(np.ptp(self.deviation_mah)), 1, "mAh")
        if not np.ptp(self.deviation_mah):
            return f"All groups read alike: {held}"
        told = "all groups within the floor" if self.within_floor else f"spread {spread}, above the floor"
        return f"Weakest {held}; {told}"


def group_balance(plan: Plan) -> GroupBalance:
    """Return the capacities of a plan's groups as deviations from their mean."""
    capacity = np.array([g.capacity_mah for g in plan.prediction.groups])
    mean = float(capacity.mean())
    return GroupBalance(
        group=np.array([g.group for g in plan.prediction.groups]),
        deviation_mah=capacity - mean,
        mean_mah=mean,
        floor_mah=plan.grouping.floor_mah,
        weakest=int(np.argmin(capacity)),
    )


@dataclass(frozen=True, kw_only=True, slots=True)
class Quantity:
    """A reading of a cell that can be drawn.

    Parameters
    ----------
    name : str
        Its column.
    words, short, unit : str
        Its name in full, in one word, and its unit.
    decimals : int
    limits : callable
        Takes the tray; returns (value, words) of each limit that holds for all cells alike.
    """

    name: str
    words: str
    short: str
    unit: str
    decimals: int
    limits: Callable[[Tray, Plan], list[tuple[float, str]]]

    def values(self, plan: Plan) -> np.ndarray:
        """Return the readings of all cells, NaN where there is none; shape (n,)."""
        if self.name == "ir_mohm":
            return resistances_mohm(plan.cells)
        return plan.cells[self.name].to_numpy(dtype=float)


def _ocv_limits(tray: Tray, plan: Plan) -> list[tuple[float, str]]:
    window = plan.screening.window
    limits = [
        (tray.limits.floor_v, "floor"),
        (tray.limits.min_v, "lowest in service"),
        (tray.limits.max_v, "full"),
    ]
    if window.center_v is not None:
        limits += [
            (window.center_v - window.half_width_v, "joining window"),
            (window.center_v + window.half_width_v, "joining window"),
        ]
    return [(float(value), words) for value, words in limits if value is not None]


def _capacity_limits(tray: Tray, plan: Plan) -> list[tuple[float, str]]:
    least = (tray.limits.min_capacity_fraction or 0.0) * tray.rated_mah
    return [(float(v), "capacity floor") for v in np.unique(least[np.isfinite(least) & (least > 0)])]


def _ir_limits(tray: Tray, plan: Plan) -> list[tuple[float, str]]:
    most = (tray.limits.max_ir_ratio or np.inf) * tray.median_within(tray.ir_mohm, tray.kind)
    most = np.fmin(most, np.inf if tray.limits.max_ir_mohm is None else tray.limits.max_ir_mohm)
    return [(float(v), "resistance ceiling") for v in np.unique(most[np.isfinite(most)])]


QUANTITIES: dict[str, Quantity] = {
    q.name: q
    for q in (
        Quantity(
            name="ocv_v",
            words="open-circuit voltage",
            short="voltage",
            unit="V",
            decimals=3,
            limits=_ocv_limits,
        ),
        Quantity(
            name="capacity_mah",
            words="capacity",
            short="capacity",
            unit="mAh",
            decimals=0,
            limits=_capacity_limits,
        ),
        Quantity(
            name="ir_mohm",
            words="internal resistance",
            short="resistance",
            unit="mΩ",
            decimals=1,
            limits=_ir_limits,
        ),
    )
}
"""Every reading that is drawn cell by cell; a new one is one entry here."""

KINDS = ("used", "level", "spare", "reject")
"""What becomes of a cell, as the histograms tell it; ``level``: used, once brought to the common voltage."""


def kind_of_cells(plan: Plan) -> np.ndarray:
    """Return for each cell of the tray one of :data:`KINDS`; object array of shape (n,)."""
    kind = plan.cells["status"].to_numpy(dtype=object).copy()
    to_level = np.isfinite(plan.cells["level_to_v"].to_numpy(dtype=float))
    kind[to_level & (kind == "used")] = "level"
    return kind


@dataclass(frozen=True, kw_only=True, slots=True)
class Histogram:
    """Cells of a tray by one reading, told by what becomes of them.

    Parameters
    ----------
    quantity : Quantity
    edges : ndarray, shape (bins + 1,)
        In the quantity's unit; empty where no cell has this reading.
    counts : mapping of kind to ndarray of int, shape (bins,)
    totals : mapping of kind to int
        Cells with this reading, beyond the scale too.
    lower, higher : int
        Cells beyond the scale.
    limits : tuple of (value, words)
        Inside the scale.
    """

    quantity: Quantity
    edges: np.ndarray
    counts: dict[str, np.ndarray]
    totals: dict[str, int]
    lower: int
    higher: int
    limits: tuple[tuple[float, str], ...]

    @property
    def empty(self) -> bool:
        """No cell has this reading."""
        return len(self.edges) == 0

    @property
    def tallest(self) -> int:
        """Cells in the fullest bin, at least 1."""
        stacked = np.sum(list(self.counts.values()), axis=0)
        return max(1, int(stacked.max())) if stacked.size else 1

    def finding(self) -> str:
        """Say in one sentence what the chart shows."""
        words = self.quantity.short.capitalize()
        if self.empty:
            return f"{words}: none given"
        kept = sum(n for kind, n in self.totals.items() if kind != "reject")
        return f"{words}: {kept} kept, {self.totals['reject']} rejected"


def histogram(plan: Plan, name: str) -> Histogram:
    """Count the cells of a plan by one reading.

    Parameters
    ----------
    plan : Plan
    name : str
        One of :data:`QUANTITIES`.

    Returns
    -------
    Histogram
        Its scale holds all cells that are kept as they are; strays are counted at its sides.
    """
    quantity = QUANTITIES[name]
    values, kind = quantity.values(plan), kind_of_cells(plan)
    known = np.isfinite(values)
    totals = {k: int((known & (kind == k)).sum()) for k in KINDS}
    if not known.any():
        none = np.zeros(0, dtype=np.int64)
        return Histogram(
            quantity=quantity, edges=np.zeros(0), counts=dict.fromkeys(KINDS, none), totals=totals,
            lower=0, higher=0, limits=(),
        )  # fmt: skip
    limits = quantity.limits(Tray(plan.cells, plan.limits, plan.chemistry), plan)
    kept = values[known & ((kind == "used") | (kind == "spare"))]
    low, high = _scale(kept if kept.size else values[known], values[known], limits, 10.0**-quantity.decimals)
    bins = int(np.clip(2 * np.sqrt(known.sum()), FEWEST_BINS, MOST_BINS))
    edges = np.linspace(low, high, bins + 1)
    return Histogram(
        quantity=quantity,
        edges=edges,
        counts={k: np.histogram(values[known & (kind == k)], edges)[0] for k in KINDS},
        totals=totals,
        lower=int((values[known] < low).sum()),
        higher=int((values[known] > high).sum()),
        limits=tuple((value, words) for value, words in limits if low <= value <= high),
    )


def _scale(kept: np.ndarray, known: np.ndarray, limits: list[tuple[float, str]], step: float) -> tuple[float, float]:
    """Return the ends of the scale: the kept cells, and what lies within reach of them."""
    low, high = float(kept.min()), float(kept.max())
    reach = REACH * max(high - low, 10 * step)
    shown = np.concatenate([known, [value for value, _ in limits]])
    shown = shown[(shown >= low - reach) & (shown <= high + reach)]
    low, high = min(low, float(shown.min())), max(high, float(shown.max()))
    margin = 0.05 * max(high - low, 10 * step)
    return low - margin, high + margin


@dataclass(frozen=True, kw_only=True, slots=True)
class Mapped:
    """A figure of each used cell that the map can be coloured by.

    Parameters
    ----------
    words, unit : str
    decimals : int
    values : callable
        Takes the plan; returns an array of shape (used cells,) in the order of the places, NaN where not known.
    missing : str
        Why there may be none.
    """

    words: str
    unit: str
    decimals: int
    values: Callable[[Plan], np.ndarray]
    missing: str


def _reading(name: str) -> Callable[[Plan], np.ndarray]:
    def values(plan: Plan) -> np.ndarray:
        used = plan.with_status("used").sort_values("position")
        return QUANTITIES[name].values(plan)[plan.cells.index.get_indexer(used.index)]

    return values


def _under_load(figure: Callable[[CellLoad], float]) -> Callable[[Plan], np.ndarray]:
    def values(plan: Plan) -> np.ndarray:
        load = plan.prediction.load
        return np.full(plan.pack.places, np.nan) if load is None else np.array([figure(c) for c in load.cells])

    return values


MAPPED: dict[str, Mapped] = {
    **{
        name: Mapped(
            words=q.words, unit=q.unit, decimals=q.decimals, values=_reading(name), missing=f"no {q.words} given"
        )
        for name, q in QUANTITIES.items()
    },
    "current": Mapped(
        words="largest current under load",
        unit="A",
        decimals=2,
        values=_under_load(lambda cell: cell.most_a),
        missing="no load predicted",
    ),
    "temperature": Mapped(
        words="temperature rise under load, at most",
        unit="K",
        decimals=1,
        values=_under_load(lambda cell: cell.rise_k[1]),
        missing="no load predicted",
    ),
}
"""Every figure the map can be coloured by; a new one is one entry here."""
