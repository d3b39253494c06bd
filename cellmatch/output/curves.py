"""Curves that charts and report both draw: search, weakest cells left out, discharge of the groups."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from cellmatch.build.pack_network import pack_network
from cellmatch.cells.table import resistances_mohm, texts
from cellmatch.electrics.discharge import Run, run_load
from cellmatch.electrics.network import seen_by_the_load
from cellmatch.electrics.resistance import load_resistance_range
from cellmatch.output.look import number
from cellmatch.plan import Plan


@dataclass(frozen=True, kw_only=True, slots=True)
class Curve:
    """One line of a chart.

    Parameters
    ----------
    x, y : ndarray, shape (n,)
    words : str
        What it is, where a chart holds several.
    main : bool
        Drawn to stand out.
    """

    x: np.ndarray
    y: np.ndarray
    words: str = ""
    main: bool = True


@dataclass(frozen=True, kw_only=True, slots=True)
class CurveChart:
    """A chart of curves, before it is drawn.

    Parameters
    ----------
    title : str
        What it shows, in a sentence.
    x_words, y_words : str
        Of the axes, with the unit in brackets.
    curves : tuple of Curve
        None where there is nothing to draw.
    levels : tuple of (value, words)
        Heights to compare with.
    band : tuple of (low, high, words), optional
        A range of heights.
    steps : bool
        Each value holds until the next.
    points : bool
        The values themselves are marked, not only the line.
    whole_x : bool
        Only whole numbers lie along x.
    missing : str
        Why there is nothing to draw.
    """

    title: str
    x_words: str = ""
    y_words: str = ""
    curves: tuple[Curve, ...] = ()
    levels: tuple[tuple[float, str], ...] = ()
    band: tuple[float, float, str] | None = None
    steps: bool = False
    points: bool = True
    whole_x: bool = False
    missing: str = ""


def search_curve(plan: Plan) -> CurveChart:
    """Return how the best spread fell while the search went on, with the floor and the bound."""
    grouping = plan.grouping
    if not grouping.history:
        return CurveChart(title="Best spread while solving", missing="the search kept no history")
    seconds, spread = (np.array(v) for v in zip(*grouping.history, strict=True))
    end = max(grouping.seconds, float(seconds[-1]), 1e-3)
    told = f"Spread {number(float(spread[-1]), 1, 'mAh')} after {number(float(seconds[-1]), 2, 's')}"
    return CurveChart(
        title=f"{told}; {'proven best' if grouping.proven else 'not proven'}",
        x_words="time [s]",
        y_words="best spread [mAh]",
        curves=(Curve(x=np.append(seconds, end), y=np.append(spread, spread[-1])),),
        levels=((grouping.bound_mah, f"bound {number(grouping.bound_mah, 1, 'mAh')}"),),
        band=(0.0, grouping.floor_mah, f"floor {number(grouping.floor_mah, 0, 'mAh')}"),
        steps=True,
    )


def leaving_out_curve(plan: Plan) -> CurveChart:
    """Return what leaving the weakest cells out is worth.

    For k = 0, 1, ... as many as there are spares: the pack at its best, all groups equal, if the k weakest
    good cells are left out and the next weakest take the places.
    """
    good = plan.cells[plan.cells["status"] != "reject"]["capacity_mah"].to_numpy(dtype=float)
    left_out, capacity_ah = leaving_out(good, plan.pack.places, plan.pack.series)
    if len(left_out) == 1:
        missing = "no spare cells: every good cell is needed"
        return CurveChart(title="Leaving the weakest cells out", missing=missing)
    now = plan.prediction.capacity_mah / 1000
    gain = 1000 * float(capacity_ah[-1] - capacity_ah[0])
    cells = "cell" if left_out[-1] == 1 else f"{left_out[-1]} cells"
    return CurveChart(
        title=f"Leaving out the weakest {cells}, not the strongest, is worth {number(gain, 0, 'mAh')}",
        x_words="weakest cells left out",
        y_words="usable capacity, if all groups were equal [Ah]",
        curves=(Curve(x=left_out, y=capacity_ah),),
        levels=((now, f"this plan {number(now, 2, 'Ah')}"),),
        whole_x=True,
    )


def leaving_out(capacity_mah: np.ndarray, places: int, series: int) -> tuple[np.ndarray, np.ndarray]:
    """Return the pack at its best when the k weakest cells are left out.

    Parameters
    ----------
    capacity_mah : ndarray, shape (n,)
        [mAh] Good cells.
    places, series : int
        Cells the pack takes, groups it has.

    Returns
    -------
    left_out : ndarray of int, shape (n - places + 1,)
        k.
    capacity_ah : ndarray, shape (n - places + 1,)
        [Ah] Sum of the next weakest cells over the groups.

    Examples
    --------
    >>> leaving_out(np.array([3000.0, 2000.0, 2500.0]), 2, 2)
    (array([0, 1]), array([2.25, 2.75]))
    """
    running = np.concatenate([[0.0], np.cumsum(np.sort(capacity_mah))])
    left_out = np.arange(len(capacity_mah) - places + 1)
    return left_out, (running[left_out + places] - running[left_out]) / series / 1000


def discharge_curves(plan: Plan) -> CurveChart:
    """Return the voltage of each group from full to the end, the group that ends it last."""
    load, run = plan.prediction.load, group_run(plan)
    if load is None or run is None:
        missing = "no load predicted: say --current or --power"
        return CurveChart(title="Discharge of the groups", missing=missing)
    minutes = run.time_s / 60
    curves = [
        Curve(x=minutes, y=run.group_v[:, k], words=f"group {g}", main=bool(g == run.ended_group))
        for k, g in enumerate(run.group)
    ]
    told = f"{number(float(minutes[-1]), 0, 'min')} at {load.case.words}"
    if run.ended_group is not None:
        told = f"Group {run.ended_group} is empty first, after {told}"
    return CurveChart(
        title=told,
        x_words="time [min]",
        y_words="group voltage under load [V]",
        curves=tuple(sorted(curves, key=lambda curve: curve.main)),
        levels=((plan.chemistry.end_v, f"end {number(plan.chemistry.end_v, 2, 'V')}"),),
        points=False,
    )


def group_run(plan: Plan) -> Run | None:
    """Run the plan's load at the highest resistance that it may meet.

    Parameters
    ----------
    plan : Plan

    Returns
    -------
    Run or None
        None where no load was predicted.
    """
    load = plan.prediction.load
    curve = plan.chemistry.working_curve(full_v=plan.limits.max_v)
    if load is None or curve is None:
        return None
    used = plan.with_status("used").sort_values("position")
    group = used["group"].to_numpy(dtype=np.int64)
    factor = max(load_resistance_range(method or None)[1] for method in texts(used, "ir_method"))
    cell_ohm = resistances_mohm(used) / 1000 * factor
    positions = plan.holder.lay_out(plan.pack)
    network = pack_network(positions, plan.assembly.wiring, (), cell_ohm, load.case.link_mohm / 1000).network
    r_ohm, link_ohm = seen_by_the_load(network, group)
    return run_load(
        used["capacity_mah"].to_numpy(dtype=float) / 1000,
        r_ohm,
        group,
        curve,
        load.case.load,
        end_v=plan.chemistry.end_v,
        full_v=plan.limits.max_v or plan.chemistry.full_v,
        link_ohm=link_ohm,
    )


CURVES: dict[str, Callable[[Plan], CurveChart]] = {
    "discharge": discharge_curves,
    "search": search_curve,
    "leaving cells out": leaving_out_curve,
}
"""Every chart of curves; a new one is one function and one entry here."""
