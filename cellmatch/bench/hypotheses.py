"""Faults that show at rest, as what each would make of the readings.

A fault moves sense leads to other plates, opens them, changes what a group shows, or turns the probes. So
each possible fault is: which plate every pin sits on, a factor for every group's voltage, which group's
voltage is loose besides, and a sign. From these the readings follow by addition. :data:`FAULTS` lists the
functions that name them; a new fault is one function and one entry.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

OPEN = -1
"""Plate number of a pin that touches nothing."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Hypothesis:
    """One possible fault.

    Parameters
    ----------
    kind : str
        ``healthy`` or one of the kinds of findings.
    target : str
    words : str
        What is wrong, and what to do.
    plate : ndarray of int, shape (S + 1,)
        Plate each pin sits on, 0 at pack negative; :data:`OPEN` for none.
    factor : ndarray, shape (S,)
        What each group shows of its voltage.
    loose_group : int
        Group whose voltage may be anything near that; 0 for none.
    loose_v : float
        [V] Standard deviation of that.
    tap_sign, sign : float
        -1 where the probes were swapped: for the taps alone, or for every reading.
    offset_v : float
        [V] Standard deviation of what the meter adds to every reading.
    odds : float
        How much likelier than other faults this is before any reading.
    """

    kind: str
    target: str
    words: str
    plate: NDArray[np.int64]
    factor: NDArray[np.float64]
    loose_group: int = 0
    loose_v: float = 0.0
    tap_sign: float = 1.0
    sign: float = 1.0
    offset_v: float = 0.0
    odds: float = 1.0


def healthy(series: int) -> Hypothesis:
    """Return the hypothesis that nothing is wrong."""
    return Hypothesis(kind="healthy", target="pack", words="", plate=_straight(series), factor=np.ones(series))


def every_fault(sizes: NDArray[np.int64]) -> list[Hypothesis]:
    """Return every fault of :data:`FAULTS` a pack with groups of these sizes could have."""
    return [fault for make in FAULTS.values() for fault in make(sizes)]


def _straight(series: int) -> NDArray[np.int64]:
    return np.arange(series + 1, dtype=np.int64)


def _taps_swapped(sizes: NDArray[np.int64]) -> Iterator[Hypothesis]:
    series = len(sizes)
    for i in range(series + 1):
        for j in range(i + 1, series + 1):
            plate = _straight(series)
            plate[[i, j]] = plate[[j, i]]
            yield Hypothesis(
                kind="taps_swapped",
                target=f"pins {i} and {j}",
                words=f"sense leads {i} and {j} are swapped: plugged in, the board is destroyed. Change them over one "
                "at a time, then read all again.",
                plate=plate,
                factor=np.ones(series),
                odds=1.0 if j == i + 1 else 0.05,
            )


def _row_shifted(sizes: NDArray[np.int64]) -> Iterator[Hypothesis]:
    series = len(sizes)
    pins = _straight(series)
    for start in range(1, series + 1):
        down = np.where(pins >= start, np.maximum(pins - 1, 0), pins)
        where = "every pin" if start == 1 else f"every pin from {start} on"
        yield Hypothesis(
            kind="row_shifted",
            target=f"pins {start} to {series}, one plate low",
            words=f"{where} sits one plate too low. Move the leads one at a time, then read all again.",
            plate=down,
            factor=np.ones(series),
            odds=1.0 if start == 1 else 0.05,
        )
    for last, words in ((series, "the last two share a plate"), (OPEN, "the last one is left open")):
        up = np.minimum(pins + 1, series)
        up[-1] = last
        yield Hypothesis(
            kind="row_shifted",
            target=f"pins 0 to {series}, one plate high",
            words=f"every pin sits one plate too high, {words}. Move the leads one at a time, then read all again.",
            plate=up,
            factor=np.ones(series),
            odds=0.5,
        )


def _tap_open(sizes: NDArray[np.int64]) -> Iterator[Hypothesis]:
    series = len(sizes)
    for pin in range(series + 1):
        plate = _straight(series)
        plate[pin] = OPEN
        yield Hypothesis(
            kind="tap_open",
            target=f"pin {pin}",
            words=f"sense lead {pin} is open: the board would see wrong groups on both sides of it. Look at both ends "
            "of the lead.",
            plate=plate,
            factor=np.ones(series),
        )


def _one_group(
    sizes: NDArray[np.int64], kind: str, factor: Callable[[int], float], loose_v: float, words: str, odds: float = 1.0
) -> Iterator[Hypothesis]:
    series = len(sizes)
    for group in range(1, series + 1):
        factors = np.ones(series)
        factors[group - 1] = factor(int(sizes[group - 1]))
        yield Hypothesis(
            kind=kind,
            target=f"group {group}",
            words=words.format(group=group),
            plate=_straight(series),
            factor=factors,
            loose_group=group,
            loose_v=loose_v,
            odds=odds,
        )


def _group_dead(sizes: NDArray[np.int64]) -> Iterator[Hypothesis]:
    words = "group {group} shows next to nothing: shorted, dead or not connected. Do not charge; part it from its "
    words += "neighbours and read each cell."
    return _one_group(sizes, "group_dead", lambda _: 0.0, 0.1, words, odds=5.0)


def _group_reversed(sizes: NDArray[np.int64]) -> Iterator[Hypothesis]:
    words = "group {group} is reversed: it works against the rest. Do not charge or load; take its series links out."
    return _one_group(sizes, "group_reversed", lambda _: -1.0, 0.05, words)


def _cell_reversed(sizes: NDArray[np.int64]) -> Iterator[Hypothesis]:
    # n cells against one: the bus stands at V (P - 2) / P and hundreds of amperes circulate
    words = "one cell of group {group} stands the wrong way round: the others drive a current through it that nothing "
    words += "but their resistance limits. Leave; then take its links off from a distance you can keep."
    for fault in _one_group(sizes, "cell_reversed", lambda n: (n - 2) / n, 0.1, words, odds=0.3):
        if sizes[fault.loose_group - 1] > 1:
            yield fault


def _group_off(sizes: NDArray[np.int64]) -> Iterator[Hypothesis]:
    words = "group {group} is far from where the plan has it."
    return _one_group(sizes, "group_low", lambda _: 1.0, 1.0, words)


def _probes_swapped(sizes: NDArray[np.int64]) -> Iterator[Hypothesis]:
    series = len(sizes)
    words = "red and black are swapped at the meter. Change them and read all again."
    for name, tap_sign, sign in (("every reading", 1.0, -1.0), ("the taps", -1.0, 1.0)):
        yield Hypothesis(
            kind="probes_swapped",
            target=name,
            words=words,
            plate=_straight(series),
            factor=np.ones(series),
            tap_sign=tap_sign,
            sign=sign,
        )


def _meter_offset(sizes: NDArray[np.int64]) -> Iterator[Hypothesis]:
    yield Hypothesis(
        kind="meter_offset",
        target="meter",
        words="every reading is off by the same amount: touch the probes together, then read a cell you know.",
        plate=_straight(len(sizes)),
        factor=np.ones(len(sizes)),
        offset_v=0.3,
    )


FAULTS: dict[str, Callable[[NDArray[np.int64]], Iterator[Hypothesis]]] = {
    "taps_swapped": _taps_swapped,
    "row_shifted": _row_shifted,
    "tap_open": _tap_open,
    "group_dead": _group_dead,
    "group_reversed": _group_reversed,
    "cell_reversed": _cell_reversed,
    "group_off": _group_off,
    "probes_swapped": _probes_swapped,
    "meter_offset": _meter_offset,
}
"""Every fault that shows at rest."""
