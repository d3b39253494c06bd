"""The order of work at the bench, bolted and welded, from the first reading to the covered pack.

Bolted bars (common practice, no source): the series bar lies next to the cap and the parallel bar on it,
so that the load current passes one bar less. One face is finished and covered first. On it nothing can
flow, whatever the order, because no loop exists. On the second face a current starts at the *second* link
of a junction, so every free end is read against the finished face before the first link there.

Welded: each group is made first, on both faces, then the groups are joined.

In both, the middle junction comes last: until then no more than half the pack is live.
"""

from __future__ import annotations

from collections.abc import Callable

from cellmatch.build.preparing import finish, prepare
from cellmatch.build.steps import (
    Expected,
    Step,
    Workbench,
    block_of,
    expect_block,
    expect_cell,
    expect_gap,
    expect_spread,
    make_step,
    numbered,
    widest_block,
)
from cellmatch.build.taps import Tap

NEARLY_NOTHING_V = 0.05
"""What two unconnected blocks may show across a gap once the meter has settled (common practice, no source)."""
TURN = "lay the covered face on an insulating sheet; the pack never lies on a live face"
FINGER_TIGHT = "Nuts finger tight on the caps first: overtightening dents the cell (common practice)."


def plan_steps(bench: Workbench, taps: tuple[Tap, ...]) -> tuple[Step, ...]:
    """Write the steps of a build.

    Parameters
    ----------
    bench : Workbench
    taps : tuple of Tap

    Returns
    -------
    tuple of Step
        Numbered from 1.
    """
    steps = prepare(bench)
    steps += ORDERS[bench.holder.joint](bench)
    steps += finish(bench, taps)
    return numbered(steps)


def last_junction(bench: Workbench) -> int:
    """Return the junction to make last: the one nearest the middle, between modules where there are several."""
    junctions = bench.wiring.junctions
    leads = [j.number for j in junctions if j.lead and j.number in bench.holder.split_after]
    choice = leads or [j.number for j in junctions]
    return min(choice, key=lambda k: (abs(2 * k - bench.series), k), default=0)


def _bars(bench: Workbench, face: str, *, group: int = 0, junction: int = 0) -> str:
    """Return the links of a group or a junction on a face as pairs of places."""
    return ", ".join(
        f"{link.a}-{link.b}" + (" (own link)" if link.kind == "custom" else "")
        for link in bench.wiring.links
        if link.face == face and link.group == group and link.junction == junction
    )


def _net_groups(bench: Workbench, face: str) -> list[tuple[int, ...]]:
    """Return the groups that meet on each net of a face: pairs at junctions, single ones at terminals."""
    leads = {j.number for j in bench.wiring.junctions if j.lead}
    pairs = [(j.number, j.number + 1) for j in bench.wiring.junctions if j.face == face and j.number not in leads]
    paired = {g for pair in pairs for g in pair}
    return sorted([*pairs, *((g,) for g in range(1, bench.series + 1) if g not in paired)])


def _bolted(bench: Workbench) -> list[Step]:
    last = last_junction(bench)
    faces = ("top", "bottom")
    second = next((j.face for j in bench.wiring.junctions if j.number == last), "bottom")
    first = faces[1 - faces.index(second)]
    made: set[int] = set()
    steps = [_bolt(bench, first, groups, made, closing=False) for groups in _net_groups(bench, first)]
    steps = [s for s in steps if s is not None]
    steps.append(_turn_over(bench, first, made))
    steps.append(_free_ends(bench, second, made))
    order = sorted(_net_groups(bench, second), key=lambda groups: (len(groups) == 2 and groups[0] == last, groups))
    steps += [s for groups in order if (s := _bolt(bench, second, groups, made, closing=True)) is not None]
    return [s for s in steps if s is not None] + _leads(bench, made, last)


def _bolt(bench: Workbench, face: str, groups: tuple[int, ...], made: set[int], *, closing: bool) -> Step | None:
    """Bolt one net of a face: a junction with its parallel bars, or the parallel bars of an end group."""
    stacked = [_bars(bench, face, group=g) for g in groups]
    if len(groups) == 1 and not stacked[0]:
        return None
    do, expected = [], []
    k = groups[0] if len(groups) == 2 else 0
    if k:
        do.append(f"Series bars next to the caps: {_bars(bench, face, junction=k)}.")
        do.append(FINGER_TIGHT)
        expected += _junction_readings(bench, k, made, closing=closing)
        made.add(k)
    if any(stacked):
        on_top = "on top of them" if k else "next to the caps"
        do.append(f"Parallel bars {on_top}: {'; '.join(b for b in stacked if b)}.")
    if closing:
        expected += [expect_spread(bench, g) for g in groups if len(bench.places_of(g)) > 1]
    do.append("Tighten to the holder maker's figure; pull at each bar.")
    if not k:
        expected.append(expect_block(bench, groups[0], groups[0], "after"))
    low, high = widest_block(bench.series, made)
    name = f"junction {k}-{k + 1}" if k else f"group {groups[0]}"
    return make_step(
        f"{face.capitalize()} face, {name}",
        do,
        cells=bench.ids_of(*groups),
        cover=f"{name} on the {face} face",
        expected=expected,
        live_v=(high - low + 1) * bench.full_v,
        junction=k,
    )


