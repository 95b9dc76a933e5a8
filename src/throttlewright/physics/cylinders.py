"""Air into the cylinders: speed density, residual gas, manifold filling, one plate per cylinder."""

from __future__ import annotations

import math

from throttlewright.foundation.compiled import kernel
from throttlewright.physics.gas import R_AIR

__all__ = [
    "CLOSING_AFTER_BOTTOM",
    "CRANK_TO_ROD",
    "cylinder_flow",
    "cylinder_flow_residual",
    "manifold_pressure_for_flow",
    "manifold_time_constant",
    "residual_factor",
    "runner_charge",
]

CRANK_TO_ROD = 0.3
"""Crank radius over rod length [-] of the slider-crank; common practice, no source."""

CLOSING_AFTER_BOTTOM = math.radians(30.0)
"""Crank angle after bottom dead centre at which the intake valve stops passing air [rad].

An assumption between bottom dead centre and the valve's seating near 50 deg, because the last of
the lift passes little. Bottom dead centre would put the share of ``runner_charge`` 5 to 10 %
lower, seating 4 to 7 % higher (0.6 L cylinder, 40 to 150 mm2)."""

_CHORD_START = 0.99
"""Pressure ratio above which the nozzle law is a straight chord (2.0 L turbo parameter set)."""

_MOST_CYCLES = 40
_PERIODIC = 1.0e-7


@kernel
def residual_factor(
    p_exhaust: float, p_manifold: float, compression_ratio: float, k: float
) -> float:
    r"""Return the share of the swept volume that the expanded residual gas leaves free.

    .. math:: f = \frac{V_c + V_d}{V_d} - \frac{V_c}{V_d} (p_e / p_m)^{1/k},
              \quad V_c / V_d = 1 / (r_c - 1)

    Parameters
    ----------
    p_exhaust : float [Pa]
        Pressure in the exhaust manifold, above 0.
    p_manifold : float [Pa]
        Pressure in the intake manifold, above 0.
    compression_ratio : float [-]
        Compression ratio, above 1.
    k : float [-]
        Polytropic exponent of the residual gas, 1.2 to 1.4.

    Returns
    -------
    float [-]
        The factor, never below 0; 1 when both pressures are equal.

    Notes
    -----
    Guzzella and Onder, Introduction to Modeling and Control of Internal Combustion Engine
    Systems, section 2.3. For little valve overlap and ``p_manifold`` above 0.2 ``p_exhaust``.
    """
    clearance = 1.0 / (compression_ratio - 1.0)
    residual: float = clearance * (p_exhaust / p_manifold) ** (1.0 / k)
    return max(0.0, 1.0 + clearance - residual)


@kernel
def cylinder_flow(
    p_manifold: float, T_manifold: float, omega: float, displacement: float, ve: float
) -> float:
    r"""Return the air flow into a four-stroke engine by speed density.

    .. math:: \dot m = \eta_v \frac{p_m V_d \omega}{4 \pi R T_m}

    Parameters
    ----------
    p_manifold : float [Pa]
        Pressure in the intake manifold, 0 or more.
    T_manifold : float [K]
        Temperature in the intake manifold, above 0.
    omega : float [rad/s]
        Engine speed, 0 or more.
    displacement : float [m^3]
        Swept volume of all cylinders, above 0.
    ve : float [-]
        VE referred to the manifold, 0 to 1.3.

    Returns
    -------
    float [kg/s]
        Air flow, mean over a cycle.

    Notes
    -----
    Heywood, Internal Combustion Engine Fundamentals, equation 2.27 (from memory). One common
    manifold; with one plate per cylinder see ``runner_charge``.
    """
    return ve * p_manifold * displacement * omega / (4.0 * math.pi * R_AIR * T_manifold)


@kernel
def cylinder_flow_residual(
    p_manifold: float,
    T_manifold: float,
    omega: float,
    displacement: float,
    ve_speed: float,
    p_exhaust: float,
    compression_ratio: float,
    k: float,
) -> float:
    r"""Return the air flow by speed density with VE reduced by the residual gas.

    .. math:: \eta_v = \lambda_\omega \, f(p_e, p_m)

    Parameters
    ----------
    p_manifold : float [Pa]
        Pressure in the intake manifold, above 0.
    T_manifold : float [K]
        Temperature in the intake manifold, above 0.
    omega : float [rad/s]
        Engine speed, 0 or more.
    displacement : float [m^3]
        Swept volume of all cylinders, above 0.
    ve_speed : float [-]
        Speed part of VE: VE at equal manifold and exhaust pressures, 0 to 1.3.
    p_exhaust : float [Pa]
        Pressure in the exhaust manifold, above 0.
    compression_ratio : float [-]
        Compression ratio, above 1.
    k : float [-]
        Polytropic exponent of the residual gas, 1.2 to 1.4.

    Returns
    -------
    float [kg/s]
        Air flow, mean over a cycle; 0 where residual gas fills the whole stroke.

    Notes
    -----
    Guzzella and Onder, section 2.3; ``residual_factor`` says where it is valid.
    """
    ve = ve_speed * residual_factor(p_exhaust, p_manifold, compression_ratio, k)
    return cylinder_flow(p_manifold, T_manifold, omega, displacement, ve)


