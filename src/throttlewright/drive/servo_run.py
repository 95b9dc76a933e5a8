"""The plate servo alone, over a row of ticks: replayed open loop, or under its controller."""

from __future__ import annotations

import numpy as np

from throttlewright.calibration import places as p
from throttlewright.calibration.pack import Packed
from throttlewright.calibration.servo_kernel import servo_duty
from throttlewright.calibration.signals import CH_COOLANT_DEGC, TICK_S
from throttlewright.car.plant_servo import servo_tick
from throttlewright.car.record import CarRecord
from throttlewright.car.state import (
    COOLANT,
    CURRENT,
    N_INPUT,
    N_STATE,
    PLATE,
    PLATE_SPEED,
    T_PIPE,
    U_BRIDGE,
    U_CLOSING_SPRING,
    U_FRICTION,
    U_MOTOR,
    U_OPENING_SPRING,
    U_VOLTAGE,
    U_WINDING,
    WINDING,
)
from throttlewright.drive.noise import noise
from throttlewright.foundation.compiled import kernel
from throttlewright.physics.servo import copper_resistance, servo_step, spring_torque

__all__ = ["closed_loop", "fine_servo", "replay_servo"]

NEAR_REST = 8.0
"""Parts of a tick near the rest position."""
SLOW = 0.05
"""Largest change of voltage between ticks that counts as a ramp [V]."""


@kernel
def _fresh(x: np.ndarray, u: np.ndarray, theta: float, T_body: float, T_winding: float) -> None:
    x[PLATE] = theta
    x[T_PIPE] = T_body
    x[COOLANT] = T_body
    x[WINDING] = T_winding
    for j in (U_CLOSING_SPRING, U_OPENING_SPRING, U_MOTOR, U_WINDING, U_FRICTION):
        u[j] = 1.0


@kernel
def replay_servo(
    volts: np.ndarray,
    bridge: np.ndarray,
    car: CarRecord,
    theta: float,
    current: float,
    T_body: float,
    T_winding: float,
    out: np.ndarray,
) -> None:
    """Replay voltages on the servo model, one tick of 1 ms each.

    Parameters
    ----------
    volts : ndarray of shape (n,) [V]
        Across loom and winding, held over each tick.
    bridge : ndarray of shape (n,) [-]
        BRIDGE_DRIVEN, BRIDGE_OPEN or BRIDGE_SHORTED.
    car : record [-]
        Packed car.
    theta : float [rad]
        Plate above the closed stop at the start, at rest.
    current : float [A]
        At the start.
    T_body : float [K]
        Throttle body.
    T_winding : float [K]
        Winding at the start.
    out : ndarray of shape (n, 3) [rad, A, K]
        Receives plate, current and winding temperature at the start of each tick.

    Notes
    -----
    No air flows: engine off. Near the rest position ticks are cut in eight: the two preloads change
    over there within a fraction of a step, and where a step happens to begin would show in a
    derivative taken by differences. For the same reason the steps of a slow ramp are smoothed while
    the plate sticks, or breakaway would fall on ticks only.
    """
    x = np.zeros(N_STATE)
    u = np.zeros(N_INPUT)
    _fresh(x, u, theta, T_body, T_winding)
    x[CURRENT] = current
    for k in range(volts.shape[0]):
        out[k, 0] = x[PLATE]
        out[k, 1] = x[CURRENT]
        out[k, 2] = x[WINDING]
        u[U_BRIDGE] = bridge[k]
        near = 4.0 * car.spring_band + 1.5 * TICK_S * abs(x[PLATE_SPEED])
        if x[PLATE_SPEED] == 0.0:
            # only a plate that is about to break away needs a closer look
            pull = spring_torque(
                x[PLATE],
                car.default_opening,
                car.spring_above,
                car.preload_above,
                car.spring_below,
                car.preload_below,
                car.spring_band,
            )
            drive = abs(car.motor_constant * x[CURRENT] - pull)
            close = abs(drive - car.servo_breakaway) < 0.03 * car.servo_breakaway
        else:
            close = abs(x[PLATE] - car.default_opening) < near
        parts = NEAR_REST if close else 1.0
        slope = 0.0
        if 0 < k < volts.shape[0] - 1:
            slope = 0.5 * (volts[k + 1] - volts[k - 1])
            if abs(volts[k + 1] - volts[k]) > SLOW or abs(volts[k] - volts[k - 1]) > SLOW:
                slope = 0.0
        for part in range(int(parts)):
            u[U_VOLTAGE] = volts[k] + slope * ((part + 0.5) / parts - 0.5)
            servo_tick(x, u, car, TICK_S / parts, 0.0)


