"""Discharge curves of the groups under the plan's load."""

from __future__ import annotations

import numpy as np
from matplotlib.axes import Axes

from cellmatch.build.pack_network import pack_network
from cellmatch.cells.table import resistances_mohm, texts
from cellmatch.electrics.discharge import Run, run_load
from cellmatch.electrics.network import seen_by_the_load
from cellmatch.electrics.resistance import load_resistance_range
from cellmatch.output import look
from cellmatch.output.axes import dress, say_at_right, say_nothing_to_draw
from cellmatch.output.look import number
from cellmatch.plan import Plan


def draw_discharge(ax: Axes, plan: Plan) -> Axes:
    """Draw the voltage of each group from full to the end, the group that ends it apart.

    Parameters
    ----------
    ax : Axes
    plan : Plan

    Returns
    -------
    Axes
    """
    load = plan.prediction.load
    run = group_run(plan)
    if load is None or run is None:
        return say_nothing_to_draw(ax, "Discharge of the groups", "no load predicted: say --current or --power")
    minutes = run.time_s / 60
    for k, group in enumerate(run.group):
        last = group == run.ended_group
        ax.plot(
            minutes,
            run.group_v[:, k],
            color=look.INK if last else look.ACCENT,
            linewidth=1.8 if last else 0.8,
            alpha=1.0 if last else 0.6,
            zorder=3 if last else 2,
        )
        if last:
            ax.plot(minutes[-1], run.group_v[-1, k], "o", markersize=6, color=look.INK, zorder=4)
    ax.axhline(plan.chemistry.end_v, color=look.INK, linewidth=0.9, linestyle=(0, (4, 3)))
    say_at_right(ax, plan.chemistry.end_v, f"end {number(plan.chemistry.end_v, 2, 'V')}")
    ax.set_xlim(0, 1.02 * float(minutes[-1]))
    ax.set_xlabel("time [min]")
    ax.set_ylabel("group voltage under load [V]")
    told = f"{number(float(minutes[-1]), 0, 'min')} at {load.case.words}"
    if run.ended_group is not None:
        told = f"Group {run.ended_group} is empty first, after {told}"
    return dress(ax, told)


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
