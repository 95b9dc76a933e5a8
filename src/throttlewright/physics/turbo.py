"""Turbocharger: compressor, turbine, shaft, charge pipe and intercooler.

All pressures absolute, all flows kg/s, all speeds rad/s. Corrected quantities carry their reference
pressure and temperature as arguments, because map makers differ.
"""

from __future__ import annotations

import math

from throttlewright.foundation.compiled import kernel
from throttlewright.physics.turbine import (
    blade_speed_ratio,
    turbine_efficiency,
    turbine_flow,
    turbine_power,
)

__all__ = [
    "blade_speed_ratio",
    "compressor_head",
    "compressor_outlet_temperature",
    "compressor_power",
    "corrected_flow",
    "corrected_speed",
    "efficiency_paraboloid",
    "ellipse_flow",
    "ellipse_max_pressure_ratio",
    "intercooler_temperature",
    "pipe_pressure_rate",
    "shaft_acceleration",
    "turbine_efficiency",
    "turbine_flow",
    "turbine_power",
]


@kernel
def compressor_head(
    p_ratio: float, T_in: float, tip_speed: float, gamma: float, cp: float
) -> float:
    """Return the head coefficient, isentropic enthalpy rise over half the tip speed squared.

    Psi = cp T_in (PI^((g-1)/g) - 1) / (U^2 / 2)

    Parameters
    ----------
    p_ratio : float [-]
        Outlet over inlet stagnation pressure, > 0.
    T_in : float [K]
        Inlet stagnation temperature, > 0.
    tip_speed : float [m/s]
        Speed of the blade tip, > 0.
    gamma : float [-]
        Ratio of specific heats, > 1.
    cp : float [J/(kg K)]
        Specific heat at constant pressure, > 0.

    Returns
    -------
    float
        Head coefficient [-].

    Notes
    -----
    Heywood, Internal Combustion Engine Fundamentals, ch. 6; Eriksson and Nielsen, Modeling and
    Control of Engines and Drivelines (from memory).
    """
    rise: float = p_ratio ** ((gamma - 1.0) / gamma) - 1.0
    return cp * T_in * rise / (0.5 * tip_speed * tip_speed)


@kernel
def compressor_outlet_temperature(
    T_in: float, p_ratio: float, efficiency: float, gamma: float
) -> float:
    """Return the temperature of the air that leaves the compressor.

    T_out = T_in (1 + (PI^((g-1)/g) - 1) / eta)

    Parameters
    ----------
    T_in : float [K]
        Inlet stagnation temperature, > 0.
    p_ratio : float [-]
        Outlet over inlet stagnation pressure, >= 1.
    efficiency : float [-]
        Isentropic efficiency, 0 < efficiency <= 1.
    gamma : float [-]
        Ratio of specific heats, > 1.

    Returns
    -------
    float
        Outlet stagnation temperature [K].

    Notes
    -----
    Definition of the isentropic efficiency; Heywood, ch. 6 (from memory).
    """
    rise: float = p_ratio ** ((gamma - 1.0) / gamma) - 1.0
    return T_in * (1.0 + rise / efficiency)


@kernel
def compressor_power(
    flow: float, T_in: float, p_ratio: float, efficiency: float, gamma: float, cp: float
) -> float:
    """Return the power that the compressor takes from its shaft.

    P = m cp (T_out - T_in)

    Parameters
    ----------
    flow : float [kg/s]
        Air flow, >= 0.
    T_in : float [K]
        Inlet stagnation temperature, > 0.
    p_ratio : float [-]
        Outlet over inlet stagnation pressure, >= 1.
    efficiency : float [-]
        Isentropic efficiency, 0 < efficiency <= 1.
    gamma : float [-]
        Ratio of specific heats, > 1.
    cp : float [J/(kg K)]
        Specific heat at constant pressure, > 0.

    Returns
    -------
    float
        Power [W].

    Notes
    -----
    First law over an adiabatic compressor; Heywood, ch. 6 (from memory).
    """
    return flow * cp * (compressor_outlet_temperature(T_in, p_ratio, efficiency, gamma) - T_in)


