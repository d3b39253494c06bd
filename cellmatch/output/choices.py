"""What to build and what a tray can become, as text for one screen."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Mapping, Sequence

from cellmatch.pack.needs import Needs
from cellmatch.pack.sizing import PackSize, Sizing
from cellmatch.possible import LimitCost, PackOption, WithoutWeakest

WIDTH = 100
_INDENT = 10
SMALLEST_GAIN = 0.001
"""A share of the capacity below which nobody would notice."""


def needs_text(needs: Needs) -> str:
    """Return what a load asks for, in one line.

    Examples
    --------
    >>> needs_text(Needs(voltage_v=36, capacity_ah=7.5, current_a=20))
    '36 V nominal, 7.5 Ah, 20 A'
    """
    given: tuple[tuple[float | None, str], ...] = (
        (needs.voltage_v, "{:g} V nominal"),
        (needs.least_v, "load down to {:g} V"),
        (needs.most_v, "load up to {:g} V"),
        (needs.capacity_ah, "{:g} Ah"),
        (needs.energy_wh, "{:g} Wh"),
        (needs.range_km, "{:g} km"),
        (needs.wh_per_km, "{:g} Wh/km"),
        (needs.current_a, "{:g} A"),
        (needs.peak_a, "{:g} A peak"),
        (needs.power_w, "{:g} W"),
    )
    return ", ".join(form.format(value) for value, form in given if value is not None)


def sizing_text(sizing: Sizing) -> str:
    """Return the shapes that fit a load, what settled each, and what was assumed."""
    columns: tuple[tuple[str, list[str]], ...] = (
        ("pack", [str(s.pack) for s in sizing.sizes]),
        ("cells", [str(s.pack.places) for s in sizing.sizes]),
        ("to buy", [str(s.cells_to_buy) for s in sizing.sizes]),
        ("empty V", [f"{s.end_v:.1f}" for s in sizing.sizes]),
        ("nominal V", [f"{s.nominal_v:.1f}" for s in sizing.sizes]),
        ("full V", [f"{s.full_v:.1f}" for s in sizing.sizes]),
        ("Ah", [f"{s.capacity_ah:.2f}" for s in sizing.sizes]),
        ("Wh", [f"{s.energy_wh:.0f}" for s in sizing.sizes]),
        ("unused", [_unused(s) for s in sizing.sizes]),
        ("km", [_or_nothing(s.range_km, "{:.0f}") for s in sizing.sizes]),
        ("A", [_or_nothing(s.current_a, "{:.1f}") for s in sizing.sizes]),
        ("A a cell", [_or_nothing(s.current_per_cell_a, "{:.1f}") for s in sizing.sizes]),
        ("peak A a cell", [_or_nothing(s.peak_per_cell_a, "{:.1f}") for s in sizing.sizes]),
        ("mΩ", [_or_nothing(s.ir_mohm, "{:.0f}") for s in sizing.sizes]),
        ("sag V", [_or_nothing(s.sag_v, "{:.1f}") for s in sizing.sizes]),
        ("cells g", [_or_nothing(s.mass_g, "{:.0f}") for s in sizing.sizes]),
    )
    lines = [*_table(columns), ""]
    for size in sizing.sizes:
        lines += _section(str(size.pack), _size_words(size))
    lines += ["", *_section("Assumed", sizing.assumptions)]
    return "\n".join(lines)


def series_text(sizing: Sizing) -> str:
    """Return which series counts fit the load's voltage, and why."""
    found = {s.pack.series: s for s in sizing.sizes}
    words = (f"{n}: {s.limited_by[0]}; {s.end_v:.1f} to {s.full_v:.1f} V" for n, s in found.items())
    return "\n".join(_section("Series", words))


def options_text(options: Sequence[PackOption], current_a: float | None = None) -> str:
    """Return packs that a tray can become as a table, one line each."""
    columns: tuple[tuple[str, list[str]], ...] = (
        ("packs", [str(o.packs) for o in options]),
        ("pack", [_short(o) for o in options]),
        ("left over", [str(o.left_over) for o in options]),
        ("usable Ah", [f"{o.capacity_mah / 1000:.2f}" for o in options]),
        ("spread mAh", [f"{o.spread_mah:.0f}" for o in options]),
        ("floor mAh", [f"{o.floor_mah:.0f}" for o in options]),
        ("nominal V", [f"{o.nominal_v:.1f}" for o in options]),
        ("Wh", [f"{o.energy_wh:.0f}" for o in options]),
        ("A a cell", ["" if current_a is None else f"{o.current_per_cell_a(current_a):.1f}" for o in options]),
        ("how", [o.why for o in options]),
    )
    return "\n".join(_table(columns))


