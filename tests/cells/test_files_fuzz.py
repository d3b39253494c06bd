"""A thousand damaged files: one clear error or a table in which every value stands where it belongs."""

from __future__ import annotations

from collections import Counter
from pathlib import Path

import numpy as np
import pytest

from cellmatch.cells.reading.files import read_cells
from cellmatch.errors import CellmatchError
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


def test_a_damaged_line_changes_no_other_cell(tmp_path: Path) -> None:
    """Signs changed in one line: every other cell keeps its readings, or the file is refused."""
    whole = {}
    for path in sorted(CASES.glob("*.csv")):
        try:
            cells = read_cells(path)
        except CellmatchError:
            continue
        file = cells.attrs["reading"].files[0]
        if not file.turned and not file.encoding.startswith("utf-16"):
            whole[path] = cells
    rng = np.random.default_rng(11)
    damaged_file = tmp_path / "damaged.csv"
    compared = 0
    for _ in range(150):
        path = sorted(whole)[int(rng.integers(len(whole)))]
        before = whole[path]
        lines = path.read_bytes().split(b"\n")
        number = int(rng.integers(before.attrs["reading"].files[0].header_line, len(lines)))
        lines[number] = _with_signs_changed(lines[number], rng)
        damaged_file.write_bytes(b"\n".join(lines))
        try:
            after = read_cells(damaged_file)
        except CellmatchError:
            continue
        where = {source.rpartition(" line ")[2]: i for i, source in enumerate(after["source"])}
        for cell_id, source in zip(before.index, before["source"], strict=True):
            line = source.rpartition(" line ")[2]
            if line.isdigit() and line != str(number + 1) and line in where:
                row = after.iloc[where[line]]
                for name in ("ocv_v", "capacity_mah", "ir_mohm"):
                    old, new = before[name].iloc[before.index.get_loc(cell_id)], row[name]
                    assert old == new or (old != old and new != new), (
                        path.name,
                        number + 1,
                        lines[number],
                        cell_id,
                    )
                    compared += 1
            elif line.isdigit() and line != str(number + 1):
                # the damaged row was given this cell's id, so both rows are shown as repeats of it
                assert any(cell_id == r.cell_id for r in after.attrs["reading"].repeats), (
                    path.name,
                    lines[number],
                )
    assert compared > 1000


def _with_signs_changed(line: bytes, rng: np.random.Generator) -> bytes:
    """Change, put in or take out one to three signs that tables are made of."""
    end = b"\r" if line.endswith(b"\r") else b""
    signs = bytearray(line.removesuffix(b"\r"))
    for _ in range(int(rng.integers(1, 4))):
        place, sign = (
            int(rng.integers(len(signs) + 1)),
            int(rng.choice(list(b'0123456789.,;-+ eEVmAh#x"\xb0|'))),
        )
        if rng.random() < 0.5:
            signs.insert(place, sign)
        else:
            signs[place : place + 1] = bytes([sign]) if rng.random() < 0.6 else b""
    return bytes(signs) + end
