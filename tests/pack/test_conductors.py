"""Wire, strip and bar against published figures."""

from __future__ import annotations

import pytest

from cellmatch.errors import ArgumentInvalid
from cellmatch.pack.conductors import MATERIALS, Conductor, rating_words, strip, wire, wire_diameter_mm


@pytest.mark.parametrize(("awg", "diameter"), [(0, 8.252), (2, 6.543), (4, 5.189), (6, 4.115)])
def test_gauge_against_a_handbook(awg: int, diameter: float) -> None:
    """CRC Handbook of Chemistry and Physics, table of wire gauges."""
    assert wire_diameter_mm(awg) == pytest.approx(diameter, abs=1e-3)


@pytest.mark.parametrize(
    ("awg", "area", "mohm_per_m"),
    [
        (4, 21.151, 0.8152),
        (6, 13.302, 1.2961),
        (8, 8.3656, 2.0609),
        (10, 5.2612, 3.2770),
        (12, 3.3088, 5.2107),
        (14, 2.0809, 8.2853),
        (16, 1.3087, 13.174),
        (18, 0.8230, 20.948),
        (20, 0.5176, 33.308),
        (22, 0.3255, 52.962),
    ],
)
def test_copper_wire(awg: int, area: float, mohm_per_m: float) -> None:
    """ASTM B258 diameters with copper of 100 % IACS (IEC 60028), computed independently."""
    piece = wire(awg, 1000.0)
    assert piece.area_mm2 == pytest.approx(area, rel=2e-4)
    assert 1e3 * piece.ohm() == pytest.approx(mohm_per_m, rel=1e-3)


@pytest.mark.parametrize(
    ("width", "thickness", "length", "material", "mohm"),
    [
        (8.0, 0.15, 1000.0, "nickel", 58.25),
        (8.0, 0.15, 20.0, "nickel", 1.165),
        (10.0, 0.3, 20.0, "nickel", 0.466),
        (8.0, 0.15, 1000.0, "nickel200", 80.35),
        (8.0, 0.15, 20.0, "nickel200", 1.607),
        (10.0, 0.3, 20.0, "nickel200", 0.643),
        (10.0, 1.0, 100.0, "copper", 0.1724),
        (10.0, 1.0, 20.0, "brass", 0.142),
    ],
)
def test_strip(width: float, thickness: float, length: float, material: str, mohm: float) -> None:
    """Resistivity times length over area, computed independently by hand."""
    assert 1e3 * strip(width, thickness, length, material).ohm() == pytest.approx(mohm, rel=1e-3)


def test_the_two_nickels_are_two_materials() -> None:
    """58 and 76 ohm circular mil/ft at 70 and 200 degF: Special Metals, data sheet of Nickel 200 (UNS N02200)."""
    circular_mil_ft = 1.66243e-9  # ohm m
    nickel = MATERIALS["nickel200"]
    assert nickel.resistivity_ohm_m == pytest.approx(58 * circular_mil_ft, rel=1e-3)
    piece = Conductor(material="nickel200", area_mm2=1.0, length_mm=1000.0)
    warm = (200 - 32) / 1.8
    assert piece.ohm(warm) * 1e-6 == pytest.approx(76 * circular_mil_ft, rel=0.02)
    assert nickel.resistivity_ohm_m / MATERIALS["nickel"].resistivity_ohm_m == pytest.approx(1.38, abs=0.005)


@pytest.mark.parametrize(("material", "ratio"), [("copper", 1.1572), ("nickel200", 1.172)])
def test_rise_with_temperature(material: str, ratio: float) -> None:
    """R(60 degC)/R(20 degC), computed independently by hand."""
    piece = Conductor(material=material, area_mm2=1.0, length_mm=100.0)
    assert piece.ohm(60.0) / piece.ohm(20.0) == pytest.approx(ratio, rel=1e-4)


def test_drop_and_heat() -> None:
    bar = strip(10.0, 1.0, 100.0, "copper")
    assert bar.drop_v(40.0) == pytest.approx(40 * bar.ohm())
    assert bar.heat_w(40.0, 60.0) == pytest.approx(40 * bar.drop_v(40.0, 60.0))


def test_every_material_says_where_it_comes_from() -> None:
    for material in MATERIALS.values():
        assert material.source
        assert 0 < material.per_k < 0.01


def test_bad_input_is_named() -> None:
    with pytest.raises(ArgumentInvalid, match="did you mean nickel"):
        strip(8.0, 0.15, 20.0, "nickle")
    with pytest.raises(ArgumentInvalid, match="both must be above 0"):
        strip(8.0, 0.0, 20.0, "nickel")
    with pytest.raises(ArgumentInvalid, match="AWG runs from"):
        wire(50, 100.0)
    with pytest.raises(ArgumentInvalid, match="link rating"):
        rating_words(3.0, -1.0)
    assert "within the rating of 5 A" in rating_words(3.0, 5.0)
