"""Servo numbers: feed-forward from springs and friction, gains from the wanted response time."""

from __future__ import annotations

import math

import numpy as np

from throttlewright.build.intent import Intent
from throttlewright.calibration.calibration import Number
from throttlewright.car.pack import Car
from throttlewright.design.role import Role
from throttlewright.design.rows import Rows
from throttlewright.foundation.errors import InputError
from throttlewright.physics.servo import COPPER_COEFFICIENT, copper_resistance

__all__ = ["HIGHEST_SUPPLY", "RESPONSE", "ROLE", "least_target", "most_duty", "servo"]

HIGHEST_SUPPLY = 15.0
"""Of a healthy car [V]; common practice, no source."""

RESPONSE = 2.2
"""Equivalent time constant of the closed loop over the electromechanical one of the servo [-].

Above 4 the derivative gain would be negative. On the servo model a step of ten degrees then takes
42 ms, and still less than 100 ms with the winding 100 K warmer; at 2.6 it takes 53 ms cold but 125
warm. Large steps take no longer: the motor gives all it has either way."""

_FRICTION_SHARE = 0.8
"""Share of sliding friction that is fed forward [-]: all of it would make the loop hunt when the
friction falls, much less lets an idling plate stick and the idle speed hunt. Tool default."""
_LEAST_BAND = 0.05
"""Least control error at which friction is fed forward [%]; otherwise 1.5 times the noise."""
_WARM = 0.4
"""Rise of winding resistance that the integrator must cover [-]: 20 to 120 degC in copper."""
_BAND_MARGIN = 1.5
"""Integrator band over the error that a warm winding leaves to it [-]. Wider, it winds up on a step
and overshoots; narrower, a warm servo would stop short of its target for good. Chosen on the
model of the servo."""
_OFF_STOP = math.radians(0.35)
"""Least target above the closed stop [rad]."""
_BODY_SHARE = 0.5
"""Rise of the throttle body, and with it of an idle winding, over that of the coolant [-]; from
memory, unverified. Of the rest the integrator takes care."""
_FILTER = 0.003
"""Time constant of the derivative's filter [s]; 2 to 4 ms, from memory."""


def least_target(car: Car) -> float:
    """Smallest plate that is ever asked for, so that the plate does not land on its stop.

    Parameters
    ----------
    car : Car
        The car.

    Returns
    -------
    float [%]
        Plate opening.
    """
    return round(100.0 * _OFF_STOP / float(car.record["servo_travel"]), 3)


def most_duty(car: Car, *, most_current: float, coldest: float = 253.15) -> float:
    """Largest duty whose stall current stays below a limit, at the highest supply, winding cold.

    d = I R(T) / U

    Parameters
    ----------
    car : Car
        The car.
    most_current : float [A]
        Limit of bridge, fuse or loom, above 0.
    coldest : float [K]
        Winding when cold, 220 to 320.

    Returns
    -------
    float [-]
        Duty, at most 1.

    Raises
    ------
    InputError
        If the limit is not above 0, or is below what holds the plate open.
    """
    rec = car.record
    if not most_current > 0.0:
        raise InputError("must be above 0", key="most_current", value=most_current)
    K, travel = float(rec["motor_constant"]), float(rec["servo_travel"])
    turn = float(rec["preload_above"] + rec["servo_breakaway"])
    turn += float(rec["spring_above"]) * (travel - float(rec["default_opening"]))
    if most_current * K < turn:
        raise InputError(
            "such a current cannot open the plate against spring and friction",
            key="most_current",
            value=f"{most_current:g} A",
            allowed=f"at least {turn / K:.2f} A",
        )
    cold = copper_resistance(float(rec["motor_resistance"]), coldest)
    total = float(cold) + float(rec["loom_resistance"])
    return min(1.0, most_current * total / HIGHEST_SUPPLY)


