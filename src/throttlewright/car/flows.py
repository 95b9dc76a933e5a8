"""Flows of a car: what the pipe supplies, what the engine takes, what the plate lets through."""

from __future__ import annotations

import math

import numpy as np

from throttlewright.car.record import SPEED_POINTS, CarRecord
from throttlewright.foundation.compiled import kernel
from throttlewright.physics.cylinders import cylinder_flow_residual
from throttlewright.physics.gas import R_AIR, nozzle_area, restriction_drop
from throttlewright.physics.plate import (
    discharge_coefficient,
    effective_area,
    plate_angle_for_area,
    saturation_angle,
)
from throttlewright.physics.turbo import compressor_outlet_temperature, intercooler_temperature

__all__ = [
    "ROUNDING",
    "back_pressure",
    "engine_balance",
    "engine_flow",
    "over_speed",
    "pipe_state",
    "plate_area_of",
    "plate_for_flow",
    "restricted",
    "unrestricted",
]

_MOST_PASSES = 20
_FLOW_TOLERANCE = 1e-11

ROUNDING = 1.0e3
"""Half-width of the hand-over from what a turbo reaches to what its wastegate holds [Pa]."""


_CORNER = 8.0
_SONIC = 0.9999
_STEEP = 1e4
"""Exponent of the rounding where a restrictor's throat becomes sonic, the largest share of its flow
that is turned back, and how steeply the free flow goes on beyond it."""


@kernel
def over_speed(curve: np.ndarray, omega: float, omega_step: float) -> float:
    """Read a curve kept on the uniform speed grid, linear between points, held outside.

    Parameters
    ----------
    curve : ndarray [-]
        Values at 0, omega_step, 2 omega_step, ..., in the unit of the result.
    omega : float [rad/s]
        Engine speed.
    omega_step : float [rad/s]
        Step of the grid, above 0.

    Returns
    -------
    float [-]
        Interpolated value, in the unit of the curve.
    """
    x = omega / omega_step
    if x <= 0.0:
        return curve[0]
    i = int(x)
    if i >= SPEED_POINTS - 1:
        return curve[SPEED_POINTS - 1]
    f = x - i
    return curve[i] * (1.0 - f) + curve[i + 1] * f


@kernel
def unrestricted(flow: float, car: CarRecord) -> float:
    """Flow that would pass the filter without the restrictor, where the car has one.

    m = m_free / (1 + (m_free / m_throat)^8)^(1/8), turned round

    Parameters
    ----------
    flow : float [kg/s]
        Air flow, from 0.
    car : record [-]
        Packed car.

    Returns
    -------
    float [kg/s]
        The flow itself without a restrictor.

    Notes
    -----
    A restrictor with a good diffuser costs little until its throat is sonic, and then passes no
    more whatever pulls behind it; the rounding of the corner is a choice.
    """
    if car.restrictor_flow <= 0.0 or flow <= 0.0:
        return flow
    share = flow / car.restrictor_flow
    if share > _SONIC:
        # no pressure brings more through a sonic throat: whatever asks for it finds none behind it
        end = car.restrictor_flow * _SONIC / (1.0 - _SONIC**_CORNER) ** (1.0 / _CORNER)
        return end * (1.0 + _STEEP * (share - _SONIC))
    free: float = flow / (1.0 - share**_CORNER) ** (1.0 / _CORNER)
    return free


@kernel
def restricted(free: float, car: CarRecord) -> tuple[float, float]:
    """Flow through filter and restrictor from that of the filter alone, and its slope over it.

    Parameters
    ----------
    free : float [kg/s]
        Flow without the restrictor.
    car : record [-]
        Packed car.

    Returns
    -------
    tuple of float [kg/s, -]
        Flow and slope; the flow itself and 1 without a restrictor.
    """
    if car.restrictor_flow <= 0.0 or free <= 0.0:
        return free, 1.0
    q: float = 1.0 + (free / car.restrictor_flow) ** _CORNER
    root = q ** (-1.0 / _CORNER)
    return free * root, root / q


