"""What the controller's sensors make of the car, healthy or not."""

from __future__ import annotations

import math

import numpy as np

from throttlewright.calibration.signals import (
    SIG_ARM,
    SIG_BATTERY_V,
    SIG_BRAKE,
    SIG_BRAKE_PCT,
    SIG_BUS_AGE_S,
    SIG_CLUTCH,
    SIG_COOLANT_DEGC,
    SIG_CURRENT_A,
    SIG_DRIVEN_M_S,
    SIG_ENGINE_RPM,
    SIG_ETHANOL_PCT,
    SIG_EXHAUST_DEGC,
    SIG_FREE_M_S,
    SIG_FUEL_PRESSURE_PCT,
    SIG_GEAR,
    SIG_INTAKE_DEGC,
    SIG_KEY,
    SIG_KNOWN_LOAD_NM,
    SIG_MAP_KPA,
    SIG_MIXTURE,
    SIG_MODE,
    SIG_OIL_DEGC,
    SIG_OIL_KPA,
    SIG_PEDAL_1_V,
    SIG_PEDAL_2_V,
    SIG_PIPE_KPA,
    SIG_PIT,
    SIG_PLATE_1_V,
    SIG_PLATE_2_V,
    SIG_REFERENCE_V,
    SIG_REQUEST_PCT,
    SIG_SHIFT,
)
from throttlewright.car.plant import TICK
from throttlewright.car.record import CarRecord
from throttlewright.car.state import (
    COOLANT,
    CURRENT,
    OIL,
    OMEGA,
    OMEGA_DRIVEN,
    OMEGA_FREE,
    P_MANIFOLD,
    P_PIPE,
    PLATE,
    T_EXHAUST,
    T_PIPE,
)
from throttlewright.drive.channels import (
    IN_ARM,
    IN_BATTERY,
    IN_BRAKE,
    IN_CLUTCH,
    IN_ETHANOL,
    IN_FUEL_PRESSURE,
    IN_GEAR,
    IN_KEY,
    IN_KNOWN_LOAD,
    IN_MODE,
    IN_OIL_PRESSURE,
    IN_PEDAL,
    IN_PIT,
    IN_SHIFT,
)
from throttlewright.drive.faults import (
    F_BRAKE_SWITCH_LOST,
    F_BUS_LOSS,
    F_COOLANT_SENSOR_LOST,
    F_ETHANOL_SENSOR_LOST,
    F_GEAR_SIGNAL_WRONG,
    F_LOW_BATTERY,
    F_MAP_SENSOR_LOST,
    F_PEDAL_1_DRIFT,
    F_PEDAL_1_HIGH,
    F_PEDAL_1_LOW,
    F_PEDAL_1_OPEN,
    F_PEDAL_2_HIGH,
    F_PEDAL_2_LOW,
    F_PEDAL_2_OPEN,
    F_PEDAL_SHORTED_TOGETHER,
    F_PEDAL_STUCK,
    F_PLATE_1_DRIFT,
    F_PLATE_1_HIGH,
    F_PLATE_1_LOW,
    F_PLATE_1_OPEN,
    F_PLATE_2_LOW,
    F_PLATE_2_OPEN,
    F_PLATE_BOTH_LOST,
    F_PLATE_SENSOR_INVERTED,
    F_REFERENCE_SHIFT,
    F_SENSOR_INTERMITTENT,
    F_WHEEL_SPEED_LOST,
    F_WRONG_CLOSED_STOP,
    F_WRONG_RAISE_REQUEST,
)
from throttlewright.drive.noise import noise
from throttlewright.foundation.compiled import kernel

__all__ = ["M_PEDAL", "N_SENSOR_MEMORY", "battery_now", "pedal_now", "sense"]

M_MAP = 0  # Pa, behind the lag of the sensor
M_PIPE = 1
M_PEDAL = 2  # share, where the pad stood in the last tick
M_BUS_AGE = 3  # s
M_HELD_1 = 4  # V, last pedal voltages that came over the bus
M_HELD_2 = 5
N_SENSOR_MEMORY = 6

_SUPPLY = 5.0
_DROPOUT_PERIOD = 100
_DROPOUT = 20
"""An intermittent contact is lost for 20 ms of every 100 ms; common practice, no source."""
_LOST_MAP = 10.0
_LOST_COOLANT = -40.0
"""What an open temperature sensor reads [degC]; common practice, no source."""
_LOST_ETHANOL = -1.0
_OIL_RELIEF = 450.0
_OIL_PER_RPM = 0.1
"""Healthy oil pressure of warm oil: 100 kPa for every 1000 rpm up to the relief valve [kPa]; common
practice, no source."""
_TO_RPM = 30.0 / math.pi


