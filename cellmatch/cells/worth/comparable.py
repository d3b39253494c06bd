"""Whether the readings of one column are one scale: method, temperature, voltage, rest, models, last digit.

Each ``*_notes`` function looks at the whole table and returns sentences for people, each with what to do
next; none of them changes a reading. Which resistance serves for what:

====================  ===========================================  ===============================
method                joining, short circuit, fuse (lowest R)      sag, heat, end of discharge
====================  ===========================================  ===============================
AC 1 kHz              as read                                      1.3 to 1.8 times as read
DC, 10 s or longer    may be as low as 1/1.8 of what was read      as read
DC, shorter; unknown  may be as low as 1/1.8 of what was read      1 to 1.8 times as read
====================  ===========================================  ===============================
"""

from __future__ import annotations

import re
from dataclasses import dataclass

import numpy as np
import pandas as pd

from cellmatch.cells.quality import resolution
from cellmatch.cells.table import resistances_mohm, texts
from cellmatch.cells.tray import SAME_TEMPERATURE_K
from cellmatch.errors import ArgumentInvalid, Problem
from cellmatch.pack.chemistry import Chemistry

DC_OVER_AC = (1.3, 1.8)
"""DC resistance after seconds over AC 1 kHz: the mean instant share of the 5 s value is 0.57 to 0.74 over
four sets of retired cells (worked out from open pulse data), so 1/0.74 = 1.35 to 1/0.57 = 1.75."""
LONG_DC_S = 10.0
RESTED_H = 24.0
"""Rest after which a voltage counts as open-circuit (common practice, no source)."""
SAME_OCV_MV = 30.0
STEEP_BELOW_V = 3.75
"""Below it the resistance of an NMC cell falls steeply with charge: on retired 18650 cells the mean runs
from 51 to 21 mohm between 5 and 50 % of nominal (worked out from open pulse data)."""
HIGH_VOLTAGE_V = 0.02
"""A rested cell this far above its chemistry's full voltage may be one of a higher voltage, like 4.35 V."""
FULLEST_LFP_V = 3.65


@dataclass(frozen=True, kw_only=True, slots=True)
class ResistanceUse:
    """What a resistance read by one method may stand for.

    Parameters
    ----------
    method : str
        As in ``ir_method``.
    joining_factor : float
        Times the reading gives the lowest resistance that joining, short circuit and fuse figures need.
    load_factors : (float, float)
        Times the reading gives the range that sag, heat and end of discharge need.
    words : str
        For people.
    """

    method: str
    joining_factor: float
    load_factors: tuple[float, float]
    words: str

    def text(self) -> str:
        """Return what the method serves for."""
        return self.words

    __str__ = text


def resistance_use(method: str) -> ResistanceUse:
    """Say what a resistance read by `method` serves for.

    Parameters
    ----------
    method : str
        ``ac_1khz``, ``dc_<seconds>s``, ``dc`` or ``unknown``; empty counts as unknown.

    Returns
    -------
    ResistanceUse

    Examples
    --------
    >>> resistance_use("ac_1khz").load_factors
    (1.3, 1.8)
    >>> resistance_use("dc_10s").load_factors
    (1.0, 1.0)
    """
    name = method or "unknown"
    seconds = dc_seconds(name)
    lowest = 1.0 / DC_OVER_AC[1]
    if name.startswith("ac"):
        words = (
            f"AC: right for joining currents; under load the cell acts like {DC_OVER_AC[0]} to "
            f"{DC_OVER_AC[1]} times as much"
        )
        return ResistanceUse(method=name, joining_factor=1.0, load_factors=DC_OVER_AC, words=words)
    if seconds is not None and seconds >= LONG_DC_S:
        words = (
            f"DC over {seconds:g} s: right for sag and heat; joining currents can be up to {DC_OVER_AC[1]} "
            "times what it gives"
        )
        return ResistanceUse(method=name, joining_factor=lowest, load_factors=(1.0, 1.0), words=words)
    what = "method not given" if seconds is None else f"DC over {seconds:g} s"
    words = (
        f"{what}: joining currents can be up to {DC_OVER_AC[1]} times what it gives, and under load the cell "
        f"can act like up to {DC_OVER_AC[1]} times as much"
    )
    return ResistanceUse(method=name, joining_factor=lowest, load_factors=(1.0, DC_OVER_AC[1]), words=words)


def dc_seconds(method: str) -> float | None:
    """Return how long the current step of a DC method lasted [s], None where the name doesn't say.

    Examples
    --------
    >>> dc_seconds("dc_10s"), dc_seconds("ac_1khz")
    (10.0, None)
    """
    found = re.fullmatch(r"dc_(\d+(?:\.\d+)?)s", method)
    return float(found[1]) if found else None


