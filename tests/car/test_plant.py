"""The whole car in steps: mass balance, the steady surface, sampled things, and its rates."""

from __future__ import annotations

import math
from functools import cache
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from plant_bench import BLOWN, RPM, healthy, held, moving, run, set_plate, started

from throttlewright.build.load import load_build
from throttlewright.car.motion import in_motion
from throttlewright.car.pack import Car, pack
from throttlewright.car.plant import TICK, car_rates, car_sample, car_step, cold_friction, lost_now
from throttlewright.car.record import BoostState, copied
from throttlewright.car.state import (
    BOOSTER,
    COOLANT,
    DELAY_AT,
    FLOW_COMPRESSOR,
    FLOW_CYLINDERS,
    FLOW_EXHAUST,
    FLOW_LEAK,
    FLOW_PLATE,
    FLOW_RELIEF,
    INDICATED,
    N_STATE,
    OMEGA,
    P_EXHAUST,
    P_MANIFOLD,
    P_PIPE,
    PLATE,
    SPEED,
    SURGE_MARGIN,
    T_EXHAUST,
    T_MANIFOLD,
    T_PIPE,
    T_PORT,
    TORQUE,
    TURBINE_HEAT,
    TURBO_SPEED,
    U_BLEED,
    U_BRAKE,
    U_BRIDGE,
    U_FUEL,
    U_LEAK,
    U_RATIO,
    U_RETARD,
    U_STUCK,
    U_VOLTAGE,
)
from throttlewright.car.surface import evaluate
from throttlewright.physics.friction import friction_over_warm
from throttlewright.physics.gas import R_AIR
from throttlewright.physics.servo import BRIDGE_DRIVEN

EXHAUST_MASS = 290.0 * 900.0  # R T of the exhaust manifold, as the plant takes it


@cache
def car_of(name: str) -> Car:
    if name != "blown":
        return moving(name)
    import tempfile

    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "build.toml"
        path.write_text(BLOWN, encoding="utf-8")
        return in_motion(pack(load_build(path).build))


@pytest.mark.parametrize(
    ("name", "adiabatic"),
    [
        ("hillclimb_20t", 0.0),
        ("hillclimb_20t", 1.0),
        ("trackday_16", 0.0),
        ("trackday_16", 1.0),
        ("v8_48_itb", 0.0),
        ("blown", 0.0),
    ],
)
def test_mass_of_every_volume_balances_to_rounding(name: str, adiabatic: float) -> None:
    car = car_of(name)
    record = copied(car.record)
    record["adiabatic"] = adiabatic
    x, u = started(car, 2500.0, 0.1), held()
    if adiabatic:
        x[T_MANIFOLD] -= float(record["charge_temperature_rise"])
    u[U_LEAK] = 5e-6
    worst = 0.0
    for tick in range(400):
        if tick == 50:
            set_plate(x, record, 0.9)
        if tick == 300:
            set_plate(x, record, 0.05)
        car_sample(x, u, car=record)
        before = x.copy()
        car_step(x, u, car=record, h=TICK)

        pipe = float(record["pipe_volume"]) / (R_AIR * x[T_PIPE])
        mass = pipe * (x[P_PIPE] - before[P_PIPE])
        net = TICK * (x[FLOW_COMPRESSOR] - x[FLOW_RELIEF] - x[FLOW_PLATE])
        worst = max(worst, abs(mass - net) / (pipe * x[P_PIPE]))

        gas = float(record["exhaust_volume"]) / EXHAUST_MASS
        mass = gas * (x[P_EXHAUST] - before[P_EXHAUST])
        net = TICK * (x[FLOW_CYLINDERS] - x[FLOW_EXHAUST])
        worst = max(worst, abs(mass - net) / (gas * x[P_EXHAUST]))

        if float(record["individual"]) < 0.5:
            volume = float(record["manifold_volume"]) / R_AIR
            mass = volume * (
                x[P_MANIFOLD] / x[T_MANIFOLD] - before[P_MANIFOLD] / before[T_MANIFOLD]
            )
            net = TICK * (x[FLOW_PLATE] + x[FLOW_LEAK] - x[FLOW_CYLINDERS])
            worst = max(worst, abs(mass - net) / (volume * x[P_MANIFOLD] / x[T_MANIFOLD]))
        else:
            assert x[FLOW_PLATE] == pytest.approx(x[FLOW_CYLINDERS], rel=1e-12)
    assert worst < 1e-9


