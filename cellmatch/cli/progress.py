"""How a search goes on, on one line of the terminal."""

from __future__ import annotations

import sys

import click


class ProgressLine:
    """One line on the terminal that says how the search goes; silent where no person watches."""

    def __init__(self, enabled: bool) -> None:
        self._shown = enabled and sys.stderr.isatty()
        self._last = ""

    def __enter__(self) -> ProgressLine:
        return self

    def show(self, best_spread_mah: float, bound_mah: float, floor_mah: float, stage: str) -> None:
        """Show the best spread so far, its bound, and the floor of the measurement [mAh]."""
        line = f"{stage}: spread {best_spread_mah:.1f} mAh, bound {bound_mah:.1f}, floor {floor_mah:.0f}"
        if self._shown and line != self._last:
            click.echo(f"\r\x1b[K{line}  (Ctrl-C keeps the best so far)", nl=False, err=True)
            self._last = line

    def __exit__(self, *error: object) -> None:
        if self._last:
            click.echo("\r\x1b[K", nl=False, err=True)
