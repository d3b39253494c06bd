"""Hazards: which bare parts lie near each other, and what stands between them when the pack is full.

The can of a cylindrical cell is its negative pole and reaches up to the rim around the positive cap, under
a wrap that a sharp edge cuts. So where a positive end shows, two bare parts lie a millimetre apart.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from cellmatch.build.links import Terminal, touching_pairs
from cellmatch.pack.positions import FACES, Positions


@dataclass(frozen=True, kw_only=True, slots=True)
class Neighbours:
    """Two groups that lie side by side on a face.

    Parameters
    ----------
    face : str
        ``top`` or ``bottom``.
    groups : tuple of int
        The two groups, the lower first.
    pairs : int
        Pairs of places that touch.
    places : tuple of int
        One such pair.
    pole_v : float
        [V] Between the poles that show, at full; 0 where the face's links join them.
    bare_v : float
        [V] Largest between any bare parts of the two: poles and can rims.
    can_v : float
        [V] Between the two cans, through the wraps, along the whole length.
    length_mm : float
        [mm] Length of an insulating strip between them.
    """

    face: str
    groups: tuple[int, int]
    pairs: int
    places: tuple[int, int]
    pole_v: float
    bare_v: float
    can_v: float
    length_mm: float


@dataclass(frozen=True, kw_only=True, slots=True)
class Hazard:
    """Bare parts that must never be bridged.

    Parameters
    ----------
    kind : str
        ``terminals``, ``face``, ``neighbours`` or ``rim``.
    face : str
        ``top``, ``bottom`` or ``both``.
    places : tuple of int
        Where: two places, or empty for every positive end.
    volts : float
        [V] At full.
    count : int
        How often.
    words : str
        What to do about it.
    """

    kind: str
    face: str
    places: tuple[int, ...]
    volts: float
    count: int
    words: str


def pole_height(positions: Positions, face: str) -> NDArray[np.int64]:
    """Return how many groups above pack negative each pole on `face` stands.

    Returns
    -------
    ndarray of int, shape (places,)
    """
    return np.where(positions.shows_positive(face), positions.group, positions.group - 1)


def neighbour_voltages(positions: Positions, spacing_mm: float, cell_full_v: float) -> tuple[Neighbours, ...]:
    """Return what stands between neighbouring groups on each face.

    Parameters
    ----------
    positions : Positions
    spacing_mm : float
        [mm] Pitch.
    cell_full_v : float
        [V] One cell, full.

    Returns
    -------
    tuple of Neighbours
        The largest voltage first.
    """
    pairs = touching_pairs(positions, spacing_mm)
    groups = np.sort(positions.group[pairs], axis=1)
    pairs, groups = (part[groups[:, 0] != groups[:, 1]] for part in (pairs, groups))
    unique, first, count = np.unique(groups, axis=0, return_index=True, return_counts=True)
    can = positions.group - 1
    found = []
    for face in FACES:
        pole = pole_height(positions, face)
        # bare parts at a place: the pole that shows, and the can's rim (the same where negative shows)
        low, high = np.minimum(pole, can), np.maximum(pole, can)
        for (g1, g2), at, n in zip(unique, first, count, strict=True):
            a, b = pairs[at]
            apart = max(high[a] - low[b], high[b] - low[a])
            found.append(
                Neighbours(
                    face=face,
                    groups=(int(g1), int(g2)),
                    pairs=int(n),
                    places=(int(positions.position[a]), int(positions.position[b])),
                    pole_v=float(abs(pole[a] - pole[b]) * cell_full_v),
                    bare_v=float(apart * cell_full_v),
                    can_v=float(abs(can[a] - can[b]) * cell_full_v),
                    length_mm=float(n * spacing_mm),
                )
            )
    return tuple(sorted(found, key=lambda n: (-n.bare_v, n.face != "top", n.groups)))


def insulators(neighbours: tuple[Neighbours, ...]) -> tuple[Neighbours, ...]:
    """Return the places that need an insulating strip: neighbours on a face whose poles no link joins."""
    return tuple(n for n in neighbours if n.pole_v > 0)


def list_hazards(
    positions: Positions,
    neighbours: tuple[Neighbours, ...],
    terminals: tuple[Terminal, Terminal],
    cell_full_v: float,
) -> tuple[Hazard, ...]:
    """Return what must never be bridged, the largest voltage first.

    Returns
    -------
    tuple of Hazard
    """
    series = int(positions.group.max())
    minus, plus = terminals
    same = minus.face == plus.face
    found = [
        Hazard(
            kind="terminals",
            face=minus.face if same else "both",
            places=(minus.position, plus.position),
            volts=series * cell_full_v,
            count=1,
            words=f"the terminals show the whole pack {'on one face' if same else 'from face to face'}: "
            "cover one while you work at the other",
        ),
        Hazard(
            kind="rim",
            face="both",
            places=(),
            volts=cell_full_v,
            count=len(positions),
            words="each positive cap and the rim of its own can: an insulating ring under every one, counted",
        ),
    ]
    for face in FACES:
        pole = pole_height(positions, face)
        low, high = int(np.argmin(pole)), int(np.argmax(pole))
        found.append(
            Hazard(
                kind="face",
                face=face,
                places=(int(positions.position[low]), int(positions.position[high])),
                volts=float((pole[high] - pole[low]) * cell_full_v),
                count=1,
                words=f"the largest voltage anywhere on the {face} face: no loose metal, cover what is finished",
            )
        )
    found += [
        Hazard(
            kind="neighbours",
            face=n.face,
            places=n.places,
            volts=n.bare_v,
            count=n.pairs,
            words=f"groups {n.groups[0]} and {n.groups[1]} lie side by side and are not joined here: insulating strip"
            + (f", and a full-length sheet ({n.can_v:.1f} V from can to can)" if n.can_v > 1.5 * cell_full_v else ""),
        )
        for n in insulators(neighbours)
    ]
    return tuple(sorted((h for h in found if h.volts > 0), key=lambda h: -h.volts))
