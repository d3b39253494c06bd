"""A tray that can't be balanced is called so, with the cells to blame, and no other tray is."""

from __future__ import annotations

import re

import numpy as np
import pytest

from cellmatch.grouping.solve import group_cells
from tests.grouping.invented import random_capacities, tray


def _said(capacity_mah: object, pack: str, **how: object) -> str:
    notes = group_cells(tray(capacity_mah), pack, ("spread",), seconds=0.5, **how).notes  # type: ignore[arg-type]
    return " ".join(note for note in notes if "can't be balanced" in note)


def test_the_weak_cell_is_named_and_the_others_make_what_is_said() -> None:
    capacity = np.round(np.random.default_rng(5).normal(2500, 10, 30))
    capacity[17] = 1500
    said = _said(capacity, "10s3p")
    found = re.search(r"Leave out C18 \(1500 mAh\): the other 29 make 9s3p with a spread of (\d+) mAh", said)
    assert found is not None, said
    others = group_cells(tray(np.delete(capacity, 17)), "9s3p", ("spread",), seconds=0.5)
    assert others.spread_mah <= float(found[1]) <= others.floor_mah


def test_a_strong_cell_does_it_too() -> None:
    capacity = np.round(np.random.default_rng(6).normal(2500, 10, 24))
    capacity[3] = 3900
    assert "Leave out C4 (3900 mAh)" in _said(capacity, "8s3p")


def test_two_lots_have_no_single_cell_to_blame() -> None:
    capacity = np.where(np.arange(24) < 12, 2900.0, 2000.0)
    assert "No few cells are to blame" in _said(capacity, "24s1p")


@pytest.mark.parametrize("seed", range(6))
def test_an_even_tray_is_not_called_so(seed: int) -> None:
    assert _said(random_capacities("new", 30, np.random.default_rng(seed)), "10s3p") == ""


def test_rules_are_not_taken_for_cells() -> None:
    capacity = np.round(np.random.default_rng(7).normal(2500, 10, 12))
    grouping = group_cells(tray(capacity), "4s3p", ("spread",), ("apart C1,C2",), seconds=0.5)
    assert not any("balanced" in note for note in grouping.notes)
