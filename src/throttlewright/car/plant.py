"""The car in motion: what is sampled once a tick, and one step of everything continuous."""

from __future__ import annotations

import math

import numpy as np

from throttlewright.car.plant_air import air_rates, air_step
from throttlewright.car.plant_driveline import driveline_rates, driveline_tick, synchronise
from throttlewright.car.plant_flows import compressor_head, plate_area_at
from throttlewright.car.plant_servo import servo_rates, servo_tick
from throttlewright.car.record import COLD_FIRST, COLD_POINTS, COLD_STEP, SURGE_POINTS, CarRecord
from throttlewright.car.runners import runner_filling
from throttlewright.car.state import (
    AIR_PLATE,
    BOOSTER,
    BRAKE_WAS,
    COOLANT,
    DELAY_AT,
    DELAY_LENGTH,
    DELAY_RING,
    FLOW_COMPRESSOR,
    FLOW_CYLINDERS,
    INDICATED,
    LOST,
    OIL,
    OMEGA,
    P_EXHAUST,
    P_MANIFOLD,
    P_PIPE,
    RATIO_WAS,
    SURGE_MARGIN,
    T_EXHAUST,
    T_MANIFOLD,
    T_PIPE,
    T_PORT,
    TORQUE,
    TURBINE_HEAT,
    U_BRAKE,
    U_CLUTCH,
    U_FUEL,
    U_INTAKE_RISE,
    U_RATIO,
    U_RETARD,
)
from throttlewright.car.torque import combustion, lost_torque
from throttlewright.foundation.compiled import kernel

__all__ = ["TICK", "car_rates", "car_sample", "car_step", "cold_friction", "lost_now"]

TICK = 1e-3
"""Length of a tick, the sampling of controller and combustion [s]."""

_LEAST_OMEGA = 5.0
_FIRES_ABOVE = 12.0
"""Engine speed below which nothing burns: about 115 rpm [rad/s]; common practice, no source."""
_MOTORED_EXHAUST = 450.0
"""Temperature of air pumped through cylinders that do not fire [K]; from memory."""
_MANIFOLD_COOLING = 0.08
"""Heat that the exhaust manifold takes at rated flow, in transfer units; from memory, 0.05 to
0.15."""
_BOOSTER_USE = 0.25
"""Share of the booster's vacuum that one full press of the brake uses up; from memory."""
_COOLING = 300.0
"""Heat that the radiator takes per kelvin above the thermostat, times the heat capacity share of a
30 kJ/K engine [W/K]; from memory."""
_OIL_LAG = 120.0
_OIL_ABOVE = 30.0
"""Oil follows the coolant with this time constant [s], and stands above it by this much at rated
air flow [K]; from memory."""
_BOOSTED = 1.12
"""Pressure ratio under which a stalled compressor does no harm and is not marked; from memory."""


@kernel
def cold_friction(T_coolant: float, car: CarRecord) -> float:
    """Friction over hot friction, from the car's table.

    Parameters
    ----------
    T_coolant : float [K]
        Coolant temperature; held at the ends of the table.
    car : record [-]
        Packed car.

    Returns
    -------
    float [-]
        Factor on hot friction.
    """
    q = (T_coolant - COLD_FIRST) / COLD_STEP
    if q <= 0.0:
        return car.cold_friction[0]
    i = int(q)
    if i >= COLD_POINTS - 1:
        return car.cold_friction[COLD_POINTS - 1]
    f = q - i
    return car.cold_friction[i] * (1.0 - f) + car.cold_friction[i + 1] * f


@kernel
def _working_pressure(x: np.ndarray, omega: float, car: CarRecord) -> float:
    # pressure while the intake is open; behind individual plates charge is the measure of it, as
    # in car.operating
    if car.individual < 0.5:
        return x[P_MANIFOLD]
    area = plate_area_at(x[AIR_PLATE], car) / car.cylinders
    share, _ = runner_filling(omega, area, car)
    return min(max(share, 0.15), 1.0) * x[P_PIPE]


