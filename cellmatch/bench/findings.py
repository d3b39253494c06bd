"""What inspection reports: one finding a fault, with its evidence and the next measurement."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

from scipy.special import ndtri

FALSE_ALARM = 0.002
"""Accepted chance that a healthy pack sets off one kind of check, however many groups are looked at."""


@dataclass(frozen=True, kw_only=True, slots=True)
class FaultKind:
    """A fault that inspection can name.

    Parameters
    ----------
    danger : int
        Rank: 0 is the most dangerous.
    stop : bool
        Work stops until it is cleared; no reason opens it.
    title : str
        In a few words.
    """

    danger: int
    stop: bool
    title: str


KINDS: dict[str, FaultKind] = {
    "cell_reversed": FaultKind(danger=0, stop=True, title="a cell stands the wrong way round"),
    "joining_current": FaultKind(danger=1, stop=True, title="joining would drive too much current"),
    "group_reversed": FaultKind(danger=2, stop=True, title="a group is reversed"),
    "group_dead": FaultKind(danger=3, stop=True, title="a group is shorted or dead"),
    "over_full": FaultKind(danger=4, stop=True, title="above full"),
    "below_service": FaultKind(danger=5, stop=True, title="below the lowest voltage in service"),
    "unexplained": FaultKind(danger=6, stop=True, title="no single fault explains the readings"),
    "taps_swapped": FaultKind(danger=7, stop=True, title="two sense leads are swapped"),
    "row_shifted": FaultKind(danger=8, stop=True, title="the sense leads are shifted"),
    "tap_open": FaultKind(danger=9, stop=True, title="a sense lead is open"),
    "probes_swapped": FaultKind(danger=10, stop=True, title="the meter's probes are swapped"),
    "cell_not_joined": FaultKind(danger=11, stop=True, title="a cell is not joined"),
    "loose_link": FaultKind(danger=12, stop=True, title="a link or joint is loose"),
    "level_first": FaultKind(danger=13, stop=True, title="cells must be brought to one voltage first"),
    "group_leaking": FaultKind(danger=14, stop=False, title="a group leaks"),
    "cell_differs": FaultKind(danger=15, stop=False, title="a cell reads other than in the plan"),
    "group_low": FaultKind(danger=16, stop=False, title="a group is low before balancing"),
    "group_high": FaultKind(danger=17, stop=False, title="a group is high before balancing"),
    "meter_offset": FaultKind(danger=18, stop=False, title="the meter, or the charge of the whole pack, is off"),
    "measured": FaultKind(danger=97, stop=False, title="what these readings tell"),
    "cannot_show": FaultKind(danger=98, stop=False, title="what these readings can't show"),
    "clean": FaultKind(danger=99, stop=False, title="the readings fit the plan"),
}
"""Every kind of finding; a new one is one entry here and the check that finds it."""

NOTES = ("measured", "cannot_show", "clean")
"""Kinds that are no faults."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Finding:
    """One thing that the readings say.

    Parameters
    ----------
    kind : str
        One of :data:`KINDS`.
    target : str
        ``group 3``, ``cell A12``, ``pins 3 and 4``, ``pack``.
    words : str
        Plain words: what is wrong, and what it means.
    evidence : tuple of str
        The readings behind it and what was expected.
    sure_fraction : float
        How sure, between the explanations considered: 1 is certain.
    next_measurement : str
        What to read next; empty where nothing more is to be read.
    stop : bool
        Work stops until it is cleared.
    ask : tuple of str or None
        Kind and target of that reading, where it is one that the readings file knows.
    tied_with : tuple of str
        Targets, with their kinds, of explanations that these readings can't tell apart from this one.
    """

    kind: str
    target: str
    words: str
    evidence: tuple[str, ...]
    sure_fraction: float
    next_measurement: str
    stop: bool
    ask: tuple[str, str] | None = None
    tied_with: tuple[str, ...] = ()

    @property
    def sure(self) -> str:
        """How sure in one word."""
        return "certain" if self.sure_fraction > 0.99 else "likely" if self.sure_fraction > 0.6 else "possible"

    @property
    def is_fault(self) -> bool:
        """False for notes: what can't be shown, and that all is clean."""
        return self.kind not in NOTES


def finding(
    kind: str,
    target: str,
    words: str,
    evidence: Iterable[str],
    *,
    sure_fraction: float,
    next_measurement: str = "",
    ask: tuple[str, str] | None = None,
) -> Finding:
    """Make a finding of a kind; whether it is a stop is the kind's to say."""
    return Finding(
        kind=kind,
        target=target,
        words=words,
        evidence=tuple(evidence),
        sure_fraction=sure_fraction,
        next_measurement=next_measurement,
        stop=KINDS[kind].stop,
        ask=ask,
    )


def tied(explanations: tuple[Finding, ...]) -> tuple[Finding, ...]:
    """Let each explanation of one event name the others."""
    names = [f"{f.kind} {f.target}" for f in explanations]
    return tuple(
        replace(f, tied_with=tuple(name for j, name in enumerate(names) if j != i)) for i, f in enumerate(explanations)
    )


def alarm_sigma(tests: int, *, sides: int = 2) -> float:
    """Return from how many standard deviations on one of several readings is called a fault.

    So that all `tests` together give a false alarm with :data:`FALSE_ALARM` at most (Bonferroni).

    Parameters
    ----------
    tests : int
        Readings looked at.
    sides : int
        2 where too high and too low both count, 1 where only one does.

    Examples
    --------
    >>> alarm_sigma(1), alarm_sigma(20), alarm_sigma(20, sides=1)
    (3.0902, 3.8906, 3.719)
    """
    return float(ndtri(1 - FALSE_ALARM / (sides * max(tests, 1))))


def most_dangerous_first(findings: Iterable[tuple[Finding, ...]]) -> list[Finding]:
    """Order findings: stops first, then by danger; explanations of one event stay together, surest first.

    Parameters
    ----------
    findings : iterable of tuple of Finding
        One tuple an event: its explanations, the surest first.
    """
    events = [event for event in findings if event]
    events.sort(key=lambda event: (not event[0].stop, KINDS[event[0].kind].danger, -event[0].sure_fraction))
    return [f for event in events for f in event]
