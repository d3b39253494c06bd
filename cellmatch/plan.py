"""The whole job in one call: from a table of readings to a pack plan.

Read :func:`plan_pack` top to bottom: it is the trade in ten steps.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, fields, replace
from datetime import UTC, datetime
from typing import Any, NamedTuple

import numpy as np

from cellmatch.build.assembly import Assembly, plan_assembly
from cellmatch.build.cautions import cautions
from cellmatch.build.heat_placement import place_by_heat
from cellmatch.build.pack_network import LINK_OHM
from cellmatch.build.placement import place_cells
from cellmatch.cells.screening.screen import Screening
from cellmatch.cells.table import CellTable, PlacedCells, ScreenedCells
from cellmatch.cells.understood import Reading
from cellmatch.cells.worth.comparable import rest_state
from cellmatch.cells.worth.notes import quality_notes
from cellmatch.electrics.parallel import worst_verdict
from cellmatch.grouping.solve import Grouping, assign_groups
from cellmatch.pack.chemistry import Chemistry
from cellmatch.pack.holder import Holder
from cellmatch.pack.limits import Limits
from cellmatch.pack.spec import Pack
from cellmatch.plain import to_plain
from cellmatch.prediction import (
    NO_RESISTANCE,
    LoadCase,
    Prediction,
    predict_load,
    predict_pack,
)
from cellmatch.tray import Tray, grouped, screened_tray


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class Plan:
    """Everything that is known about a pack before it is built.

    Two plans are equal when everything in them is, cell by cell. A notebook shows a plan as verdict and groups;
    :meth:`summary` gives the one screen of the command line.

    Parameters
    ----------
    pack : Pack
    chemistry : Chemistry
    limits : Limits
        As used, every open value filled.
    holder : Holder
    cells : PlacedCells
        Every cell of the tray: used, spare and reject, with the reasons.
    screening : Screening
        What the cells were compared with.
    grouping : Grouping
    prediction : Prediction
    assembly : Assembly
        Links, taps, hazards and steps.
    verdict : str
        go, level first or stop.
    verdict_reasons : tuple of str
        Why, worst first.
    provisional : bool
        Voltages were read without a known rest of 24 h: the verdict stands only until they are read again.
    assumptions : tuple of str
        What was taken for granted because it was not given.
    notes : tuple of str
        What holds for the tray as a whole.
    cautions : tuple of str
    settings : mapping
        How the search was run, so that it can be run again.
    reading : Reading
        What was understood of the files.
    created_at : str
        UTC, ISO 8601.
    history : tuple of mapping
        Changes after the plan was made, oldest first.
    """

    pack: Pack
    chemistry: Chemistry
    limits: Limits
    holder: Holder
    cells: PlacedCells
    screening: Screening
    grouping: Grouping
    prediction: Prediction
    assembly: Assembly
    verdict: str
    verdict_reasons: tuple[str, ...]
    provisional: bool
    assumptions: tuple[str, ...]
    notes: tuple[str, ...]
    cautions: tuple[str, ...]
    settings: Mapping[str, Any]
    reading: Reading
    created_at: str
    history: tuple[Mapping[str, Any], ...] = field(default=())

    @property
    def groups(self) -> tuple[tuple[str, ...], ...]:
        """Cell ids of each group, group 1 first."""
        return self.grouping.groups

    def with_status(self, status: str) -> PlacedCells:
        """Return the rows of the table whose status is used, spare or reject."""
        return PlacedCells(self.cells[self.cells["status"] == status])

    def summary(self) -> str:
        """Return the plan on one screen, as the command line shows it.

        Returns
        -------
        str
        """
        from cellmatch.output.summary import plan_summary

        return plan_summary(self)

    def __repr__(self) -> str:
        counts = self.cells["status"].value_counts()
        return f"<Plan {self.pack}: {self.verdict}, {counts.get('used', 0)} of {len(self.cells)} cells used>"

    def _repr_html_(self) -> str:
        from cellmatch.output.notebook import plan_html

        return plan_html(self)

    def __eq__(self, other: object) -> bool:
        if not isinstance(other, Plan):
            return NotImplemented
        # compared by their plain form, in which two missing numbers are equal
        rest = (f.name for f in fields(self) if f.name != "cells")
        return self.cells.equals(other.cells) and all(
            to_plain(getattr(self, name)) == to_plain(getattr(other, name)) for name in rest
        )

    __hash__ = None  # type: ignore[assignment]


def plan_pack(
    cells: CellTable,
    pack: Pack | str,
    *,
    limits: Limits | None = None,
    chemistry: Chemistry | str | None = None,
    accept: Mapping[str, str] | None = None,
    holder: Holder | None = None,
    case: LoadCase | None = None,
    heat_placement: bool = True,
    aims: Sequence[str] | None = None,
    rules: Sequence[str] = (),
    spend_uncertainty: Sequence[str] = (),
    unequal: str = "share",
    floor_is_enough: bool = False,
    reproducible: bool = False,
    seed: int = 0,
    seconds: float = 3.0,
    progress: Callable[..., None] | None = None,
) -> Plan:
    """Turn a table of cell readings into a pack plan.

    Parameters
    ----------
    cells : CellTable
        From :func:`cellmatch.read_cells` or :func:`cellmatch.cell_table`.
    pack : Pack or str
        Like ``10s3p``.
    limits : Limits, optional
        Whatever differs from the defaults.
    chemistry : Chemistry or str, optional
        Where the table does not state one; without either NMC is assumed, and said.
    accept : mapping of cell id to written reason, optional
        Rejects to let in.
    holder : Holder, optional
        Default: straight rows of 18650 places.
    case : LoadCase, optional
        The load, for time, sag, currents and heat.
    heat_placement : bool
        With a load, put the cells that get warmest where they stay coolest.
    aims : sequence of str, optional
        What the grouping looks for, most important first.
    rules : sequence of str
        What every group must keep, in the words of :data:`cellmatch.grouping.rules.RULE_WORDS`.
    spend_uncertainty : sequence of str
        Aims for which group capacities may differ by the group uncertainty.
    unequal : str
        What is compared where groups differ in size: share or sum, see :data:`cellmatch.grouping.pool.UNEQUAL`.
    floor_is_enough : bool
        Stop as soon as the spread is below the floor: a better one could not be measured.
    reproducible : bool
        Count work instead of seconds: the same groups on every machine.
    seed : int
    seconds : float
        [s] Longest search.
    progress : callable, optional
        Called as the search goes on.

    Returns
    -------
    Plan

    Raises
    ------
    TooFewCells, MixedChemistries, RulesInfeasible
        The job can't be done with these cells.
    FileAmbiguous, ArgumentInvalid
        Something has to be said first.
    """
    pack = Pack.of(pack)
    tray = screened_tray(cells, pack, limits=limits, chemistry=chemistry, accept=accept)
    search: dict[str, Any] = {
        "rules": list(rules),
        "spend_uncertainty": list(spend_uncertainty),
        "unequal": unequal,
        "floor_is_enough": floor_is_enough,
        "reproducible": reproducible,
        "seed": seed,
        "seconds": seconds,
    }
    grouping = grouped(tray, pack, progress=progress, aims=aims, **search)
    return planned(tray, tray.screened, grouping, pack, search, holder=holder, case=case, heat_placement=heat_placement)


def planned(
    tray: Tray,
    screened: ScreenedCells,
    grouping: Grouping,
    pack: Pack,
    search: Mapping[str, Any],
    *,
    holder: Holder | None = None,
    case: LoadCase | None = None,
    heat_placement: bool = True,
    notes: Sequence[str] = (),
) -> Plan:
    """Place grouped cells and work out all that follows: the second half of :func:`plan_pack`.

    `screened` are the tray's cells, or those of them that concern this pack; `search` is how it was grouped.
    """
    reading: Reading = tray.cells.attrs.get("reading", Reading())
    screening: Screening = tray.screened.attrs["screening"]
    known, limits, holder = tray.chemistry, tray.limits, holder or Holder()
    placed = place_cells(assign_groups(screened, grouping), pack, holder)
    heat_words: tuple[str, ...] = ()
    if case is not None and heat_placement:
        move = not any(rule.startswith("pin ") for rule in search["rules"])
        placed, grouping, heat_words = _placed_by_heat(placed, grouping, pack, holder, tray, case, move_groups=move)
    made = consequences(placed, pack, holder, known, limits, screening, case)
    prediction = made.prediction

    return Plan(
        pack=pack,
        chemistry=known,
        limits=limits,
        holder=holder,
        cells=placed,
        screening=screening,
        grouping=grouping,
        prediction=prediction,
        assembly=made.assembly,
        verdict=made.verdict,
        verdict_reasons=made.verdict_reasons,
        provisional=rest_state(tray.cells).provisional,
        assumptions=(
            *reading.assumptions,
            *tray.assumptions,
            *holder.assumptions,
            *(prediction.load.assumptions if prediction.load else ()),
        ),
        notes=(
            *reading.warnings,
            *screening.notes,
            *quality_notes(tray.cells, chemistry=known, join_window_mv=tray.window_mv, salvaged=limits.salvaged),
            *grouping.notes,
            *notes,
            *heat_words,
            *prediction.notes,
        ),
        cautions=(*made.assembly.cautions, *cautions(pack, known, limits)),
        settings={
            "aims": [aim.name for aim in grouping.aims],
            **search,
            "accept": tray.accept,
            "heat_placement": heat_placement,
        },
        reading=reading,
        created_at=datetime.now(UTC).isoformat(timespec="seconds"),
    )


class Consequences(NamedTuple):
    """What follows from cells in their places."""

    prediction: Prediction
    assembly: Assembly
    verdict: str
    verdict_reasons: tuple[str, ...]


def consequences(
    placed: PlacedCells,
    pack: Pack,
    holder: Holder,
    chemistry: Chemistry,
    limits: Limits,
    screening: Screening,
    case: LoadCase | None = None,
) -> Consequences:
    """Work out what follows from cells in their places: for a new plan, and after every change of one.

    Returns
    -------
    Consequences

    Raises
    ------
    ArgumentInvalid, JobError
        The holder can't take the pack, or the pack can't carry the load.
    """
    prediction = predict_pack(placed, pack, chemistry, limits, holder=holder, case=case)
    assembly = plan_assembly(
        placed,
        pack,
        holder,
        chemistry,
        limits,
        current_a=case.current_a if case else None,
        balance_h=prediction.balance.bleed_h if prediction.balance else None,
        link_ohm=case.link_mohm / 1000 if case else LINK_OHM,
        load_f=case.load_uf / 1e6 if case and case.load_uf else None,
    )
    verdict, reasons = pack_verdict(placed, prediction, screening)
    return Consequences(prediction, assembly, verdict, reasons)


def pack_verdict(cells: PlacedCells, prediction: Prediction, screening: Screening) -> tuple[str, tuple[str, ...]]:
    """Return go, level first or stop for the pack, with every reason, worst first.

    The worst joining verdict rules; a cell to level, voltage clusters, voltages that can't show charge,
    and currents nobody can know keep it from being "go".

    Returns
    -------
    str
    tuple of str
    """
    reasons: list[tuple[str, str]] = []
    for g in prediction.groups:
        if g.verdict is None:
            reasons.append(("level first", f"group {g.group}: joining current not known, {NO_RESISTANCE}"))
        elif g.verdict != "go":
            reasons.append(
                (
                    g.verdict,
                    f"group {g.group}: {1000 * (g.ocv_max_v - g.ocv_min_v):.0f} mV between its cells drive "
                    f"{g.joining_a:.2f} A through {g.joining_cell} (limit {g.joining_limit_a:.2f} A)",
                )
            )
    used = cells[cells["group"] > 0]
    reasons += [
        ("level first", f"{cell}: level from {found:.3f} V to {target:.3f} V")
        for cell, found, target in zip(map(str, used.index), used["ocv_v"], used["level_to_v"], strict=True)
        if not np.isnan(target)
    ]
    if len(screening.window.clusters) > 1:
        reasons += [("level first", note) for note in screening.window.notes]
    if screening.chemistry.flat:
        reasons.append(("level first", "charge not shown by voltage: top balance or counted charge first"))
    if prediction.groups and all(g.verdict is None for g in prediction.groups):
        reasons = [("level first", f"joining currents not known: {NO_RESISTANCE}")] + [
            r for r in reasons if NO_RESISTANCE not in r[1]
        ]
    verdict = worst_verdict(v for v, _ in reasons)
    ordered = sorted(reasons, key=lambda r: r[0] != "stop")
    return verdict, tuple(text for _, text in ordered)


def _placed_by_heat(
    placed: PlacedCells,
    grouping: Grouping,
    pack: Pack,
    holder: Holder,
    tray: Tray,
    case: LoadCase,
    *,
    move_groups: bool,
) -> tuple[PlacedCells, Grouping, tuple[str, ...]]:
    """Place the cells again by their mean heat under the load; groups may change places in the series."""
    load = predict_load(placed, pack, holder, tray.chemistry, tray.limits, case, compare=False)
    if isinstance(load, str):
        return placed, grouping, ()
    heat = {cell.cell: sum(cell.heat_w) / 2 for cell in load.cells}
    heat_w = np.array([heat.get(str(cell), 0.0) for cell in placed.index])
    by_heat = place_by_heat(placed, pack, holder, heat_w, move_groups=move_groups)
    groups = tuple(grouping.groups[k - 1] for k in by_heat.series_order)
    return by_heat.cells, replace(grouping, groups=groups), (by_heat.words,)
