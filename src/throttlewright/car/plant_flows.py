"""Flows of the car in motion, with their slopes over the pressures they join."""

from __future__ import annotations

import math
from typing import TypeAlias

import numpy as np

from throttlewright.car.flows import over_speed, restricted
from throttlewright.car.record import AREA_POINTS, CarRecord
from throttlewright.car.runners import runner_filling
from throttlewright.car.state import U_BLEED
from throttlewright.foundation.compiled import kernel
from throttlewright.physics.gas import CP_AIR, R_AIR

__all__ = [
    "T_EXHAUST_VOLUME",
    "all_flows",
    "compressor_head",
    "plate_area_at",
    "relief_target",
    "turbo_flow",
    "turbo_power",
    "wastegate_target",
]

_ELLIPSE_EDGE = 0.01
"""Rounds the ellipse where its flow would end with a vertical tangent."""
_LEAST_TIP_SPEED = 10.0
_ROOT_EDGE = 30.0
"""Pressure below which a restriction goes from square root to straight line [Pa]."""
_LEAST_RESISTANCE = 1e5
_BLOWER_LAG = 5e-3
"""Time in which a driven compressor brings the pipe to its pressure [s]; common practice, no
source. Short beside everything else, long beside a step."""
T_EXHAUST_VOLUME = 900.0
"""Temperature of the gas in the exhaust manifold [K], as in ``car.flows.back_pressure``."""
_RELIEF_CRACK = 55e3
_RELIEF_FULL = 85e3
"""Pressure of pipe over manifold at which a relief valve starts to open and is open [Pa]: shut
while cruising, open on a lift; from memory."""

_LEAST_SHARE = 0.2
"""Share of charge below which wide-open back pressure is not worked out from the present one."""


@kernel
def plate_area_at(opening: float, car: CarRecord) -> float:
    """Effective area of all plates from the car's table, cubic between its points.

    Parameters
    ----------
    opening : float [rad]
        Plate above the closed stop; held at the ends.
    car : record [-]
        Packed car.

    Returns
    -------
    float [m2]
        Effective area, leakage included.
    """
    x = opening / car.servo_travel * (AREA_POINTS - 1)
    if x <= 0.0:
        return car.area_table[0]
    i = int(x)
    if i >= AREA_POINTS - 1:
        return car.area_table[AREA_POINTS - 1]
    f = x - i
    b = car.area_table[i]
    c = car.area_table[i + 1]
    a = car.area_table[i - 1] if i > 0 else 2.0 * b - c
    d = car.area_table[i + 2] if i < AREA_POINTS - 2 else 2.0 * c - b
    return b + 0.5 * f * (
        c - a + f * (2.0 * a - 5.0 * b + 4.0 * c - d + f * (3.0 * (b - c) + d - a))
    )


@kernel
def _flow_function(ratio: float, car: CarRecord) -> tuple[float, float]:
    # value and slope of physics.gas.flow_function_regular with the constants packed
    if ratio <= car.pr_critical:
        return car.psi_choked, 0.0
    if ratio <= car.pr_linear:
        root = ratio ** (1.0 / car.shape_gamma)
        value = car.psi_scale * root * math.sqrt(1.0 - ratio / root)
        inner = 2.0 * root * root / (car.shape_gamma * ratio) - root * (1.0 / car.shape_gamma + 1.0)
        return value, car.psi_scale * car.psi_scale * inner / (2.0 * value)
    width = 1.0 - car.pr_linear
    z = (1.0 - ratio) / width
    first = 3.0 * car.psi_linear - car.psi_rise
    third = car.psi_rise - car.psi_linear
    return 0.5 * z * (first + third * z * z), -0.5 * (first + 3.0 * third * z * z) / width


