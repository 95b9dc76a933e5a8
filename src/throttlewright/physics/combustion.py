"""From air to torque: efficiencies, indicated torque, pumping, exhaust temperature, fuels."""

from __future__ import annotations

import math
from dataclasses import dataclass

from throttlewright.foundation.compiled import kernel
from throttlewright.foundation.errors import InputError

__all__ = [
    "CP_EXHAUST",
    "ETHANOL",
    "EXHAUST_BASE",
    "EXHAUST_SLOPE",
    "IGNITION_CURVATURE",
    "PETROL",
    "RETARD_LIMIT",
    "Fuel",
    "exhaust_temperature",
    "friction_torque_from_fmep",
    "fuel_blend",
    "ignition_efficiency",
    "ignition_efficiency_cubic",
    "indicated_torque",
    "mixture_efficiency",
    "otto_efficiency",
    "pumping_torque",
]

IGNITION_CURVATURE = 4.8e-4 * (180.0 / math.pi) ** 2
"""Default curvature [1/rad^2]: 4.8e-4 per square degree (Hendricks and Sorenson, SAE 900616,
from memory); published engines lie between 2e-4 and 10e-4 per square degree."""

RETARD_LIMIT = math.radians(25.0)
"""Retard [rad] up to which the ignition efficiencies are valid."""

EXHAUST_BASE = 1146.8
"""Gas temperature at the cylinder outlet at no flow [K], 2.0 L turbo parameter set."""

EXHAUST_SLOPE = 843.4
"""Its rise per air flow [K s/kg], 2.0 L turbo parameter set."""

CP_EXHAUST = 1256.7
"""Specific heat of exhaust gas [J/(kg K)], turbine part of the same family of parameter sets."""

_CUBIC_SQUARE = 3.217
_CUBIC_CUBE = 4.722
_CUBIC_TURN = 2.0 * _CUBIC_SQUARE / (3.0 * _CUBIC_CUBE)
_LEAN_GAIN = 0.3
_LEAN_END = 1.1


@kernel
def otto_efficiency(compression_ratio: float, gamma: float) -> float:
    r"""Return the efficiency of the ideal constant-volume cycle.

    .. math:: \eta = 1 - r_c^{1 - \gamma}

    Parameters
    ----------
    compression_ratio : float [-]
        Compression ratio, above 1.
    gamma : float [-]
        Ratio of specific heats of the charge, 1.2 to 1.4.

    Returns
    -------
    float [-]
        Efficiency; a real engine reaches about 0.65 to 0.75 of it before pumping and friction.

    Notes
    -----
    Heywood, Internal Combustion Engine Fundamentals, chapter 5 (from memory).
    """
    rest: float = compression_ratio ** (1.0 - gamma)
    return 1.0 - rest


@kernel
def ignition_efficiency(retard: float, curvature: float) -> float:
    r"""Return the share of the best torque that is left at an ignition retard.

    .. math:: e = \max(0, 1 - k r^2)

    Parameters
    ----------
    retard : float [rad]
        Crank angle later than ignition for best torque, 0 to 0.436 (25 deg).
    curvature : float [1/rad^2]
        k, 0.65 to 3.3; ``IGNITION_CURVATURE`` when nothing is known.

    Returns
    -------
    float [-]
        Share of the indicated torque, 0 to 1.

    Notes
    -----
    Hendricks and Sorenson, SAE 900616 (from memory). Not valid beyond 25 deg, where combustion
    runs on past the opening of the exhaust valve: with the default curvature it reads 0 at
    45.6 deg, where real engines still turn. Use measured data there.
    """
    return max(0.0, 1.0 - curvature * retard * retard)


@kernel
def ignition_efficiency_cubic(retard: float) -> float:
    r"""Return the share of the best torque left at an ignition retard, 2.0 L turbo set.

    .. math:: e = 1 - 3.217 r^2 + 4.722 r^3

    Parameters
    ----------
    retard : float [rad]
        Crank angle later than ignition for best torque, 0 to 0.436 (25 deg).

    Returns
    -------
    float [-]
        Share of the indicated torque; held at both ends of the range 0 to 26 deg, beyond which
        the cubic would rise again.

    Notes
    -----
    Coefficients of the 2.0 L turbo parameter set; the sign of the cubic part is inferred.
    """
    r = min(max(retard, 0.0), _CUBIC_TURN)
    return 1.0 - _CUBIC_SQUARE * r * r + _CUBIC_CUBE * r * r * r