def resistance_methods(cells: pd.DataFrame) -> dict[str, int]:
    """Return how many cells have a resistance by each method, the commonest first.

    Examples
    --------
    >>> cells = {"ir_mohm": [20.0, 31.0, 21.0], "ir_method": ["ac_1khz", "dc_10s", "ac_1khz"]}
    >>> resistance_methods(pd.DataFrame(cells))
    {'ac_1khz': 2, 'dc_10s': 1}
    """
    known = np.isfinite(resistances_mohm(cells))
    names = pd.Series([name or "unknown" for name in texts(cells, "ir_method")[known]], dtype=object)
    return {str(name): int(count) for name, count in names.value_counts().items()}


def one_resistance_method(cells: pd.DataFrame, use: str) -> str | None:
    """Return the one method behind all resistances, refusing a mixture.

    Parameters
    ----------
    cells : DataFrame
        Cell table.
    use : str
        What would mix them, like ``--max-ir-mohm`` or ``a chart of resistance``; stands in the message.

    Returns
    -------
    str or None
        None where no resistance was given.

    Raises
    ------
    ArgumentInvalid
        AC and DC values, or DC values of different length, stand in one column.
    """
    methods = resistance_methods(cells)
    if len(methods) > 1:
        found = ", ".join(f"{name} ({count} cells)" for name, count in methods.items())
        raise ArgumentInvalid(
            Problem(
                use,
                f"resistances were read by different methods: {found}; a DC value is {DC_OVER_AC[0]} to "
                f"{DC_OVER_AC[1]} times the AC value of the same cell, so they can't share one figure. Read "
                "all cells by one method, or use a limit relative to the median, taken within each method",
            )
        )
    return next(iter(methods), None)


def method_notes(cells: pd.DataFrame) -> tuple[str, ...]:
    """Say what the resistance serves for, and where methods are mixed."""
    methods = resistance_methods(cells)
    if not methods:
        return ("no resistance given: nothing is said on joining currents, sag and heat",)
    notes = [f"resistance, {resistance_use(name)}" for name in methods]
    if len(methods) > 1:
        notes.append("resistances by different methods are not compared with each other; read all cells by one method")
    return tuple(notes)


def temperature_notes(cells: pd.DataFrame) -> tuple[str, ...]:
    """Warn where one column's readings were taken at temperatures too far apart.

    Notes
    -----
    R(10 degC)/R(25 degC) is 1.24 to 1.71 (worked out from activation energies that are themselves from
    memory), so a few kelvin already move a resistance by more than new cells differ.
    """
    if "temperature_c" not in cells.columns:
        return ()
    temperature = cells["temperature_c"].to_numpy(dtype=float)
    notes = []
    for name, known in (
        ("resistances", np.isfinite(resistances_mohm(cells))),
        ("capacities", np.isfinite(_number(cells, "capacity_mah"))),
    ):
        read_at = temperature[known & np.isfinite(temperature)]
        if read_at.size and np.ptp(read_at) > SAME_TEMPERATURE_K:
            notes.append(
                f"{name} were read between {read_at.min():.1f} and {read_at.max():.1f} degC; more than "
                f"{SAME_TEMPERATURE_K:g} K apart they are not one scale: let the cells reach one temperature "
                "and read again"
            )
    return tuple(notes)


def resistance_ocv_notes(cells: pd.DataFrame, chemistry: Chemistry | None = None) -> tuple[str, ...]:
    """Warn where resistances of one model were read at different open-circuit voltages.

    Only below :data:`STEEP_BELOW_V`, where resistance depends steeply on charge, and only for chemistries
    whose voltage tells charge. The voltage is ``ir_ocv_v`` where that was measured, else ``ocv_v``.
    """
    if chemistry is not None and chemistry.flat:
        return ()
    ocv_v = _number(cells, "ir_ocv_v")
    ocv_v = np.where(np.isnan(ocv_v), _number(cells, "ocv_v"), ocv_v)
    usable = np.isfinite(resistances_mohm(cells)) & (ocv_v > 0)
    if chemistry is not None:
        usable &= ocv_v >= chemistry.min_v
    notes = []
    for model, of_model in pd.Series(ocv_v[usable]).groupby(texts(cells, "model")[usable]):
        low, high = float(of_model.min()), float(of_model.max())
        if low < STEEP_BELOW_V and (high - low) * 1000.0 > SAME_OCV_MV:
            which = f" of model {model}" if model else ""
            notes.append(
                f"resistances{which} were read at {low:.3f} to {high:.3f} V; below {STEEP_BELOW_V} V "
                f"resistance changes with charge: bring all cells to one voltage (within {SAME_OCV_MV:g} mV) "
                "and read again before comparing them"
            )
    return tuple(notes)


