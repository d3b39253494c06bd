"""Wire, strip and bar: resistance, drop and heat by material and size. No ampacity is invented."""

from __future__ import annotations

import math
from dataclasses import dataclass

from cellmatch.errors import ArgumentInvalid, Problem, nearest_name


@dataclass(frozen=True, kw_only=True, slots=True)
class Material:
    """What a conductor is made of.

    Parameters
    ----------
    label : str
        In words.
    resistivity_ohm_m : float
        [ohm m] At 20 degC.
    per_k : float
        [1/K] Its rise with temperature, of the value at 20 degC.
    source : str
        Where the figures come from.
    """

    label: str
    resistivity_ohm_m: float
    per_k: float
    source: str


MATERIALS: dict[str, Material] = {
    "copper": Material(
        label="copper, 100 % IACS",
        resistivity_ohm_m=1.7241e-8,
        per_k=3.93e-3,
        source="IEC 60028: 1/58 ohm mm2/m at 20 degC",
    ),
    "aluminium": Material(
        label="aluminium",
        resistivity_ohm_m=2.65e-8,
        per_k=3.8e-3,
        source="handbook table of resistivities",
    ),
    "brass": Material(
        label="brass, 63 % copper",
        resistivity_ohm_m=7.1e-8,
        per_k=1.5e-3,
        source="handbook table of resistivities",
    ),
    "nickel": Material(
        label="pure nickel, 99.9 %",
        resistivity_ohm_m=6.99e-8,
        per_k=6.6e-3,
        source="handbook value; an alloy maker's sheet gives 7e-8 within 10 %",
    ),
    "nickel200": Material(
        label="commercially pure nickel, UNS N02200 (99.6 %): what most strip is",
        resistivity_ohm_m=9.64e-8,
        per_k=4.3e-3,
        source="58 ohm circular mil/ft at 70 degF, 76 at 200 degF: Special Metals, data sheet of Nickel 200",
    ),
}


@dataclass(frozen=True, kw_only=True, slots=True)
class Conductor:
    """A piece of wire, strip or bar.

    Parameters
    ----------
    material : str
        One of :data:`MATERIALS`.
    area_mm2 : float
        [mm2] Cross-section.
    length_mm : float
        [mm]

    Raises
    ------
    ArgumentInvalid
        An unknown material, a size of 0 or below.

    Examples
    --------
    >>> strip(8.0, 0.15, 20.0, "nickel").ohm(), strip(8.0, 0.15, 20.0, "nickel200").ohm()
    (0.001165, 0.001607)
    >>> wire(12, 1000.0).ohm()
    0.005211
    """

    material: str
    area_mm2: float
    length_mm: float

    def __post_init__(self) -> None:
        problems = []
        if self.material not in MATERIALS:
            problems.append(Problem(f"material '{self.material}'", nearest_name(self.material, MATERIALS)))
        if not (0 < self.area_mm2 < float("inf") and 0 < self.length_mm < float("inf")):
            found = f"found {self.area_mm2:g} mm2 and {self.length_mm:g} mm"
            problems.append(Problem("conductor", f"{found}; both must be above 0"))
        if problems:
            raise ArgumentInvalid(problems)

    def ohm(self, temperature_c: float = 20.0) -> float:
        """Return the resistance [ohm] at a temperature [degC]."""
        metal = MATERIALS[self.material]
        warm = 1.0 + metal.per_k * (temperature_c - 20.0)
        return metal.resistivity_ohm_m * warm * (self.length_mm * 1e-3) / (self.area_mm2 * 1e-6)

    def drop_v(self, current_a: float, temperature_c: float = 20.0) -> float:
        """Return the voltage drop [V] at a current [A]."""
        return current_a * self.ohm(temperature_c)

    def heat_w(self, current_a: float, temperature_c: float = 20.0) -> float:
        """Return the heat [W] at a current [A]."""
        return current_a**2 * self.ohm(temperature_c)


def wire_diameter_mm(awg: int) -> float:
    """Return the diameter of a wire gauge [mm]: 0.127 * 92**((36 - n)/39) (ASTM B258).

    Parameters
    ----------
    awg : int
        -3 stands for 4/0 (0000), 0 for 1/0.

    Raises
    ------
    ArgumentInvalid
        A gauge outside -3 to 40.

    Examples
    --------
    >>> wire_diameter_mm(4), wire_diameter_mm(36)
    (5.1894, 0.127)
    """
    if not -3 <= awg <= 40:
        raise ArgumentInvalid(Problem(f"wire gauge {awg}", "AWG runs from -3 (written 0000) to 40"))
    return 0.127 * math.pow(92.0, (36 - awg) / 39)


def wire(awg: int, length_mm: float, material: str = "copper") -> Conductor:
    """Return a solid round wire of a gauge; a stranded one of the gauge has about its area."""
    area = 0.25 * math.pi * wire_diameter_mm(awg) ** 2
    return Conductor(material=material, area_mm2=area, length_mm=length_mm)


def strip(width_mm: float, thickness_mm: float, length_mm: float, material: str) -> Conductor:
    """Return a strip or bar. The material is never assumed: strips sold as nickel differ by a third."""
    return Conductor(material=material, area_mm2=width_mm * thickness_mm, length_mm=length_mm)


def rating_words(current_a: float, rating_a: float | None) -> str:
    """Say whether a current stays within the rating the user gave for a link.

    Examples
    --------
    >>> rating_words(14.4, 10.0)
    '14.4 A, above the rating of 10 A given'
    >>> rating_words(14.4, None)
    '14.4 A; no rating given to hold it against'
    """
    if rating_a is None:
        return f"{current_a:.1f} A; no rating given to hold it against"
    if not rating_a > 0:
        raise ArgumentInvalid(Problem("link rating", f"found {rating_a:g} A; it must be above 0"))
    side = "within" if current_a <= rating_a else "above"
    return f"{current_a:.1f} A, {side} the rating of {rating_a:g} A given"
