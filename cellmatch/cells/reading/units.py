"""Units as people spell them, and the ranges that tell which unit a column without one is in."""

from __future__ import annotations

import re
import unicodedata
from dataclasses import dataclass

from cellmatch.cells.reading.spelling import DASHES, INVISIBLE


@dataclass(frozen=True, slots=True)
class Unit:
    """A unit: ``ours = (value + before) * factor``.

    Parameters
    ----------
    symbol : str
        As it is printed.
    quantity : str
        What is measured in it.
    factor : float
        To the unit in our column's name.
    before : float
        Added first (temperatures only).
    """

    symbol: str
    quantity: str
    factor: float = 1.0
    before: float = 0.0


@dataclass(frozen=True, slots=True)
class Plausible:
    """Range in which the median of a tray lies in one unit (common practice, no source).

    Parameters
    ----------
    unit : Unit
    least, most : float
        Where the unit is stated; a median outside says that the stated unit can't be right.
    likely_least, likely_most : float
        Where no unit is stated; the likely ranges of one quantity don't overlap, and a median in none
        of them is asked about.
    """

    unit: Unit
    least: float
    most: float
    likely_least: float
    likely_most: float


V, MV = Unit("V", "voltage"), Unit("mV", "voltage", 1e-3)
MAH, AH, AS = Unit("mAh", "capacity"), Unit("Ah", "capacity", 1e3), Unit("As", "capacity", 1 / 3.6)
MOHM, OHM, UOHM = Unit("mohm", "resistance"), Unit("ohm", "resistance", 1e3), Unit("µohm", "resistance", 1e-3)
CELSIUS = Unit("°C", "temperature")
KELVIN = Unit("K", "temperature", 1.0, -273.15)
FAHRENHEIT = Unit("°F", "temperature", 1 / 1.8, -32.0)
MV_PER_DAY = Unit("mV/day", "voltage rate")
MV_PER_HOUR, V_PER_DAY = Unit("mV/h", "voltage rate", 24.0), Unit("V/day", "voltage rate", 1e3)
HOUR, MINUTE, SECOND, DAY = (
    Unit("h", "time"),
    Unit("min", "time", 1 / 60),
    Unit("s", "time", 1 / 3600),
    Unit("d", "time", 24.0),
)
GRAM, KILOGRAM = Unit("g", "mass"), Unit("kg", "mass", 1e3)
AMPERE, MILLIAMPERE = Unit("A", "current"), Unit("mA", "current", 1e-3)
WATT_HOUR = Unit("Wh", "energy")

_SPELLED: tuple[tuple[Unit, str], ...] = (
    (V, "V volt volts vdc Volt v(dc) В вольт"),
    (MV, "mV millivolt millivolts mvolt mvolts mvdc мВ"),
    (MAH, "mAh milliamperehours milliamphours mahr mamphr mamp-hr ma-h mah. мАч мА-ч mAч"),
    (AH, "Ah amperehours amphours amphour ahr amphr amp-hr amphrs amp-hrs a-h Ач А-ч"),
    (AS, "As amperesecond coulomb coulombs"),
    (MOHM, "mΩ mohm mohms milliohm milliohms mo mr m-ohm mΩ毫欧 毫欧 мОм"),
    (OHM, "Ω ohm ohms 欧 欧姆 Ом"),
    (UOHM, "µΩ uΩ µohm uohm uohms microohm microohms мкОм"),
    (CELSIUS, "°C degC degreesC celsius gradC ºC"),
    (KELVIN, "K kelvin"),
    (FAHRENHEIT, "°F degF fahrenheit"),
    (MV_PER_DAY, "mV/day mV/d mV/24h mV/tag mVperday mvd mV/jour mV/天"),
    (MV_PER_HOUR, "mV/h mV/hr mV/hour"),
    (V_PER_DAY, "V/day V/d V/24h"),
    (HOUR, "h hr hrs hour hours std stunden heures horas ore 小时 時間"),
    (MINUTE, "min mins minute minutes minuten 分 分钟"),
    (SECOND, "s с сек sec secs second seconds sek sekunden 秒"),
    (DAY, "d day days tage jours dias giorni 天 日"),
    (GRAM, "g gram grams gramm grammes gramos grammi 克"),
    (KILOGRAM, "kg"),
    (AMPERE, "A А amp amps ampere"),
    (MILLIAMPERE, "mA мА mamp mamps milliampere"),
    (WATT_HOUR, "Wh mWh kWh watthr watt-hr"),
)


