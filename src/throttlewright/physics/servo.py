"""Plate servo: motor, gear, two springs about a default position, friction with stick, stops.

All quantities are referred to the plate shaft. ``theta`` counts from the closed stop.
"""

from __future__ import annotations

import math

from throttlewright.foundation.compiled import kernel

__all__ = [
    "BRIDGE_DRIVEN",
    "BRIDGE_OPEN",
    "BRIDGE_SHORTED",
    "COPPER_COEFFICIENT",
    "copper_resistance",
    "friction_after_step",
    "motor_current",
    "servo_step",
    "spring_torque",
    "winding_temperature_rate",
]

COPPER_COEFFICIENT = 0.00393
"""Rise of copper resistance per kelvin from 20 degrees C [1/K]; textbook, from memory."""

BRIDGE_DRIVEN = 0.0
"""The bridge applies its voltage."""
BRIDGE_OPEN = 1.0
"""The bridge is off, winding open: no current flows."""
BRIDGE_SHORTED = 2.0
"""The bridge is off with the winding shorted: the motor brakes."""


@kernel
def copper_resistance(resistance_20: float, T_winding: float) -> float:
    """Resistance of a copper winding at its temperature.

    R = R_20 (1 + 0.00393 (T - 293.15 K))

    Parameters
    ----------
    resistance_20 : float [ohm]
        Resistance at 20 degrees C, above 0.
    T_winding : float [K]
        Winding temperature, 220 to 480.

    Returns
    -------
    float [ohm]
        Resistance.
    """
    return resistance_20 * (1.0 + COPPER_COEFFICIENT * (T_winding - 293.15))


@kernel
def spring_torque(
    theta: float,
    theta_default: float,
    stiffness_above: float,
    preload_above: float,
    stiffness_below: float,
    preload_below: float,
    band: float,
) -> float:
    """Torque of the spring pair, positive towards closed.

    T = sgn * preload + stiffness (theta - theta_default), the sign rounded by tanh over a band

    Parameters
    ----------
    theta : float [rad]
        Plate above the closed stop.
    theta_default : float [rad]
        Unpowered rest position above the closed stop, from 0.
    stiffness_above : float [N m/rad]
        Of the closing spring, above the rest position.
    preload_above : float [N m]
        Of the closing spring at the rest position, from 0.
    stiffness_below : float [N m/rad]
        Of the opening spring, below the rest position.
    preload_below : float [N m]
        Of the opening spring at the rest position, from 0.
    band : float [rad]
        Half-width of the rounded step, above 0; 0.25 degree is usual.

    Returns
    -------
    float [N m]
        Torque that pulls the plate towards its rest position.

    Notes
    -----
    A body without a rest position has preload_below = stiffness_below = theta_default = 0.
    """
    x = theta - theta_default
    step = math.tanh(x / band)
    if x >= 0.0:
        return preload_above * step + stiffness_above * x
    return preload_below * step + stiffness_below * x


@kernel
def motor_current(
    current: float,
    voltage: float,
    back_emf: float,
    resistance: float,
    inductance: float,
    h: float,
) -> tuple[float, float]:
    """Current after a step of constant voltage and speed, and its mean over the step; exact.

    i(h) = i_inf + (i - i_inf) exp(-h R / L)

    Parameters
    ----------
    current : float [A]
        At the start.
    voltage : float [V]
        Across the winding.
    back_emf : float [V]
        Motor constant times speed, held over the step.
    resistance : float [ohm]
        Above 0.
    inductance : float [H]
        From 0; 0 makes the current follow at once.
    h : float [s]
        Step, above 0.

    Returns
    -------
    tuple of float [A, A]
        Current at the end and mean over the step.

    Notes
    -----
    The winding's time constant is about 1 ms, the controller's own tick: a plain Euler step would
    not settle, the exponential always does.
    """
    final = (voltage - back_emf) / resistance
    if inductance <= 0.0:
        return final, final
    x = h * resistance / inductance
    decay = math.exp(-x)
    gap = current - final
    return final + gap * decay, final + gap * (1.0 - decay) / x


@kernel
def friction_after_step(
    omega: float, was_still: bool, coulomb: float, breakaway: float, inertia: float, h: float
) -> float:
    """Speed after Coulomb friction has acted for one step; zero where the plate sticks.

    Friction takes off at most what there is: |d omega| <= h T_c / J, never through zero.

    Parameters
    ----------
    omega : float [rad/s]
        Speed that all other torques would give at the end of the step.
    was_still : bool [-]
        Whether the plate stood still at the start: it then has to break away.
    coulomb : float [N m]
        Sliding friction, from 0.
    breakaway : float [N m]
        Sticking friction, at least ``coulomb``.
    inertia : float [kg m2]
        Above 0.
    h : float [s]
        Step, above 0.

    Returns
    -------
    float [rad/s]
        Speed after friction.

    Notes
    -----
    The implicit (proximal) form of set-valued Coulomb friction: it has no stiffness and holds a
    stuck plate exactly, where a smoothed sign creeps.
    """
    if was_still and abs(omega) <= h * breakaway / inertia:
        return 0.0
    taken = h * coulomb / inertia
    if abs(omega) <= taken:
        return 0.0
    return omega - math.copysign(taken, omega)


