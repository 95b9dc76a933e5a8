"""The stepping against an integrator of another kind, restarted at every sample.

Controller, sensors and everything sampled are the same calls in the same order; what lies between
two samples is integrated by Radau IIA of scipy with a tight tolerance, the inputs held. Noise and
converter steps are off: they would turn a difference in the tenth digit into one of the controller.
"""

from __future__ import annotations

import os
from functools import cache

import numpy as np
import pytest
from drive_bench import calibrated, moving, scenario
from scipy.integrate import solve_ivp

from throttlewright.calibration.signals import N_OUT, N_SIGNALS
from throttlewright.calibration.strategy_kernel import control
from throttlewright.car.flows import over_speed
from throttlewright.car.plant import TICK, car_rates, car_sample, lost_now
from throttlewright.car.plant_flows import all_flows, plate_area_at
from throttlewright.car.record import copied
from throttlewright.car.state import (
    AIR_PLATE,
    COOLANT,
    CURRENT,
    DISTANCE,
    FLOW_COMPRESSOR,
    FLOW_CYLINDERS,
    LOST,
    N_INPUT,
    N_STATE,
    OMEGA,
    OMEGA_DRIVEN,
    OMEGA_FREE,
    OMEGA_GEARBOX,
    P_EXHAUST,
    P_MANIFOLD,
    P_PIPE,
    PLATE,
    PLATE_SPEED,
    RELIEF,
    SHAFT_TORQUE,
    SPEED,
    T_MANIFOLD,
    T_PIPE,
    TORQUE,
    TURBO_SPEED,
    TWIST,
    TYRE,
    U_LEAK,
    WASTEGATE,
    WINDING,
)
from throttlewright.drive.channels import N_CHANNELS
from throttlewright.drive.coupling import to_car
from throttlewright.drive.faults import N_FAULTS
from throttlewright.drive.kernel import CAR, ROW_WIDTH, T_KEY, advance, copied_state
from throttlewright.drive.sensors import sense
from throttlewright.drive.simulate import prepare
from throttlewright.physics.driveline import shaft_spring

FULL = os.environ.get("THROTTLEWRIGHT_EFFORT") == "full"
BEFORE, AFTER = (300, 1200) if FULL else (20, 500)
"""Ticks compared before and after the foot starts to move."""
FOOT = 1000
CONTINUOUS = [
    PLATE, PLATE_SPEED, CURRENT, WINDING, P_PIPE, P_MANIFOLD, P_EXHAUST, TURBO_SPEED, WASTEGATE,
    RELIEF, OMEGA, OMEGA_GEARBOX, TWIST, OMEGA_DRIVEN, TYRE, SPEED, DISTANCE,
]  # fmt: skip
CHANNELS = {
    "plate": PLATE,
    "manifold": P_MANIFOLD,
    "pipe": P_PIPE,
    "exhaust": P_EXHAUST,
    "turbo speed": TURBO_SPEED,
    "engine speed": OMEGA,
    "shaft torque": SHAFT_TORQUE,
    "road speed": SPEED,
}
SCALE = np.ones(N_STATE)
SCALE[[P_PIPE, P_MANIFOLD, P_EXHAUST]] = 1e5
SCALE[[OMEGA, OMEGA_GEARBOX, WINDING]] = 300.0
SCALE[TURBO_SPEED] = 1e4


def quiet() -> np.void:
    car = copied(moving().record)
    car["sensor_noise"] = car["pressure_noise"] = 0.0
    car["sensor_step"] = 1e-9
    # stick is no rate and has no place in a reference: dry friction has tests of its own against
    # a fine step (test_plant_servo)
    car["servo_coulomb"] = car["servo_breakaway"] = 0.0
    return car


def flows_of(x: np.ndarray, u: np.ndarray, car: np.void) -> tuple[float, float]:
    omega = float(x[OMEGA])
    flows = all_flows(
        float(x[P_PIPE]),
        float(x[P_MANIFOLD]),
        p3=float(x[P_EXHAUST]),
        area=plate_area_at(float(x[AIR_PLATE]), car=car),
        relief=float(x[RELIEF]),
        leak=float(u[U_LEAK]),
        T1=float(x[T_PIPE]),
        T2=float(x[T_MANIFOLD]),
        turbo_speed=float(x[TURBO_SPEED]),
        omega=omega,
        ve=over_speed(car["ve_speed"], omega, omega_step=float(car["omega_step"])),
        car=car,
    )
    return flows[0], flows[11]


