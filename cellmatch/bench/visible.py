"""What a measurement can show, told before and after it: needed loads, leaks, and what stays hidden."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from cellmatch.bench.balance import expected_sigma, peers_factor
from cellmatch.bench.built import BuiltPack
from cellmatch.bench.findings import Finding, finding
from cellmatch.bench.loaded import LoadTest, needed_load_a
from cellmatch.build.leaks import SEEN_SIGMA, WEEK_DAYS, leak_limit

NO_RESISTANCE = "not known: no resistance given"


@dataclass(frozen=True, kw_only=True, slots=True)
class Check:
    """One check and what it takes to show its fault, asked before measuring.

    Parameters
    ----------
    name : str
        What is looked for.
    how : str
        What to measure.
    needs : str
        The load or the resolution it takes, in words.
    shows : str
        The smallest effect that shows at four standard deviations.
    load_a : float or None
        [A] Load it needs; None where it needs none, or where it can't be told.
    """

    name: str
    how: str
    needs: str
    shows: str
    load_a: float | None = None


def checks(built: BuiltPack) -> tuple[Check, ...]:
    """Return every check of a built pack with what it needs to show its fault.

    Parameters
    ----------
    built : BuiltPack

    Returns
    -------
    tuple of Check
    """
    return (
        Check(
            name="a cell the wrong way round, before it is joined",
            how="every cell by itself, red probe on the end the map shows as +",
            needs="no load; a meter that shows the sign",
            shows="every one",
        ),
        Check(
            name="order of the sense leads, dead and reversed groups",
            how="every pin against pin 0, then main + to main −",
            needs="no load; any meter",
            shows="any of them; without main some look alike",
        ),
        _balance_check(built),
        _sag_check(built),
        _cap_check(built),
        _leak_check(built),
    )


def _balance_check(built: BuiltPack) -> Check:
    sigma = np.hypot(built.noise_v, expected_sigma(built, np.arange(1, built.series + 1)))
    seen_v = SEEN_SIGMA * float(sigma.max()) * peers_factor(built.series)
    return Check(
        name="a group low or high before balancing",
        how="each group by itself at rest, with one meter",
        needs=f"no load; a meter that repeats to {1000 * built.noise_v:g} mV at {float(built.group_v.max()):.1f} V",
        shows=f"a group {1000 * seen_v:.0f} mV beside its peers",
    )


def _sag_check(built: BuiltPack) -> Check:
    name, how = "a cell that is not joined, by the sag of its group", "each group at rest and under load, with times, "
    how += "the first one again last"
    if not (built.sizes > 1).any():
        return Check(name=name, how=how, needs="any load", shows="a group of one cell is open then")
    load = needed_load_a(built)
    if np.isnan(load).any():
        return Check(name=name, how=how, needs=NO_RESISTANCE, shows="not known")
    if np.isinf(load).any():
        return Check(
            name=name, how=how, needs=f"no load shows it in {_too_wide(load)}", shows="read cap by cap instead"
        )
    worst = int(np.argmax(load))
    # the same four standard deviations at one ampere
    mv_per_a = 1000 * built.noise_v / float(load[worst])
    return Check(
        name=name,
        how=how,
        needs=f"at least {load[worst]:.0f} A (group {worst + 1} needs the most); with less, a meter that repeats to "
        f"{mv_per_a:.2g} mV for every ampere of it",
        shows=f"one cell in every group, with {1000 * built.noise_v:g} mV of meter noise",
        load_a=float(load[worst]),
    )


def _too_wide(load_a: NDArray[np.float64]) -> str:
    """Name the groups in which one cell makes no more than the cells' own readings scatter."""
    wide = [str(g) for g in np.flatnonzero(np.isinf(load_a)) + 1]
    names = (
        f"group {wide[0]}"
        if len(wide) == 1
        else f"{len(wide)} groups"
        if len(wide) > 3
        else f"groups {', '.join(wide)}"
    )
    return f"{names}: one cell of so many makes no more than the readings of the others scatter"


def _cap_check(built: BuiltPack) -> Check:
    name, how = "a cell that is not joined or a loose joint, cap by cap", "from each cap to its bar under load"
    load_a = _cap_drop_load_a(built)
    if load_a is None:
        told = "any load" if not (built.sizes > 1).any() else NO_RESISTANCE
        return Check(name=name, how=how, needs=told, shows="not known" if told == NO_RESISTANCE else "a loose joint")
    share = min(float((1 / r).min() / (1 / r).sum()) for r in built.cell_ohm)
    joint_mohm = 1000 * SEEN_SIGMA * built.noise_v / (load_a * share)
    return Check(
        name=name,
        how=how,
        needs=f"at least {load_a:.1f} A",
        shows=f"one cell in every group, with {1000 * built.noise_v:g} mV of meter noise, and a joint of "
        f"{joint_mohm:.0f} mΩ; half of that at twice the load",
        load_a=load_a,
    )