@kernel
def winding_temperature_rate(
    current: float,
    resistance: float,
    T_winding: float,
    T_body: float,
    heat_capacity: float,
    heat_resistance: float,
) -> float:
    """Rate of winding temperature, one thermal mass to the body.

    dT/dt = (i^2 R - (T - T_body) / R_th) / C

    Parameters
    ----------
    current : float [A]
        Motor current.
    resistance : float [ohm]
        Winding resistance.
    T_winding : float [K]
        Winding temperature.
    T_body : float [K]
        Temperature of the throttle body.
    heat_capacity : float [J/K]
        Above 0; 10 to 40 for such motors, from memory, unverified.
    heat_resistance : float [K/W]
        Above 0; 5 to 15, from memory, unverified.

    Returns
    -------
    float [K/s]
        Rate.
    """
    heat = current * current * resistance
    return (heat - (T_winding - T_body) / heat_resistance) / heat_capacity


@kernel
def servo_step(
    theta: float,
    omega: float,
    current: float,
    voltage: float,
    bridge: float,
    load: float,
    theta_open: float,
    theta_default: float,
    stiffness_above: float,
    preload_above: float,
    stiffness_below: float,
    preload_below: float,
    band: float,
    coulomb: float,
    breakaway: float,
    viscous: float,
    inertia: float,
    motor_constant: float,
    resistance: float,
    inductance: float,
    h: float,
) -> tuple[float, float, float]:
    """Advance the plate servo by one short step.

    J d omega/dt = K i - T_spring - B omega - T_friction - T_load

    Parameters
    ----------
    theta : float [rad]
        Plate above the closed stop.
    omega : float [rad/s]
        Plate speed, positive opening.
    current : float [A]
        Motor current, positive opening.
    voltage : float [V]
        Mean bridge voltage (PWM times supply less drops), used when driven.
    bridge : float [-]
        BRIDGE_DRIVEN, BRIDGE_OPEN or BRIDGE_SHORTED.
    load : float [N m]
        Torque of the air on the plate, positive closing.
    theta_open : float [rad]
        Open stop above the closed stop.
    theta_default : float [rad]
        Unpowered rest position above the closed stop.
    stiffness_above : float [N m/rad]
        As in ``spring_torque``.
    preload_above : float [N m]
        As in ``spring_torque``.
    stiffness_below : float [N m/rad]
        As in ``spring_torque``.
    preload_below : float [N m]
        As in ``spring_torque``.
    band : float [rad]
        As in ``spring_torque``.
    coulomb : float [N m]
        Sliding friction.
    breakaway : float [N m]
        Sticking friction.
    viscous : float [N m s/rad]
        Viscous friction.
    inertia : float [kg m2]
        Plate, gear and motor.
    motor_constant : float [N m/A]
        Torque per current, and volts per speed.
    resistance : float [ohm]
        Winding and loom.
    inductance : float [H]
        Winding.
    h : float [s]
        Step, 10 to 200 us.

    Returns
    -------
    tuple of float [rad, rad/s, A]
        State after the step.

    Notes
    -----
    Linearly implicit in speed through back-EMF and viscous friction, exact in current, proximal in
    friction: stable at any step, first order. At 100 us the full opening time is within 1 % of its
    limit at 5 us. Stops take all speed (restitution 0).
    """
    if bridge == BRIDGE_OPEN:
        now, mean = 0.0, 0.0
        damping = viscous
    else:
        applied = voltage if bridge == BRIDGE_DRIVEN else 0.0
        now, mean = motor_current(
            current, applied, motor_constant * omega, resistance, inductance, h
        )
        damping = viscous
        if inductance > 0.0:
            # share of the back-EMF change within the step that the current already answers
            x = h * resistance / inductance
            damping += motor_constant**2 / resistance * (1.0 - (1.0 - math.exp(-x)) / x)
        else:
            damping += motor_constant**2 / resistance
    spring = spring_torque(
        theta,
        theta_default,
        stiffness_above,
        preload_above,
        stiffness_below,
        preload_below,
        band,
    )
    drive = motor_constant * mean - spring - viscous * omega - load
    free = omega + h * drive / (inertia + h * damping)
    after = friction_after_step(free, omega == 0.0, coulomb, breakaway, inertia + h * damping, h)
    moved = theta + h * 0.5 * (omega + after)
    if moved <= 0.0 and after <= 0.0:
        return 0.0, 0.0, now
    if moved >= theta_open and after >= 0.0:
        return theta_open, 0.0, now
    return moved, after, now