@kernel
def fine_servo(
    volts: np.ndarray,
    bridge: np.ndarray,
    car: CarRecord,
    theta: float,
    T_body: float,
    steps: float,
    out: np.ndarray,
) -> None:
    """As ``replay_servo``, by the other integrator of the servo with ever so many short steps.

    Parameters
    ----------
    volts : ndarray of shape (n,) [V]
        Across loom and winding, held over each tick.
    bridge : ndarray of shape (n,) [-]
        BRIDGE_DRIVEN, BRIDGE_OPEN or BRIDGE_SHORTED.
    car : record [-]
        Packed car.
    theta : float [rad]
        Plate above the closed stop at the start, at rest.
    T_body : float [K]
        Throttle body and, at the start, winding.
    steps : float [-]
        Steps within a tick, whole, from 1; 20 is 50 us.
    out : ndarray of shape (n, 3) [rad, A, K]
        Receives plate, current and winding temperature at the start of each tick.

    Notes
    -----
    ``physics.servo.servo_step``: a record simulated by it does not owe its agreement with a fit to
    the integrator that the fit uses.
    """
    omega = 0.0
    current = 0.0
    winding = T_body
    h = TICK_S / steps
    for k in range(volts.shape[0]):
        out[k, 0] = theta
        out[k, 1] = current
        out[k, 2] = winding
        resistance = copper_resistance(car.motor_resistance, winding)
        heat = 0.0
        for _ in range(int(steps)):
            theta, omega, current = servo_step(
                theta,
                omega,
                current,
                volts[k],
                bridge[k],
                0.0,
                car.servo_travel,
                car.default_opening,
                car.spring_above,
                car.preload_above,
                car.spring_below,
                car.preload_below,
                car.spring_band,
                car.servo_coulomb,
                car.servo_breakaway,
                car.servo_viscous,
                car.servo_inertia,
                car.motor_constant,
                resistance + car.loom_resistance,
                car.motor_inductance,
                h,
            )
            heat += current * current * resistance / steps
        cooling = (winding - T_body) / car.winding_heat_resistance
        winding += TICK_S * (heat - cooling) / car.winding_capacity


@kernel
def closed_loop(
    targets: np.ndarray,
    batteries: np.ndarray,
    cal: Packed,
    car: CarRecord,
    friction: float,
    T_body: float,
    p_drop: float,
    noise_pct: float,
    key: float,
    out: np.ndarray,
) -> None:
    """Run the strategy's servo controller on the servo model, one tick of 1 ms each.

    Parameters
    ----------
    targets : ndarray of shape (n,) [%]
        Plate target of each tick; the plate starts at rest on the first.
    batteries : ndarray of shape (n,) [V]
        Supply of each tick.
    cal : scalar of PACKED_DTYPE
        Packed calibration.
    car : record [-]
        Packed car.
    friction : float [-]
        Factor on sliding and sticking friction, from 0.
    T_body : float [K]
        Throttle body, winding at the start, and coolant.
    p_drop : float [Pa]
        Pressure before less behind the plate.
    noise_pct : float [%]
        Standard deviation of the measured plate, from 0.
    key : float [-]
        Whole number that picks the noise.
    out : ndarray of shape (n, 4) [rad, A, -, rad/s]
        Receives plate, current, duty and plate speed at the end of each tick.

    Notes
    -----
    The rate limit of the plate target is left out: this is what the servo itself can do.
    """
    x = np.zeros(N_STATE)
    u = np.zeros(N_INPUT)
    memory = np.zeros(p.M_ROWS)
    memory[p.M_CHANNELS + CH_COOLANT_DEGC] = T_body - 273.15
    pct = 100.0 / car.servo_travel
    _fresh(x, u, targets[0] / pct, T_body, T_body)
    share = cal["numbers"][p.N_RATE_SHARE]
    rate = 0.0
    last = targets[0]
    u[U_FRICTION] = friction
    for k in range(targets.shape[0]):
        plate = x[PLATE] * pct
        if noise_pct > 0.0:
            plate += noise_pct * noise(key, float(k), 0.0)
        rate += share * ((plate - last) / TICK_S - rate)
        last = plate
        duty = servo_duty(targets[k], plate, rate, batteries[k], cal, memory)
        u[U_VOLTAGE] = duty * batteries[k]
        servo_tick(x, u, car, TICK_S, p_drop)
        out[k, 0] = x[PLATE]
        out[k, 1] = x[CURRENT]
        out[k, 2] = duty
        out[k, 3] = x[PLATE_SPEED]