@kernel
def ellipse_max_pressure_ratio(
    shaft_speed: float, diameter: float, k1: float, T_in: float, gamma: float, cp: float
) -> float:
    """Return the pressure ratio at which the ellipse model's flow becomes zero.

    PI_max = (1 + U^2 / (2 cp T_in sqrt(k1)))^(g/(g-1)), U = w D / 2

    Parameters
    ----------
    shaft_speed : float [rad/s]
        Shaft speed, >= 0.
    diameter : float [m]
        Outer diameter of the compressor wheel, > 0.
    k1 : float [-]
        Head coefficient of the ellipse, > 0.
    T_in : float [K]
        Inlet stagnation temperature, > 0.
    gamma : float [-]
        Ratio of specific heats, > 1.
    cp : float [J/(kg K)]
        Specific heat at constant pressure, > 0.

    Returns
    -------
    float
        Pressure ratio at zero flow [-], 1 at standstill.

    Notes
    -----
    Follows from the ellipse of Eriksson, Oil and Gas Science and Technology 62(4), 2007,
    10.2516/ogst:2007042. A real compressor surges before it reaches this ratio.
    """
    tip_speed = 0.5 * shaft_speed * diameter
    head_rise = 0.5 * tip_speed * tip_speed / (cp * T_in * math.sqrt(k1))
    p_ratio: float = (1.0 + head_rise) ** (gamma / (gamma - 1.0))
    return p_ratio


@kernel
def ellipse_flow(
    p_ratio: float,
    shaft_speed: float,
    diameter: float,
    k1: float,
    k2: float,
    p_in: float,
    T_in: float,
    gamma: float,
    R: float,
    cp: float,
) -> float:
    """Return the compressor's flow at a shaft speed and pressure ratio, by the ellipse model.

    k1 Psi^2 + k2 Phi^2 = 1, m = p_in / (R T_in) U (pi D^2 / 2) Phi

    Parameters
    ----------
    p_ratio : float [-]
        Outlet over inlet stagnation pressure, > 0; below 1 the flow is that at 1 (choked side).
    shaft_speed : float [rad/s]
        Shaft speed, >= 0.
    diameter : float [m]
        Outer diameter of the compressor wheel, > 0.
    k1 : float [-]
        Head coefficient of the ellipse, > 0.
    k2 : float [-]
        Flow coefficient of the ellipse, > 0.
    p_in : float [Pa]
        Inlet stagnation pressure, > 0.
    T_in : float [K]
        Inlet stagnation temperature, > 0.
    gamma : float [-]
        Ratio of specific heats, > 1.
    R : float [J/(kg K)]
        Gas constant, > 0.
    cp : float [J/(kg K)]
        Specific heat at constant pressure, > 0.

    Returns
    -------
    float
        Flow [kg/s], 0 at and above the zero-flow pressure ratio and at standstill.

    Notes
    -----
    Two-parameter form of Eriksson, Oil and Gas Science and Technology 62(4), 2007,
    10.2516/ogst:2007042. Good inside a map; outside it extrapolates smoothly and is a guess.
    """
    if shaft_speed <= 0.0:
        return 0.0
    tip_speed = 0.5 * shaft_speed * diameter
    head = max(0.0, compressor_head(p_ratio, T_in, tip_speed, gamma, cp))
    inside = (1.0 - k1 * head * head) / k2
    if inside <= 0.0:
        return 0.0
    area = 0.5 * math.pi * diameter * diameter
    return p_in / (R * T_in) * tip_speed * area * math.sqrt(inside)


@kernel
def efficiency_paraboloid(
    corrected_flow: float,
    p_ratio: float,
    eta_max: float,
    flow_best: float,
    axis_best: float,
    q11: float,
    q12: float,
    q22: float,
    floor: float,
) -> float:
    """Return the compressor's efficiency from a paraboloid over flow and transformed ratio.

    eta = eta_max - (q11 x1^2 + 2 q12 x1 x2 + q22 x2^2),
    x1 = m_corr - flow_best, x2 = 1 + sqrt(PI - 1) - axis_best

    Parameters
    ----------
    corrected_flow : float [kg/s]
        Corrected flow, >= 0.
    p_ratio : float [-]
        Outlet over inlet stagnation pressure; below 1 it is taken as 1.
    eta_max : float [-]
        Efficiency at the best point, 0 < eta_max <= 1.
    flow_best : float [kg/s]
        Corrected flow of the best point, > 0.
    axis_best : float [-]
        Best point on the axis 1 + sqrt(PI - 1): not a pressure ratio.
    q11 : float [s^2/kg^2]
        Curvature along flow, > 0.
    q12 : float [s/kg]
        Coupling of the two axes, q12^2 < q11 q22.
    q22 : float [-]
        Curvature along the transformed ratio, > 0.
    floor : float [-]
        Least efficiency returned, > 0.

    Returns
    -------
    float
        Isentropic efficiency [-], floor to eta_max.

    Notes
    -----
    Eriksson and Nielsen, Modeling and Control of Engines and Drivelines (from memory).
    """
    x1 = corrected_flow - flow_best
    x2 = 1.0 + math.sqrt(max(0.0, p_ratio - 1.0)) - axis_best
    eta = eta_max - (q11 * x1 * x1 + 2.0 * q12 * x1 * x2 + q22 * x2 * x2)
    return max(floor, eta)


