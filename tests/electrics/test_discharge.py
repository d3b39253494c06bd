"""Runs under load: charge and energy closed, degenerate cases, how they end, what is refused."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cellmatch.electrics.discharge import Run, run_load
from cellmatch.electrics.load import Load, constant_current, constant_power, profile
from cellmatch.errors import ArgumentInvalid, JobError
from cellmatch.pack.chemistry import load_chemistry
from cellmatch.pack.curve import OcvCurve

STRAIGHT = OcvCurve(soc_fraction=(0, 1), ocv_v=(3.0, 4.2), uncertainty_v=(0, 0), source="slope of 1.2 V")


def working(name: str) -> OcvCurve:
    curve = load_chemistry(name).working_curve()
    assert curve is not None
    return curve


NMC, LFP = working("nmc"), working("lfp")


def stored_wh(curve: OcvCurve, q: np.ndarray, before: np.ndarray | float, after: np.ndarray) -> float:
    return float(np.sum(q * (curve.energy_v(before) - curve.energy_v(after))))


@st.composite
def packs(draw: st.DrawFn) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Draw capacities, resistances and groups of one to four groups of unequal size, in mixed order."""
    sizes = draw(st.lists(st.integers(1, 5), min_size=1, max_size=4))
    group = np.array(draw(st.permutations(np.repeat(np.arange(len(sizes)) + 1, sizes).tolist())))
    n = len(group)
    q = np.array(draw(st.lists(st.floats(1.0, 4.0), min_size=n, max_size=n)))
    r = np.array(draw(st.lists(st.floats(0.01, 0.1), min_size=n, max_size=n)))
    return q, r, group


@given(packs(), st.floats(0.2, 2.0), st.sampled_from(["current", "power"]), st.sampled_from([NMC, LFP]))
@settings(deadline=None, max_examples=25)
def test_charge_and_energy_are_closed(
    pack: tuple[np.ndarray, np.ndarray, np.ndarray], c_rate: float, kind: str, curve: OcvCurve
) -> None:
    """Charge to 1e-9; what the cells hold less is what came out and what became heat, to 0.1 %."""
    q, r, group = pack
    weakest = float(np.bincount(group, q)[1:].min())
    series = len(np.unique(group))
    value = c_rate * weakest * (3.3 * series if kind == "power" else 1.0)
    load = Load(kind=kind, values=(value,), durations_s=(np.inf,))
    try:
        run = run_load(q, r, group, curve, load, end_v=2.6, full_v=4.3, link_ohm=0.002)
    except JobError:
        return
    given_by_group = np.bincount(group, run.cell_charge_ah)[1:]
    np.testing.assert_allclose(given_by_group, run.charge_ah, rtol=1e-9)
    assert run.energy_wh + run.heat_wh == pytest.approx(stored_wh(curve, q, 1.0, run.cell_soc), rel=1e-3)
    np.testing.assert_allclose(run.cell_soc, 1.0 - run.cell_charge_ah / q, atol=1e-9)
    assert float(run.group_v.min()) >= 2.6 - 1e-6
    assert run.heat_wh > 0
    if kind == "power":
        assert run.energy_wh * 3600 == pytest.approx(value * run.duration_s, rel=1e-9)


def test_energy_closes_with_the_square_of_the_step() -> None:
    q, r = np.array([2.5, 2.4, 2.6, 2.5]), np.array([0.025, 0.025, 0.025, 0.0375])
    off = []
    for step in (5.0, 20.0, 80.0):
        run = run_load(q, r, [1] * 4, NMC, constant_current(20.0), end_v=3.0, full_v=4.2, step_s=step)
        off.append(abs((run.energy_wh + run.heat_wh) / stored_wh(NMC, q, 1.0, run.cell_soc) - 1.0))
    # 16 times a step is 256 times the error of a second-order rule; kinks of the curve blur it
    assert off[2] / off[0] > 100
    assert off[2] < 1e-3


