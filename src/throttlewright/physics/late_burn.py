"""Late ignition: torque and exhaust heat from a one-zone closed cycle, with the bands they have."""

from __future__ import annotations

import math

import numpy as np

from throttlewright.foundation.compiled import kernel

__all__ = [
    "EXHAUST_BAND",
    "LATEST_PREDICTED",
    "TORQUE_BAND",
    "USUAL_IGNITION",
    "closed_cycle",
    "late_burn",
]

USUAL_IGNITION = math.radians(-32.0)
"""Ignition for best torque, after top dead centre [rad]: the best of this very cycle."""

LATEST_PREDICTED = math.radians(40.0)
"""Latest ignition after top dead centre that the closed cycle is asked for [rad]. Beyond it flame
and cylinder are too far apart from one zone: measure."""

TORQUE_BAND = 0.30
"""Relative uncertainty of torque with late ignition [-]."""

EXHAUST_BAND = 100.0
"""Uncertainty of exhaust temperature with late ignition [K]."""

_CLOSES = math.radians(-130.0)
_OPENS = math.radians(130.0)
_STEP = math.radians(0.5)
_ROD = 3.5
"""Inlet valve closes and exhaust valve opens this far from top dead centre; rod over crank radius;
common practice, no source."""
_DELAY = math.radians(9.0)
_DURATION = math.radians(55.0)
_LONGER = 0.012 * 180.0 / math.pi
"""Ignition to first burning, whole duration at usual ignition, and how much longer it gets for each
radian of retard: burning slows as the charge expands; from memory."""
_WIEBE = 5.0
_SHAPE = 3.0
"""Wiebe function 1 - exp(-5 tau^3): 99.3 % burnt at its end; form parameter 2, from memory."""
_WALL = 450.0
_WALL_FACTOR = 130.0
"""Wall [K] and factor of the heat transfer of Hohenberg (SAE 790825, from memory)."""
_R = 287.0
_T_CLOSED = 380.0
"""Charge with its residual gas as the inlet valve closes [K]; from memory."""
_DRY_AIR_PER_FUEL = 14.7
_HEATING = 43e6
_AFTER = 0.5
"""Share of what is still unburnt as the valve opens that burns in the exhaust; a choice, between
nothing and all."""


@kernel
def _gamma(T: float) -> float:
    # falls with temperature; linear fit of burnt petrol and air, from memory
    return max(1.392 - 8.13e-5 * T, 1.18)


@kernel
def _cv_integral(T: float) -> float:
    # internal energy over R from 0 K: integral of 1 / (gamma - 1), held below its floor
    turn = (1.392 - 1.18) / 8.13e-5
    upper = min(T, turn)
    energy: float = -math.log((0.392 - 8.13e-5 * upper) / 0.392) / 8.13e-5
    if turn < T:
        energy += (T - turn) / 0.18
    return energy


@kernel
def _volume(theta: float, bore: float, stroke: float, ratio: float) -> float:
    radius = 0.5 * stroke
    rod = _ROD * radius
    sine = radius * math.sin(theta)
    travel = rod + radius - (radius * math.cos(theta) + math.sqrt(rod * rod - sine * sine))
    area = 0.25 * math.pi * bore * bore
    return area * (travel + stroke / (ratio - 1.0))


@kernel
def _burnt(theta: float, ignition: float, duration: float) -> float:
    tau = (theta - ignition - _DELAY) / duration
    if tau <= 0.0:
        return 0.0
    share: float = 1.0 - math.exp(-_WIEBE * tau**_SHAPE)
    return share


