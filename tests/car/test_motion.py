"""A car set in motion, and the states it starts from."""

from __future__ import annotations

import math

import numpy as np
import pytest
from plant_bench import RPM, WARM, healthy, held, moving, run, started

from throttlewright.build.catalogue import load_example
from throttlewright.car.motion import in_motion, start_state
from throttlewright.car.pack import pack
from throttlewright.car.plant import car_rates, car_sample
from throttlewright.car.record import AREA_POINTS
from throttlewright.car.state import (
    BOOSTER,
    COOLANT,
    DELAY_LENGTH,
    DELAY_RING,
    FLOW_CYLINDERS,
    N_STATE,
    OMEGA,
    OMEGA_DRIVEN,
    OMEGA_FREE,
    OMEGA_GEARBOX,
    P_EXHAUST,
    P_MANIFOLD,
    P_PIPE,
    PLATE,
    RATIO_WAS,
    SPEED,
    TORQUE,
    TURBO_SPEED,
    U_RATIO,
)
from throttlewright.physics.compressor_map import CompressorMap, SpeedLine

CARS = ["trackday_16", "hillclimb_20t", "v8_48_itb"]


@pytest.mark.parametrize("name", CARS)
def test_the_car_that_is_given_stays_as_it_was(name: str) -> None:
    car = pack(load_example(name).build)
    before = car.record.tobytes()
    made = in_motion(car)
    assert car.record.tobytes() == before
    assert made.record.tobytes() != before
    assert made.build is car.build
    area = np.asarray(made.record["area_table"])
    assert area.shape == (AREA_POINTS,)
    assert np.all(np.diff(area) >= 0.0)
    assert area[0] > 0.0


def test_a_measured_compressor_brings_its_own_surge_line() -> None:
    car = pack(load_example("hillclimb_20t").build)
    line = SpeedLine(speed=1e4, flow=np.array([0.04, 0.1]), pressure_ratio=np.array([3.5, 2.0]),
                     efficiency=None)  # fmt: skip
    typical = in_motion(car)
    measured = in_motion(car, compressor=CompressorMap(lines=(line,), p_ref=1e5, T_ref=298.0))
    assert not np.array_equal(typical.record["surge_flow"], measured.record["surge_flow"])
    assert typical.record["turbo_inertia"] == measured.record["turbo_inertia"]


@pytest.mark.parametrize("name", CARS)
@pytest.mark.parametrize(("rpm", "share"), [(1200.0, 0.08), (3000.0, 0.2), (5000.0, 0.6)])
def test_a_running_start_is_at_rest_in_its_pressures(name: str, rpm: float, share: float) -> None:
    car = moving(name)
    x, u, dx = started(car, rpm, share), held(), np.zeros(N_STATE)
    car_sample(x, u, car=car.record)
    car_rates(x, u, car=car.record, dx=dx)
    # within 100 ms nothing would move by more than a percent
    for place in (P_PIPE, P_MANIFOLD, P_EXHAUST):
        before = float(x[place])
        assert math.isfinite(dx[place])
        after = x.copy()
        run(after, u, car.record, 100)
        if name != "hillclimb_20t":
            assert after[place] == pytest.approx(before, rel=0.01), place
    ring = x[DELAY_RING : DELAY_RING + DELAY_LENGTH]
    assert np.allclose(ring, x[FLOW_CYLINDERS] / x[OMEGA], rtol=1e-6)


def test_torque_is_there_from_the_first_tick() -> None:
    car = moving("trackday_16")
    x, u = started(car, 3000.0, 0.2), held()
    run(x, u, car.record, 1)
    first = float(x[TORQUE])
    run(x, u, car.record, 1000)
    assert first == pytest.approx(x[TORQUE], rel=0.02)


def test_a_standing_engine_is_at_ambient() -> None:
    car = moving("hillclimb_20t")
    x = started(car, 0.0, 0.1)
    ambient = float(car.record["p_ambient"])
    assert {float(x[p]) for p in (P_PIPE, P_MANIFOLD, P_EXHAUST, BOOSTER)} == {ambient}
    assert (x[OMEGA], x[SPEED], x[TORQUE]) == (0.0, 0.0, 0.0)
    run(x, healthy(), car.record, 200)
    assert np.all(np.isfinite(x))
    assert x[OMEGA] == 0.0
    assert x[P_MANIFOLD] == pytest.approx(ambient, rel=1e-3)


def test_rolling_in_gear_ties_engine_wheels_and_road_together() -> None:
    car = moving("trackday_16")
    ratio = float(car.record["ratios"][1] * car.record["final_drive"])
    x = started(car, 3000.0, 0.2, ratio)
    radius = float(car.record["tyre_radius"])
    assert x[OMEGA] == x[OMEGA_GEARBOX] == pytest.approx(3000.0 * RPM)
    assert x[SPEED] == pytest.approx(x[OMEGA] / ratio * radius)
    assert x[OMEGA_DRIVEN] == x[OMEGA_FREE] == pytest.approx(x[SPEED] / radius)
    assert x[RATIO_WAS] == ratio
    u = healthy()
    u[U_RATIO] = ratio
    run(x, u, car.record, 500)
    assert x[OMEGA] == pytest.approx(3000.0 * RPM, rel=0.15)
    assert x[OMEGA_GEARBOX] == pytest.approx(x[OMEGA], rel=1e-9)


def test_rolling_in_neutral_keeps_both_speeds() -> None:
    car = moving("trackday_16")
    x = start_state(car, omega=100.0, speed=20.0, ratio=0.0, opening=0.1, coolant=WARM)
    assert (x[OMEGA], x[SPEED], x[COOLANT], x[PLATE]) == (100.0, 20.0, WARM, 0.1)
    assert x[OMEGA_DRIVEN] == pytest.approx(20.0 / float(car.record["tyre_radius"]))


def test_the_turbo_starts_at_the_speed_that_the_air_drags_it_along() -> None:
    car = moving("hillclimb_20t")
    slow, fast = started(car, 1500.0, 0.1), started(car, 5000.0, 1.0)
    assert 50.0 <= slow[TURBO_SPEED] < fast[TURBO_SPEED] < 2e4