@kernel
def mixture_efficiency(lam: float) -> float:
    r"""Return the factor of the mixture on the work per mass of fuel.

    .. math:: e = \lambda \ (\lambda < 1), \quad 1 + 0.3 (\min(\lambda, 1.1) - 1) \
              (\lambda \ge 1)

    Parameters
    ----------
    lam : float [-]
        Lambda, 0.6 to 1.3.

    Returns
    -------
    float [-]
        Factor; 1 at lambda 1.

    Notes
    -----
    Rich: only the share of the fuel that finds air gives work, so that torque per air is flat.
    Real engines give 2 to 4 % more near lambda 0.9, left out here (from memory). Lean: gain of
    the fuel-air cycle, 3 % at lambda 1.1 (from memory, within 2 points), then flat; slow burning
    and misfire beyond are not in it.
    """
    if lam < 1.0:
        return lam
    return 1.0 + _LEAN_GAIN * (min(lam, _LEAN_END) - 1.0)


@kernel
def indicated_torque(
    air_flow: float, omega: float, lhv: float, afr_stoich: float, lam: float, efficiency: float
) -> float:
    r"""Return the gross indicated torque of the fuel that goes with an air flow.

    .. math:: T = \frac{\dot m_a}{\lambda \, (A/F)_s} \frac{q \, \eta}{\omega}

    Parameters
    ----------
    air_flow : float [kg/s]
        Air flow, mean over a cycle, 0 or more.
    omega : float [rad/s]
        Engine speed, above 0.
    lhv : float [J/kg]
        Lower heating value of the fuel, above 0.
    afr_stoich : float [-]
        Stoichiometric air to fuel mass ratio, above 0.
    lam : float [-]
        Lambda, 0.6 to 1.3.
    efficiency : float [-]
        Product of gross, ignition and mixture efficiency, 0 to 0.5.

    Returns
    -------
    float [N m]
        Torque before pumping and friction.

    Notes
    -----
    Guzzella and Onder, section 2.5; energy balance of one cycle.
    """
    return air_flow / (afr_stoich * lam) * lhv * efficiency / omega


@kernel
def pumping_torque(p_exhaust: float, p_manifold: float, displacement: float) -> float:
    r"""Return the torque that the gas exchange costs a four-stroke engine.

    .. math:: T = (p_e - p_m) V_d / (4 \pi)

    Parameters
    ----------
    p_exhaust : float [Pa]
        Pressure in the exhaust manifold, 0 or more.
    p_manifold : float [Pa]
        Pressure in the intake manifold, 0 or more.
    displacement : float [m^3]
        Swept volume of all cylinders, above 0.

    Returns
    -------
    float [N m]
        Torque lost; below 0 (a gain) when the manifold stands above the exhaust.

    Notes
    -----
    Mean-value form: Eriksson and Nielsen; Heywood chapter 13 (from memory).
    """
    return (p_exhaust - p_manifold) * displacement / (4.0 * math.pi)


@kernel
def friction_torque_from_fmep(fmep: float, displacement: float) -> float:
    r"""Return the torque of a friction mean effective pressure in a four-stroke engine.

    .. math:: T = p_f V_d / (4 \pi)

    Parameters
    ----------
    fmep : float [Pa]
        Friction mean effective pressure, 0 or more.
    displacement : float [m^3]
        Swept volume of all cylinders, above 0.

    Returns
    -------
    float [N m]
        Torque lost.

    Notes
    -----
    Definition of mean effective pressure (Heywood, chapter 2, from memory).
    """
    return fmep * displacement / (4.0 * math.pi)


