"""Bench readings against the plan: what fits, what does not, which fault explains it best, what to read next."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from typing import TYPE_CHECKING

import numpy as np

from cellmatch.bench.balance import Look, meter_off, unbalanced
from cellmatch.bench.built import BuiltPack, built_pack
from cellmatch.bench.findings import Finding, finding, most_dangerous_first
from cellmatch.bench.hypotheses import Hypothesis
from cellmatch.bench.joining import before_joining
from cellmatch.bench.leaking import DAY_S, leaking, timed_groups
from cellmatch.bench.loaded import (
    CapDrop,
    LoadTest,
    bad_joints,
    cap_readings,
    cap_shift,
    load_test,
    resistances,
    sagging,
    scale_of,
)
from cellmatch.bench.rest_set import GROUP, MAIN, PIN, TAP, RestSet, as_number, rest_set, sessions
from cellmatch.bench.resting import explain
from cellmatch.bench.visible import hidden
from cellmatch.build.preparing import STALE_H
from cellmatch.cells.readings import BenchReading
from cellmatch.errors import ArgumentInvalid, Problem, nearest_name

if TYPE_CHECKING:
    from cellmatch.plan import Plan

MOST_NAMED = 12
"""Cells named one by one."""

Events = list[tuple[Finding, ...]]


def inspect_pack(
    plan: Plan | BuiltPack, readings: Sequence[BenchReading], *, now: datetime | None = None
) -> list[Finding]:
    """Hold bench readings against a plan.

    Parameters
    ----------
    plan : Plan or BuiltPack
    readings : sequence of BenchReading
        Of one session or of several: the last at rest is explained, leaks are told from the first to the last.
    now : datetime, optional
        With its time zone. Readings of cells older than a day decide nothing then; readings without a zone are taken
        to be of this machine's.

    Returns
    -------
    list of Finding
        The most dangerous first, explanations of one event together; what can't be shown and, if no fault was
        found, one that says so, at the end.

    Raises
    ------
    ArgumentInvalid
        A target that the pack does not have, times with and without a time zone, or no reading at all.
    """
    built = plan if isinstance(plan, BuiltPack) else built_pack(plan)
    # a group read with no load on it was read at rest
    taken = [r for r in readings if r.is_taken]
    readings = [replace(r, kind=GROUP) if r.kind == "load_v" and r.load_a == 0 else r for r in taken]
    _check_readings(built, readings)
    split = sessions(readings)
    loaded = _last_with(split, ("load_v", "cap_drop_v"))
    test = load_test(built, loaded)
    caps = cap_readings(built, loaded, scale_of(built, test))
    resting, out_of_play = _at_rest(built, split, cap_shift(built, caps))
    leaks, days = _over_time(built, split)
    known = {f.target for event in leaks for f in event}
    events = [
        *before_joining(built, [r for s in split for r in s]),
        # a group that leaks is low for that reason
        *(event for event in resting if event[0].target not in known or event[0].kind != "group_low"),
        *([] if out_of_play else _under_load(built, caps, test)),
        *leaks,
    ]
    notes = [
        *resistances(built, test),
        *hidden(built, test=test, caps_read={drop.cell for drop in caps}, days=days),
        *_stale(split, now),
    ]
    if not events:
        notes.append((_clean(readings),))
    return most_dangerous_first([*events, *notes])


def _check_readings(built: BuiltPack, readings: Sequence[BenchReading]) -> None:
    if not readings:
        raise ArgumentInvalid(Problem("readings", "there are none"))
    if len({r.taken_at.tzinfo is None for r in readings if r.taken_at is not None}) > 1:
        raise ArgumentInvalid(Problem("readings", "some times carry a time zone and some don't; write all of one kind"))
    cells = {cell for group in built.groups for cell in group}
    problems = []
    for r in readings:
        if r.kind in ("cell_v", "cap_drop_v") and r.target not in cells:
            problems.append(Problem(f"reading {r.kind} of '{r.target}'", nearest_name(r.target, cells)))
        if r.kind == "load_v" and not 1 <= (as_number(r.target) or 0) <= built.series:
            problems.append(Problem(f"reading load_v of '{r.target}'", f"a group from 1 to {built.series} is needed"))
        if r.kind == "cap_drop_v" and r.load_a == 0:
            problems.append(Problem(f"reading cap_drop_v of '{r.target}'", "needs the load in load_a"))
    if problems:
        raise ArgumentInvalid(problems)


def _last_with(split: list[list[BenchReading]], kinds: tuple[str, ...]) -> list[BenchReading]:
    """Return the last session that holds readings of some kinds."""
    return next((s for s in reversed(split) if any(r.kind in kinds for r in s)), [])


def _at_rest(built: BuiltPack, split: list[list[BenchReading]], looks: Sequence[Look]) -> tuple[Events, set[int]]:
    """Explain the last readings at rest of the sense leads and of the groups.

    Returns
    -------
    list of tuple of Finding
    set of int
        Groups that are not what they should be, so that a load test of the pack says nothing.
    """
    last = [_last_with(split, (TAP, PIN)), _last_with(split, (GROUP, MAIN))]
    if last[0] is last[1]:
        last = last[:1]
    events: Events = []
    out_of_play: set[int] = set()
    for session in last:
        more, broken = _one_session(built, rest_set(session, built.series), looks)
        told = {(event[0].kind, event[0].target) for event in events}
        events += [event for event in more if (event[0].kind, event[0].target) not in told]
        out_of_play |= broken
    return events, out_of_play


def _one_session(built: BuiltPack, rest: RestSet, looks: Sequence[Look]) -> tuple[Events, set[int]]:
    if not len(rest):
        return [], set()
    events, best, pairwise = explain(built, rest)
    rest = _upright(rest, best)
    if events and events[0][0].kind == "unexplained":
        return [*events, *_outside(built, rest)], set(range(1, built.series + 1))
    out_of_play = {best.loose_group} - {0} if events else set()
    sound = best.kind in ("healthy", "probes_swapped") and not out_of_play
    direct = _without_groups(rest, out_of_play)
    events += unbalanced(built, direct, pairwise=pairwise, taps_sound=sound)
    if best.kind != "meter_offset" and not out_of_play:
        events += meter_off(built, direct, pairwise=pairwise, taps_sound=sound, more=looks)
    return [*events, *_outside(built, direct)], out_of_play


def _upright(rest: RestSet, best: Hypothesis) -> RestSet:
    """Turn the signs of readings taken with swapped probes."""
    if best.kind != "probes_swapped":
        return rest
    taps = np.array([kind == TAP for kind in rest.kind])
    return replace(rest, volts=rest.volts * best.sign * np.where(taps, best.tap_sign, 1.0))


def _without_groups(rest: RestSet, groups: set[int]) -> RestSet:
    for g in groups:
        rest = rest.without(GROUP, g)
    return rest


def _outside(built: BuiltPack, rest: RestSet) -> Events:
    """Return groups outside what their cells may see, whatever else is found."""
    found: Events = []
    for g, v in rest.of_kind(GROUP).items():
        again = f"read group {g} again at its plates"
        evidence = [f"group {g} reads {v:.3f} V"]
        if v > built.full_v + built.above_full_v:
            words = f"group {g} is above full: stop charging."
            found.append(
                (finding("over_full", f"group {g}", words, evidence, sure_fraction=0.98, next_measurement=again),)
            )
        elif v < built.min_v:
            words = f"group {g} is below {built.min_v:.2f} V, the lowest in service: neither charge nor use the pack."
            found.append(
                (finding("below_service", f"group {g}", words, evidence, sure_fraction=0.98, next_measurement=again),)
            )
    return found


def _under_load(built: BuiltPack, caps: list[CapDrop], test: LoadTest | None) -> Events:
    """Join what the sag of groups and the drops of single caps say."""
    events = bad_joints(built, caps)
    cell_of = {drop.cell: drop.group for drop in caps}
    named = {cell_of[event[0].target.removeprefix("cell ")] for event in events}
    for event in sagging(built, test) if test is not None else []:
        group = as_number(event[0].target) or 0
        if group in named:
            continue
        if cell_of.keys() >= set(built.groups[group - 1]):
            # every cap follows its bar, so that only a link is left
            event = tuple(replace(f, sure_fraction=0.99, tied_with=()) for f in event if f.kind == "loose_link")
        events.append(event)
    return [event for event in events if event]


def _over_time(built: BuiltPack, split: list[list[BenchReading]]) -> tuple[Events, float | None]:
    """Return leaks from the first session of group readings to the last, and the days between them."""
    with_groups = [s for s in split if timed_groups(s)]
    if len(with_groups) < 2:
        return [], None
    first, last = with_groups[0], with_groups[-1]
    start, end = (max(t for t, _ in timed_groups(s).values()) for s in (first, last))
    return leaking(built, first, last), (end - start).total_seconds() / DAY_S


def _stale(split: list[list[BenchReading]], now: datetime | None) -> Events:
    """Say which readings of cells are too old to decide on joining."""
    if now is None:
        return []
    local = now.astimezone().replace(tzinfo=None)
    latest = {r.target: r.taken_at for s in split for r in s if r.kind == "cell_v"}
    old = [
        cell
        for cell, at in latest.items()
        if at is not None and (now if at.tzinfo else local) - at > timedelta(hours=STALE_H)
    ]
    if not old:
        return []
    words = f"{len(old)} cell{'s were' if len(old) > 1 else ' was'} read more than {STALE_H} h ago: that decides "
    words += "nothing about joining."
    again = "read all of them again" if len(old) > MOST_NAMED else f"read {', '.join(old)} again"
    return [(finding("cannot_show", "cells", words, (), sure_fraction=1.0, next_measurement=again),)]


def _clean(readings: Sequence[BenchReading]) -> Finding:
    # gaps, and blocks of groups on their way to a pack, are judged at their steps
    of_steps = sum(r.kind == "gap_v" or (r.kind == GROUP and as_number(r.target) is None) for r in readings)
    compared = len(readings) - of_steps
    words = f"all {compared} readings fit" if compared > 1 else "the one reading fits" if compared else "nothing was"
    words += " the plan within what the meter and the plan can tell." if compared else " compared with the plan."
    if of_steps:
        words += f" {of_steps} of gaps and blocks belong to their steps and are only kept."
    return finding("clean", "pack", words, (), sure_fraction=1.0)