@kernel
def lost_now(x: np.ndarray, car: CarRecord) -> float:
    """Torque lost to pumping, friction and a driven compressor in the present state.

    Parameters
    ----------
    x : ndarray [SI]
        State of the car.
    car : record [-]
        Packed car.

    Returns
    -------
    float [N m]
        Lost torque.
    """
    omega = max(x[OMEGA], _LEAST_OMEGA)
    return lost_torque(
        x[FLOW_CYLINDERS],
        _working_pressure(x, omega, car),
        x[P_EXHAUST],
        x[P_PIPE],
        omega,
        cold_friction(x[COOLANT], car),
        car,
    )


@kernel
def car_sample(x: np.ndarray, u: np.ndarray, car: CarRecord) -> None:
    """Update once a tick what is sampled: combustion, temperatures, booster, surge margin.

    Parameters
    ----------
    x : ndarray [SI]
        State of the car, changed in place.
    u : ndarray [SI]
        Inputs of the car.
    car : record [-]
        Packed car.

    Returns
    -------
    None [-]
        The state is changed in place.

    Notes
    -----
    Combustion is a sampled thing, cylinder by cylinder: the torque of the charge taken in a given
    crank angle ago is held for one tick. Temperatures move over tenths of seconds and more; they
    are taken exactly for a held target. Where the temperature of a volume is set anew, its pressure
    moves with it, so that the mass in it stays.
    """
    omega = max(x[OMEGA], _LEAST_OMEGA)
    if u[U_RATIO] != x[RATIO_WAS]:
        if u[U_CLUTCH] < 0.5:
            synchronise(x, u[U_RATIO])
        x[RATIO_WAS] = u[U_RATIO]
    # charge of this tick into the ring, charge of a delay ago out of it
    at = int(x[DELAY_AT])
    x[DELAY_RING + at] = x[FLOW_CYLINDERS] / omega
    back = min(car.induction_delay / (omega * TICK), DELAY_LENGTH - 2.0)
    whole = int(back)
    part = back - whole
    newer = x[DELAY_RING + (at - whole + DELAY_LENGTH) % DELAY_LENGTH]
    older = x[DELAY_RING + (at - whole - 1 + DELAY_LENGTH) % DELAY_LENGTH]
    charge = newer * (1.0 - part) + older * part
    x[DELAY_AT] = (at + 1) % DELAY_LENGTH
    flow = charge * omega
    p_load = _working_pressure(x, omega, car)
    torque, T_fired = combustion(flow, p_load, omega, u[U_RETARD], car)
    T_usual = T_fired
    if u[U_RETARD] > 0.0:
        _, T_usual = combustion(flow, p_load, omega, 0.0, car)
    fuel = u[U_FUEL] if x[OMEGA] > _FIRES_ABOVE else 0.0
    x[INDICATED] = torque * fuel
    x[T_PORT] = T_fired * fuel + _MOTORED_EXHAUST * (1.0 - fuel)
    x[TURBINE_HEAT] = x[T_PORT] / T_usual
    # the sensor sits behind the manifold, whose walls cool the gas the more the slower it goes
    share = max(flow / car.rated_flow, 1e-4)
    cooled: float = math.exp(-_MANIFOLD_COOLING * share ** (-0.2))
    T_sensor = car.T_ambient + (x[T_PORT] - car.T_ambient) * cooled
    x[T_EXHAUST] += (T_sensor - x[T_EXHAUST]) * (1.0 - math.exp(-TICK / car.exhaust_lag))

    # temperatures of the charge
    head = max(compressor_head(x[P_PIPE], x[FLOW_COMPRESSOR], car), 0.0)
    T_pipe = car.T_ambient + u[U_INTAKE_RISE]
    if car.charging > 0.5:
        rise = car.T_ambient * head / car.compressor_efficiency
        T_pipe += rise * (1.0 - car.intercooler_effectiveness)
    x[P_PIPE] *= T_pipe / x[T_PIPE]
    x[T_PIPE] = T_pipe
    if car.adiabatic < 0.5:
        T_manifold = T_pipe + car.charge_temperature_rise
        x[P_MANIFOLD] *= T_manifold / x[T_MANIFOLD]
        x[T_MANIFOLD] = T_manifold

    # coolant: a share of the fuel's heat in, above the thermostat the radiator takes out
    heat = fuel * flow / (car.afr_stoich * car.lambda_part) * car.lhv * car.coolant_share
    out = 0.0
    if x[COOLANT] > car.thermostat:
        out = _COOLING * (car.coolant_capacity / 30e3) * (x[COOLANT] - car.thermostat)
    x[COOLANT] += TICK * (heat - out) / car.coolant_capacity
    # oil: follows the coolant late, and above it by what the load puts into it
    above = _OIL_ABOVE * fuel * flow / car.rated_flow
    x[OIL] += TICK / _OIL_LAG * (x[COOLANT] + above - x[OIL])

    # brake booster: a check valve from the manifold, and each press uses some vacuum up
    if x[P_MANIFOLD] < x[BOOSTER]:
        x[BOOSTER] += (x[P_MANIFOLD] - x[BOOSTER]) * (1.0 - math.exp(-TICK / car.booster_lag))
    pressed = u[U_BRAKE] - x[BRAKE_WAS]
    if pressed > 0.0:
        x[BOOSTER] += _BOOSTER_USE * pressed * (car.p_ambient - x[BOOSTER])
    x[BRAKE_WAS] = u[U_BRAKE]

    x[SURGE_MARGIN] = _surge_margin(x, car)