@kernel
def corrected_flow(flow: float, p_in: float, T_in: float, p_ref: float, T_ref: float) -> float:
    """Return the flow that a compressor map states for an actual flow and inlet state.

    m_corr = m sqrt(T_in / T_ref) / (p_in / p_ref)

    Parameters
    ----------
    flow : float [kg/s]
        Actual flow, >= 0.
    p_in : float [Pa]
        Inlet stagnation pressure, > 0.
    T_in : float [K]
        Inlet stagnation temperature, > 0.
    p_ref : float [Pa]
        Reference pressure of the map, > 0.
    T_ref : float [K]
        Reference temperature of the map, > 0.

    Returns
    -------
    float
        Corrected flow [kg/s].

    Notes
    -----
    Heywood, ch. 6 (from memory). Map makers use different references: carry them as data.
    """
    return flow * math.sqrt(T_in / T_ref) / (p_in / p_ref)


@kernel
def corrected_speed(shaft_speed: float, T_in: float, T_ref: float) -> float:
    """Return the shaft speed that a compressor map states for an actual speed.

    w_corr = w / sqrt(T_in / T_ref)

    Parameters
    ----------
    shaft_speed : float [rad/s]
        Actual shaft speed, >= 0.
    T_in : float [K]
        Inlet stagnation temperature, > 0.
    T_ref : float [K]
        Reference temperature of the map, > 0.

    Returns
    -------
    float
        Corrected shaft speed [rad/s].

    Notes
    -----
    Heywood, ch. 6 (from memory).
    """
    return shaft_speed / math.sqrt(T_in / T_ref)


@kernel
def shaft_acceleration(
    turbine_power: float,
    compressor_power: float,
    shaft_speed: float,
    inertia: float,
    friction: float,
) -> float:
    """Return the acceleration of the turbocharger's shaft.

    J dw/dt = (P_t - P_c) / w - c_f w

    Parameters
    ----------
    turbine_power : float [W]
        Power given by the turbine, >= 0.
    compressor_power : float [W]
        Power taken by the compressor, >= 0.
    shaft_speed : float [rad/s]
        Shaft speed, > 0: the torque of a given power has no value at standstill.
    inertia : float [kg m^2]
        Inertia of the rotor, > 0.
    friction : float [N m s]
        Viscous friction of the bearings, >= 0.

    Returns
    -------
    float
        Acceleration [rad/s^2].

    Notes
    -----
    Newton's law. Published inertias of small turbochargers spread from 0.87e-5 to 12.5e-5 kg m^2:
    the inertia must come from the user.
    """
    torque = (turbine_power - compressor_power) / shaft_speed - friction * shaft_speed
    return torque / inertia


@kernel
def pipe_pressure_rate(flow: float, T: float, volume: float, R: float) -> float:
    """Return how fast the pressure of a closed volume rises with a net inflow.

    dp/dt = R T m / V

    Parameters
    ----------
    flow : float [kg/s]
        Inflow minus outflow, any sign.
    T : float [K]
        Temperature in the volume, > 0.
    volume : float [m^3]
        Volume, > 0.
    R : float [J/(kg K)]
        Gas constant, > 0.

    Returns
    -------
    float
        Rate of pressure [Pa/s].

    Notes
    -----
    Ideal gas, isothermal.
    """
    return R * T * flow / volume


@kernel
def intercooler_temperature(T_in: float, T_coolant: float, effectiveness: float) -> float:
    """Return the temperature of the charge after the intercooler.

    T_out = T_in - eps (T_in - T_coolant)

    Parameters
    ----------
    T_in : float [K]
        Temperature of the charge before the intercooler, > 0.
    T_coolant : float [K]
        Temperature of the cooling air or water, > 0.
    effectiveness : float [-]
        Share of the greatest possible cooling, 0 to 1.

    Returns
    -------
    float
        Temperature after the intercooler [K].

    Notes
    -----
    Definition of heat exchanger effectiveness with the charge as the smaller capacity flow.
    """
    return T_in - effectiveness * (T_in - T_coolant)