@kernel
def pipe_state(
    flow: float,
    p_manifold: float,
    omega: float,
    boost_code: float,
    boost_pressure: float,
    car: CarRecord,
) -> tuple[float, float]:
    """Pressure and temperature before the plate for a given flow.

    Parameters
    ----------
    flow : float [kg/s]
        Air flow, from 0.
    p_manifold : float [Pa]
        Manifold pressure (moves the bypass valve of a supercharger).
    omega : float [rad/s]
        Engine speed.
    boost_code : float [-]
        A BoostState.
    boost_pressure : float [Pa]
        Target pressure before the plate for SETTLED, the pressure itself for HELD; absolute.
    car : record [-]
        Packed car.

    Returns
    -------
    tuple of float [Pa, K]
        Pressure and temperature before the plate.

    Notes
    -----
    A turbo reaches a pressure ratio 1 + factor * flow**exponent with its wastegate shut; both
    numbers follow from the rising part of the measured boost curve.
    """
    inlet = car.p_ambient - restriction_drop(
        unrestricted(flow, car), car.p_ambient, car.T_ambient, car.filter_resistance
    )
    inlet = max(inlet, 0.3 * car.p_ambient)
    if car.charging < 0.5:
        if boost_code > 1.5:
            return boost_pressure, car.T_ambient
        return inlet, car.T_ambient
    if boost_code > 1.5:
        pipe = boost_pressure
    elif car.charging < 1.5:
        if boost_code < 0.5:
            drop = restriction_drop(flow, inlet, car.T_ambient, car.intercooler_resistance)
            pipe = max(inlet - drop, 0.3 * car.p_ambient)
        else:
            factor = over_speed(car.spool_factor, omega, car.omega_step)
            reach = inlet * (1.0 + factor * flow**car.spool_exponent)
            wanted = max(boost_pressure, car.spring_pressure)
            # a rounded minimum: a wastegate cracks before its set point, and a kink in the torque
            # surface would show in every gain
            d = reach - wanted
            pipe = 0.5 * (reach + wanted - math.sqrt(d * d + 4.0 * ROUNDING * ROUNDING))
    else:
        # belt- or gear-driven: boost follows speed at once, so INSTANT and SETTLED are one state
        closed = 1.0
        if car.bypass > 0.5:
            closed = (p_manifold - (car.p_ambient - car.bypass_band)) / car.bypass_band
            closed = min(max(closed, 0.0), 1.0)
        pipe = inlet + (over_speed(car.boost, omega, car.omega_step) - inlet) * closed
    ratio = max(pipe / inlet, 1.0)
    hot = compressor_outlet_temperature(car.T_ambient, ratio, car.compressor_efficiency, car.gamma)
    return pipe, intercooler_temperature(hot, car.T_ambient, car.intercooler_effectiveness)


@kernel
def back_pressure(flow: float, pipe: float, car: CarRecord) -> float:
    """Exhaust pressure at the cylinders.

    p = p_ambient + constant + turbine share (p_pipe - p_ambient) + H T m^2 / p_ambient

    Parameters
    ----------
    flow : float [kg/s]
        Air flow.
    pipe : float [Pa]
        Pressure before the plate; a turbine backs the exhaust up with boost.
    car : record [-]
        Packed car.

    Returns
    -------
    float [Pa]
        Absolute pressure.

    Notes
    -----
    The exhaust is taken at 900 K at any load: it spreads far less than its flow squared.
    """
    base = car.p_ambient + car.exhaust_rise
    if car.charging > 0.5 and car.charging < 1.5 and pipe > car.p_ambient:
        base += car.turbine_pressure_share * (pipe - car.p_ambient)
    return base + restriction_drop(flow, car.p_ambient, 900.0, car.exhaust_resistance)


@kernel
def _taken(
    p_manifold: float,
    T_manifold: float,
    omega: float,
    ve: float,
    p_exhaust: float,
    car: CarRecord,
) -> float:
    return cylinder_flow_residual(
        p_manifold,
        T_manifold,
        omega,
        car.displacement,
        ve,
        p_exhaust,
        car.compression_ratio,
        car.residual_exponent,
    )


@kernel
def engine_flow(
    p_manifold: float, T_manifold: float, pipe: float, omega: float, car: CarRecord
) -> tuple[float, float]:
    """Air that the cylinders take and the exhaust pressure it makes.

    Parameters
    ----------
    p_manifold : float [Pa]
        Manifold pressure.
    T_manifold : float [K]
        Charge temperature.
    pipe : float [Pa]
        Pressure before the plate (a turbine backs the exhaust up with boost).
    omega : float [rad/s]
        Engine speed.
    car : record [-]
        Packed car.

    Returns
    -------
    tuple of float [kg/s, Pa]
        Air flow and exhaust pressure.
    """
    ve = over_speed(car.ve_speed, omega, car.omega_step)
    p_exhaust = back_pressure(0.0, pipe, car)
    flow = 0.0
    for _ in range(3):
        flow = _taken(p_manifold, T_manifold, omega, ve, p_exhaust, car)
        p_exhaust = back_pressure(flow, pipe, car)
    return flow, p_exhaust


@kernel
def _respond(
    flow: float,
    p_manifold: float,
    omega: float,
    ve: float,
    boost_code: float,
    boost_pressure: float,
    car: CarRecord,
) -> tuple[float, float, float, float]:
    pipe, T_pipe = pipe_state(flow, p_manifold, omega, boost_code, boost_pressure, car)
    p_exhaust = back_pressure(flow, pipe, car)
    T_manifold = T_pipe + car.charge_temperature_rise
    taken = _taken(p_manifold, T_manifold, omega, ve, p_exhaust, car)
    return taken, pipe, T_pipe, p_exhaust


