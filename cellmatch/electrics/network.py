"""The pack as one circuit: cells, series and parallel links, terminals where they really are.

Nodes are pieces of metal whose voltage is asked for (a pole, a bar's end, a terminal). Each cell is a
voltage behind a resistance between two nodes, each link a resistance. Kirchhoff's current law at every
node gives G v = i with a sparse, symmetric G (nodal analysis: L. O. Chua, C. A. Desoer and E. S. Kuh,
Linear and Nonlinear Circuits, McGraw-Hill 1987, chapter 5). G is factorised once; every further load or
set of cell voltages costs one substitution.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from scipy.sparse.linalg import splu

from cellmatch.errors import ArgumentInvalid, JobError, Problem

Array = NDArray[np.float64]
Indices = NDArray[np.int64]


@dataclass(frozen=True, kw_only=True, slots=True)
class NetworkState:
    """What flows in a network at one instant.

    Parameters
    ----------
    node_v : ndarray of shape (nodes,)
        [V] Against the minus terminal; nan where nothing ties a node to it.
    cell_a : ndarray of shape (n,)
        [A] Of each cell, above 0 where it discharges.
    link_a : ndarray of shape (m,)
        [A] Of each link, above 0 from its first to its second node.
    pack_v : float
        [V] Between the terminals.
    cell_w, link_w : ndarray of shape (n,), (m,)
        [W] Heat in each.
    """

    node_v: Array
    cell_a: Array
    link_a: Array
    pack_v: float
    cell_w: Array
    link_w: Array


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Network:
    """Cells and links between numbered nodes, ready to be solved.

    Parameters
    ----------
    nodes : int
        Nodes are numbered from 0.
    cell_minus, cell_plus : ndarray of int, shape (n,)
        Nodes of each cell's poles.
    cell_ohm : ndarray of shape (n,)
        [ohm] Cell with its contacts; infinite for a cell that is not joined.
    link_from, link_to : ndarray of int, shape (m,)
        Nodes of each link.
    link_ohm : ndarray of shape (m,)
        [ohm] Infinite for a link that is missing.
    minus, plus : int
        Nodes of the terminals.

    Raises
    ------
    ArgumentInvalid
        Lengths that differ, a node that is not there, a resistance of 0 or below or missing.
    JobError
        Nothing joins the two terminals.

    Examples
    --------
    Two cells, the second behind a link of 10 mohm:

    >>> network = Network(nodes=3, cell_minus=[0, 0], cell_plus=[1, 2], cell_ohm=[0.03, 0.03],
    ...                   link_from=[1], link_to=[2], link_ohm=[0.01], minus=0, plus=1)
    >>> network.solve(3.7, 7.0).cell_a
    array([4., 3.])
    """

    nodes: int
    cell_minus: Indices
    cell_plus: Indices
    cell_ohm: Array
    link_from: Indices
    link_to: Indices
    link_ohm: Array
    minus: int
    plus: int
    _kept: Indices = field(init=False, repr=False)
    _tied: NDArray[np.bool_] = field(init=False, repr=False)
    _substitute: Callable[[Array], Array] = field(init=False, repr=False)

    def __post_init__(self) -> None:
        for name in ("cell_minus", "cell_plus", "link_from", "link_to"):
            object.__setattr__(self, name, np.asarray(getattr(self, name), dtype=np.int64))
        for name in ("cell_ohm", "link_ohm"):
            object.__setattr__(self, name, np.asarray(getattr(self, name), dtype=float))
        self._check()
        a = np.concatenate((self.cell_minus, self.link_from))
        b = np.concatenate((self.cell_plus, self.link_to))
        g = 1.0 / np.concatenate((self.cell_ohm, self.link_ohm))
        a, b, g = a[g > 0], b[g > 0], g[g > 0]
        size = (self.nodes, self.nodes)
        _, island = connected_components(coo_array((g, (a, b)), shape=size), directed=False)
        if island[self.minus] != island[self.plus]:
            raise JobError(Problem("network", "nothing joins the two terminals: a link or a whole group is missing"))
        # one node of each island is held: the minus terminal in its own, any other elsewhere
        _, held = np.unique(island, return_index=True)
        held[island[self.minus]] = self.minus
        kept = np.setdiff1d(np.arange(self.nodes), held)
        matrix = coo_array(
            (
                np.concatenate((g, g, -g, -g)),
                (np.concatenate((a, b, a, b)), np.concatenate((a, b, b, a))),
            ),
            shape=size,
        ).tocsc()
        object.__setattr__(self, "_kept", kept)
        object.__setattr__(self, "_tied", island == island[self.minus])
        factors = splu(matrix[kept][:, kept].tocsc(), permc_spec="MMD_AT_PLUS_A", options={"SymmetricMode": True})
        object.__setattr__(self, "_substitute", factors.solve)

    def _check(self) -> None:
        lengths = {len(self.cell_minus), len(self.cell_plus), len(self.cell_ohm)}
        if len(lengths) != 1 or not len(self.cell_ohm):
            raise ArgumentInvalid(Problem("network", "each cell needs two nodes and a resistance"))
        if len({len(self.link_from), len(self.link_to), len(self.link_ohm)}) != 1:
            raise ArgumentInvalid(Problem("network", "each link needs two nodes and a resistance"))
        named = np.concatenate((self.cell_minus, self.cell_plus, self.link_from, self.link_to, [self.minus, self.plus]))
        problems = []
        if named.min() < 0 or named.max() >= self.nodes:
            problems.append(Problem("network", f"names node {named.max()}; nodes run from 0 to {self.nodes - 1}"))
        for what, values in (("cell", self.cell_ohm), ("link", self.link_ohm)):
            problems += [
                Problem(f"network, {what} number {k + 1}", f"found {values[k]:g} ohm; it must be above 0")
                for k in np.flatnonzero(~(values > 0))[:10]
            ]
        if problems:
            raise ArgumentInvalid(problems)

    def solve(self, ocv_v: ArrayLike, current_a: float) -> NetworkState:
        """Return what flows while the pack gives a current.

        Parameters
        ----------
        ocv_v : float or array_like of shape (n,)
            [V] Rest voltage of each cell.
        current_a : float
            [A] Out of the plus terminal.
        """
        ocv = np.broadcast_to(np.asarray(ocv_v, dtype=float), self.cell_ohm.shape)
        source = ocv / self.cell_ohm
        into = np.zeros(self.nodes)
        np.add.at(into, self.cell_plus, source)
        np.subtract.at(into, self.cell_minus, source)
        into[self.plus] -= current_a
        into[self.minus] += current_a
        v = np.zeros(self.nodes)
        v[self._kept] = self._substitute(into[self._kept])
        cell_a = (ocv + v[self.cell_minus] - v[self.cell_plus]) / self.cell_ohm
        link_v = v[self.link_from] - v[self.link_to]
        link_a = link_v / self.link_ohm
        joined = np.isfinite(self.cell_ohm)
        return NetworkState(
            node_v=np.where(self._tied, v, np.nan),
            cell_a=cell_a,
            link_a=link_a,
            pack_v=float(v[self.plus] - v[self.minus]),
            cell_w=np.where(joined, cell_a**2 * np.where(joined, self.cell_ohm, 0.0), 0.0),
            link_w=np.where(np.isfinite(self.link_ohm), link_a * link_v, 0.0),
        )

    def with_links(self, number: ArrayLike, link_ohm: ArrayLike) -> Network:
        """Return the network with some links changed: infinite takes a link out, a large value loosens it.

        Parameters
        ----------
        number : array_like of int
            Indices of the links.
        link_ohm : float or array_like
            [ohm] Their new resistance.
        """
        changed = self.link_ohm.copy()
        changed[np.asarray(number, dtype=np.int64)] = link_ohm
        return self._copy(cell_ohm=self.cell_ohm, link_ohm=changed, minus=self.minus, plus=self.plus)

    def with_cells(self, number: ArrayLike, cell_ohm: ArrayLike) -> Network:
        """Return the network with other resistances of some cells; infinite: not joined."""
        changed = self.cell_ohm.copy()
        changed[np.asarray(number, dtype=np.int64)] = cell_ohm
        return self._copy(cell_ohm=changed, link_ohm=self.link_ohm, minus=self.minus, plus=self.plus)

    def with_terminals(self, minus: int, plus: int) -> Network:
        """Return the network with the load taken off at other nodes."""
        return self._copy(cell_ohm=self.cell_ohm, link_ohm=self.link_ohm, minus=minus, plus=plus)

    def _copy(self, *, cell_ohm: Array, link_ohm: Array, minus: int, plus: int) -> Network:
        return Network(
            nodes=self.nodes,
            cell_minus=self.cell_minus,
            cell_plus=self.cell_plus,
            cell_ohm=cell_ohm,
            link_from=self.link_from,
            link_to=self.link_to,
            link_ohm=link_ohm,
            minus=minus,
            plus=plus,
        )

    def tap_ohm(self, taps: ArrayLike) -> Array:
        """Return what a meter at the sense leads sees sag per ampere of pack current.

        Parameters
        ----------
        taps : array_like of int, shape (S + 1,)
            Nodes of the sense leads, from minus to plus.

        Returns
        -------
        ndarray of shape (S,)
            [ohm] Between neighbouring taps.
        """
        sagged = self.solve(0.0, 1.0).node_v
        return -np.diff(sagged[np.asarray(taps, dtype=np.int64)])


def worst_over_mean(cell_a: ArrayLike, group: ArrayLike) -> Array:
    """Return how much more than the mean the most loaded cell of each group carries.

    Parameters
    ----------
    cell_a : array_like of shape (n,)
        [A] Current of each cell.
    group : array_like of int, shape (n,)
        Group of each cell.

    Returns
    -------
    ndarray of shape (g,)
        For the groups in rising order; nan for a group that carries nothing.

    Examples
    --------
    >>> worst_over_mean([4.0, 3.0, 3.5, 3.5], [1, 1, 2, 2])
    array([1.143, 1.   ])
    """
    current = np.asarray(cell_a, dtype=float)
    _, inverse, size = np.unique(np.asarray(group), return_inverse=True, return_counts=True)
    mean = np.abs(np.bincount(inverse, current)) / size
    worst = np.zeros(len(size))
    np.maximum.at(worst, inverse, np.abs(current))
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(mean > 0, worst / mean, np.nan)


def seen_by_the_load(network: Network, group: ArrayLike) -> tuple[Array, float]:
    """Return cell resistances that carry the links' effect into a run without links.

    A run (:func:`cellmatch.electrics.discharge.run_load`) knows no links inside a group. With these
    resistances it shares the current at load-on as the network does, and sags as much: each cell gets
    R_g I/I_k, where I_k is its current in the network at equal rest voltages and R_g = sum(I_k^2 R_k)/I^2
    the group's own loss; the links' loss is left over as one resistance in series. Exact at load-on; later
    the shares drift as if each cell had links of its own.

    Parameters
    ----------
    network : Network
    group : array_like of int, shape (n,)
        Group of each cell.

    Returns
    -------
    ndarray of shape (n,)
        [ohm] For each cell.
    float
        [ohm] In series with the pack.

    Raises
    ------
    JobError
        A cell carries nothing, or its current runs backwards, at load-on.
    """
    state = network.solve(0.0, 1.0)
    if not (state.cell_a > 0).all():
        cell = int(np.flatnonzero(~(state.cell_a > 0))[0]) + 1
        raise JobError(Problem(f"network, cell number {cell}", "carries nothing at load-on: is it joined?"))
    _, inverse = np.unique(np.asarray(group), return_inverse=True)
    own = np.bincount(inverse, state.cell_w)
    return own[inverse] / state.cell_a, float(state.link_w.sum())
