"""From what a load needs to the pack: how many groups in series, how many cells in parallel, how many to buy.

Series follow from voltage, parallel from charge and current::

    S = U / U_cell                 I_cell = I / P              R = S·R_cell / P
    P = Q / Q_cell = E / (S·U_cell·Q_cell)                     P >= I / I_cell,max

What only grades a pack (its nominal voltage, its capacity) is rounded both ways. What would harm somebody
(a load's highest voltage, a cell's current) is rounded to the safe side only.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from cellmatch.errors import ArgumentInvalid, JobError, Problem
from cellmatch.pack.chemistry import Chemistry
from cellmatch.pack.needs import CellData, Needs
from cellmatch.pack.spec import Pack

CONFIDENCE = 0.95
"""Chance that the cells bought hold enough good ones."""
_ROUNDING = 1e-9
"""7.5 Ah / 2.5 Ah is 3 cells, whatever the last bit says."""


@dataclass(frozen=True, slots=True)
class _Demand:
    """How many in series or in parallel one need asks for, and why, in words."""

    why: str
    exact: float

    @property
    def down(self) -> int:
        return max(1, math.floor(self.exact * (1 + _ROUNDING)))

    @property
    def up(self) -> int:
        return max(1, math.ceil(self.exact * (1 - _ROUNDING)))

    @property
    def words(self) -> str:
        return f"{self.why} = {self.exact:.2f}"


@dataclass(frozen=True, kw_only=True, slots=True)
class PackSize:
    """One shape that would do, and what it would be.

    Parameters
    ----------
    pack : Pack
    limited_by : tuple of str
        What settled S, then what settled P.
    nominal_v, full_v, end_v : float
        [V]
    capacity_ah, energy_wh : float
        [Ah], [Wh] Of rated cells at the nominal voltage.
    unused_fraction : float or None
        Share of the charge below the load's lowest voltage; None where that can't be known.
    cells_to_buy : int
        With spares for the reject rate.
    mass_g : float or None
        [g] Of the cells alone.
    ir_mohm : float or None
        [mohm] Links left out.
    current_a, current_per_cell_a, peak_per_cell_a : float or None
        [A] Continuous of the pack, and what each cell carries if they share alike.
    sag_v : float or None
        [V] Lost inside the cells at the continuous current.
    range_km : float or None
        [km]
    short : tuple of str
        What this shape does not give.
    """

    pack: Pack
    limited_by: tuple[str, ...]
    nominal_v: float
    full_v: float
    end_v: float
    capacity_ah: float
    energy_wh: float
    unused_fraction: float | None
    cells_to_buy: int
    mass_g: float | None
    ir_mohm: float | None
    current_a: float | None
    current_per_cell_a: float | None
    peak_per_cell_a: float | None
    sag_v: float | None
    range_km: float | None
    short: tuple[str, ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class Sizing:
    """The shapes that fit, best first.

    Parameters
    ----------
    sizes : tuple of PackSize
        Those that give everything before those that fall short, then nearest in voltage, then fewest cells.
    assumptions : tuple of str
    """

    sizes: tuple[PackSize, ...]
    assumptions: tuple[str, ...]


def size_pack(
    needs: Needs,
    cell: CellData,
    chemistry: Chemistry,
    *,
    reject_fraction: float | None = None,
    confidence: float = CONFIDENCE,
) -> Sizing:
    """Return the shapes that fit a load.

    Parameters
    ----------
    needs : Needs
    cell : CellData
    chemistry : Chemistry
    reject_fraction : float, optional
        Share of bought cells expected to fail screening; None: no spares are counted.
    confidence : float
        Chance that the cells bought hold enough good ones.

    Returns
    -------
    Sizing
        One to four shapes: S and P rounded down and up where both may be.

    Raises
    ------
    JobError
        No number of cells keeps the load's highest voltage and reaches its lowest.
    ArgumentInvalid
        No voltage is asked for, or a fraction is out of its range.

    Examples
    --------
    >>> from cellmatch.pack.chemistry import load_chemistry
    >>> from cellmatch.pack.needs import CellData, Needs
    >>> sizing = size_pack(Needs(voltage_v=36, capacity_ah=7.5), CellData(capacity_mah=2500), load_chemistry("nmc"))
    >>> [str(size.pack) for size in sizing.sizes]
    ['10s3p', '9s3p']
    """
    if needs.voltage_v is None and needs.least_v is None and needs.most_v is None:
        raise ArgumentInvalid(Problem("needs", "no voltage: give the nominal one, or the window of the load"))
    cell_v = cell.nominal_v or chemistry.nominal_v
    sizes = []
    for series, why_series in _series_counts(needs, cell_v, chemistry).items():
        for parallel, why_parallel in _parallel_counts(needs, cell, series, cell_v, chemistry).items():
            size = _pack_size(needs, cell, chemistry, Pack(series, parallel), (why_series, why_parallel))
            bought = cells_to_buy(size.pack.places, reject_fraction or 0.0, confidence)
            sizes.append(replace(size, cells_to_buy=bought, short=_shortfalls(size, needs)))
    asked_v = needs.voltage_v or max(size.nominal_v for size in sizes)
    sizes.sort(key=lambda s: (bool(s.short), abs(s.nominal_v - asked_v), s.pack.places))
    return Sizing(sizes=tuple(sizes), assumptions=_assumptions(needs, cell, chemistry, reject_fraction))


def least_parallel(needs: Needs, cell: CellData, series: int, chemistry: Chemistry) -> int:
    """Return how many cells in parallel the currents ask for at least; 1 where no limit is known.

    Examples
    --------
    >>> from cellmatch.pack.chemistry import load_chemistry
    >>> from cellmatch.pack.needs import CellData, Needs
    >>> least_parallel(Needs(current_a=20), CellData(capacity_mah=2500, current_a=8), 10, load_chemistry("nmc"))
    3
    """
    demand = _current_demand(needs, cell, series, chemistry)
    return demand.up if demand else 1


def cells_to_buy(needed: int, reject_fraction: float, confidence: float = CONFIDENCE) -> int:
    """Return how many cells to buy so that enough pass screening.

    The smallest n with P(rejects <= n - needed) >= confidence, rejects being binomial(n, reject_fraction).
    Cells of one bad lot do not fail independently: for them no number of spares helps.

    Parameters
    ----------
    needed : int
        Good cells.
    reject_fraction : float
        From 0 to below 1.
    confidence : float
        Above 0, below 1.

    Returns
    -------
    int

    Raises
    ------
    ArgumentInvalid
        A number out of its range.

    Examples
    --------
    >>> cells_to_buy(30, 0.05)
    34
    """
    if not (needed >= 1 and 0 <= reject_fraction < 1 and 0 < confidence < 1):
        found = f"found {needed} cells, reject rate {reject_fraction:g}, confidence {confidence:g}"
        raise ArgumentInvalid(
            Problem("cells to buy", f"{found}; at least 1 cell, a rate from 0 to below 1, a confidence between 0 and 1")
        )
    from scipy.special import bdtr

    def enough(bought: int) -> bool:
        return bool(bdtr(bought - needed, bought, reject_fraction) >= confidence)

    too_few, plenty = needed - 1, needed
    while not enough(plenty):
        too_few, plenty = plenty, 2 * plenty
    while plenty - too_few > 1:
        middle = (too_few + plenty) // 2
        too_few, plenty = (too_few, middle) if enough(middle) else (middle, plenty)
    return plenty


def _series_counts(needs: Needs, cell_v: float, chemistry: Chemistry) -> dict[int, str]:
    """Return the numbers of groups that fit, each with what settled it."""
    most = least = None
    if needs.most_v is not None:
        most = _Demand(
            f"at most {needs.most_v:g} V when full / {chemistry.full_v:g} V a cell", needs.most_v / chemistry.full_v
        )
        if most.exact * (1 + _ROUNDING) < 1:
            found = f"may see {needs.most_v:g} V at most, and one full cell has {chemistry.full_v:g} V"
            raise JobError(Problem("load", found))
    if needs.least_v is not None:
        least = _Demand(
            f"{needs.least_v:g} V when empty / {chemistry.end_v:g} V a cell", needs.least_v / chemistry.end_v
        )
    if needs.voltage_v is not None:
        wish = _Demand(f"{needs.voltage_v:g} V nominal / {cell_v:g} V a cell", needs.voltage_v / cell_v)
        counts = {wish.down: wish.words, wish.up: wish.words}
    else:
        # the window alone: the most groups it allows draw the least current, the fewest serve it with the least
        counts = {least.up: least.words} if least else {}
        counts |= {most.down: most.words} if most else {}
    if most is not None:
        counts = {n: why for n, why in counts.items() if n <= most.down} or {most.down: most.words}
    if needs.least_v is None:
        return counts
    bright = {n: why for n, why in counts.items() if n * chemistry.full_v > needs.least_v}
    if not bright:
        found = f"{max(counts)} in series have {max(counts) * chemistry.full_v:.1f} V when full"
        raise JobError(Problem("load", f"{found}; it switches off at {needs.least_v:g} V"))
    return bright


def _parallel_counts(needs: Needs, cell: CellData, series: int, cell_v: float, chemistry: Chemistry) -> dict[int, str]:
    """Return the numbers of cells in parallel that carry the currents, each with what settled it."""
    floor = _current_demand(needs, cell, series, chemistry)
    charges = _charge_demands(needs, cell, series, cell_v, chemistry)
    wish = max(charges, key=lambda d: d.exact, default=None)
    if wish is None:
        return {floor.up: floor.words} if floor else {1: "nothing asks for more than one"}
    if floor is None:
        return {wish.down: wish.words, wish.up: wish.words}
    return {max(n, floor.up): wish.words if n >= floor.up else floor.words for n in (wish.down, wish.up)}


def _current_demand(needs: Needs, cell: CellData, series: int, chemistry: Chemistry) -> _Demand | None:
    """Return the current that asks for the most cells in parallel; None where none is known."""
    current_a = _current_a(needs, series, chemistry)
    limits: tuple[tuple[str, float | None, float | None], ...] = (
        ("continuous", current_a, cell.current_a),
        ("peak", needs.peak_a, cell.peak_a or cell.current_a),
        ("through contacts", current_a, cell.contact_a),
    )
    currents = [
        _Demand(f"{asked:.3g} A {word} / {limit:g} A a cell", asked / limit)
        for word, asked, limit in limits
        if asked and limit
    ]
    return max(currents, key=lambda d: d.exact, default=None)


def _charge_demands(needs: Needs, cell: CellData, series: int, cell_v: float, chemistry: Chemistry) -> list[_Demand]:
    cell_ah = cell.capacity_mah / 1000
    string_wh = series * cell_v * cell_ah
    demands = []
    for asked, unit, each, name in (
        (needs.capacity_ah or 0.0, "Ah", cell_ah, "cell"),
        (needs.asked_energy_wh, "Wh", string_wh, "string"),
    ):
        if not asked:
            continue
        usable = _usable_fraction(needs, cell, chemistry, series, math.ceil(asked / each))
        part = f" / {usable:.0%} usable" if usable < 1 else ""
        demands.append(_Demand(f"{asked:g} {unit} / {each:.4g} {unit} a {name}{part}", asked / each / usable))
    return demands


def _usable_fraction(needs: Needs, cell: CellData, chemistry: Chemistry, series: int, parallel: int) -> float:
    """Return the share of charge a load gets from about `parallel` cells: more cells, less sag, no smaller share."""
    current_a = _current_a(needs, series, chemistry) or 0.0
    while (unused := _unused_fraction(needs, cell, chemistry, series, current_a / parallel) or 0.0) >= 1:
        parallel *= 2
    return 1 - unused


def _current_a(needs: Needs, series: int, chemistry: Chemistry) -> float | None:
    """Return the largest continuous current: as given, or for the power at the lowest voltage."""
    lowest_v = max(series * chemistry.end_v, needs.least_v or 0.0)
    by_power = needs.power_w / lowest_v if needs.power_w else 0.0
    return max(needs.current_a or 0.0, by_power) or None


def _pack_size(needs: Needs, cell: CellData, chemistry: Chemistry, pack: Pack, limited_by: tuple[str, ...]) -> PackSize:
    """Return what a shape would be, spares and shortfalls left open."""
    series, parallel = pack.series, pack.group_sizes[0]
    nominal_v = series * (cell.nominal_v or chemistry.nominal_v)
    capacity_ah = parallel * cell.capacity_mah / 1000
    current_a = _current_a(needs, series, chemistry)
    per_cell_a = None if current_a is None else current_a / parallel
    ir_mohm = None if cell.ir_mohm is None else series * cell.ir_mohm / parallel
    return PackSize(
        pack=pack,
        limited_by=limited_by,
        nominal_v=nominal_v,
        full_v=series * chemistry.full_v,
        end_v=series * chemistry.end_v,
        capacity_ah=capacity_ah,
        energy_wh=capacity_ah * nominal_v,
        unused_fraction=_unused_fraction(needs, cell, chemistry, series, per_cell_a or 0.0),
        cells_to_buy=pack.places,
        mass_g=None if cell.mass_g is None else pack.places * cell.mass_g,
        ir_mohm=ir_mohm,
        current_a=current_a,
        current_per_cell_a=per_cell_a,
        peak_per_cell_a=None if needs.peak_a is None else needs.peak_a / parallel,
        sag_v=None if ir_mohm is None or current_a is None else current_a * ir_mohm / 1000,
        range_km=capacity_ah * nominal_v / needs.wh_per_km if needs.wh_per_km else None,
        short=(),
    )


def _unused_fraction(
    needs: Needs, cell: CellData, chemistry: Chemistry, series: int, per_cell_a: float
) -> float | None:
    """Return the share of charge left in the cells when the load switches off."""
    if needs.least_v is None:
        return 0.0
    # the load sees the rest voltage less the drop inside the cell
    rest_v = needs.least_v / series + per_cell_a * (cell.ir_mohm or 0.0) / 1000
    if rest_v <= chemistry.end_v:
        return 0.0
    curve = chemistry.working_curve()
    return None if curve is None else float(np.clip(curve.soc(rest_v), 0.0, 1.0))


def _shortfalls(size: PackSize, needs: Needs) -> tuple[str, ...]:
    """Return what the shape does not give, in words."""
    usable = 1 - (size.unused_fraction or 0.0)
    given: tuple[tuple[float, float, str], ...] = (
        (needs.capacity_ah or 0.0, usable * size.capacity_ah, "Ah"),
        (needs.asked_energy_wh, usable * size.energy_wh, "Wh"),
    )
    return tuple(f"{got:.3g} of {asked:g} {unit}" for asked, got, unit in given if got < asked * (1 - _ROUNDING))


def _assumptions(needs: Needs, cell: CellData, chemistry: Chemistry, reject_fraction: float | None) -> tuple[str, ...]:
    current_asked = needs.current_a or needs.power_w
    blind = needs.least_v is not None and chemistry.curve is None
    lacking: tuple[tuple[bool, str], ...] = (
        (cell.nominal_v is None, f"{chemistry.nominal_v:g} V nominal a cell ({chemistry.label})"),
        (True, f"{chemistry.full_v:g} V full, {chemistry.end_v:g} V empty a cell ({chemistry.label})"),
        (bool(current_asked) and cell.current_a is None, "continuous limit of the cell not given: current not judged"),
        (
            needs.peak_a is not None and cell.peak_a is None,
            "peak limit of the cell not given: "
            + ("held against its continuous limit" if cell.current_a else "peak not judged"),
        ),
        (bool(current_asked) and cell.contact_a is None, "contact rating not given: contacts not judged"),
        (bool(current_asked) and cell.ir_mohm is None, "resistance of the cell not given: sag not known"),
        (cell.mass_g is None, "mass of the cell not given: weight not known"),
        (reject_fraction is None, "reject rate not given: no spare cells counted"),
        (blind, f"no curve for {chemistry.label}: the charge below the load's lowest voltage is not known"),
    )
    return tuple(words for absent, words in lacking if absent)
