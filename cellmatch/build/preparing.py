"""The steps before any link is made and after the last one: the same for every kind of link."""

from __future__ import annotations

from dataclasses import replace

from cellmatch.build.steps import Step, Workbench, expect_block, expect_cell, expect_tap, make_step
from cellmatch.build.taps import Tap

STALE_H = 24
"""Readings older than this decide nothing (common practice, no source)."""


def prepare(bench: Workbench) -> list[Step]:
    """Before any metal: a safe place, a meter that works, levelled cells, rings, and each cell the right way up."""
    one = bench.full_v
    cold = bench.chemistry.charge_min_c
    steps = [
        make_step(
            "Make the place safe and prove the meter",
            [
                "Rings, watch and loose metal off; eye protection on; tools insulated; one hand where one will do.",
                "Way out clear, nothing that burns near by, the pack's place on an insulating sheet. On heat, smell, "
                "smoke or hiss: leave, call the fire service.",
                "This is energised work from the first cell on: local codes and licensed practice decide what you may "
                "do; the plan certifies nothing.",
                "Cells at storage charge while building; no cell that is dented, leaking, warm or revived; nothing "
                "soldered on a cell.",
                *_traced(bench),
                "Red meter lead in the volt socket; read one cell that you know.",
                f"Readings decide only while they are younger than {STALE_H} h, from one meter, at one temperature. "
                f"Interrupted for more than {STALE_H} h: read again.",
            ],
            ready=("voltmeter", "insulated tools", "eye protection", "insulating sheets for both faces"),
            cells=bench.ids[:1],
            expected=[expect_cell(bench, 0)],
            live_v=one,
        )
    ]
    level = [i for i in range(len(bench.ids)) if bench.to_level[i]]
    if level:
        steps.append(
            make_step(
                "Level the cells that lie outside the window",
                [
                    "At most a tenth of their capacity per hour, or taper to a fiftieth: the charger's set-point is "
                    "not the rest voltage.",
                    f"Not below {cold:g} °C. Rest at least 1 h, then read again: the new reading decides.",
                ],
                cells=tuple(bench.ids[i] for i in level),
                expected=[expect_cell(bench, i) for i in level],
                live_v=one,
            )
        )
    steps.append(
        make_step(
            "Ring every positive end",
            [f"One insulating ring under each positive end: {len(bench.ids)} rings; count the box before and after."],
            ready=(f"{len(bench.ids)} insulating rings",),
            live_v=one,
        )
    )
    return steps + [_place_group(bench, g) for g in range(1, bench.series + 1)]


def _traced(bench: Workbench) -> list[str]:
    """Ask for the papers of salvaged cells before anything else."""
    if not bench.limits.salvaged:
        return []
    return ["Salvaged cells: local law allows this pack, and where each cell came from is written down."]


def _place_group(bench: Workbench, group: int) -> Step:
    here = bench.places_of(group)
    up = "+" if bench.positions.positive_up[here[0]] else "−"
    return make_step(
        f"Place group {group}: {up} up",
        [
            f"Places {bench.positions.position[here[0]]} to {bench.positions.position[here[-1]]}, {up} on the top "
            "face, in the order of the list.",
            "Read each cell in its place, red probe on the end the map shows as +. A minus sign: the cell stands the "
            "wrong way round.",
        ],
        cells=bench.ids_of(group),
        expected=[expect_cell(bench, int(i)) for i in here],
        live_v=bench.full_v,
    )


def finish(bench: Workbench, taps: tuple[Tap, ...]) -> list[Step]:
    """Covers, sense leads, the first full set of readings, fuse and main leads."""
    whole_v = bench.series * bench.full_v
    minus, plus = bench.wiring.terminals
    each = [expect_block(bench, g, g, "after") for g in range(1, bench.series + 1)]
    whole = expect_block(bench, 1, bench.series, "after")
    pack = replace(whole, kind="main_v", target="pack")
    return [
        make_step(
            "Read the whole pack",
            ["Each group by itself, then main + to main −. These readings are what `inspect` compares with the plan."],
            cover="both faces; the terminals by caps of their own",
            expected=[*each, pack],
            live_v=whole_v,
        ),
        make_step(
            "Sense leads, one at a time",
            [
                "Board unplugged, now and during all work on the leads.",
                "Insulate the free end of a lead before you fix its plate end; cut leads one at a time.",
                "Pin 0 first, in the order of the table of taps; then read every pin against pin 0 before anything is "
                "plugged in. The order of plugging is in the board's own sheet.",
            ],
            ready=(f"{bench.series + 1} sense leads", "table of taps"),
            cover="every lead end that is not plugged in",
            expected=[expect_tap(tap) for tap in taps],
            live_v=whole_v,
        ),
        make_step(
            "Fuse and main leads",
            [
                f"Fuse near the pack, before any load lead: rated for at least {whole_v:.1f} V DC.",
                f"Main − from place {minus.position} ({minus.face} face), then main + from place {plus.position} "
                f"({plus.face} face); the free end insulated before the pack end is fixed.",
                "A load with capacitors: last, and first through a resistor (see the kit list).",
            ],
            ready=("fuse with holder", "main leads", "end caps"),
            cover="both terminals",
            live_v=whole_v,
        ),
        make_step(
            "First charge",
            [
                "Only with the management board fitted and the fuse in place.",
                "Attended, on a surface that doesn't burn, away from exits, between "
                f"{bench.chemistry.charge_min_c:g} and {bench.chemistry.charge_max_c:g} °C.",
                "Read the charger's open voltage and polarity before it is plugged in; then every group, by the sheet "
                "of the first charge, on the day after and a week later too.",
            ],
            ready=("charger", "voltmeter", "sheet of the first charge"),
            live_v=whole_v,
        ),
    ]
