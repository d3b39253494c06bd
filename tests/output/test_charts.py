"""Charts: they draw what the plan holds, on any plan, in colours that most eyes tell apart."""

from __future__ import annotations

import itertools
import subprocess
import sys
from collections.abc import Callable

import numpy as np
import pytest
from matplotlib import colormaps
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.collections import LineCollection
from matplotlib.colors import to_hex
from matplotlib.figure import Figure
from matplotlib.text import Text

from cellmatch import Plan, plan_pack
from cellmatch.cells.table import CellTable
from cellmatch.output import look
from cellmatch.output.charts import CHARTS, balance_figure, balance_png
from cellmatch.output.curves import group_run, leaving_out
from cellmatch.output.map_chart import draw_map
from cellmatch.output.quantities import KINDS, QUANTITIES, group_balance, histogram, kind_of_cells
from cellmatch.prediction import LoadCase

# G. M. Machado, M. M. Oliveira and L. A. F. Fernandes, "A physiologically-based model for simulation of color
# vision deficiency", IEEE Trans. Visualization and Computer Graphics 15(6), 2009: matrices for severity 1.0
COLOUR_BLINDNESS = {
    "protanopia": [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216], [-0.003882, -0.048116, 1.051998]],
    "deuteranopia": [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413], [-0.011820, 0.042940, 0.968881]],
    "tritanopia": [[1.255528, -0.076749, -0.178779], [-0.078411, 0.930809, 0.147602], [0.004733, 0.691367, 0.303900]],
}


def _linear(colour: str) -> np.ndarray:
    srgb = np.array([int(colour[i : i + 2], 16) for i in (1, 3, 5)]) / 255
    return np.where(srgb <= 0.04045, srgb / 12.92, ((srgb + 0.055) / 1.055) ** 2.4)


def _luminance(linear: np.ndarray) -> float:
    return float(np.clip(linear, 0, 1) @ [0.2126, 0.7152, 0.0722])


