"""Which fault explains the readings at rest best.

Every fault of :data:`~cellmatch.bench.hypotheses.FAULTS` predicts all readings. Each prediction is compared
with what was read by its likelihood, with everything that may differ without a fault in the covariance: the
meter's noise, its gain in each range (another range is another meter), what a group may lie beside the plan,
and a charge or discharge of the whole pack since. Explanations that come out alike are a tie, and the
reading whose predictions differ most between them is what to measure next.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from cellmatch.bench.built import BuiltPack
from cellmatch.bench.findings import Finding, finding, tied
from cellmatch.bench.hypotheses import Hypothesis, every_fault, healthy
from cellmatch.bench.rest_set import GROUP, MAIN, PIN, TAP, RestSet, unit_rows

GROUP_V = 0.03
"""[V] What a group may lie beside its peers without a fault that shows in volts; less is a matter of balance."""
COMMON_V = 0.5
"""[V] What all groups together may have been charged or discharged since the plan."""
BESIDE_V = 0.02
"""[V] Left for what no hypothesis reckons with."""
FLOATING_V = 0.2
"""[V] What a meter of 10 Mohm shows at an open end."""
TELLING_V = 0.2
"""[V] Two explanations are told apart by a reading that differs by at least this much."""
FITS_SIGMA = 5.0
AWAY_SIGMA = 2.0
"""Readings this far from a healthy pack's are told as evidence."""
HEALTHY_ODDS = 20.0
LISTED = 0.02
"""Explanations less likely than this, of all, are not named."""
WITHIN = {
    "group_dead": "part group {n} from its neighbours, read each of its cells by itself",
    "cell_reversed": "do not touch the links: read the group at its plates from time to time until it is cold, then "
    "part it and read each of its cells",
    "group_reversed": "read the group at its plates, red probe at the end the map shows as +",
    "tap_open": "read from the plate to the pin of that lead with the meter on ohms, the lead off its plate",
    "taps_swapped": "after the change, read every pin against pin 0 again",
    "row_shifted": "after the change, read every pin against pin 0 again",
    "probes_swapped": "read again with the probes changed",
    "meter_offset": "touch the probes together, then read a cell you know",
}


def explain(built: BuiltPack, rest: RestSet) -> tuple[list[tuple[Finding, ...]], Hypothesis, bool]:
    """Return the faults that explain readings at rest.

    Parameters
    ----------
    built : BuiltPack
    rest : RestSet

    Returns
    -------
    list of tuple of Finding
        One tuple an event, its explanations the surest first; empty where nothing shows.
    Hypothesis
        The best explanation.
    bool
        Pins were read against the pin below, not against pin 0.
    """
    nothing = healthy(built.series)
    modes = [False, True] if rest.of_kind(TAP) else [False]
    for pairwise in modes:
        if _fits(built, nothing, _in_mode(rest, pairwise), pairwise):
            return [], nothing, pairwise
    faults = [nothing, *every_fault(built.sizes)]
    likely = [_log_evidence(built, faults, _in_mode(rest, mode), mode) for mode in modes]
    # a set in the other mode has as many readings but pin 0, so the better fit tells how it was read
    pairwise = modes[int(np.argmax([values.max() for values in likely]))]
    values = likely[modes.index(pairwise)]
    chance = np.exp(values - values.max())
    chance /= chance.sum()
    order = [int(h) for h in np.argsort(-chance, kind="stable") if chance[h] >= LISTED and h > 0]
    rest = _in_mode(rest, pairwise)
    if not order:
        return [], nothing, pairwise
    best = faults[order[0]]
    if not _fits(built, best, rest, pairwise):
        return [(_unexplained(built, rest, pairwise),)], best, pairwise
    return [_named(built, [faults[h] for h in order], chance[order], rest, pairwise)], best, pairwise


