"""What readings are worth, against published and independently worked values."""

from __future__ import annotations

import numpy as np
import pytest

from cellmatch.cells.quality import Repeatability, expected_largest, match_uncertainty

# Expected value of the largest of n standard normal values (H. A. David and H. N. Nagaraja, Order Statistics,
# 3rd ed., 2003); the five digits were computed independently, by integration outside this package.
ORDER_STATISTICS = {
    2: 0.56419, 3: 0.84628, 4: 1.02938, 5: 1.16296, 6: 1.26721, 7: 1.35218, 8: 1.42360, 10: 1.53875,
    12: 1.62923, 13: 1.66799, 14: 1.70338, 16: 1.76599, 20: 1.86748, 24: 1.94767,
}  # fmt: skip


@pytest.mark.parametrize(("count", "largest"), ORDER_STATISTICS.items())
def test_order_statistics_constants(count: int, largest: float) -> None:
    assert expected_largest(count) == pytest.approx(largest, abs=5.5e-6)


def _known(value: float) -> Repeatability:
    return Repeatability(value=value, unit="mAh", known_from="given", how="given")


def test_group_uncertainty_and_floor_worked_by_hand() -> None:
    # worked by hand: u = 12.5 mAh, P = 3: 12.5·√3 = 21.65 mAh, 2.77·21.65 = 60 mAh
    worth = match_uncertainty(_known(12.5), 10, 3)
    assert worth.group_uncertainty_mah == pytest.approx(21.65, abs=0.005)
    assert worth.floor_mah == pytest.approx(60.0, abs=0.05)


# pack, cell-to-cell coefficient of variation [%], loss of the weakest of S random groups [%]:
# mu·c_S·cv/√P, computed independently, and by Monte Carlo with 20000 draws (third figure)
RANDOM_ASSEMBLY = [
    (10, 10, 0.942, 0.458, 0.457),
    (13, 4, 1.0, 0.834, 0.832),
    (13, 4, 5.0, 4.170, 4.172),
    (13, 4, 10.0, 8.340, 8.343),
    (14, 8, 5.77, 3.475, 3.465),
]


@pytest.mark.parametrize(("series", "parallel", "cv", "loss", "drawn"), RANDOM_ASSEMBLY)
def test_loss_of_a_pack_put_together_at_random(
    series: int, parallel: int, cv: float, loss: float, drawn: float
) -> None:
    found = expected_largest(series) * cv / np.sqrt(parallel)
    assert found == pytest.approx(loss, abs=6e-4)
    assert found == pytest.approx(drawn, abs=0.05)


def _longest_first(capacity: np.ndarray, series: int, parallel: int) -> np.ndarray:
    """Take the largest cell left to the emptiest group that has a place; returns members of each group."""
    sums, sizes = np.zeros(series), np.zeros(series, dtype=int)
    members = np.zeros((series, parallel), dtype=int)
    for cell in np.argsort(-capacity):
        group = int(np.argmin(np.where(sizes < parallel, sums, np.inf)))
        members[group, sizes[group]] = cell
        sums[group] += capacity[cell]
        sizes[group] += 1
    return members


def test_true_spread_behind_a_match_by_monte_carlo() -> None:
    # Computed independently (13S4P, cv 5 %, u 1 %, largest first to the emptiest group, 1000 lots): apparent
    # spread 1.346 %, least 1.668 %, true 2.155 %; sqrt(1.346² + 1.668²) = 2.143 agrees within 0.6 %.
    series, parallel, lots = 13, 4, 1000
    rng = np.random.default_rng(20)
    apparent, true = np.empty(lots), np.empty(lots)
    for lot in range(lots):
        cell = rng.normal(1.0, 0.05, series * parallel)
        read = cell + rng.normal(0.0, 0.01, cell.size)
        members = _longest_first(read, series, parallel)
        apparent[lot] = 100 * np.ptp(read[members].mean(axis=1))
        true[lot] = 100 * np.ptp(cell[members].mean(axis=1))
    worth = match_uncertainty(_known(1.0), series, parallel)  # 1 % of a cell, so sums are in % of a cell
    least = worth.least_true_spread_mah / parallel
    assert least == pytest.approx(1.668, abs=5e-4)
    assert apparent.mean() == pytest.approx(1.346, abs=0.06)
    assert true.mean() == pytest.approx(2.155, abs=0.06)
    expected = worth.true_spread_mah(float(apparent.mean()) * parallel) / parallel
    assert expected == pytest.approx(2.143, abs=0.05)
    assert true.mean() == pytest.approx(expected, rel=0.02)
