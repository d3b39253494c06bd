"""What the child processes do: everything that needs the solver, the circuit or the drawing libraries."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import Any

from cellmatch.pack.chemistry import load_chemistry
from cellmatch.pack.holder import Holder
from cellmatch.pack.job import Job as JobRequest
from cellmatch.pack.needs import CellData, Needs
from cellmatch.pack.sizing import size_pack
from cellmatch.pack.spec import Pack
from cellmatch.page.child import Reporter


def holder_of(said: Mapping[str, Any]) -> Holder:
    """Return the holder a job names; its shape is never a file."""
    given = {name: value for name, value in said.items() if name != "shape"}
    return replace(Holder.parse(str(said.get("shape", "straight"))), **given)


def check_job(report: Reporter, *, pack: str, holder: Mapping[str, Any], load: Mapping[str, float]) -> None:
    """Raise what is wrong with a pack, its holder and its load."""
    JobRequest(
        pack=Pack.parse(pack),
        current_a=load.get("current_a"),
        peak_a=load.get("peak_a"),
        power_w=load.get("power_w"),
    )
    holder_of(holder).lay_out(pack)


def size(report: Reporter, *, needs: Mapping[str, float], cell: Mapping[str, float], chemistry: str) -> dict[str, Any]:
    """Return the packs that fit a load, as plain values."""
    data = CellData(
        capacity_mah=cell["capacity_mah"], current_a=cell.get("cell_current_a"), ir_mohm=cell.get("ir_mohm")
    )
    found = size_pack(Needs(**needs), data, load_chemistry(chemistry))
    return {
        "sizes": [
            {
                "pack": str(s.pack),
                "series": s.pack.series,
                "parallel": s.pack.parallel,
                "nominal_v": s.nominal_v,
                "capacity_ah": s.capacity_ah,
                "energy_wh": s.energy_wh,
                "current_per_cell_a": s.current_per_cell_a,
                "limited_by": s.limited_by,
                "short": s.short,
            }
            for s in found.sizes
        ],
        "assumptions": found.assumptions,
    }


TASKS: dict[str, Callable[..., Any]] = {"check_job": check_job, "size": size}
"""Every task a child may be given, by name."""
