"""From what the controller gives, the driver does and a fault spoils to what the car receives."""

from __future__ import annotations

import math

import numpy as np

from throttlewright.calibration.signals import (
    BRIDGE_OFF,
    OUT_BLEED,
    OUT_BRIDGE,
    OUT_FUEL_CUT,
    OUT_PWM,
    OUT_RELAY,
    OUT_RETARD,
)
from throttlewright.car.record import CarRecord
from throttlewright.car.state import (
    U_BLEED,
    U_BRAKE,
    U_BRIDGE,
    U_CLOSING_SPRING,
    U_CLUTCH,
    U_FRICTION,
    U_FUEL,
    U_GRADE,
    U_GRIP,
    U_HELD_SPEED,
    U_INTAKE_RISE,
    U_LEAK,
    U_LINK,
    U_LOAD,
    U_MOTOR,
    U_OPENING_SPRING,
    U_PAIR,
    U_RATIO,
    U_RETARD,
    U_STUCK,
    U_VOLTAGE,
    U_WASTEGATE_STUCK,
    U_WINDING,
)
from throttlewright.drive.channels import (
    IN_BRAKE,
    IN_CLUTCH,
    IN_GEAR,
    IN_GRADE,
    IN_GRIP,
    IN_HELD_SPEED,
    IN_INTAKE_RISE,
    IN_KEY,
    IN_LOAD,
)
from throttlewright.drive.faults import (
    F_BRIDGE_BRAKES,
    F_BRIDGE_SHORTED,
    F_CLOSING_SPRING_BROKEN,
    F_LEAK_AFTER_PLATE,
    F_LINKAGE_LOST,
    F_MOTOR_OPEN,
    F_MOTOR_SHORT,
    F_ONE_PLATE_DIFFERS,
    F_OPENING_SPRING_BROKEN,
    F_PLATE_FRICTION,
    F_PLATE_STUCK,
    F_POLARITY_SWAPPED,
    F_RELAY_WELDED,
    F_WASTEGATE_STUCK_OPEN,
    F_WASTEGATE_STUCK_SHUT,
)
from throttlewright.drive.sensors import battery_now
from throttlewright.foundation.compiled import kernel
from throttlewright.physics.servo import BRIDGE_DRIVEN, BRIDGE_OPEN, BRIDGE_SHORTED

__all__ = ["to_car"]

_BROKEN_WINDING = 1e4
_SHORTED_WINDING = 0.1
_SHORTED_TORQUE = 0.1
"""A shorted winding: a tenth of the resistance and a tenth of the torque are left; from memory."""


@kernel
def to_car(
    out: np.ndarray, row: np.ndarray, faults: np.ndarray, car: CarRecord, u: np.ndarray
) -> None:
    """Set the inputs of the car for one tick.

    Parameters
    ----------
    out : ndarray [-]
        What the controller gives, places of ``calibration.signals``.
    row : ndarray [-]
        Inputs of the tick, places of ``drive.channels``.
    faults : ndarray [-]
        Severity of each kind of fault, 0 healthy.
    car : record [-]
        Packed car.
    u : ndarray [SI]
        Receives the inputs, places of ``car.state``.

    Returns
    -------
    None [-]
        Inputs are in ``u``.

    Notes
    -----
    Two switches lie between battery and motor: the relay and the bridge. A bridge with a welded
    switch drives the plate open for as long as the relay feeds it.
    """
    battery = battery_now(row, faults, car)
    fed = (out[OUT_RELAY] > 0.5 and row[IN_KEY] > 0.5) or faults[F_RELAY_WELDED] > 0.0
    u[U_VOLTAGE] = 0.0
    if fed and faults[F_BRIDGE_SHORTED] > 0.0:
        u[U_BRIDGE] = BRIDGE_DRIVEN
        u[U_VOLTAGE] = battery
    elif fed and out[OUT_BRIDGE] != BRIDGE_OFF:
        u[U_BRIDGE] = BRIDGE_DRIVEN
        u[U_VOLTAGE] = out[OUT_PWM] * battery
    elif faults[F_BRIDGE_BRAKES] > 0.0:
        u[U_BRIDGE] = BRIDGE_SHORTED
    else:
        u[U_BRIDGE] = BRIDGE_OPEN
    u[U_RETARD] = math.radians(out[OUT_RETARD])
    u[U_FUEL] = (1.0 - out[OUT_FUEL_CUT]) * (1.0 if row[IN_KEY] > 0.5 else 0.0)
    u[U_BLEED] = 0.01 * out[OUT_BLEED]
    gear = int(row[IN_GEAR])
    u[U_RATIO] = 0.0
    if gear > 0:
        u[U_RATIO] = car.ratios[min(gear, int(car.gears)) - 1] * car.final_drive
    u[U_CLUTCH] = 0.01 * row[IN_CLUTCH]
    u[U_BRAKE] = 0.01 * row[IN_BRAKE]
    u[U_LOAD] = row[IN_LOAD]
    u[U_GRIP] = row[IN_GRIP]
    u[U_GRADE] = math.atan(0.01 * row[IN_GRADE])
    u[U_HELD_SPEED] = row[IN_HELD_SPEED]
    u[U_INTAKE_RISE] = row[IN_INTAKE_RISE]
    u[U_LEAK] = 1e-6 * faults[F_LEAK_AFTER_PLATE]
    # stuck and let go know no half: the plant reads both as a switch
    u[U_STUCK] = 1.0 if faults[F_PLATE_STUCK] > 0.0 else 0.0
    u[U_FRICTION] = 1.0 + faults[F_PLATE_FRICTION]
    u[U_CLOSING_SPRING] = 1.0 - faults[F_CLOSING_SPRING_BROKEN]
    u[U_OPENING_SPRING] = 1.0 - faults[F_OPENING_SPRING_BROKEN]
    u[U_MOTOR] = 1.0
    u[U_WINDING] = 1.0
    if faults[F_MOTOR_OPEN] > 0.0:
        u[U_WINDING] = _BROKEN_WINDING
    if faults[F_MOTOR_SHORT] > 0.0:
        u[U_WINDING] = _SHORTED_WINDING
        u[U_MOTOR] = _SHORTED_TORQUE
    if faults[F_POLARITY_SWAPPED] > 0.0:
        u[U_MOTOR] = -1.0
    u[U_WASTEGATE_STUCK] = -1.0
    if faults[F_WASTEGATE_STUCK_SHUT] > 0.0:
        u[U_WASTEGATE_STUCK] = 0.0
    if faults[F_WASTEGATE_STUCK_OPEN] > 0.0:
        u[U_WASTEGATE_STUCK] = 1.0
    u[U_LINK] = 1.0 if faults[F_LINKAGE_LOST] > 0.0 else 0.0
    u[U_PAIR] = faults[F_ONE_PLATE_DIFFERS]