@kernel
def _nozzle(
    p_a: float, p_b: float, T_a: float, T_b: float, area: float, car: CarRecord
) -> tuple[float, float, float]:
    # flow from a to b, and its slopes over both pressures
    if p_a >= p_b:
        ratio = p_b / p_a
        value, slope = _flow_function(ratio, car)
        k = area / math.sqrt(R_AIR * T_a)
        return k * p_a * value, k * (value - ratio * slope), k * slope
    ratio = p_a / p_b
    value, slope = _flow_function(ratio, car)
    k = area / math.sqrt(R_AIR * T_b)
    return -k * p_b * value, -k * slope, -k * (value - ratio * slope)


@kernel
def _root(x: float) -> tuple[float, float]:
    # sign-keeping square root with a finite slope at 0, and its slope
    q = x * x + _ROOT_EDGE * _ROOT_EDGE
    r = math.sqrt(math.sqrt(q))
    return x / r, (1.0 - 0.5 * x * x / q) / r


@kernel
def _inlet_loss(flow: float, car: CarRecord) -> float:
    # share of ambient pressure lost in the filter
    return car.filter_resistance * car.T_ambient * flow * flow / (car.p_ambient * car.p_ambient)


@kernel
def compressor_head(p_pipe: float, flow: float, car: CarRecord) -> float:
    """Isentropic temperature rise across the compressor over inlet temperature.

    h = (p_pipe / p_inlet)^((g-1)/g) - 1, the inlet behind the filter

    Parameters
    ----------
    p_pipe : float [Pa]
        Pressure behind the compressor.
    flow : float [kg/s]
        Flow through filter and compressor.
    car : record [-]
        Packed car.

    Returns
    -------
    float [-]
        Head; negative when the pipe is below the inlet.
    """
    k = (car.gamma - 1.0) / car.gamma
    rise: float = (p_pipe / car.p_ambient) ** k
    d = min(_inlet_loss(flow, car), 0.5)
    return rise * (1.0 + k * d * (1.0 + 0.5 * (k + 1.0) * d)) - 1.0


@kernel
def turbo_flow(p_pipe: float, turbo_speed: float, car: CarRecord) -> tuple[float, float]:
    """Flow of the compressor at a pipe pressure and shaft speed, and its slope over pressure.

    k1 Psi^2 + k2 Phi^2 = 1, m = p / (R T) U (pi D^2 / 2) Phi, Psi = 2 cp T h / U^2

    Parameters
    ----------
    p_pipe : float [Pa]
        Pressure behind the compressor.
    turbo_speed : float [rad/s]
        Shaft speed.
    car : record [-]
        Packed car.

    Returns
    -------
    tuple of float [kg/s, kg/(s Pa)]
        Flow, never below 0, and slope.

    Notes
    -----
    Two-parameter ellipse after Eriksson, OGST 62(4) 2007. In surge the flow fades out; oscillation
    is not modelled. The slope leaves out how the filter's loss bends the speed line, a few percent
    of it: the step that uses it keeps its order with any slope.
    """
    k = (car.gamma - 1.0) / car.gamma
    rise: float = (p_pipe / car.p_ambient) ** k
    tip = max(0.5 * car.compressor_diameter * turbo_speed, _LEAST_TIP_SPEED)
    per_head = 2.0 * CP_AIR * car.T_ambient / (tip * tip)
    psi = per_head * max(rise - 1.0, 0.0)
    y = 1.0 - car.compressor_k1 * psi * psi
    bend = math.sqrt(y * y + _ELLIPSE_EDGE * _ELLIPSE_EDGE)
    area = 0.5 * math.pi * car.compressor_diameter * car.compressor_diameter * tip
    phi = math.sqrt(0.5 * (y + bend) / car.compressor_k2)
    free = car.p_ambient / (R_AIR * car.T_ambient) * area * phi
    slope = 0.0
    if rise > 1.0:
        slope = -free * car.compressor_k1 * psi * per_head * k * rise / (p_pipe * bend)
    # the filter takes a share d = c m^2 of the inlet pressure: m = m_free + d (p dm/dp - m_free),
    # of which the root is taken in the form that loses no digits
    c = car.filter_resistance * car.T_ambient / (car.p_ambient * car.p_ambient)
    pull = free - p_pipe * slope
    root = math.sqrt(1.0 + 4.0 * c * pull * free)
    flow = 2.0 * free / (1.0 + root)
    slope /= root
    d = min(c * flow * flow, 0.5)
    # below the inlet the wheel only stands in the way: air passes as through the intercooler
    below = car.p_ambient * (1.0 - d) - p_pipe
    if below > 0.0:
        resistance = max(car.intercooler_resistance, _LEAST_RESISTANCE)
        factor = math.sqrt(car.p_ambient / (resistance * car.T_ambient))
        sucked, steep = _root(below)
        flow += factor * sucked
        slope -= factor * steep
    return flow, slope


