"""The wired pack as a circuit: one node a pole, cells and links between them, taps where the leads go."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from cellmatch.build.links import Wiring
from cellmatch.build.taps import Tap
from cellmatch.electrics.network import Network
from cellmatch.pack.positions import Positions


@dataclass(frozen=True, kw_only=True, eq=False)
class PackNetwork:
    """A pack's circuit.

    Parameters
    ----------
    network : Network
        Cells in the order of the places, links in the order of ``wiring.links``.
    tap_nodes : ndarray of int, shape (S + 1,)
        Nodes of the sense leads, pin 0 first.
    """

    network: Network
    tap_nodes: NDArray[np.int64]

    @property
    def group_ohm(self) -> NDArray[np.float64]:
        """What a meter sees each group sag per ampere, from tap to tap, shape (S,) [ohm]."""
        return self.network.tap_ohm(self.tap_nodes)


def pack_network(
    positions: Positions, wiring: Wiring, taps: tuple[Tap, ...], cell_ohm: ArrayLike, link_ohm: ArrayLike
) -> PackNetwork:
    """Return the circuit of a wired pack.

    Parameters
    ----------
    positions : Positions
    wiring : Wiring
    taps : tuple of Tap
    cell_ohm : array_like, shape (places,)
        [ohm] Each cell with its contacts.
    link_ohm : float or array_like, shape (links,)
        [ohm] Each link with its joints.

    Returns
    -------
    PackNetwork
    """
    n = len(positions)
    index = {int(p): i for i, p in enumerate(positions.position)}
    shift = {"top": 0, "bottom": n}
    top, bottom = np.arange(n), np.arange(n, 2 * n)
    links = wiring.links
    minus, plus = (index[t.position] + shift[t.face] for t in wiring.terminals)
    network = Network(
        nodes=2 * n,
        cell_minus=np.where(positions.positive_up, bottom, top),
        cell_plus=np.where(positions.positive_up, top, bottom),
        cell_ohm=np.broadcast_to(np.asarray(cell_ohm, dtype=float), (n,)).copy(),
        link_from=np.array([index[link.a] + shift[link.face] for link in links], dtype=np.int64),
        link_to=np.array([index[link.b] + shift[link.face] for link in links], dtype=np.int64),
        link_ohm=np.broadcast_to(np.asarray(link_ohm, dtype=float), (len(links),)).copy(),
        minus=minus,
        plus=plus,
    )
    return PackNetwork(
        network=network,
        tap_nodes=np.array([index[t.position] + shift[t.face] for t in taps], dtype=np.int64),
    )
