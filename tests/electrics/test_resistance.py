"""From the measured resistance to the one under load."""

from __future__ import annotations

import pytest

from cellmatch.electrics.resistance import load_resistance_range
from cellmatch.errors import ArgumentInvalid


@pytest.mark.parametrize(
    ("method", "low", "high", "word"),
    [
        ("ac_1khz", 1.3, 1.8, "1 kHz"),
        ("dc_10s", 1.0, 1.0, "as measured"),
        ("dc_30s", 1.0, 1.0, "30 s"),
        ("dc_1s", 1.0, 1.35, "a pulse of 1 s"),
        ("dc_0.5s", 1.0, 1.35, r"a pulse of 0\.5 s"),
        ("dc", 1.0, 1.35, "unknown length"),
        ("unknown", 1.0, 1.8, "unknown method"),
        (None, 1.0, 1.8, "unknown method"),
    ],
)
def test_every_method_carries_its_range(method: str | None, low: float, high: float, word: str) -> None:
    found = load_resistance_range(method)
    assert found[:2] == (low, high)
    assert word.replace("\\", "") in found[2]


def test_ac_range_covers_what_retired_cells_showed() -> None:
    """Instant over 5 s resistance 0.60, 0.70, 0.74, 0.57 in mean over four lots (TBSI-Lijing data set, MIT).

    Computed independently from the data.
    """
    low, high, _ = load_resistance_range("ac_1khz")
    for ratio in (0.60, 0.70, 0.74, 0.57):
        assert low < 1 / ratio < high


def test_an_unknown_word_is_named() -> None:
    with pytest.raises(ArgumentInvalid, match="known: ac_1khz"):
        load_resistance_range("guess")
