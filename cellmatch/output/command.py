"""The command line that makes a plan again."""

from __future__ import annotations

import shlex
from collections.abc import Mapping
from dataclasses import fields
from typing import Any

from cellmatch.pack.holder import Holder
from cellmatch.pack.limits import Limits, option_name
from cellmatch.pack.spec import Pack
from cellmatch.plan import Plan
from cellmatch.prediction import LoadCase

LOAD_OPTIONS = {
    "current_a": "--current",
    "power_w": "--power",
    "peak_a": "--peak",
    "cell_a": "--cell-current",
    "cell_peak_a": "--cell-peak",
    "link_mohm": "--link-mohm",
    "load_uf": "--load-uf",
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
    words = ["cellmatch", "plan", *files, *_pack(plan.pack), "--chemistry", plan.chemistry.name]
    words += [*plan.reading.told, *_limits(plan), *_holder(plan.holder)]
    if plan.prediction.load is not None:
        words += _load(plan.prediction.load.case)
    for cell, reason in plan.settings["accept"].items():
        words += ["--accept", f"{cell}={reason}"]
    words += _search(plan.settings)
    words += ["--seed", str(plan.settings["seed"]), "--seconds", f"{plan.settings['seconds']:g}", "--out", "DIR"]
    return shlex.join(words)


def _pack(pack: Pack) -> list[str]:
    usual, *_ = pack.group_sizes
    others = [(group, size) for group, size in enumerate(pack.group_sizes, start=1) if size != usual]
    return [
        f"{pack.series}s{usual}p",
        *(word for group, size in others for word in ("--parallel-of", f"{group}={size}")),
    ]


def _search(settings: Mapping[str, Any]) -> list[str]:
    words = []
    for rule in settings.get("rules", ()):
        words += ["--rule", rule]
    for aim in settings.get("spend_uncertainty", ()):
        words += ["--spend-uncertainty", aim]
    if settings.get("unequal", "share") != "share":
        words += ["--unequal", settings["unequal"]]
    words += ["--floor-is-enough"] if settings.get("floor_is_enough") else []
    words += ["--reproducible"] if settings.get("reproducible") else []
    if "packs" in settings:
        words += ["--packs", str(settings["packs"])]
    return words


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