@kernel
def _supply(
    p_pipe: float,
    p_manifold: float,
    through: float,
    through_1: float,
    through_2: float,
    turbo_speed: float,
    omega: float,
    T_pipe: float,
    car: CarRecord,
) -> tuple[float, float, float]:
    # flow into the pipe, slopes over pipe and manifold pressure
    if car.charging < 0.5:
        resistance = max(car.filter_resistance, _LEAST_RESISTANCE)
        factor = math.sqrt(car.p_ambient / (resistance * car.T_ambient))
        root, steep = _root(car.p_ambient - p_pipe)
        flow, share = restricted(factor * root, car)
        return flow, -share * factor * steep, 0.0
    if car.charging < 1.5:
        flow, slope = turbo_flow(p_pipe, turbo_speed, car)
        flow, share = restricted(flow, car)
        return flow, share * slope, 0.0
    # a driven compressor brings the pipe to the pressure of its speed, less what the bypass lets go
    inlet = car.p_ambient * (1.0 - min(_inlet_loss(through, car), 0.5))
    boost = over_speed(car.boost, omega, car.omega_step)
    closed = 1.0
    closed_2 = 0.0
    if car.bypass > 0.5:
        closed = (p_manifold - (car.p_ambient - car.bypass_band)) / car.bypass_band
        if closed > 0.0 and closed < 1.0:
            closed_2 = 1.0 / car.bypass_band
        closed = min(max(closed, 0.0), 1.0)
    target = inlet + (boost - inlet) * closed
    strength = car.pipe_volume / (R_AIR * T_pipe * _BLOWER_LAG)
    return (
        through + strength * (target - p_pipe),
        through_1 - strength,
        through_2 + strength * (boost - inlet) * closed_2,
    )


@kernel
def _cylinders(
    p: float, T: float, p_exhaust: float, omega: float, ve: float, car: CarRecord
) -> tuple[float, float, float]:
    # physics.cylinders.cylinder_flow_residual with slopes over manifold and exhaust pressure
    clearance = 1.0 / (car.compression_ratio - 1.0)
    n = 1.0 / car.residual_exponent
    kept: float = clearance * (p_exhaust / p) ** n
    share = 1.0 + clearance - kept
    if share <= 0.0:
        return 0.0, 0.0, 0.0
    k = ve * car.displacement * omega / (4.0 * math.pi * R_AIR * T)
    return k * p * share, k * (share + n * kept), -k * p * n * kept / p_exhaust


@kernel
def _exhaust_base(p_pipe: float, car: CarRecord) -> tuple[float, float]:
    # exhaust pressure without flow, and its slope over pipe pressure
    base = car.p_ambient + car.exhaust_rise
    if car.charging > 0.5 and car.charging < 1.5 and p_pipe > car.p_ambient:
        share = car.turbine_pressure_share
        return base + share * (p_pipe - car.p_ambient), share
    return base, 0.0


