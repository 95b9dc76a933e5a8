"""Slip as a plant: wheels, tyre and shafts about a slip, and gains that keep to stated margins."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from throttlewright.car.pack import Car
from throttlewright.car.record import BoostState
from throttlewright.car.surface import evaluate
from throttlewright.design.holding import (
    SERVO,
    TICKS,
    filling_time,
    induction_delay,
    plate_for_torque,
)
from throttlewright.design.margins import (
    Controller,
    Margins,
    Plant,
    margins,
    pi_for_margins,
    smallest,
)
from throttlewright.design.slip_target import LEAST_SPEED, SlipTarget
from throttlewright.physics.driveline import STANDARD_GRAVITY
from throttlewright.physics.tyre import axle_load, tyre_share

__all__ = [
    "GRIPS",
    "LEAD",
    "LEAST_GAIN",
    "LEAST_PHASE",
    "SLOPE_FILTER",
    "SlipPoint",
    "ahead_gain",
    "carried_torque",
    "hold_gains",
    "loop_margins",
    "slip_points",
    "spark_gain",
    "spinning_gears",
    "with_air",
    "with_spark",
]

Floats = NDArray[np.float64]

LEAST_PHASE, LEAST_GAIN = 45.0, 2.0
"""Margins that every loop keeps [deg, -]: 45 deg and 6 dB; common practice, no source."""
_ROOM_PHASE, _ROOM_GAIN = 50.0, 2.5
"""Margins the plate's gains are made for, so that the car may differ from its numbers."""
_SPARK_PHASE, _SPARK_GAIN = 60.0, 3.0
"""Margins the ignition's gain is made for: it acts beside the plate, whose gain adds to its own.
Tool default."""
GRIPS = (0.35, 0.6, 1.0)
"""Factors on the grip of the build: from a wet patch to dry. Tool default."""
SLOPE_FILTER = 0.02
"""Filter of a channel's slope in the strategy [s], its typical value."""
_INTEGRAL = (0.7, 1.2, 2.0, 3.5, 6.0, 10.0, 20.0)
"""Integral times tried [s]; a patch of a second gives nothing slower the time."""
LEAD = 0.1
"""How far the ceiling ahead looks along the slope of slip [s]: servo and filling. Of 0.06, 0.1 and
0.15 s the one that lets the gain be largest on the examples, computed."""
_SLOWEST = 2500.0 * math.pi / 30.0
_STEPS = (1.5, 1.15)


@dataclass(frozen=True)
class SlipPoint:
    """The driven wheels at the slip that is sought, in one gear, speed and grip.

    ``omega`` [rad/s] engine speed, ``torque`` [N m] what the tyres carry there, ``plate`` [%] what
    gives it, ``per_pct`` [N m/%]; ``wheels`` is slip over engine torque, without any actuator;
    ``runaway`` [1/s] is how fast slip grows by itself where the tyre is beyond its peak, else 0.
    """

    gear: int
    omega: float
    grip: float
    torque: float
    plate: float
    per_pct: float
    wheels: Plant
    runaway: float


def _ratio(car: Car, gear: int) -> float:
    rec = car.record
    return float(rec["ratios"][gear - 1] * rec["final_drive"])


def _load(car: Car, share: float) -> float:
    rec = car.record
    weight = float(rec["mass"]) * STANDARD_GRAVITY
    driven, front = float(rec["driven"]), float(rec["front_weight"])
    height = float(rec["cg_height"]) / float(rec["wheelbase"])
    static, transfer = weight * front, -height
    if driven > 1.5:
        static, transfer = weight, 0.0
    elif driven > 0.5:
        static, transfer = weight * (1.0 - front), height
    return float(
        axle_load(
            share,
            resistance=0.0,
            brake=0.0,
            direction=1.0,
            grip=float(rec["grip"]),
            static=static,
            weight=weight,
            transfer=transfer,
        )
    )


