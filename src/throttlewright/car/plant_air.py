"""Air of the car in motion: a linearly implicit step of pressures, turbo shaft and valves."""

from __future__ import annotations

import math

import numpy as np

from throttlewright.car.flows import over_speed
from throttlewright.car.plant_flows import (
    T_EXHAUST_VOLUME,
    all_flows,
    plate_area_at,
    relief_target,
    turbo_power,
    wastegate_target,
)
from throttlewright.car.record import CarRecord
from throttlewright.car.runners import runner_filling
from throttlewright.car.state import (
    FLOW_COMPRESSOR,
    FLOW_CYLINDERS,
    FLOW_EXHAUST,
    FLOW_LEAK,
    FLOW_PLATE,
    FLOW_RELIEF,
    P_EXHAUST,
    P_MANIFOLD,
    P_PIPE,
    RELIEF,
    T_MANIFOLD,
    T_PIPE,
    TURBINE_HEAT,
    TURBO_POWER,
    TURBO_SPEED,
    U_LEAK,
    U_PAIR,
    U_WASTEGATE_STUCK,
    WASTEGATE,
)
from throttlewright.foundation.compiled import kernel
from throttlewright.physics.gas import R_AIR

__all__ = ["air_rates", "air_step"]

_GAMMA_STEP = 1.0 - 1.0 / math.sqrt(2.0)
"""Of the two-stage Rosenbrock method; this one makes it L-stable with the smaller error."""
_GAMMA_STIFF = 1.0 + 1.0 / math.sqrt(2.0)
"""The other one that does: its first stage damps where that of the smaller one overshoots."""
_STIFF = 0.5
"""Step over time constant of the manifold from which the second one is taken."""
_EXHAUST_GAS = 290.0
"""Gas constant of exhaust [J/(kg K)]."""
_LEAST_PRESSURE = 500.0


@kernel
def _seated(position: float) -> float:
    # an exponential never ends, but a valve does sit on its seat; the last digits of a float are
    # slow to compute with besides
    return position if position > 1e-6 else 0.0


