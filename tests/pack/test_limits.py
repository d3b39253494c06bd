"""Limits: defaults, what is refused, and that every limit has words."""

from __future__ import annotations

from dataclasses import fields

import pytest

from cellmatch.errors import ArgumentInvalid
from cellmatch.pack.chemistry import load_chemistry
from cellmatch.pack.limits import LIMIT_WORDS, Limits


def test_every_limit_has_words() -> None:
    assert list(LIMIT_WORDS) == [limit.name for limit in fields(Limits)]


def test_open_values_come_from_chemistry_and_origin() -> None:
    new = Limits().settled(load_chemistry("nmc"))
    assert (new.floor_v, new.min_v, new.max_v) == (2.0, 2.5, 4.2)
    assert (new.min_capacity_fraction, new.max_ir_ratio) == (0.90, 1.5)
    salvaged = Limits(salvaged=True).settled(load_chemistry("lfp"))
    assert (salvaged.floor_v, salvaged.min_v, salvaged.max_v) == (1.5, 2.0, 3.65)
    assert (salvaged.min_capacity_fraction, salvaged.max_ir_ratio) == (0.60, 2.0)


def test_given_values_win() -> None:
    limits = Limits(max_v=4.35, min_capacity_fraction=0.8).settled(load_chemistry("nmc"))
    assert (limits.max_v, limits.min_capacity_fraction) == (4.35, 0.8)


@pytest.mark.parametrize(
    ("given", "words"),
    [
        ({"outlier_k": -1.0}, "--outlier-k"),
        ({"join_window_mv": float("nan")}, "--join-window-mv"),
        ({"join_limit_c": 0.0}, "above 0"),
        ({"min_capacity_fraction": 90.0}, "0.9 means 90 %"),
        ({"min_v": 4.3, "max_v": 4.2}, "lowest must be below full"),
        ({"rated_mah": float("inf")}, "--rated-mah"),
    ],
)
def test_limits_that_cannot_be_meant(given: dict[str, float], words: str) -> None:
    with pytest.raises(ArgumentInvalid, match=words):
        Limits(**given)  # type: ignore[arg-type]


def test_lowest_under_the_floor_is_refused() -> None:
    with pytest.raises(ArgumentInvalid, match="--floor-v"):
        Limits(min_v=1.2).settled(load_chemistry("nmc"))
