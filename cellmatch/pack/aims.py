"""What a grouping may look for, and what it compares where groups differ in size."""

from __future__ import annotations

AIMS = ("weakest", "spread", "conductance", "range")
UNEQUAL = ("share", "sum")
