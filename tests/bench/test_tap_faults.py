"""The fault table of the bench: what each fault makes of the steps, the connector's total and main.

V is one group. All rows worked by Kirchhoff's laws; common practice, no published source.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from cellmatch.bench.built import BuiltPack
from cellmatch.bench.findings import Finding
from cellmatch.bench.inspection import inspect_pack
from cellmatch.cells.readings import BenchReading

V = 3.67
S = 10
Built = Callable[..., BuiltPack]
Read = Callable[..., BenchReading]


@pytest.fixture
def look(built: Built, read: Read) -> Callable[..., list[Finding]]:
    """Return a function that inspects a 10s4p by its pins against pin 0, and main, in multiples of V."""

    def inspect(pins: list[float], main: float | None, *more: BenchReading, parallel: int = 4) -> list[Finding]:
        readings = [read("tap_v", n, c * V) for n, c in enumerate(pins)]
        readings += [] if main is None else [read("main_v", "pack", main * V)]
        return inspect_pack(built(S, parallel), [*readings, *more])

    return inspect


def _from_steps(*steps: float) -> list[float]:
    return [0.0, *np.cumsum(steps)]


TABLE: list[tuple[str, list[float], float, str, str]] = [
    # name, steps between pins, main, kind, target
    ("pins 3, 4 swapped", _from_steps(1, 1, 2, -1, 2, 1, 1, 1, 1, 1), 10, "taps_swapped", "pins 3 and 4"),
    ("top pair swapped", _from_steps(1, 1, 1, 1, 1, 1, 1, 1, 2, -1), 10, "taps_swapped", "pins 9 and 10"),
    ("pins 0 and 1 swapped", _from_steps(-1, 2, 1, 1, 1, 1, 1, 1, 1, 1), 10, "taps_swapped", "pins 0 and 1"),
    ("row one plate low", _from_steps(0, 1, 1, 1, 1, 1, 1, 1, 1, 1), 10, "row_shifted", "pins 1 to 10, one plate low"),
    (
        "row one plate high",
        _from_steps(1, 1, 1, 1, 1, 1, 1, 1, 1, 0),
        10,
        "row_shifted",
        "pins 0 to 10, one plate high",
    ),
    ("group 5 dead", _from_steps(1, 1, 1, 1, 0, 1, 1, 1, 1, 1), 9, "group_dead", "group 5"),
    ("group 5 reversed", _from_steps(1, 1, 1, 1, -1, 1, 1, 1, 1, 1), 8, "group_reversed", "group 5"),
    ("one cell of group 5 reversed", _from_steps(1, 1, 1, 1, 0.5, 1, 1, 1, 1, 1), 9.5, "cell_reversed", "group 5"),
    ("tap 4 open", [0, 1, 2, 3, 0, 5, 6, 7, 8, 9, 10], 10, "tap_open", "pin 4"),
    ("tap 1 open", [0, 0, 2, 3, 4, 5, 6, 7, 8, 9, 10], 10, "tap_open", "pin 1"),
    ("probes swapped", [-n for n in range(11)], -10, "probes_swapped", "every reading"),
]


@pytest.mark.parametrize(("name", "pins", "main", "kind", "target"), TABLE, ids=[row[0] for row in TABLE])
def test_fault_table(
    look: Callable[..., list[Finding]], name: str, pins: list[float], main: float, kind: str, target: str
) -> None:
    found = look(pins, main)
    assert (found[0].kind, found[0].target) == (kind, target)
    assert found[0].stop
    assert found[0].evidence
    assert found[0].next_measurement


def test_same_faults_are_named_from_pins_read_one_against_the_next(built: Built, read: Read) -> None:
    for name, pins, main, kind, target in TABLE:
        if name in ("tap 4 open", "tap 1 open", "probes swapped"):
            continue
        steps = [read("tap_v", n, step * V) for n, step in enumerate(np.diff(pins), start=1)]
        found = inspect_pack(built(S, 4), [*steps, read("main_v", "pack", main * V)])
        assert (found[0].kind, found[0].target) == (kind, target), name


def test_tap_open_read_one_against_the_next(built: Built, read: Read) -> None:
    # both steps at an open lead float near nothing on a 10 Mohm meter
    steps = [read("tap_v", n, 0.0 if n in (4, 5) else V) for n in range(1, 11)]
    found = inspect_pack(built(S, 4), [*steps, read("main_v", "pack", 10 * V)])
    assert (found[0].kind, found[0].target) == ("tap_open", "pin 4")


SHIFTED_OR_DEAD = [0.0, *range(10)]


@pytest.mark.parametrize(
    ("main", "kind", "target"), [(10, "row_shifted", "pins 1 to 10, one plate low"), (9, "group_dead", "group 1")]
)
def test_main_tells_a_shifted_row_from_a_dead_group(
    look: Callable[..., list[Finding]], main: float, kind: str, target: str
) -> None:
    found = look(SHIFTED_OR_DEAD, main)
    assert (found[0].kind, found[0].target) == (kind, target)
    assert not found[0].tied_with


def test_without_main_both_are_named_and_main_is_asked_for(look: Callable[..., list[Finding]]) -> None:
    found = [f for f in look(SHIFTED_OR_DEAD, None) if f.is_fault]
    assert {f.kind for f in found} == {"row_shifted", "group_dead"}
    assert all(f.ask == ("main_v", "pack") for f in found)
    assert "read main + to main −" in found[0].next_measurement
    assert "36.7 V" in found[0].next_measurement
    assert "33.0 V" in found[0].next_measurement
    assert all(f.sure == "possible" for f in found)


def test_last_lead_open_and_row_one_plate_high_tie_until_a_pin_is_read_against_main(
    look: Callable[..., list[Finding]], read: Read
) -> None:
    pins = [*range(10), 0]
    found = look(pins, 10)
    assert {found[0].kind, found[1].kind} == {"tap_open", "row_shifted"}
    assert found[0].ask is not None
    assert found[0].ask[0] == "pin_v"
    pin = int(found[0].ask[1])
    assert look(pins, 10, read("pin_v", pin, (pin + 1) * V))[0].kind == "row_shifted"
    assert look(pins, 10, read("pin_v", pin, pin * V))[0].kind == "tap_open"


def test_only_readings_that_speak_against_a_sound_pack_are_evidence(look: Callable[..., list[Finding]]) -> None:
    (only,) = look([0, 1, 2, 3, 0, 5, 6, 7, 8, 9, 10], 10)[0].evidence
    assert only.startswith("pin 4 reads 0.000 V, expected 14.680 V")


def test_dead_group_of_two_cells_ties_with_a_reversed_cell(look: Callable[..., list[Finding]]) -> None:
    # bus V (P - 2) / P is 0 for P = 2
    pins = _from_steps(1, 1, 1, 1, 0, 1, 1, 1, 1, 1)
    found = look(pins, 9, parallel=2)
    assert {f.kind for f in found if f.is_fault} == {"group_dead", "cell_reversed"}


def test_two_faults_at_once_are_not_explained_away(look: Callable[..., list[Finding]]) -> None:
    found = look(_from_steps(1, 0, 1, 1, -1, 1, 1, 1, 0, 1), 6)
    assert found[0].kind == "unexplained"
    assert found[0].stop


def test_clean_readings_say_so(look: Callable[..., list[Finding]]) -> None:
    found = look(list(range(11)), 10)
    assert [f.kind for f in found if f.kind != "cannot_show"] == ["clean"]
    assert not found[-1].stop


def test_whole_pack_charged_since_the_plan_is_no_fault_of_a_group(built: Built, read: Read) -> None:
    groups = [read("group_v", g, 4.05) for g in range(1, 11)]
    kinds = {f.kind for f in inspect_pack(built(10, 3), groups) if f.is_fault}
    assert kinds == {"meter_offset"}
