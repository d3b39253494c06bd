"""A thousand damaged files: one clear error or a table in which every value stands where it belongs."""

from __future__ import annotations

from collections import Counter
from pathlib import Path

import numpy as np
import pytest

from tests.cells.mutated import damaged, outcome

CASES = Path(__file__).parent / "cases"


@pytest.mark.parametrize("part", range(4))
def test_damaged_files(tmp_path: Path, part: int) -> None:
    """Two hundred and fifty inputs a part; a benchmark runs more than twenty thousand."""
    seeds = [p.read_bytes() for p in sorted(CASES.glob("*.csv"))]
    rng = np.random.default_rng(part)
    seen: Counter[str] = Counter()
    for number in range(250):
        path = tmp_path / f"f{number % 3}.csv"
        path.write_bytes(damaged(seeds, rng))
        try:
            seen[outcome(path)] += 1
        except Exception as error:
            kept = tmp_path / "failed.csv"
            kept.write_bytes(path.read_bytes())
            raise AssertionError(f"part {part}, input {number}: {path.read_bytes()[:400]!r}") from error
    assert seen["read"] > 50, seen  # or the check of the values would check nothing
    assert seen["FileUnusable"] > 10, seen