def test_one_cell_alone_follows_its_curve() -> None:
    """P = 1, S = 1: the charge at which U(z) - I R meets the end voltage, exactly."""
    run = run_load([2.5], [0.05], [1], STRAIGHT, constant_current(2.5), end_v=3.2, full_v=4.3)
    z_end = (3.2 + 2.5 * 0.05 - 3.0) / 1.2
    assert run.charge_ah == pytest.approx(2.5 * (1 - z_end), rel=1e-9)
    assert run.duration_s == pytest.approx(3600 * (1 - z_end), rel=1e-9)
    assert run.sag_v == pytest.approx(0.125, rel=1e-9)
    assert float(run.cell_max_a[0]) == pytest.approx(2.5, rel=1e-12)
    assert run.heat_wh == pytest.approx(2.5**2 * 0.05 * run.duration_s / 3600, rel=1e-9)


def test_equal_cells_share_equally_and_a_group_is_one_large_cell() -> None:
    group = run_load([2.5] * 4, [0.04] * 4, [1] * 4, NMC, constant_current(10.0), end_v=3.0, full_v=4.2)
    single = run_load([10.0], [0.01], [1], NMC, constant_current(10.0), end_v=3.0, full_v=4.2)
    np.testing.assert_allclose(group.cell_charge_ah, single.charge_ah / 4, rtol=1e-12)
    assert group.energy_wh == pytest.approx(single.energy_wh, rel=1e-12)
    np.testing.assert_allclose(group.cell_max_a, 2.5, rtol=1e-9)


@given(st.floats(1.0, 5.0), st.floats(1.0, 5.0), st.floats(0.02, 0.1), st.floats(0.2, 2.0))
@settings(deadline=None, max_examples=25)
def test_cells_of_equal_r_times_q_keep_equal_charge_for_ever(qa: float, qb: float, ra: float, c_rate: float) -> None:
    run = run_load(
        [qa, qb], [ra, ra * qa / qb], [1, 1], NMC, constant_current(c_rate * (qa + qb)), end_v=2.6, full_v=4.3,
    )  # fmt: skip
    assert run.cell_soc[0] == pytest.approx(run.cell_soc[1], abs=1e-9)
    np.testing.assert_allclose(run.cell_max_a / [qa, qb], c_rate, rtol=1e-6)


def test_groups_in_series_run_as_each_alone_until_the_weakest_ends() -> None:
    rng = np.random.default_rng(3)
    q, r = rng.normal(2.5, 0.1, 12), rng.normal(0.04, 0.005, 12)
    group = rng.permutation(np.repeat([1, 2, 3, 4], 3))
    pack = run_load(q, r, group, NMC, constant_current(7.5), end_v=3.0, full_v=4.2, step_s=5.0)
    alone: dict[int, Run] = {}
    for g in range(1, 5):
        mine = group == g
        alone[g] = run_load(q[mine], r[mine], [1] * 3, NMC, constant_current(7.5), end_v=3.0, full_v=4.2, step_s=5.0)
    first = min(alone, key=lambda g: alone[g].duration_s)
    assert pack.ended_group == first
    assert pack.charge_ah == pytest.approx(alone[first].charge_ah, rel=1e-12)
    np.testing.assert_allclose(pack.cell_charge_ah[group == first], alone[first].cell_charge_ah, rtol=1e-9)
    assert pack.pack_v[0] == pytest.approx(sum(run.pack_v[0] for run in alone.values()), rel=1e-12)


def test_the_order_of_cells_does_not_matter() -> None:
    rng = np.random.default_rng(8)
    q, r, group = rng.normal(2.5, 0.1, 10), rng.normal(0.04, 0.005, 10), np.repeat([1, 2], 5)
    turned = rng.permutation(10)
    one = run_load(q, r, group, NMC, constant_current(10.0), end_v=3.0, full_v=4.2)
    other = run_load(q[turned], r[turned], group[turned], NMC, constant_current(10.0), end_v=3.0, full_v=4.2)
    np.testing.assert_allclose(one.cell_max_a[turned], other.cell_max_a, rtol=1e-9)
    np.testing.assert_allclose(one.cell_heat_w[turned], other.cell_heat_w, rtol=1e-9)