def contrast(a: np.ndarray, b: np.ndarray) -> float:
    """Contrast ratio of WCAG 2.1 (W3C Recommendation, 2018), definition "contrast ratio"."""
    light, dark = sorted((_luminance(a), _luminance(b)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def test_contrast_of_black_on_white_is_21() -> None:
    # WCAG 2.1, definition "contrast ratio": ratios range from 1 to 21
    assert contrast(_linear("#000000"), _linear("#ffffff")) == pytest.approx(21)


@pytest.mark.parametrize("eyes", ["all", *COLOUR_BLINDNESS])
def test_words_can_be_read_by_all_eyes(eyes: str) -> None:
    # WCAG 2.1, success criterion 1.4.3: at least 4.5 for text
    seen = np.array(COLOUR_BLINDNESS.get(eyes, np.eye(3)))
    for colour in (look.INK, look.MUTED, look.ACCENT, look.LEVEL, look.STOP):
        assert contrast(seen @ _linear(colour), seen @ _linear(look.PAPER)) >= 4.5, colour


@pytest.mark.parametrize("eyes", ["all", *COLOUR_BLINDNESS])
def test_the_two_tints_are_told_apart_in_grey_and_leave_ink_readable(eyes: str) -> None:
    seen = np.array(COLOUR_BLINDNESS.get(eyes, np.eye(3)))
    odd, even = (seen @ _linear(tint) for tint in look.TINTS)
    assert contrast(odd, even) > 1.08
    assert min(contrast(seen @ _linear(look.INK), tint) for tint in (odd, even)) >= 7


@pytest.mark.parametrize("eyes", ["all", *COLOUR_BLINDNESS])
def test_the_scale_rises_in_lightness_for_all_eyes_and_its_words_can_be_read(eyes: str) -> None:
    seen = np.array(COLOUR_BLINDNESS.get(eyes, np.eye(3)))
    steps = [seen @ _linear(colour) for colour in look.SCALE]
    lightness = [_luminance(step) for step in steps]
    assert all(b > 1.15 * a for a, b in itertools.pairwise(lightness))
    # WCAG 2.1, success criterion 1.4.3: at least 4.5
    for k, step in enumerate(steps):
        ink = look.PAPER if k < look.DARK_STEPS else look.INK
        assert contrast(step, seen @ _linear(ink)) >= 4.5, k


def test_the_scale_is_the_plotting_librarys() -> None:
    # J. R. Nuñez, C. R. Anderton and R. S. Renslow, "Optimizing colormaps with consideration for color vision
    # deficiency", PLoS ONE 13(7), 2018: cividis, as matplotlib carries it
    cividis = [to_hex(colormaps["cividis"](v)) for v in np.linspace(0, 1, len(look.SCALE))]
    assert list(look.SCALE) == cividis


def test_every_kind_of_cell_has_its_own_sign_word_and_fill_without_colour() -> None:
    from cellmatch.output.cell_charts import FILLS

    assert set(FILLS) == set(KINDS) == set(look.SIGNS)
    assert len(set(look.SIGNS.values())) == len(KINDS)
    without_colour = {(f["hatch"], f["facecolor"] == look.PAPER) for f in FILLS.values()}
    assert len(without_colour) == len(KINDS)


def _words(figure: Figure) -> list[str]:
    return [t.get_text() for t in figure.findobj(Text)]


@pytest.mark.slow
def test_every_chart_draws_every_plan(odd_plans: dict[str, Plan]) -> None:
    for name in ("plain", "no resistance", "one cell", "single cells", "odd ids", "no spread"):
        plan = odd_plans[name]
        for chart, draw in CHARTS.items():
            if chart.endswith(" map") and name in ("plain", "single cells"):  # many cells; drawn below
                continue
            figure = Figure(figsize=(5, 3), dpi=40)
            ax = figure.add_subplot()
            assert draw(ax, plan) is ax
            if name in ("one cell", "odd ids"):  # what can break only once it is drawn: sizes, and words taken for code
                FigureCanvasAgg(figure).draw()  # type: ignore[no-untyped-call]
            assert ax.get_title(loc="left"), (name, chart)
            for words in _words(figure):
                assert not {"nan", "none", "inf"} & set(words.lower().split()) or words.endswith("none given"), words
            assert ax.get_xlabel().count("[") == ax.get_xlabel().count("]")


def test_the_image_is_a_png_of_fair_size(odd_plans: dict[str, Plan]) -> None:
    content = balance_png(odd_plans["odd ids"])
    assert content.startswith(b"\x89PNG\r\n")
    assert len(content) < 400_000


def test_bars_are_the_deviations_and_the_band_is_the_floor(odd_plans: dict[str, Plan]) -> None:
    plan = odd_plans["stop"]
    ax = CHARTS["balance"](Figure().add_subplot(), plan)
    capacity = np.array([plan.cells.loc[list(g), "capacity_mah"].sum() for g in plan.groups])
    assert np.ptp(capacity) > 0
    band, *bars = ax.patches
    assert [b.get_height() for b in bars] == pytest.approx(capacity - capacity.mean())  # type: ignore[attr-defined]
    assert band.get_height() == pytest.approx(plan.grouping.floor_mah)  # type: ignore[attr-defined]
    weakest = int(capacity.argmin()) + 1
    assert any(f"weakest: group {weakest}," in t.get_text() for t in ax.texts)
    assert f"Weakest group {weakest} holds {capacity.min() / 1000:.2f}" in ax.get_title(loc="left")


def test_the_finding_says_whether_the_floor_is_kept(odd_plans: dict[str, Plan]) -> None:
    for plan in odd_plans.values():
        balance = group_balance(plan)
        assert balance.within_floor == (plan.grouping.spread_mah <= plan.grouping.floor_mah)
        assert ("above the floor" in balance.finding()) == (not balance.within_floor)


def test_group_resistance_is_drawn_where_there_is_one(odd_plans: dict[str, Plan]) -> None:
    ax = CHARTS["group resistance"](Figure().add_subplot(), odd_plans["plain"])
    points = ax.collections[-1].get_offsets()
    of_groups = [1 / (1 / odd_plans["plain"].cells.loc[list(g), "ir_mohm"]).sum() for g in odd_plans["plain"].groups]
    assert np.asarray(points)[:, 1] == pytest.approx(of_groups)
    ax = CHARTS["group resistance"](Figure().add_subplot(), odd_plans["no resistance"])
    assert [t.get_text() for t in ax.texts] == ["no resistance given"]


@pytest.mark.parametrize("name", QUANTITIES)
def test_histograms_lose_no_cell(odd_plans: dict[str, Plan], name: str) -> None:
    for plan in odd_plans.values():
        found = histogram(plan, name)
        values = QUANTITIES[name].values(plan)
        inside = sum(int(c.sum()) for c in found.counts.values())
        assert inside + found.lower + found.higher == int(np.isfinite(values).sum())
        assert sum(found.totals.values()) == int(np.isfinite(values).sum())
        for value, _ in found.limits:
            assert found.edges[0] <= value <= found.edges[-1]


def test_kept_cells_lie_on_the_scale_and_strays_are_counted_beside_it(plain_plan: Plan) -> None:
    found = histogram(plain_plan, "ocv_v")
    kind = kind_of_cells(plain_plan)
    kept = plain_plan.cells["ocv_v"].to_numpy()[(kind == "used") | (kind == "spare")]
    assert found.edges[0] < kept.min()
    assert kept.max() < found.edges[-1]
    assert (found.lower, found.higher) == (1, 1)  # the over-discharged one, the one to level
    assert found.totals["level"] == 1
    assert {words for _, words in found.limits} >= {"joining window"}


def test_the_search_chart_ends_at_the_spread_that_was_found(plain_plan: Plan) -> None:
    ax = CHARTS["search"](Figure().add_subplot(), plain_plan)
    line = ax.lines[0]
    assert np.asarray(line.get_ydata())[-1] == plain_plan.grouping.spread_mah
    assert np.all(np.diff(np.asarray(line.get_ydata(), dtype=float)) <= 0)
    assert ("not proven" in ax.get_title(loc="left")) == (not plain_plan.grouping.proven)


def test_discharge_curves_end_where_the_prediction_says(draw_tray: Callable[..., CellTable]) -> None:
    plan = plan_pack(draw_tray(14, 3), "4s3p", case=LoadCase(current_a=8.0), seconds=0.2)
    run, load = group_run(plan), plan.prediction.load
    assert run is not None
    assert load is not None
    assert run.charge_ah == pytest.approx(min(load.usable_ah))
    assert run.ended_group == load.ended_group
    ax = CHARTS["discharge"](Figure().add_subplot(), plan)
    assert f"Group {load.ended_group} is empty first" in ax.get_title(loc="left")
    ends = [np.asarray(line.get_ydata(), dtype=float)[-1] for line in ax.lines[:5]]
    assert min(ends) == pytest.approx(plan.chemistry.end_v, abs=0.01)


def test_maps_of_load_carry_the_predicted_figures(draw_tray: Callable[..., CellTable]) -> None:
    plan = plan_pack(draw_tray(14, 3), "4s3p", case=LoadCase(current_a=8.0), seconds=0.2)
    load = plan.prediction.load
    assert load is not None
    maps = {
        "current map": [f"{cell.most_a:.2f}" for cell in load.cells],
        "temperature map": [f"{cell.rise_k[1]:.1f}" for cell in load.cells],
    }
    for name, figures in maps.items():
        ax = CHARTS[name](Figure().add_subplot(), plan)
        written = [t.get_text().split("\n")[1] for t in ax.texts if "\n" in t.get_text()]
        assert written == figures


def test_leaving_weak_cells_out_against_sums_by_hand(plain_plan: Plan) -> None:
    # independent: plain Python sums over the sorted list
    good = sorted(plain_plan.cells.loc[plain_plan.cells["status"] != "reject", "capacity_mah"])
    by_hand = [sum(good[k : k + 52]) / 13 / 1000 for k in range(len(good) - 52 + 1)]
    left_out, capacity_ah = leaving_out(np.array(good), 52, 13)
    assert left_out.tolist() == list(range(7))
    assert capacity_ah == pytest.approx(by_hand)
    assert plain_plan.prediction.capacity_mah / 1000 <= capacity_ah[-1] + 1e-9


@pytest.mark.parametrize("face", ["top", "bottom"])
def test_the_coloured_map_writes_each_value_in_its_place(plain_plan: Plan, face: str) -> None:
    ax = draw_map(Figure().add_subplot(), plain_plan, "capacity_mah", face)
    used = plain_plan.with_status("used")
    written = {
        t.get_text().split("\n")[0]: (t.get_text().split("\n")[1], t.get_position()[0])
        for t in ax.texts
        if "\n" in t.get_text()
    }
    assert set(written) == set(used.index)
    width = float(used["x_mm"].max() + used["x_mm"].min())
    for cell, row in used.iterrows():
        value, x = written[str(cell)]
        assert value == f"{row['capacity_mah']:.0f}"
        assert x == pytest.approx(row["x_mm"] if face == "top" else width - row["x_mm"])


@pytest.mark.parametrize("face", ["top", "bottom"])
def test_the_map_draws_every_link_of_its_face_and_names_the_terminals(plain_plan: Plan, face: str) -> None:
    ax = draw_map(Figure().add_subplot(), plain_plan, None, face)
    bars = sum(len(c.get_segments()) for c in ax.collections if isinstance(c, LineCollection))
    assert bars == sum(link.face == face for link in plain_plan.assembly.wiring.links) > 0
    words = [t.get_text() for t in ax.texts]
    assert {"pack −" if face == "top" else "pack +", "corner", *map(str, range(1, 14))} < set(words)


def test_words_on_coloured_cells_can_be_read(plain_plan: Plan) -> None:
    # WCAG 2.1, success criterion 1.4.3: at least 4.5
    ax = draw_map(Figure().add_subplot(), plain_plan, "capacity_mah")
    for drawn, text in zip(ax.collections[0].get_facecolors(), ax.texts[1::2], strict=True):  # type: ignore[attr-defined]
        fill = np.asarray(drawn[:3])
        linear = np.where(fill <= 0.04045, fill / 12.92, ((fill + 0.055) / 1.055) ** 2.4)
        assert contrast(linear, _linear(str(text.get_color()))) >= 4.5


def test_ids_the_font_lacks_are_written_as_code_points() -> None:
    assert look.drawable("電池1") == "[U+96FB][U+6C60]1"
    assert look.drawable("a\nb") == "a[U+000A]b"
    assert look.drawable("µΩ \u2009") == "µΩ \u2009"


def test_nothing_here_touches_the_global_state_of_the_plotting_library() -> None:
    code = "import sys, cellmatch.output.charts; sys.exit('matplotlib.pyplot' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0


def test_the_figure_holds_balance_resistance_and_three_histograms(plain_plan: Plan) -> None:
    figure = balance_figure(plain_plan)
    titles = [ax.get_title(loc="left") for ax in figure.axes]
    assert len(titles) == 5
    assert titles[0].startswith("Weakest group" if plain_plan.grouping.spread_mah else "All groups read alike")
    assert titles[2:] == [
        "Voltage: 58 kept, 2 rejected",
        "Capacity: 58 kept, 2 rejected",
        "Resistance: 58 kept, 2 rejected",
    ]