@kernel
def _surge_margin(x: np.ndarray, car: CarRecord) -> float:
    if car.charging < 0.5 or car.charging > 1.5:
        return 1.0
    ratio = x[P_PIPE] / car.p_ambient
    if ratio < _BOOSTED:
        return 1.0
    q = min((ratio - 1.0) / 3.0 * (SURGE_POINTS - 1), SURGE_POINTS - 1.001)
    i = int(q)
    f = q - i
    least = car.surge_flow[i] * (1.0 - f) + car.surge_flow[i + 1] * f
    flow = max(x[FLOW_COMPRESSOR], 1e-6)
    return max((flow - least) / flow, -10.0)


@kernel
def car_step(x: np.ndarray, u: np.ndarray, car: CarRecord, h: float) -> None:
    """Advance everything continuous by one step: plate servo, driveline, then air.

    Parameters
    ----------
    x : ndarray [SI]
        State of the car, changed in place.
    u : ndarray [SI]
        Inputs of the car, held.
    car : record [-]
        Packed car.
    h : float [s]
        Step, at most one tick.

    Returns
    -------
    None [-]
        The state is changed in place.

    Notes
    -----
    Partitioned. The plate moves first, in short steps of its own; the driveline takes the torque
    of the tick; the air then sees the plate at both ends of the step and the mean engine speed,
    which makes the whole of second order in smooth motion. The step itself is of second order
    and not extrapolated: stops, a stuck plate and a locked clutch would not survive that.
    """
    before = x[AIR_PLATE]
    omega = x[OMEGA]
    servo_tick(x, u, car, h, x[P_PIPE] - x[P_MANIFOLD])
    # losses half a step ahead, from this step's and the last one's
    lost = lost_now(x, car)
    x[TORQUE] = x[INDICATED] - (1.5 * lost - 0.5 * x[LOST])
    x[LOST] = lost
    driveline_tick(x, u, car, h, x[TORQUE])
    mean = max(0.5 * (omega + x[OMEGA]), _LEAST_OMEGA)
    air_step(x, u, before, x[AIR_PLATE], mean, car, h)


@kernel
def car_rates(x: np.ndarray, u: np.ndarray, car: CarRecord, dx: np.ndarray) -> None:
    """Rates of all continuous states, for an integrator of another kind.

    Parameters
    ----------
    x : ndarray [SI]
        State of the car.
    u : ndarray [SI]
        Inputs of the car.
    car : record [-]
        Packed car.
    dx : ndarray [SI]
        Receives the rates; 0 for what is sampled.

    Returns
    -------
    None [-]
        Rates are in ``dx``.

    Notes
    -----
    The same flows, torques and forces as ``car_step``; dry friction of the plate is smoothed and
    the clutch is locked, as ``servo_rates`` and ``driveline_rates`` say.
    """
    dx[:] = 0.0
    servo_rates(x, u, car, x[P_PIPE] - x[P_MANIFOLD], dx)
    driveline_rates(x, u, car, x[INDICATED] - lost_now(x, car), dx)
    air_rates(x, u, x[AIR_PLATE], max(x[OMEGA], _LEAST_OMEGA), car, dx)
