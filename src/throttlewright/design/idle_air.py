"""Air that an engine needs to idle over coolant, load, ignition and site, and the plate for it."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from throttlewright.car.flows import plate_area_of
from throttlewright.car.pack import Car
from throttlewright.car.record import BoostState
from throttlewright.car.surface import evaluate
from throttlewright.car.torque import combustion
from throttlewright.design.servo import least_target
from throttlewright.physics.friction import friction_over_warm

__all__ = [
    "LEAK_SPREAD",
    "MOST_SHARE",
    "IdlePoint",
    "floor_share",
    "gap_of",
    "has_authority",
    "idle_opening",
    "idle_point",
    "ignition_share",
    "leak_share",
    "point_at",
    "psi_with_share",
    "soft_area",
]

_HALVINGS = 40
LEAK_SPREAD = 0.30
"""Spread of the leakage that the loop must be able to take away [-]: what is asked of the role."""
_LEAST_SHARE = 0.5
MOST_SHARE = 0.85
"""Share of the computed air that the floor gives by itself at most [-]. The loop adds the rest:
with all of it in the floor a loop that can only add would idle too fast whenever the model asks too
much. Tool default."""


@dataclass(frozen=True)
class IdlePoint:
    """An engine that idles: torque, friction and load in balance.

    ``psi`` [rad] and ``plate_pct`` [%] of the plate, ``air_flow`` [kg/s], ``indicated`` [N m] at
    best ignition, ``share`` [-] of it that the retard leaves, ``omega`` [rad/s], ``load`` [N m].
    ``end`` is "" where the plate holds it, "closed" where the closed plate passes too much and
    "open" where the open plate passes too little.
    """

    psi: float
    plate_pct: float
    air_flow: float
    indicated: float
    share: float
    omega: float
    load: float
    cold: float
    end: str


def gap_of(car: Car) -> float:
    """Gap around the shut plate, or the one that a leak area given instead stands for.

    Parameters
    ----------
    car : Car
        The car.

    Returns
    -------
    float [m]
        Area over circumference.
    """
    plate = car.build.plate
    return float(plate.leak_area) / (math.pi * plate.bore)


def point_at(
    car: Car, *, omega: float, psi: float, cold: float = 1.0
) -> tuple[float, float, float]:
    """Return the torques at best ignition and the air flow at a speed and a plate angle.

    Parameters
    ----------
    car : Car
        The car.
    omega : float [rad/s]
        Engine speed, above 0.
    psi : float [rad]
        Plate angle.
    cold : float [-]
        Friction over hot friction, 1 when warm.

    Returns
    -------
    tuple of float [N m, N m, kg/s]
        Brake torque, indicated torque and air flow.

    Notes
    -----
    Charge pipe at ambient, boost not yet built.
    """
    found, _ = evaluate(
        car, np.array([omega]), np.array([[psi]]), state=BoostState.INSTANT, cold=cold
    )
    flow = float(found["air_flow"][0, 0])
    indicated, _ = combustion(
        flow, float(found["map"][0, 0]), omega=omega, retard_asked=0.0, car=car.record
    )
    return float(found["torque"][0, 0]), indicated, flow


def ignition_share(car: Car, omega: float, retard_deg: float) -> float:
    """Return the share of the indicated torque that a retard behind best ignition leaves.

    Parameters
    ----------
    car : Car
        The car.
    omega : float [rad/s]
        Engine speed, above 0.
    retard_deg : float [deg]
        Ignition behind best torque, from 0.

    Returns
    -------
    float [-]
        1 at best ignition.

    Notes
    -----
    T_indicated(retard) / T_indicated(0), at a manifold pressure of 0.3 of ambient (no source).
    """
    flow, low = 1e-3, 0.3 * float(car.record["p_ambient"])
    best, _ = combustion(flow, low, omega=omega, retard_asked=0.0, car=car.record)
    late, _ = combustion(
        flow, low, omega=omega, retard_asked=math.radians(retard_deg), car=car.record
    )
    return late / best


def idle_point(
    car: Car,
    *,
    omega: float,
    coolant_degC: float = 90.0,
    load: float = 0.0,
    retard_deg: float = 0.0,
) -> IdlePoint:
    """Plate, air and torque with which the engine just carries a load at a speed.

    Parameters
    ----------
    car : Car
        The car, at its own site; ``car.pack.with_site`` gives another.
    omega : float [rad/s]
        Engine speed, above 0.
    coolant_degC : float [degC]
        Coolant, which sets the friction.
    load : float [N m]
        Torque that auxiliaries take off the crankshaft, from 0.
    retard_deg : float [deg]
        Ignition behind best torque, from 0: it costs air.

    Returns
    -------
    IdlePoint
        The balance; at the nearer stop where the plate has no authority.

    Notes
    -----
    T_indicated(air) e(retard) - T_lost = load, charge pipe at ambient.
    """
    cold = friction_over_warm(coolant_degC + 273.15)
    share = ignition_share(car, omega, retard_deg)

    def point(psi: float, end: str) -> tuple[float, IdlePoint]:
        torque, indicated, flow = point_at(car, omega=omega, psi=psi, cold=cold)
        over = torque - (1.0 - share) * indicated - load
        return over, IdlePoint(
            psi, car.plate_pct(psi), flow, indicated, share, omega, load, cold, end
        )

    low, high = car.psi_closed, car.psi_open
    over, found = point(low, "closed")
    if over >= 0.0:
        return found
    over, found = point(high, "open")
    if over <= 0.0:
        return found
    for _ in range(_HALVINGS):
        middle = 0.5 * (low + high)
        over, found = point(middle, "")
        low, high = (middle, high) if over < 0.0 else (low, middle)
        if high - low < 1e-9:
            break
    return found


def idle_opening(
    car: Car, *, omega: float, cold: float = 1.0, load: float = 0.0
) -> tuple[float, bool]:
    """Plate angle at which the engine just carries a load at best ignition, pipe at ambient.

    Parameters
    ----------
    car : Car
        The car.
    omega : float [rad/s]
        Engine speed, above 0.
    cold : float [-]
        Friction over hot friction, 1 when warm.
    load : float [N m]
        Torque taken at the crankshaft, from 0.

    Returns
    -------
    tuple of float and bool [rad, -]
        Plate angle, and whether the plate has authority: False where the closed plate alone
        passes too much, or the open plate too little; the angle is then the nearer stop.
    """
    low, high = car.psi_closed, car.psi_open
    if point_at(car, omega=omega, psi=low, cold=cold)[0] >= load:
        return low, False
    if point_at(car, omega=omega, psi=high, cold=cold)[0] <= load:
        return high, False
    for _ in range(60):
        middle = 0.5 * (low + high)
        if point_at(car, omega=omega, psi=middle, cold=cold)[0] < load:
            low = middle
        else:
            high = middle
        if high - low < 1e-10:
            break
    return 0.5 * (low + high), True


def psi_with_share(car: Car, psi: float, share: float) -> float:
    """Plate angle with a share of the area: at idle the plate is choked, so of the air too.

    Parameters
    ----------
    car : Car
        The car.
    psi : float [rad]
        Plate angle with the whole of it.
    share : float [-]
        Share wanted, from 0 to 1.

    Returns
    -------
    float [rad]
        Plate angle, the closed stop where that passes more already.
    """
    rec = car.record
    wanted = share * float(plate_area_of(psi, rec))
    low, high = car.psi_closed, psi
    if float(plate_area_of(low, rec)) >= wanted:
        return low
    for _ in range(50):
        middle = 0.5 * (low + high)
        if float(plate_area_of(middle, rec)) < wanted:
            low = middle
        else:
            high = middle
    return 0.5 * (low + high)


def leak_share(car: Car, point: IdlePoint) -> float:
    """Share of the air of an idling engine that passes the closed plate.

    Parameters
    ----------
    car : Car
        The car.
    point : IdlePoint
        The idling engine.

    Returns
    -------
    float [-]
        1 where nothing is left for the plate to do.
    """
    whole = float(plate_area_of(point.psi, car.record))
    return min(float(plate_area_of(car.psi_closed, car.record)) / whole, 1.0)


def floor_share(car: Car, point: IdlePoint) -> float:
    """Share of the computed air that the floor may give, so that the loop can take leakage away.

    Parameters
    ----------
    car : Car
        The car.
    point : IdlePoint
        The warm engine at idle.

    Returns
    -------
    float [-]
        ``MOST_SHARE``, or less where 30 % more leakage would already be more than the rest.
    """
    spread = 1.0 - 1.1 * LEAK_SPREAD * leak_share(car, point)
    return float(np.clip(spread, _LEAST_SHARE, MOST_SHARE))


def soft_area(car: Car) -> float:
    """Area that the least opening adds to the shut plate, which never lands on its stop [m2]."""
    rise = 0.01 * least_target(car) * (car.psi_open - car.psi_closed)
    shut = float(plate_area_of(car.psi_closed, car.record))
    return float(plate_area_of(car.psi_closed + rise, car.record)) - shut


def has_authority(car: Car, point: IdlePoint) -> bool:
    """Whether the plate still holds an idling engine with 30 % more leakage than computed.

    Parameters
    ----------
    car : Car
        The car.
    point : IdlePoint
        The idling engine.

    Returns
    -------
    bool
        False where its least opening would then pass more than is needed.
    """
    shut = float(plate_area_of(car.psi_closed, car.record))
    need = float(plate_area_of(point.psi, car.record))
    return point.end == "" and need >= soft_area(car) + (1.0 + LEAK_SPREAD) * shut
