"""Shuffle: how engine and car swing against each other on shafts and tyres, gear by gear."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from throttlewright.car.pack import Car
from throttlewright.foundation.errors import InputError
from throttlewright.physics.driveline import STANDARD_GRAVITY, shuffle_frequency

__all__ = ["Swing", "shuffle", "two_inertias"]


@dataclass(frozen=True)
class Swing:
    """A free swing that dies away.

    ``frequency_Hz`` is the one it would have without damping, ``damping_1`` the share of critical
    damping. From 1 on nothing swings.
    """

    frequency_Hz: float
    damping_1: float

    @property
    def period_s(self) -> float:
        """Time of one cycle without damping [s]."""
        return 1.0 / self.frequency_Hz


def two_inertias(
    stiffness: float,
    *,
    engine_inertia: float,
    total_ratio: float,
    mass: float,
    radius: float,
    damping: float = 0.0,
    tyre_stiffness: float = math.inf,
) -> Swing:
    """Swing of engine against car on one spring.

    f = sqrt(k (1/J1 + 1/J2)) / (2 pi), J1 = J_engine i^2, J2 = m r^2

    Parameters
    ----------
    stiffness : float [N m/rad]
        Of the shafts, at the wheels, > 0.
    engine_inertia : float [kg m^2]
        Engine with flywheel and clutch, > 0.
    total_ratio : float [-]
        Gear times final drive, > 0.
    mass : float [kg]
        Of the car, > 0.
    radius : float [m]
        Rolling radius of the driven tyres, > 0.
    damping : float [N m s/rad]
        Of the shafts, at the wheels, >= 0.
    tyre_stiffness : float [N m/rad]
        Of the driven tyres against the road, in series with the shafts; infinite when left out.

    Returns
    -------
    Swing
        Frequency and damping.

    Notes
    -----
    Eriksson and Nielsen, Modeling and Control of Engines and Drivelines (from memory). No lash;
    tyres as a plain spring, without their slip.
    """
    soft = (
        stiffness if math.isinf(tyre_stiffness) else 1.0 / (1.0 / stiffness + 1.0 / tyre_stiffness)
    )
    j_engine = engine_inertia * total_ratio**2
    j_car = mass * radius**2
    frequency = shuffle_frequency(soft, inertia_engine=j_engine, inertia_car=j_car)
    # the damper sees the part of the twist that the shafts take
    seen = damping * (soft / stiffness) ** 2
    share = seen * (1.0 / j_engine + 1.0 / j_car) / (4.0 * math.pi * frequency)
    return Swing(float(frequency), float(share))


def shuffle(car: Car, gear: int, *, omega: float | None = None) -> Swing:
    """Shuffle of a car in one gear.

    Parameters
    ----------
    car : Car
        The car.
    gear : int [-]
        From 1.
    omega : float [rad/s], optional
        Engine speed, > 0: tyres then slip as they roll, which damps the swing. Without it they are
        a plain spring.

    Returns
    -------
    Swing
        Of the slowest part that swings; where nothing swings, damping 1 or more.

    Raises
    ------
    InputError
        If the box has no such gear.

    Notes
    -----
    The driven wheels stand between shafts and tyres. A tyre that rolls is a spring K / sigma in
    series with a damper K / |v|, K its slip stiffness, sigma its relaxation length: the linear part
    of the tyre of the car in motion. No lash, no loss of the gears.
    """
    rec = car.record
    gears = int(rec["gears"])
    if not 1 <= gear <= gears:
        raise InputError("is no gear of this box", key="gear", value=gear, allowed=f"1 to {gears}")
    ratio = float(rec["ratios"][gear - 1] * rec["final_drive"])
    radius = float(rec["tyre_radius"])
    slip = float(rec["tyre_stiffness"]) * _driven_load(car)
    spring = slip / float(rec["tyre_relaxation"]) * radius**2
    plain = two_inertias(
        float(rec["shaft_stiffness"]),
        engine_inertia=float(rec["engine_inertia"] + rec["gearbox_inertia"]),
        total_ratio=ratio,
        mass=float(rec["mass"]),
        radius=radius,
        damping=float(rec["shaft_damping"]),
        tyre_stiffness=spring,
    )
    if omega is None:
        return plain
    speed = omega / ratio * radius
    return _rolling(car, ratio=ratio, speed=speed, tyre=spring) or Swing(plain.frequency_Hz, 1.0)


def _driven_load(car: Car) -> float:
    rec = car.record
    weight = float(rec["mass"]) * STANDARD_GRAVITY
    driven = float(rec["driven"])
    if driven > 1.5:
        return weight
    return weight * (
        1.0 - float(rec["front_weight"]) if driven > 0.5 else float(rec["front_weight"])
    )


def _rolling(car: Car, *, ratio: float, speed: float, tyre: float) -> Swing | None:
    # states: twist of shafts, deflection of tyres as an angle, speeds of engine side, wheels, car
    rec = car.record
    k, c = float(rec["shaft_stiffness"]), float(rec["shaft_damping"])
    engine = float(rec["engine_inertia"] + rec["gearbox_inertia"]) * ratio**2
    wheel = float(rec["wheel_inertia"])
    body = float(rec["mass"]) * float(rec["tyre_radius"]) ** 2
    fade = speed / float(rec["tyre_relaxation"])
    matrix = np.array(
        [
            [0.0, 0.0, 1.0, -1.0, 0.0],
            [0.0, -fade, 0.0, 1.0, -1.0],
            [-k / engine, 0.0, -c / engine, c / engine, 0.0],
            [k / wheel, -tyre / wheel, c / wheel, -c / wheel, 0.0],
            [0.0, tyre / body, 0.0, 0.0, 0.0],
        ]
    )
    values = np.linalg.eigvals(matrix)
    swinging = values[values.imag > 1e-6 * np.abs(values)]
    if not swinging.size:
        return None
    slowest = swinging[np.argmin(np.abs(swinging))]
    size = float(abs(slowest))
    return Swing(size / (2.0 * math.pi), float(-slowest.real) / size)
