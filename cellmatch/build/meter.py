"""What a voltmeter can be trusted to, range by range."""

from __future__ import annotations

from dataclasses import dataclass

from cellmatch.pack.limits import METER_DIGITS_V, METER_FRACTION, Limits

LOWEST_RANGE_V = 6.0
"""Range of a common 6000-count hand meter in which one digit is 1 mV; each next range has ten times the
span and ten times the digit (common practice, no source)."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Meter:
    """Accuracy of a voltmeter.

    Parameters
    ----------
    fraction : float
        Of the reading.
    digits_v : float
        [V] What the stated digits are worth in the lowest range.
    range_v : float
        [V] Lowest range.

    Examples
    --------
    >>> meter = Meter()
    >>> 1000 * meter.tolerance_v(3.67), meter.tolerance_v(36.7)
    (20.35, 0.2035)
    """

    fraction: float = METER_FRACTION
    digits_v: float = METER_DIGITS_V
    range_v: float = LOWEST_RANGE_V

    @classmethod
    def of(cls, limits: Limits) -> Meter:
        """Return the meter that the limits describe."""
        return cls(fraction=limits.meter_fraction, digits_v=limits.meter_digits_v)

    def range_number(self, volts: float) -> int:
        """Return the range in which `volts` is read: 0 is the lowest. Another range is another meter."""
        number, top = 0, self.range_v
        while abs(volts) > top:
            number, top = number + 1, 10 * top
        return number

    def digit_v(self, volts: float) -> float:
        """Return what the stated digits are worth where `volts` is read [V]."""
        return self.digits_v * 10.0 ** self.range_number(volts)

    def tolerance_v(self, volts: float) -> float:
        """Return how far a reading of `volts` may lie from the truth [V]."""
        return self.fraction * abs(volts) + self.digit_v(volts)
