"""The wired pack as a circuit: one node a pole, cells and links between them, taps where the leads go."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from cellmatch.build.links import Wiring
from cellmatch.build.taps import Tap
from cellmatch.electrics.network import Network, worst_over_mean
from cellmatch.pack.holder import Holder
from cellmatch.pack.positions import Positions

LINK_OHM = 0.0005
"""[ohm] A bar or strip with its two joints, where it was not measured (common practice, no source)."""
JOINT_OHM = 0.0002
"""[ohm] Between a cap and its bar, where it was not measured (from memory of contact studies, not confirmed)."""
WORST_OVER_MEAN = 1.10
"""From this share of the mean on, a cell's load is worth a word (common practice, no source)."""


@dataclass(frozen=True, kw_only=True, slots=True)
class LinkLoads:
    """What links and cells carry at load-on, from the network of cells and links.

    Parameters
    ----------
    current_a : float
        [A] Pack current.
    series_a, parallel_a : float
        [A] Most in a link of a junction, and in a bar within a group; 0 where there is none.
    worst_over_mean : float
        Most that a cell carries, over the mean of its group.
    heat_w : float
        [W] In all links together.
    assumed : str
        What was taken for the links.
    saved_w : float or None
        [W] What it saves in all that a bolted series bar lies next to the cap: the load current passes one joint of
        :data:`JOINT_OHM` less at each end of each series link (common practice, no source). None where nothing is
        stacked.
    """

    current_a: float
    series_a: float
    parallel_a: float
    worst_over_mean: float
    heat_w: float
    assumed: str
    saved_w: float | None = None

    @property
    def words(self) -> str:
        """In one sentence."""
        return (
            f"at {self.current_a:g} A the most loaded link of a junction carries {self.series_a:.1f} A, the worst "
            f"parallel bar {self.parallel_a:.1f} A, and the most loaded cell {self.worst_over_mean:.2f} of its group's "
            f"mean at load-on ({self.assumed})"
        )

    @property
    def stacking_words(self) -> str:
        """What the order of stacked bars is worth; empty where nothing is stacked."""
        if self.saved_w is None:
            return ""
        return (
            f"series bars next to the caps, parallel bars on top: at {self.current_a:g} A that saves "
            f"{self.saved_w:.2f} W against the other order (one joint of {1000 * JOINT_OHM:g} mΩ less at each end of a "
            "series bar); what reaches a cell without a series bar of its own passes the parallel bars all the same"
        )


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


def link_loads(
    circuit: PackNetwork, positions: Positions, wiring: Wiring, holder: Holder, current_a: float
) -> LinkLoads:
    """Return what the links of a wired pack carry at load-on, cells at one voltage.

    Parameters
    ----------
    circuit : PackNetwork
    positions : Positions
    wiring : Wiring
    holder : Holder
    current_a : float
        [A] Pack current.

    Returns
    -------
    LinkLoads
    """
    state = circuit.network.solve(0.0, current_a)
    flow = np.abs(state.link_a)
    within = np.array([link.group > 0 for link in wiring.links], dtype=bool)
    series = np.array([link.kind == "series" for link in wiring.links], dtype=bool)
    stacked = holder.joint == "bolted" and series.any() and within.any()
    milliohm = 1000 * float(np.median(circuit.network.link_ohm)) if len(flow) else 0.0
    return LinkLoads(
        current_a=current_a,
        series_a=float(flow[~within].max(initial=0.0)),
        parallel_a=float(flow[within].max(initial=0.0)),
        worst_over_mean=float(worst_over_mean(state.cell_a, positions.group).max()),
        heat_w=float(state.link_w.sum()),
        assumed=f"links of {milliohm:g} mΩ",
        saved_w=float(2 * JOINT_OHM * (flow[series] ** 2).sum()) if stacked else None,
    )
