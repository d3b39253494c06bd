"""Links: which poles a bar or strip joins on each face, and the proof that they make the pack.

Every cell shows one pole on each face. A *parallel* link joins two cells of one group, on both faces; a
*series* link joins the positive pole of a cell of group k with the negative pole of one of group k + 1,
on the face where both show. All series links between two groups are a *junction*. What the links join to
one metal is a *net*: a pack of S groups has S + 1 of them, and net k lies k groups above pack negative.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import linear_sum_assignment
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components, minimum_spanning_tree
from scipy.spatial import KDTree

from cellmatch.build.nets import Link, check_ends, check_links, face_of_net, place_names, split_groups
from cellmatch.errors import ArgumentInvalid, Problem
from cellmatch.pack.holder import Holder
from cellmatch.pack.positions import FACES, Positions

TOUCHING = 1.05
"""Places up to this many pitches apart are neighbours; the diagonal of a square grid, at 1.41, is not."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Junction:
    """All links between two groups.

    Parameters
    ----------
    number : int
        k: between the positive poles of group k and the negative poles of group k + 1.
    face : str
        Where they lie.
    touching : int
        Pairs of neighbouring places that could take a link.
    links : int
        Links used.
    lead : bool
        Joined by a lead between modules, or a link of the user's own, only.
    """

    number: int
    face: str
    touching: int
    links: int
    lead: bool

    def amps_per_link(self, current_a: float) -> float:
        """Return what each link carries if they share the pack current evenly [A]."""
        return current_a / self.links


@dataclass(frozen=True, kw_only=True, slots=True)
class Terminal:
    """Where the pack current leaves.

    Parameters
    ----------
    name : str
        ``main -`` or ``main +``.
    face : str
        The face its pole shows on.
    group : int
        Group 1 or group S.
    position : int
        Place where the lead is taken off. The two terminals use opposite ends of their rows: taken off at
        the same end, the cells near it carry more (the network of cells and links shows how much).
    """

    name: str
    face: str
    group: int
    position: int


@dataclass(frozen=True, kw_only=True, slots=True)
class Wiring:
    """All metal of a pack.

    Parameters
    ----------
    links : tuple of Link
        Series links junction by junction, then parallel links group by group, then custom ones.
    junctions : tuple of Junction
        1 to S - 1.
    terminals : tuple of Terminal
        Main negative, main positive.
    cautions : tuple of str
        What a builder has to know about this wiring.
    """

    links: tuple[Link, ...]
    junctions: tuple[Junction, ...]
    terminals: tuple[Terminal, Terminal]
    cautions: tuple[str, ...]


def touching_pairs(positions: Positions, spacing_mm: float) -> NDArray[np.int64]:
    """Return the pairs of places that are neighbours.

    Parameters
    ----------
    positions : Positions
    spacing_mm : float
        [mm] Pitch.

    Returns
    -------
    ndarray of int, shape (pairs, 2)
        Indices (not numbers) of places, the lower first, in rising order.
    """
    at = np.column_stack([positions.x_mm, positions.y_mm])
    pairs = KDTree(at).query_pairs(TOUCHING * spacing_mm, output_type="ndarray").astype(np.int64)
    pairs = np.sort(pairs.reshape(-1, 2), axis=1)
    return pairs[np.lexsort((pairs[:, 1], pairs[:, 0]))]


def wire_pack(positions: Positions, holder: Holder, ids: Sequence[str] | None = None) -> Wiring:
    """Lay all links of a pack and prove that they make it.

    Parameters
    ----------
    positions : Positions
        From ``holder.lay_out(pack)``.
    holder : Holder
    ids : sequence of str, optional
        Cell at each place, for messages.

    Returns
    -------
    Wiring

    Raises
    ------
    ArgumentInvalid
        A group that is split, that mixes end-up, a junction without a pair of neighbours, a custom link
        that would short groups; every fault with its places.
    """
    check_ends(positions, ids)
    touching = touching_pairs(positions, holder.spacing_mm)
    custom = _custom_pairs(positions, holder, ids)
    links = [
        *_series_links(positions, touching),
        *_parallel_links(positions, touching, custom, ids),
        *_custom_links(positions, custom),
    ]
    links += _module_leads(positions, links)
    junctions = _junctions(positions, touching, links)
    problems = [Problem(f"junction {j.number}", _no_pair(positions, j.number, ids)) for j in junctions if not j.links]
    problems = problems or check_links(positions, links, ids)
    if problems:
        raise ArgumentInvalid(problems)
    return Wiring(
        links=tuple(links),
        junctions=junctions,
        terminals=_terminals(positions),
        cautions=_cautions(positions, junctions),
    )