@kernel
def manifold_pressure_for_flow(
    flow: float,
    T_manifold: float,
    omega: float,
    displacement: float,
    ve_speed: float,
    p_exhaust: float,
    compression_ratio: float,
    k: float,
) -> float:
    """Return the manifold pressure at which the engine takes an air flow.

    Inverse of ``cylinder_flow_residual``.

    Parameters
    ----------
    flow : float [kg/s]
        Air flow, mean over a cycle, 0 or more.
    T_manifold : float [K]
        Temperature in the intake manifold, above 0.
    omega : float [rad/s]
        Engine speed, above 0.
    displacement : float [m^3]
        Swept volume of all cylinders, above 0.
    ve_speed : float [-]
        Speed part of VE, above 0 to 1.3.
    p_exhaust : float [Pa]
        Pressure in the exhaust manifold, above 0.
    compression_ratio : float [-]
        Compression ratio, above 1.
    k : float [-]
        Polytropic exponent of the residual gas, 1.2 to 1.4.

    Returns
    -------
    float [Pa]
        Manifold pressure; at no flow the highest pressure at which the flow is 0.

    Notes
    -----
    The flow is zero up to ``p_exhaust / compression_ratio**k`` and convex above, so the tangent
    there bounds the answer from above and Newton steps from that bound never leave the bracket.
    """
    least: float = p_exhaust * compression_ratio ** (-k)
    if flow <= 0.0:
        return least
    clearance = 1.0 / (compression_ratio - 1.0)
    per_pascal = cylinder_flow(1.0, T_manifold, omega, displacement, ve_speed)
    p = least + flow * k / (per_pascal * (1.0 + clearance))
    for _ in range(60):
        residual = clearance * (p_exhaust / p) ** (1.0 / k)
        excess = per_pascal * p * (1.0 + clearance - residual) - flow
        slope = per_pascal * (1.0 + clearance - (1.0 - 1.0 / k) * residual)
        step = excess / slope
        p = max(least, p - step)
        if abs(step) <= 1.0e-13 * p:
            break
    return p


@kernel
def manifold_time_constant(
    omega: float, displacement: float, ve: float, manifold_volume: float
) -> float:
    r"""Return the isothermal filling time constant of the manifold behind a choked plate.

    .. math:: \tau = \frac{4 \pi V_m}{\eta_v V_d \omega}

    Parameters
    ----------
    omega : float [rad/s]
        Engine speed, above 0.
    displacement : float [m^3]
        Swept volume of all cylinders, above 0.
    ve : float [-]
        VE referred to the manifold, above 0.
    manifold_volume : float [m^3]
        Volume between plate and intake valves, 0 or more.

    Returns
    -------
    float [s]
        Time constant; the true one is shorter when the plate is not choked.

    Notes
    -----
    Derived from the isothermal mass balance. Divide by gamma for the adiabatic bound.
    """
    return 4.0 * math.pi * manifold_volume / (ve * displacement * omega)


@kernel
def _swept_share(crank: float) -> float:
    # crank [rad] after top dead centre -> share of the stroke travelled
    s = CRANK_TO_ROD * math.sin(crank)
    return 0.5 * (1.0 - math.cos(crank) + (1.0 - math.sqrt(1.0 - s * s)) / CRANK_TO_ROD)


@kernel
def _nozzle(p: float, p_upstream: float, gamma: float) -> tuple[float, float]:
    # flow function times upstream pressure [Pa], positive into the runner, and its slope in p [-]
    forward = p <= p_upstream
    high = p_upstream if forward else p
    ratio = (p if forward else p_upstream) / high
    critical = (2.0 / (gamma + 1.0)) ** (gamma / (gamma - 1.0))
    lead = 2.0 * gamma / (gamma - 1.0)
    if ratio <= critical:
        x = critical ** (1.0 / gamma)
        psi = math.sqrt(lead * x * (x - critical))
        slope = 0.0
    elif ratio < _CHORD_START:
        x = ratio ** (1.0 / gamma)
        psi = math.sqrt(lead * x * (x - ratio))
        slope = 0.5 * lead * (2.0 * x * x / ratio - (gamma + 1.0) * x) / (gamma * psi)
    else:
        x = _CHORD_START ** (1.0 / gamma)
        slope = -math.sqrt(lead * x * (x - _CHORD_START)) / (1.0 - _CHORD_START)
        psi = -slope * (1.0 - ratio)
    if forward:
        return psi * high, slope
    return -psi * high, -(psi - ratio * slope)


