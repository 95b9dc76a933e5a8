"""Turbine of a turbocharger: flow, efficiency, power."""

from __future__ import annotations

import math

from throttlewright.foundation.compiled import kernel

__all__ = ["blade_speed_ratio", "turbine_efficiency", "turbine_flow", "turbine_power"]


@kernel
def turbine_flow(p_in: float, p_out: float, T_in: float, k1: float, k2: float) -> float:
    """Return the exhaust flow through the turbine.

    m = p_in k1 sqrt(1 - (p_out / p_in)^k2) / sqrt(T_in)

    Parameters
    ----------
    p_in : float [Pa]
        Pressure before the turbine, > 0.
    p_out : float [Pa]
        Pressure after the turbine, > 0.
    T_in : float [K]
        Temperature before the turbine, > 0.
    k1 : float [kg sqrt(K)/(s Pa)]
        Flow capacity, > 0; a value based on kPa is multiplied by 1e-3 first.
    k2 : float [-]
        Exponent of the pressure ratio, > 0.

    Returns
    -------
    float
        Flow [kg/s], 0 when p_out >= p_in: the model knows no reverse flow.

    Notes
    -----
    Eriksson and Nielsen, Modeling and Control of Engines and Drivelines; single entry, mean flow.
    """
    if p_out >= p_in:
        return 0.0
    drop: float = 1.0 - (p_out / p_in) ** k2
    return p_in * k1 * math.sqrt(drop) / math.sqrt(T_in)


@kernel
def blade_speed_ratio(
    tip_speed: float, T_in: float, p_ratio: float, gamma: float, cp: float
) -> float:
    """Return the turbine's tip speed over the speed of an ideal expansion.

    BSR = U / sqrt(2 cp T_in (1 - PI^((g-1)/g)))

    Parameters
    ----------
    tip_speed : float [m/s]
        Speed of the turbine's blade tip, >= 0.
    T_in : float [K]
        Temperature before the turbine, > 0.
    p_ratio : float [-]
        Pressure after over pressure before the turbine, 0 < p_ratio < 1.
    gamma : float [-]
        Ratio of specific heats of the exhaust, > 1.
    cp : float [J/(kg K)]
        Specific heat of the exhaust, > 0.

    Returns
    -------
    float
        Blade speed ratio [-], 0 when there is no expansion.

    Notes
    -----
    Eriksson and Nielsen, Modeling and Control of Engines and Drivelines (from memory).
    """
    if p_ratio >= 1.0:
        return 0.0
    drop: float = 1.0 - p_ratio ** ((gamma - 1.0) / gamma)
    return tip_speed / math.sqrt(2.0 * cp * T_in * drop)


@kernel
def turbine_efficiency(blade_speed_ratio: float, eta_max: float, bsr_best: float) -> float:
    """Return the turbine's efficiency from its blade speed ratio.

    eta = eta_max (1 - ((BSR - BSR_best) / BSR_best)^2), not below 0

    Parameters
    ----------
    blade_speed_ratio : float [-]
        Blade speed ratio, >= 0.
    eta_max : float [-]
        Greatest efficiency, 0 < eta_max <= 1.
    bsr_best : float [-]
        Blade speed ratio of the greatest efficiency, > 0.

    Returns
    -------
    float
        Efficiency [-], 0 to eta_max.

    Notes
    -----
    Common parabola; Eriksson and Nielsen (from memory). Published pairs of eta_max and bsr_best
    differ widely (0.75 at 0.7; 0.637 at 0.413).
    """
    off = (blade_speed_ratio - bsr_best) / bsr_best
    return max(0.0, eta_max * (1.0 - off * off))


@kernel
def turbine_power(
    flow: float, T_in: float, p_ratio: float, efficiency: float, gamma: float, cp: float
) -> float:
    """Return the power that the turbine gives to the shaft.

    P = m cp T_in eta (1 - PI^((g-1)/g))

    Parameters
    ----------
    flow : float [kg/s]
        Exhaust flow through the turbine, >= 0.
    T_in : float [K]
        Temperature before the turbine, > 0.
    p_ratio : float [-]
        Pressure after over pressure before the turbine, > 0; at or above 1 the power is 0.
    efficiency : float [-]
        Isentropic efficiency, 0 <= efficiency <= 1.
    gamma : float [-]
        Ratio of specific heats of the exhaust, > 1.
    cp : float [J/(kg K)]
        Specific heat of the exhaust, > 0.

    Returns
    -------
    float
        Power [W].

    Notes
    -----
    First law over an adiabatic turbine; Heywood, ch. 6 (from memory).
    """
    if p_ratio >= 1.0:
        return 0.0
    drop: float = 1.0 - p_ratio ** ((gamma - 1.0) / gamma)
    return flow * cp * T_in * efficiency * drop
