"""The screening rules: what makes a cell a reject, or worth a remark.

A rule is a function of the :class:`~cellmatch.cells.tray.Tray` that returns the cells it catches and what
to say of each; :data:`RULES` lists them in the order in which they are told. Rules with
``reason_opens=False`` guard what no written reason may open.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from cellmatch.cells.table import texts
from cellmatch.cells.tray import IR_REPEATABILITY_FRACTION, Tray

Words = Callable[[int], str]
Caught = tuple[np.ndarray, Words]

LIKE_LFP_V = (3.20, 3.35)
LIKE_LFP_CAPACITY_FRACTION = 0.75

ROUNDING_V = 1e-9
"""What a sum of limits may be off; a cell at the very limit has not passed it."""

_HISTORY = re.compile(
    r"(?<![\d.,])0(?:[.,]0+)?\s*(?:v|volts?)\b|\bzero[ -]volts?\b"
    r"|\b(?:reviv\w*|resurrect\w*|resuscitat\w*|reanimat\w*|jump[ -]?start\w*"
    r"|woken up|wiederbeleb\w*|reanimiert\w*|r[ée]anim\w*|revivid\w*|rianimat\w*)\b"
    r"|\b(?:deep(?:ly)?[ -]discharge\w*|over-?discharge\w*|tiefentlad\w*)\b|激活|复活|过放|過放電|復活",
    re.IGNORECASE,
)
"""Words in a note that tell of a cell that once stood at 0 V or was revived (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Rule:
    """One screening rule.

    Parameters
    ----------
    name : str
        What the report calls it, and what counts are kept under.
    catch : callable
        Takes the tray; returns the cells caught (bool, shape (n,)) and the words for cell number i.
    rejects : bool
        False: the cell stays good and carries a remark.
    reason_opens : bool
        A written reason may let the cell in.
    """

    name: str
    catch: Callable[[Tray], Caught]
    rejects: bool = True
    reason_opens: bool = True


def _given(value: float | None) -> float:
    """Return a limit that :meth:`Limits.settled` has filled."""
    if value is None:
        raise ValueError("the limits have not been settled for a chemistry")
    return value


def _nowhere(tray: Tray) -> np.ndarray:
    return np.zeros(len(tray.cells), dtype=bool)


def _unreadable(tray: Tray) -> Caught:
    if "problems" not in tray.cells.columns:
        return _nowhere(tray), str
    problems = tray.cells["problems"].to_numpy()
    caught = np.fromiter((bool(p) for p in problems), dtype=bool, count=len(problems))
    return caught, lambda i: "; ".join(problems[i])


def _missing(tray: Tray) -> Caught:
    needed = {"open-circuit voltage": tray.ocv_v, "capacity": tray.capacity_mah}
    if not np.isnan(tray.ir_mohm).all():
        needed["resistance"] = tray.ir_mohm
    told = _unreadable(tray)[0]
    caught = np.any([np.isnan(values) for values in needed.values()], axis=0) & ~told

    def words(i: int) -> str:
        lacking = [name for name, values in needed.items() if np.isnan(values[i])]
        return f"no {' and no '.join(lacking)} was given; measure it"

    return caught, words


def _wrong_sign(tray: Tray) -> Caught:
    return (
        tray.ocv_v < 0,
        lambda i: f"{tray.ocv_v[i]:.3f} V is negative: reversed probe or wrap; measure again with the leads checked",
    )


def _below_floor(tray: Tray) -> Caught:
    floor = _given(tray.limits.floor_v)
    return (
        (tray.ocv_v >= 0) & (tray.ocv_v < floor),
        lambda i: (
            f"{tray.ocv_v[i]:.3f} V is {floor - tray.ocv_v[i]:.3f} V under the floor of {floor:.2f} V: "
            "never use this cell, recycle it with its ends taped"
        ),
    )


def _over_discharged(tray: Tray) -> Caught:
    lowest, floor = _given(tray.limits.min_v), _given(tray.limits.floor_v)
    return (
        (tray.ocv_v >= floor) & (tray.ocv_v < lowest),
        lambda i: (
            f"{tray.ocv_v[i]:.3f} V is {lowest - tray.ocv_v[i]:.3f} V under the lowest voltage in service of "
            f"{lowest:.2f} V: quarantine, self-discharge test first"
        ),
    )


def _revived(tray: Tray) -> Caught:
    notes = texts(tray.cells, "note")
    telling = {note for note in set(notes) if _HISTORY.search(str(note))}
    return (
        np.fromiter((note in telling for note in notes), dtype=bool, count=len(notes)),
        lambda i: (
            f"its note says '{str(notes[i])[:80]}': a cell that stood at 0 V or was revived has dissolved copper in it "
            "and can short inside long afterwards; recycle it with its ends taped"
        ),
    )


def _overcharged(tray: Tray) -> Caught:
    most = _given(tray.limits.max_v) + tray.limits.above_full_v
    return (
        tray.ocv_v > most + ROUNDING_V,
        lambda i: (
            f"{tray.ocv_v[i]:.3f} V is {tray.ocv_v[i] - most:.3f} V over the most a full cell may show, {most:.2f} V"
        ),
    )


def _above_full(tray: Tray) -> Caught:
    full = _given(tray.limits.max_v)
    return (
        (tray.ocv_v > full + ROUNDING_V) & (tray.ocv_v <= full + tray.limits.above_full_v + ROUNDING_V),
        lambda i: (
            f"{tray.ocv_v[i]:.3f} V is {(tray.ocv_v[i] - full) * 1000:.0f} mV over full ({full:.2f} V): "
            "check the charger and the meter"
        ),
    )


def _other_chemistry(tray: Tray) -> Caught:
    if tray.chemistry.flat or tray.chemistry.full_v < LIKE_LFP_V[1]:
        return _nowhere(tray), str
    least = LIKE_LFP_CAPACITY_FRACTION * tray.median_within(tray.capacity_mah, tray.model)
    low, high = LIKE_LFP_V
    caught = (tray.ocv_v >= low) & (tray.ocv_v <= high) & (tray.capacity_mah < least)
    return (
        caught,
        lambda i: (
            f"{tray.ocv_v[i]:.3f} V and {tray.capacity_mah[i]:.0f} mAh in this tray look like an LFP cell: "
            "read its label before anything else"
        ),
    )


def _capacity_floor(tray: Tray) -> Caught:
    fraction = _given(tray.limits.min_capacity_fraction)
    least = fraction * tray.rated_mah
    worn = tray.limits.worn_out_fraction * tray.rated_mah

    def words(i: int) -> str:
        found = (
            f"{tray.capacity_mah[i]:.0f} mAh is {least[i] - tray.capacity_mah[i]:.0f} mAh under "
            f"{least[i]:.0f} mAh ({fraction:.0%} of rated {tray.rated_mah[i]:.0f} mAh)"
        )
        if tray.capacity_mah[i] >= worn[i]:
            return found
        return found + (": worn out or wrong label" if tray.limits.salvaged else ": wrong label")

    return tray.capacity_mah < least, words


def _resistance_ceiling(tray: Tray) -> Caught:
    ratio = _given(tray.limits.max_ir_ratio)
    relative = ratio * tray.median_within(tray.ir_mohm, tray.kind)
    most = np.fmin(relative, np.inf if tray.limits.max_ir_mohm is None else tray.limits.max_ir_mohm)

    def words(i: int) -> str:
        origin = "set limit" if most[i] != relative[i] else f"{ratio:g} × the median of its kind"
        return f"{tray.ir_mohm[i]:.1f} mΩ is {tray.ir_mohm[i] - most[i]:.1f} mΩ over {most[i]:.1f} mΩ ({origin})"

    return tray.ir_mohm > most, words


def _outlier(
    name: str, unit: str, kinds: str, repeatability: Callable[[Tray], np.ndarray], side: int
) -> Callable[[Tray], Caught]:
    """Return a one-sided robust outlier rule: `side` +1 catches high readings, -1 low ones."""

    def catch(tray: Tray) -> Caught:
        values, kind = tray.number(name), getattr(tray, kinds)
        median = tray.median_within(values, kind)
        reach = tray.limits.outlier_k * tray.scale_within(values, kind, repeatability(tray))
        limit = median + side * reach

        def words(i: int) -> str:
            return (
                f"{values[i]:.1f} {unit} is {abs(values[i] - limit[i]):.1f} {unit} {'over' if side > 0 else 'under'} "
                f"{limit[i]:.1f} {unit} (median {median[i]:.1f}, {tray.limits.outlier_k:g} robust standard deviations)"
            )

        # a hair of tolerance: a reading exactly k steps off the median of rounded data is not beyond it
        return side * (values - limit) > 1e-9 * np.abs(limit), words

    return catch


def _again(catch: Callable[[Tray], Caught]) -> Callable[[Tray], Caught]:
    """Return the rule with the advice for a reading too good to be true."""

    def too_good(tray: Tray) -> Caught:
        caught, words = catch(tray)
        return caught, lambda i: f"{words(i)}: measure again"

    return too_good


def _capacity_repeatability(tray: Tray) -> np.ndarray:
    reference = np.where(np.isnan(tray.rated_mah), tray.median_within(tray.capacity_mah, tray.model), tray.rated_mah)
    return _given(tray.limits.repeatability_fraction) * reference


def _ir_repeatability(tray: Tray) -> np.ndarray:
    return IR_REPEATABILITY_FRACTION * tray.median_within(tray.ir_mohm, tray.kind)


def _no_repeatability(tray: Tray) -> np.ndarray:
    return np.zeros(len(tray.cells))


def _light(tray: Tray) -> Caught:
    mass = tray.number("mass_g")
    least = (1 - tray.limits.mass_loss_fraction) * tray.median_within(mass, tray.lot)
    return (
        mass < least,
        lambda i: (
            f"{mass[i]:.2f} g is {least[i] - mass[i]:.2f} g under {least[i]:.2f} g "
            f"(its lot's median less {tray.limits.mass_loss_fraction:.0%}): leaked electrolyte"
        ),
    )


RULES: tuple[Rule, ...] = (
    Rule("unreadable", _unreadable),
    Rule("missing reading", _missing),
    Rule("wrong sign", _wrong_sign, reason_opens=False),
    Rule("below the floor", _below_floor, reason_opens=False),
    Rule("over-discharged", _over_discharged, reason_opens=False),
    Rule("0 V or revived once", _revived),
    Rule("overcharged", _overcharged),
    Rule("other chemistry", _other_chemistry, reason_opens=False),
    Rule("capacity floor", _capacity_floor),
    Rule("resistance ceiling", _resistance_ceiling),
    Rule("resistance outlier", _outlier("ir_mohm", "mΩ", "kind", _ir_repeatability, +1)),
    Rule(
        "self-discharge outlier",
        _outlier("self_discharge_mv_per_day", "mV/day", "model", _no_repeatability, +1),
    ),
    Rule("leaked", _light),
    Rule("above full", _above_full, rejects=False),
    Rule(
        "capacity outlier",
        _outlier("capacity_mah", "mAh", "model", _capacity_repeatability, -1),
        rejects=False,
    ),
    Rule(
        "capacity too good",
        _again(_outlier("capacity_mah", "mAh", "model", _capacity_repeatability, +1)),
        rejects=False,
    ),
    Rule("resistance too good", _again(_outlier("ir_mohm", "mΩ", "kind", _ir_repeatability, -1)), rejects=False),
)
