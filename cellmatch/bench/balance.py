"""Millivolts at rest: groups low or high against their peers, and a meter that is off throughout."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from cellmatch.bench.built import BuiltPack
from cellmatch.bench.findings import Finding, alarm_sigma, finding, tied
from cellmatch.bench.rest_set import GROUP, MAIN, TAP, RestSet

MODEL_V = 0.002
"""[V] How well a group's rest voltage follows from its cells' (common practice, no source)."""


def unbalanced(built: BuiltPack, rest: RestSet, *, pairwise: bool, taps_sound: bool) -> list[tuple[Finding, ...]]:
    """Return groups that lie off their peers by more than the readings scatter.

    Cumulative readings prove order, pairwise readings prove balance: groups read one by one are used where
    there are any, then pins read against the pin below, and only then differences of cumulative readings,
    with the digits of their range.

    Parameters
    ----------
    built : BuiltPack
    rest : RestSet
        With every sign as it should be.
    pairwise : bool
        Pins were read against the pin below.
    taps_sound : bool
        No fault of the sense leads was found, so that they may be used.

    Returns
    -------
    list of tuple of Finding
    """
    number, volts, noise = _one_by_one(built, rest, pairwise=pairwise, taps_sound=taps_sound)
    if len(number) < 2:
        return []
    expected = built.group_v[number - 1]
    off = outliers(volts - expected, np.hypot(noise, expected_sigma(built, number)))
    if len(number) == 2 and off:
        i, away, sigma = off[0]
        # two groups only: whether one is high or the other low can't be told
        one = _off_finding(built, int(number[i]), volts[i], away, sigma, sure_fraction=0.5)
        other = _off_finding(built, int(number[1 - i]), volts[1 - i], -away, sigma, sure_fraction=0.5)
        return [tied((one, other))]
    return [(_off_finding(built, int(number[i]), volts[i], away, sigma),) for i, away, sigma in off]


def _off_finding(
    built: BuiltPack, group: int, volts: float, away: float, sigma: float, *, sure_fraction: float | None = None
) -> Finding:
    kind, side = ("group_high", "above") if away > 0 else ("group_low", "below")
    return finding(
        kind,
        f"group {group}",
        f"group {group} lies {abs(1000 * away):.0f} mV {side} its peers, the plan's own differences taken out"
        f"{_charge_words(built, group, 1000 * away)}. Level it before the first charge, or let the board bleed the "
        "others for as long as that takes.",
        (
            f"group {group} reads {volts:.4f} V; with its peers' shift it should read {volts - away:.4f} V "
            f"± {1000 * sigma:.1f} mV",
        ),
        sure_fraction=_sureness(away / sigma) if sure_fraction is None else sure_fraction,
        next_measurement=f"read group {group} and its neighbours again with the same meter",
    )


def _charge_words(built: BuiltPack, group: int, mv: float) -> str:
    if built.slope_v is None:
        return ""
    return f" (about {abs(mv) / 1000 / built.slope_v * built.group_ah[group - 1]:.2f} Ah)"


def outliers(
    value: NDArray[np.float64], sigma: NDArray[np.float64], *, high_only: bool = False
) -> list[tuple[int, float, float]]:
    """Return the values that lie off the rest by more than they scatter, the worst first.

    Each is held against the median of the others. The worst is taken out before the next is looked at, so
    that it does not make its peers look wrong.

    Parameters
    ----------
    value, sigma : ndarray, shape (n,)
    high_only : bool
        Only values above the rest count.

    Returns
    -------
    list of (index, how far off, standard deviation of that)
    """
    alarm = alarm_sigma(len(value), sides=1 if high_only else 2)
    left, found = np.arange(len(value)), []
    while len(left) > 1:
        away, spread = against_peers(value[left], sigma[left])
        score = away / spread if high_only else np.abs(away) / spread
        worst = int(np.argmax(score))
        if score[worst] <= alarm:
            break
        found.append((int(left[worst]), float(away[worst]), float(spread[worst])))
        left = np.delete(left, worst)
    return found


def peers_factor(groups: int) -> float:
    """Return by how much comparing one of `groups` with the median of the others widens what is known of it."""
    return math.sqrt(1 + math.pi / (2 * max(groups - 1, 1)))


def against_peers(
    value: NDArray[np.float64], sigma: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return how far each value lies from the median of the others, and how well that is known.

    The median of n values of standard deviation s is known to s·√(π/(2 n)) (large-sample efficiency of the
    median, H. Cramér, Mathematical Methods of Statistics, 1946, section 28.5).

    Returns
    -------
    ndarray, shape (n,)
    ndarray, shape (n,)
    """
    n = len(value)
    others = np.array([np.median(np.delete(value, i)) for i in range(n)])
    spread = np.sqrt(np.array([np.mean(np.delete(sigma, i) ** 2) for i in range(n)]))
    return value - others, np.hypot(sigma, spread * math.sqrt(math.pi / (2 * max(n - 1, 1))))


