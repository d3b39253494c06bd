"""Medians and robust scales of a tray."""

from __future__ import annotations

import numpy as np

from cellmatch.cells.table import cell_table
from cellmatch.cells.tray import Tray
from cellmatch.pack.chemistry import load_chemistry
from cellmatch.pack.limits import Limits


def make(**columns: object) -> Tray:
    n = len(columns["ocv_v"])  # type: ignore[arg-type]
    chemistry = load_chemistry("nmc")
    cells = cell_table({"capacity_mah": np.full(n, 2500.0), **columns}, ids=map(str, range(n)))  # type: ignore[dict-item]
    return Tray(cells, Limits().settled(chemistry), chemistry)


def test_scale_of_normal_readings_is_their_standard_deviation() -> None:
    # 1.4826 = 1/0.6745, the normal distribution's quartile (any table of the normal distribution)
    values = np.random.default_rng(0).normal(100.0, 4.0, 20_000)
    tray = make(ocv_v=np.full(20_000, 3.7), ir_mohm=values)
    scale = tray.scale_within(tray.ir_mohm, tray.kind, np.zeros(20_000))
    assert abs(scale[0] - 4.0) < 0.1


def test_implausible_cells_do_not_shape_the_median() -> None:
    ocv = np.r_[np.full(6, 3.7), np.full(5, 0.1)]
    tray = make(ocv_v=ocv, ir_mohm=np.r_[np.full(6, 20.0), np.full(5, 500.0)])
    assert tray.median_within(tray.ir_mohm, tray.kind)[0] == 20.0


def test_too_few_cells_of_a_kind_are_not_judged() -> None:
    tray = make(ocv_v=np.full(6, 3.7), ir_mohm=np.full(6, 20.0), model=["a", "a", "a", "a", "a", "b"])
    median = tray.median_within(tray.ir_mohm, tray.kind)
    assert median[0] == 20.0
    assert np.isnan(median[5])


def test_temperatures_far_apart_part_the_kinds() -> None:
    temperature = np.r_[np.full(5, 20.0), np.full(5, 29.0)]
    assert len(set(make(ocv_v=np.full(10, 3.7), temperature_c=temperature).kind)) == 2
    assert len(set(make(ocv_v=np.full(10, 3.7), temperature_c=temperature / 10).kind)) == 1
