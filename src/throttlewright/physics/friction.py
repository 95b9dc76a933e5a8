"""Friction of the engine as mean effective pressure, hot and cold."""

from __future__ import annotations

import math

from throttlewright.foundation.compiled import kernel

__all__ = [
    "CHEN_FLYNN_A",
    "CHEN_FLYNN_B",
    "CHEN_FLYNN_C",
    "CHEN_FLYNN_D",
    "COLD_EXPONENT",
    "FMEP_C0",
    "FMEP_C1",
    "FMEP_C2",
    "FMEP_SPREAD",
    "OIL_5W30_COOL",
    "OIL_5W30_HOT",
    "WARM_ENGINE",
    "cold_friction_factor",
    "fmep_chen_flynn",
    "fmep_heywood_motored",
    "fmep_polynomial",
    "friction_over_warm",
    "oil_viscosity",
]

FMEP_C0 = 65_000.0
"""Constant part of the default friction polynomial [Pa]; assumption, see ``fmep_polynomial``."""

FMEP_C1 = 3_050.0
"""Linear part of the default friction polynomial [Pa s/m]; assumption."""

FMEP_C2 = 380.0
"""Square part of the default friction polynomial [Pa s^2/m^2]; assumption."""

FMEP_SPREAD = 0.25
"""How far any friction correlation may be off, as a share; a coast-down test beats them all."""

CHEN_FLYNN_A = 13_700.0
"""Chen and Flynn's constant part [Pa] (SAE 650733, from memory)."""

CHEN_FLYNN_B = 0.005
"""Chen and Flynn's share of the peak pressure [-] (SAE 650733, from memory)."""

CHEN_FLYNN_C = 16_200.0
"""Chen and Flynn's linear part [Pa s/m] (SAE 650733, from memory)."""

CHEN_FLYNN_D = 0.0
"""Square part [Pa s^2/m^2], absent in the original."""

COLD_EXPONENT = 0.24
"""Exponent of the viscosity ratio in ``cold_friction_factor`` [-]; from memory, doubtful."""


@kernel
def fmep_heywood_motored(speed_rpm: float) -> float:
    r"""Return the total motored friction of a small four-cylinder engine, pumping included.

    .. math:: p = 0.97 + 0.15 \frac{N}{1000} + 0.05 \left(\frac{N}{1000}\right)^2 \ [bar]

    Parameters
    ----------
    speed_rpm : float [rpm]
        Engine speed, 1000 to 6000.

    Returns
    -------
    float [Pa]
        Motored mean effective pressure at wide-open plate, hot.

    Notes
    -----
    Heywood, Internal Combustion Engine Fundamentals, equation 13.6 (from memory): engines of
    0.85 to 2.0 L. Do not add pumping to it; within 25 %.
    """
    n = speed_rpm / 1000.0
    return 1.0e5 * (0.97 + 0.15 * n + 0.05 * n * n)


@kernel
def fmep_chen_flynn(
    p_max: float, mean_piston_speed: float, a: float, b: float, c: float, d: float
) -> float:
    r"""Return friction from peak cylinder pressure and mean piston speed.

    .. math:: p_f = a + b \, p_{max} + c \, S_p + d \, S_p^2

    Parameters
    ----------
    p_max : float [Pa]
        Peak cylinder pressure, 0 or more.
    mean_piston_speed : float [m/s]
        Mean piston speed, 0 to 25.
    a : float [Pa]
        Constant part, 0 or more.
    b : float [-]
        Share of the peak pressure, 0 or more.
    c : float [Pa s/m]
        Linear part, 0 or more.
    d : float [Pa s^2/m^2]
        Square part, 0 or more.

    Returns
    -------
    float [Pa]
        Friction mean effective pressure, hot.

    Notes
    -----
    Chen and Flynn, SAE 650733 (from memory); the original constants are from diesel engines, so
    fit them again before use on a petrol engine.
    """
    return a + b * p_max + c * mean_piston_speed + d * mean_piston_speed * mean_piston_speed


