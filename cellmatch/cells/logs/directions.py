"""Which current of a log discharges the cell: told by its sign, by a mode column, or by the voltage it causes."""

from __future__ import annotations

import re
from collections.abc import Sequence

import numpy as np

from cellmatch.cells.logs.runs import Stretch, rest_current_a, stretches
from cellmatch.errors import FileAmbiguous, Problem

LEAST_MOVE_V = 0.02
"""A stretch in which the voltage moves less than this tells no direction."""
TURN_V = 0.1
"""A voltage that rises and falls by this much within one stretch was charged and discharged in it."""

_DISCHARGE = re.compile(
    r"d|dc|dis.*|.*[^a-z]d(?:is|ch|chg|sch).*|dch.*|dsch.*|entl.*|d[ée]charge.*|descarga.*|scarica.*|.*放电.*|.*放電.*",
    re.IGNORECASE,
)
_CHARGE = re.compile(
    r"c|ch|chg.*|cha.*|.*[^a-z]ch(?:g|arge|a).*|lad.*|auflad.*|carga.*|carica.*|.*充电.*|.*充電.*",
    re.IGNORECASE,
)


def discharge_sign(voltage_v: np.ndarray, current_a: np.ndarray) -> int:
    """Return the sign that discharge currents carry, from the voltage they cause.

    Parameters
    ----------
    voltage_v : ndarray, shape (n,)
        [V]
    current_a : ndarray, shape (n,)
        [A], of either convention.

    Returns
    -------
    int
        1 where discharge is positive, -1 where it is negative, 0 where the log doesn't tell.
    """
    vote = 0.0
    for stretch in stretches(current_a, rest_current_a(current_a)):
        if stretch.kind == "rest" or stretch.stop - stretch.start < 2:
            continue
        moved_v = voltage_v[stretch.stop - 1] - voltage_v[stretch.start]
        vote -= moved_v * (1 if stretch.kind == "discharge" else -1)
    return int(np.sign(vote)) if abs(vote) > 0.02 else 0


def direction_of(mode: str) -> int:
    """Return what a mode text says: 1 discharge, -1 charge, 0 neither.

    Examples
    --------
    >>> [direction_of(mode) for mode in ("D", "CC DChg", "Charge", "C", "Rest", "CCCV_Chg", "discharging")]
    [1, 1, -1, -1, 0, -1, 1]
    """
    text = mode.strip()
    if _DISCHARGE.fullmatch(text):
        return 1
    return -1 if _CHARGE.fullmatch(text) else 0


def discharge_positive(
    voltage_v: np.ndarray, current_a: np.ndarray, mode: Sequence[str] | None, where: str
) -> tuple[np.ndarray, str]:
    """Return currents that are positive on discharge, and how the direction is known.

    Parameters
    ----------
    voltage_v, current_a : ndarray, shape (n,)
        [V], [A], as in the file.
    mode : sequence of str or None, length n
        The file's mode column.
    where : str
        For messages.

    Returns
    -------
    current_a : ndarray, shape (n,)
        [A]
    how : str

    Raises
    ------
    FileAmbiguous
        Neither sign, mode nor voltage tells charge and discharge apart.
    """
    pieces = stretches(current_a, rest_current_a(current_a))
    kinds = {piece.kind for piece in pieces} - {"rest"}
    if not kinds:
        return current_a, "no current flows"
    if len(kinds) == 1 and mode is not None:
        told = np.array([direction_of(text) for text in mode])
        if (told != 0).any():
            return np.where(told == 0, np.abs(current_a), told * np.abs(current_a)), "the mode column"
    if len(kinds) == 2:
        sign = discharge_sign(voltage_v, current_a)
        if sign:
            word = "positive" if sign > 0 else "negative"
            return sign * current_a, f"discharge currents are {word}, told by the voltage they cause"
        raise FileAmbiguous(Problem(where, "the voltage hardly moves, so charge and discharge can't be told apart"))
    return _from_voltage(voltage_v, current_a, pieces, where)


def _from_voltage(
    voltage_v: np.ndarray, current_a: np.ndarray, pieces: Sequence[Stretch], where: str
) -> tuple[np.ndarray, str]:
    """Tell the direction of each stretch of a log whose currents all have one sign."""
    signed = np.abs(current_a)
    charges = 0
    for piece in pieces:
        if piece.kind == "rest":
            continue
        moved = voltage_v[piece.start : piece.stop]
        low, high = np.quantile(moved, [0.002, 0.998])  # but for single glitches
        rose_and_fell = min(high - moved[0], high - moved[-1]) > TURN_V
        fell_and_rose = min(moved[0] - low, moved[-1] - low) > TURN_V
        if rose_and_fell or fell_and_rose:
            raise FileAmbiguous(
                Problem(
                    where,
                    "charge and discharge follow each other with currents of one sign; name the column that tells "
                    "them apart with --columns mode=…",
                )
            )
        if moved[-1] - moved[0] > LEAST_MOVE_V:
            signed[piece.start : piece.stop] *= -1
            charges += 1
    how = "all currents have one sign; a voltage that falls is a discharge"
    return signed, f"{how}, one that rises a charge ({charges} found)" if charges else how