def _unit_key(text: str) -> str:
    text = DASHES.sub("-", unicodedata.normalize("NFKC", INVISIBLE.sub("", text)))
    return re.sub(r"[\s._·*⋅]", "", text).casefold()


_BY_KEY = {_unit_key(word): unit for unit, words in _SPELLED for word in words.split()}
_BY_KEY["c"] = CELSIUS  # in a heading like "Temp [C]"; a capacity in coulomb has to be spelled out

QUANTITY = {
    "ocv_v": "voltage",
    "capacity_mah": "capacity",
    "rated_mah": "capacity",
    "ir_mohm": "resistance",
    "temperature_c": "temperature",
    "self_discharge_mv_per_day": "voltage rate",
    "rested_h": "time",
    "mass_g": "mass",
}
"""What each number column of the cell table measures."""

_NO_END = float("inf")

PLAUSIBLE: dict[str, tuple[Plausible, ...]] = {
    "voltage": (Plausible(V, 0, 6.5, 0, 6.5), Plausible(MV, 100, 6500, 650, 6500)),
    "capacity": (
        Plausible(MAH, 10, 1_000_000, 500, 1_000_000),
        Plausible(AH, 0.01, 1000, 0.05, 50),
        Plausible(AS, 36, 3_600_000, 0, 0),
    ),
    "resistance": (
        Plausible(MOHM, 0.05, 5000, 1, 1000),
        Plausible(OHM, 0.00005, 2, 0.0005, 0.1),
        Plausible(UOHM, 50, 5_000_000, 0, 0),
    ),
    "temperature": (
        Plausible(CELSIUS, 0, 120, 0, 60),
        Plausible(KELVIN, 213, 393, 260, 330),
        Plausible(FAHRENHEIT, 0, 250, 0, 0),
    ),
    "voltage rate": (
        Plausible(MV_PER_DAY, 0, 1000, 0, 1000),
        Plausible(MV_PER_HOUR, 0, 100, 0, 0),
        Plausible(V_PER_DAY, 0, 1, 0, 0),
    ),
    "time": (
        Plausible(HOUR, 0, 1_000_000, 0, 1_000_000),
        Plausible(MINUTE, 0, _NO_END, 0, 0),
        Plausible(SECOND, 0, _NO_END, 0, 0),
        Plausible(DAY, 0, 40_000, 0, 0),
    ),
    "mass": (Plausible(GRAM, 1, 100_000, 1, 100_000), Plausible(KILOGRAM, 0.001, 100, 0.001, 0.9)),
}
"""Ranges of the median of a tray, by quantity (common practice, no source). A likely range of 0 to 0: a
unit that is never taken without being stated."""


def unit_of(text: str) -> Unit | None:
    """Return the unit that `text` spells, None for a text that spells none.

    Examples
    --------
    >>> unit_of("mΩ").symbol, unit_of("mOhm").symbol, unit_of("m Ohm").symbol, unit_of("mΩ ")
    ('mohm', 'mohm', 'mohm', Unit(symbol='mohm', quantity='resistance', factor=1.0, before=0.0))
    >>> unit_of("cycles") is None
    True
    """
    return _BY_KEY.get(_unit_key(text))


def units_for(name: str) -> tuple[Unit, ...]:
    """Return the units in which the number column `name` may be given."""
    return tuple(p.unit for p in PLAUSIBLE[QUANTITY[name]])
