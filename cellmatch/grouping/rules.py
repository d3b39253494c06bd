"""What every group must keep. One class a rule: a new rule is a class and its line in RULE_WORDS.

A rule is said four times: in words, as a count of breaks for many groups at once (numpy: the heuristics and
the column filter), as a constraint on the exact model, and once more in plain Python for the final check.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import ClassVar, Protocol

import numpy as np

from cellmatch.errors import ArgumentInvalid, Problem, nearest_name
from cellmatch.grouping.bounds import weakest_bound_by_lots
from cellmatch.grouping.pool import Floats, Ints, Pool

Breaks = Callable[[Ints], Ints]
"""Takes groups, shape (m, P), and returns how badly each breaks a rule, 0 for not at all, shape (m,)."""

Groups = Sequence[Sequence[str]]
Rows = Mapping[str, Mapping[str, object]]
"""The good cells for the plain check: id to column to value."""


class GroupModel(Protocol):
    """What a rule may say about the groups to the exact model."""

    def at_most(self, cells: Sequence[int], most: int) -> None:
        """Let a group hold at most so many of these cells."""

    def at_least(self, cells: Sequence[int], least: int) -> None:
        """Let a group hold at least so many of these cells."""

    def one_kind(self, kinds: Sequence[Sequence[int]]) -> None:
        """Let a group hold cells of one of these kinds only."""

    def within(self, cells: Sequence[int], values: Ints, limit: int) -> None:
        """Let the values of a group's cells differ by at most `limit`."""


class Rule:
    """A rule on every group; this one asks for nothing."""

    @property
    def words(self) -> str:
        """The rule as a person says it."""
        return "no rule"

    def problems(self, pool: Pool) -> list[Problem]:
        """Return what makes the rule meaningless for these cells: an unknown id, a missing reading."""
        return []

    def shortage(self, pool: Pool) -> str:
        """Return by counting alone why no grouping can keep this rule, or an empty text."""
        return ""

    def weakest_at_most(self, pool: Pool) -> int | None:
        """Return by counting what the weakest group holds at most [steps], or None where that says nothing."""
        return None

    def breaks(self, pool: Pool) -> Breaks | None:
        """Return the count of breaks, or None where the rule is kept by other means."""
        return None

    def constrain(self, pool: Pool, model: GroupModel) -> None:
        """Say it to the exact model."""

    def broken(self, groups: Groups, rows: Rows) -> str:
        """Return in words how the groups break the rule, or an empty text. Plain Python, no numpy."""
        return ""


@dataclass(frozen=True, slots=True)
class Pin(Rule):
    """A cell belongs to a certain group, counted from 1."""

    cell: str
    group: int

    @property
    def words(self) -> str:
        """The rule as a person says it."""
        return f"cell {self.cell} in group {self.group}"

    def problems(self, pool: Pool) -> list[Problem]:
        """Return an unknown cell or group."""
        found = _unknown(self.words, (self.cell,), pool)
        if not 1 <= self.group <= pool.series:
            found.append(Problem(f"rule '{self.words}'", f"groups are 1 to {pool.series}"))
        return found

    def broken(self, groups: Groups, rows: Rows) -> str:
        """Return in words that the cell is elsewhere."""
        return "" if self.cell in groups[self.group - 1] else f"cell {self.cell} is not in group {self.group}"


@dataclass(frozen=True, slots=True)
class KeepOut(Rule):
    """A cell stays spare."""

    cell: str

    @property
    def words(self) -> str:
        """The rule as a person says it."""
        return f"cell {self.cell} kept out"

    def broken(self, groups: Groups, rows: Rows) -> str:
        """Return in words that the cell is used."""
        return f"cell {self.cell} is in a group" if any(self.cell in group for group in groups) else ""


