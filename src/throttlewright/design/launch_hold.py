"""What a launch holds at the line: pressures, retard and cut, the plate for them, and its loop."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from throttlewright.build.intent import Intent
from throttlewright.build.intent_roles import Launch
from throttlewright.car.pack import Car
from throttlewright.car.record import BoostState
from throttlewright.car.surface import evaluate
from throttlewright.design.holding import SERVO, TICKS, filling_time, induction_delay
from throttlewright.design.late_ignition import Floats, known_late, plate_of, point_of_torque
from throttlewright.design.margins import Controller, Plant, pi_for_margins
from throttlewright.design.torque_share import angle_for_torque
from throttlewright.physics.tyre import grip_limited_acceleration

__all__ = [
    "LATEST",
    "Hold",
    "cut_level",
    "grip_torque",
    "hold_loop",
    "hold_of",
    "hold_plants",
    "hold_plates",
    "plate_held",
    "wanted_retard",
]

_RPM = 30.0 / math.pi
LATEST = math.radians(60.0)
"""Retard while boost builds [rad]. 20 to 40 deg are common beside a cut of fuel, from memory; 60
keeps 10 deg to where nothing is predicted, for what the engine speed adds."""
_PHASE, _GAIN = 55.0, 3.0
"""Margins of the loop, for the torque of a late burn may be 30 % more and boost changes it."""
_BAND = 10e3
"""Pressure around the wanted boost in which the retard falls away [Pa]. Tool default."""
_CUT = 0.25
"""Cylinders without fuel while boost builds, of all [-]: they pass air and cost torque, so that
the others get more. Tool default."""
_LEAST_RETARD = math.radians(15.0)


@dataclass(frozen=True)
class Hold:
    """What is held: engine speed [rad/s], pipe pressures [Pa], and retard [rad] and
    share of cylinders without fuel at each."""

    omega: float
    pipe: Floats
    retard: Floats
    cut: Floats


def wanted_retard(pipe: float, boost: float) -> float:
    """Retard over the pressure before the plate: late until the boost is there.

    Parameters
    ----------
    pipe : float [Pa]
        Pressure before the plate.
    boost : float [Pa]
        Boost wanted, absolute.

    Returns
    -------
    float [rad]
        Falls by a straight line within 10 kPa around the boost, so that less air holds the speed.
    """
    over = min(max((pipe - boost + _BAND) / (2.0 * _BAND), 0.0), 1.0)
    return LATEST + over * (_LEAST_RETARD - LATEST)


def cut_level(car: Car) -> float:
    """Share of the cylinders that get no fuel while boost builds.

    Parameters
    ----------
    car : Car
        The car.

    Returns
    -------
    float [-]
        A quarter in whole cylinders; none with a catalyst, which air and unburnt fuel of single
        cylinders burn through, or where nobody says that there is none on a road car.
    """
    catalyst = car.build.engine.catalyst
    if catalyst or (catalyst is None and car.build.use == "road"):
        return 0.0
    cylinders = car.build.engine.cylinders
    return max(round(_CUT * cylinders), 1) / cylinders


def hold_of(car: Car, wanted: Launch) -> Hold:
    """What is held at the line, at pressures from ambient to beyond the wanted boost.

    Parameters
    ----------
    car : Car
        The car.
    wanted : Launch
        Speed and boost.

    Returns
    -------
    Hold
        Without retard or cut where no turbo is to build boost.
    """
    ambient = float(car.record["p_ambient"])
    if wanted.boost is None or not car.turbo:
        # a driven compressor gives its pressure by engine speed alone
        top = ambient
        if car.charged:
            top = max(float(car.full_boost(np.array([wanted.speed]))[0]), ambient)
        pipe = np.unique(np.round(np.linspace(ambient, top, 5), 0))
        return Hold(wanted.speed, pipe, np.zeros(pipe.size), np.zeros(pipe.size))
    boost = ambient + wanted.boost
    pipe = np.concatenate(
        (np.linspace(ambient, boost - _BAND, 5), boost + _BAND * np.array([0.0, 1.0, 4.0]))
    )
    cut = np.where(pipe < boost - 0.5 * _BAND, cut_level(car), 0.0)
    retard = np.array([wanted_retard(float(p), boost) for p in pipe])
    return Hold(wanted.speed, pipe, retard, cut)


def hold_plates(car: Car, hold: Hold, torque: float = 0.0) -> Floats:
    """Plate that holds the speed at each pressure before it.

    Parameters
    ----------
    car : Car
        The car.
    hold : Hold
        What is held.
    torque : float [N m]
        Brake torque, 0 without load.

    Returns
    -------
    ndarray [%]
        One opening for each pressure.
    """
    if float(car.record["individual"]) > 0.5:
        found = [
            plate_held(car, hold.omega, np.array([[torque]]), pressure=float(p))[0, 0]
            for p in hold.pipe
        ]
        return np.array(found)
    found = []
    for p, r, c in zip(hold.pipe, hold.retard, hold.cut, strict=True):
        point = point_of_torque(
            car, torque, pipe=float(p), omega=hold.omega, retard=float(r), cut=float(c)
        )
        found.append(plate_of(car, point, pipe=float(p), omega=hold.omega))
    return np.array(found)


def plate_held(car: Car, omega: float, torque: Floats, *, pressure: float) -> Floats:
    """Plate of a torque by the torque surface, the pipe held; any kind of plate.

    Parameters
    ----------
    car : Car
        The car.
    omega : float [rad/s]
        Engine speed.
    torque : ndarray of shape (1, m) [N m]
        Brake torques.
    pressure : float [Pa]
        Pressure before the plate.

    Returns
    -------
    ndarray of shape (1, m) [%]
        Openings.
    """

    def given(psi: Floats) -> Floats:
        found, _ = evaluate(car, np.array([omega]), psi, state=BoostState.HELD, pressure=pressure)
        return np.asarray(found["torque"])

    psi = angle_for_torque(given, torque, low=car.psi_closed, high=car.psi_open)
    return np.asarray(car.plate_pct(psi))


def hold_plants(car: Car, intent: Intent) -> tuple[Plant, ...]:
    """Engine without load at the held speed: plate [%] to engine speed [rpm].

    Parameters
    ----------
    car : Car
        The car.
    intent : Intent
        With a launch.

    Returns
    -------
    tuple of Plant
        One for each pressure before the plate; with 30 % more torque than predicted where the
        ignition is late.

    Notes
    -----
    J dw/dt = g x, x the plate behind servo, filling and induction. The engine's own friction over
    speed only helps and is left out.
    """
    wanted = intent.launch
    if wanted is None:
        return ()
    hold = hold_of(car, wanted)
    inertia = float(car.record["engine_inertia"])
    step = 4.0
    slope = (
        2.0 * step / np.maximum(hold_plates(car, hold, step) - hold_plates(car, hold, -step), 0.05)
    )
    found = []
    for p, r, g in zip(hold.pipe, hold.retard, slope, strict=True):
        share = known_late(car, float(r)).share
        more = share.high / share.value if share is not None else 1.3
        found.append(
            Plant(
                float(more * g / inertia * _RPM),
                lags=(filling_time(car, hold.omega),),
                seconds=(SERVO,),
                integrates=True,
                delay=induction_delay(car, hold.omega) + TICKS,
                name=f"{p / 1e3:.0f} kPa before the plate",
            )
        )
    return tuple(found)


def hold_loop(car: Car, intent: Intent) -> Controller:
    """Gains of the loop that holds the engine speed.

    Parameters
    ----------
    car : Car
        The car.
    intent : Intent
        With a launch.

    Returns
    -------
    Controller
        [% per rpm, % per rpm and s], with 55 deg and a factor of 3 to the edge on every plant.
    """
    return pi_for_margins(hold_plants(car, intent), _PHASE, _GAIN)


def grip_torque(car: Car) -> float:
    """Engine torque that the driven tyres carry in first gear.

    Parameters
    ----------
    car : Car
        The car.

    Returns
    -------
    float [N m]
        With the load that the acceleration itself moves onto them.
    """
    rec = car.record
    accel = grip_limited_acceleration(
        car.build.vehicle.grip,
        float(rec["driven"]),
        front_share=float(rec["front_weight"]),
        cg_height=float(rec["cg_height"]),
        wheelbase=float(rec["wheelbase"]),
    )
    ratio = float(rec["ratios"][0] * rec["final_drive"])
    force = float(accel) * float(rec["mass"])
    return force * float(rec["tyre_radius"]) / (ratio * float(rec["driveline_efficiency"]))
