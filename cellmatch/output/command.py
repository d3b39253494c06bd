"""The command line that makes a plan again."""

from __future__ import annotations

import shlex
from dataclasses import fields

from cellmatch.pack.holder import Holder
from cellmatch.pack.limits import Limits, option_name
from cellmatch.plan import Plan
from cellmatch.prediction import LoadCase

LOAD_OPTIONS = {
    "current_a": "--current",
    "power_w": "--power",
    "peak_a": "--peak",
    "cell_a": "--cell-current",
    "cell_peak_a": "--cell-peak",
    "link_mohm": "--link-mohm",
}
"""Option of each figure of a load."""


def repeat_command(plan: Plan) -> str:
    """Return the command line that makes this plan again.

    Parameters
    ----------
    plan : Plan

    Returns
    -------
    str
        For a shell; ids and reasons are quoted. What equals its default is left out.
    """
    files = [f.name for f in plan.reading.files] or ["CELLS.csv"]
    words = ["cellmatch", "plan", *files, str(plan.pack), "--chemistry", plan.chemistry.name]
    words += [*plan.reading.told, *_limits(plan), *_holder(plan.holder)]
    if plan.prediction.load is not None:
        words += _load(plan.prediction.load.case)
    for cell, reason in plan.settings["accept"].items():
        words += ["--accept", f"{cell}={reason}"]
    words += ["--seed", str(plan.settings["seed"]), "--seconds", f"{plan.settings['seconds']:g}", "--out", "DIR"]
    return shlex.join(words)


def _limits(plan: Plan) -> list[str]:
    default = Limits(salvaged=plan.limits.salvaged).settled(plan.chemistry)
    words = []
    for limit in fields(Limits):
        value = getattr(plan.limits, limit.name)
        if limit.name == "salvaged":
            words += [option_name(limit.name)] if value else []
        elif value is not None and value != getattr(default, limit.name):
            words += [option_name(limit.name), f"{value:g}"]
    return words


def _holder(holder: Holder) -> list[str]:
    default, words = Holder(), []
    if holder.brick is not None:
        rows, columns = holder.brick
        brick = f"{rows}x{columns}"
        words += ["--holder", brick if holder.shape == "folded" else f"{holder.shape} {brick}"]
    elif holder.shape == "map":
        words += ["--holder", "MAP.csv"]
    elif holder.shape != default.shape:
        words += ["--holder", holder.shape]
    for name in ("cell_size", "pitch_mm", "contact_a", "link_type"):
        value = getattr(holder, name)
        if value is not None and value != getattr(default, name):
            words += [option_name(name), f"{value:g}" if isinstance(value, float) else str(value)]
    return words


def _load(case: LoadCase) -> list[str]:
    words = []
    for limit in fields(LoadCase):
        value = getattr(case, limit.name)
        if value is not None and value != limit.default:
            words += [LOAD_OPTIONS[limit.name], f"{value:g}"]
    return words
