"""A whole pack from readings to all that its builder is told: the parts fit together."""

from __future__ import annotations

import numpy as np
import pytest

from cellmatch.build.links import wire_pack
from cellmatch.build.pack_network import pack_network
from cellmatch.electrics.balance import series_balance
from cellmatch.electrics.comparison import compare_groupings
from cellmatch.electrics.discharge import run_load
from cellmatch.electrics.heat import Cylinder, holder_rise
from cellmatch.electrics.load import constant_current
from cellmatch.electrics.network import seen_by_the_load, worst_over_mean
from cellmatch.electrics.parallel import join_groups
from cellmatch.electrics.resistance import load_resistance_range
from cellmatch.electrics.sharing import hold_against_limits, largest_current_a, refuse_overload
from cellmatch.electrics.shorting import short_circuit
from cellmatch.pack.chemistry import load_chemistry
from cellmatch.pack.holder import Holder
from cellmatch.pack.spec import Pack


def test_10s4p_of_salvaged_cells_at_1c() -> None:
    pack, holder, chemistry = Pack.parse("10s4p"), Holder(), load_chemistry("nmc")
    positions = holder.lay_out(pack)
    rng = np.random.default_rng(11)
    n, group = pack.places, positions.group
    ocv, q, ir = rng.normal(3.62, 0.004, n), rng.normal(2.5, 0.05, n), rng.normal(0.030, 0.002, n)
    load = constant_current(10.0)
    curve = chemistry.working_curve()
    assert curve is not None
    end_v, full_v = chemistry.end_v, chemistry.full_v

    # what needs the lowest resistance
    joined = join_groups(ocv, ir, group, 0.5 * q)
    assert joined.worst_verdict == "go"
    short = short_circuit(chemistry.full_v, ir, group)
    assert 500 < short.pack_a < 620
    assert short.pack_v == pytest.approx(42.0)
    refuse_overload(load.greatest, group, 5.0)
    assert largest_current_a(ir, group, 5.0) > 10.0

    # what meets the resistance under load, as a range
    low, high, words = load_resistance_range("ac_1khz")
    assert "1.3 to 1.8 times" in words
    runs = []
    for factor in (low, high):
        circuit = pack_network(positions, wire_pack(positions, holder), (), factor * ir, 2e-4)
        seen, link_ohm = seen_by_the_load(circuit.network, group)
        runs.append(
            (
                run_load(q, seen, group, curve, load, link_ohm=link_ohm, end_v=end_v, full_v=full_v),
                factor * ir,
            )
        )
        state = circuit.network.solve(chemistry.full_v, load.greatest)
        assert (worst_over_mean(state.cell_a, group) < 1.2).all()
        assert runs[-1][0].pack_v[0] == pytest.approx(state.pack_v, rel=1e-9)
    (best, _), (worst, _) = runs
    assert worst.charge_ah < best.charge_ah < series_balance(np.bincount(group, q)[1:], 1.0).usable_ah
    assert worst.energy_wh < best.energy_wh < best.charge_ah * 42.0
    assert worst.sag_v > best.sag_v > 0
    for check in hold_against_limits(worst, load, continuous_a=5.0, contact_a=5.0):
        assert check.kept

    # heat by each cell's true resistance, not by the one that carries the links' effect
    heat = tuple(run.cell_rms_a**2 * r for run, r in runs)
    cell = Cylinder(diameter_mm=holder.diameter_mm, length_mm=holder.length_mm)
    rise = holder_rise(
        positions.x_mm, positions.y_mm, (heat[0], heat[1]), cell, duration_s=worst.duration_s, mass_g=46.0
    )
    assert 1.0 < rise.low_k[rise.hottest] < rise.high_k[rise.hottest] < 40.0

    compared = compare_groupings(q, high * ir, group, curve, load, draws=3, end_v=end_v, full_v=full_v)
    assert compared.this_ah == pytest.approx(worst.charge_ah, rel=0.02)
