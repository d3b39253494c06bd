"""Self-discharge from two dated voltages of a cell at rest.

Voltage lost per day is K = (U1 - U2)/(t2 - t1); the leak is K divided by the slope of the cell's OCV
curve, times its capacity. Where the curve is flat, where the voltage rose, or where both readings carry
one date, no figure is given, and the reason is.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from cellmatch.cells.quality import resolution
from cellmatch.cells.table import CellTable
from cellmatch.cells.tray import MAD_TO_SIGMA
from cellmatch.errors import ArgumentInvalid, Problem
from cellmatch.pack.chemistry import Chemistry
from cellmatch.pack.limits import OUTLIER_K

FLAT_SOC = (0.30, 0.95)
"""Between these a flat curve (LFP) loses so little voltage that a leak can't be seen: 2 mV a day would
already be 4 % of the charge a day at its 0.5 mV per %."""
REST_BEFORE_FIRST_H = 24.0
"""Rest between charge or discharge and the first of the two readings (common practice, no source)."""
SHARE_OF_RATE = 0.5
"""The voltmeter's step may cost at most this share of the rate that is to be told (common practice)."""
ASSUMED_STEP_V = 0.001
"""A hand meter's last digit, assumed where the readings show no step."""


@dataclass(frozen=True, kw_only=True, slots=True)
class SelfDischarge:
    """Self-discharge of a tray.

    Parameters
    ----------
    cell_ids : tuple of str
        n cells.
    days : ndarray, shape (n,)
        [d] Between the two readings.
    mv_per_day : ndarray, shape (n,)
        [mV/d] Voltage lost a day; NaN where refused.
    leak_ma : ndarray, shape (n,)
        [mA] NaN where refused, and without a slope or a capacity.
    refused : mapping of cell id to str
        Why no figure is given.
    step_mv : float
        [mV] The voltmeter's last digit, worked out from the readings or assumed.
    notes : tuple of str
        What holds for all.
    """

    cell_ids: tuple[str, ...]
    days: np.ndarray
    mv_per_day: np.ndarray
    leak_ma: np.ndarray
    refused: Mapping[str, str]
    step_mv: float
    notes: tuple[str, ...]

    @property
    def step_mv_per_day(self) -> float:
        """What one step of the voltmeter makes of the rate, over the median time [mV/d]."""
        known = self.days[np.isfinite(self.mv_per_day)]
        return self.step_mv / float(np.median(known)) if known.size else float("nan")

    def limit_mv_per_day(self, k: float = OUTLIER_K) -> float:
        """Return the one-sided population limit, never finer than one step of the voltmeter [mV/d]."""
        return population_limit(self.mv_per_day, k=k, least_scale=self.step_mv_per_day)

    def text(self) -> str:
        """Return the tray's self-discharge for people."""
        known = self.mv_per_day[np.isfinite(self.mv_per_day)]
        parts = []
        if known.size:
            parts.append(
                f"self-discharge of {known.size} cell(s): median {np.median(known):.2g} mV a day, "
                f"known to ±{self.step_mv_per_day:.2g}"
            )
        if self.refused:
            first = next(iter(self.refused.items()))
            parts.append(f"no figure for {len(self.refused)} cell(s), like {first[0]}: {first[1]}")
        return "; ".join([*parts, *self.notes])

    __str__ = text


