"""Heat of round cells against the formulas of a textbook, computed independently by hand."""

from __future__ import annotations

import pytest

from cellmatch.electrics.heat import Cylinder, holder_rise, steady_rise_k, time_constant_s

# F. P. Incropera et al., Fundamentals of Heat and Mass Transfer, 6th ed., Wiley 2007, sections 3.5 and 5.1:
# formulas; figures for a cell of 18 x 65 mm, 45 g, 1000 J/(kg K), 3 A through 50 mohm
SMALL = Cylinder(diameter_mm=18.0, length_mm=65.0)
HEAT_W = 3.0**2 * 0.050


def test_surface_and_volume() -> None:
    assert SMALL.area_m2 == pytest.approx(4.1846e-3, rel=1e-4)
    assert SMALL.volume_m3 == pytest.approx(1.65405e-5, rel=1e-4)
    large = Cylinder(diameter_mm=21.0, length_mm=70.0)
    assert large.area_m2 == pytest.approx(5.3109e-3, rel=1e-4)
    assert large.volume_m3 == pytest.approx(2.42452e-5, rel=1e-4)


@pytest.mark.parametrize(("film", "rise", "tau"), [(5, 21.507, 2150.7), (10, 10.754, 1075.4), (20, 5.377, 537.7)])
def test_rise_and_time_constant(film: float, rise: float, tau: float) -> None:
    assert float(steady_rise_k(HEAT_W, film, SMALL.area_m2)) == pytest.approx(rise, rel=1e-4)
    assert time_constant_s(45.0, film, SMALL.area_m2) == pytest.approx(tau, rel=1e-4)


@pytest.mark.parametrize(("conductivity", "rise"), [(0.2, 2.755), (0.5, 1.102), (1.0, 0.551)])
def test_core_over_skin(conductivity: float, rise: float) -> None:
    assert SMALL.core_over_skin_k(HEAT_W, conductivity) == pytest.approx(rise, abs=1e-3)


def test_a_cold_neighbour_warms_through_the_air_gap() -> None:
    """Two cells 20 mm apart, one heated: shape factor 2 pi L/acosh(1.4691) = 0.43713 m, 0.01137 W/K in air.

    F. P. Incropera et al., table 4.1, case 4, and table A.4; free surface 3.6385e-3 m2 at 8 W/(m2 K).
    """
    heat = ([0.5, 0.0], [0.5, 0.0])
    rise = holder_rise([0.0, 20.0], [0.0, 0.0], heat, SMALL, film_w_per_m2_k=(8.0, 8.0))
    assert float(rise.high_k[1] / rise.high_k[0]) == pytest.approx(0.28081, rel=1e-3)
    assert float(rise.high_k.sum()) == pytest.approx(0.5 / (8.0 * 3.63849e-03), rel=1e-3)
