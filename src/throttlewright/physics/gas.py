"""Flow of a perfect gas past restrictions: nozzle law, its inverse, and small pressure drops."""

from __future__ import annotations

import math

from throttlewright.foundation.compiled import kernel
from throttlewright.foundation.errors import InputError

__all__ = [
    "CP_AIR",
    "GAMMA_AIR",
    "R_AIR",
    "choked_flow_function",
    "critical_pressure_ratio",
    "flow_function",
    "flow_function_regular",
    "flow_function_slope",
    "nozzle_area",
    "nozzle_flow",
    "nozzle_flow_regular",
    "restriction_drop",
    "restriction_flow",
    "shape_gamma_for_critical_ratio",
]

R_AIR = 287.053
"""Specific gas constant of dry air [J/(kg K)] (ISO 2533, from memory, rounded)."""

GAMMA_AIR = 1.4
"""Ratio of specific heats of cold air [-] (NACA Report 1135, from memory)."""

CP_AIR = 1004.7
"""Specific heat of air at constant pressure at 300 K [J/(kg K)]; 7/2 R_AIR, from memory."""

_CRITICAL_RATIO_LOW = 0.35
_CRITICAL_RATIO_HIGH = 0.6


@kernel
def critical_pressure_ratio(gamma: float) -> float:
    """Return the pressure ratio at and below which the flow is choked.

    ``PR_c = (2 / (gamma + 1)) ** (gamma / (gamma - 1))``

    Parameters
    ----------
    gamma : float [-]
        Ratio of specific heats, above 1.

    Returns
    -------
    float [-]
        Downstream over upstream stagnation pressure at which the throat reaches sound speed.

    Notes
    -----
    NACA Report 1135 (from memory).
    """
    return math.pow(2.0 / (gamma + 1.0), gamma / (gamma - 1.0))


@kernel
def choked_flow_function(gamma: float) -> float:
    """Return the largest value of the flow function.

    ``Psi_max = sqrt(gamma) * (2 / (gamma + 1)) ** ((gamma + 1) / (2 * (gamma - 1)))``

    Parameters
    ----------
    gamma : float [-]
        Ratio of specific heats, above 1.

    Returns
    -------
    float [-]
        ``m_dot * sqrt(R * T) / (A * p)`` in choked flow.

    Notes
    -----
    NACA Report 1135 (from memory).
    """
    exponent = (gamma + 1.0) / (2.0 * (gamma - 1.0))
    return math.sqrt(gamma) * math.pow(2.0 / (gamma + 1.0), exponent)


@kernel
def flow_function(pressure_ratio: float, gamma: float, shape_gamma: float) -> float:
    """Return the flow function of a nozzle whose shape over pressure ratio may be adjusted.

    ``Psi = Psi_max(gamma) * psi(PR; shape_gamma) / Psi_max(shape_gamma)`` with
    ``psi(PR; g) = sqrt(2 g / (g - 1) * (PR ** (2 / g) - PR ** ((g + 1) / g)))`` above PR_c(g).

    With ``shape_gamma == gamma`` this is the exact law. The jet behind a plate recovers pressure,
    so a plate stays un-choked below the ratio of the ideal nozzle: a larger ``shape_gamma`` moves
    the critical ratio down while the choked value stays that of the gas.

    Parameters
    ----------
    pressure_ratio : float [-]
        Downstream over upstream pressure; at 1 and above the result is 0.
    gamma : float [-]
        Ratio of specific heats of the gas, above 1.
    shape_gamma : float [-]
        Ratio of specific heats that sets the shape, above 1.

    Returns
    -------
    float [-]
        ``m_dot * sqrt(R * T) / (A * p)``.

    Notes
    -----
    NACA Report 1135 (from memory). A published parameter file of a 2.0 L turbo engine fits its
    plate with a shape of 2.0, a critical ratio of 0.444.
    """
    if pressure_ratio >= 1.0:
        return 0.0
    choked = choked_flow_function(gamma)
    if pressure_ratio <= critical_pressure_ratio(shape_gamma):
        return choked
    g = shape_gamma
    # PR^(2/g) - PR^((g+1)/g) factored with expm1: the plain difference loses all digits near 1.
    lift = -math.expm1((g - 1.0) / g * math.log(pressure_ratio))
    shape = math.sqrt(2.0 * g / (g - 1.0) * lift) * math.pow(pressure_ratio, 1.0 / g)
    return choked * shape / choked_flow_function(g)


