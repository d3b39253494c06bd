"""What a load does to a placed pack: how long it lasts, which cell carries most, how warm it gets.

Figures that hang on the resistance under load are ranges: what a tester measures is not what a load meets
(:func:`cellmatch.electrics.resistance.load_resistance_range`).
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from cellmatch.build.links import wire_pack
from cellmatch.build.pack_network import LINK_OHM, pack_network
from cellmatch.cells.table import PlacedCells, resistances_mohm, texts
from cellmatch.electrics.comparison import compare_groupings
from cellmatch.electrics.discharge import Run, run_load
from cellmatch.electrics.heat import Cylinder, Rise, holder_rise
from cellmatch.electrics.load import Load, constant_current, constant_power
from cellmatch.electrics.network import seen_by_the_load, worst_over_mean
from cellmatch.electrics.resistance import load_resistance_range
from cellmatch.electrics.sharing import hold_against_limits, refuse_overload
from cellmatch.errors import ArgumentInvalid, Problem
from cellmatch.pack.chemistry import Chemistry
from cellmatch.pack.holder import Holder
from cellmatch.pack.limits import Limits
from cellmatch.pack.spec import Pack

Array = NDArray[np.float64]

UNEVEN = 1.10
"""From this ratio of the most loaded cell to the mean of its group the take-off is worth a second look
(common practice, no source)."""
MOST_COMPARED = 1200
"""Above this many cells the comparison with random grouping is left out: it would take longer than the plan."""


@dataclass(frozen=True, kw_only=True, slots=True)
class LoadCase:
    """What the pack is asked for, and what its parts may carry.

    Parameters
    ----------
    current_a, power_w : float or None
        [A], [W] Steady load at the terminals; one of the two.
    peak_a : float or None
        [A] At the terminals for seconds.
    cell_a, cell_peak_a : float or None
        [A] The cell maker's limits: continuous, and for seconds.
    link_mohm : float
        [mohm] Of one link with its joints.
    load_uf : float or None
        [µF] Capacitors at the load's input: for the resistor of its first connection.

    Raises
    ------
    ArgumentInvalid
        Both loads or none, or a value of 0 or below.
    """

    current_a: float | None = None
    power_w: float | None = None
    peak_a: float | None = None
    cell_a: float | None = None
    cell_peak_a: float | None = None
    link_mohm: float = 1000 * LINK_OHM
    load_uf: float | None = None

    def __post_init__(self) -> None:
        if (self.current_a is None) == (self.power_w is None):
            raise ArgumentInvalid(Problem("load", "give either --current or --power"))
        problems = [
            Problem(f"load, {name}", f"found {value:g}; it must be above 0")
            for name in self.__slots__
            if (value := getattr(self, name)) is not None and not 0 < value < float("inf")
        ]
        if problems:
            raise ArgumentInvalid(problems)

    @property
    def load(self) -> Load:
        """The same for a run."""
        if self.current_a is not None:
            return constant_current(self.current_a)
        return constant_power(self.power_w or 0.0)

    @property
    def words(self) -> str:
        """The load in words."""
        return f"{self.current_a:g} A" if self.current_a is not None else f"{self.power_w:g} W"


@dataclass(frozen=True, kw_only=True, slots=True)
class CellLoad:
    """What one cell sees under the load.

    Parameters
    ----------
    cell : str
    first_a, most_a : float
        [A] At load-on, links included, and the largest over the run.
    heat_w, rise_k : (float, float)
        [W], [K] Mean heat and rise over the surroundings, lowest and highest.
    """

    cell: str
    first_a: float
    most_a: float
    heat_w: tuple[float, float]
    rise_k: tuple[float, float]


@dataclass(frozen=True, kw_only=True, slots=True)
class LoadPrediction:
    """What the load does. Pairs are the lowest and the highest figure.

    Parameters
    ----------
    case : LoadCase
    usable_ah, usable_wh, hours, sag_v : (float, float)
        [Ah], [Wh] from full until the first group is empty, [h] how long that lasts, [V] drop at load-on.
    ended_group : int or None
        The group that ends it.
    uneven : float
        At load-on, the most loaded cell over the mean of its group, links included.
    uneven_group : int
        In which group.
    in_order_ah, random_ah : float or None
        [Ah] What the same cells would give grouped in the order they came, and at random in the mean.
    hottest_cell : str
    rise_k : (float, float)
        [K] Of that cell over the surroundings.
    cells : tuple of CellLoad
        In the order of the positions.
    findings : tuple of str
        Limits that are not kept and currents shared unevenly; each with what to do.
    assumptions : tuple of str
    """

    case: LoadCase
    usable_ah: tuple[float, float]
    usable_wh: tuple[float, float]
    hours: tuple[float, float]
    sag_v: tuple[float, float]
    ended_group: int | None
    uneven: float
    uneven_group: int
    in_order_ah: float | None
    random_ah: float | None
    hottest_cell: str
    rise_k: tuple[float, float]
    cells: tuple[CellLoad, ...]
    findings: tuple[str, ...]
    assumptions: tuple[str, ...]


def predict_load(
    cells: PlacedCells,
    pack: Pack,
    holder: Holder,
    chemistry: Chemistry,
    limits: Limits,
    case: LoadCase,
    *,
    compare: bool = True,
) -> LoadPrediction | str:
    """Run the load on the placed pack.

    Parameters
    ----------
    cells : PlacedCells
    pack : Pack
    holder : Holder
    chemistry : Chemistry
    limits : Limits
        Settled.
    case : LoadCase
    compare : bool
        Also run the cells in the order of the file and at random.

    Returns
    -------
    LoadPrediction or str
        Words where it can't be predicted: no resistance of a cell, or no curve of the chemistry.

    Raises
    ------
    JobError
        The pack can't carry the load, or no split of it keeps the cells within their limit.
    """
    used = cells[cells["group"] > 0].sort_values("position")
    curve = chemistry.working_curve(full_v=limits.max_v)
    ir_mohm = resistances_mohm(used)
    if np.isnan(ir_mohm).any():
        return "not predicted under load: no resistance given"
    if curve is None:
        return f"not predicted under load: no curve of {chemistry.label} at hand; name a TOML file with --chemistry"
    group = used["group"].to_numpy(dtype=np.int64)
    capacity_ah = used["capacity_mah"].to_numpy(dtype=float) / 1000
    if case.cell_a is not None:
        # a power draws most at the end of discharge
        most_a = case.current_a or (case.power_w or 0.0) / (pack.series * chemistry.end_v)
        refuse_overload(most_a, group, np.full(len(used), case.cell_a))
    low, high, resistance_words = _resistance_factors(used)
    end_v, full_v = chemistry.end_v, limits.max_v or chemistry.full_v
    wired = [
        _wired(used, pack, holder, ir_mohm / 1000 * factor, case.link_mohm / 1000, group) for factor in (low, high)
    ]
    runs = [
        run_load(capacity_ah, r, group, curve, case.load, end_v=end_v, full_v=full_v, link_ohm=link)
        for r, link in wired
    ]
    # the runs' resistances carry the links' effect; heat is made in the cell's own
    heats = [run.cell_rms_a**2 * factor * ir_mohm / 1000 for run, factor in zip(runs, (low, high), strict=True)]
    rise = _rise(used, holder, heats, runs[1].duration_s)
    ratio = worst_over_mean(runs[0].cell_first_a, group)
    worst_group = int(np.nanargmax(ratio))
    in_order_ah, random_ah = None, None
    if compare and len(used) <= MOST_COMPARED:
        came = np.argsort(cells.index.get_indexer(used.index))  # "in order" means the order of the file
        compared = compare_groupings(
            capacity_ah[came],
            wired[1][0][came],
            group[came],
            curve,
            case.load,
            end_v=end_v,
            full_v=full_v,
            link_ohm=wired[1][1],
        )
        in_order_ah, random_ah = compared.in_order_ah, float(compared.random_ah.mean())
    return LoadPrediction(
        case=case,
        usable_ah=_pair(run.charge_ah for run in runs),
        usable_wh=_pair(run.energy_wh for run in runs),
        hours=_pair(run.duration_s / 3600 for run in runs),
        sag_v=_pair(run.sag_v for run in runs),
        ended_group=runs[1].ended_group,
        uneven=float(ratio[worst_group]),
        uneven_group=worst_group + 1,
        in_order_ah=in_order_ah,
        random_ah=random_ah,
        hottest_cell=str(used.index[rise.hottest]),
        rise_k=(float(rise.low_k[rise.hottest]), float(rise.high_k[rise.hottest])),
        cells=_cell_loads(used, runs, heats, rise),
        findings=_findings(used, runs, case, holder, float(ratio[worst_group]), worst_group + 1),
        assumptions=(
            f"load of {case.words} from full, without a pause",
            resistance_words,
            f"each link with its joints {case.link_mohm:g} mΩ",
            f"rest voltage by the curve of {chemistry.label} (source in the record)",
            f"heat: {rise.assumed}",
        ),
    )


def _resistance_factors(used: pd.DataFrame) -> tuple[float, float, str]:
    """Return the widest range over the methods the resistances were measured by."""
    ranges = [load_resistance_range(m or None) for m in sorted(set(texts(used, "ir_method")))]
    return min(r[0] for r in ranges), max(r[1] for r in ranges), "; ".join(r[2] for r in ranges)


def _wired(
    used: pd.DataFrame, pack: Pack, holder: Holder, cell_ohm: Array, link_ohm: float, group: NDArray[np.int64]
) -> tuple[Array, float]:
    """Return cell resistances that carry the effect of the links, and what is left in series [ohm]."""
    positions = holder.lay_out(pack)
    wiring = wire_pack(positions, holder, list(map(str, used.index)))
    # no sense lead is looked at here
    return seen_by_the_load(pack_network(positions, wiring, (), cell_ohm, link_ohm).network, group)


def _rise(used: pd.DataFrame, holder: Holder, heats_w: list[Array], duration_s: float) -> Rise:
    mass = used["mass_g"].median() if "mass_g" in used.columns else np.nan
    known = bool(np.isfinite(mass))
    return holder_rise(
        used["x_mm"].to_numpy(dtype=float),
        used["y_mm"].to_numpy(dtype=float),
        (heats_w[0], heats_w[1]),
        Cylinder(diameter_mm=holder.diameter_mm, length_mm=holder.length_mm),
        duration_s=duration_s if known else None,
        mass_g=float(mass) if known else None,
    )


def _cell_loads(used: pd.DataFrame, runs: list[Run], heats_w: list[Array], rise: Rise) -> tuple[CellLoad, ...]:
    most = np.maximum(runs[0].cell_max_a, runs[1].cell_max_a)
    return tuple(
        CellLoad(
            cell=str(cell),
            first_a=float(runs[0].cell_first_a[k]),
            most_a=float(most[k]),
            heat_w=_pair(heat[k] for heat in heats_w),
            rise_k=(float(rise.low_k[k]), float(rise.high_k[k])),
        )
        for k, cell in enumerate(used.index)
    )


def _findings(
    used: pd.DataFrame, runs: list[Run], case: LoadCase, holder: Holder, ratio: float, group: int
) -> tuple[str, ...]:
    words = []
    limits = {"continuous_a": case.cell_a, "contact_a": holder.contact_a}
    for checks in zip(*(hold_against_limits(run, case.load, **limits) for run in runs), strict=True):
        worst = max(checks, key=lambda check: check.current_a)
        if not worst.kept:
            cell = used.index[worst.cell]
            words.append(f"{worst.name} limit not kept by {cell}: {worst.why}; more cells in parallel, or less load")
    if case.peak_a is not None and case.cell_peak_a is not None:
        # seconds are short against the drift of the shares: they stay as at load-on
        at_peak = runs[0].cell_first_a * case.peak_a / runs[0].current_a[0]
        cell = int(np.argmax(at_peak))
        if at_peak[cell] > case.cell_peak_a:
            words.append(
                f"peak limit not kept by {used.index[cell]}: {at_peak[cell]:.2f} A of at most {case.cell_peak_a:.2f} A "
                f"at a peak of {case.peak_a:g} A; more cells in parallel, or less load"
            )
    if ratio > UNEVEN:
        words.append(
            f"at load-on the most loaded cell of group {group} carries {ratio:.2f} times the mean of its group, "
            "mostly by where the current is taken off: more or heavier links, or terminals at opposite ends"
        )
    return tuple(words)


def _pair(values: Iterable[float]) -> tuple[float, float]:
    found = [float(v) for v in values]
    return min(found), max(found)
