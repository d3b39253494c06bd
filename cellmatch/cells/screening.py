"""Which cells may go into a pack, which must be brought to the common voltage first, which never.

A rule is a function of the :class:`~cellmatch.cells.tray.Tray` that returns the cells it catches and what
to say of each; :data:`RULES` lists them in the order in which they are told. A cell is told **every** rule
it breaks. Rules with ``reason_opens=False`` guard what no written reason may open.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from cellmatch.cells.table import CellTable, ScreenedCells, texts
from cellmatch.cells.tray import IR_REPEATABILITY_FRACTION, Tray
from cellmatch.cells.window import JoiningWindow, joining_window
from cellmatch.errors import ArgumentInvalid, FileAmbiguous, MixedChemistries, Problem, nearest_name
from cellmatch.pack.chemistry import ASSUMED_CHEMISTRY, Chemistry, load_chemistry
from cellmatch.pack.limits import Limits

Words = Callable[[int], str]
Caught = tuple[np.ndarray, Words]

LIKE_LFP_V = (3.20, 3.35)
LIKE_LFP_CAPACITY_FRACTION = 0.75
UNSTATED_AND_UNCLEAR_V = (3.15, 3.40)
"""Median voltage at which a tray of unstated chemistry could be half-full LFP or nearly empty NMC."""


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


@dataclass(frozen=True, kw_only=True)
class Screening:
    """What was compared with what: kept beside the table in ``.attrs["screening"]``.

    Parameters
    ----------
    limits : Limits
        As used, every open value filled.
    chemistry : Chemistry
        As given, stated in the table, or assumed.
    window : JoiningWindow
        The joining window, voltage clusters and the voltage to level to.
    counts : mapping of rule name to int
        Cells each rejecting rule caught.
    remark_counts : mapping of rule name to int
        Cells each remark was made about.
    notes : tuple of str
        What holds for the tray as a whole.
    assumptions : tuple of str
        What was taken for granted.
    """

    limits: Limits
    chemistry: Chemistry
    window: JoiningWindow
    counts: Mapping[str, int]
    remark_counts: Mapping[str, int]
    notes: tuple[str, ...]
    assumptions: tuple[str, ...]

    def __deepcopy__(self, memo: object) -> Screening:
        # pandas copies .attrs with every table; this object never changes
        return self


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


def _overcharged(tray: Tray) -> Caught:
    most = _given(tray.limits.max_v) + tray.limits.above_full_v
    return (
        tray.ocv_v > most,
        lambda i: (
            f"{tray.ocv_v[i]:.3f} V is {tray.ocv_v[i] - most:.3f} V over the most a full cell may show, {most:.2f} V"
        ),
    )


def _above_full(tray: Tray) -> Caught:
    full = _given(tray.limits.max_v)
    return (
        (tray.ocv_v > full) & (tray.ocv_v <= full + tray.limits.above_full_v),
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
    return tray.limits.repeatability_fraction * reference


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


def _given(value: float | None) -> float:
    """Return a limit that :meth:`Limits.settled` has filled."""
    if value is None:
        raise ValueError("the limits have not been settled for a chemistry")
    return value


def screen_cells(
    cells: CellTable,
    limits: Limits | None = None,
    *,
    chemistry: Chemistry | str | None = None,
    accept: Mapping[str, str] | None = None,
) -> ScreenedCells:
    """Judge every cell of a tray.

    Parameters
    ----------
    cells : CellTable
        As read.
    limits : Limits, optional
        Open values are filled from the chemistry. ``join_window_mv`` None means 50 mV here: a window
        from a current needs the pack, see :func:`cellmatch.plan_pack`.
    chemistry : Chemistry or str, optional
        Where the table has no ``chemistry`` column; without either NMC is assumed, and said.
    accept : mapping of cell id to written reason, optional
        Lets a rejected cell in where a reason may do that, and marks it for ever.

    Returns
    -------
    ScreenedCells
        + ``status`` (good or reject), ``reasons``, ``remarks`` (tuples of text), ``level_to_v`` [V],
        ``accepted``; ``.attrs["screening"]`` is the :class:`Screening`.

    Raises
    ------
    MixedChemistries
        The table holds cells of more than one chemistry.
    FileAmbiguous
        No chemistry is given and the median voltage fits two.
    ArgumentInvalid
        `accept` names a cell that is not there, or gives an empty reason.
    """
    known, assumptions = tray_chemistry(cells, chemistry)
    settled = (limits or Limits()).settled(known)
    tray = Tray(cells, settled, known)
    _check_accept(cells, accept or {})
    reasons, counts, closed = _collect(tray, [rule for rule in RULES if rule.rejects])
    remarks, remark_counts, _ = _collect(tray, [rule for rule in RULES if not rule.rejects])
    reject = np.fromiter((bool(r) for r in reasons), dtype=bool, count=len(cells))
    accepted = _accepted(tray, accept or {}, reject, closed, reasons, remarks)
    reject &= np.fromiter((a is None for a in accepted), dtype=bool, count=len(cells))

    window = joining_window(tray, ~reject)
    for i, text in window.remarks.items():
        remarks[i] = (*remarks[i], text)
    if window.remarks:
        remark_counts["joining window"] = len(window.remarks)

    screened = cells.copy()
    screened["status"] = pd.Series(np.where(reject, "reject", "good"), index=cells.index, dtype=object)
    screened["reasons"] = pd.Series(list(reasons), index=cells.index, dtype=object)
    screened["remarks"] = pd.Series(list(remarks), index=cells.index, dtype=object)
    screened["level_to_v"] = window.level_to_v
    screened["accepted"] = pd.Series(accepted, index=cells.index, dtype=object)
    screened.attrs["screening"] = Screening(
        limits=settled,
        chemistry=known,
        window=window,
        counts=counts,
        remark_counts=remark_counts,
        notes=(*window.notes, *_tray_notes(tray, ~reject)),
        assumptions=assumptions,
    )
    return ScreenedCells(CellTable(screened))


def tray_chemistry(cells: CellTable, given: Chemistry | str | None) -> tuple[Chemistry, tuple[str, ...]]:
    """Settle the chemistry of a tray: given, stated in its table, or assumed and said.

    Returns
    -------
    Chemistry
    tuple of str
        The assumption that was made, if one was.

    Raises
    ------
    MixedChemistries
        The table states more than one, or another than the one given.
    FileAmbiguous
        Nothing is stated and the median voltage fits two chemistries.
    """
    chosen = load_chemistry(given) if isinstance(given, str) else given
    column = texts(cells, "chemistry")
    stated = pd.Series(column[column != ""]).str.strip().str.lower()
    if len(set(stated)) > 1:
        count = ", ".join(f"{n} {name}" for name, n in stated.value_counts().items())
        raise MixedChemistries(
            Problem("column chemistry", f"found {count}; one pack holds one chemistry: plan each on its own")
        )
    if len(stated):
        from_table = load_chemistry(str(stated.iloc[0]))
        if chosen is not None and chosen.name != from_table.name:
            raise MixedChemistries(
                Problem("column chemistry", f"the file says {from_table.name}, --chemistry says {chosen.name}")
            )
        return chosen or from_table, ()
    if chosen is not None:
        return chosen, ()
    ocv = cells["ocv_v"].to_numpy(dtype=float)
    ocv = ocv[ocv > 0]
    median = float(np.median(ocv)) if ocv.size else np.nan
    low, high = UNSTATED_AND_UNCLEAR_V
    if low <= median <= high:
        raise FileAmbiguous(
            Problem(
                "chemistry",
                f"not given, and a median of {median:.3f} V fits LFP at mid charge and NMC near empty: "
                "say --chemistry lfp or --chemistry nmc (read it off the cell's label or data sheet)",
            )
        )
    assumed = load_chemistry(ASSUMED_CHEMISTRY)
    return assumed, (
        f"chemistry not given: {assumed.label} assumed (full {assumed.full_v:.2f} V); say --chemistry otherwise",
    )


def _collect(tray: Tray, rules: list[Rule]) -> tuple[list[tuple[str, ...]], dict[str, int], np.ndarray]:
    """Run rules; return the texts of each cell, the count of each rule, and the cells no reason may let in."""
    told: list[tuple[str, ...]] = [()] * len(tray.cells)
    counts: dict[str, int] = {}
    closed = np.isnan(tray.ocv_v) | np.isnan(tray.capacity_mah)
    for rule in rules:
        with np.errstate(invalid="ignore"):
            caught, words = rule.catch(tray)
        where = np.flatnonzero(caught)
        if where.size:
            counts[rule.name] = int(where.size)
        for i in map(int, where):
            told[i] = (*told[i], f"{rule.name}: {words(i)}")
        if not rule.reason_opens:
            closed |= caught
    return told, counts, closed


def _check_accept(cells: CellTable, accept: Mapping[str, str]) -> None:
    problems = []
    for cell, reason in accept.items():
        if cell not in cells.index:
            problems.append(Problem(f"--accept {cell}", f"there is no such cell; {nearest_name(cell, cells.index)}"))
        elif not reason.strip():
            problems.append(Problem(f"--accept {cell}", "a written reason is needed: --accept CELL=REASON"))
    if problems:
        raise ArgumentInvalid(problems)


def _accepted(
    tray: Tray,
    accept: Mapping[str, str],
    reject: np.ndarray,
    closed: np.ndarray,
    reasons: list[tuple[str, ...]],
    remarks: list[tuple[str, ...]],
) -> list[str | None]:
    """Return the written reason per cell let in; say on the cell what was asked and could not be done."""
    accepted: list[str | None] = [None] * len(tray.cells)
    place = {cell: i for i, cell in enumerate(tray.cells.index)} if accept else {}
    for cell, reason in accept.items():
        i = place[cell]
        if not reject[i]:
            remarks[i] = (*remarks[i], f"accepted without need: {reason}")
        elif closed[i]:
            reasons[i] = (
                *reasons[i],
                f"not accepted ({reason}): no reason opens this; only a new reading does",
            )
        else:
            accepted[i] = reason
            remarks[i] = (*remarks[i], f"accepted though {'; '.join(reasons[i])}. Reason given: {reason}")
    return accepted


def _tray_notes(tray: Tray, good: np.ndarray) -> tuple[str, ...]:
    """Return what holds for the tray as a whole, each with what to do next."""
    notes = []
    ocv = tray.ocv_v[good]
    limit = tray.chemistry.too_full_v
    if limit is not None and ocv.size and np.median(ocv) > limit:
        notes.append(
            f"too full to build with: the cells rest at {np.median(ocv):.3f} V, above {limit:.2f} V; "
            "bring them down to storage charge before building"
        )
    if tray.chemistry.flat:
        notes.append(
            "charge not shown by voltage: LFP cells anywhere between about 33 and 71 % charge read within ±10 mV; "
            "equal voltage does not show equal charge: top balance first, or count the charge"
        )
        directions = {d.strip().lower() for d in texts(tray.cells, "last_direction")[good]}
        if directions != {"charged"} and directions != {"discharged"}:
            found = "mixed" if len(directions - {""}) > 1 else "unknown"
            notes.append(
                f"last direction {found}: an LFP cell rests 10 to 20 mV apart after charge and after discharge; "
                "bring all cells to their voltage from the same side"
            )
    if np.isnan(tray.ir_mohm).all():
        notes.append("no resistance given: joining currents, sharing and drop can't be computed; measure it")
    return tuple(notes)