@kernel
def flow_function_slope(pressure_ratio: float, gamma: float, shape_gamma: float) -> float:
    """Return the derivative of the flow function with respect to the pressure ratio.

    ``dPsi/dPR = k**2 * (PR ** (2/g - 1) - (g + 1) / 2 * PR ** (1/g)) * 2 / ((g - 1) * Psi)``
    with ``g = shape_gamma`` and ``k = Psi_max(gamma) / Psi_max(g)``; 0 in choked flow.

    Parameters
    ----------
    pressure_ratio : float [-]
        Downstream over upstream pressure, below 1; at 1 and above the result is minus infinity.
    gamma : float [-]
        Ratio of specific heats of the gas, above 1.
    shape_gamma : float [-]
        Ratio of specific heats that sets the shape, above 1.

    Returns
    -------
    float [-]
        Slope, zero or negative.

    Notes
    -----
    Derived from ``flow_function``.
    """
    if pressure_ratio >= 1.0:
        return -math.inf
    if pressure_ratio <= critical_pressure_ratio(shape_gamma):
        return 0.0
    g = shape_gamma
    scale = choked_flow_function(gamma) / choked_flow_function(g)
    value = flow_function(pressure_ratio, gamma, shape_gamma)
    root = math.pow(pressure_ratio, 1.0 / g)
    inner = root * root / pressure_ratio - 0.5 * (g + 1.0) * root
    return scale * scale * 2.0 / (g - 1.0) * inner / value


@kernel
def flow_function_regular(
    pressure_ratio: float, gamma: float, shape_gamma: float, pr_lin: float
) -> float:
    """Return the flow function with a finite slope at a pressure ratio of 1.

    Above ``pr_lin`` the exact law gives way to ``a * x + b * x**3`` with ``x = 1 - PR``; a and b
    match value and slope of the exact law at ``pr_lin``, so the result has no kink there, and
    being odd in x it has none at ``PR = 1`` between equal temperatures.

    Parameters
    ----------
    pressure_ratio : float [-]
        Downstream over upstream pressure; at 1 and above the result is 0.
    gamma : float [-]
        Ratio of specific heats of the gas, above 1.
    shape_gamma : float [-]
        Ratio of specific heats that sets the shape, above 1.
    pr_lin : float [-]
        Pressure ratio where the polynomial takes over, 0.9 to below 1 (0.97 to 0.99 is usual).

    Returns
    -------
    float [-]
        ``m_dot * sqrt(R * T) / (A * p)``.

    Notes
    -----
    For stepping in time only: at a ratio of 0.999 with ``pr_lin = 0.99`` it lies 61 % under the
    exact law, so it must not be used to turn a wanted flow into an area.
    """
    if pressure_ratio >= 1.0:
        return 0.0
    if pressure_ratio <= pr_lin:
        return flow_function(pressure_ratio, gamma, shape_gamma)
    width = 1.0 - pr_lin
    value = flow_function(pr_lin, gamma, shape_gamma)
    rise = -flow_function_slope(pr_lin, gamma, shape_gamma) * width
    z = (1.0 - pressure_ratio) / width
    return 0.5 * z * (3.0 * value - rise + (rise - value) * z * z)


