"""Open-circuit voltage against state of charge: one curve object, forward and back."""

from __future__ import annotations

import csv
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from numpy.typing import ArrayLike, NDArray

from cellmatch.errors import ArgumentInvalid, FileUnusable, Problem

_BEYOND = 10.0
"""How far the end slopes are carried on, in units of the whole charge."""


@dataclass(frozen=True, kw_only=True, slots=True)
class OcvCurve:
    """Rest voltage of a cell against its state of charge (SOC), straight lines between the points.

    Beyond both ends the last slope goes on, so that a weak cell in parallel with strong ones may pass its
    own end in a simulation and the inverse still fits the forward.

    Parameters
    ----------
    soc_fraction : tuple of float
        State of charge, rising from 0 to 1.
    ocv_v : tuple of float
        [V] Rest voltage at each, rising.
    uncertainty_v : tuple of float
        [V] How far a cell of the same chemistry may lie from the curve, at each point.
    source : str
        Where the figures come from.

    Raises
    ------
    ArgumentInvalid
        Fewer than two points, lengths that differ, a value that is no number, a state of charge that does
        not run from 0 to 1, a voltage that does not rise from point to point.

    Examples
    --------
    >>> curve = OcvCurve(soc_fraction=(0, 0.5, 1), ocv_v=(3.0, 3.7, 4.2), uncertainty_v=(0, 0, 0), source="")
    >>> curve.voltage([0.25, 0.5]), curve.soc(3.35), curve.slope_v([0.25])
    (array([3.35, 3.7 ]), array(0.25), array([1.4]))
    """

    soc_fraction: tuple[float, ...]
    ocv_v: tuple[float, ...]
    uncertainty_v: tuple[float, ...]
    source: str
    _x: NDArray[np.float64] = field(init=False, repr=False, compare=False)
    _y: NDArray[np.float64] = field(init=False, repr=False, compare=False)
    _slope: NDArray[np.float64] = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        x, y = np.array(self.soc_fraction, dtype=float), np.array(self.ocv_v, dtype=float)
        u = np.array(self.uncertainty_v, dtype=float)
        problems = _curve_problems(x, y, u)
        if problems:
            raise ArgumentInvalid(problems)
        slope = np.diff(y) / np.diff(x)
        ends = np.array([-_BEYOND, _BEYOND])
        x = np.concatenate(([x[0] - _BEYOND], x, [x[-1] + _BEYOND]))
        y = np.concatenate(([y[0] + ends[0] * slope[0]], y, [y[-1] + ends[1] * slope[-1]]))
        object.__setattr__(self, "_x", x)
        object.__setattr__(self, "_y", y)
        object.__setattr__(self, "_slope", np.concatenate(([slope[0]], slope, [slope[-1]])))

    @property
    def empty_v(self) -> float:
        """Voltage at SOC 0 [V]."""
        return self.ocv_v[0]

    @property
    def full_v(self) -> float:
        """Voltage at SOC 1 [V]."""
        return self.ocv_v[-1]

    def voltage(self, soc_fraction: ArrayLike) -> NDArray[np.float64]:
        """Return the rest voltage at a state of charge [V], of the shape given."""
        return np.asarray(np.interp(np.asarray(soc_fraction, dtype=float), self._x, self._y))

    def soc(self, ocv_v: ArrayLike) -> NDArray[np.float64]:
        """Return the state of charge at a rest voltage, below 0 or above 1 beyond the curve's ends."""
        return np.asarray(np.interp(np.asarray(ocv_v, dtype=float), self._y, self._x))

    def slope_v(self, soc_fraction: ArrayLike) -> NDArray[np.float64]:
        """Return the slope [V per unit of SOC]; at a point of the curve that of the piece above it."""
        return self.voltage_and_slope(np.asarray(soc_fraction, dtype=float))[1]

    def voltage_and_slope(self, soc_fraction: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Return rest voltage [V] and slope [V per unit of SOC] with one look-up: for inner loops."""
        piece = self._x[1:-1].searchsorted(soc_fraction, side="right")
        slope = self._slope[piece]
        return self._y[piece] + slope * (soc_fraction - self._x[piece]), slope

    def energy_v(self, soc_fraction: ArrayLike) -> NDArray[np.float64]:
        """Return the integral of the voltage from SOC 0 [V], times capacity an energy; exact."""
        z = np.asarray(soc_fraction, dtype=float)
        area = np.concatenate(([0.0], np.cumsum(0.5 * (self._y[1:] + self._y[:-1]) * np.diff(self._x))))
        area -= area[1]
        piece = np.clip(np.searchsorted(self._x, z, side="right") - 1, 0, len(self._x) - 2)
        over = z - self._x[piece]
        return np.asarray(area[piece] + over * (self._y[piece] + 0.5 * over * self._slope[piece]))

    def voltage_uncertainty_v(self, soc_fraction: ArrayLike) -> NDArray[np.float64]:
        """Return how far a cell of the chemistry may lie from the curve [V]."""
        return np.asarray(np.interp(np.asarray(soc_fraction, dtype=float), self.soc_fraction, self.uncertainty_v))

    def soc_uncertainty(self, ocv_v: ArrayLike, meter_v: float = 0.0) -> NDArray[np.float64]:
        """Return the half width of the states of charge that a reading leaves open.

        Parameters
        ----------
        ocv_v : array_like
            [V] Reading at rest.
        meter_v : float
            [V] Accuracy of the meter, added to the curve's own uncertainty there.
        """
        v = np.asarray(ocv_v, dtype=float)
        width = meter_v + self.voltage_uncertainty_v(self.soc(v))
        return 0.5 * (np.clip(self.soc(v + width), 0, 1) - np.clip(self.soc(v - width), 0, 1))

    def between(self, empty_v: float, full_v: float) -> OcvCurve:
        """Return the same curve with SOC 0 and 1 at the rest voltages that a capacity was measured between.

        Raises
        ------
        ArgumentInvalid
            The voltages do not lie on the curve in this order.
        """
        if not self.empty_v <= empty_v < full_v <= self.full_v:
            found = f"found {empty_v:g} to {full_v:g} V"
            right = f"the curve runs from {self.empty_v:g} to {self.full_v:g} V"
            raise ArgumentInvalid(Problem("part of an OCV curve", f"{found}; {right}"))
        low, high = float(self.soc(empty_v)), float(self.soc(full_v))
        inside = [z for z in self.soc_fraction if low < z < high]
        at = np.array([low, *inside, high])
        return OcvCurve(
            soc_fraction=tuple(((at - low) / (high - low)).tolist()),
            ocv_v=tuple(self.voltage(at).tolist()),
            uncertainty_v=tuple(self.voltage_uncertainty_v(at).tolist()),
            source=self.source,
        )


def _curve_problems(x: NDArray[np.float64], y: NDArray[np.float64], u: NDArray[np.float64]) -> list[Problem]:
    """Return what keeps the points from being a curve."""
    if not (x.ndim == y.ndim == u.ndim == 1 and len(x) == len(y) == len(u) and len(x) >= 2):
        sizes = f"{x.size} states of charge, {y.size} voltages, {u.size} uncertainties"
        return [Problem("OCV curve", f"found {sizes}; as many of each, and two at least, are needed")]
    if not (np.isfinite(x).all() and np.isfinite(y).all() and np.isfinite(u).all() and (u >= 0).all()):
        return [Problem("OCV curve", "a value is missing, no number, or an uncertainty below 0")]
    problems = []
    if x[0] != 0.0 or x[-1] != 1.0:
        problems.append(
            Problem("OCV curve", f"the state of charge runs from {x[0]:g} to {x[-1]:g}; it must run from 0 to 1")
        )
    for name, unit, values in (("state of charge", "", x), ("voltage", " V", y)):
        back = np.flatnonzero(np.diff(values) <= 0)
        if len(back):
            k = int(back[0])
            step = f"the {name} goes from {values[k]:g} to {values[k + 1]:g}{unit}"
            problems.append(Problem(f"OCV curve, point {k + 2}", f"{step}; it must rise from point to point"))
    return problems


def read_curve(path: str | Path) -> OcvCurve:
    """Read a curve of your own from a CSV file.

    The header names the columns: ``soc_fraction`` (0 to 1) or ``soc_percent`` (0 to 100), ``ocv_v``, and
    ``uncertainty_v`` where it is known.

    Raises
    ------
    FileUnusable
        The file can't be read, or a column or number is missing.
    ArgumentInvalid
        The points are no curve: see :class:`OcvCurve`.
    """
    path = Path(path)
    where = f"OCV curve file {path.name}"
    try:
        rows = list(csv.DictReader(path.read_text(encoding="utf-8-sig").splitlines()))
    except (OSError, UnicodeDecodeError) as error:
        raise FileUnusable(Problem(where, f"can't be read ({error})")) from error
    present = set(rows[0]) if rows else set()
    if "ocv_v" not in present or not present & {"soc_fraction", "soc_percent"}:
        raise FileUnusable(Problem(where, "needs the columns soc_fraction (or soc_percent) and ocv_v"))
    name, unit = ("soc_fraction", 1.0) if "soc_fraction" in present else ("soc_percent", 100.0)
    try:
        soc = tuple(float(row[name]) / unit for row in rows)
        ocv = tuple(float(row["ocv_v"]) for row in rows)
        given = "uncertainty_v" in present
        uncertainty = tuple(float(row["uncertainty_v"]) if given else 0.0 for row in rows)
    except (TypeError, ValueError) as error:
        raise FileUnusable(Problem(where, f"a value is no number ({error})")) from error
    try:
        source = f"file {path.name}" + ("" if given else "; no uncertainty given, none counted")
        return OcvCurve(soc_fraction=soc, ocv_v=ocv, uncertainty_v=uncertainty, source=source)
    except ArgumentInvalid as error:
        raise ArgumentInvalid([Problem(f"{where}: {p.where}", p.what) for p in error.problems]) from None
