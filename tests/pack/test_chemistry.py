"""Chemistries and their rest-voltage curves: what is carried, what is refused."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from cellmatch.errors import ArgumentInvalid, FileUnusable
from cellmatch.pack.chemistry import ASSUMED_CHEMISTRY, chemistry_names, load_chemistry
from cellmatch.pack.curve import OcvCurve, read_curve

WITH_CURVE = ("lfp", "nca", "nmc")

OWN = """
name = "own"
label = "own cell"
nominal_v = 3.6
full_v = 4.1
end_v = 3.0
min_v = 2.5
floor_v = 2.0
flat = false
charge_min_c = 0
charge_max_c = 45
source = "datasheet"
"""


def curve_of(name: str) -> OcvCurve:
    curve = load_chemistry(name).curve
    assert curve is not None
    return curve


def test_every_chemistry_loads_with_a_source() -> None:
    assert chemistry_names() == ("lco", "lfp", "lmo", "lto", "nca", "nmc")
    assert ASSUMED_CHEMISTRY in chemistry_names()
    for name in chemistry_names():
        chemistry = load_chemistry(name)
        assert chemistry.name == name
        assert chemistry.source
        assert (chemistry.curve is not None) == (name in WITH_CURVE)
    assert load_chemistry("NMC") == load_chemistry("nmc")


@pytest.mark.parametrize("name", WITH_CURVE)
def test_curves_rise_and_run_back(name: str) -> None:
    curve = curve_of(name)
    z = np.linspace(0, 1, 3001)
    v = curve.voltage(z)
    assert (np.diff(v) > 0).all()
    np.testing.assert_allclose(curve.soc(v), z, atol=1e-6)
    assert (curve.slope_v(z) > 0).all()
    assert (curve.voltage_uncertainty_v(z) > 0).all()
    assert curve.source


@pytest.mark.parametrize("name", WITH_CURVE)
def test_the_two_look_ups_agree_also_beyond_the_ends(name: str) -> None:
    curve = curve_of(name)
    z = np.concatenate((np.linspace(-0.2, 1.2, 777), curve.soc_fraction))
    v, _ = curve.voltage_and_slope(z)
    np.testing.assert_allclose(v, curve.voltage(z), rtol=1e-12)
    knots = np.array(curve.soc_fraction)
    middle = 0.5 * (knots[1:] + knots[:-1])
    np.testing.assert_allclose(curve.slope_v(middle), np.diff(curve.ocv_v) / np.diff(knots), rtol=1e-9)
    np.testing.assert_allclose(curve.soc(v), z, atol=1e-9)


@given(st.sampled_from(WITH_CURVE), st.floats(-0.1, 1.1), st.floats(-0.1, 1.1))
def test_energy_is_the_area_below_the_curve(name: str, one: float, other: float) -> None:
    curve = curve_of(name)
    inner = [z for z in curve.soc_fraction if min(one, other) < z < max(one, other)]
    at = np.array([min(one, other), *inner, max(one, other)])
    area = float(np.trapezoid(curve.voltage(at), at))
    assert float(curve.energy_v(at[-1]) - curve.energy_v(at[0])) == pytest.approx(area, abs=1e-9)
    assert float(curve.energy_v(0.0)) == 0.0


@given(st.sampled_from(WITH_CURVE), st.floats(0, 0.45), st.floats(0.55, 1))
def test_a_part_of_a_curve_is_the_same_curve(name: str, low: float, high: float) -> None:
    curve = curve_of(name)
    part = curve.between(float(curve.voltage(low)), float(curve.voltage(high)))
    z = np.linspace(0, 1, 301)
    np.testing.assert_allclose(part.voltage(z), curve.voltage(low + z * (high - low)), atol=1e-9)


def test_the_working_curve_counts_from_the_end_of_discharge() -> None:
    chemistry = load_chemistry("nmc")
    working = chemistry.working_curve()
    assert working is not None
    assert (working.empty_v, working.full_v) == pytest.approx((3.0, 4.2), abs=1e-12)
    assert float(curve_of("nmc").soc(3.0)) == pytest.approx(0.034, abs=0.003)
    gentle = chemistry.working_curve(end_v=3.3, full_v=4.1)
    assert gentle is not None
    assert (gentle.empty_v, gentle.full_v) == pytest.approx((3.3, 4.1), abs=1e-12)
    lfp = load_chemistry("lfp").working_curve()
    assert lfp is not None
    assert lfp.full_v == 3.6  # charged to 3.65 V, the curve at rest ends below
    assert load_chemistry("lto").working_curve() is None
    with pytest.raises(ArgumentInvalid, match=r"found 4\.15 to 4\.1 V"):
        chemistry.working_curve(end_v=4.15, full_v=4.1)


def test_lfp_says_little_by_voltage_and_nmc_much() -> None:
    lfp, nmc = curve_of("lfp"), curve_of("nmc")
    assert float(lfp.soc(3.31) - lfp.soc(3.29)) > 0.3
    assert float(nmc.soc(3.71) - nmc.soc(3.69)) < 0.03
    assert float(lfp.soc_uncertainty(3.3)) > 0.3
    assert float(nmc.soc_uncertainty(3.7)) < 0.05
    assert float(nmc.soc_uncertainty(3.7, meter_v=0.02)) > float(nmc.soc_uncertainty(3.7))


def test_unknown_names_and_files_are_named(tmp_path: Path) -> None:
    with pytest.raises(ArgumentInvalid, match="did you mean nmc"):
        load_chemistry("nmcc")
    with pytest.raises(ArgumentInvalid, match=r"gone\.toml: can't be read"):
        load_chemistry(tmp_path / "gone.toml")
    (tmp_path / "bad.toml").write_text("name = ", encoding="utf-8")
    with pytest.raises(ArgumentInvalid, match="not valid TOML"):
        load_chemistry(tmp_path / "bad.toml")


def test_a_chemistry_of_your_own_with_a_curve_file(tmp_path: Path) -> None:
    (tmp_path / "own.toml").write_text(OWN + '[curve]\nfile = "own.csv"\n', encoding="utf-8")
    (tmp_path / "own.csv").write_text("soc_percent,ocv_v\n0,3.0\n50,3.6\n100,4.1\n", encoding="utf-8")
    chemistry = load_chemistry(str(tmp_path / "own.toml"))
    assert chemistry.curve is not None
    assert float(chemistry.curve.voltage(0.25)) == pytest.approx(3.3)
    assert "no uncertainty given" in chemistry.curve.source
    assert chemistry.too_full_v is None


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (("flat = false\n", ""), "key flat is missing"),
        (("flat = false", 'flat = "no"'), "key flat: found 'no'; true or false"),
        (("end_v = 3.0", "end_v = true"), "key end_v: found True; a number"),
        (("end_v = 3.0", "end_v = 2.4"), "min_v <= end_v"),
        (("flat = false", "flat = false\nfull_w = 1"), "did you mean full_v"),
        (("flat = false", "flat = false\ncurve = 1"), "key curve: found 1; a table"),
        (
            ('"datasheet"\n', '"datasheet"\n[curve]\nocv_v = [3, 4]\n'),
            "found ocv_v; it needs ocv_v, soc_fraction",
        ),
    ],
)
def test_a_wrong_chemistry_file_says_what_would_be_right(tmp_path: Path, change: tuple[str, str], message: str) -> None:
    (tmp_path / "own.toml").write_text(OWN.replace(*change), encoding="utf-8")
    with pytest.raises(ArgumentInvalid, match=message):
        load_chemistry(tmp_path / "own.toml")


@pytest.mark.parametrize(
    ("text", "error", "message"),
    [
        (
            "soc_fraction,ocv_v\n0,3\n0.5,3.6\n1,3.5\n",
            ArgumentInvalid,
            r"point 3: the voltage goes from 3\.6 to 3\.5",
        ),
        ("soc_fraction,ocv_v\n0,3\n0.5,3.6\n0.5,3.7\n1,4\n", ArgumentInvalid, "point 3: the state of charge"),
        ("soc_fraction,ocv_v\n0.1,3\n1,4\n", ArgumentInvalid, r"from 0\.1 to 1; it must run from 0 to 1"),
        ("soc_fraction,ocv_v,uncertainty_v\n0,3,0\n1,nan,0\n", ArgumentInvalid, "no number"),
        ("soc_fraction,ocv_v\n0,3\n", ArgumentInvalid, "two at least"),
        ("soc,ocv_v\n0,3\n", FileUnusable, "needs the columns"),
        ("soc_fraction,ocv_v\n0,three\n1,4\n", FileUnusable, "three"),
        ("", FileUnusable, "needs the columns"),
    ],
)
def test_a_wrong_curve_file_is_refused(tmp_path: Path, text: str, error: type[Exception], message: str) -> None:
    path = tmp_path / "own.csv"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(error, match=message):
        read_curve(path)


def test_a_curve_file_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(FileUnusable, match=r"gone\.csv: can't be read"):
        read_curve(tmp_path / "gone.csv")


def test_at_a_point_the_slope_is_that_of_the_piece_above() -> None:
    bent = OcvCurve(soc_fraction=(0, 0.5, 1), ocv_v=(3.0, 3.7, 4.2), uncertainty_v=(0, 0, 0), source="")
    assert bent.slope_v([0.0, 0.49, 0.5, 1.0]) == pytest.approx([1.4, 1.4, 1.0, 1.0])
