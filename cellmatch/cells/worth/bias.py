"""How far two testers, slots or dates read apart, from the cells that were measured on both.

Readings here are a table with a row a reading: columns as in the cell table, under an index of cell ids
that may repeat. A bias is corrected only on request, and what was read is kept beside it.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pandas as pd

from cellmatch.cells.table import texts
from cellmatch.errors import ArgumentInvalid, Problem, nearest_name

BIAS_IS_A_FACTOR = {"capacity_mah": True, "ir_mohm": False, "ocv_v": False}
"""A shunt that is off scales all the charge it counts; contacts and leads add milliohms."""

MOST_LEVELS = 200
"""More levels than this, and on average fewer than two readings on each, are ids and no levels."""

UNIT = {"capacity_mah": "mAh", "ir_mohm": "mohm", "ocv_v": "V"}


@dataclass(frozen=True, kw_only=True, slots=True)
class LevelBias:
    """How one tester, slot or date reads against the reference.

    Parameters
    ----------
    level : str
        Its name.
    bias : float
        Factor minus 1, or offset in the quantity's unit; 0 for the reference.
    standard_error : float
        Of `bias`; NaN where the shared cells leave nothing to work it out from.
    shared_cells : int
        Cells measured here and elsewhere.
    p_value : float
        Chance of such a bias, or a larger one, where there is none; NaN as for `standard_error`.
    """

    level: str
    bias: float
    standard_error: float
    shared_cells: int
    p_value: float


@dataclass(frozen=True, kw_only=True, slots=True)
class Bias:
    """How testers, slots or dates read against each other.

    Parameters
    ----------
    quantity : str
        Column of the cell table.
    by : str
        ``tester``, ``slot`` or ``date``.
    factor : bool
        Each bias is a factor minus 1; otherwise an offset in the quantity's unit.
    reference : str
        The one the others are compared with: it has the most readings. It needn't be the right one.
    levels : tuple of LevelBias
        Every one that shared cells connect to the reference, the reference first.
    unconnected : tuple of str
        Those that no shared cell connects to the reference: nothing can be said of them.
    degrees : int
        Degrees of freedom of the fit.
    """

    quantity: str
    by: str
    factor: bool
    reference: str
    levels: tuple[LevelBias, ...]
    unconnected: tuple[str, ...]
    degrees: int

    def text(self) -> str:
        """Return what was found, for people."""
        lines = [self._words(level) for level in self.levels[1:]]
        if self.unconnected:
            names = ", ".join(self.unconnected[:5]) + (" …" if len(self.unconnected) > 5 else "")
            lines.append(
                f"nothing can be said of {self.by} {names}: no cell was also measured "
                f"on {self.by} {self.reference}; run three or more control cells on both"
            )
        return "; ".join(lines)

    __str__ = text

    def _words(self, level: LevelBias) -> str:
        scale, unit = (100.0, "%") if self.factor else (1.0, UNIT.get(self.quantity, ""))
        start = (
            f"{self.by} {level.level} reads {self.quantity} {abs(level.bias) * scale:.3g} {unit} "
            f"{'above' if level.bias >= 0 else 'below'} {self.by} {self.reference}"
        )
        if np.isnan(level.standard_error):
            return f"{start} on {level.shared_cells} shared cell(s): too few to say how surely; run more on both"
        verdict = "" if level.p_value < 0.05 else ", which chance could give"
        error = f"standard error {level.standard_error * scale:.2g}, {level.shared_cells} shared cells"
        return f"{start} ({error}){verdict}"


def bias_between(readings: pd.DataFrame, quantity: str, by: str) -> Bias | None:
    """Estimate, by least squares, how testers, slots or dates read against each other.

    Every reading is cell + level + error; the cells' own values drop out, so only cells measured on
    more than one level count. Capacities are fitted as logarithms (a factor), others as they are (an
    offset). One kind of level is looked at at a time: where tester and date changed together, the
    bias found is that of both.

    Parameters
    ----------
    readings : DataFrame
        A row a reading under an index of cell ids that may repeat, with the column `quantity`.
    quantity : str
        ``capacity_mah``, ``ir_mohm`` or ``ocv_v``.
    by : str
        ``tester``, ``slot`` (of one tester, where testers are named) or ``date``.

    Returns
    -------
    Bias or None
        None where fewer than two levels stand in the table, or so many that they are no testers or slots.

    Raises
    ------
    ArgumentInvalid
        Another word for `by`.
    """
    factor = BIAS_IS_A_FACTOR.get(quantity, False)
    values = readings[quantity].to_numpy(dtype=float) if quantity in readings.columns else np.array([])
    levels = level_names(readings, by)
    if not values.size:
        return None
    usable = np.isfinite(values) & (levels != "")
    if factor:
        usable &= values > 0
    cell = pd.factorize(np.asarray(readings.index)[usable])[0]
    code, names = pd.factorize(levels[usable], sort=True)
    if not 2 <= len(names) <= max(MOST_LEVELS, len(values) // 2):
        return None
    fitted = np.log(values[usable]) if factor else values[usable]
    counts = np.bincount(code, minlength=len(names))
    reference = int(np.argmax(counts))
    fit = _within_cells(fitted, cell, code, len(names), reference)
    order = [reference, *(i for i in fit.connected if i != reference)]
    return Bias(
        quantity=quantity,
        by=by,
        factor=factor,
        reference=str(names[reference]),
        levels=tuple(_level(str(names[i]), fit, i, factor) for i in order),
        unconnected=tuple(str(names[i]) for i in range(len(names)) if i not in fit.connected),
        degrees=fit.degrees,
    )


@dataclass(frozen=True, slots=True)
class _Fit:
    effect: np.ndarray
    standard_error: np.ndarray
    shared: np.ndarray
    connected: tuple[int, ...]
    degrees: int


def _within_cells(values: np.ndarray, cell: np.ndarray, code: np.ndarray, levels: int, reference: int) -> _Fit:
    """Fit level effects with the cells' means taken out; the normal matrix is a graph's Laplacian."""
    from scipy.sparse import csr_array, diags_array
    from scipy.sparse.csgraph import connected_components

    seen = csr_array((np.ones(len(code)), (cell, code)), shape=(int(cell.max()) + 1, levels))
    seen.sum_duplicates()
    readings_of_cell: np.ndarray = np.bincount(cell)
    share = csr_array(seen.multiply(1.0 / readings_of_cell[:, None]))
    normal = csr_array(diags_array(np.bincount(code, minlength=levels).astype(float)) - seen.T @ share)
    cell_mean = np.bincount(cell, weights=values) / readings_of_cell
    right = np.bincount(code, weights=values - cell_mean[cell], minlength=levels)

    _, component = connected_components(csr_array(abs(normal) > 1e-12), directed=False)
    connected = tuple(int(i) for i in np.flatnonzero(component == component[reference]))
    free = [i for i in connected if i != reference]
    inverse = np.linalg.inv(normal[free][:, free].toarray())
    effect = np.full(levels, np.nan)
    effect[reference] = 0.0
    effect[free] = inverse @ right[free]

    inside = np.isin(code, connected)
    filled = np.where(np.isnan(effect), 0.0, effect)
    centred = values - filled[code]
    residual = centred - (np.bincount(cell, weights=centred) / readings_of_cell)[cell]
    degrees = int(inside.sum()) - len(np.unique(cell[inside])) - len(free)
    variance = float((residual[inside] ** 2).sum() / degrees) if degrees > 0 else np.nan
    error = np.full(levels, np.nan)
    error[reference] = 0.0
    error[free] = np.sqrt(variance * np.diag(inverse))
    elsewhere = np.diff(seen.indptr) > 1
    shared = np.asarray((seen[elsewhere] > 0).sum(axis=0)).ravel().astype(int)
    return _Fit(effect, error, shared, connected, degrees)


def _level(name: str, fit: _Fit, i: int, factor: bool) -> LevelBias:
    from scipy.stats import t as student

    effect, error = float(fit.effect[i]), float(fit.standard_error[i])
    p = float("nan")
    if fit.degrees > 0 and effect == 0.0:
        p = 1.0
    elif fit.degrees > 0:
        p = float(2 * student.sf(abs(effect) / error, fit.degrees)) if error > 0 else 0.0
    return LevelBias(
        level=name,
        bias=float(np.expm1(effect)) if factor else effect,
        standard_error=error * float(np.exp(effect)) if factor else error,
        shared_cells=int(fit.shared[i]),
        p_value=p,
    )


def corrected(readings: pd.DataFrame, bias: Bias) -> pd.DataFrame:
    """Bring every reading to the scale of the bias's reference, keeping what was read.

    Only done when a user asks for it. A cell table stays a cell table.

    Parameters
    ----------
    readings : DataFrame
        With the bias's quantity and level columns.
    bias : Bias
        From :func:`bias_between`.

    Returns
    -------
    DataFrame
        The quantity corrected, and the readings as they were under ``<quantity>_as_read``.

    Raises
    ------
    ArgumentInvalid
        A reading comes from a tester, slot or date that no shared cell connects to the reference.
    """
    of_level = {level.level: level.bias for level in bias.levels}
    levels = level_names(readings, bias.by)
    values = readings[bias.quantity].to_numpy(dtype=float)
    unknown = sorted({str(name) for name in levels[np.isfinite(values)]} - of_level.keys())
    if unknown:
        names = ", ".join(name or "(not given)" for name in unknown)
        raise ArgumentInvalid(
            Problem(
                f"correction of {bias.quantity} by {bias.by}",
                f"{bias.by} {names} shares no cell with {bias.by} {bias.reference}; measure three or more "
                "control cells on both, or group without a correction",
            )
        )
    shift = np.array([of_level.get(str(name), 0.0) for name in levels])
    table = readings.copy()
    table[f"{bias.quantity}_as_read"] = values
    table[bias.quantity] = values / (1.0 + shift) if bias.factor else values - shift
    return table


def level_names(cells: pd.DataFrame, by: str) -> np.ndarray:
    """Return the tester, slot or date of each row, empty where it was not given.

    Parameters
    ----------
    cells : DataFrame
        Cell table or readings, n rows.
    by : str
        A key of :data:`LEVELS`.

    Returns
    -------
    ndarray of object, shape (n,)

    Raises
    ------
    ArgumentInvalid
        Another word for `by`.
    """
    if by not in LEVELS:
        raise ArgumentInvalid(Problem(f"readings compared by '{by}'", nearest_name(by, LEVELS)))
    return LEVELS[by](cells)


def _slots(cells: pd.DataFrame) -> np.ndarray:
    slots, testers = texts(cells, "slot"), texts(cells, "tester")
    if len(set(testers)) < 2:
        return slots
    joined = [f"{tester}/{slot}" if slot else "" for tester, slot in zip(testers, slots, strict=True)]
    return np.array(joined, dtype=object)


def _dates(cells: pd.DataFrame) -> np.ndarray:
    return np.array([str(when)[:10] for when in texts(cells, "tested_at")], dtype=object)


LEVELS: dict[str, Callable[[pd.DataFrame], np.ndarray]] = {
    "tester": lambda cells: texts(cells, "tester"),
    "slot": _slots,
    "date": _dates,
}