@kernel
def air_step(
    x: np.ndarray,
    u: np.ndarray,
    opening_before: float,
    opening_after: float,
    omega: float,
    car: CarRecord,
    h: float,
) -> None:
    """Advance pressures, turbo shaft and valves by one linearly implicit step.

    Parameters
    ----------
    x : ndarray [SI]
        State of the car, changed in place.
    u : ndarray [SI]
        Inputs of the car, held.
    opening_before : float [rad]
        Plate above the closed stop at the start of the step.
    opening_after : float [rad]
        The same at its end.
    omega : float [rad/s]
        Mean engine speed over the step.
    car : record [-]
        Packed car.
    h : float [s]
        Step; 1 ms is usual.

    Returns
    -------
    None [-]
        The state is changed in place.

    Notes
    -----
    A 100 mm plate near a pressure ratio of 1 has time constants far below 0.1 ms, so the step must
    be stiffly stable. Taken is the two-stage Rosenbrock method

    (I - gamma h J) k1 = f(t, p),  (I - gamma h J) k2 = f(t + h, p + h k1) - 2 k1,
    p' = p + h (3 k1 + k2) / 2

    with gamma = 1 - 1/sqrt(2), or 1 + 1/sqrt(2) where the manifold follows the pipe within a step
    or two: both are L-stable, and of second order whatever J is, so the moving plate and the
    drifting temperatures need no derivative. One Jacobian and two rounds of flows make a step;
    doubling a first-order step with extrapolation needs three. Put together, ``p' - p`` is h times
    the mean of the flows at both stages plus ``gamma h grad(flow) (k1 + k2) / 2``: that same sum is
    reported as the mean flow of the step, so that the mass of each volume balances to rounding.
    The shaft stands half a step ahead while the pressures move, and its energy then changes by the
    power of the mean flows. The valves approach the mean of their targets exactly in time.
    """
    p1 = x[P_PIPE]
    p2 = x[P_MANIFOLD]
    p3 = x[P_EXHAUST]
    T1 = x[T_PIPE]
    T2 = x[T_MANIFOLD]
    ve = over_speed(car.ve_speed, omega, car.omega_step)
    leak = u[U_LEAK]
    area_0 = plate_area_at(opening_before, car)
    area_1 = plate_area_at(opening_after, car)
    if u[U_PAIR] > 0.0:
        shut = u[U_PAIR] * plate_area_at(0.0, car)
        area_0 = (1.0 - u[U_PAIR]) * area_0 + shut
        area_1 = (1.0 - u[U_PAIR]) * area_1 + shut
    turbo = car.charging > 0.5 and car.charging < 1.5
    shaft_before = x[TURBO_SPEED]
    wastegate_before = x[WASTEGATE]
    shaft = shaft_before
    if turbo:
        # half a step ahead with the power of the last one
        energy = shaft_before * shaft_before + h * x[TURBO_POWER] / car.turbo_inertia
        shaft = math.sqrt(max(energy, 1.0))
    relief_0 = x[RELIEF]
    relief_1 = relief_0
    approach = 0.0
    if car.relief_area > 0.0:
        approach = 1.0 - math.exp(-h / car.relief_lag)
        relief_1 += (relief_target(p1, p2, car) - relief_0) * approach

    # flows and slopes at the start; the same with _e at the end, as the first stage foresees it
    c, c_1, c_2, r, r_1, p, p_1, p_2, p_3, v, v_2, e, e_1, e_2, e_3, o, o_1, o_3 = all_flows(
        p1, p2, p3, area_0, relief_0, leak, T1, T2, shaft, omega, ve, car
    )
    w1 = R_AIR * T1 / car.pipe_volume
    w3 = _EXHAUST_GAS * T_EXHAUST_VOLUME / car.exhaust_volume
    wp = R_AIR * T2 / car.manifold_volume
    wl = wp
    we = wp
    if car.adiabatic > 0.5:
        we = car.gamma * wp
        wp = we * T1 / T2
        wl = we * car.T_ambient / T2
    if car.individual > 0.5:
        wp = 0.0
        wl = 0.0
        we = 0.0
    g = _GAMMA_STEP * h
    if -h * wp * p_2 > _STIFF:
        # near equal pressures the smaller constant overshoots, and the square root of the plate's
        # law can hold it at a balance that is none
        g = _GAMMA_STIFF * h
    # I - gamma h J, factored once for both stages
    a11 = 1.0 - g * w1 * (c_1 - r_1 - p_1)
    a12 = -g * w1 * (c_2 - p_2)
    a13 = g * w1 * p_3
    a21 = -g * (wp * p_1 - we * e_1)
    a22 = 1.0 - g * (wp * p_2 + wl * v_2 - we * e_2)
    a23 = -g * (wp * p_3 - we * e_3)
    a31 = -g * w3 * (e_1 - o_1)
    a32 = -g * w3 * e_2
    a33 = 1.0 - g * w3 * (e_3 - o_3)
    m21 = a21 / a11
    m31 = a31 / a11
    b22 = a22 - m21 * a12
    b23 = a23 - m21 * a13
    b32 = a32 - m31 * a12
    m32 = b32 / b22
    b33 = a33 - m31 * a13 - m32 * b23

    f1 = w1 * (c - r - p)
    f2 = wp * p + wl * v - we * e - m21 * f1
    f3 = w3 * (e - o) - m31 * f1 - m32 * f2
    k3 = f3 / b33
    k2 = (f2 - b23 * k3) / b22
    k1 = (f1 - a12 * k2 - a13 * k3) / a11

    q1 = max(p1 + h * k1, _LEAST_PRESSURE)
    q2 = max(p2 + h * k2, _LEAST_PRESSURE)
    q3 = max(p3 + h * k3, _LEAST_PRESSURE)
    T2_after = T2
    mass = p2 * car.manifold_volume / (R_AIR * T2)
    if car.adiabatic > 0.5:
        T2_after = q2 * car.manifold_volume / (R_AIR * max(mass + h * (p + v - e), 1e-6))
    c_e, _, _, r_e, _, p_e, _, _, _, v_e, _, e_e, _, _, _, o_e, _, _ = all_flows(
        q1, q2, q3, area_1, relief_1, leak, T1, T2_after, shaft, omega, ve, car
    )
    if car.adiabatic > 0.5:
        we *= T2_after / T2
    f1 = w1 * (c_e - r_e - p_e) - 2.0 * k1
    f2 = wp * p_e + wl * v_e - we * e_e - 2.0 * k2 - m21 * f1
    f3 = w3 * (e_e - o_e) - 2.0 * k3 - m31 * f1 - m32 * f2
    n3 = f3 / b33
    n2 = (f2 - b23 * n3) / b22
    n1 = (f1 - a12 * n2 - a13 * n3) / a11

    s1 = g * (k1 + n1)
    s2 = g * (k2 + n2)
    s3 = g * (k3 + n3)
    x[FLOW_COMPRESSOR] = 0.5 * (c + c_e + c_1 * s1 + c_2 * s2)
    x[FLOW_RELIEF] = 0.5 * (r + r_e + r_1 * s1)
    x[FLOW_PLATE] = 0.5 * (p + p_e + p_1 * s1 + p_2 * s2 + p_3 * s3)
    x[FLOW_LEAK] = 0.5 * (v + v_e + v_2 * s2)
    x[FLOW_CYLINDERS] = 0.5 * (e + e_e + e_1 * s1 + e_2 * s2 + e_3 * s3)
    x[FLOW_EXHAUST] = 0.5 * (o + o_e + o_1 * s1 + o_3 * s3)
    x[P_PIPE] = max(p1 + h * (1.5 * k1 + 0.5 * n1), _LEAST_PRESSURE)
    x[P_EXHAUST] = max(p3 + h * (1.5 * k3 + 0.5 * n3), _LEAST_PRESSURE)
    if car.individual > 0.5:
        _, level = runner_filling(omega, (area_1 + leak) / car.cylinders, car)
        x[P_MANIFOLD] = level * x[P_PIPE]
    else:
        x[P_MANIFOLD] = max(p2 + h * (1.5 * k2 + 0.5 * n2), _LEAST_PRESSURE)
    if car.adiabatic > 0.5:
        gained = h * (x[FLOW_PLATE] + x[FLOW_LEAK] - x[FLOW_CYLINDERS])
        after = max(mass + gained, 1e-6)
        x[T_MANIFOLD] = x[P_MANIFOLD] * car.manifold_volume / (R_AIR * after)
    if car.relief_area > 0.0:
        target = relief_target(0.5 * (p1 + x[P_PIPE]), 0.5 * (p2 + x[P_MANIFOLD]), car)
        x[RELIEF] = _seated(relief_0 + (target - relief_0) * approach)
    if turbo:
        if u[U_WASTEGATE_STUCK] >= 0.0:
            x[WASTEGATE] = u[U_WASTEGATE_STUCK]
        else:
            target = wastegate_target(0.5 * (p1 + x[P_PIPE]), omega, u, car)
            gap = target - x[WASTEGATE]
            x[WASTEGATE] = _seated(x[WASTEGATE] + gap * (1.0 - math.exp(-h / car.wastegate_lag)))
        # the means of the step: what the flows did, the shaft gets
        power = turbo_power(
            0.5 * (p1 + x[P_PIPE]),
            x[FLOW_COMPRESSOR],
            x[FLOW_EXHAUST],
            0.5 * (wastegate_before + x[WASTEGATE]),
            x[TURBINE_HEAT],
            omega,
            car,
        )
        x[TURBO_POWER] = power
        energy = shaft_before * shaft_before + 2.0 * h * power / car.turbo_inertia
        x[TURBO_SPEED] = math.sqrt(max(energy, 1.0))


