"""Sense leads: which pin goes to which plate, and what it must read before the board is plugged in."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from cellmatch.build.links import Wiring
from cellmatch.build.meter import Meter
from cellmatch.build.nets import face_of_net
from cellmatch.pack.positions import Positions

LEAD_SLACK_MM = 100.0
"""Added to the way a lead takes along the pack's edges (common practice, no source)."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Tap:
    """One sense lead.

    Parameters
    ----------
    pin : int
        0 at pack negative to S at pack positive.
    plate : str
        In words.
    face : str
        Face on which that plate shows.
    position : int
        Place on it that lies nearest to the board.
    value_v : float
        [V] Against pin 0.
    low_v, high_v : float
        [V] Window, from the cells' readings and the meter's accuracy in that range.
    lead_mm : float
        [mm] Along the pack's edges from the place of main negative, with slack.
    """

    pin: int
    plate: str
    face: str
    position: int
    value_v: float
    low_v: float
    high_v: float
    lead_mm: float


def list_taps(
    positions: Positions, wiring: Wiring, ocv_v: NDArray[np.float64], meter: Meter, cell_length_mm: float
) -> tuple[Tap, ...]:
    """Return the S + 1 sense leads of a pack.

    Parameters
    ----------
    positions : Positions
    wiring : Wiring
    ocv_v : ndarray, shape (places,)
        [V] What each cell will show when it is joined.
    meter : Meter
    cell_length_mm : float
        [mm] Added to leads that go to the other face.

    Returns
    -------
    tuple of Tap
        Pin 0 first. The board is taken to sit where main negative is taken off.
    """
    series = int(positions.group.max())
    size = np.bincount(positions.group, minlength=series + 1)[1:]
    index = positions.group - 1
    mean = np.bincount(index, ocv_v, minlength=series) / size
    lowest, highest = np.full(series, np.inf), np.full(series, -np.inf)
    np.minimum.at(lowest, index, ocv_v)
    np.maximum.at(highest, index, ocv_v)
    value, low, high = (np.concatenate([[0.0], np.cumsum(part)]) for part in (mean, lowest, highest))
    board = int(np.flatnonzero(positions.position == wiring.terminals[0].position)[0])
    way_mm = np.abs(positions.x_mm - positions.x_mm[board]) + np.abs(positions.y_mm - positions.y_mm[board])
    taps = []
    for pin in range(series + 1):
        tolerance = meter.tolerance_v(float(value[pin]))
        face = face_of_net(positions, pin)
        # net k can be reached on the cells of both groups that meet there
        reach = np.flatnonzero((positions.group == pin) | (positions.group == pin + 1))
        place = int(reach[np.argmin(way_mm[reach])])
        turn_mm = 0.0 if face == wiring.terminals[0].face else cell_length_mm
        taps.append(
            Tap(
                pin=pin,
                plate=_plate(pin, series),
                face=face,
                position=int(positions.position[place]),
                value_v=float(value[pin]),
                low_v=float(low[pin]) - tolerance,
                high_v=float(high[pin]) + tolerance,
                lead_mm=float(way_mm[place]) + turn_mm + LEAD_SLACK_MM,
            )
        )
    return tuple(taps)


def _plate(pin: int, series: int) -> str:
    if pin == 0:
        return "− of group 1 (main −)"
    if pin == series:
        return f"+ of group {series} (main +)"
    return f"+ of group {pin}, − of group {pin + 1}"
