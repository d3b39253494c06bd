"""What a search may still spend, as the stages see it: none of them looks at a clock itself."""

from __future__ import annotations

from typing import Protocol


class Allowance(Protocol):
    """Work left, and whether to go on.

    Work is counted in seconds of an idle machine, the same on every machine, so that what a search finds
    does not depend on how fast it runs. A clock only ends it (`halted`).
    """

    @property
    def seed(self) -> int:
        """Seed of the random parts."""

    @property
    def reproducible(self) -> bool:
        """No clock may end the search, and no two threads may race."""

    def left(self) -> float:
        """Return the work left [s]."""

    def spend(self, work: float) -> None:
        """Note work done [s]."""

    def note_race(self) -> None:
        """Note that an answer came from threads in a race: another run may find another."""

    def halted(self) -> bool:
        """Return whether to stop now."""


class NoLimit:
    """An allowance without end, for searches that are bounded by counts alone."""

    seed = 0
    reproducible = True

    def left(self) -> float:
        """Return the work left [s]."""
        return 1e9

    def spend(self, work: float) -> None:
        """Note work done."""

    def note_race(self) -> None:
        """Note a race; there is none to keep."""

    def halted(self) -> bool:
        """Return whether to stop now."""
        return False