@kernel
def nozzle_flow(
    p_a: float,
    p_b: float,
    T_a: float,
    T_b: float,
    area: float,
    gamma: float,
    shape_gamma: float,
    R: float,
) -> float:
    """Return the exact signed mass flow from side a to side b through an effective area.

    ``m_dot = area * p_up / sqrt(R * T_up) * Psi(p_down / p_up)``; the side of higher pressure is
    upstream, and the flow is negative when that is side b.

    Parameters
    ----------
    p_a : float [Pa]
        Stagnation pressure on side a, 0 or more.
    p_b : float [Pa]
        Stagnation pressure on side b, 0 or more.
    T_a : float [K]
        Temperature on side a, above 0.
    T_b : float [K]
        Temperature on side b, above 0.
    area : float [m^2]
        Effective area (discharge coefficient times open area), 0 or more.
    gamma : float [-]
        Ratio of specific heats of the gas, above 1.
    shape_gamma : float [-]
        Ratio of specific heats that sets the shape of the flow function, above 1.
    R : float [J/(kg K)]
        Specific gas constant, above 0.

    Returns
    -------
    float [kg/s]
        Mass flow from a to b.

    Notes
    -----
    NACA Report 1135 (from memory); perfect gas, adiabatic, quasi-steady. Its slope is infinite at
    equal pressures: for sizing and inversion, not for stepping.
    """
    if p_a >= p_b:
        if p_a <= 0.0:
            return 0.0
        psi = flow_function(p_b / p_a, gamma, shape_gamma)
        return area * p_a / math.sqrt(R * T_a) * psi
    psi = flow_function(p_a / p_b, gamma, shape_gamma)
    return -area * p_b / math.sqrt(R * T_b) * psi


@kernel
def nozzle_flow_regular(
    p_a: float,
    p_b: float,
    T_a: float,
    T_b: float,
    area: float,
    gamma: float,
    shape_gamma: float,
    R: float,
    pr_lin: float,
) -> float:
    """Return the signed mass flow from side a to side b with a finite slope at equal pressures.

    ``m_dot = area * p_up / sqrt(R * T_up) * Psi_regular(p_down / p_up)``

    Parameters
    ----------
    p_a : float [Pa]
        Stagnation pressure on side a, 0 or more.
    p_b : float [Pa]
        Stagnation pressure on side b, 0 or more.
    T_a : float [K]
        Temperature on side a, above 0.
    T_b : float [K]
        Temperature on side b, above 0.
    area : float [m^2]
        Effective area (discharge coefficient times open area), 0 or more.
    gamma : float [-]
        Ratio of specific heats of the gas, above 1.
    shape_gamma : float [-]
        Ratio of specific heats that sets the shape of the flow function, above 1.
    R : float [J/(kg K)]
        Specific gas constant, above 0.
    pr_lin : float [-]
        Pressure ratio where the polynomial takes over, 0.9 to below 1.

    Returns
    -------
    float [kg/s]
        Mass flow from a to b.

    Notes
    -----
    The slope is continuous at ``pr_lin`` always, and at equal pressures when both temperatures
    are equal; otherwise it jumps there by ``sqrt(T_a / T_b)``, as the density does.
    """
    if p_a >= p_b:
        if p_a <= 0.0:
            return 0.0
        psi = flow_function_regular(p_b / p_a, gamma, shape_gamma, pr_lin)
        return area * p_a / math.sqrt(R * T_a) * psi
    psi = flow_function_regular(p_a / p_b, gamma, shape_gamma, pr_lin)
    return -area * p_b / math.sqrt(R * T_b) * psi


@kernel
def nozzle_area(
    flow: float, p_up: float, p_down: float, T_up: float, gamma: float, shape_gamma: float, R: float
) -> float:
    """Return the effective area that passes a wanted mass flow: the inverse of ``nozzle_flow``.

    ``area = flow * sqrt(R * T_up) / (p_up * Psi(p_down / p_up))``

    Parameters
    ----------
    flow : float [kg/s]
        Wanted mass flow; at 0 and below the result is 0.
    p_up : float [Pa]
        Stagnation pressure upstream, above 0.
    p_down : float [Pa]
        Pressure downstream, 0 or more.
    T_up : float [K]
        Temperature upstream, above 0.
    gamma : float [-]
        Ratio of specific heats of the gas, above 1.
    shape_gamma : float [-]
        Ratio of specific heats that sets the shape of the flow function, above 1.
    R : float [J/(kg K)]
        Specific gas constant, above 0.

    Returns
    -------
    float [m^2]
        Effective area; infinity when a flow is wanted against ``p_down >= p_up``.

    Notes
    -----
    Ill-conditioned above a ratio of about 0.95: there the plate no longer sets the flow.
    """
    if flow <= 0.0:
        return 0.0
    if p_down >= p_up:
        return math.inf
    psi = flow_function(p_down / p_up, gamma, shape_gamma)
    return flow * math.sqrt(R * T_up) / (p_up * psi)


