"""Torque of the engine from the air it takes: what combustion gives, and what is lost."""

from __future__ import annotations

import numpy as np

from throttlewright.car.flows import over_speed
from throttlewright.car.record import LATE_POINTS, LATE_STEP, CarRecord
from throttlewright.foundation.compiled import kernel
from throttlewright.physics.combustion import (
    CP_EXHAUST,
    EXHAUST_BASE,
    EXHAUST_SLOPE,
    IGNITION_CURVATURE,
    RETARD_LIMIT,
    exhaust_temperature,
    ignition_efficiency,
    indicated_torque,
    mixture_efficiency,
    pumping_torque,
)
from throttlewright.physics.gas import CP_AIR
from throttlewright.physics.turbo import compressor_power

__all__ = ["LATEST_IGNITION", "combustion", "lost_torque", "point_torque"]

_LEAST_BOOST = 10e3
_SHARE_TO_EXHAUST = 0.7
"""Share of the work lost by late ignition that leaves as exhaust heat; from memory, 0.6 to 0.8."""

_SET_DISPLACEMENT = 1.953e-3
"""Of the engine whose exhaust temperature over flow is known [m3]: load for its size makes it hot,
not flow as such."""

LATEST_IGNITION = (LATE_POINTS - 1) * LATE_STEP
"""Retard beyond which nothing is known of combustion [rad]; held there, and to be measured."""


@kernel
def _late(column: np.ndarray, retard: float) -> float:
    q = min(retard / LATE_STEP, LATE_POINTS - 1.0)
    i = min(int(q), LATE_POINTS - 2)
    f = q - i
    return float(column[i] * (1.0 - f) + column[i + 1] * f)


@kernel
def combustion(
    flow: float,
    p_manifold: float,
    omega: float,
    retard_asked: float,
    car: CarRecord,
) -> tuple[float, float]:
    """Indicated torque and exhaust temperature of the charge.

    Parameters
    ----------
    flow : float [kg/s]
        Air flow that burns.
    p_manifold : float [Pa]
        Manifold pressure.
    omega : float [rad/s]
        Engine speed, above 0.
    retard_asked : float [rad]
        Ignition behind what knock asks already, from 0.
    car : record [-]
        Packed car.

    Returns
    -------
    tuple of float [N m, K]
        Indicated torque and exhaust-port temperature.

    Notes
    -----
    Mixture goes from ``lambda_part`` to ``lambda_full`` between 80 and 100 % of ambient manifold
    pressure (common practice, no source); knock retard grows from 0 at ambient to ``retard_full``
    at full boost. Beyond 25 deg behind best ignition the closed cycle of ``physics.late_burn``
    takes over, with the bands it names.
    """
    x = (p_manifold / car.p_ambient - 0.80) / 0.20
    x = min(max(x, 0.0), 1.0)
    load = x * x * (3.0 - 2.0 * x)
    lam = car.lambda_part + (car.lambda_full - car.lambda_part) * load
    retard = retard_asked
    full = over_speed(car.boost, omega, car.omega_step)
    if p_manifold > car.p_ambient and full > car.p_ambient:
        # a full boost of a few kPa brings no knock: without the floor the whole retard would come
        # within them and torque would fall as the plate opens
        span = max(full - car.p_ambient, _LEAST_BOOST)
        retard += car.retard_full * min((p_manifold - car.p_ambient) / span, 1.2)
    base = over_speed(car.efficiency, omega, car.omega_step)
    e_ign = ignition_efficiency(min(retard, RETARD_LIMIT), IGNITION_CURVATURE)
    lost = base * (1.0 - e_ign)
    hotter = 0.0
    if retard > RETARD_LIMIT:
        # the quadratic ends; from here on the share and the heat of the closed cycle
        e_ign *= _late(car.late_torque, retard) / _late(car.late_torque, RETARD_LIMIT)
        hotter = _SHARE_TO_EXHAUST * (
            _late(car.late_heat, retard) - _late(car.late_heat, RETARD_LIMIT)
        )
    efficiency = base * e_ign * mixture_efficiency(lam)
    dry = flow * car.dry_share
    torque = indicated_torque(dry, omega, car.lhv, car.afr_stoich, lam, efficiency)
    share = min(flow / car.rated_flow, 1.5)
    T_exhaust = exhaust_temperature(
        share,
        lost,
        car.lhv,
        car.afr_stoich,
        lam,
        CP_EXHAUST,
        _SHARE_TO_EXHAUST,
        EXHAUST_BASE,
        EXHAUST_BASE + EXHAUST_SLOPE * car.rated_flow * _SET_DISPLACEMENT / car.displacement,
    )
    return torque, T_exhaust + hotter


@kernel
def lost_torque(
    flow: float,
    p_manifold: float,
    p_exhaust: float,
    pipe: float,
    omega: float,
    cold: float,
    car: CarRecord,
) -> float:
    """Torque lost between piston and clutch: pumping, friction, and a driven compressor.

    T = (p_exhaust - p_manifold) V_d / (4 pi) + cold T_friction + T_compressor

    Parameters
    ----------
    flow : float [kg/s]
        Air flow.
    p_manifold : float [Pa]
        Manifold pressure.
    p_exhaust : float [Pa]
        Exhaust pressure.
    pipe : float [Pa]
        Pressure before the plate; a belt- or gear-driven compressor takes its work off the crank.
    omega : float [rad/s]
        Engine speed, above 0.
    cold : float [-]
        Friction over hot friction, 1 when warm.
    car : record [-]
        Packed car.

    Returns
    -------
    float [N m]
        Lost torque; negative where boost pushes the pistons down.
    """
    lost = pumping_torque(p_exhaust, p_manifold, car.displacement) + cold * over_speed(
        car.friction, omega, car.omega_step
    )
    if car.charging > 1.5 and pipe > car.p_ambient:
        power = compressor_power(
            flow,
            car.T_ambient,
            pipe / car.p_ambient,
            car.compressor_efficiency,
            car.gamma,
            CP_AIR,
        )
        lost += power / omega
    return lost


@kernel
def point_torque(
    flow: float,
    p_manifold: float,
    p_exhaust: float,
    pipe: float,
    omega: float,
    cold: float,
    car: CarRecord,
) -> tuple[float, float]:
    """Brake torque and exhaust temperature from the air the engine takes.

    Parameters
    ----------
    flow : float [kg/s]
        Air flow.
    p_manifold : float [Pa]
        Manifold pressure.
    p_exhaust : float [Pa]
        Exhaust pressure.
    pipe : float [Pa]
        Pressure before the plate.
    omega : float [rad/s]
        Engine speed, above 0.
    cold : float [-]
        Friction over hot friction, 1 when warm.
    car : record [-]
        Packed car.

    Returns
    -------
    tuple of float [N m, K]
        Brake torque and exhaust-port temperature.
    """
    torque, T_exhaust = combustion(flow, p_manifold, omega, 0.0, car)
    return torque - lost_torque(flow, p_manifold, p_exhaust, pipe, omega, cold, car), T_exhaust