def self_discharge(
    first: pd.DataFrame,
    second: pd.DataFrame,
    *,
    chemistry: Chemistry | None = None,
    slope_v_per_soc: float | None = None,
    step_v: float | None = None,
) -> SelfDischarge:
    """Work out self-discharge from two tables of the same cells, both with ``ocv_v`` and ``tested_at``.

    Parameters
    ----------
    first, second : DataFrame
        Index of cell ids, unique; only ids in both count. Capacity comes from either (``capacity_mah``).
    chemistry : Chemistry, optional
        Gives the slope at each cell's own state of charge, and says whether the curve is flat.
    slope_v_per_soc : float, optional
        [V per unit of state of charge] One slope for all cells, instead of the chemistry's curve.
    step_v : float, optional
        [V] The voltmeter's last digit; worked out from the readings where not given.

    Returns
    -------
    SelfDischarge

    Raises
    ------
    ArgumentInvalid
        A column is missing, no cell stands in both tables, or the slope is not above 0.

    References
    ----------
    K value, two-reading method: application notes of instrument makers (2019, 2020); sign and units
    as there, mV per day.
    """
    if slope_v_per_soc is not None and not slope_v_per_soc > 0:
        raise ArgumentInvalid(Problem("slope of the OCV curve", f"found {slope_v_per_soc}; it must be above 0"))
    ids = _common_cells(first, second)
    first, second = first.loc[ids], second.loc[ids]
    first_v, second_v = first["ocv_v"].to_numpy(dtype=float), second["ocv_v"].to_numpy(dtype=float)
    days = _days(first["tested_at"], second["tested_at"])
    notes: list[str] = []
    if step_v is None:
        step_v = resolution(np.concatenate([first_v, second_v]))
        if np.isnan(step_v):
            step_v = ASSUMED_STEP_V
            notes.append(f"voltmeter step assumed {step_v * 1000:g} mV")
    curve = chemistry.working_curve() if chemistry is not None else None
    soc = np.full(len(ids), np.nan) if curve is None else curve.soc((first_v + second_v) / 2)
    refused = _refusals(ids, first_v, second_v, days, soc, step_v, flat=bool(chemistry and chemistry.flat))
    told = np.array([name not in refused for name in ids])
    rate = np.full(len(ids), np.nan)
    rate[told] = (first_v - second_v)[told] * 1000.0 / days[told]
    if slope_v_per_soc is not None:
        slope = np.full(len(ids), slope_v_per_soc)
    else:
        slope = np.full(len(ids), np.nan) if curve is None else curve.slope_v(soc)
    notes += _rest_notes(first)
    return SelfDischarge(
        cell_ids=tuple(ids),
        days=days,
        mv_per_day=rate,
        leak_ma=leak_ma(rate, slope, _capacity(first, second)),
        refused=refused,
        step_mv=step_v * 1000.0,
        notes=tuple(notes),
    )


def _common_cells(first: pd.DataFrame, second: pd.DataFrame) -> list[str]:
    problems = [
        Problem(f"{which} voltages", f"column {name} is missing; two voltages, each with its date, are needed")
        for which, table in (("first", first), ("second", second))
        for name in ("ocv_v", "tested_at")
        if name not in table.columns
    ]
    problems += [
        Problem(f"{which} voltages", f"cell {table.index[table.index.duplicated()][0]} stands more than once")
        for which, table in (("first", first), ("second", second))
        if table.index.has_duplicates
    ]
    ids = [str(name) for name in first.index if name in second.index]
    if not problems and not ids:
        problems = [Problem("self-discharge", "no cell stands in both tables; are the ids written alike?")]
    if problems:
        raise ArgumentInvalid(problems)
    return ids


def _days(first_at: pd.Series[str], second_at: pd.Series[str]) -> np.ndarray:
    stamps = [
        pd.to_datetime(pd.Series([str(v) for v in at]), format="ISO8601", utc=True, errors="coerce")
        for at in (first_at, second_at)
    ]
    return ((stamps[1] - stamps[0]) / pd.Timedelta(days=1)).to_numpy(dtype=float)


def _refusals(
    ids: list[str],
    first_v: np.ndarray,
    second_v: np.ndarray,
    days: np.ndarray,
    soc: np.ndarray,
    step_v: float,
    *,
    flat: bool,
) -> dict[str, str]:
    low, high = FLAT_SOC
    rise_v = second_v - first_v
    shown = step_v * 1.001
    rules: tuple[tuple[np.ndarray, Callable[[int], str]], ...] = (
        (np.isnan(first_v) | np.isnan(second_v), lambda _: "one of the two voltages is missing"),
        (np.isnan(days), lambda _: "a date can't be read; write it like 2026-03-31 08:00"),
        (days == 0, lambda _: "both voltages carry the same date; read again after some days"),
        (days < 0, lambda i: f"the second voltage is dated {-days[i]:.3g} days before the first"),
        (
            np.full(len(ids), flat) & ~((soc <= low) | (soc >= high)),
            lambda _: (
                f"the voltage of this chemistry hardly falls between {low * 100:.0f} and {high * 100:.0f} % "
                "charge: a leak can't be seen from it; measure the capacity lost instead"
            ),
        ),
        (
            (rise_v > 0) & (rise_v <= shown),
            lambda i: f"the voltage rose by {rise_v[i] * 1000:.3g} mV, one step of the meter: no loss shown yet",
        ),
        (
            rise_v > shown,
            lambda i: (
                f"the voltage rose by {rise_v[i] * 1000:.3g} mV: not relaxed after a discharge, or another "
                "temperature or meter; rest a day and read again"
            ),
        ),
    )
    refused: dict[str, str] = {}
    for caught, words in rules:
        for i in np.flatnonzero(caught):
            refused.setdefault(ids[i], words(int(i)))
    return refused