def _one_by_one(
    built: BuiltPack, rest: RestSet, *, pairwise: bool, taps_sound: bool
) -> tuple[NDArray[np.int64], NDArray[np.float64], NDArray[np.float64]]:
    """Return groups, their voltages, and the standard deviation of each reading."""
    groups, taps = rest.of_kind(GROUP), rest.of_kind(TAP)
    if not groups and taps_sound and pairwise:
        groups = {n: v for n, v in taps.items() if n > 0}
    if groups:
        number = np.array(sorted(groups), dtype=np.int64)
        return number, np.array([groups[int(n)] for n in number]), np.full(len(number), built.noise_v)
    pins = [n for n in sorted(taps) if taps_sound and n > 0 and (n - 1 in taps or n == 1)]
    steps = [(n, taps.get(n - 1, 0.0), taps[n]) for n in pins]
    noise = [_step_sigma(built, low, high) for _, low, high in steps]
    return np.array(pins, dtype=np.int64), np.array([b - a for _, a, b in steps]), np.array(noise)


def _step_sigma(built: BuiltPack, low_v: float, high_v: float) -> float:
    """Return how well the difference of two cumulative readings is known."""
    meter = built.meter
    own = math.hypot(*(math.hypot(built.noise_v, meter.digit_v(v) / 2) for v in (low_v, high_v)))
    if meter.range_number(low_v) == meter.range_number(high_v):
        return own
    # another range is another meter: its gain error does not cancel
    return math.hypot(own, meter.fraction / math.sqrt(3) * math.hypot(low_v, high_v))


def expected_sigma(built: BuiltPack, number: NDArray[np.int64]) -> NDArray[np.float64]:
    """Return how well the plan knows where groups rest against each other, shape of `number` [V]."""
    return np.hypot(MODEL_V, built.noise_v / np.sqrt(built.sizes[number - 1]))


def _sureness(sigmas: float) -> float:
    """Return how sure a deviation is, from how many standard deviations it is; never quite 1."""
    return min(0.999, math.erf(abs(sigmas) / math.sqrt(2)) ** 2)


Look = tuple[float, float, str]
"""What one look at the meter says it is off by [V], how well that is known [V], and in words."""


def meter_off(
    built: BuiltPack, rest: RestSet, *, pairwise: bool, taps_sound: bool, more: Sequence[Look] = ()
) -> list[tuple[Finding, ...]]:
    """Return a meter, or a whole pack, that is off by the same everywhere.

    Independent looks: pin 0 against itself, the sum of the groups against main, all groups against the plan,
    and `more` from readings under load.

    Returns
    -------
    list of tuple of Finding
        At most one event.
    """
    looks = [
        *more,
        *_pin_0(built, rest),
        *_sum_against_main(built, rest),
        *_all_against_plan(built, rest, pairwise, taps_sound),
    ]
    alarm = alarm_sigma(len(looks)) if looks else math.inf
    telling = [(volts, sigma, words) for volts, sigma, words in looks if abs(volts) > alarm * sigma]
    if not telling:
        return []
    volts, sigma, _ = max(telling, key=lambda look: abs(look[0] / look[1]))
    return [
        (
            finding(
                "meter_offset",
                "meter",
                f"everything reads about {1000 * volts:+.0f} mV off. Either the meter does, or the whole pack was "
                "charged or discharged since the plan. No group is worse than another for it.",
                [words for _, _, words in telling],
                sure_fraction=_sureness(volts / sigma),
                next_measurement="touch the probes together (0.000 V), then read a cell you know",
            ),
        )
    ]


def _pin_0(built: BuiltPack, rest: RestSet) -> list[Look]:
    taps = rest.of_kind(TAP)
    if 0 not in taps:
        return []
    words = f"pin 0 against itself reads {1000 * taps[0]:.1f} mV, expected 0 ± {1000 * built.noise_v:.1f} mV"
    return [(taps[0], built.noise_v, words)]


def _sum_against_main(built: BuiltPack, rest: RestSet) -> list[Look]:
    groups, main = rest.of_kind(GROUP), rest.of_kind(MAIN)
    if len(groups) < built.series or not main or built.series < 2:
        return []
    total, whole = sum(groups.values()), main[0]
    gain = built.meter.fraction / math.sqrt(3)
    sigma = math.sqrt(built.series * built.noise_v**2 + (gain * total) ** 2 + (gain * whole) ** 2)
    sigma = math.hypot(sigma, built.meter.digit_v(whole)) / (built.series - 1)
    words = f"the groups add up to {total:.3f} V; main reads {whole:.3f} V"
    return [((total - whole) / (built.series - 1), sigma, words)]


def _all_against_plan(built: BuiltPack, rest: RestSet, pairwise: bool, taps_sound: bool) -> list[Look]:
    number, volts, noise = _one_by_one(built, rest, pairwise=pairwise, taps_sound=taps_sound)
    if len(number) < 2:
        return []
    shift = float(np.median(volts - built.group_v[number - 1]))
    # the tester and this meter may each be off by their accuracy
    accuracy = math.sqrt(2) * built.meter.tolerance_v(float(np.median(volts))) / math.sqrt(3)
    words = f"all groups together lie {1000 * shift:+.0f} mV off the plan"
    return [(shift, math.hypot(accuracy, float(np.median(noise))), words)]