def nearest_text(options: Sequence[PackOption], current_a: float | None = None) -> str:
    """Return what can be made of cells that don't come out even, and what unequal groups are worth."""
    lines = [options_text(options, current_a)]
    equal = {o.pack.series: o for o in options if len(set(o.pack.group_sizes)) == 1}
    for option in options:
        other = equal.get(option.pack.series)
        if len(set(option.pack.group_sizes)) > 1 and other is not None:
            gain = option.capacity_mah / other.capacity_mah - 1
            lines += ["", *_section("Unequal", [_unequal_words(option, other, gain)])]
    return "\n".join(lines)


def costs_text(costs: Sequence[LimitCost], guarded: Mapping[str, int], now_mah: float | None) -> str:
    """Return what each limit costs, in cells and in usable capacity against `now_mah` [mAh]."""
    words = []
    for cost in costs:
        gain = ""
        if cost.capacity_mah is not None:
            then, now = _ah(cost.capacity_mah), None if now_mah is None else _ah(now_mah)
            if now_mah is not None and cost.capacity_mah < now_mah * (1 + SMALLEST_GAIN):
                gain = "; the pack would not gain"
            else:
                gain = f"; the pack would have {then}" + (f" instead of {now}" if now else "")
        words.append(f"{cost.option} alone keeps out {cost.cells}{gain}")
    words += [f"{name} {count}: no limit is to open this" for name, count in guarded.items()]
    return "\n".join(_section("Limits", words or ["no cell is kept out"]))


def weakest_text(steps: Sequence[WithoutWeakest]) -> str:
    """Return what leaving out the weakest cells does; steps that change nothing share a line."""
    words: list[str] = []
    for first, last in _runs([(_short(s.option), _ah(s.option.capacity_mah)) for s in steps]):
        step = steps[last]
        count = "with all" if last == 0 else f"without up to {last} of the weakest"
        if first > 0:
            count = f"without the {first} weakest" if first == last else f"without the {first} to {last} weakest"
        words.append(
            f"{count}: {_short(step.option)}, {_ah(step.option.capacity_mah)}; "
            f"the weakest left has {step.least_mah:.0f} mAh"
        )
    return "\n".join(_section("Weakest", words))


def _runs(values: Sequence[object]) -> list[tuple[int, int]]:
    """Return first and last place of each run of equal values.

    Examples
    --------
    >>> _runs(["a", "a", "b"])
    [(0, 1), (2, 2)]
    """
    starts = [i for i in range(len(values)) if i == 0 or values[i] != values[i - 1]]
    return list(zip(starts, [*(i - 1 for i in starts[1:]), len(values) - 1], strict=True))


def _unequal_words(option: PackOption, equal: PackOption, gain: float) -> str:
    low, parallel = option.smallest_group, max(option.pack.group_sizes)
    verdict = f"{gain:+.1%} on {equal.pack}" if gain >= SMALLEST_GAIN else f"no more than {equal.pack}"
    return (
        f"the smallest group sets the pack: {_ah(option.capacity_mah)}, {verdict}; its {low} cells carry "
        f"{parallel / low - 1:.0%} more each than those of the groups of {parallel}"
    )


def _size_words(size: PackSize) -> list[str]:
    short = [f"gives {', '.join(size.short)}"] if size.short else []
    return [f"series: {size.limited_by[0]}", f"parallel: {size.limited_by[1]}", *short]


def _short(option: PackOption) -> str:
    """Return the shape; groups of unequal size by their extremes."""
    sizes = option.pack.group_sizes
    low, high = min(sizes), max(sizes)
    return str(option.pack) if low == high else f"{option.pack.series}s{low}-{high}p"


def _unused(size: PackSize) -> str:
    if size.unused_fraction is None:
        return "?"
    return f"{size.unused_fraction:.0%}" if size.unused_fraction else ""


def _or_nothing(value: float | None, form: str) -> str:
    return "" if value is None else form.format(value)


def _ah(mah: float) -> str:
    return f"{mah / 1000:.2f} Ah"


def _table(columns: Iterable[tuple[str, list[str]]]) -> list[str]:
    """Return lines of a table; a column without any entry is left out, the last one stands left."""
    kept = [(head, entries) for head, entries in columns if any(entries)]
    widths = [max(len(head), *(len(e) for e in entries)) for head, entries in kept]
    rows = zip(*([head, *entries] for head, entries in kept), strict=True)
    return ["  ".join(text.rjust(width) for text, width in zip(row, widths, strict=True)).rstrip() for row in rows]


def _section(title: str, texts: Iterable[str]) -> list[str]:
    lines: list[str] = []
    for i, text in enumerate(texts):
        head = f"{title:<{_INDENT - 1}} " if i == 0 else " " * _INDENT
        lines += textwrap.wrap(
            text, WIDTH, initial_indent=head, subsequent_indent=" " * (_INDENT + 2), break_on_hyphens=False
        )
    return lines