def _junction_readings(bench: Workbench, k: int, made: set[int], *, closing: bool) -> list[Expected]:
    """Before the first link each block and the gap; after it the sum; before each further one the gap."""
    lower, upper = block_of(k, bench.series, made), block_of(k + 1, bench.series, made)
    readings = [
        expect_block(bench, *lower, "before", "red probe on its positive end"),
        expect_block(bench, *upper, "before", "red probe on its positive end"),
        expect_gap(
            bench,
            k,
            "across the first link's place: about 0 V or drifting. A steady other voltage is a hidden "
            "second connection: stop",
            NEARLY_NOTHING_V,
            reason_opens=True,
        ),
        expect_block(bench, lower[0], upper[1], "after", "after the first link: the sum of both blocks"),
    ]
    links = next(j.links for j in bench.wiring.junctions if j.number == k)
    if closing and links > 1:
        # groups that were welded first stand at one voltage each; single columns may differ by both spreads
        welded = bench.holder.joint == "welded"
        allowed = NEARLY_NOTHING_V if welded else bench.spread_allowed_v(k) + bench.spread_allowed_v(k + 1)
        words = f"before each further link of this junction: at most {1000 * allowed:.0f} mV across its place"
        readings.append(expect_gap(bench, k, words, allowed))
    return readings


def _turn_over(bench: Workbench, face: str, made: set[int]) -> Step:
    low, high = widest_block(bench.series, made)
    return make_step(
        f"Cover the {face} face and turn the pack over",
        [
            f"Cover the whole {face} face with a sheet that can't slip; tape its edges.",
            f"Turn the pack: {TURN}.",
        ],
        ready=("insulating sheet over the whole face", "tape"),
        cover=f"the whole {face} face",
        live_v=(high - low + 1) * bench.full_v,
    )


def _free_ends(bench: Workbench, face: str, made: set[int]) -> Step:
    """Read every free end against the finished face: here the joining verdict is taken."""
    places = range(len(bench.ids))
    groups = [g for g in range(1, bench.series + 1) if len(bench.places_of(g)) > 1]
    low, high = widest_block(bench.series, made)
    return make_step(
        f"Read every free end of the {face} face",
        [
            "Black and red probe by the map, from the finished face through the hole in its cover to each free end: "
            "every cell by itself, with its sign.",
            "A wrong sign, or cells of one group too far apart: stop. The second link of a junction would close a loop "
            "through both cells, and nothing but their resistance limits the current.",
            f"Joining counts as charging for the lower cell: not below {bench.chemistry.charge_min_c:g} °C.",
        ],
        cells=bench.ids,
        expected=[expect_cell(bench, i) for i in places] + [expect_spread(bench, g) for g in groups],
        live_v=(high - low + 1) * bench.full_v,
    )


def _leads(bench: Workbench, made: set[int], last: int) -> list[Step]:
    """Join modules when both are finished, the middle one last."""
    leads = sorted((j for j in bench.wiring.junctions if j.lead), key=lambda j: (j.number == last, j.number))
    steps = []
    for j in leads:
        readings = _junction_readings(bench, j.number, made, closing=False)
        made.add(j.number)
        low, high = widest_block(bench.series, made)
        steps.append(
            make_step(
                f"Lead between groups {j.number} and {j.number + 1}",
                [
                    f"Insulate the lead's free end, fix the other, then join on the {j.face} face: "
                    f"{_bars(bench, j.face, junction=j.number)}.",
                ],
                cells=bench.ids_of(j.number, j.number + 1),
                cover=f"both ends of the lead on the {j.face} face",
                expected=readings,
                live_v=(high - low + 1) * bench.full_v,
                junction=j.number,
            )
        )
    return steps


def _welded(bench: Workbench) -> list[Step]:
    last = last_junction(bench)
    made: set[int] = set()
    steps = [_weld_group(bench, g) for g in range(1, bench.series + 1) if len(bench.places_of(g)) > 1]
    second = next((j.face for j in bench.wiring.junctions if j.number == last), "bottom")
    bars = [j for j in bench.wiring.junctions if not j.lead]
    for face in sorted({j.face for j in bars}, key=lambda f: f == second):
        for j in sorted((j for j in bars if j.face == face), key=lambda j: (j.number == last, j.number)):
            steps.append(_weld_junction(bench, j.number, face, made))
        if face != second:
            steps.append(_turn_over(bench, face, made))
    return steps + _leads(bench, made, last)


def _weld_group(bench: Workbench, group: int) -> Step:
    here = bench.places_of(group)
    return make_step(
        f"Weld group {group}",
        [
            f"First on the top face: {_bars(bench, 'top', group=group)}. Nothing flows: no loop exists.",
            "Cover it, turn over, read every cell against the welded strip, with its sign. A wrong sign or a "
            "difference outside the window: stop.",
            f"Then the bottom face: {_bars(bench, 'bottom', group=group)}. Current flows from the second cell on.",
            "Pull at each strip.",
        ],
        cells=bench.ids_of(group),
        cover=f"both faces of group {group}",
        expected=[
            *(expect_cell(bench, int(i)) for i in here),
            expect_spread(bench, group),
            expect_block(bench, group, group, "after"),
        ],
        live_v=bench.full_v,
    )


def _weld_junction(bench: Workbench, k: int, face: str, made: set[int]) -> Step:
    readings = _junction_readings(bench, k, made, closing=True)
    made.add(k)
    low, high = widest_block(bench.series, made)
    return make_step(
        f"{face.capitalize()} face, junction {k}-{k + 1}",
        [f"Series strips, one at a time: {_bars(bench, face, junction=k)}.", "Pull at each strip."],
        cells=bench.ids_of(k, k + 1),
        cover=f"junction {k}-{k + 1} on the {face} face",
        expected=readings,
        live_v=(high - low + 1) * bench.full_v,
        junction=k,
    )


ORDERS: dict[str, Callable[[Workbench], list[Step]]] = {"bolted": _bolted, "welded": _welded}
"""Order of work for each link type."""