def test_a_new_temperature_keeps_the_mass_in_its_volume() -> None:
    car = moving("hillclimb_20t")
    x, u = started(car, 3500.0, 0.8), held()
    for _ in range(300):
        masses = [x[P_PIPE] / x[T_PIPE], x[P_MANIFOLD] / x[T_MANIFOLD]]
        car_sample(x, u, car=car.record)
        assert x[P_PIPE] / x[T_PIPE] == pytest.approx(masses[0], rel=1e-14)
        assert x[P_MANIFOLD] / x[T_MANIFOLD] == pytest.approx(masses[1], rel=1e-14)
        car_step(x, u, car=car.record, h=TICK)


@pytest.mark.parametrize("share", [0.12, 0.3, 0.6, 1.0])
@pytest.mark.parametrize("rpm", [1800.0, 3500.0, 5500.0])
@pytest.mark.parametrize("name", ["hillclimb_20t", "trackday_16", "v8_48_itb", "blown"])
def test_held_long_enough_the_car_stands_on_the_steady_surface(
    name: str, rpm: float, share: float
) -> None:
    car = car_of(name)
    x, u = started(car, rpm, share), held()
    run(x, u, car.record, 4000 if car.turbo else 1500)
    psi = np.array([[car.psi_closed + share * float(car.record["servo_travel"])]])
    omega = np.array([rpm * RPM])
    # the wastegate's spring and the relief valve decide where a turbo's pipe ends; the surface
    # knows neither, so it is asked for the balance at the pressure that came about
    state, pressure = BoostState.SETTLED, None
    if car.turbo:
        state, pressure = BoostState.HELD, float(x[P_PIPE])
    values, status = evaluate(car, omega, psi, state=state, pressure=pressure)
    assert status[0, 0] == 0
    at = {key: float(value[0, 0]) for key, value in values.items()}
    assert x[P_PIPE] == pytest.approx(at["pipe_pressure"], rel=3e-3)
    assert x[P_MANIFOLD] == pytest.approx(at["map"], rel=3e-3, abs=500.0)
    assert x[FLOW_CYLINDERS] == pytest.approx(at["air_flow"], rel=3e-3)
    full = evaluate(car, omega, psi * 0.0 + car.psi_open, state=state, pressure=pressure)[0]
    assert x[TORQUE] == pytest.approx(at["torque"], abs=3e-3 * float(full["torque"][0, 0]))


@pytest.mark.parametrize("share", [0.12, 0.3, 1.0])
def test_with_the_wastegate_shut_boost_reaches_what_the_steady_law_says(share: float) -> None:
    car = moving("hillclimb_20t")
    record = copied(car.record)
    record["relief_area"] = 0.0
    x, u = started(car, 1800.0, share), held()
    u[U_BLEED] = 1.0
    run(x, u, record, 5000)
    psi = np.array([[car.psi_closed + share * float(record["servo_travel"])]])
    # a target far out of reach keeps the wastegate of the surface shut
    values, _ = evaluate(car, np.array([1800.0 * RPM]), psi, pressure=5e5)
    assert x[P_PIPE] == pytest.approx(values["pipe_pressure"][0, 0], rel=3e-3)
    assert x[P_PIPE] > float(record["p_ambient"]) + 5e3
    assert x[TORQUE] == pytest.approx(values["torque"][0, 0], rel=3e-3)


def test_cold_friction_table_is_the_law() -> None:
    car = moving("trackday_16").record
    for T in (233.15, 253.15, 264.4, 293.15, 333.0, 363.15, 390.0):
        assert cold_friction(T, car=car) == pytest.approx(friction_over_warm(T), rel=2e-3)
    assert cold_friction(200.0, car=car) == cold_friction(233.15, car=car)
    cold, warm = (
        started(moving("trackday_16"), 1000.0, 0.1),
        started(moving("trackday_16"), 1000.0, 0.1),
    )
    cold[COOLANT] = 273.15
    assert lost_now(cold, car=car) > lost_now(warm, car=car)