@kernel
def air_rates(
    x: np.ndarray, u: np.ndarray, opening: float, omega: float, car: CarRecord, dx: np.ndarray
) -> None:
    """Rates of pressures, turbo shaft and valves, for an integrator of another kind.

    Parameters
    ----------
    x : ndarray [SI]
        State of the car.
    u : ndarray [SI]
        Inputs of the car.
    opening : float [rad]
        Plate above the closed stop.
    omega : float [rad/s]
        Engine speed.
    car : record [-]
        Packed car.
    dx : ndarray [SI]
        Receives the rates.

    Returns
    -------
    None [-]
        Rates are in ``dx``.
    """
    ve = over_speed(car.ve_speed, omega, car.omega_step)
    area = plate_area_at(opening, car)
    if u[U_PAIR] > 0.0:
        area = (1.0 - u[U_PAIR]) * area + u[U_PAIR] * plate_area_at(0.0, car)
    p1 = max(x[P_PIPE], _LEAST_PRESSURE)
    p2 = max(x[P_MANIFOLD], _LEAST_PRESSURE)
    p3 = max(x[P_EXHAUST], _LEAST_PRESSURE)
    T1 = x[T_PIPE]
    T2 = x[T_MANIFOLD]
    shaft = max(x[TURBO_SPEED], 1.0)
    c, _, _, r, _, p, _, _, _, v, _, e, _, _, _, o, _, _ = all_flows(
        p1, p2, p3, area, x[RELIEF], u[U_LEAK], T1, T2, shaft, omega, ve, car
    )
    dx[P_PIPE] = R_AIR * T1 / car.pipe_volume * (c - r - p)
    dx[P_EXHAUST] = _EXHAUST_GAS * T_EXHAUST_VOLUME / car.exhaust_volume * (e - o)
    dx[P_MANIFOLD] = 0.0
    if car.individual < 0.5:
        w = R_AIR / car.manifold_volume
        if car.adiabatic > 0.5:
            heat = p * T1 + v * car.T_ambient
            dx[P_MANIFOLD] = car.gamma * w * (heat - e * T2)
            gained = car.gamma * heat - (p + v) * T2 - e * (car.gamma - 1.0) * T2
            dx[T_MANIFOLD] = T2 / p2 * w * gained
        else:
            dx[P_MANIFOLD] = w * T2 * (p + v - e)
    if car.relief_area > 0.0:
        dx[RELIEF] = (relief_target(p1, p2, car) - x[RELIEF]) / car.relief_lag
    if car.charging > 0.5 and car.charging < 1.5:
        if u[U_WASTEGATE_STUCK] < 0.0:
            gap = wastegate_target(p1, omega, u, car) - x[WASTEGATE]
            dx[WASTEGATE] = gap / car.wastegate_lag
        power = turbo_power(p1, c, o, x[WASTEGATE], x[TURBINE_HEAT], omega, car)
        dx[TURBO_SPEED] = power / (car.turbo_inertia * shaft)
