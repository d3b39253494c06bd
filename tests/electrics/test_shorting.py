"""Short circuit and pre-charge."""

from __future__ import annotations

import numpy as np
import pytest

from cellmatch.electrics.network import Network
from cellmatch.electrics.shorting import precharge_capacitor, short_circuit
from cellmatch.errors import ArgumentInvalid


def test_a_short_is_the_network_with_a_dead_load() -> None:
    r, group = np.array([0.02, 0.03, 0.025, 0.04]), [1, 1, 2, 2]
    short = short_circuit(4.2, r, group)
    dead = Network(
        nodes=3,
        cell_minus=np.array([0, 0, 1, 1]),
        cell_plus=np.array([1, 1, 2, 2]),
        cell_ohm=r,
        link_from=np.array([0]),
        link_to=np.array([2]),
        link_ohm=np.array([1e-12]),
        minus=0,
        plus=2,
    )
    assert abs(float(dead.solve(4.2, 0.0).link_a[0])) == pytest.approx(short.pack_a, rel=1e-6)
    np.testing.assert_allclose(short.group_a, [4.2 / 0.02 + 4.2 / 0.03, 4.2 / 0.025 + 4.2 / 0.04])
    assert short.pack_v == pytest.approx(8.4)


def test_precharge_in_time() -> None:
    pre = precharge_capacitor(58.8, 1e-3, 100.0, 0.99)
    volts, lost_j, dt = 0.0, 0.0, 1e-5
    for _ in range(round(pre.time_s / dt)):
        amps = (58.8 - volts) / 100.0
        lost_j += amps**2 * 100.0 * dt
        volts += amps * dt / 1e-3
    assert 58.8 - volts == pytest.approx(pre.left_v, rel=5e-3)
    assert lost_j == pytest.approx(pre.energy_j, rel=1e-2)
    assert pre.first_w == pytest.approx(58.8 * pre.first_a)


def test_bad_input_is_named() -> None:
    with pytest.raises(ArgumentInvalid, match="a resistance above 0 for every cell"):
        short_circuit(4.2, [0.02, np.nan], [1, 1])
    with pytest.raises(ArgumentInvalid, match="the fraction below 1"):
        precharge_capacitor(58.8, 1e-3, 100.0, 1.0)
