"""Every limit a user may set, with its default and the reason for it.

Kept free of imports that cost time, so that the command line can show the defaults at once.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, NamedTuple

from cellmatch.errors import ArgumentInvalid, Problem

if TYPE_CHECKING:
    from cellmatch.pack.chemistry import Chemistry

JOIN_WINDOW_MV = 50.0
"""Half width of the joining window where no current limit asks for less (common practice, no source)."""
JOIN_LIMIT_C = 0.5
"""Joining current a cell may see, in C, where its charge limit is not given (common practice, no source)."""
JOIN_STOP_RATIO = 10.0
"""Above this multiple of the joining limit a difference is a fault to look for, not a levelling job
(common practice, no source)."""
MIN_CAPACITY_FRACTION_NEW = 0.90
MIN_CAPACITY_FRACTION_SALVAGED = 0.60
WORN_OUT_FRACTION = 0.50
MAX_IR_RATIO_NEW = 1.5
MAX_IR_RATIO_SALVAGED = 2.0
OUTLIER_K = 5.0
"""One-sided outlier limit in robust standard deviations: 3 would throw out 4 % of good cells."""
REPEATABILITY_FRACTION = 0.01
"""Standard deviation of one capacity reading, of rated or else of the median: a hobby tester."""
ABOVE_FULL_V = 0.05
MASS_LOSS_FRACTION = 0.02
METER_FRACTION = 0.005
METER_DIGITS_V = 0.002
"""A common hand meter: 0.5 % of the reading + 2 digits of 1 mV (common practice, no source)."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Limits:
    """What a cell must keep to be used, and what joining it may cost.

    :data:`LIMIT_WORDS` says what each value means and where its default comes from. A value of None is
    filled from the chemistry, or from `salvaged`, by :meth:`settled`.

    Raises
    ------
    ArgumentInvalid
        A limit that can't be meant: negative, not a number, or in the wrong order.

    Examples
    --------
    >>> Limits(rated_mah=2500, salvaged=True).outlier_k
    5.0
    """

    floor_v: float | None = None
    min_v: float | None = None
    max_v: float | None = None
    above_full_v: float = ABOVE_FULL_V
    join_window_mv: float | None = None
    join_limit_c: float = JOIN_LIMIT_C
    charge_limit_a: float | None = None
    join_stop_ratio: float = JOIN_STOP_RATIO
    rated_mah: float | None = None
    salvaged: bool = False
    min_capacity_fraction: float | None = None
    worn_out_fraction: float = WORN_OUT_FRACTION
    max_ir_mohm: float | None = None
    max_ir_ratio: float | None = None
    outlier_k: float = OUTLIER_K
    repeatability_fraction: float | None = None
    mass_loss_fraction: float = MASS_LOSS_FRACTION
    meter_fraction: float = METER_FRACTION
    meter_digits_v: float = METER_DIGITS_V

    def __post_init__(self) -> None:
        problems = []
        for name in self.__slots__:
            value = getattr(self, name)
            if value is None or isinstance(value, bool):
                continue
            if not value >= 0 or value == float("inf"):
                problems.append(Problem(option_name(name), f"found {value}; a limit is a number of 0 or more"))
            elif name in _MUST_BE_POSITIVE and value == 0:
                problems.append(Problem(option_name(name), "found 0; it must be above 0"))
            elif name.endswith("_fraction") and value > 1:
                problems.append(Problem(option_name(name), f"found {value}; a fraction is at most 1 (0.9 means 90 %)"))
        if self.min_v is not None and self.max_v is not None and self.min_v >= self.max_v:
            problems.append(
                Problem(
                    "--min-v and --max-v",
                    f"found {self.min_v} and {self.max_v}; the lowest must be below full",
                )
            )
        if problems:
            raise ArgumentInvalid(problems)

    def settled(self, chemistry: Chemistry) -> Limits:
        """Return the limits with every open value filled from the chemistry and from `salvaged`.

        Raises
        ------
        ArgumentInvalid
            A given limit contradicts the chemistry's order floor <= lowest < full.
        """
        floor_v = chemistry.floor_v if self.floor_v is None else self.floor_v
        min_v = chemistry.min_v if self.min_v is None else self.min_v
        max_v = chemistry.full_v if self.max_v is None else self.max_v
        if not floor_v <= min_v < max_v:
            raise ArgumentInvalid(
                Problem(
                    "voltage limits",
                    f"found floor {floor_v} V, lowest {min_v} V, full {max_v} V for {chemistry.label}; "
                    "they must rise in this order (--floor-v, --min-v, --max-v)",
                )
            )
        return replace(
            self,
            floor_v=floor_v,
            min_v=min_v,
            max_v=max_v,
            repeatability_fraction=(
                REPEATABILITY_FRACTION if self.repeatability_fraction is None else self.repeatability_fraction
            ),
            min_capacity_fraction=(
                (MIN_CAPACITY_FRACTION_SALVAGED if self.salvaged else MIN_CAPACITY_FRACTION_NEW)
                if self.min_capacity_fraction is None
                else self.min_capacity_fraction
            ),
            max_ir_ratio=(
                (MAX_IR_RATIO_SALVAGED if self.salvaged else MAX_IR_RATIO_NEW)
                if self.max_ir_ratio is None
                else self.max_ir_ratio
            ),
        )