@kernel
def pedal_now(row: np.ndarray, faults: np.ndarray) -> float:
    """Where the pedal pad stands: under the foot, or where it is stuck.

    Parameters
    ----------
    row : ndarray [-]
        Inputs of the tick, in the units of ``drive.channels``.
    faults : ndarray [-]
        Severity of each kind of fault, 0 healthy.

    Returns
    -------
    float [-]
        Share of travel.
    """
    foot = min(max(row[IN_PEDAL] / 100.0, 0.0), 1.0)
    return float(max(foot, faults[F_PEDAL_STUCK]))


@kernel
def battery_now(row: np.ndarray, faults: np.ndarray, car: CarRecord) -> float:
    """Supply voltage of the tick.

    Parameters
    ----------
    row : ndarray [-]
        Inputs of the tick.
    faults : ndarray [-]
        Severity of each kind of fault.
    car : record [-]
        Packed car.

    Returns
    -------
    float [V]
        Voltage.
    """
    if faults[F_LOW_BATTERY] > 0.0:
        return float(faults[F_LOW_BATTERY])
    if math.isnan(row[IN_BATTERY]):
        return float(car.battery)
    return float(row[IN_BATTERY])


@kernel
def _converted(voltage: float, step: float) -> float:
    held = min(max(voltage, 0.0), _SUPPLY)
    return math.floor(held / step + 0.5) * step


