"""Whether readings are one scale, and what quality_notes says about a whole tray."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from cellmatch.cells.worth.comparable import (
    dc_seconds,
    method_notes,
    mixture_notes,
    one_resistance_method,
    resistance_methods,
    resistance_ocv_notes,
    resistance_use,
    resolution_notes,
    rest_state,
    salvage_notes,
    temperature_notes,
)
from cellmatch.cells.worth.notes import quality_notes
from cellmatch.errors import ArgumentInvalid
from cellmatch.pack.chemistry import load_chemistry

NMC, LFP = load_chemistry("nmc"), load_chemistry("lfp")


def _tray(n: int = 12, seed: int = 4) -> pd.DataFrame:
    rng = np.random.default_rng(seed)
    return pd.DataFrame(
        {
            "ocv_v": np.round(rng.normal(3.66, 0.004, n), 3),
            "capacity_mah": rng.normal(2500, 30, n).round(),
            "ir_mohm": rng.normal(20, 0.5, n).round(1),
            "ir_method": ["ac_1khz"] * n,
            "rested_h": [48.0] * n,
        },
        index=[f"C{i}" for i in range(n)],
    )


@pytest.mark.parametrize(
    ("method", "joining", "load"),
    [
        ("ac_1khz", 1.0, (1.3, 1.8)),
        ("dc_10s", 1 / 1.8, (1.0, 1.0)),
        ("dc_30s", 1 / 1.8, (1.0, 1.0)),
        ("dc_1s", 1 / 1.8, (1.0, 1.8)),
        ("dc", 1 / 1.8, (1.0, 1.8)),
        ("", 1 / 1.8, (1.0, 1.8)),
    ],
)
def test_which_method_serves_for_what(method: str, joining: float, load: tuple[float, float]) -> None:
    use = resistance_use(method)
    assert use.joining_factor == pytest.approx(joining)
    assert use.load_factors == load
    assert str(use)


def test_an_ac_value_claims_less_heat_than_there_is() -> None:
    # computed independently: 25 mohm AC at 5 A: 0.63 W claimed, 0.84 to 1.09 W real for 5 s DC over instant
    # of 1.35 to 1.75; the range used here is a little wider
    low, high = resistance_use("ac_1khz").load_factors
    claimed_w = 0.025 * 5.0**2
    assert claimed_w == pytest.approx(0.63, abs=0.006)
    assert claimed_w * low <= 0.84
    assert claimed_w * high >= 1.09


def test_seconds_of_a_method() -> None:
    assert [dc_seconds(name) for name in ("dc_1s", "dc_0.5s", "dc", "ac_1khz")] == [1.0, 0.5, None, None]


def test_ac_and_dc_share_no_figure() -> None:
    cells = _tray()
    assert one_resistance_method(cells, "--max-ir-mohm") == "ac_1khz"
    cells.loc["C3", "ir_method"] = "dc_10s"
    cells.loc["C4", "ir_method"] = None
    assert resistance_methods(cells) == {"ac_1khz": 10, "dc_10s": 1, "unknown": 1}
    with pytest.raises(ArgumentInvalid, match=r"--max-ir-mohm: .*ac_1khz \(10 cells\), dc_10s \(1 cells\)"):
        one_resistance_method(cells, "--max-ir-mohm")
    assert any("one method" in note for note in method_notes(cells))


def test_no_resistance_is_said_and_is_no_mixture() -> None:
    cells = _tray().drop(columns=["ir_mohm", "ir_method"])
    assert one_resistance_method(cells, "x") is None
    assert "no resistance given" in method_notes(cells)[0]


def test_temperatures_more_than_three_kelvin_apart_are_warned_about() -> None:
    cells = _tray()
    assert temperature_notes(cells) == ()
    cells["temperature_c"] = np.linspace(20.0, 23.0, len(cells))
    assert temperature_notes(cells) == ()
    cells.loc["C0", "temperature_c"] = 19.5
    notes = temperature_notes(cells)
    assert len(notes) == 2
    assert "19.5 and 23.0 degC" in notes[0]


def test_temperature_of_a_cell_without_resistance_does_not_count() -> None:
    cells = _tray().assign(temperature_c=20.0)
    cells.loc["C0", "temperature_c"] = 35.0
    cells.loc["C0", ["ir_mohm", "capacity_mah"]] = np.nan
    assert temperature_notes(cells) == ()


def test_resistance_at_different_voltages_is_warned_about_only_where_it_matters() -> None:
    cells = _tray()
    assert resistance_ocv_notes(cells, NMC) == ()
    cells.loc["C0", "ocv_v"] = 3.55
    assert "one voltage" in resistance_ocv_notes(cells, NMC)[0]
    assert resistance_ocv_notes(cells, LFP) == ()
    high = _tray()
    high["ocv_v"] += 0.3
    high.loc["C0", "ocv_v"] = 4.05
    assert resistance_ocv_notes(high, NMC) == ()


def test_a_dead_cell_is_no_reason_to_doubt_the_resistances() -> None:
    cells = _tray()
    cells.loc["C0", "ocv_v"] = 1.2
    assert resistance_ocv_notes(cells, NMC) == ()


def test_models_are_looked_at_one_by_one() -> None:
    cells = _tray().assign(model=["one", "two"] * 6)
    cells.loc[cells["model"] == "two", "ocv_v"] -= 0.1
    assert resistance_ocv_notes(cells, NMC) == ()


def test_a_verdict_stands_only_on_rested_voltages() -> None:
    cells = _tray()
    assert not rest_state(cells).provisional
    cells.loc["C1", "rested_h"] = 2.0
    cells.loc["C2", "rested_h"] = np.nan
    state = rest_state(cells)
    assert (state.rested, state.short, state.unknown) == (10, 1, 1)
    assert state.provisional
    assert "provisional" in state.text()
    assert rest_state(cells.drop(columns="rested_h")).unknown == 12
    assert not rest_state(_tray().assign(rested_h=2.0), least_h=1.0).provisional


def test_coarse_voltages_are_told_against_the_window() -> None:
    cells = _tray()
    assert resolution_notes(cells) == ()
    cells["ocv_v"] = np.linspace(3.6, 3.7, len(cells)).round(2)
    assert "steps of 10 mV" in resolution_notes(cells)[0]
    assert resolution_notes(cells, join_window_mv=200.0) == ()


def test_mixed_models_and_lots_are_noticed() -> None:
    cells = _tray().assign(model=["one", "two"] * 6, lot="L1")
    notes = mixture_notes(cells, NMC)
    assert len(notes) == 1
    assert "2 models are mixed (one, two)" in notes[0]


def test_a_cell_marked_lfp_above_its_full_voltage_is_noticed() -> None:
    cells = _tray().assign(chemistry=["LFP", *["NMC"] * 11])
    assert "marked LFP stand above 3.65 V" in mixture_notes(cells, NMC)[0]
    cells.loc["C0", "ocv_v"] = 3.33
    assert mixture_notes(cells, NMC) == ()


def test_cells_of_a_higher_voltage_beside_others_are_noticed() -> None:
    cells = _tray()
    cells["ocv_v"] += 0.5
    assert mixture_notes(cells, NMC) == ()
    cells.loc[["C0", "C1"], "ocv_v"] = 4.33
    assert "4.35 V" in mixture_notes(cells, NMC)[0]
    assert mixture_notes(cells, None) == ()


def test_salvaged_cells_need_their_history() -> None:
    assert salvage_notes(False) == ()
    assert "IEC 63338:2024" in salvage_notes(True)[0]


def test_a_clean_tray_is_told_only_what_its_resistance_serves_for() -> None:
    notes = quality_notes(_tray(), chemistry=NMC)
    assert len(notes) == 1
    assert "AC" in notes[0]


def test_notes_of_a_tray_with_everything_wrong() -> None:
    cells = _tray(40).assign(tester=["A", "B"] * 20, temperature_c=np.linspace(15, 25, 40))
    cells["capacity_mah"] = cells["capacity_mah"].where(cells["tester"] == "A", cells["capacity_mah"] * 0.95)
    cells["rested_h"] = 1.0
    cells.loc["C0", "ocv_v"] = 3.5
    text = "\n".join(quality_notes(cells, chemistry=NMC, salvaged=True))
    for words in ("provisional", "K apart", "one voltage", "follows tester", "control cells", "traceability"):
        assert words in text, words


def test_notes_know_a_bias_from_cells_read_twice() -> None:
    cells = _tray(30)
    first, second = cells.assign(tester="A"), cells.iloc[:10].assign(tester="B")
    second["capacity_mah"] *= 1.03
    text = "\n".join(quality_notes(cells, chemistry=NMC, readings=pd.concat([first, second])))
    assert "tester B reads capacity_mah 3 % above tester A" in text


def test_testers_never_compared_are_told_once() -> None:
    cells = _tray(30).assign(tester=["A", "B"] * 15)
    told = [note for note in quality_notes(cells, chemistry=NMC) if "control cells" in note]
    assert len(told) == 1
    assert "no cell was also measured on tester A" in told[0]