def _capacity(first: pd.DataFrame, second: pd.DataFrame) -> np.ndarray:
    for table in (first, second):
        if "capacity_mah" in table.columns:
            return table["capacity_mah"].to_numpy(dtype=float)
    return np.full(len(first), np.nan)


def _rest_notes(first: pd.DataFrame) -> list[str]:
    if "rested_h" not in first.columns:
        return [
            f"rest before the first voltage is not given; {REST_BEFORE_FIRST_H:.0f} h or more are needed, "
            "or relaxation counts as loss"
        ]
    short = int((first["rested_h"].to_numpy(dtype=float) < REST_BEFORE_FIRST_H).sum())
    if not short:
        return []
    return [f"{short} cell(s) had rested less than {REST_BEFORE_FIRST_H:.0f} h: part of the loss is relaxation"]


def leak_ma(mv_per_day: np.ndarray, slope_v_per_soc: np.ndarray, capacity_mah: np.ndarray) -> np.ndarray:
    """Return the leak current that a voltage loss stands for.

    Parameters
    ----------
    mv_per_day : array_like, shape (n,)
        [mV/d]
    slope_v_per_soc : array_like, shape (n,)
        [V per unit of state of charge]
    capacity_mah : array_like, shape (n,)
        [mAh]

    Returns
    -------
    ndarray, shape (n,)
        [mA] I = K/(dU/dz)·Q

    Examples
    --------
    >>> round(float(leak_ma(np.array(2.0), np.array(0.9589), np.array(2500.0))), 4)
    0.2173
    """
    per_hour = np.asarray(mv_per_day, dtype=float) / 1000.0 / 24.0
    return np.asarray(per_hour / np.asarray(slope_v_per_soc, float) * np.asarray(capacity_mah, float))


def population_limit(values: np.ndarray, *, k: float = OUTLIER_K, least_scale: float = 0.0) -> float:
    """Return the limit above which a value is far from the lot's: median + k·scale, one-sided.

    Parameters
    ----------
    values : ndarray, shape (n,)
        In any one unit; missing ones don't count.
    k : float
        Robust standard deviations.
    least_scale : float
        The scale is never smaller, in the unit of `values`: repeatability, or a step of the reading.

    Returns
    -------
    float
        In the unit of `values`; NaN where no value is known.
    """
    known = np.asarray(values, dtype=float)
    known = known[np.isfinite(known)]
    if not known.size:
        return float("nan")
    middle = float(np.median(known))
    scale = float(MAD_TO_SIGMA * np.median(np.abs(known - middle)))
    return middle + k * float(np.fmax(scale, least_scale))


def least_rest_days(step_v: float, mv_per_day: float) -> float:
    """Return the days between two readings after which a voltmeter can tell a given rate.

    Two readings rounded to `step_v` leave their difference uncertain by one step.

    Parameters
    ----------
    step_v : float
        [V] The voltmeter's last digit.
    mv_per_day : float
        [mV/d] The rate to be told; above 0.

    Returns
    -------
    float
        [d] Time after which one step is :data:`SHARE_OF_RATE` of what was lost.

    Examples
    --------
    >>> least_rest_days(0.001, 2.0)
    1.0
    """
    if not mv_per_day > 0:
        raise ArgumentInvalid(Problem("self-discharge rate to be told", f"found {mv_per_day}; it must be above 0"))
    return step_v * 1000.0 / (SHARE_OF_RATE * mv_per_day)


def with_self_discharge(cells: pd.DataFrame, found: SelfDischarge) -> CellTable:
    """Return the cell table with ``self_discharge_mv_per_day`` filled from `found`, others kept."""
    table = cells.copy()
    column = "self_discharge_mv_per_day"
    rates = pd.Series(found.mv_per_day, index=list(found.cell_ids)).reindex(table.index)
    table[column] = rates.fillna(table[column]) if column in table.columns else rates
    return CellTable(table)