@dataclass(frozen=True, kw_only=True, slots=True)
class RestState:
    """How many voltages were read after a rest.

    Parameters
    ----------
    rested, short, unknown : int
        Cells that rested long enough, too short, and without a word on it.
    least_h : float
        [h] What counts as long enough.
    """

    rested: int
    short: int
    unknown: int
    least_h: float

    @property
    def provisional(self) -> bool:
        """Whether a joining verdict on these voltages is only provisional."""
        return bool(self.short or self.unknown)

    def text(self) -> str:
        """Return what it means for the joining verdict."""
        if not self.provisional:
            return f"all voltages were read after {self.least_h:g} h of rest or more"
        parts = [f"{self.short} rested less than {self.least_h:g} h"] if self.short else []
        parts += [f"{self.unknown} without a time of rest"] if self.unknown else []
        return (
            f"the joining verdict is provisional: of {self.rested + self.short + self.unknown} cells "
            f"{' and '.join(parts)}; let them rest {self.least_h:g} h after the last charge or discharge and "
            "read every voltage again before joining"
        )

    __str__ = text


def rest_state(cells: pd.DataFrame, least_h: float = RESTED_H) -> RestState:
    """Count the cells whose voltage was read after a rest.

    Parameters
    ----------
    cells : DataFrame
        Cell table; ``rested_h`` where given.
    least_h : float
        [h] Rest that is long enough.

    Returns
    -------
    RestState
    """
    rested_h = _number(cells, "rested_h")
    unknown = int(np.isnan(rested_h).sum())
    short = int((rested_h < least_h).sum())
    return RestState(rested=len(cells) - unknown - short, short=short, unknown=unknown, least_h=least_h)


def resolution_notes(cells: pd.DataFrame, join_window_mv: float | None = None) -> tuple[str, ...]:
    """Say what the last digit of the voltages hides.

    Parameters
    ----------
    cells : DataFrame
        Cell table with ``ocv_v``.
    join_window_mv : float, optional
        [mV] Half width of the joining window; 50 mV where not given.
    """
    step_mv = resolution(_number(cells, "ocv_v")) * 1000.0
    window_mv = 50.0 if join_window_mv is None else join_window_mv
    if np.isnan(step_mv) or step_mv <= 0.1 * window_mv:
        return ()
    return (
        f"voltages were read in steps of {step_mv:g} mV: the joining check can't see differences below that "
        f"(window ±{window_mv:.1f} mV); read them on a range with one more digit",
    )


def mixture_notes(cells: pd.DataFrame, chemistry: Chemistry | None = None) -> tuple[str, ...]:
    """Notice mixed models and lots, voltages no cell of the stated chemistry can have, 4.35 V cells."""
    notes = []
    for column, words in (
        ("model", "limits are taken per model, and the lowest rules a shared group"),
        ("lot", "cells of one lot age alike; keep lots together or spread them evenly, and keep the record"),
    ):
        names = sorted({str(name) for name in texts(cells, column)} - {""})
        if len(names) > 1:
            shown = ", ".join(names[:5]) + (" …" if len(names) > 5 else "")
            notes.append(f"{len(names)} {column}s are mixed ({shown}): {words}")
    ocv_v = _number(cells, "ocv_v")
    stated = texts(cells, "chemistry")
    called_lfp = np.isin(stated, [name for name in set(stated) if str(name).strip().lower() == "lfp"])
    if chemistry is not None and chemistry.name == "lfp":
        called_lfp |= stated == ""
    lfp = called_lfp & (ocv_v > FULLEST_LFP_V)
    if lfp.any():
        notes.append(
            f"{int(lfp.sum())} cell(s) marked LFP stand above {FULLEST_LFP_V} V, like {cells.index[lfp][0]} "
            f"at {ocv_v[lfp][0]:.3f} V: overcharged or not LFP; check the label before anything else"
        )
    notes += _high_voltage_notes(cells.index, ocv_v, ~called_lfp, chemistry)
    return tuple(notes)


def _high_voltage_notes(
    ids: pd.Index[str], ocv_v: np.ndarray, counted: np.ndarray, chemistry: Chemistry | None
) -> list[str]:
    if chemistry is None or chemistry.flat:
        return []
    high = counted & (ocv_v > chemistry.full_v + HIGH_VOLTAGE_V)
    if not high.any() or high.all():
        return []
    return [
        f"{int(high.sum())} cell(s) stand above {chemistry.full_v:.2f} V, like {ids[high][0]} at "
        f"{ocv_v[high][0]:.3f} V, beside cells that don't: they may be made for a higher voltage (4.35 V) or "
        "be overcharged; never charge both kinds in one pack to the higher voltage"
    ]


def salvage_notes(salvaged: bool) -> tuple[str, ...]:
    """Say what standards and local law ask of salvaged cells.

    References
    ----------
    IEC 63338:2024 (catalogue text); UL 1974 (scope).
    """
    if not salvaged:
        return ()
    return (
        "salvaged cells: IEC 63338:2024 does not permit reuse of single cells without recorded traceability "
        "data of their life; keep where each cell comes from and what it went through",
        "salvaged cells: some places forbid selling packs assembled from used cells, above all for e-bikes; "
        "check local law before handing a pack to anyone",
    )


def _number(cells: pd.DataFrame, name: str) -> np.ndarray:
    if name not in cells.columns:
        return np.full(len(cells), np.nan)
    return cells[name].to_numpy(dtype=float)
