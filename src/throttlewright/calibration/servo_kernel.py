"""The plate servo's controller: PID, spring and friction feed-forward."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from throttlewright.calibration import places as p
from throttlewright.calibration.signals import CH_COOLANT_DEGC, TICK_S
from throttlewright.foundation.compiled import kernel

__all__ = ["servo_duty"]

LEAST_BATTERY_V = 6.0
COLDEST_DEGC = -40.0
HOTTEST_DEGC = 130.0


@kernel
def servo_duty(
    target: float,
    plate: float,
    rate: float,
    battery: float,
    cal: Any,
    memory: NDArray[np.float64],
) -> float:
    """Return the duty that brings the plate to its target.

    ``(ff(target) + friction sat(e) + kp e + I - kd rate) W U0 / U``, held to the most duty, where
    ``e = target - plate``, ff is what the springs need about the rest position, and
    ``W = 1 + w (coolant - 20 degC)`` stands for the winding that grows warm with the engine.

    Parameters
    ----------
    target : float [%]
        Plate target, 0 to 100.
    plate : float [%]
        Measured plate.
    rate : float [%/s]
        Filtered speed of the plate.
    battery : float [V]
        Battery; below 6 V it counts as 6 V.
    cal : scalar of PACKED_DTYPE
        The packed calibration.
    memory : ndarray of shape (m,) [each its own]
        Holds the integral; written.

    Returns
    -------
    float [-]
        Duty, -1 to 1, positive opening.

    Notes
    -----
    Textbook PID with conditional integration; no source for the form of the friction term, which
    is zero inside its band and grows to full over the next band. Below the rest position the
    opening spring is the stiffer one, so kp is taken times its own share there. A coolant reading
    outside -40 to 130 degC counts as the nearer end. Nothing is fed forward for the springs while
    the plate has the rest position still to cross.
    """
    numbers = cal["numbers"]
    error = target - plate
    beyond = target - numbers[p.N_SERVO_DEFAULT_PCT]
    band = numbers[p.N_SERVO_REST_BAND_PCT]
    above = numbers[p.N_SERVO_SPRING_DUTY_ABOVE]
    below = numbers[p.N_SERVO_SPRING_DUTY_BELOW]
    if beyond >= band:
        spring = above + numbers[p.N_SERVO_SPRING_SLOPE_DUTY_PER_PCT] * beyond
    elif beyond <= -band:
        spring = -below + numbers[p.N_SERVO_SLOPE_BELOW] * beyond
    else:
        top = above + numbers[p.N_SERVO_SPRING_SLOPE_DUTY_PER_PCT] * band
        bottom = -below - numbers[p.N_SERVO_SLOPE_BELOW] * band
        spring = bottom + (top - bottom) * (beyond + band) / (2.0 * band)
    if beyond * (plate - numbers[p.N_SERVO_DEFAULT_PCT]) < 0.0:
        # On its way through the rest position the plate is helped by the spring it comes from.
        spring = 0.0
    dead = numbers[p.N_SERVO_FRICTION_BAND_PCT]
    share = min(max((abs(error) - dead) / dead, 0.0), 1.0)
    friction = numbers[p.N_SERVO_FRICTION_DUTY] * share
    if error < 0.0:
        friction = -friction
    kp = numbers[p.N_SERVO_KP]
    if beyond < 0.0:
        kp *= numbers[p.N_SERVO_KP_BELOW_SHARE]
    direct = spring + friction + kp * error - numbers[p.N_SERVO_KD] * rate
    scale = numbers[p.N_SERVO_BATTERY_V] / max(battery, LEAST_BATTERY_V)
    warm = numbers[p.N_SERVO_WARM_PER_K]
    if warm > 0.0:
        coolant = min(max(memory[p.M_CHANNELS + CH_COOLANT_DEGC], COLDEST_DEGC), HOTTEST_DEGC)
        scale *= 1.0 + warm * (coolant - 20.0)
    most = numbers[p.N_SERVO_MOST_DUTY]
    integral = memory[p.M_INTEGRAL]
    if abs(error) < numbers[p.N_SERVO_INTEGRAL_BAND_PCT]:
        step = numbers[p.N_SERVO_KI] * error * TICK_S
        duty = scale * (direct + integral + step)
        # Against a full duty the integral may only move back.
        if not ((duty > most and step > 0.0) or (duty < -most and step < 0.0)):
            integral += step
    memory[p.M_INTEGRAL] = integral
    result: float = min(max(scale * (direct + integral), -most), most)
    return result
