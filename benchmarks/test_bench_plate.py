"""Plate-size study, against the same points solved one call each."""

from __future__ import annotations

import time

import numpy as np
import pytest

from throttlewright.car.record import BoostState
from throttlewright.car.surface import evaluate, plate_axis
from throttlewright.design.plate_study import plate_study


@pytest.mark.benchmark(group="plate study")
def test_study_of_40_bores(benchmark, turbo_car) -> None:
    bores = np.linspace(0.030, 0.110, 40)
    plate_study(turbo_car, bores=bores[:2])
    study = benchmark.pedantic(plate_study, (turbo_car,), {"bores": bores}, rounds=5)
    assert len(study.rows) == 40
    # peer: the part-load points of one plate (4 speeds, 160 angles) one call each, times 40 plates
    psi, omega = plate_axis(turbo_car, count=160), np.append(study.speeds, study.idle)
    start = time.perf_counter()
    for w in omega:
        for angle in psi:
            evaluate(turbo_car, np.array([w]), np.array([[angle]]), state=BoostState.INSTANT)
    scaled = 40.0 * (time.perf_counter() - start)
    median = benchmark.stats.stats.median
    benchmark.extra_info["median s"] = round(median, 3)
    benchmark.extra_info["part-load points one call each, s"] = round(scaled, 2)
    benchmark.extra_info["times faster than the peer"] = round(scaled / median, 1)
    print(dict(benchmark.extra_info))