def test_torque_follows_the_charge_by_the_induction_delay() -> None:
    car = moving("trackday_16")
    for rpm in (900.0, 3000.0):
        x, u = started(car, rpm, 0.2), held()
        run(x, u, car.record, 600)
        before = float(x[INDICATED])
        set_plate(x, car.record, 0.0)
        x[P_MANIFOLD] *= 0.5
        delay = float(car.record["induction_delay"]) / (rpm * RPM) / TICK
        ticks = 0
        while abs(x[INDICATED] - before) < 0.02 * before:
            run(x, u, car.record, 1)
            ticks += 1
        # the charge is read at the end of a tick and counted from the next one
        assert delay - 1.0 <= ticks <= delay + 3.0


def test_nothing_burns_without_fuel_or_below_cranking_speed() -> None:
    car = moving("trackday_16")
    x, u = started(car, 3000.0, 0.3), held()
    run(x, u, car.record, 300)
    fired = float(x[INDICATED])
    assert fired > 20.0
    u[U_FUEL] = 0.5
    run(x, u, car.record, 1)
    assert x[INDICATED] == pytest.approx(0.5 * fired, rel=1e-3)
    u[U_FUEL] = 0.0
    run(x, u, car.record, 1)
    assert x[INDICATED] == 0.0
    assert x[T_PORT] == 450.0
    u[U_FUEL] = 1.0
    x[OMEGA] = 5.0
    run(x, u, car.record, 1)
    assert x[INDICATED] == 0.0


def test_late_ignition_costs_torque_and_heats_the_turbine() -> None:
    car = moving("hillclimb_20t")
    x, u = started(car, 3000.0, 0.3), held()
    run(x, u, car.record, 300)
    torque, T = float(x[INDICATED]), float(x[T_PORT])
    u[U_RETARD] = math.radians(20.0)
    run(x, u, car.record, 1)
    assert x[INDICATED] < 0.9 * torque
    assert x[T_PORT] > T + 50.0
    assert x[TURBINE_HEAT] > 1.03


def test_exhaust_sensor_lags_the_port() -> None:
    car = moving("trackday_16")
    x, u = started(car, 3000.0, 0.3), held()
    run(x, u, car.record, 50)
    x[T_EXHAUST] = 400.0
    lag = round(float(car.record["exhaust_lag"]) * 1e3)
    ahead = x.copy()
    run(ahead, u, car.record, 15 * lag)
    end = float(ahead[T_EXHAUST])
    # the manifold's walls take some of the heat of the port
    assert 0.75 * float(ahead[T_PORT]) < end < 0.97 * float(ahead[T_PORT])
    run(x, u, car.record, lag)
    # one time constant: 1 - 1/e of the way; the port drifts by a few kelvin meanwhile
    share = (x[T_EXHAUST] - 400.0) / (end - 400.0)
    assert share == pytest.approx(1.0 - math.exp(-1.0), abs=0.01)


def test_coolant_warms_by_its_share_of_the_fuel_and_the_thermostat_holds_it() -> None:
    car = moving("trackday_16")
    r = car.record
    x, u = started(car, 3000.0, 0.15), held()
    run(x, u, r, 500)
    fuel = float(x[FLOW_CYLINDERS] / (r["afr_stoich"] * r["lambda_part"]))
    x[COOLANT] = 293.15
    run(x, u, r, 1000)
    # by hand: share of the fuel's heat over the heat capacity, in one second
    rise = fuel * float(r["lhv"] * r["coolant_share"] / r["coolant_capacity"])
    assert x[COOLANT] - 293.15 == pytest.approx(rise, rel=0.01)
    assert 0.01 < rise < 3.0
    x[COOLANT] = float(r["thermostat"]) + 150.0
    run(x, u, r, 100)
    assert x[COOLANT] < float(r["thermostat"]) + 150.0


