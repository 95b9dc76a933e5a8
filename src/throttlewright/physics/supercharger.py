"""Superchargers driven by the engine: positive displacement and gear-driven centrifugal."""

from __future__ import annotations

import math

from throttlewright.foundation.compiled import kernel
from throttlewright.physics.gas import R_AIR

__all__ = [
    "centrifugal_pressure_ratio",
    "positive_displacement_efficiency",
    "positive_displacement_flow",
    "positive_displacement_pressure_ratio",
    "supercharger_power",
]


@kernel
def positive_displacement_efficiency(p_ratio: float, ve_free: float, leakage: float) -> float:
    """Return a positive-displacement supercharger's volumetric efficiency under pressure.

    eta = ve_free - leakage (PI - 1), not below 0

    Parameters
    ----------
    p_ratio : float [-]
        Outlet over inlet pressure, > 0.
    ve_free : float [-]
        Volumetric efficiency at a pressure ratio of 1, 0 < ve_free <= 1.
    leakage : float [-]
        Loss of volumetric efficiency per unit of pressure ratio, >= 0.

    Returns
    -------
    float
        Volumetric efficiency [-].

    Notes
    -----
    Common form (from memory): leakage past the rotors grows with the pressure difference. At low
    rotor speed the real loss is larger, because the leak flow hardly depends on speed.
    """
    return max(0.0, ve_free - leakage * (p_ratio - 1.0))


@kernel
def positive_displacement_flow(
    displacement_per_rev: float,
    drive_ratio: float,
    omega: float,
    p_in: float,
    T_in: float,
    volumetric_efficiency: float,
) -> float:
    """Return the air flow of a positive-displacement supercharger.

    m = eta p_in / (R T_in) V i w / (2 pi)

    Parameters
    ----------
    displacement_per_rev : float [m^3]
        Volume displaced per turn of the rotors, > 0.
    drive_ratio : float [-]
        Rotor speed over engine speed, > 0.
    omega : float [rad/s]
        Engine speed, >= 0.
    p_in : float [Pa]
        Pressure at the supercharger's inlet, > 0.
    T_in : float [K]
        Temperature at the supercharger's inlet, > 0.
    volumetric_efficiency : float [-]
        Volumetric efficiency, 0 to 1.

    Returns
    -------
    float
        Flow [kg/s].

    Notes
    -----
    Definition of the volumetric efficiency, dry air (R = 287.053 J/(kg K)).
    """
    turns = drive_ratio * omega / (2.0 * math.pi)
    return volumetric_efficiency * p_in / (R_AIR * T_in) * displacement_per_rev * turns


@kernel
def positive_displacement_pressure_ratio(
    flow: float,
    displacement_per_rev: float,
    drive_ratio: float,
    omega: float,
    p_in: float,
    T_in: float,
    ve_free: float,
    leakage: float,
) -> float:
    """Return the pressure ratio at which a positive-displacement supercharger passes a flow.

    PI = 1 + (ve_free - m / (rho V i w / 2 pi)) / leakage

    Parameters
    ----------
    flow : float [kg/s]
        Flow that the engine takes, >= 0.
    displacement_per_rev : float [m^3]
        Volume displaced per turn of the rotors, > 0.
    drive_ratio : float [-]
        Rotor speed over engine speed, > 0.
    omega : float [rad/s]
        Engine speed, > 0.
    p_in : float [Pa]
        Pressure at the supercharger's inlet, > 0.
    T_in : float [K]
        Temperature at the supercharger's inlet, > 0.
    ve_free : float [-]
        Volumetric efficiency at a pressure ratio of 1, 0 < ve_free <= 1.
    leakage : float [-]
        Loss of volumetric efficiency per unit of pressure ratio, > 0.

    Returns
    -------
    float
        Pressure ratio [-]; below 1 the engine asks for more than the supercharger displaces.

    Notes
    -----
    Inverse of the common leakage form (from memory). Steep: one percent of flow is
    ve_free / (100 leakage) of pressure ratio, so a small leakage makes a sensitive answer.
    """
    ideal = positive_displacement_flow(displacement_per_rev, drive_ratio, omega, p_in, T_in, 1.0)
    return 1.0 + (ve_free - flow / ideal) / leakage


@kernel
def supercharger_power(
    flow: float,
    T_in: float,
    p_ratio: float,
    efficiency: float,
    drive_efficiency: float,
    gamma: float,
    cp: float,
) -> float:
    """Return the power that the engine gives to turn a supercharger.

    P = m cp T_in (PI^((g-1)/g) - 1) / (eta eta_drive)

    Parameters
    ----------
    flow : float [kg/s]
        Air flow, >= 0.
    T_in : float [K]
        Inlet temperature, > 0.
    p_ratio : float [-]
        Outlet over inlet pressure, >= 1.
    efficiency : float [-]
        Isentropic efficiency, 0 < efficiency <= 1.
    drive_efficiency : float [-]
        Efficiency of belt or gears, 0 < drive_efficiency <= 1.
    gamma : float [-]
        Ratio of specific heats, > 1.
    cp : float [J/(kg K)]
        Specific heat at constant pressure, > 0.

    Returns
    -------
    float
        Power at the crankshaft [W].

    Notes
    -----
    First law; Heywood, ch. 6 (from memory).
    """
    rise: float = p_ratio ** ((gamma - 1.0) / gamma) - 1.0
    return flow * cp * T_in * rise / (efficiency * drive_efficiency)


@kernel
def centrifugal_pressure_ratio(
    omega: float, omega_ref: float, p_ratio_ref: float, gamma: float
) -> float:
    """Return the pressure ratio of a gear-driven centrifugal supercharger at an engine speed.

    PI = (1 + (PI_ref^((g-1)/g) - 1) (w / w_ref)^2)^(g/(g-1))

    Parameters
    ----------
    omega : float [rad/s]
        Engine speed, >= 0.
    omega_ref : float [rad/s]
        Engine speed at which p_ratio_ref is known, > 0.
    p_ratio_ref : float [-]
        Pressure ratio at omega_ref, >= 1.
    gamma : float [-]
        Ratio of specific heats, > 1.

    Returns
    -------
    float
        Pressure ratio [-], >= 1.

    Notes
    -----
    Similarity law: the head scales with tip speed squared at a constant flow coefficient and inlet
    temperature (common form, from memory). Good near the reference, rough far below it.
    """
    exponent = (gamma - 1.0) / gamma
    share = omega / omega_ref
    rise: float = (p_ratio_ref**exponent - 1.0) * share * share
    p_ratio: float = (1.0 + rise) ** (1.0 / exponent)
    return p_ratio