@kernel
def _outflow(p_exhaust: float, p_pipe: float, car: CarRecord) -> tuple[float, float, float]:
    # car.flows.back_pressure turned round: flow over exhaust pressure, slopes over pipe and exhaust
    base, base_1 = _exhaust_base(p_pipe, car)
    resistance = max(car.exhaust_resistance, _LEAST_RESISTANCE)
    factor = math.sqrt(car.p_ambient / (resistance * T_EXHAUST_VOLUME))
    root, steep = _root(p_exhaust - base)
    return factor * root, -factor * steep * base_1, factor * steep


@kernel
def turbo_power(
    p_pipe: float,
    flow_in: float,
    flow_out: float,
    wastegate: float,
    heat: float,
    omega: float,
    car: CarRecord,
) -> float:
    """Power that speeds the turbo's shaft up: turbine less compressor.

    P_t = m_t cp T (PI_r^((g-1)/g) - 1) / eta * heat, PI_r = 1 + factor m_t^exponent

    Parameters
    ----------
    p_pipe : float [Pa]
        Pressure behind the compressor.
    flow_in : float [kg/s]
        Flow through the compressor.
    flow_out : float [kg/s]
        Flow out of the exhaust manifold.
    wastegate : float [-]
        Position, 0 shut, 1 open.
    heat : float [-]
        Exhaust temperature over that of the same flow at the usual ignition.
    omega : float [rad/s]
        Engine speed.
    car : record [-]
        Packed car.

    Returns
    -------
    float [W]
        Power, negative while the shaft slows down.

    Notes
    -----
    The turbine gives what the compressor would need at the pressure ratio that the car's measured
    boost says the flow through the turbine can reach (``car.flows.pipe_state``); so the shaft
    comes to rest exactly on the steady law, with no turbine map needed. An open wastegate leads
    flow past it. Well beyond all measured boost the law bends over towards twice its knee, as a
    compressor chokes and loses efficiency there; how far a turbo runs away is not known better.
    """
    k = (car.gamma - 1.0) / car.gamma
    through = max(flow_out, 0.0) / (1.0 + car.wastegate_ratio * wastegate)
    factor = over_speed(car.spool_factor, omega, car.omega_step)
    rise: float = factor * through**car.spool_exponent
    if rise > car.reach_knee:
        over = rise - car.reach_knee
        rise = car.reach_knee + over / (1.0 + over / car.reach_knee)
    reach: float = (1.0 + rise) ** k - 1.0
    head = max(compressor_head(p_pipe, flow_in, car), 0.0)
    work = CP_AIR * car.T_ambient / car.compressor_efficiency
    return work * (through * reach * heat - max(flow_in, 0.0) * head)


@kernel
def wastegate_target(p_pipe: float, omega: float, u: np.ndarray, car: CarRecord) -> float:
    """Position that the wastegate moves to: pressure at its diaphragm against its spring.

    Parameters
    ----------
    p_pipe : float [Pa]
        Pressure before the plate.
    omega : float [rad/s]
        Engine speed.
    u : ndarray [SI]
        Inputs of the car, among them the share of the pressure signal that is bled off.
    car : record [-]
        Packed car.

    Returns
    -------
    float [-]
        0 shut, 1 open.

    Notes
    -----
    Without a controller the actuator holds the measured boost of the build within its band.
    """
    if car.controllable > 0.5:
        gauge = (p_pipe - car.p_ambient) * (1.0 - u[U_BLEED])
        crack = car.spring_pressure - car.p_ambient
    else:
        gauge = p_pipe - car.p_ambient
        crack = over_speed(car.boost, omega, car.omega_step) - car.p_ambient
        crack = max(crack, car.spring_pressure - car.p_ambient) - 0.5 * car.wastegate_band
    return min(max((gauge - crack) / car.wastegate_band, 0.0), 1.0)


