"""The plate servo over one tick: motor, springs, friction with stick, air torque, winding heat."""

from __future__ import annotations

import math

import numpy as np

from throttlewright.car.record import CarRecord
from throttlewright.car.state import (
    AIR_PLATE,
    COOLANT,
    CURRENT,
    PLATE,
    PLATE_SPEED,
    T_PIPE,
    U_BRIDGE,
    U_CLOSING_SPRING,
    U_FRICTION,
    U_LINK,
    U_MOTOR,
    U_OPENING_SPRING,
    U_STUCK,
    U_VOLTAGE,
    U_WINDING,
    WINDING,
)
from throttlewright.foundation.compiled import kernel
from throttlewright.physics.servo import (
    BRIDGE_DRIVEN,
    BRIDGE_OPEN,
    copper_resistance,
    spring_torque,
    winding_temperature_rate,
)

__all__ = ["REFERENCE_SPEED", "SUBSTEPS", "aero_torque", "servo_rates", "servo_tick"]

SUBSTEPS = 4
"""Steps within one tick; ``servo_tick`` says what they cost in accuracy."""
REFERENCE_SPEED = 1e-2
"""Speed over which ``servo_rates`` rounds the sign in friction [rad/s]."""

_LEAST_RESISTANCE = 1e-3
"""A shorted winding with a perfect loom still has the battery's own resistance [ohm]."""
_SHARP = 4.0
"""Spring bands from rest beyond which tanh is one to 7 parts in 10000."""


@kernel
def aero_torque(
    opening: float,
    p_drop: float,
    coefficient: float,
    plates: float,
    bore: float,
    travel: float,
) -> float:
    """Torque of the air on the plate, positive towards closed.

    T = coefficient plates p_drop bore^3 4 s (1 - s), s = opening / travel

    Parameters
    ----------
    opening : float [rad]
        Plate above its closed stop, 0 to ``travel``.
    p_drop : float [Pa]
        Pressure before less behind the plate; negative turns the torque round.
    coefficient : float [-]
        Largest torque of one plate over pressure drop times bore cubed, from 0.
    plates : float [-]
        Plates on the shaft.
    bore : float [m]
        Of one plate, above 0.
    travel : float [rad]
        From stop to stop, above 0.

    Returns
    -------
    float [N m]
        Torque.

    Notes
    -----
    A centred plate is pulled shut at part opening and feels nothing when it lies flat against
    either end; the parabola stands for that shape. Shape and coefficient from memory, unverified.
    """
    share = min(max(opening / travel, 0.0), 1.0)
    return coefficient * plates * p_drop * bore * bore * bore * 4.0 * share * (1.0 - share)


@kernel
def servo_tick(x: np.ndarray, u: np.ndarray, car: CarRecord, h: float, p_drop: float) -> None:
    """Advance plate, motor current and winding temperature over one tick, inputs held.

    J d omega/dt = K i - T_spring - B omega - T_friction - T_air,
    L di/dt = u - R i - K omega

    Parameters
    ----------
    x : ndarray [-]
        State (``car.state``), SI; PLATE, PLATE_SPEED, CURRENT, WINDING and AIR_PLATE change.
    u : ndarray [-]
        Inputs of the tick (``car.state``), SI.
    car : record [-]
        Packed car.
    h : float [s]
        Length of the tick, 1e-3.
    p_drop : float [Pa]
        Pressure before less behind the plate, held over the tick.

    Notes
    -----
    Kicks of speed alternate with drifts of angle and current (Strang splitting): the drift is
    exact for constant speed, the current by its exponential, the kick's viscous part by the
    trapezoid rule and its dry friction proximal, as in ``physics.servo.friction_after_step``:
    second order away from stick and stops, and a stuck plate stands still exactly. The half kicks
    that meet between two drifts are taken as one.

    Four steps of 250 us: at every millisecond of openings at 8 and 12 V, powered and unpowered
    closings and swings through the rest position of the LOH13 body, the plate is within 0.02 % of
    its travel of where ever shorter steps lead; eight give 0.006 %. Nothing rebounds from a stop.
    An open bridge ends the current at once.

    The dry friction factor acts on sliding and sticking friction. The body is taken half way
    between the temperatures of pipe air and coolant. A plate that has let go of its shaft leaves
    the shaft without air torque.
    """
    step = h / SUBSTEPS
    resistance = copper_resistance(car.motor_resistance, x[WINDING]) * u[U_WINDING]
    total = max(resistance + car.loom_resistance, _LEAST_RESISTANCE)
    constant = car.motor_constant * u[U_MOTOR]
    is_open = u[U_BRIDGE] == BRIDGE_OPEN
    final = u[U_VOLTAGE] / total if u[U_BRIDGE] == BRIDGE_DRIVEN else 0.0
    emf_share = constant / total
    decay = math.exp(-step * total / car.motor_inductance)
    travel = car.servo_travel
    theta, omega, before = x[PLATE], x[PLATE_SPEED], x[CURRENT]
    current = 0.0 if is_open else before
    if is_open:
        before = 0.0

    if u[U_STUCK] > 0.5:
        omega = 0.0
        if not is_open:
            current = final + (current - final) * math.exp(-h * total / car.motor_inductance)
    else:
        # everything below is an acceleration: torque over inertia
        per_inertia = 1.0 / car.servo_inertia
        gain = constant * per_inertia
        sliding = u[U_FRICTION] * car.servo_coulomb * per_inertia
        sticking = max(u[U_FRICTION] * car.servo_breakaway * per_inertia, sliding)
        preload_above = u[U_CLOSING_SPRING] * car.preload_above * per_inertia
        spring_above = u[U_CLOSING_SPRING] * car.spring_above * per_inertia
        preload_below = u[U_OPENING_SPRING] * car.preload_below * per_inertia
        spring_below = u[U_OPENING_SPRING] * car.spring_below * per_inertia
        rest = car.default_opening
        sharp = _SHARP * car.spring_band
        per_band = 1.0 / car.spring_band
        per_travel = 1.0 / travel
        air = 0.0
        if u[U_LINK] < 0.5:
            bore = car.bore
            air = 4.0 * car.aero_coefficient * car.plates * p_drop * bore * bore * bore
            air *= per_inertia
        viscous = 0.5 * step * car.servo_viscous * per_inertia
        half_keep, half_length = (1.0 - 0.5 * viscous) / (1.0 + 0.5 * viscous), 0.5 * step
        half_length /= 1.0 + 0.5 * viscous
        full_keep, full_length = (1.0 - viscous) / (1.0 + viscous), step / (1.0 + viscous)
        keep, length = half_keep, half_length
        moved, pull = True, 0.0
        for n in range(SUBSTEPS + 1):
            if n == SUBSTEPS:
                keep, length = half_keep, half_length
            # kick
            if moved:
                past = theta - rest
                if past > sharp:
                    pull = preload_above + spring_above * past
                elif past < -sharp:
                    pull = spring_below * past - preload_below
                elif past >= 0.0:
                    pull = preload_above * math.tanh(past * per_band) + spring_above * past
                else:
                    pull = preload_below * math.tanh(past * per_band) + spring_below * past
                share = theta * per_travel
                pull += air * share * (1.0 - share)
            drive = gain * current - pull
            if omega != 0.0 or abs(drive) > sticking:
                omega = keep * omega + length * drive
                grip = length * sliding
                omega = max(omega - grip, 0.0) + min(omega + grip, 0.0)
                if (theta <= 0.0 and omega < 0.0) or (theta >= travel and omega > 0.0):
                    omega = 0.0
            if n == SUBSTEPS:
                break
            # drift
            if not is_open:
                towards = final - emf_share * omega
                current = towards + (current - towards) * decay
            moved = omega != 0.0
            if moved:
                theta += step * omega
                if theta <= 0.0:
                    theta = 0.0
                    omega = max(omega, 0.0)
                elif theta >= travel:
                    theta = travel
                    omega = min(omega, 0.0)
            keep, length = full_keep, full_length

    x[PLATE] = theta
    x[PLATE_SPEED] = omega
    x[CURRENT] = current
    if u[U_LINK] < 0.5:
        x[AIR_PLATE] = theta
    square = math.sqrt(0.5 * (before * before + current * current))
    x[WINDING] += h * winding_temperature_rate(
        square,
        resistance,
        x[WINDING],
        0.5 * (x[T_PIPE] + x[COOLANT]),
        car.winding_capacity,
        car.winding_heat_resistance,
    )


