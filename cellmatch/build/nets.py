"""Nets: what links join to one metal, and the proof that it is the pack that was meant.

A pack of S groups has S + 1 nets; net k lies k groups above pack negative. Every cell of group k has its
negative pole on net k - 1 and its positive pole on net k.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from cellmatch.errors import ArgumentInvalid, Problem
from cellmatch.pack.positions import Positions


@dataclass(frozen=True, kw_only=True, slots=True)
class Link:
    """One piece of metal between two poles.

    Parameters
    ----------
    kind : str
        ``series``, ``parallel`` or ``custom`` (named by the user, or a lead between modules).
    face : str
        ``top`` or ``bottom``.
    a, b : int
        Places it joins.
    group : int
        Group it lies in; 0 for a link of a junction.
    junction : int
        k for a link between groups k and k + 1; 0 for a link within a group.
    length_mm : float
        [mm] Centre to centre.
    """

    kind: str
    face: str
    a: int
    b: int
    group: int
    junction: int
    length_mm: float


def face_of_net(positions: Positions, net: int) -> str:
    """Return the face on which net `net` (0 at pack negative) lies."""
    series = int(positions.group.max())
    group, positive = (1, False) if net == 0 else (min(net, series), True)
    first = int(np.flatnonzero(positions.group == group)[0])
    return "top" if bool(positions.positive_up[first]) == positive else "bottom"


def net_numbers(positions: Positions, links: Sequence[Link]) -> NDArray[np.int64]:
    """Return which net each pole belongs to, by following the links.

    Returns
    -------
    ndarray of int, shape (2, places)
        Net of the pole shown on the top face, then on the bottom face; equal numbers are one metal. The
        numbers themselves carry no meaning.
    """
    n = len(positions)
    index = {int(p): i for i, p in enumerate(positions.position)}
    shift = {"top": 0, "bottom": n}
    a = [index[link.a] + shift[link.face] for link in links]
    b = [index[link.b] + shift[link.face] for link in links]
    graph = coo_array((np.ones(len(links)), (a, b)), shape=(2 * n, 2 * n))
    _, label = connected_components(graph, directed=False)
    return label.reshape(2, n).astype(np.int64)


def check_links(positions: Positions, links: Sequence[Link], ids: Sequence[str] | None = None) -> list[Problem]:
    """Follow the links and compare what they join with what the pack needs.

    Exactly S + 1 nets; every group with all its negative poles on one net and all its positive poles on
    the next; no net that holds both poles of a cell.

    Returns
    -------
    list of Problem
        Empty for links that make the pack.
    """
    nets = net_numbers(positions, links)
    negative = np.where(positions.positive_up, nets[1], nets[0])
    positive = np.where(positions.positive_up, nets[0], nets[1])
    problems = []
    # what each net should be (k groups above pack negative), told apart from what it is
    should = np.concatenate([positions.group - 1, positions.group])
    found = np.concatenate([negative, positive])
    for net in np.unique(found):
        heights = np.unique(should[found == net])
        if len(heights) > 1:
            low, high = int(heights[0]) + 1, int(heights[-1])
            members = place_names(np.unique(np.flatnonzero(found == net) % len(positions)), positions, ids)
            what = f"group {low}" if low == high else f"groups {low} to {high}"
            problems.append(Problem("links", f"{what} would be shorted by the links of {members}"))
    for height in np.unique(should):
        parts = np.unique(found[should == height])
        if len(parts) > 1:
            islands = [np.flatnonzero((should == height) & (found == part)) % len(positions) for part in parts]
            smallest = place_names(min(islands, key=len), positions, ids)
            where = f"group {height}" if height == positions.group.max() else f"group {height + 1}"
            problems.append(Problem(where, f"is not one piece of metal at net {height}: {smallest} stand apart"))
    return problems


def place_names(index: NDArray[np.int64], positions: Positions, ids: Sequence[str] | None, most: int = 12) -> str:
    """Return places in words, with the cells that sit there where they are known."""
    shown = [f"{positions.position[i]} ({ids[i]})" if ids else str(positions.position[i]) for i in index[:most]]
    return f"place{'s' if len(index) > 1 else ''} " + ", ".join(shown) + (" …" if len(index) > most else "")


def check_ends(positions: Positions, ids: Sequence[str] | None) -> None:
    """Refuse groups that mix end-up, and consecutive groups that show the same end on a face.

    Raises
    ------
    ArgumentInvalid
        With the places, and the cells on them where they are known.
    """
    problems = []
    up = np.zeros(int(positions.group.max()) + 1, dtype=bool)
    for group in np.unique(positions.group):
        here = np.flatnonzero(positions.group == group)
        ends = positions.positive_up[here]
        up[group] = ends[0]
        if ends.any() and not ends.all():
            fewer = here[ends] if ends.sum() * 2 <= len(here) else here[~ends]
            mixed = f"mixes end-up: {place_names(fewer, positions, ids)} stand the other way round"
            problems.append(Problem(f"group {group}", mixed))
    same = np.flatnonzero(up[1:-1] == up[2:]) + 1 if not problems else np.array([], dtype=np.int64)
    problems += [
        Problem(
            f"groups {k} and {k + 1}",
            "show the same end on one face, so no link can join them; turn one over",
        )
        for k in same
    ]
    if problems:
        raise ArgumentInvalid(problems)


def split_groups(positions: Positions, label: NDArray[np.int32], ids: Sequence[str] | None) -> list[Problem]:
    """Say which groups fall into pieces, `label` being the piece each place belongs to."""
    problems = []
    for group in np.unique(positions.group):
        here = np.flatnonzero(positions.group == group)
        parts, sizes = np.unique(label[here], return_counts=True)
        if len(parts) > 1:
            apart = here[label[here] != parts[np.argmax(sizes)]]
            what = f"is split: no link reaches {place_names(apart, positions, ids)} from the rest of the group"
            problems.append(Problem(f"group {group}", what + "; move them together or name a custom link"))
    return problems