@kernel
def runner_charge(
    omega: float,
    effective_area: float,
    cylinder_displacement: float,
    runner_volume: float,
    compression_ratio: float,
    p_upstream: float,
    T_upstream: float,
    p_exhaust: float,
    shape_gamma: float,
    ve_speed: float,
    steps: float,
) -> tuple[float, float]:
    r"""Return the fresh charge and the mean runner pressure of a cylinder with its own plate.

    .. math:: \frac{d(p V)}{dt} = R T \, \dot m(p), \quad
              V = V_r + [V_c + \eta \, V_d \, x(\theta)]_{valve\ open}

    Parameters
    ----------
    omega : float [rad/s]
        Engine speed, above 0.
    effective_area : float [m^2]
        Effective area (Cd times area) of this cylinder's plate and bypass, 0 or more.
    cylinder_displacement : float [m^3]
        Swept volume of one cylinder, above 0.
    runner_volume : float [m^3]
        Volume between this plate and the intake valve, above 0.
    compression_ratio : float [-]
        Compression ratio, above 1.
    p_upstream : float [Pa]
        Pressure before the plate, above 0.
    T_upstream : float [K]
        Temperature before the plate, and of all gas in the model, above 0.
    p_exhaust : float [Pa]
        Pressure of the gas left in the clearance volume at top dead centre, above 0.
    shape_gamma : float [-]
        Exponent of the flow function of the plate, 1.2 to 2.0.
    ve_speed : float [-]
        VE of this cylinder behind an open plate, 0.3 to 1.3.
    steps : float [-]
        Steps per cycle, a whole number from 60; 720 for the accuracy in the notes.

    Returns
    -------
    tuple of float [- and Pa]
        Fresh charge over ``ve_speed * p_upstream * cylinder_displacement / (R T_upstream)``, and
        the runner pressure averaged over the cycle.

    Notes
    -----
    Crank-resolved, isothermal, no waves. The valve is open from top dead centre to
    ``CLOSING_AFTER_BOTTOM``; meanwhile the cylinder stands at runner pressure. Valve loss,
    heating and ram are in ``ve_speed``, which scales the volume swept so that the share is 1
    behind a wide plate with both pressures equal. Residual gas mixes with the runner at top dead
    centre. Half of the steps fall on the open valve. The cycle is repeated until the runner
    pressure returns to itself. 720 steps are within 0.2 % of the exact solution for effective
    areas of 10 mm2 and more per 0.6 L cylinder. Near 1 the share need not rise with the area: a
    small plate holds back air that the late valve returns, up to about 4 % above 1.
    """
    half = max(30, int(steps) // 2)
    clearance = cylinder_displacement / (compression_ratio - 1.0)
    drawn = ve_speed * cylinder_displacement
    open_for = math.pi + CLOSING_AFTER_BOTTOM
    swept = drawn / _swept_share(open_for)
    conductance = effective_area * math.sqrt(R_AIR * T_upstream)
    dt_open = open_for / omega / half
    dt_shut = (4.0 * math.pi - open_for) / omega / half
    p = p_upstream
    p_closing = p
    mean = p
    for _ in range(_MOST_CYCLES):
        p_start = p
        total = 0.0
        content = p * runner_volume + p_exhaust * clearance
        p = content / (runner_volume + clearance)
        for i in range(half):
            volume = runner_volume + clearance + swept * _swept_share(open_for * (i + 1.0) / half)
            guess = content / volume
            push, slope = _nozzle(guess, p_upstream, shape_gamma)
            gain = dt_open * conductance
            content += gain * push / (1.0 - gain * slope / volume)
            p_next = content / volume
            total += 0.5 * (p + p_next) * dt_open
            p = p_next
        p_closing = p
        for _j in range(half):
            push, slope = _nozzle(p, p_upstream, shape_gamma)
            gain = dt_shut * conductance / runner_volume
            p_next = p + gain * push / (1.0 - gain * slope)
            total += 0.5 * (p + p_next) * dt_shut
            p = p_next
        mean = total / (4.0 * math.pi / omega)
        if abs(p - p_start) <= _PERIODIC * p_upstream:
            break
    trapped = p_closing * (clearance + drawn) - p_exhaust * clearance
    return max(0.0, trapped / (drawn * p_upstream)), mean