def _inertia(car: Car, ratio: float) -> float:
    """Engine side at the wheels [kg m2]."""
    rec = car.record
    return float(rec["engine_inertia"] + rec["gearbox_inertia"]) * ratio**2


def carried_torque(car: Car, gear: int, slip: float, grip: float) -> float:
    """Engine torque that the driven tyres carry at a slip, the car speeding up with it.

    Parameters
    ----------
    car : Car
        The car.
    gear : int [-]
        From 1.
    slip : float [-]
        Slip, above 0.
    grip : float [-]
        Factor on the grip of the build.

    Returns
    -------
    float [N m]
        Force on the road through radius, ratio and loss, and what turns engine and wheels faster.
    """
    rec = car.record
    radius, eta = float(rec["tyre_radius"]), float(rec["driveline_efficiency"])
    ratio = _ratio(car, gear)
    share = float(
        tyre_share(slip, grip=float(rec["grip"]) * grip, stiffness=float(rec["tyre_stiffness"]))
    )
    force = share * _load(car, share)
    turning = (_inertia(car, ratio) + float(rec["wheel_inertia"])) * force
    return (force * radius + turning / (float(rec["mass"]) * radius)) / (ratio * eta)


def _wheels(car: Car, ratio: float, *, speed: float, slope: float) -> Plant:
    """Slip over engine torque; states twist, tyre deflection, engine side and wheels."""
    rec = car.record
    k, c = float(rec["shaft_stiffness"]), float(rec["shaft_damping"])
    radius, relaxation = float(rec["tyre_radius"]), float(rec["tyre_relaxation"])
    engine, wheel = _inertia(car, ratio), float(rec["wheel_inertia"])
    eta = float(rec["driveline_efficiency"])
    fade = speed / relaxation
    over = radius / max(speed, LEAST_SPEED)
    # the twist passes on through a spring and a damper, the tyre's force comes late: two zeros
    zero = (math.sqrt(fade * k / c), 0.5 * (fade + k / c) / math.sqrt(fade * k / c))
    if slope <= 0.0:
        natural = math.sqrt(k * (1.0 / engine + 1.0 / wheel))
        return Plant(
            ratio * eta * over / (engine + wheel),
            lags=(1.0 / fade,),
            seconds=((natural, 0.5 * c * natural / k),),
            zeros=(zero,),
            integrates=True,
        )
    matrix = np.array(
        [
            [0.0, 0.0, 1.0, -1.0],
            [0.0, -fade, 0.0, radius],
            [-k / engine, 0.0, -c / engine, c / engine],
            [k / wheel, -radius * slope / relaxation / wheel, c / wheel, -c / wheel],
        ]
    )
    poles = np.linalg.eigvals(matrix)
    lags = tuple(float(-1.0 / p.real) for p in poles if abs(p.imag) < 1e-9 * abs(p))
    pairs = [p for p in poles if p.imag >= 1e-9 * abs(p)]
    seconds = tuple((float(abs(p)), float(-p.real / abs(p))) for p in pairs)
    per = ratio * eta / (radius * slope) * speed / max(speed, LEAST_SPEED)
    return Plant(per, lags=lags, seconds=seconds, zeros=(zero,))


def spinning_gears(car: Car, slip: float) -> tuple[int, ...]:
    """Gears in which the engine overcomes the tyres on the least grip looked at.

    Parameters
    ----------
    car : Car
        The car.
    slip : float [-]
        Slip that is sought.

    Returns
    -------
    tuple of int
        Ascending; empty where it does in none, or there are no gears.
    """
    omega = np.linspace(_SLOWEST, 0.95 * car.limit, 12)
    most = float(np.max(evaluate(car, omega, np.full((omega.size, 1), car.psi_open))[0]["torque"]))
    gears = range(1, int(car.record["gears"]) + 1)
    return tuple(g for g in gears if most > carried_torque(car, g, slip, GRIPS[0]))