def test_brake_booster_keeps_its_vacuum_and_loses_some_with_each_press() -> None:
    car = moving("trackday_16")
    x, u = started(car, 3000.0, 0.05), held()
    run(x, u, car.record, 1500)
    low = float(x[BOOSTER])
    assert low == pytest.approx(x[P_MANIFOLD], rel=0.01)
    set_plate(x, car.record, 1.0)
    run(x, u, car.record, 500)
    assert x[P_MANIFOLD] > 1.3 * low
    assert x[BOOSTER] == pytest.approx(low, rel=1e-3)  # the valve holds
    ambient = float(car.record["p_ambient"])
    u[U_BRAKE] = 1.0
    run(x, u, car.record, 100)
    assert ambient - x[BOOSTER] == pytest.approx(0.75 * (ambient - low), rel=1e-3)
    run(x, u, car.record, 100)
    assert ambient - x[BOOSTER] == pytest.approx(0.75 * (ambient - low), rel=1e-3)


def test_surge_margin_is_one_without_boost_and_negative_at_low_flow() -> None:
    car = moving("hillclimb_20t")
    x, u = started(car, 2000.0, 0.05), held()
    run(x, u, car.record, 200)
    assert x[SURGE_MARGIN] == 1.0
    x[P_PIPE], x[FLOW_COMPRESSOR] = 1.8e5, 0.01
    car_sample(x, u, car=car.record)
    assert x[SURGE_MARGIN] < 0.0
    assert moving("trackday_16").turbo is False


def test_delay_ring_survives_many_turns_and_very_low_speed() -> None:
    car = moving("trackday_16")
    x, u = started(car, 300.0, 0.3), held()
    run(x, u, car.record, 500)
    assert 0 <= x[DELAY_AT] < 160
    assert np.all(np.isfinite(x))


def opening_run(substeps: int, name: str) -> np.ndarray:
    """On a dyno the motor opens the plate at 8 V, between the stops, for 45 ms."""
    car = moving(name)
    x, u = started(car, 2500.0, 0.15), held()
    run(x, u, car.record, 1000)
    u[U_STUCK] = 0.0
    u[U_BRIDGE], u[U_VOLTAGE] = BRIDGE_DRIVEN, 8.0
    run(x, u, car.record, 45, substeps)
    return x


@pytest.mark.parametrize("name", ["trackday_16", "hillclimb_20t"])
def test_shorter_steps_lead_to_the_same_end(name: str) -> None:
    exact = opening_run(64, name)
    errors = [np.abs(opening_run(n, name) - exact) for n in (1, 2, 4, 8)]
    one = errors[0]
    # 0.1 % of the range that each runs through
    assert one[P_PIPE] < 0.001 * 2e4
    assert one[P_MANIFOLD] < 0.001 * 6e4
    assert one[P_EXHAUST] < 0.001 * 2e4
    assert one[PLATE] < 0.001 * float(moving(name).record["servo_travel"])
    assert one[TURBO_SPEED] < 0.001 * 5e3
    # the pipe hangs on no sampled quantity: its error falls about fourfold with each halving
    orders = [math.log2(a[P_PIPE] / b[P_PIPE]) for a, b in pairwise(errors)]
    assert np.mean(orders) > 1.4, orders


def test_rates_are_the_limit_of_the_step() -> None:
    for name in ("hillclimb_20t", "trackday_16"):
        car = moving(name)
        ratio = float(car.record["ratios"][2] * car.record["final_drive"])
        x, u = started(car, 3000.0, 0.3, ratio), healthy()
        u[U_RATIO] = ratio
        u[U_BRIDGE], u[U_VOLTAGE] = BRIDGE_DRIVEN, 6.0
        run(x, u, car.record, 20)
        car_sample(x, u, car=car.record)
        h = 2e-6
        # lost torque is extrapolated from the last step: two short steps make it the present one
        car_step(x, u, car=car.record, h=h)
        car_step(x, u, car=car.record, h=h)
        dx = np.zeros(N_STATE)
        car_rates(x, u, car=car.record, dx=dx)
        after = x.copy()
        car_step(after, u, car=car.record, h=h)
        measured = (after - x) / h
        for place in (P_PIPE, P_MANIFOLD, P_EXHAUST, OMEGA, SPEED):
            scale = max(abs(dx[place]), 1e-6 * abs(x[place]))
            assert measured[place] == pytest.approx(dx[place], abs=5e-3 * scale), place
