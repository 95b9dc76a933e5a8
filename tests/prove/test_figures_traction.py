"""Figures of traction control on made-up runs."""

from __future__ import annotations

import numpy as np
import pytest

from throttlewright.build.catalogue import load_example, load_example_intent
from throttlewright.car.pack import pack
from throttlewright.physics.tyre import grip_limited_acceleration
from throttlewright.prove.figures_traction import FIGURES, time_lost
from throttlewright.recording.recording import Channel, Recording


def made(t, **values) -> Recording:
    return Recording({n: Channel(n, "", t, np.asarray(v)) for n, v in values.items()})


def test_only_time_over_twice_the_target_counts() -> None:
    car = pack(load_example("trackday_16").build)
    intent = load_example_intent("trackday_16").intent
    t = np.arange(1000) * 1e-3
    speed = np.full(t.size, 20.0)
    driven = np.where((t >= 0.3) & (t < 0.5), 30.0, 21.0)
    found = FIGURES["traction_spin_time"](
        made(t, speed_m_s=speed, driven_speed_m_s=driven), car, intent
    )
    assert found.value == pytest.approx(0.2, abs=2e-3)


def test_time_lost_by_hand() -> None:
    # at half of what the tyres could do, from rest-like 10 m/s over the distance of one second
    car = pack(load_example("trackday_16").build)
    rec = car.record
    best = grip_limited_acceleration(
        float(rec["grip"]),
        float(rec["driven"]),
        float(rec["front_weight"]),
        float(rec["cg_height"]),
        float(rec["wheelbase"]),
    )
    t = np.arange(1001) * 1e-3
    a = 0.5 * best
    run = made(
        t,
        speed_m_s=10.0 + a * t,
        distance_m=10.0 * t + 0.5 * a * t**2,
        acceleration_m_s2=np.full(t.size, a),
        grip_1=np.ones(t.size),
        slip_1=np.full(t.size, 0.5),
    )
    way = 10.0 + 0.5 * a
    ideal = (-10.0 + np.sqrt(100.0 + 2.0 * best * way)) / best
    assert time_lost(run, car) == pytest.approx(1.0 - ideal, abs=1e-3)