@kernel
def exhaust_temperature(
    air_flow_share: float,
    efficiency_loss: float,
    lhv: float,
    afr: float,
    lam: float,
    cp_exhaust: float,
    share_to_exhaust: float,
    base_idle: float,
    base_full: float,
) -> float:
    r"""Return the gas temperature at the cylinder outlet, with the heat of late ignition.

    .. math:: T = T_0 + (T_1 - T_0) \, s
              + \chi \frac{\Delta\eta \, q}{(1 + \lambda (A/F)_s) \, c_p}

    Parameters
    ----------
    air_flow_share : float [-]
        Air flow over rated air flow, 0 to 1.
    efficiency_loss : float [-]
        Indicated efficiency lost to retard: efficiency at best ignition less efficiency now,
        0 to 0.12.
    lhv : float [J/kg]
        Lower heating value of the fuel, above 0.
    afr : float [-]
        Stoichiometric air to fuel mass ratio, above 0.
    lam : float [-]
        Lambda, 0.6 to 1.3.
    cp_exhaust : float [J/(kg K)]
        Specific heat of the exhaust gas, near 1257.
    share_to_exhaust : float [-]
        Share of the lost work that leaves as exhaust heat, 0.6 to 0.8.
    base_idle : float [K]
        Temperature at no flow and best ignition; 1146.8 in the 2.0 L turbo set.
    base_full : float [K]
        Temperature at rated flow and best ignition; 1146.8 + 843.4 times the rated flow in kg/s
        in the 2.0 L turbo set.

    Returns
    -------
    float [K]
        Gas temperature, within about 100 K.

    Notes
    -----
    Base level from the 2.0 L turbo parameter set (``EXHAUST_BASE``, ``EXHAUST_SLOPE``), which
    says nothing of idle on other engines; share to the exhaust from memory. Up to 25 deg retard
    and without fuel burning in the manifold; the cooling by a rich mixture is only its mass.
    """
    base = base_idle + (base_full - base_idle) * air_flow_share
    heat = share_to_exhaust * efficiency_loss * lhv
    return base + heat / ((1.0 + afr * lam) * cp_exhaust)


@dataclass(frozen=True)
class Fuel:
    """A liquid fuel: what burning it takes and gives.

    Parameters
    ----------
    name : str [-]
        Name in the trade, such as "E10".
    lhv : float [J/kg]
        Lower heating value, above 0.
    afr_stoich : float [-]
        Stoichiometric air to fuel mass ratio, above 0.
    density : float [kg/m^3]
        Density near 15 degC, above 0.
    source : str [-]
        Where the numbers come from.
    """

    name: str
    lhv: float
    afr_stoich: float
    density: float
    source: str


PETROL = Fuel(
    name="E0",
    lhv=44.0e6,
    afr_stoich=14.6,
    density=745.0,
    source="Heywood, table D.4, from memory; density common practice, no source",
)
"""Petrol without ethanol."""

ETHANOL = Fuel(
    name="E100",
    lhv=26.9e6,
    afr_stoich=9.0,
    density=790.0,
    source="Heywood, table D.4, from memory",
)
"""Pure ethanol."""


def fuel_blend(ethanol_content: float) -> Fuel:
    """Return petrol with a share of ethanol by volume, as fuels are named.

    Parameters
    ----------
    ethanol_content : float [-]
        Ethanol by volume, 0 to 1; 0.85 for E85.

    Returns
    -------
    Fuel
        Heating value and air demand add by mass, density by volume.

    Raises
    ------
    InputError
        If the share is outside 0 to 1.

    Notes
    -----
    Pump fuel named E85 holds 0.5 to 0.85 over the year (common practice, no source): measure it.
    """
    if not 0.0 <= ethanol_content <= 1.0:
        raise InputError(
            "the ethanol content cannot be used",
            value=ethanol_content,
            allowed="0 to 1 by volume",
            advice="write 0.85 for E85",
        )
    density = PETROL.density + ethanol_content * (ETHANOL.density - PETROL.density)
    mass = ethanol_content * ETHANOL.density / density
    return Fuel(
        name=f"E{100.0 * ethanol_content:g}",
        lhv=PETROL.lhv + mass * (ETHANOL.lhv - PETROL.lhv),
        afr_stoich=PETROL.afr_stoich + mass * (ETHANOL.afr_stoich - PETROL.afr_stoich),
        density=density,
        source="mixed from petrol and ethanol, " + PETROL.source,
    )
