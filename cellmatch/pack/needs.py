"""What a load asks of its pack, and what the data sheet of a cell promises."""

from __future__ import annotations

import math
from dataclasses import dataclass, fields

from cellmatch.errors import ArgumentInvalid, Problem


@dataclass(frozen=True, kw_only=True, slots=True)
class Needs:
    """What a load asks of its pack; whatever is not given asks for nothing.

    Parameters
    ----------
    voltage_v : float or None
        [V] Nominal voltage, as on the load's label.
    least_v, most_v : float or None
        [V] The load switches off below the one and must never see more than the other.
    capacity_ah : float or None
        [Ah]
    energy_wh : float or None
        [Wh] At the nominal voltage.
    range_km, wh_per_km : float or None
        [km], [Wh/km] Their product is an energy.
    current_a, peak_a : float or None
        [A] Continuous, and for seconds.
    power_w : float or None
        [W] Continuous; the current is worked out where it is highest, at the pack's empty end.

    Raises
    ------
    ArgumentInvalid
        A number that is not above 0, a window the wrong way round, a range without its consumption.
    """

    voltage_v: float | None = None
    least_v: float | None = None
    most_v: float | None = None
    capacity_ah: float | None = None
    energy_wh: float | None = None
    range_km: float | None = None
    wh_per_km: float | None = None
    current_a: float | None = None
    peak_a: float | None = None
    power_w: float | None = None

    def __post_init__(self) -> None:
        problems = _not_positive(self, "need")
        if self.least_v and self.most_v and self.least_v >= self.most_v:
            window = f"found {self.least_v:g} to {self.most_v:g} V; the lowest must be below the highest"
            problems.append(Problem("window of the load", window))
        if self.range_km and not self.wh_per_km:
            problems.append(Problem("range", f"{self.range_km:g} km need the consumption in Wh/km beside them"))
        if problems:
            raise ArgumentInvalid(problems)

    @property
    def asks_for_charge(self) -> bool:
        """A capacity, an energy or a range is asked for."""
        return bool(self.capacity_ah or self.asked_energy_wh)

    @property
    def asked_energy_wh(self) -> float:
        """The larger of the energy and the range's energy [Wh]; 0 where neither is asked for."""
        by_range = self.range_km * self.wh_per_km if self.range_km and self.wh_per_km else 0.0
        return max(self.energy_wh or 0.0, by_range)


@dataclass(frozen=True, kw_only=True, slots=True)
class CellData:
    """What the data sheet says of one cell.

    Parameters
    ----------
    capacity_mah : float
        [mAh] Rated.
    nominal_v : float or None
        [V] None: that of the chemistry.
    current_a, peak_a : float or None
        [A] What it may give continuously, and for seconds.
    contact_a : float or None
        [A] What the contact or link of one cell may carry.
    ir_mohm : float or None
        [mohm] DC resistance.
    mass_g : float or None
        [g]

    Raises
    ------
    ArgumentInvalid
        A number that is not above 0.
    """

    capacity_mah: float
    nominal_v: float | None = None
    current_a: float | None = None
    peak_a: float | None = None
    contact_a: float | None = None
    ir_mohm: float | None = None
    mass_g: float | None = None

    def __post_init__(self) -> None:
        if problems := _not_positive(self, "cell"):
            raise ArgumentInvalid(problems)


def _not_positive(given: Needs | CellData, what: str) -> list[Problem]:
    values: list[tuple[str, float | None]] = [(f.name, getattr(given, f.name)) for f in fields(given)]
    return [
        Problem(f"{what} {name}", f"found {value}; a number above 0 is needed")
        for name, value in values
        if value is not None and not 0 < value < math.inf
    ]