def _in_mode(rest: RestSet, pairwise: bool) -> RestSet:
    """Leave out pin 0 where pins are read against the pin below: it has none."""
    return rest.without(TAP, 0) if pairwise else rest


def _moments(
    built: BuiltPack, faults: Sequence[Hypothesis], rest: RestSet, pairwise: bool
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return mean (H, n) and covariance (H, n, n) of the readings under each hypothesis."""
    unit, floats = unit_rows(faults, rest.kind, rest.number, pairwise=pairwise)
    series = built.series
    made = unit * np.array([f.factor for f in faults])[:, None, :]
    mean = made @ built.group_v
    groups = GROUP_V**2 * np.eye(series) + COMMON_V**2
    cov = made @ groups @ np.swapaxes(made, 1, 2)
    loose_v = np.array([f.loose_v for f in faults])
    loose = unit[np.arange(len(faults)), :, [max(f.loose_group - 1, 0) for f in faults]] * loose_v[:, None]
    cov += loose[:, :, None] * loose[:, None, :]
    offset = np.array([f.offset_v for f in faults])
    cov += (offset**2)[:, None, None]
    ranges = np.array([built.meter.range_number(v) for v in rest.volts])
    for number in np.unique(ranges):
        gain = np.where(ranges == number, rest.volts, 0.0) * built.meter.fraction
        cov += np.outer(gain, gain)
    digits = np.array([built.meter.digit_v(v) for v in rest.volts])
    own = built.noise_v**2 + digits**2 + BESIDE_V**2
    n = len(rest)
    cov[:, np.arange(n), np.arange(n)] += own + np.where(floats, FLOATING_V**2, 0.0)
    return mean, cov


def _log_evidence(built: BuiltPack, faults: Sequence[Hypothesis], rest: RestSet, pairwise: bool) -> NDArray[np.float64]:
    """Return the logarithm of likelihood times odds of each hypothesis, up to a common constant."""
    mean, cov = _moments(built, faults, rest, pairwise)
    factor = np.linalg.cholesky(cov)
    white = np.linalg.solve(factor, (rest.volts - mean)[:, :, None])[:, :, 0]
    log_det = 2 * np.log(np.diagonal(factor, axis1=1, axis2=2)).sum(axis=1)
    odds = np.array([HEALTHY_ODDS if f.kind == "healthy" else f.odds for f in faults])
    return np.asarray(-0.5 * ((white**2).sum(axis=1) + log_det) + np.log(odds))


def _fits(built: BuiltPack, fault: Hypothesis, rest: RestSet, pairwise: bool) -> bool:
    """Say whether no reading, and no combination of them, lies far from what the hypothesis predicts."""
    mean, cov = _moments(built, [fault], rest, pairwise)
    white = np.linalg.solve(np.linalg.cholesky(cov[0]), rest.volts - mean[0])
    n = len(rest)
    return bool(np.abs(white).max(initial=0.0) < FITS_SIGMA and (white**2).sum() < n + FITS_SIGMA * np.sqrt(2 * n))


def _named(
    built: BuiltPack, faults: list[Hypothesis], chance: NDArray[np.float64], rest: RestSet, pairwise: bool
) -> tuple[Finding, ...]:
    """Make findings of explanations, the surest first, each naming those it ties with."""
    chance = chance / chance.sum()
    named = [_kind_of(built, fault, rest, pairwise) for fault in faults]
    evidence = _evidence(built, rest, pairwise)
    telling, ask = _telling_reading(built, faults, rest, pairwise) if len(faults) > 1 else ("", None)
    found = []
    for i, (fault, kind) in enumerate(zip(faults, named, strict=True)):
        own = WITHIN.get(kind, "").format(n=fault.loose_group)
        found.append(
            finding(
                kind,
                fault.target,
                fault.words,
                evidence,
                sure_fraction=float(chance[i]),
                next_measurement=telling or own,
                ask=ask,
            )
        )
    return tied(tuple(found))


def _kind_of(built: BuiltPack, fault: Hypothesis, rest: RestSet, pairwise: bool) -> str:
    """Return the kind; of a group far off, whether it is low or high."""
    if fault.kind != "group_low":
        return fault.kind
    mean, cov = _moments(built, [fault], rest, pairwise)
    unit, _ = unit_rows([fault], rest.kind, rest.number, pairwise=pairwise)
    pull = unit[0, :, fault.loose_group - 1] @ np.linalg.solve(cov[0], rest.volts - mean[0])
    return "group_high" if pull > 0 else "group_low"


def label(kind: str, number: int, *, pairwise: bool) -> str:
    """Return what was read, in words."""
    if kind == MAIN:
        return "main + to main −"
    if kind == GROUP:
        return f"group {number}"
    if kind == PIN:
        return f"pin {number} against main −"
    return f"pin {number} against pin {number - 1}" if pairwise else f"pin {number}"


def _evidence(built: BuiltPack, rest: RestSet, pairwise: bool, most: int = 4) -> tuple[str, ...]:
    """Return the readings that lie furthest from a healthy pack's, and what that would show."""
    mean, cov = _moments(built, [healthy(built.series)], rest, pairwise)
    away = np.abs(rest.volts - mean[0]) / np.sqrt(np.diagonal(cov[0]))
    furthest = [int(i) for i in np.argsort(-away)[:most]]
    # readings that fit a healthy pack are no evidence; one is told whatever it is
    telling = sorted(i for i in furthest if away[i] > AWAY_SIGMA) or furthest[:1]
    return tuple(
        f"{label(rest.kind[i], int(rest.number[i]), pairwise=pairwise)} reads {rest.volts[i]:.3f} V, "
        f"expected {mean[0][i]:.3f} V"
        for i in telling
    )


def _telling_reading(
    built: BuiltPack, faults: list[Hypothesis], rest: RestSet, pairwise: bool
) -> tuple[str, tuple[str, str] | None]:
    """Return the reading, not yet taken, at which the two best explanations differ most: in words and by name."""
    taken = set(zip(rest.kind, rest.number.tolist(), strict=True))
    wanted = [
        (MAIN, 0),
        *((GROUP, g) for g in range(1, built.series + 1)),
        *((PIN, n) for n in range(built.series + 1)),
    ]
    left = [w for w in wanted if w not in taken]
    if not left:
        return "", None
    number = np.array([n for _, n in left], dtype=np.int64)
    unit, _ = unit_rows(faults[:2], [k for k, _ in left], number, pairwise=pairwise)
    shows = (unit * np.array([f.factor for f in faults[:2]])[:, None, :]) @ built.group_v
    vague = sum(f.loose_v * np.abs(unit[i, :, f.loose_group - 1]) for i, f in enumerate(faults[:2]) if f.loose_group)
    apart = np.abs(shows[0] - shows[1]) - 2 * vague
    # the first of those that tell as much: main before the groups, these before the pins
    best = int(np.argmax(apart > 0.98 * apart.max()))
    if apart[best] < TELLING_V:
        return "", None
    kind, n = left[best]
    one, two = (f"{faults[i].kind.replace('_', ' ')}, {faults[i].target}" for i in (0, 1))
    words = f"read {label(kind, n, pairwise=pairwise)}: {shows[0][best]:.1f} V speaks for {one}; "
    return f"{words}{shows[1][best]:.1f} V for {two}", (kind, "pack" if kind == MAIN else str(n))


def _unexplained(built: BuiltPack, rest: RestSet, pairwise: bool) -> Finding:
    return finding(
        "unexplained",
        "pack",
        "no single fault explains these readings: there may be two, or one was written down wrong. Go no further.",
        _evidence(built, rest, pairwise, most=8),
        sure_fraction=1.0,
        next_measurement="read every group at its own plates, with its sign, then main + to main −",
    )