def _custom_pairs(positions: Positions, holder: Holder, ids: Sequence[str] | None) -> NDArray[np.int64]:
    """Return the user's own links as indices, refusing those that would short groups."""
    index = {int(p): i for i, p in enumerate(positions.position)}
    problems = []
    for pair in holder.custom_links:
        where = f"custom link {pair[0]}-{pair[1]}"
        unknown = [p for p in pair if p not in index]
        if unknown or pair[0] == pair[1]:
            problems.append(Problem(where, f"names two of the places 1 to {len(positions)}"))
            continue
        groups = sorted(int(positions.group[index[p]]) for p in pair)
        if groups[1] - groups[0] > 1:
            named = place_names(np.array([index[p] for p in pair]), positions, ids)
            shorts = f"joins groups {groups[0]} and {groups[1]}, and so shorts what lies between them: {named}"
            problems.append(Problem(where, shorts))
    if problems:
        raise ArgumentInvalid(problems)
    pairs = [sorted((index[a], index[b])) for a, b in holder.custom_links]
    return np.array(pairs, dtype=np.int64).reshape(-1, 2)


def _length_mm(positions: Positions, pairs: NDArray[np.int64]) -> NDArray[np.float64]:
    a, b = pairs[:, 0], pairs[:, 1]
    return np.hypot(positions.x_mm[a] - positions.x_mm[b], positions.y_mm[a] - positions.y_mm[b])


def _link(positions: Positions, kind: str, face: str, pair: NDArray[np.int64], junction: int) -> Link:
    a, b = int(pair[0]), int(pair[1])
    return Link(
        kind=kind,
        face=face,
        a=int(positions.position[a]),
        b=int(positions.position[b]),
        group=0 if junction else int(positions.group[a]),
        junction=junction,
        length_mm=round(float(_length_mm(positions, pair.reshape(1, 2))[0]), 3),
    )


def _series_links(positions: Positions, touching: NDArray[np.int64]) -> list[Link]:
    """Give each junction as many links as neighbours allow, with at most one at each cap."""
    groups = positions.group[touching]
    low = groups.min(axis=1)
    of_junction = groups.max(axis=1) - low == 1
    links = []
    for k in range(1, int(positions.group.max())):
        pairs = touching[of_junction & (low == k)]
        face = face_of_net(positions, k)
        links += [_link(positions, "series", face, pair, k) for pair in _matched(positions, pairs)]
    return links


def _matched(positions: Positions, pairs: NDArray[np.int64]) -> NDArray[np.int64]:
    if len(pairs) < 2:
        return pairs
    # the lower group's place first: a fold may run backwards
    turned = positions.group[pairs[:, 0]] > positions.group[pairs[:, 1]]
    ordered = np.where(turned[:, None], pairs[:, ::-1], pairs)
    left, li = np.unique(ordered[:, 0], return_inverse=True)
    right, ri = np.unique(ordered[:, 1], return_inverse=True)
    far = 1e6
    cost = np.full((len(left), len(right)), far)
    cost[li, ri] = _length_mm(positions, ordered)
    rows, columns = linear_sum_assignment(cost)
    joined = cost[rows, columns] < far
    return np.column_stack([left[rows[joined]], right[columns[joined]]])


def _parallel_links(
    positions: Positions, touching: NDArray[np.int64], custom: NDArray[np.int64], ids: Sequence[str] | None
) -> list[Link]:
    """Join each group with as few links as will do, the same on both faces."""
    inside = touching[positions.group[touching[:, 0]] == positions.group[touching[:, 1]]]
    bridging = custom[positions.group[custom[:, 0]] == positions.group[custom[:, 1]]]
    n = len(positions)
    both = np.concatenate([inside, bridging])
    # neighbours in the numbering first, so that a row becomes a chain and not a comb
    weight = _length_mm(positions, both) * (1 + 1e-6 * (both[:, 1] - both[:, 0]))
    weight[len(inside) :] *= 1e-3
    tree = minimum_spanning_tree(coo_array((weight, (both[:, 0], both[:, 1])), shape=(n, n)).tocsr()).tocoo()
    pieces, label = connected_components(tree, directed=False)
    if pieces > len(np.unique(positions.group)):
        raise ArgumentInvalid(split_groups(positions, label, ids))
    chosen = np.column_stack([tree.row, tree.col]).astype(np.int64)
    own = {(int(a), int(b)) for a, b in bridging}
    chosen = np.array([p for p in chosen.tolist() if (p[0], p[1]) not in own], dtype=np.int64).reshape(-1, 2)
    chosen = chosen[np.lexsort((chosen[:, 0], positions.group[chosen[:, 0]]))]
    return [_link(positions, "parallel", face, pair, 0) for face in FACES for pair in chosen]


