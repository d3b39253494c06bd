"""The shape of a pack: S groups in series, P cells in parallel in each."""

from __future__ import annotations

import re
from dataclasses import dataclass

from cellmatch.errors import ArgumentInvalid, Problem

_PACK_TEXT = re.compile(r"\s*(\d+)\s*[sS]\s*(?:(\d+)|\(\s*(\d+(?:\s*\+\s*\d+)*)\s*\))\s*[pP]\s*")
_TURNED_TEXT = re.compile(r"\s*(\d+)\s*[pP]\s*(\d+)\s*[sS]\s*")

MOST_CELLS = 2_000_000
"""Places in one job; above it the text is taken for a typing error."""


@dataclass(frozen=True, slots=True)
class Pack:
    """Series and parallel count of a pack.

    Parameters
    ----------
    series : int
        Groups in series, at least 1. Group 1 is at pack negative.
    parallel : int or tuple of int
        Cells in each group, at least 1; a tuple of `series` numbers where groups differ.

    Raises
    ------
    ArgumentInvalid
        A count below 1, or a tuple whose length is not `series`.

    Examples
    --------
    >>> pack = Pack.parse("10s3p")
    >>> pack.series, pack.parallel, pack.places, str(pack)
    (10, 3, 30, '10s3p')
    """

    series: int
    parallel: int | tuple[int, ...]

    def __post_init__(self) -> None:
        sizes = self.parallel if isinstance(self.parallel, tuple) else (self.parallel,)
        if self.series < 1 or min(sizes, default=0) < 1:
            raise ArgumentInvalid(
                Problem(f"pack {self.series}s{self.parallel}p", "series and parallel must each be at least 1")
            )
        if isinstance(self.parallel, tuple) and len(self.parallel) != self.series:
            raise ArgumentInvalid(
                Problem("pack", f"{len(self.parallel)} group sizes were given for {self.series} groups in series")
            )
        if self.places > MOST_CELLS:
            raise ArgumentInvalid(
                Problem(f"pack {self}", f"{self.places} places; at most {MOST_CELLS} can be planned at once")
            )

    @classmethod
    def parse(cls, text: str) -> Pack:
        """Read ``10s3p``, or ``3s(4+3+3)p`` where groups differ in size.

        Raises
        ------
        ArgumentInvalid
            The text is not of that form; the message shows what would be right.
        """
        found = _PACK_TEXT.fullmatch(text)
        if found:
            sizes = tuple(int(size) for size in (found[2] or found[3]).split("+"))
            return cls(int(found[1]), sizes if found[3] else sizes[0])
        turned = _TURNED_TEXT.fullmatch(text)
        if turned:
            right = f"series comes first: write {turned[2]}s{turned[1]}p"
        else:
            right = "write the groups in series, then the cells in parallel, like 10s3p"
        raise ArgumentInvalid(Problem(f"pack '{text}'", right))

    @classmethod
    def of(cls, pack: Pack | str) -> Pack:
        """Return `pack` as a Pack, reading a text like ``10s3p`` where it is one."""
        return pack if isinstance(pack, Pack) else cls.parse(pack)

    @property
    def group_sizes(self) -> tuple[int, ...]:
        """Cells in each group, group 1 first."""
        return self.parallel if isinstance(self.parallel, tuple) else (self.parallel,) * self.series

    @property
    def places(self) -> int:
        """Cells the whole pack takes."""
        return sum(self.group_sizes)

    def __str__(self) -> str:
        if isinstance(self.parallel, tuple):
            return f"{self.series}s({'+'.join(map(str, self.parallel))})p"
        return f"{self.series}s{self.parallel}p"