def _leak_check(built: BuiltPack) -> Check:
    leak = leak_limit(int(built.sizes.max()), noise_v=built.noise_v)
    return Check(
        name="a leaking cell",
        how=f"each group at rest, and again after {WEEK_DAYS:.0f} days, board off",
        needs=f"no load; a meter that repeats to {1000 * built.noise_v:g} mV",
        shows=f"{leak.group_mv_per_day:.1f} mV a day of a group, {leak.cell_mv_per_day:.1f} mV of a cell alone",
    )


def _cap_drop_load_a(built: BuiltPack) -> float | None:
    """Return the load at which an unjoined cap shows four standard deviations in every group [A]."""
    needed = []
    for r in built.cell_ohm:
        if len(r) < 2:
            continue
        g = 1 / r
        needed.append(SEEN_SIGMA * built.noise_v * float(g.sum() - g.min()))
    return max(needed) if needed and not any(map(math.isnan, needed)) else None


def hidden(
    built: BuiltPack, *, test: LoadTest | None, caps_read: set[str], days: float | None
) -> list[tuple[Finding, ...]]:
    """Return what the readings at hand can't show, with what would.

    Parameters
    ----------
    built : BuiltPack
    test : LoadTest or None
    caps_read : set of str
        Cells whose cap was read against its bar under load.
    days : float or None
        [days] Between the first and the last session of group readings; None for one session.

    Returns
    -------
    list of tuple of Finding
    """
    notes = [*_hidden_cells(built, test, caps_read)]
    size = int(built.sizes.max())
    leak = leak_limit(size, days=days or WEEK_DAYS, noise_v=built.noise_v)
    alone = f"a cell that alone loses less than {leak.cell_mv_per_day:.1f} mV a day"
    if days is None:
        notes.append(
            _note(
                "leaks",
                "one session can't show a leaking cell.",
                f"read every group again after {WEEK_DAYS:.0f} days, board off: then {leak.group_mv_per_day:.1f} mV a "
                f"day of a group shows, but not {alone}",
            )
        )
    else:
        notes.append(
            _note(
                "leaks",
                f"{days:.1f} days can't show less than {leak.group_mv_per_day:.1f} mV a day of a group: not {alone}. "
                "A clean week does not clear a weak leaker; only the test of the single cell does.",
                "",
            )
        )
    return [(note,) for note in notes]


def _hidden_cells(built: BuiltPack, test: LoadTest | None, caps_read: set[str]) -> list[Finding]:
    """Say in which groups a cell that is not joined would not show."""
    unread = [g for g, cells in enumerate(built.groups, start=1) if len(cells) > 1 and not caps_read.issuperset(cells)]
    if not unread:
        return []
    if any(np.isnan(built.cell_ohm[g - 1]).any() for g in unread):
        return [_note("joints", "without resistances a cell that is not joined can't be told from the sag.", "")]
    needed = needed_load_a(built)
    wide = np.where(np.isin(np.arange(1, built.series + 1), unread), needed, 0.0)
    if np.isinf(wide).any():
        words = f"the sag under load can't tell a cell that is not joined in {_too_wide(wide)}."
        return [_note("joints", words, "under load read from each cap to its bar")]
    if test is None:
        most = max(float(needed[g - 1]) for g in unread)
        return [
            _note(
                "joints",
                "at rest a cell that is not joined shows nothing.",
                f"load with at least {most:.0f} A and read each group before and during it; or, far better, read from "
                "each cap to its bar under load",
            )
        ]
    blind = [g for g in unread if g not in test.group or needed[g - 1] > test.load_a]
    if not blind:
        return []
    most = max(float(needed[g - 1]) for g in blind)
    least_v = min(float(built.without_cell_ohm(g).min()) for g in blind) * test.load_a
    finest_v = least_v / (SEEN_SIGMA * math.sqrt(2))
    return [
        _note(
            "joints",
            f"a cell that is not joined in group {', '.join(map(str, blind))} changes {test.load_a:g} A of load by "
            f"{1000 * least_v:.1f} mV, inside the noise: it can't be seen with this reading.",
            f"load with at least {most:.0f} A, or read to {1000 * finest_v:.1f} mV; or read from each cap to its bar",
        )
    ]


def _note(target: str, words: str, next_measurement: str) -> Finding:
    return finding("cannot_show", target, words, (), sure_fraction=1.0, next_measurement=next_measurement)