@kernel
def engine_balance(
    p_manifold: float,
    omega: float,
    boost_code: float,
    boost_pressure: float,
    car: CarRecord,
) -> tuple[float, float, float, float]:
    """Flow, pipe and exhaust that belong together at a manifold pressure.

    Pipe pressure, charge temperature and back pressure follow from the flow, and the flow from
    them: the fixed point is found by the secant rule, which needs a third of the passes that plain
    repetition does.

    Parameters
    ----------
    p_manifold : float [Pa]
        Manifold pressure.
    omega : float [rad/s]
        Engine speed.
    boost_code : float [-]
        A BoostState.
    boost_pressure : float [Pa]
        As in ``pipe_state``.
    car : record [-]
        Packed car.

    Returns
    -------
    tuple of float [kg/s, Pa, K, Pa]
        Air flow, pressure and temperature before the plate, exhaust pressure.
    """
    ve = over_speed(car.ve_speed, omega, car.omega_step)
    a = ve * p_manifold * car.displacement * omega / (4.0 * math.pi * R_AIR * car.T_ambient)
    ga, pipe, T_pipe, p_exhaust = _respond(
        a, p_manifold, omega, ve, boost_code, boost_pressure, car
    )
    b = ga
    gb = ga
    for _ in range(_MOST_PASSES):
        gb, pipe, T_pipe, p_exhaust = _respond(
            b, p_manifold, omega, ve, boost_code, boost_pressure, car
        )
        miss = gb - b
        if abs(miss) <= _FLOW_TOLERANCE * gb:
            break
        bend = miss - (ga - a)
        step = miss if bend == 0.0 else -miss * (b - a) / bend
        a = b
        ga = gb
        b = max(b + step, 0.0)
    return gb, pipe, T_pipe, p_exhaust


@kernel
def plate_area_of(psi: float, car: CarRecord) -> float:
    """Effective area of all plates at one angle, leakage included.

    Parameters
    ----------
    psi : float [rad]
        Plate angle from the plane normal to the bore.
    car : record [-]
        Packed car.

    Returns
    -------
    float [m2]
        Effective area.
    """
    return car.plates * effective_area(
        psi,
        car.bore,
        car.shaft,
        car.psi_closed,
        car.cd,
        car.cd_first,
        car.cd_step,
        car.leak_area,
        car.loss_coefficient,
    )


@kernel
def plate_for_flow(
    flow: float, p_pipe: float, p_manifold: float, T_pipe: float, car: CarRecord
) -> float:
    """Plate angle that passes a flow between two pressures, the open stop when none does.

    Parameters
    ----------
    flow : float [kg/s]
        Air flow of all plates.
    p_pipe : float [Pa]
        Pressure before the plate.
    p_manifold : float [Pa]
        Pressure behind the plate.
    T_pipe : float [K]
        Temperature before the plate.
    car : record [-]
        Packed car.

    Returns
    -------
    float [rad]
        Plate angle, between the closed and the open stop.
    """
    area = nozzle_area(flow, p_pipe, p_manifold, T_pipe, car.gamma, car.shape_gamma, R_AIR)
    if area >= plate_area_of(car.psi_open, car):
        return car.psi_open
    top = min(saturation_angle(car.bore, car.shaft, car.psi_closed), car.psi_open)
    per_plate = area / car.plates - car.leak_area
    if per_plate <= 0.0:
        return car.psi_closed
    # loss in series, then the discharge coefficient of the angle found: a contraction that
    # settles in a few passes; the bracketed finish makes the answer exact
    psi = 0.5 * (car.psi_closed + top)
    bore_area = math.pi * car.bore * car.bore / 4.0
    rest = 1.0 / (per_plate * per_plate) - car.loss_coefficient / (bore_area * bore_area)
    if rest > 0.0:
        geometric = 1.0 / math.sqrt(rest)
        for _ in range(3):
            cd = discharge_coefficient(psi, car.cd, car.cd_first, car.cd_step)
            psi = plate_angle_for_area(geometric / cd, car.bore, car.shaft, car.psi_closed)
    low = car.psi_closed
    high = top
    if psi > low and psi < high:
        step = 0.02
        a = max(psi - step, low)
        b = min(psi + step, high)
        if plate_area_of(a, car) <= area <= plate_area_of(b, car):
            low = a
            high = b
    for _ in range(50):
        psi = 0.5 * (low + high)
        if plate_area_of(psi, car) < area:
            low = psi
        else:
            high = psi
        if high - low < 1e-9:
            break
    return 0.5 * (low + high)
