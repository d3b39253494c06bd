"""What a grouped and placed tray will be as a pack.

Electrics works in SI; the table and the pack work in mAh and mohm. This folder hands the one to the other.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from cellmatch.cells.table import PlacedCells, texts
from cellmatch.electrics.parallel import worst_verdict
from cellmatch.pack.chemistry import Chemistry
from cellmatch.pack.holder import Holder
from cellmatch.pack.limits import Limits
from cellmatch.pack.spec import Pack
from cellmatch.prediction.groups import GroupPrediction, predict_groups, random_weakest_mah
from cellmatch.prediction.load import LoadCase, LoadPrediction, predict_load
from cellmatch.prediction.safety import (
    BalancePrediction,
    SettlingPrediction,
    ShortPrediction,
    meter_words,
    predict_balance,
    predict_settling,
    predict_short,
)

MOST_SETTLED = 5
"""Groups whose settling is worked out, the largest joining currents first."""
NO_LOAD = "no load given: say --current or --power for time, sag, currents and heat under load"


@dataclass(frozen=True, kw_only=True, slots=True)
class Prediction:
    """What the pack will be, from the readings of its cells.

    Parameters
    ----------
    nominal_v, full_v, end_v : float
        [V] Of the whole pack.
    capacity_mah : float
        [mAh] Of the weakest group: what the pack can give.
    weakest_group : int
        Number of that group.
    mean_capacity_mah : float
        [mAh] Mean of the groups: what the pack would give if the groups were equal.
    energy_wh : float
        [Wh] ``capacity_mah`` at the nominal voltage.
    ir_mohm : float or None
        [mohm] Sum of the groups' resistances, links left out.
    ir_method : str or None
        How the resistances were measured.
    random_capacity_mah : float
        [mAh] Expected weakest group if the same cells were grouped at random.
    groups : tuple of GroupPrediction
        Group 1 first.
    settling : tuple of SettlingPrediction
        Where the groups with the largest joining currents end after joining; empty without resistances or a curve.
    short : ShortPrediction or None
        None without resistances.
    balance : BalancePrediction or None
        None where voltage does not show charge.
    load : LoadPrediction or None
        None without a load, or where it can't be predicted.
    notes : tuple of str
        What the voltmeter hides, what was not predicted and why.
    """

    nominal_v: float
    full_v: float
    end_v: float
    capacity_mah: float
    weakest_group: int
    mean_capacity_mah: float
    energy_wh: float
    ir_mohm: float | None
    ir_method: str | None
    random_capacity_mah: float
    groups: tuple[GroupPrediction, ...]
    settling: tuple[SettlingPrediction, ...]
    short: ShortPrediction | None
    balance: BalancePrediction | None
    load: LoadPrediction | None
    notes: tuple[str, ...]

    @property
    def joining_verdict(self) -> str | None:
        """The worst joining verdict of all groups; None without resistances."""
        verdicts = [g.verdict for g in self.groups if g.verdict is not None]
        return worst_verdict(verdicts) if len(verdicts) == len(self.groups) else None


def predict_pack(
    cells: PlacedCells,
    pack: Pack | str,
    chemistry: Chemistry,
    limits: Limits | None = None,
    *,
    holder: Holder | None = None,
    case: LoadCase | None = None,
) -> Prediction:
    """Work out what the groups of a table make as a pack.

    Parameters
    ----------
    cells : PlacedCells
        With ``group`` (0 stands for no group) and the places in `holder`.
    pack : Pack or str
    chemistry : Chemistry
    limits : Limits, optional
        For the joining limit.
    holder : Holder, optional
        Default: straight rows.
    case : LoadCase, optional
        The load; without one, what needs a load is left out and said.

    Returns
    -------
    Prediction

    Raises
    ------
    JobError
        The pack can't carry the load.
    """
    pack, limits = Pack.of(pack), (limits or Limits()).settled(chemistry)
    full_v = limits.max_v or chemistry.full_v
    used = cells[cells["group"] > 0]
    groups = predict_groups(used, limits)
    capacities = np.array([g.capacity_mah for g in groups])
    weakest = int(np.argmin(capacities))
    resistances = [g.ir_mohm for g in groups]
    methods = sorted({str(m) for m in texts(used, "ir_method") if m})
    known = all(r is not None for r in resistances)
    under_load = NO_LOAD if case is None else predict_load(cells, pack, Holder.of(holder), chemistry, limits, case)
    hidden = meter_words(used, max(pack.group_sizes), chemistry, limits)
    return Prediction(
        nominal_v=pack.series * chemistry.nominal_v,
        full_v=pack.series * full_v,
        end_v=pack.series * chemistry.end_v,
        capacity_mah=float(capacities[weakest]),
        weakest_group=groups[weakest].group,
        mean_capacity_mah=float(capacities.mean()),
        energy_wh=float(capacities[weakest]) / 1000 * pack.series * chemistry.nominal_v,
        ir_mohm=float(sum(r for r in resistances if r is not None)) if known else None,
        ir_method=" and ".join(methods) if known and methods else None,
        random_capacity_mah=random_weakest_mah(used["capacity_mah"].to_numpy(dtype=float), pack),
        groups=groups,
        settling=predict_settling(used, _worth_settling(groups), chemistry, limits),
        short=predict_short(used, full_v),
        balance=predict_balance(used, chemistry, limits),
        load=under_load if isinstance(under_load, LoadPrediction) else None,
        notes=tuple(text for text in (hidden, under_load) if isinstance(text, str)),
    )


def _worth_settling(groups: tuple[GroupPrediction, ...]) -> list[int]:
    """Return the groups that should not be joined yet, or else the one with the largest joining current."""
    known = sorted((g for g in groups if g.joining_a is not None), key=lambda g: -(g.joining_a or 0.0))
    held_back = [g.group for g in known if g.verdict != "go"]
    return (held_back or [g.group for g in known[:1]])[:MOST_SETTLED]