def test_charging_ends_at_the_first_full_group() -> None:
    run = run_load(
        [2.5, 2.4, 2.5, 2.5], [0.03] * 4, [1, 1, 2, 2], NMC, constant_current(-1.0),
        end_v=3.0, full_v=4.2, soc=[0.3, 0.3, 0.2, 0.2],
    )  # fmt: skip
    assert (run.ended_by, run.ended_group) == ("full", 1)
    assert run.charge_ah < 0
    assert float(run.group_v[-1].max()) == pytest.approx(4.2, abs=1e-6)
    assert float(run.group_v[-1].min()) < 4.15
    assert run.energy_wh + run.heat_wh == pytest.approx(
        stored_wh(NMC, np.array([2.5, 2.4, 2.5, 2.5]), np.array([0.3, 0.3, 0.2, 0.2]), run.cell_soc), rel=1e-3
    )


def test_a_profile_repeats_and_its_steps_are_met() -> None:
    load = profile("current", [10.0, 50.0], [9.0, 0.0])
    run = run_load([2.5] * 3, [0.03] * 3, [1] * 3, NMC, load, end_v=3.0, full_v=4.2, step_s=7.0, longest_s=600.0)
    assert run.ended_by == "time"
    assert run.duration_s == pytest.approx(600.0, rel=1e-12)
    assert run.charge_ah == pytest.approx(10 * 9.0 * 10 / 3600, rel=1e-12)
    assert {0.0, 60.0, 120.0} <= set(np.round(run.time_s, 9).tolist())
    np.testing.assert_allclose(run.cell_rms_a, 3.0 * np.sqrt(1 / 6), rtol=1e-9)
    np.testing.assert_allclose(run.cell_max_a, 3.0, rtol=1e-9)


def test_a_profile_may_charge_in_between() -> None:
    load = profile("power", [30.0, 10.0], [20.0, -10.0])
    run = run_load([2.5] * 2, [0.03] * 2, [1] * 2, NMC, load, end_v=3.0, full_v=4.2, soc=0.9)
    assert run.ended_by == "end voltage"
    assert (run.current_a < 0).any()


def test_the_largest_current_of_a_pulse_is_met_at_its_end_too() -> None:
    """A cell of high resistance carries most when a pulse ends, however long the steps are."""
    load = profile("current", [60.0, 600.0], [20.0, 0.0])
    coarse, fine = (
        run_load([2.5] * 2, [0.02, 0.04], [1] * 2, NMC, load, end_v=3.0, full_v=4.2, step_s=step, longest_s=600.0)
        for step in (60.0, 1.0)
    )
    assert fine.cell_max_a[1] > 1.05 * fine.cell_first_a[1]
    assert coarse.cell_max_a[1] == pytest.approx(float(fine.cell_max_a[1]), rel=0.02)
    assert coarse.cell_max_at_s[1] == pytest.approx(60.0)


def test_a_pulse_ends_a_run_at_its_first_instant() -> None:
    load = profile("current", [100.0, 5.0], [1.0, 60.0])
    run = run_load([2.5] * 2, [0.06] * 2, [1] * 2, NMC, load, end_v=3.0, full_v=4.2)
    assert (run.ended_by, run.ended_group) == ("end voltage", 1)
    assert run.current_a[-1] == 60.0
    assert run.duration_s == pytest.approx(100.0, rel=1e-12)
    assert run.pack_v[-1] < 3.0
    assert run.charge_ah == pytest.approx(100 / 3600, rel=1e-9)