def servo(car: Car, intent: Intent, *, most_current: float | None = None) -> Rows:
    r"""Numbers of the plate servo for the car's own springs, motor and friction.

    .. math:: s^3 + (a + b k_d) s^2 + (c + b k_p) s + b k_i =
       s^3 + 4 s^2 / T + 8 s / T^2 + 8 / T^3

    with a = (B + K^2 / R) / J, b = K V / (R J) and c the spring stiffness over J.

    Parameters
    ----------
    car : Car
        The car with its servo.
    intent : Intent
        Not used: the servo does not depend on what is wanted of the engine.
    most_current : float [A], optional
        Limit of bridge, fuse or loom; without it the duty is not limited.

    Returns
    -------
    Rows
        Numbers only.

    Raises
    ------
    InputError
        If the record holds no servo.

    Notes
    -----
    Damping optimum (all double ratios 1/2), as Deur et al., IEEE Trans. Ind. Appl. 40(3) 2004,
    use it for plates (abstract read); the coefficients of the form are from memory. The winding
    is taken cold: warm, the same gains answer more slowly. Below the rest position c is the opening
    spring's; only k_p depends on it.
    """
    rec = car.record
    K, travel = float(rec["motor_constant"]), float(rec["servo_travel"])
    R = float(rec["motor_resistance"] + rec["loom_resistance"])
    V, J = float(rec["battery"]), float(rec["servo_inertia"])
    if min(K, travel, R, V, J) <= 0.0:
        raise InputError("the car has no servo to design for", key="servo")
    pct = 100.0 / travel
    per_torque = R / (K * V)
    a = (float(rec["servo_viscous"]) + K * K / R) / J
    b = pct / (per_torque * J)
    c = float(rec["spring_above"]) / J
    T = RESPONSE / a
    kd = (4.0 / T - a) / b
    kp = (8.0 / T**2 - c) / b
    ki = 8.0 / T**3 / b
    designed = "damping optimum on the build's servo"
    physics = "springs and friction of the build's servo"
    tool = "tool default"
    span = np.abs(np.asarray(rec["plate_at_open"]) - np.asarray(rec["plate_at_closed"]))
    noise = 100.0 * float(rec["sensor_noise"]) / max(float(span.min()), 0.1)
    band = max(_LEAST_BAND, 1.5 * noise / math.sqrt(2.0))
    holding = (float(rec["preload_above"]) + float(rec["servo_coulomb"])) * per_torque
    integral_band = _BAND_MARGIN * _WARM * holding / kp
    numbers = {
        "servo_kp": Number(kp, "1/%", designed),
        "servo_kp_below_share": Number(
            max((8.0 / T**2 - float(rec["spring_below"]) / J) / b / kp, 0.0), "", designed
        ),
        "servo_warm_per_K": Number(
            _BODY_SHARE * COPPER_COEFFICIENT * float(rec["motor_resistance"]) / R,
            "1/K",
            "copper; the body takes half the coolant's rise, from memory, unverified",
        ),
        "servo_ki": Number(ki, "1/(% s)", designed),
        "servo_kd": Number(kd, "s/%", designed),
        "servo_kd_filter_s": Number(_FILTER, "s", "2 to 4 ms, from memory"),
        "servo_friction_duty": Number(
            _FRICTION_SHARE * float(rec["servo_coulomb"]) * per_torque, "", physics
        ),
        "servo_friction_band_pct": Number(band, "%", "1.5 times the noise of two tracks"),
        "servo_spring_duty_above": Number(float(rec["preload_above"]) * per_torque, "", physics),
        "servo_spring_slope_duty_per_pct": Number(
            float(rec["spring_above"]) * per_torque / pct, "1/%", physics
        ),
        "servo_spring_duty_below": Number(float(rec["preload_below"]) * per_torque, "", physics),
        "servo_slope_below": Number(float(rec["spring_below"]) * per_torque / pct, "1/%", physics),
        "servo_default_pct": Number(float(rec["default_opening"]) * pct, "%", "build"),
        "servo_battery_V": Number(V, "V", "build"),
        "servo_integral_band_pct": Number(
            integral_band, "%", "1.5 times the error that a winding 100 K warmer leaves"
        ),
        "servo_most_duty": Number(1.0, "", tool)
        if most_current is None
        else Number(
            most_duty(car, most_current=most_current),
            "",
            "stall current held below the limit at 15 V and -20 degC",
        ),
        "least_target_pct": Number(
            least_target(car),
            "%",
            "0.3 to 0.5 degree off the closed stop, from memory",
        ),
        "plate_rise_pct_s": Number(1000.0, "%/s", "300 to 1000 in normal running, from memory"),
    }
    for track in (0, 1):
        numbers[f"plate_{track + 1}_closed_V"] = Number(
            float(rec["plate_at_closed"][track]), "V", "build"
        )
        numbers[f"plate_{track + 1}_open_V"] = Number(
            float(rec["plate_at_open"][track]), "V", "build"
        )
    return Rows(numbers=numbers)


ROLE = Role(
    name="servo",
    title="Plate servo",
    text="Moves the plate to where it shall be.",
    design=servo,
)
"""The role, for the registry."""