class LimitWords(NamedTuple):
    """How a limit is spoken of."""

    words: str
    """Its unit and what it means, for whoever sets it."""
    default: str
    """Where its value comes from when it isn't set."""
    short: str
    """What it is, for whoever reads it beside its value."""
    unit: str
    decimals: int
    factor: float = 1
    """What a value is multiplied by to stand in that unit."""


LIMIT_WORDS: dict[str, LimitWords] = {
    "floor_v": LimitWords(
        "V. A cell found below it is never used", "2.0, LFP and LTO 1.5", "never use a cell found below", "V", 2, 1
    ),
    "min_v": LimitWords(
        "V. Lowest voltage in service; a cell below it is quarantined",
        "2.5, LFP 2.0, LTO 1.5",
        "lowest in service",
        "V",
        2,
        1,
    ),
    "max_v": LimitWords("V. Full", "4.20, LFP 3.65, LTO 2.85", "full", "V", 2, 1),
    "above_full_v": LimitWords(
        "V. A cell this far above full was overcharged", "0.05", "overcharged when this far above full", "mV", 0, 1000
    ),
    "join_window_mv": LimitWords(
        "mV. Half width of the joining window around the tray's median voltage",
        "the smaller of 50 and half of what the joining limit allows",
        "joining window, to each side",
        "mV",
        1,
        1,
    ),
    "join_limit_c": LimitWords(
        "C. Largest current a cell may see at the instant of joining", "0.5", "joining current, of capacity", "C", 2, 1
    ),
    "charge_limit_a": LimitWords(
        "A. The maker's charge limit; takes the place of --join-limit-c",
        "not given",
        "charge limit of the cell",
        "A",
        2,
        1,
    ),
    "join_stop_ratio": LimitWords(
        "Times the joining limit from which the verdict is stop",
        "10",
        "stop above this multiple of the joining limit",
        "×",
        0,
        1,
    ),
    "rated_mah": LimitWords(
        "mAh. Rated capacity, where the file has none per cell", "not given", "rated capacity", "mAh", 0, 1
    ),
    "salvaged": LimitWords(
        "The cells were taken out of something: other floors, other words", "off", "salvaged cells", "", 0, 1
    ),
    "min_capacity_fraction": LimitWords(
        "Least capacity as a fraction of rated, where rated is given",
        "0.90, salvaged 0.60",
        "least capacity, of rated",
        "%",
        0,
        100,
    ),
    "worn_out_fraction": LimitWords(
        "Below this fraction of rated, cell or label is wrong", "0.50", "worn out below, of rated", "%", 0, 100
    ),
    "max_ir_mohm": LimitWords("mohm. Resistance ceiling", "none", "highest resistance", "mΩ", 1, 1),
    "max_ir_ratio": LimitWords(
        "Resistance ceiling as a multiple of the median of the same model, method and temperature",
        "1.5, salvaged 2",
        "highest resistance, of the median of its kind",
        "×",
        2,
        1,
    ),
    "outlier_k": LimitWords(
        "One-sided outlier limit in robust standard deviations",
        "5",
        "outlier beyond, in robust standard deviations",
        "",
        1,
        1,
    ),
    "repeatability_fraction": LimitWords(
        "Standard deviation of one capacity reading as a fraction of rated, or else of the median",
        "from repeated readings, else 0.01",
        "repeatability of one capacity reading (1 σ)",
        "%",
        2,
        100,
    ),
    "mass_loss_fraction": LimitWords(
        "A cell lighter than its lot's median by this fraction has leaked",
        "0.02",
        "leaked when lighter than its lot by",
        "%",
        0,
        100,
    ),
    "meter_fraction": LimitWords(
        "Accuracy of the voltmeter as a fraction of the reading",
        "0.005",
        "voltmeter accuracy, of the reading",
        "%",
        2,
        100,
    ),
    "meter_digits_v": LimitWords(
        "V. Accuracy of the voltmeter: its last digits", "0.002", "voltmeter accuracy, digits", "mV", 0, 1000
    ),
}
"""What each limit means, its default in words, and how a report shows it."""

_MUST_BE_POSITIVE = frozenset(
    {
        "join_limit_c",
        "charge_limit_a",
        "join_window_mv",
        "rated_mah",
        "max_ir_mohm",
        "max_ir_ratio",
        "outlier_k",
    }
)


def option_name(field: str) -> str:
    """Return a limit's name as it is typed on the command line.

    Examples
    --------
    >>> option_name("join_window_mv")
    '--join-window-mv'
    """
    return "--" + field.replace("_", "-")