@kernel
def restriction_drop(flow: float, p_up: float, T_up: float, resistance: float) -> float:
    """Return the pressure drop over a filter, cooler or pipe.

    ``dp = resistance * T_up * flow * |flow| / p_up``

    Parameters
    ----------
    flow : float [kg/s]
        Mass flow; a reversed flow gives a negative drop.
    p_up : float [Pa]
        Pressure upstream, above 0.
    T_up : float [K]
        Temperature upstream, above 0.
    resistance : float [Pa^2 s^2/(kg^2 K)]
        Flow resistance, 0 or more.

    Returns
    -------
    float [Pa]
        Pressure drop in the direction of the flow.

    Notes
    -----
    For drops of a few percent of the pressure. Eriksson and Nielsen, Modeling and Control of
    Engines and Drivelines (2014), from memory; used by a published 2.0 L turbo parameter file.
    """
    return resistance * T_up * flow * abs(flow) / p_up


@kernel
def restriction_flow(
    p_up: float, p_down: float, T_up: float, resistance: float, dp_lin: float
) -> float:
    """Return the signed mass flow through a filter, cooler or pipe for a given pressure drop.

    ``flow = sqrt(p_up * dp / (resistance * T_up))``; below ``dp_lin`` a polynomial odd in dp,
    ``(5 z - z**3) / 4`` times the flow at ``dp_lin`` with ``z = dp / dp_lin``, keeps the slope
    finite without a kink at ``dp_lin``.

    Parameters
    ----------
    p_up : float [Pa]
        Pressure on the first side, 0 or more.
    p_down : float [Pa]
        Pressure on the second side, 0 or more; above ``p_up`` the flow is negative.
    T_up : float [K]
        Temperature, above 0; used for both directions.
    resistance : float [Pa^2 s^2/(kg^2 K)]
        Flow resistance, above 0.
    dp_lin : float [Pa]
        Pressure drop below which the polynomial holds, above 0.

    Returns
    -------
    float [kg/s]
        Mass flow from the first side to the second.

    Notes
    -----
    Inverse of ``restriction_drop`` for drops of ``dp_lin`` and above.
    """
    drop = abs(p_up - p_down)
    density_term = max(p_up, p_down) / (resistance * T_up)
    if drop >= dp_lin:
        size = math.sqrt(density_term * drop)
    else:
        z = drop / dp_lin
        size = math.sqrt(density_term * dp_lin) * 0.25 * z * (5.0 - z * z)
    return size if p_up >= p_down else -size


def shape_gamma_for_critical_ratio(critical_ratio: float) -> float:
    """Return the shape of the flow function that chokes at a given pressure ratio.

    Solves ``critical_pressure_ratio(shape_gamma) = critical_ratio``.

    Parameters
    ----------
    critical_ratio : float [-]
        Pressure ratio at which the plate is seen to choke, 0.35 to 0.6.

    Returns
    -------
    float [-]
        Value for ``shape_gamma``.

    Raises
    ------
    InputError
        If the ratio is outside 0.35 to 0.6.

    Notes
    -----
    Two independent published fits put a plate at 0.4125 and 0.444; the ideal nozzle is at 0.528.
    """
    from scipy.optimize import brentq

    if not _CRITICAL_RATIO_LOW <= critical_ratio <= _CRITICAL_RATIO_HIGH:
        raise InputError(
            "critical pressure ratio is out of range",
            value=critical_ratio,
            allowed=f"{_CRITICAL_RATIO_LOW} to {_CRITICAL_RATIO_HIGH}",
            advice="0.528 is the ideal nozzle, 0.41 to 0.45 a plate in its bore",
        )
    # exp(-1/2) = 0.607 is the limit at gamma = 1, so both ends of the range lie inside.
    found = brentq(lambda g: critical_pressure_ratio(g) - critical_ratio, 1.001, 10.0, xtol=1e-13)
    return float(found)