def _slope(car: Car, slip: float, grip: float) -> float:
    """Force over slip at a slip [N]; below 0 beyond the peak."""
    rec = car.record
    most, stiffness = float(rec["grip"]) * grip, float(rec["tyre_stiffness"])
    step = 1e-4
    high = float(tyre_share(slip + step, grip=most, stiffness=stiffness))
    low = float(tyre_share(slip - step, grip=most, stiffness=stiffness))
    return (high - low) / (2.0 * step) * _load(car, 0.5 * (high + low))


def slip_points(car: Car, target: SlipTarget, speeds: Floats) -> tuple[SlipPoint, ...]:
    """Linearise the driven wheels about the slip that is sought.

    Parameters
    ----------
    car : Car
        The car.
    target : SlipTarget
        Slip sought.
    speeds : ndarray of shape (n,) [rad/s]
        Engine speeds, above idle.

    Returns
    -------
    tuple of SlipPoint
        For the lowest, a middle and the highest gear in which wheels spin, and every grip and
        speed at which the engine gives more than the tyres carry.

    Notes
    -----
    The car's own speed is held: it changes far more slowly than slip. On less grip than the
    target was made for the tyre is beyond its peak; there the wheels are taken as an integrator,
    and ``runaway`` tells how much faster a loop has to be. A charged engine is taken with its full
    boost before the plate, where a plate gives most.
    """
    rec = car.record
    radius = float(rec["tyre_radius"])
    state = BoostState.HELD if car.charged else BoostState.SETTLED
    span = car.psi_open - car.psi_closed
    speeds = np.asarray(speeds, dtype=np.float64)
    full = evaluate(car, speeds, np.full((speeds.size, 1), car.psi_open), state=state)[0]["torque"]
    found = []
    spinning = spinning_gears(car, target.slip)
    # what the engine side weighs changes steadily with the gear: the ends and one between
    chosen = sorted({spinning[0], spinning[len(spinning) // 2], spinning[-1]}) if spinning else []
    for gear in chosen:
        ratio = _ratio(car, gear)
        road = speeds * radius / (ratio * (1.0 + target.slip))
        # the setpoint is larger at walking pace: there it is carried at that slip
        slip = target.at(road)
        carried = np.array(
            [[carried_torque(car, gear, float(s), g) for g in GRIPS] for s in slip], dtype=float
        )
        plate = np.asarray(plate_for_torque(car, speeds, carried, state=state))
        step = 0.02 * plate + 0.05

        def torque(pct: Floats) -> Floats:
            psi = car.psi_closed + 0.01 * span * np.clip(pct, 0.0, 100.0)
            return np.asarray(evaluate(car, speeds, psi, state=state)[0]["torque"])

        per_pct = (torque(plate + step) - torque(plate - step)) / (2.0 * step)
        for i, omega in enumerate(speeds):
            for j, grip in enumerate(GRIPS):
                if carried[i, j] > 0.98 * full[i, 0] or per_pct[i, j] <= 0.0:
                    continue
                slope = _slope(car, float(slip[i]), grip=grip)
                inertia = _inertia(car, ratio) + float(rec["wheel_inertia"])
                found.append(
                    SlipPoint(
                        gear,
                        float(omega),
                        grip,
                        float(carried[i, j]),
                        float(plate[i, j]),
                        float(per_pct[i, j]),
                        replace(
                            _wheels(car, ratio, speed=float(road[i]), slope=slope),
                            name=f"gear {gear}, {omega * 30 / math.pi:.0f} rpm, grip {grip:g}",
                        ),
                        max(0.0, -slope * radius**2 / (float(road[i]) * inertia)),
                    )
                )
    return tuple(found)


def with_air(car: Car, point: SlipPoint, *, per_pct: bool = True) -> Plant:
    """Slip over the plate target, or over the torque that the plate asks for.

    Parameters
    ----------
    car : Car
        The car.
    point : SlipPoint
        The wheels.
    per_pct : bool
        Whether per percent of plate rather than per N m.

    Returns
    -------
    Plant
        Behind servo, filling, induction and tick.
    """
    wheels = point.wheels
    return replace(
        wheels,
        gain=wheels.gain * (point.per_pct if per_pct else 1.0),
        lags=(*wheels.lags, filling_time(car, point.omega)),
        seconds=(*wheels.seconds, SERVO),
        delay=induction_delay(car, point.omega) + TICKS,
    )


def with_spark(car: Car, point: SlipPoint) -> Plant:
    """Slip over the torque that ignition asks for, behind one firing interval and the tick.

    Parameters
    ----------
    car : Car
        The car.
    point : SlipPoint
        The wheels.

    Returns
    -------
    Plant
        Per N m.
    """
    interval = 4.0 * math.pi / (float(car.record["cylinders"]) * point.omega)
    return replace(point.wheels, delay=interval + TICKS)


def ahead_gain(car: Car, points: Sequence[SlipPoint]) -> Controller:
    """Largest proportional gain with a lead, in torque over slip, that keeps the margins.

    Parameters
    ----------
    car : Car
        The car.
    points : sequence of SlipPoint
        That share the gain, at least one.

    Returns
    -------
    Controller
        Its ``kp`` in N m over slip, with the lead ``LEAD``.
    """
    plants = _distinct([with_air(car, p, per_pct=False) for p in points])
    kp = pi_for_margins(plants, _ROOM_PHASE, _ROOM_GAIN, integral_time=math.inf).kp
    best = Controller(kp, 0.0, LEAD, SLOPE_FILTER)
    while not _keeps(loop_margins(plants, best), _ROOM_PHASE, _ROOM_GAIN):
        best = replace(best, kp=0.8 * best.kp)
    for factor in _STEPS:
        for _ in range(4):
            tried = replace(best, kp=best.kp * factor)
            if not _keeps(loop_margins(plants, tried), _ROOM_PHASE, _ROOM_GAIN):
                break
            best = tried
    return best


def spark_gain(car: Car, points: Sequence[SlipPoint]) -> Controller:
    """Largest proportional gain of the ignition, in torque over slip.

    Parameters
    ----------
    car : Car
        The car.
    points : sequence of SlipPoint
        That share the gain, at least one.

    Returns
    -------
    Controller
        Its ``kp`` in N m over slip.
    """
    plants = _distinct([with_spark(car, p) for p in points])
    return Controller(pi_for_margins(plants, _SPARK_PHASE, _SPARK_GAIN, integral_time=math.inf).kp)


def hold_gains(car: Car, points: Sequence[SlipPoint]) -> Controller:
    """Gains of the loop that trims the plate, one pair for all points.

    Parameters
    ----------
    car : Car
        The car.
    points : sequence of SlipPoint
        At least one.

    Returns
    -------
    Controller
        In % of plate over slip.
    """
    plants = [with_air(car, p) for p in points]
    return pi_for_margins(plants, _ROOM_PHASE, _ROOM_GAIN, integral_time=_INTEGRAL)


def loop_margins(plants: Sequence[Plant], controller: Controller) -> Margins:
    """Smallest margins of a controller over several plants.

    Parameters
    ----------
    plants : sequence of Plant
        At least one.
    controller : Controller
        Gains in the plants' own unit.

    Returns
    -------
    Margins
        As ``margins.smallest``.
    """
    return smallest([margins(plant, controller) for plant in _distinct(plants)])


def _distinct(plants: Sequence[Plant]) -> list[Plant]:
    """Plants without those that differ by name alone, as wheels beyond the peak do."""
    return list({replace(plant, name=""): plant for plant in plants}.values())


def _keeps(found: Margins, phase: float, gain: float) -> bool:
    return found.stable and found.phase_deg >= phase and found.gain >= gain