@kernel
def fmep_polynomial(mean_piston_speed: float, c0: float, c1: float, c2: float) -> float:
    r"""Return rubbing and auxiliary friction, pumping excluded.

    .. math:: p_f = c_0 + c_1 S_p + c_2 S_p^2

    Parameters
    ----------
    mean_piston_speed : float [m/s]
        Mean piston speed, 0 to 25.
    c0 : float [Pa]
        Constant part, 0 or more.
    c1 : float [Pa s/m]
        Linear part, 0 or more.
    c2 : float [Pa s^2/m^2]
        Square part, 0 or more.

    Returns
    -------
    float [Pa]
        Friction mean effective pressure, hot.

    Notes
    -----
    The default constants give 0.95 bar at 2000 rpm and 2.3 bar at 6000 rpm with a stroke of
    86 mm: an assumption shaped like Heywood's equation 13.6 less its pumping (from memory,
    within 25 %).
    """
    return c0 + c1 * mean_piston_speed + c2 * mean_piston_speed * mean_piston_speed


@kernel
def oil_viscosity(T_oil: float, nu40: float, nu100: float) -> float:
    r"""Return the kinematic viscosity of oil between and beyond its two rated temperatures.

    .. math:: \log_{10} \log_{10} (\nu + 0.7) = A - B \log_{10} T \quad [\nu\ in\ mm^2/s]

    Parameters
    ----------
    T_oil : float [K]
        Oil temperature, 250 to 420.
    nu40 : float [m^2/s]
        Kinematic viscosity at 40 degC, above ``nu100``.
    nu100 : float [m^2/s]
        Kinematic viscosity at 100 degC, above 2e-6.

    Returns
    -------
    float [m^2/s]
        Kinematic viscosity.

    Notes
    -----
    ASTM D341 (Walther's equation, from memory); below the pour point oil is thicker than this.
    """
    high = math.log10(math.log10(1.0e6 * nu40 + 0.7))
    low = math.log10(math.log10(1.0e6 * nu100 + 0.7))
    b = (high - low) / (math.log10(373.15) - math.log10(313.15))
    z = high - b * (math.log10(T_oil) - math.log10(313.15))
    shifted: float = 10.0 ** (10.0**z)
    return 1.0e-6 * (shifted - 0.7)


@kernel
def cold_friction_factor(
    T_oil: float, T_hot: float, nu40: float, nu100: float, exponent: float
) -> float:
    r"""Return friction with cold oil over friction with hot oil.

    .. math:: f = (\nu(T) / \nu(T_{hot}))^{n}

    Parameters
    ----------
    T_oil : float [K]
        Oil temperature, 250 to 420.
    T_hot : float [K]
        Oil temperature at which the factor is 1, near 363.
    nu40 : float [m^2/s]
        Kinematic viscosity at 40 degC, above ``nu100``.
    nu100 : float [m^2/s]
        Kinematic viscosity at 100 degC, above 2e-6.
    exponent : float [-]
        Exponent n, 0.2 to 0.5.

    Returns
    -------
    float [-]
        Factor on the hot friction.

    Notes
    -----
    From memory, doubtful (the exponent above all); from -20 to 100 degC and not for the first
    ten seconds after a cold start, when friction is higher.
    """
    cold = oil_viscosity(T_oil, nu40, nu100)
    factor: float = (cold / oil_viscosity(T_hot, nu40, nu100)) ** exponent
    return factor


OIL_5W30_COOL = 63e-6
"""Kinematic viscosity of a 5W-30 at 40 degC [m^2/s]; from memory."""
OIL_5W30_HOT = 10.5e-6
"""The same at 100 degC [m^2/s]; from memory."""
WARM_ENGINE = 363.15
"""Coolant and oil temperature of a warm engine [K]."""


@kernel
def friction_over_warm(T_coolant: float) -> float:
    """Friction of an engine on 5W-30 oil over its friction when warm.

    Parameters
    ----------
    T_coolant : float [K]
        Coolant temperature, taken for that of the oil; counts from 253.15 K to ``WARM_ENGINE``.

    Returns
    -------
    float [-]
        Factor on the warm friction, 1 from ``WARM_ENGINE`` upward.

    Notes
    -----
    ``cold_friction_factor`` with one common oil; from memory, doubtful.
    """
    held = min(max(T_coolant, 253.15), WARM_ENGINE)
    return cold_friction_factor(held, WARM_ENGINE, OIL_5W30_COOL, OIL_5W30_HOT, COLD_EXPONENT)