@dataclass(frozen=True, slots=True)
class KeepApart(Rule):
    """Two cells never share a group."""

    first: str
    second: str

    @property
    def words(self) -> str:
        """The rule as a person says it."""
        return f"cells {self.first} and {self.second} apart"

    def problems(self, pool: Pool) -> list[Problem]:
        """Return an unknown cell, or one cell named twice."""
        found = _unknown(self.words, (self.first, self.second), pool)
        if self.first == self.second:
            found.append(Problem(f"rule '{self.words}'", "two different cells are needed"))
        return found

    def constrain(self, pool: Pool, model: GroupModel) -> None:
        """Allow at most one of the two."""
        model.at_most(pool.numbers((self.first, self.second)), 1)

    def broken(self, groups: Groups, rows: Rows) -> str:
        """Return in words which group holds both."""
        for number, group in enumerate(groups, start=1):
            if self.first in group and self.second in group:
                return f"cells {self.first} and {self.second} share group {number}"
        return ""


@dataclass(frozen=True, slots=True)
class OneLot(Rule):
    """All cells of a group come from one lot; cells without a lot count as a lot of their own."""

    @property
    def words(self) -> str:
        """The rule as a person says it."""
        return "one lot per group"

    def problems(self, pool: Pool) -> list[Problem]:
        """Return that no lots are given."""
        return _no_lots(self.words, pool)

    def shortage(self, pool: Pool) -> str:
        """Count the groups that the lots fill."""
        counts = Counter(pool.lot.tolist())
        smallest = min(pool.sizes)
        full = sum(count // smallest for count in counts.values())
        if full >= pool.series:
            return ""
        lots = ", ".join(f"{name or 'no lot'} {count}" for name, count in sorted(counts.items()))
        return f"the lots ({lots} cells) fill {full} groups of {smallest}, {pool.series} are needed"

    def weakest_at_most(self, pool: Pool) -> int | None:
        """Count what each lot can hold; not where groups differ in size."""
        if min(pool.sizes) < pool.parallel:
            return None
        return weakest_bound_by_lots(pool.steps, _lot_codes(pool), pool.series, pool.parallel)

    def breaks(self, pool: Pool) -> Breaks:
        """Count the lots beyond the first in each group."""
        codes = _lot_codes(pool)

        def different(members: Ints) -> Ints:
            lots = np.sort(codes[members], axis=1)
            return np.asarray(((lots[:, 1:] != lots[:, :-1]) & (lots[:, :-1] >= 0)).sum(axis=1))

        return different

    def constrain(self, pool: Pool, model: GroupModel) -> None:
        """Allow one lot a group."""
        codes = _lot_codes(pool)
        model.one_kind([np.flatnonzero(codes == code).tolist() for code in range(int(codes.max()) + 1)])

    def broken(self, groups: Groups, rows: Rows) -> str:
        """Return in words which group mixes lots."""
        for number, group in enumerate(groups, start=1):
            lots = {_lot_of(rows[cell]) for cell in group}
            if len(lots) > 1:
                return f"group {number} mixes lots {', '.join(sorted(lots))}"
        return ""


@dataclass(frozen=True, slots=True)
class LotsEven(Rule):
    """Every group gets its share of every lot, P·n/N for n of the N cells, rounded up or down."""

    @property
    def words(self) -> str:
        """The rule as a person says it."""
        return "lots spread evenly"

    def problems(self, pool: Pool) -> list[Problem]:
        """Return that no lots are given, or that groups differ in size."""
        found = _no_lots(self.words, pool)
        if min(pool.sizes) < max(pool.sizes):
            found.append(Problem(f"rule '{self.words}'", "needs groups of one size"))
        return found

    def breaks(self, pool: Pool) -> Breaks:
        """Count the cells above and below each lot's share."""
        codes = _lot_codes(pool)
        shares = _lot_shares([str(code) for code in codes.tolist()], pool.parallel)

        def uneven(members: Ints) -> Ints:
            lots = codes[members]
            total = np.zeros(len(members), dtype=np.int64)
            for code, (least, most) in shares.items():
                count = (lots == int(code)).sum(axis=1)
                total += np.maximum(0, least - count) + np.maximum(0, count - most)
            return total

        return uneven

    def constrain(self, pool: Pool, model: GroupModel) -> None:
        """Allow each lot its share."""
        codes = _lot_codes(pool)
        for code, (least, most) in _lot_shares([str(c) for c in codes.tolist()], pool.parallel).items():
            cells = np.flatnonzero(codes == int(code)).tolist()
            model.at_least(cells, least)
            model.at_most(cells, most)

    def broken(self, groups: Groups, rows: Rows) -> str:
        """Return in words which group has too few or too many of a lot."""
        shares = _lot_shares([_lot_of(row) for row in rows.values()], len(groups[0]))
        for number, group in enumerate(groups, start=1):
            count = Counter(_lot_of(rows[cell]) for cell in group)
            for lot, (least, most) in shares.items():
                if not least <= count[lot] <= most:
                    return f"group {number} holds {count[lot]} of lot {lot or 'none'}, not {least} to {most}"
        return ""


@dataclass(frozen=True, slots=True)
class LargestRange(Rule):
    """The readings of a group's cells differ by at most a limit.

    Parameters
    ----------
    quantity : str
        ``ir`` or ``ocv``.
    limit : float
        [mohm] or [mV]
    """

    quantity: str
    limit: float

    TICKS: ClassVar[int] = 100
    """Readings count in whole hundredths of a mohm or mV."""
    NAMES: ClassVar[dict[str, tuple[str, str]]] = {"ir": ("resistance", "mohm"), "ocv": ("voltage", "mV")}

    @property
    def words(self) -> str:
        """The rule as a person says it."""
        name, unit = self.NAMES.get(self.quantity, (self.quantity, ""))
        return f"{name} within {self.limit:g} {unit} in each group"

    def problems(self, pool: Pool) -> list[Problem]:
        """Return an unknown quantity, a limit that can't be meant, or missing readings."""
        where = f"rule '{self.words}'"
        if self.quantity not in self.NAMES:
            return [Problem(where, nearest_name(self.quantity, self.NAMES))]
        found = []
        if not 0 <= self.limit < np.inf:
            found.append(Problem(where, "the limit must be a number of 0 or more"))
        missing = int(np.isnan(self._readings(pool)).sum())
        if missing:
            found.append(Problem(where, f"{missing} good cells have no such reading"))
        return found

    def shortage(self, pool: Pool) -> str:
        """Count the groups of neighbours in the sorted readings that fit; no other choice gives more."""
        values = np.sort(self._ticks(pool)[: pool.cells])
        size, full, start = min(pool.sizes), 0, 0
        while start + size <= len(values):
            fits = bool(values[start + size - 1] - values[start] <= self._limit_ticks)
            full += fits
            start += size if fits else 1
        if full >= pool.series:
            return ""
        return f"only {full} groups of {size} cells so alike can be made, {pool.series} are needed"

    def breaks(self, pool: Pool) -> Breaks:
        """Measure by how many tenths of the limit each group is too wide."""
        ticks, cells, limit = self._ticks(pool), pool.cells, self._limit_ticks

        def too_wide(members: Ints) -> Ints:
            values, blank = ticks[members], members >= cells
            high = np.where(blank, np.iinfo(np.int32).min, values).max(axis=1)
            low = np.where(blank, np.iinfo(np.int32).max, values).min(axis=1)
            return np.asarray(-(-np.maximum(0, high - low - limit) // max(1, limit // 10)))

        return too_wide

    def constrain(self, pool: Pool, model: GroupModel) -> None:
        """Allow no wider range."""
        model.within(range(pool.cells), self._ticks(pool), self._limit_ticks)

    def broken(self, groups: Groups, rows: Rows) -> str:
        """Return in words which group is too wide."""
        column, scale = ("ir_mohm", 1) if self.quantity == "ir" else ("ocv_v", 1000)
        for number, group in enumerate(groups, start=1):
            values = [round(float(str(rows[cell][column])) * scale * self.TICKS) for cell in group]
            wide = max(values) - min(values)
            if wide > self._limit_ticks:
                return f"group {number} spans {wide / self.TICKS:g}, the rule is {self.words}"
        return ""

    @property
    def _limit_ticks(self) -> int:
        return round(self.limit * self.TICKS)

    def _readings(self, pool: Pool) -> Floats:
        return pool.ir_mohm if self.quantity == "ir" else pool.ocv_v * 1000

    def _ticks(self, pool: Pool) -> Ints:
        ticks = np.rint(self._readings(pool) * self.TICKS).astype(np.int64)
        return np.concatenate((ticks, np.zeros(len(pool.steps) - pool.cells, dtype=np.int64)))


def _unknown(words: str, cells: Sequence[str], pool: Pool) -> list[Problem]:
    known = set(pool.ids.tolist())
    return [
        Problem(f"rule '{words}'", f"{cell} is not among the good cells; {nearest_name(cell, known)}")
        for cell in cells
        if cell not in known
    ]


def _no_lots(words: str, pool: Pool) -> list[Problem]:
    return [] if (pool.lot != "").any() else [Problem(f"rule '{words}'", "no cell has a lot")]


def _lot_codes(pool: Pool) -> Ints:
    """Return the lot of each cell as a number, -1 for a blank."""
    codes = np.unique(pool.lot.astype(str), return_inverse=True)[1]
    return np.concatenate((codes, np.full(len(pool.steps) - pool.cells, -1))).astype(np.int64)


def _lot_of(row: Mapping[str, object]) -> str:
    lot = row.get("lot")
    return lot if isinstance(lot, str) else ""


def _lot_shares(lots: Sequence[str], parallel: int) -> dict[str, tuple[int, int]]:
    total = len(lots)
    return {lot: (parallel * count // total, -(-parallel * count // total)) for lot, count in Counter(lots).items()}


RULE_WORDS: dict[str, tuple[str, Callable[[str], Rule]]] = {
    "pin": ("pin CELL=GROUP", lambda text: _pin(text)),
    "out": ("out CELL", lambda text: KeepOut(text.strip())),
    "apart": ("apart CELL,CELL", lambda text: KeepApart(*_two(text))),
    "one-lot": ("one-lot", lambda text: OneLot()),
    "lots-even": ("lots-even", lambda text: LotsEven()),
    "ir-range": ("ir-range MOHM", lambda text: LargestRange("ir", float(text))),
    "ocv-range": ("ocv-range MV", lambda text: LargestRange("ocv", float(text))),
}
"""How each rule is written as text, and how it is read."""


def rule_of(text: str) -> Rule:
    """Read a rule from text, like ``pin A7=2``, ``out B3``, ``apart A1,A2``, ``one-lot`` or ``ir-range 5``.

    Raises
    ------
    ArgumentInvalid
        Not one of the forms in `RULE_WORDS`.

    Examples
    --------
    >>> rule_of("pin A7=2").words
    'cell A7 in group 2'
    """
    name, _, rest = text.strip().partition(" ")
    if name not in RULE_WORDS:
        raise ArgumentInvalid(Problem(f"rule '{text}'", nearest_name(name, RULE_WORDS)))
    form, read = RULE_WORDS[name]
    try:
        return read(rest)
    except (ValueError, TypeError):
        raise ArgumentInvalid(Problem(f"rule '{text}'", f"write it as: {form}")) from None


def _pin(text: str) -> Pin:
    cell, _, group = text.rpartition("=")
    if not cell.strip():
        raise ValueError(text)
    return Pin(cell.strip(), int(group))


def _two(text: str) -> tuple[str, str]:
    first, second = text.split(",")
    return first.strip(), second.strip()