def one_tick(x: np.ndarray, u: np.ndarray, car: np.void) -> None:
    """What lies between two samples, by Radau; then what the next sample reads of it."""
    work, dx = x.copy(), np.zeros(N_STATE)

    def rates(_: float, y: np.ndarray) -> np.ndarray:
        work[CONTINUOUS] = y * SCALE[CONTINUOUS]
        work[AIR_PLATE] = work[PLATE]
        c, e = flows_of(work, u, car)
        work[FLOW_COMPRESSOR], work[FLOW_CYLINDERS] = c, e
        car_rates(work, u, car=car, dx=dx)
        # the friction that car_rates rounds off has no place where the plate moves
        return np.array([*(dx[CONTINUOUS] / SCALE[CONTINUOUS]), c, e, torque_of(work, car)])

    # three more components collect the means of flows and of shaft torque
    def extended(t: float, y: np.ndarray) -> np.ndarray:
        return rates(t, y[:-3])

    start = np.array([*(x[CONTINUOUS] / SCALE[CONTINUOUS]), 0.0, 0.0, 0.0])
    done = solve_ivp(extended, (0.0, TICK), start, method="Radau", rtol=1e-7, atol=1e-9)
    assert done.success
    y = done.y[:, -1]
    x[CONTINUOUS] = y[:-3] * SCALE[CONTINUOUS]
    x[AIR_PLATE] = x[PLATE]
    x[FLOW_COMPRESSOR], x[FLOW_CYLINDERS], x[SHAFT_TORQUE] = y[-3:] / TICK
    x[OMEGA_FREE] = x[SPEED] / float(car["tyre_radius"])
    x[LOST] = lost_now(x, car=car)


def torque_of(x: np.ndarray, car: np.void) -> float:
    ratio = RATIO[0]
    torque = shaft_spring(
        float(x[TWIST]), float(car["lash"]), stiffness=float(car["shaft_stiffness"])
    )
    if torque != 0.0:
        torque += float(car["shaft_damping"]) * (x[OMEGA_GEARBOX] / ratio - x[OMEGA_DRIVEN])
    return float(torque)


RATIO = [1.0]


@cache
def both() -> tuple[np.ndarray, np.ndarray]:
    car, cal = quiet(), calibrated()
    made = prepare(moving(), cal, scenario("tip_in@2500rpm"))
    RATIO[0] = float(car["ratios"][2] * car["final_drive"])
    first = made.settle + FOOT - BEFORE
    count = BEFORE + AFTER
    state = copied_state(made.state)
    advance(CAR, car, cal, state, made.inputs, first, np.empty((0, ROW_WIDTH)))
    other = copied_state(state)

    rows = np.empty((count, ROW_WIDTH))
    inputs = made.inputs._replace(window=np.array([float(first), 1.0]))
    advance(CAR, car, cal, state, inputs, count, rows)

    x, faults = other["x"], np.zeros(N_FAULTS)
    signals, out, u = np.zeros(N_SIGNALS), np.zeros(N_OUT), np.zeros(N_INPUT)
    reference = np.empty((count, N_STATE))
    for k in range(count):
        tick = first + k
        row = made.inputs.table[min(tick, made.inputs.table.shape[0] - 1)].copy()
        assert row.shape == (N_CHANNELS,)
        sense(
            x,
            row,
            faults=faults,
            key=float(other["clock"][T_KEY]),
            tick=float(tick),
            memory=other["sensors"],
            car=car,
            signals=signals,
        )
        control(signals, cal, memory=other["strategy"], out=out)
        to_car(out, row, faults=faults, car=car, u=u)
        car_sample(x, u, car=car)
        one_tick(x, u, car)
        reference[k] = x
    return rows, reference


@pytest.mark.parametrize("name", list(CHANNELS))
def test_a_tip_in_agrees_with_radau_restarted_each_millisecond(name: str) -> None:
    rows, reference = both()
    place = CHANNELS[name]
    ours, theirs = rows[:, place], reference[:, place]
    span = np.ptp(theirs)
    error = np.abs(ours - theirs) / span
    assert np.percentile(error, 99) <= 1e-3, (name, np.percentile(error, 99), error.max())
    assert error.max() <= 5e-3, (name, error.max())


def test_the_foot_did_move_the_car() -> None:
    rows, _ = both()
    assert np.ptp(rows[:, PLATE]) > 0.3
    assert np.ptp(rows[:, P_MANIFOLD]) > 2e4
    assert rows[:, TORQUE].max() > rows[0, TORQUE] + 30.0
    assert rows[0, COOLANT] > 350.0