@kernel
def relief_target(p_pipe: float, p_manifold: float, car: CarRecord) -> float:
    """Position that the relief valve moves to: the pressure across the plate pushes it open.

    Parameters
    ----------
    p_pipe : float [Pa]
        Pressure before the plate; the valve passes nothing at ambient.
    p_manifold : float [Pa]
        Manifold pressure.
    car : record [-]
        Packed car.

    Returns
    -------
    float [-]
        0 shut, 1 open.
    """
    if car.relief_area <= 0.0 or p_pipe <= car.p_ambient:
        return 0.0
    across = p_pipe - p_manifold
    return min(max((across - _RELIEF_CRACK) / (_RELIEF_FULL - _RELIEF_CRACK), 0.0), 1.0)


Flows: TypeAlias = tuple[
    float, float, float, float, float, float, float, float, float,
    float, float, float, float, float, float, float, float, float,
]  # fmt: skip


@kernel
def all_flows(
    p1: float,
    p2: float,
    p3: float,
    area: float,
    relief: float,
    leak: float,
    T1: float,
    T2: float,
    turbo_speed: float,
    omega: float,
    ve: float,
    car: CarRecord,
) -> Flows:
    """All flows of the air path, each with those slopes over pressures that are not always 0.

    Parameters
    ----------
    p1 : float [Pa]
        Pressure in the charge pipe.
    p2 : float [Pa]
        Pressure in the manifold.
    p3 : float [Pa]
        Pressure in the exhaust manifold.
    area : float [m2]
        Effective area of all plates.
    relief : float [-]
        Position of the relief valve.
    leak : float [m2]
        Effective area of a leak behind the plate.
    T1 : float [K]
        Temperature in the pipe.
    T2 : float [K]
        Temperature in the manifold.
    turbo_speed : float [rad/s]
        Shaft speed.
    omega : float [rad/s]
        Engine speed.
    ve : float [-]
        Speed part of VE.
    car : record [-]
        Packed car.

    Returns
    -------
    tuple of float [kg/s, kg/(s Pa)]
        Supply with slopes over p1 and p2; relief, over p1; plate, over p1, p2, p3; leak, over p2;
        cylinders, over p1, p2, p3; outflow, over p1 and p3.

    Notes
    -----
    Plate, leak and relief valve share the plate's law over pressure ratio, made straight above a
    ratio of 0.995. With individual plates the flow follows from the table of filling, and a leak
    counts as plate.
    """
    T_port = T2
    if car.adiabatic > 0.5:
        T_port = T2 + car.charge_temperature_rise
    v = 0.0
    v_2 = 0.0
    if car.individual > 0.5:
        share, _ = runner_filling(omega, (area + leak) / car.cylinders, car)
        # shares count from wide open, and so does the back pressure that belongs to them
        base, base_1 = _exhaust_base(p1, car)
        open_share = max(share, _LEAST_SHARE)
        up = 1.0 / (open_share * open_share) if p3 > base else 1.0
        behind = base + (p3 - base) * up
        full, full_1, full_3 = _cylinders(p1, T_port, behind, omega, ve, car)
        p = share * full
        p_1 = share * (full_1 + full_3 * base_1 * (1.0 - up))
        p_2 = 0.0
        p_3 = share * full_3 * up
        e = p
        e_1 = p_1
        e_2 = 0.0
        e_3 = p_3
    else:
        p, p_1, p_2 = _nozzle(p1, p2, T1, T2, area, car)
        p_3 = 0.0
        if leak > 0.0:
            v, _, v_2 = _nozzle(car.p_ambient, p2, car.T_ambient, T2, leak, car)
        e, e_2, e_3 = _cylinders(p2, T_port, p3, omega, ve, car)
        e_1 = 0.0
    r = 0.0
    r_1 = 0.0
    if relief > 0.0:
        r, r_1, _ = _nozzle(p1, car.p_ambient, T1, car.T_ambient, relief * car.relief_area, car)
    c, c_1, c_2 = _supply(p1, p2, p, p_1, p_2, turbo_speed, omega, T1, car)
    x, x_1, x_3 = _outflow(p3, p1, car)
    return c, c_1, c_2, r, r_1, p, p_1, p_2, p_3, v, v_2, e, e_1, e_2, e_3, x, x_1, x_3