@kernel
def servo_rates(
    x: np.ndarray, u: np.ndarray, car: CarRecord, p_drop: float, dx: np.ndarray
) -> None:
    """Rates of the servo's states, for a reference integrator.

    Friction is T_c tanh(omega / 0.01 rad/s): smoothed, without stick

    Parameters
    ----------
    x : ndarray [-]
        State (``car.state``), SI.
    u : ndarray [-]
        Inputs (``car.state``), SI.
    car : record [-]
        Packed car.
    p_drop : float [Pa]
        Pressure before less behind the plate.
    dx : ndarray [-]
        Receives the rates of PLATE, PLATE_SPEED, CURRENT and WINDING, SI per second.

    Notes
    -----
    The smoothed friction serves comparison only: it creeps where ``servo_tick`` holds. Stops and
    breakaway are left out, so compare between the stops. With the bridge open, start from no
    current: its rate is zero here. Everything else is the same equation as in ``servo_tick``,
    without its splitting.
    """
    theta, omega, current = x[PLATE], x[PLATE_SPEED], x[CURRENT]
    resistance = copper_resistance(car.motor_resistance, x[WINDING]) * u[U_WINDING]
    total = max(resistance + car.loom_resistance, _LEAST_RESISTANCE)
    constant = car.motor_constant * u[U_MOTOR]
    closing, opening = u[U_CLOSING_SPRING], u[U_OPENING_SPRING]
    voltage = u[U_VOLTAGE] if u[U_BRIDGE] == BRIDGE_DRIVEN else 0.0
    if u[U_BRIDGE] == BRIDGE_OPEN:
        current = 0.0
        dx[CURRENT] = 0.0
    else:
        dx[CURRENT] = (voltage - total * current - constant * omega) / car.motor_inductance
    dx[WINDING] = winding_temperature_rate(
        current,
        resistance,
        x[WINDING],
        0.5 * (x[T_PIPE] + x[COOLANT]),
        car.winding_capacity,
        car.winding_heat_resistance,
    )
    if u[U_STUCK] > 0.5:
        dx[PLATE] = 0.0
        dx[PLATE_SPEED] = 0.0
        return
    spring = spring_torque(
        theta,
        car.default_opening,
        closing * car.spring_above,
        closing * car.preload_above,
        opening * car.spring_below,
        opening * car.preload_below,
        car.spring_band,
    )
    air = 0.0
    if u[U_LINK] < 0.5:
        air = aero_torque(
            theta, p_drop, car.aero_coefficient, car.plates, car.bore, car.servo_travel
        )
    friction = u[U_FRICTION] * car.servo_coulomb * math.tanh(omega / REFERENCE_SPEED)
    drive = constant * current - spring - car.servo_viscous * omega - friction - air
    dx[PLATE] = omega
    dx[PLATE_SPEED] = drive / car.servo_inertia