@kernel
def closed_cycle(
    ignition: float,
    p_closed: float,
    omega: float,
    bore: float,
    stroke: float,
    compression_ratio: float,
    out: np.ndarray,
) -> None:
    r"""Burn one charge between the valves, in one zone.

    .. math:: m\,c_v\,\mathrm{d}T = \mathrm{d}Q_b - \mathrm{d}Q_w - p\,\mathrm{d}V

    Parameters
    ----------
    ignition : float [rad]
        After top dead centre, -0.8 to 0.7.
    p_closed : float [Pa]
        Pressure as the inlet valve closes, 2e4 to 4e5.
    omega : float [rad/s]
        Engine speed, 50 to 1000.
    bore, stroke : float [m]
        Of one cylinder.
    compression_ratio : float [-]
        6 to 16.
    out : ndarray of shape (6,) [J]
        Receives work of the gas, heat released, heat to the walls, rise of internal energy, fuel
        heat not released as the valve opens, and the mass's heat capacity at constant pressure
        there [J/K].

    Notes
    -----
    One step of 0.5 deg at a time with the midpoint rule. Heat to the walls after Hohenberg, speed
    of burning after Wiebe; both from memory.
    """
    start = _volume(_CLOSES, bore, stroke, compression_ratio)
    mass = p_closed * start / (_R * _T_CLOSED)
    fuel_heat = mass / (1.0 + _DRY_AIR_PER_FUEL) * _HEATING
    retard = max(ignition - USUAL_IGNITION, 0.0)
    duration = _DURATION * (1.0 + _LONGER * retard)
    piston_speed = stroke * omega / math.pi
    area = 0.25 * math.pi * bore * bore
    T = _T_CLOSED
    theta = _CLOSES
    work = 0.0
    released = 0.0
    wall = 0.0
    burnt = _burnt(theta, ignition, duration)
    volume = start
    while theta < _OPENS - 0.5 * _STEP:
        after = theta + _STEP
        volume_after = _volume(after, bore, stroke, compression_ratio)
        burnt_after = _burnt(after, ignition, duration)
        heat = fuel_heat * (burnt_after - burnt)
        middle = 0.5 * (volume + volume_after)
        T_middle = T
        for _ in range(2):
            p = mass * _R * T_middle / middle
            h = (
                _WALL_FACTOR
                * middle ** (-0.06)
                * (1e-5 * p) ** 0.8
                * T_middle ** (-0.4)
                * (piston_speed + 1.4) ** 0.8
            )
            surface = 2.0 * area + 4.0 * middle / bore
            lost = h * surface * (T_middle - _WALL) * _STEP / omega
            done = p * (volume_after - volume)
            change = (heat - lost - done) * (_gamma(T_middle) - 1.0) / (mass * _R)
            T_middle = T + 0.5 * change
        T += change
        work += done
        wall += lost
        released += heat
        theta = after
        volume = volume_after
        burnt = burnt_after
    gamma = _gamma(T)
    out[0] = work
    out[1] = released
    out[2] = wall
    out[3] = mass * _R * (_cv_integral(T) - _cv_integral(_T_CLOSED))
    out[4] = fuel_heat * (1.0 - burnt)
    out[5] = mass * _R * gamma / (gamma - 1.0)


@kernel
def late_burn(
    retard: float,
    p_closed: float,
    omega: float,
    bore: float,
    stroke: float,
    compression_ratio: float,
) -> tuple[float, float]:
    """Share of the best work that is left at a retard, and how much hotter the exhaust gets.

    Parameters
    ----------
    retard : float [rad]
        Behind ignition for best torque, 0 to ``LATEST_PREDICTED - USUAL_IGNITION``.
    p_closed : float [Pa]
        Pressure as the inlet valve closes.
    omega : float [rad/s]
        Engine speed.
    bore, stroke : float [m]
        Of one cylinder.
    compression_ratio : float [-]
        Compression ratio.

    Returns
    -------
    tuple of float [-, K]
        Work over that at best ignition, and rise of the exhaust temperature.

    Notes
    -----
    What is lost as work and not taken by the walls leaves as heat; half of what has not burnt as
    the valve opens burns behind it, a choice. Torque is good to ``TORQUE_BAND``, temperature to
    ``EXHAUST_BAND``.
    """
    best = np.empty(6)
    late = np.empty(6)
    closed_cycle(USUAL_IGNITION, p_closed, omega, bore, stroke, compression_ratio, best)
    closed_cycle(USUAL_IGNITION + retard, p_closed, omega, bore, stroke, compression_ratio, late)
    heat = (best[0] - late[0]) + (best[2] - late[2]) - (1.0 - _AFTER) * (late[4] - best[4])
    return late[0] / best[0], heat / late[5]