def _custom_links(positions: Positions, custom: NDArray[np.int64]) -> list[Link]:
    """Lay the user's own links: within a group on both faces, else on the face of the junction."""
    links = []
    for pair in custom:
        low, high = sorted(int(g) for g in positions.group[pair])
        faces = FACES if low == high else (face_of_net(positions, low),)
        links += [_link(positions, "custom", face, pair, low if low != high else 0) for face in faces]
    return links


def _module_leads(positions: Positions, links: Sequence[Link]) -> list[Link]:
    """Join two modules by a lead between their nearest places where no link does."""
    linked = {link.junction for link in links}
    leads = []
    for k in range(1, int(positions.group.max())):
        here, there = (np.flatnonzero(positions.group == g) for g in (k, k + 1))
        if k in linked or positions.module[here[0]] == positions.module[there[0]]:
            continue
        pairs = np.array([(a, b) for a in here for b in there], dtype=np.int64)
        nearest = pairs[np.argmin(_length_mm(positions, pairs))]
        leads.append(_link(positions, "custom", face_of_net(positions, k), nearest, k))
    return leads


def _junctions(positions: Positions, touching: NDArray[np.int64], links: Sequence[Link]) -> tuple[Junction, ...]:
    series = int(positions.group.max())
    groups = positions.group[touching]
    low = groups.min(axis=1)[np.ptp(groups, axis=1) == 1]
    touches = np.bincount(low, minlength=series + 1)
    used = np.bincount([link.junction for link in links], minlength=series + 1)
    bars = np.bincount([link.junction for link in links if link.kind == "series"], minlength=series + 1)
    return tuple(
        Junction(
            number=k,
            face=face_of_net(positions, k),
            touching=int(touches[k]),
            links=int(used[k]),
            lead=bool(used[k]) and not bars[k],
        )
        for k in range(1, series)
    )


def _no_pair(positions: Positions, k: int, ids: Sequence[str] | None) -> str:
    """Say that two groups don't touch, and which diagonal comes nearest."""
    here, there = (np.flatnonzero(positions.group == g) for g in (k, k + 1))
    pairs = np.array([(a, b) for a in here for b in there], dtype=np.int64)
    lengths = _length_mm(positions, pairs)
    nearest = pairs[np.argmin(lengths)]
    names = place_names(nearest, positions, ids)
    a, b = (int(positions.position[i]) for i in nearest)
    return (
        f"no place of group {k} lies beside one of group {k + 1}; the nearest, {names}, are "
        f"{lengths.min():.1f} mm apart: move a group, or name a custom link ({a}-{b})"
    )


def _terminals(positions: Positions) -> tuple[Terminal, Terminal]:
    series = int(positions.group.max())
    first = np.flatnonzero(positions.group == 1)[0]
    last = np.flatnonzero(positions.group == series)[-1]
    return (
        Terminal(name="main -", face=face_of_net(positions, 0), group=1, position=int(positions.position[first])),
        Terminal(
            name="main +",
            face=face_of_net(positions, series),
            group=series,
            position=int(positions.position[last]),
        ),
    )


def _cautions(positions: Positions, junctions: Sequence[Junction]) -> tuple[str, ...]:
    if np.bincount(positions.group).max() == 1:
        return ()  # single cells in series have one link a junction by their nature
    words = []
    bars = ", ".join(f"{j.number}-{j.number + 1}" for j in junctions if j.links == 1 and not j.lead)
    leads = ", ".join(f"{j.number}-{j.number + 1}" for j in junctions if j.lead)
    if bars:
        words.append(f"junction {bars}: one link carries the whole pack current; prefer a holder with more pairs there")
    if leads:
        words.append(f"junction {leads}: a lead carries the whole pack current from one module to the next")
    return tuple(words)
