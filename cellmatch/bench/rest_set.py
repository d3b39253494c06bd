"""Readings at rest as one set: what was read last of each pin, group and of the whole pack."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import timedelta

import numpy as np
from numpy.typing import NDArray

from cellmatch.bench.hypotheses import OPEN, Hypothesis
from cellmatch.cells.readings import BenchReading
from cellmatch.errors import ArgumentInvalid, Problem

SESSION = timedelta(hours=12)
"""Readings further apart than this belong to different sessions."""
TAP, PIN, GROUP, MAIN = "tap_v", "pin_v", "group_v", "main_v"


@dataclass(frozen=True, kw_only=True, eq=False)
class RestSet:
    """One reading of each thing that was read.

    Parameters
    ----------
    kind : tuple of str
        ``tap_v``, ``pin_v``, ``group_v`` or ``main_v``.
    number : ndarray of int, shape (n,)
        Pin or group; 0 for main.
    volts : ndarray, shape (n,)
        [V]
    """

    kind: tuple[str, ...]
    number: NDArray[np.int64]
    volts: NDArray[np.float64]

    def __len__(self) -> int:
        return len(self.kind)

    def of_kind(self, kind: str) -> dict[int, float]:
        """Return number -> volts of one kind."""
        return {int(n): float(v) for k, n, v in zip(self.kind, self.number, self.volts, strict=True) if k == kind}

    def without(self, kind: str, number: int) -> RestSet:
        """Return the set without one reading."""
        keep = [i for i in range(len(self)) if not (self.kind[i] == kind and self.number[i] == number)]
        return RestSet(kind=tuple(self.kind[i] for i in keep), number=self.number[keep], volts=self.volts[keep])


def sessions(readings: Sequence[BenchReading]) -> list[list[BenchReading]]:
    """Split readings into sessions by their times, the earliest first; without times they are one.

    A reading without a time belongs to the last session.
    """
    timed = sorted((r for r in readings if r.taken_at is not None), key=lambda r: r.taken_at)  # type: ignore[arg-type,return-value]
    found: list[list[BenchReading]] = []
    for reading in timed:
        last = found[-1][-1].taken_at if found else None
        if last is None or reading.taken_at is None or reading.taken_at - last > SESSION:
            found.append([])
        found[-1].append(reading)
    untimed = [r for r in readings if r.taken_at is None]
    if untimed:
        found = [*found[:-1], [*found[-1], *untimed]] if found else [untimed]
    return found


def rest_set(readings: Sequence[BenchReading], series: int) -> RestSet:
    """Return the last reading at rest of every pin, group and of the pack.

    Parameters
    ----------
    readings : sequence of BenchReading
        Of one session.
    series : int
        Groups in series.

    Raises
    ------
    ArgumentInvalid
        A target that the pack does not have.
    """
    last: dict[tuple[str, int], float] = {}
    problems = []
    for reading in readings:
        if reading.kind not in (TAP, PIN, GROUP, MAIN) or reading.load_a != 0 or "-" in reading.target.strip("-"):
            continue
        number = 0 if reading.kind == MAIN else as_number(reading.target)
        least = 0 if reading.kind != GROUP else 1
        if number is None or not least <= number <= series:
            what = f"'{reading.target}'; a number from {least} to {series} is needed"
            problems.append(Problem(f"reading {reading.kind}", what))
            continue
        last[reading.kind, number] = reading.value_v
    if problems:
        raise ArgumentInvalid(problems)
    keys = sorted(last)
    return RestSet(
        kind=tuple(kind for kind, _ in keys),
        number=np.array([n for _, n in keys], dtype=np.int64),
        volts=np.array([last[key] for key in keys], dtype=float),
    )


def as_number(target: str) -> int | None:
    """Return a target that is a number, however it is labelled: ``3``, ``pin 3``, ``group 3``."""
    word = target.split()[-1] if target.split() else ""
    return int(word) if word.isascii() and word.isdigit() else None


def unit_rows(
    faults: Sequence[Hypothesis], kind: Sequence[str], number: NDArray[np.int64], *, pairwise: bool
) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
    """Return how each reading is made up of the groups' voltages, before factors.

    Parameters
    ----------
    faults : sequence of Hypothesis
        H of them.
    kind, number
        The readings, n of them.
    pairwise : bool
        Pins are read against the pin below, else against pin 0.

    Returns
    -------
    ndarray, shape (H, n, S)
        Signs included.
    ndarray of bool, shape (H, n)
        The reading has an open end, so that it floats.
    """
    series = len(faults[0].factor)
    # row p: groups below plate p; the last row stands for an open end
    below = np.vstack([np.tri(series + 1, series, -1), np.zeros(series)])
    plate = np.array([f.plate for f in faults])
    tap_sign = np.array([f.tap_sign for f in faults])[:, None]
    sign = np.array([f.sign for f in faults])[:, None, None]
    rows = np.zeros((len(faults), len(kind), series))
    floats = np.zeros((len(faults), len(kind)), dtype=bool)
    for i, (what, n) in enumerate(zip(kind, number, strict=True)):
        if what == GROUP:
            rows[:, i, n - 1] = 1.0
        elif what == MAIN:
            rows[:, i, :] = 1.0
        else:
            against = 0 if what == PIN or not pairwise else max(n - 1, 0)
            upper = plate[:, n]
            lower = np.zeros_like(upper) if what == PIN else plate[:, against]
            floats[:, i] = (upper == OPEN) | (lower == OPEN)
            rows[:, i, :] = np.where(floats[:, i, None], 0.0, tap_sign * (below[upper] - below[lower]))
    return rows * sign, floats