def test_currents_through_the_run_are_kept_on_request() -> None:
    run = run_load(
        [2.5, 2.0],
        [0.03, 0.05],
        [1, 1],
        NMC,
        constant_current(4.0),
        end_v=3.0,
        full_v=4.2,
        keep_currents=True,
    )
    assert run.currents_a is not None
    assert run.currents_a.shape == (len(run.time_s), 2)
    np.testing.assert_allclose(run.currents_a.sum(axis=1), 4.0, rtol=1e-12)
    np.testing.assert_allclose(np.abs(run.currents_a).max(axis=0), run.cell_max_a, rtol=1e-12)
    np.testing.assert_allclose(run.currents_a[0], run.cell_first_a, rtol=1e-12)
    np.testing.assert_allclose(run.currents_a[-1], run.cell_last_a, rtol=1e-12)


def test_a_power_beyond_the_pack_s_reach_ends_or_never_starts() -> None:
    with pytest.raises(JobError, match="can't give 2000 W"):
        run_load([2.5], [0.05], [1], NMC, constant_power(2000.0), end_v=3.0, full_v=4.2)
    # at most E^2/(4 R); with an end voltage below half of the rest voltage the power ends first
    run = run_load([2.5], [0.5], [1], STRAIGHT, constant_power(7.0), end_v=0.5, full_v=4.3)
    assert run.ended_by == "power"
    rest = float(STRAIGHT.voltage(run.cell_soc[0]))
    assert rest**2 / (4 * 0.5) == pytest.approx(7.0, rel=1e-3)


def test_a_load_that_no_run_can_begin_with_is_named() -> None:
    with pytest.raises(JobError, match=r"60 A brings group 2 to .* past its end of 3 V"):
        run_load([2.5] * 4, [0.02, 0.02, 0.06, 0.06], [1, 1, 2, 2], NMC, constant_current(60), end_v=3, full_v=4.2)
    with pytest.raises(JobError, match=r"past full at 4\.2 V"):
        run_load([2.5], [0.02], [1], NMC, constant_current(-1.0), end_v=3.0, full_v=4.2)


def test_bad_input_is_named() -> None:
    def run(**changed: object) -> Run:
        given = {"end_v": 3.0, "full_v": 4.2} | changed
        q = given.pop("q", [2.5, 2.5])
        r = given.pop("r", [0.03, 0.03])
        load = given.pop("load", constant_current(1.0))
        return run_load(q, r, [1, 1], NMC, load, **given)  # type: ignore[arg-type]

    with pytest.raises(ArgumentInvalid, match=r"cell number 2: found a resistance of -0\.03"):
        run(r=[0.03, -0.03])
    with pytest.raises(ArgumentInvalid, match="cell number 1: found a capacity of nan"):
        run(q=[np.nan, 2.5])
    with pytest.raises(ArgumentInvalid, match="one of each for each cell"):
        run(q=[2.5])
    with pytest.raises(ArgumentInvalid, match=r"end at 4\.2 V and full at 3 V"):
        run(end_v=4.2, full_v=3.0)
    with pytest.raises(ArgumentInvalid, match=r"a step of 0\.0 s"):
        run(step_s=0.0)
    with pytest.raises(ArgumentInvalid, match="links of -1 ohm"):
        run(link_ohm=-1.0)
    with pytest.raises(ArgumentInvalid, match="charge of a cell is missing"):
        run(soc=np.nan)
    with pytest.raises(ArgumentInvalid, match="give the longest time"):
        run(load=constant_current(0.0))
    with pytest.raises(ArgumentInvalid, match="at most 500000 steps"):
        run(load=constant_current(0.0), step_s=1e-9, longest_s=1.0)


@pytest.mark.parametrize(
    ("given_", "message"),
    [
        ({"kind": "voltage"}, "a load is one of current, power"),
        ({"values": ()}, "0 values and 1 durations"),
        ({"values": (np.nan,)}, "must be a number"),
        ({"durations_s": (0.0,)}, "must be above 0"),
    ],
)
def test_a_wrong_load_is_named(given_: dict[str, object], message: str) -> None:
    right: dict[str, object] = {"kind": "current", "values": (1.0,), "durations_s": (1.0,)}
    with pytest.raises(ArgumentInvalid, match=message):
        Load(**(right | given_))  # type: ignore[arg-type]
