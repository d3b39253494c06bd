"""Where the discharges stand in a trace of time, voltage and current.

Currents are positive on discharge. Charge is the trapezoid over the time stamps,
Q = Σ ½·(I_k + I_{k+1})·(t_{k+1} - t_k), never rows times a period.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

REST_FRACTION = 0.02
"""A current below this share of the usual one is rest: offsets of a few milliamps are common."""
PAUSE_FRACTION = 0.05
"""A charge smaller than this share of the discharge before it is a pulse in it, not the end of it."""
LEAST_AH = 0.005
"""A discharge below 5 mAh is a pulse, not a capacity test."""


@dataclass(frozen=True, slots=True)
class Trace:
    """One cell's log.

    Parameters
    ----------
    time_s : ndarray, shape (n,)
        [s] Never falling.
    voltage_v : ndarray, shape (n,)
        [V]
    current_a : ndarray, shape (n,)
        [A] Positive on discharge.
    line : ndarray of int, shape (n,)
        Where each sample stands in its file, for messages.
    rest_a : float
        [A] A current up to this size is rest; see :func:`rest_current_a`.
    """

    time_s: np.ndarray
    voltage_v: np.ndarray
    current_a: np.ndarray
    line: np.ndarray
    rest_a: float

    def part(self, start: int, stop: int) -> Trace:
        """Return samples `start` to `stop` - 1."""
        at = slice(start, stop)
        return Trace(self.time_s[at], self.voltage_v[at], self.current_a[at], self.line[at], self.rest_a)


@dataclass(frozen=True, slots=True)
class Stretch:
    """Samples in which the current has one direction: ``discharge``, ``charge`` or ``rest``."""

    kind: str
    start: int
    stop: int


@dataclass(frozen=True, kw_only=True, slots=True)
class Run:
    """Where one discharge stands in a trace.

    Parameters
    ----------
    start, stop : int
        From the first to behind the last sample under load.
    rest_before, rest_after : Stretch or None
    charged_before_ah : float
        [Ah] Charge put in just before; NaN where the log holds none.
    """

    start: int
    stop: int
    rest_before: Stretch | None
    rest_after: Stretch | None
    charged_before_ah: float


def charge_ah(time_s: np.ndarray, current_a: np.ndarray) -> float:
    """Return the charge that flowed, by the trapezoid over time stamps.

    Parameters
    ----------
    time_s : ndarray, shape (n,)
        [s]
    current_a : ndarray, shape (n,)
        [A]

    Returns
    -------
    float
        [Ah]

    Examples
    --------
    >>> charge_ah(np.array([0.0, 600.0, 7200.0]), np.array([0.5, 0.5, 0.5]))
    1.0
    """
    return float(np.trapezoid(current_a, time_s) / 3600.0)


def rest_current_a(current_a: np.ndarray) -> float:
    """Return the current below which a sample counts as rest [A]."""
    size = np.abs(current_a)
    active = size[size > 0.005 * size.max(initial=0.0)]
    return REST_FRACTION * float(np.median(active)) if active.size else 0.0


def stretches(current_a: np.ndarray, rest_a: float) -> tuple[Stretch, ...]:
    """Cut a log where the current changes direction, starts or stops.

    Parameters
    ----------
    current_a : ndarray, shape (n,)
        [A] Positive on discharge.
    rest_a : float
        [A] A current up to this size is rest.

    Returns
    -------
    tuple of Stretch
        In order, covering every sample.
    """
    if not current_a.size:
        return ()
    direction = np.where(np.abs(current_a) <= rest_a, 0, np.sign(current_a)).astype(np.int8)
    cuts = np.flatnonzero(direction[1:] != direction[:-1]) + 1
    starts, stops = [0, *cuts.tolist()], [*cuts.tolist(), len(direction)]
    kinds = {0: "rest", 1: "discharge", -1: "charge"}
    return tuple(Stretch(kinds[int(direction[a])], a, b) for a, b in zip(starts, stops, strict=True))


def discharge_runs(trace: Trace) -> tuple[Run, ...]:
    """Find the discharges of a log: from one charge, or the log's start, to the next.

    Rests and small charging pulses inside belong to the discharge; discharges below
    :data:`LEAST_AH` are left out.
    """
    pieces = stretches(trace.current_a, trace.rest_a)
    runs: list[Run] = []
    first = last = -1
    out_ah = put_in_ah = pending_ah = 0.0
    charged_before = float("nan")

    def close() -> None:
        if first >= 0 and out_ah >= LEAST_AH:
            runs.append(_run(pieces, first, last, charged_before))

    for number, piece in enumerate(pieces):
        moved = abs(_stretch_charge_ah(trace, piece))
        if piece.kind == "discharge":
            first, last = (number if first < 0 else first), number
            out_ah += moved
            pending_ah = 0.0
        elif piece.kind == "charge" and first < 0:
            put_in_ah += moved
            charged_before = put_in_ah
        elif piece.kind == "charge":
            pending_ah += moved
            if pending_ah > PAUSE_FRACTION * out_ah:
                close()
                first, out_ah = -1, 0.0
                put_in_ah = charged_before = pending_ah
    close()
    return tuple(runs)


def _run(pieces: tuple[Stretch, ...], first: int, last: int, charged_before_ah: float) -> Run:
    before = pieces[first - 1] if first else None
    after = pieces[last + 1] if last + 1 < len(pieces) else None
    return Run(
        start=pieces[first].start,
        stop=pieces[last].stop,
        rest_before=before if before is not None and before.kind == "rest" else None,
        rest_after=after if after is not None and after.kind == "rest" else None,
        charged_before_ah=charged_before_ah,
    )


def _stretch_charge_ah(trace: Trace, piece: Stretch) -> float:
    first, last = max(piece.start - 1, 0), min(piece.stop + 1, len(trace.time_s))
    return charge_ah(trace.time_s[first:last], trace.current_a[first:last])