@kernel
def sense(
    x: np.ndarray,
    row: np.ndarray,
    faults: np.ndarray,
    key: float,
    tick: float,
    memory: np.ndarray,
    car: CarRecord,
    signals: np.ndarray,
) -> None:
    """Read every sensor: range, lag, noise, converter steps and what is broken.

    Parameters
    ----------
    x : ndarray [SI]
        State of the car.
    row : ndarray [-]
        Inputs of the tick.
    faults : ndarray [-]
        Severity of each kind of fault, 0 healthy.
    key : float [-]
        Key of the noise.
    tick : float [-]
        Tick of the run.
    memory : ndarray [-]
        Memory of the sensors, changed in place.
    car : record [-]
        Packed car.
    signals : ndarray [-]
        Receives what the controller sees, places and units of ``calibration.signals``.

    Returns
    -------
    None [-]
        Readings are in ``signals``.
    """
    pedal = pedal_now(row, faults)
    memory[M_PEDAL] = pedal
    supply = (_SUPPLY + faults[F_REFERENCE_SHIFT]) / _SUPPLY
    spread = car.sensor_noise
    v1 = car.pedal_released[0] + (car.pedal_full[0] - car.pedal_released[0]) * pedal
    v2 = car.pedal_released[1] + (car.pedal_full[1] - car.pedal_released[1]) * pedal
    v1 = v1 * supply + spread * noise(key, tick, 0.0) + faults[F_PEDAL_1_DRIFT]
    v2 = v2 * supply + spread * noise(key, tick, 1.0)
    if faults[F_PEDAL_SHORTED_TOGETHER] > 0.0:
        v1 = 0.5 * (v1 + v2)
        v2 = v1
    if faults[F_PEDAL_1_LOW] > 0.0 or faults[F_PEDAL_1_OPEN] > 0.0:
        v1 = 0.0
    if faults[F_PEDAL_1_HIGH] > 0.0:
        v1 = _SUPPLY
    if faults[F_PEDAL_2_LOW] > 0.0 or faults[F_PEDAL_2_OPEN] > 0.0:
        v2 = 0.0
    if faults[F_PEDAL_2_HIGH] > 0.0:
        v2 = _SUPPLY
    if faults[F_SENSOR_INTERMITTENT] > 0.0 and int(tick) % _DROPOUT_PERIOD < _DROPOUT:
        v1 = 0.0
    if faults[F_BUS_LOSS] > 0.0:
        memory[M_BUS_AGE] += TICK
        v1 = memory[M_HELD_1]
        v2 = memory[M_HELD_2]
    else:
        memory[M_BUS_AGE] = 0.0
        memory[M_HELD_1] = v1
        memory[M_HELD_2] = v2
    signals[SIG_PEDAL_1_V] = _converted(v1, car.sensor_step)
    signals[SIG_PEDAL_2_V] = _converted(v2, car.sensor_step)

    opening = x[PLATE] + math.radians(faults[F_WRONG_CLOSED_STOP])
    share = opening / car.servo_travel
    if faults[F_PLATE_SENSOR_INVERTED] > 0.0:
        share = 1.0 - share
    w1 = car.plate_at_closed[0] + (car.plate_at_open[0] - car.plate_at_closed[0]) * share
    w2 = car.plate_at_closed[1] + (car.plate_at_open[1] - car.plate_at_closed[1]) * share
    w1 = w1 * supply + spread * noise(key, tick, 2.0) + faults[F_PLATE_1_DRIFT]
    w2 = w2 * supply + spread * noise(key, tick, 3.0)
    lost = faults[F_PLATE_BOTH_LOST] > 0.0
    if lost or faults[F_PLATE_1_LOW] > 0.0 or faults[F_PLATE_1_OPEN] > 0.0:
        w1 = 0.0
    if faults[F_PLATE_1_HIGH] > 0.0:
        w1 = _SUPPLY
    if lost or faults[F_PLATE_2_LOW] > 0.0 or faults[F_PLATE_2_OPEN] > 0.0:
        w2 = 0.0
    signals[SIG_PLATE_1_V] = _converted(w1, car.sensor_step)
    signals[SIG_PLATE_2_V] = _converted(w2, car.sensor_step)
    signals[SIG_REFERENCE_V] = _SUPPLY * supply

    share = TICK / (TICK + car.pressure_lag)
    memory[M_MAP] += (x[P_MANIFOLD] - memory[M_MAP]) * share
    memory[M_PIPE] += (x[P_PIPE] - memory[M_PIPE]) * share
    p_map = memory[M_MAP] + car.pressure_noise * noise(key, tick, 4.0)
    p_pipe = memory[M_PIPE] + car.pressure_noise * noise(key, tick, 5.0)
    signals[SIG_MAP_KPA] = min(max(p_map, 0.0), car.map_range) * 1e-3
    signals[SIG_PIPE_KPA] = min(max(p_pipe, 0.0), car.map_range) * 1e-3
    if faults[F_MAP_SENSOR_LOST] > 0.0:
        signals[SIG_MAP_KPA] = _LOST_MAP
    signals[SIG_BATTERY_V] = battery_now(row, faults, car)
    signals[SIG_ENGINE_RPM] = x[OMEGA] * _TO_RPM
    signals[SIG_DRIVEN_M_S] = x[OMEGA_DRIVEN] * car.tyre_radius
    signals[SIG_FREE_M_S] = x[OMEGA_FREE] * car.tyre_radius
    if faults[F_WHEEL_SPEED_LOST] > 0.0:
        signals[SIG_FREE_M_S] = 0.0
    signals[SIG_COOLANT_DEGC] = x[COOLANT] - 273.15
    if faults[F_COOLANT_SENSOR_LOST] > 0.0:
        signals[SIG_COOLANT_DEGC] = _LOST_COOLANT
    signals[SIG_OIL_DEGC] = x[OIL] - 273.15
    healthy = min(_OIL_PER_RPM * signals[SIG_ENGINE_RPM], _OIL_RELIEF)
    signals[SIG_OIL_KPA] = 0.01 * row[IN_OIL_PRESSURE] * healthy
    signals[SIG_INTAKE_DEGC] = x[T_PIPE] - 273.15
    signals[SIG_EXHAUST_DEGC] = x[T_EXHAUST] - 273.15
    # an injector gives fuel with the root of the pressure over it
    signals[SIG_MIXTURE] = 1.0 / math.sqrt(0.01 * row[IN_FUEL_PRESSURE])
    signals[SIG_FUEL_PRESSURE_PCT] = row[IN_FUEL_PRESSURE]
    signals[SIG_ETHANOL_PCT] = row[IN_ETHANOL]
    if faults[F_ETHANOL_SENSOR_LOST] > 0.0:
        signals[SIG_ETHANOL_PCT] = _LOST_ETHANOL
    signals[SIG_PIT] = row[IN_PIT]
    signals[SIG_ARM] = row[IN_ARM]
    signals[SIG_SHIFT] = row[IN_SHIFT]
    signals[SIG_KNOWN_LOAD_NM] = row[IN_KNOWN_LOAD]
    pressed = row[IN_BRAKE] > 1.0 and faults[F_BRAKE_SWITCH_LOST] == 0.0
    signals[SIG_BRAKE] = 1.0 if pressed else 0.0
    signals[SIG_BRAKE_PCT] = row[IN_BRAKE] if pressed else 0.0
    signals[SIG_CLUTCH] = 1.0 if row[IN_CLUTCH] > 50.0 else 0.0
    signals[SIG_GEAR] = row[IN_GEAR]
    if faults[F_GEAR_SIGNAL_WRONG] > 0.0:
        signals[SIG_GEAR] = faults[F_GEAR_SIGNAL_WRONG]
    signals[SIG_CURRENT_A] = x[CURRENT]
    signals[SIG_MODE] = row[IN_MODE]
    signals[SIG_KEY] = row[IN_KEY]
    signals[SIG_BUS_AGE_S] = memory[M_BUS_AGE]
    signals[SIG_REQUEST_PCT] = faults[F_WRONG_RAISE_REQUEST]
