"""Driveline, tyre and vehicle in motion: one tick of engine speed, shafts, wheels and car.

Leapfrog in the form drift, kick, drift. Springs (shaft twist, tyre deflection) are evaluated once
in the middle of a substep, dampers by the trapezoidal rule inside one small linear solve, dry
friction (clutch, brakes, rolling resistance) as an impulse that stops at zero relative speed. So
a clutch locks exactly, a held wheel stays at rest, and smooth motion is second order in the step.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from throttlewright.car.record import CarRecord
from throttlewright.car.state import (
    ACCELERATION,
    DISTANCE,
    OMEGA,
    OMEGA_DRIVEN,
    OMEGA_FREE,
    OMEGA_GEARBOX,
    SHAFT_TORQUE,
    SLIP,
    SPEED,
    TWIST,
    TYRE,
    U_BRAKE,
    U_CLUTCH,
    U_GRADE,
    U_GRIP,
    U_HELD_SPEED,
    U_LOAD,
    U_RATIO,
)
from throttlewright.foundation.compiled import kernel
from throttlewright.physics.driveline import STANDARD_GRAVITY, shaft_spring
from throttlewright.physics.tyre import axle_load, low_speed_share, shape_peak_slip, tyre_share

__all__ = [
    "SUBSTEPS",
    "driveline_rates",
    "driveline_tick",
    "start_rolling",
    "start_standing",
    "synchronise",
]

SUBSTEPS = 2
"""Leapfrog steps in one tick: wheel on tyre turns about 0.1 rad of phase in each."""

# Modelling choices, no source. Near rest the tyre's own relaxation (rate |v| / sigma) no longer
# damps it, so a damper in the tread takes over and fades out as the car rolls.
LOW_SPEED_DAMPING = 0.3  # damping ratio of the stopped car on its tyres
NEUTRAL_TIME = 2.0  # s, of a gearbox input that runs freely in oil
RELAX_TIME = 0.02  # s, of twist in neutral and of springs while a dyno holds the speed
LEAST_GRIP = 1e-3  # so that the stiffness factor stays finite on no grip at all
_GAS_CONSTANT_AIR = 287.05  # J/(kg K)

_LEAST_HELD_SPEED = 1.0
"""Road speed below which a dyno leaves it alone [m/s]."""


@kernel
def _axle(car: CarRecord, grade: float) -> tuple[float, float, float, float, float]:
    # weight on the road, static load and transfer of the driven axle, brake share of the driven
    # wheels, damping of the tread at rest
    weight = car.mass * STANDARD_GRAVITY * math.cos(grade)
    slope = car.cg_height / car.wheelbase
    if car.driven > 1.5:
        static, transfer, braked = weight, 0.0, 1.0
    elif car.driven > 0.5:
        static, transfer, braked = weight * (1.0 - car.front_weight), slope, 1.0 - car.brake_front
    else:
        static, transfer, braked = weight * car.front_weight, -slope, car.brake_front
    spring = car.tyre_stiffness * static / car.tyre_relaxation
    damping = 2.0 * LOW_SPEED_DAMPING * math.sqrt(spring * car.mass)
    return weight, static, transfer, braked, damping


@kernel
def _sign(value: float) -> float:
    return 1.0 if value > 0.0 else (-1.0 if value < 0.0 else 0.0)


@kernel
def _loss(torque: float, ratio: float, omega: float, efficiency: float) -> float:
    # input torque over the loss-free one: losses take from whichever side gives power
    power = torque * ratio * (1.0 if omega >= 0.0 else -1.0)
    return 1.0 / efficiency if power > 0.0 else efficiency


@kernel
def _tread(
    tyre: float, speed: float, slide: float, relaxation: float, peak: float, step: float
) -> float:
    # sigma du/dt + |v| u = sigma (w r - v) by the implicit midpoint rule. At rest the deflection
    # ends at the peak: a contact that slides stores no more, and gives no more back. Rolling, the
    # force is taken as constant beyond a slip of 1.
    half = 0.5 * abs(speed) * step / relaxation
    moved = (tyre * (1.0 - half) + step * slide) / (1.0 + half)
    low = low_speed_share(speed)
    limit = relaxation * (1.0 + low * (min(1.0, peak) - 1.0))
    return min(limit, max(-limit, moved))


@kernel
def _damping(
    tread: float,
    speed: float,
    slide: float,
    past: float,
    share: float,
    grip: float,
    load: float,
) -> float:
    # N s/m: fades with speed and where the contact starts to slide, and never lifts the whole
    # force above grip, however fast a wheel spins beside a car at rest
    low = low_speed_share(speed)
    if low == 0.0:
        return 0.0
    room = (grip - share if slide > 0.0 else grip + share) * load
    wanted = tread * low * max(0.0, 1.0 - past * past)
    return room / abs(slide) if wanted * abs(slide) > room else wanted


@kernel
def driveline_tick(
    x: NDArray[np.float64],
    u: NDArray[np.float64],
    car: CarRecord,
    h: float,
    engine_torque: float,
) -> None:
    """Advance engine speed, driveline, tyre and car over one tick, in place.

    J_e dw/dt = T_e - T_load - T_clutch; J_g dw/dt = T_clutch - T_shaft / (i eta);
    J_w dw/dt = T_shaft - F r - T_brake; m dv/dt = F - air - rolling - m g sin(slope) - brakes

    Parameters
    ----------
    x : ndarray of float [SI]
        State by the indices of ``car.state``; changed in place.
    u : ndarray of float [SI]
        Inputs held over the tick, by the same module.
    car : record [SI]
        Packed car.
    h : float [s]
        Length of the tick, 0 < h <= 1e-3 for usual stiffness.
    engine_torque : float [N m]
        Brake torque of the engine, friction and pumping included, held over the tick.

    Notes
    -----
    Acceleration and shaft torque are written as means over the tick, slip as of its end. The
    engine does not turn backwards. Wheels that are not driven roll with the car. Clutch and
    brakes: Coulomb friction. In neutral the gearbox input runs freely and twist relaxes.
    """
    if u[U_HELD_SPEED] > 0.5:
        _held(x, u, car, h, engine_torque)
        return
    dt = h / SUBSTEPS
    half = 0.5 * dt
    ratio = u[U_RATIO]
    geared = abs(ratio) > 1e-6
    per_ratio = 1.0 / ratio if geared else 0.0
    grade = u[U_GRADE]
    weight, static, transfer, braked, tread = _axle(car, grade)
    climb = car.mass * STANDARD_GRAVITY * math.sin(grade)
    grip = max(LEAST_GRIP, car.grip * u[U_GRIP])
    peak = shape_peak_slip(grip, car.tyre_stiffness)
    radius = car.tyre_radius
    sigma = car.tyre_relaxation
    mass = car.mass
    wheel = car.wheel_inertia
    rolling = car.rolling * weight
    air = 0.5 * car.drag_area * car.p_ambient / (_GAS_CONSTANT_AIR * car.T_ambient)
    brake = min(1.0, max(0.0, u[U_BRAKE])) * car.brake_deceleration * mass
    brake_wheel = brake * braked * radius
    brake_free = brake * (1.0 - braked)
    clutch = car.clutch_capacity * min(1.0, max(0.0, u[U_CLUTCH])) * dt
    net = (engine_torque - u[U_LOAD]) * dt / car.engine_inertia
    drag = 0.0 if geared else half / NEUTRAL_TIME

    engine, gearbox, driven = x[OMEGA], x[OMEGA_GEARBOX], x[OMEGA_DRIVEN]
    twist, tyre, speed, distance = x[TWIST], x[TYRE], x[SPEED], x[DISTANCE]
    started = speed
    shaft_impulse = 0.0
    for _ in range(SUBSTEPS):
        # drift
        tyre = _tread(tyre, speed, driven * radius - speed, sigma, peak, half)
        if geared:
            twist += half * (gearbox * per_ratio - driven)
        distance += half * speed

        # forces in the middle
        slip = tyre / sigma
        share = tyre_share(slip, grip, car.tyre_stiffness)
        heading = _sign(speed)
        if heading == 0.0:
            # at rest nothing but the slope moves load
            load = min(weight, max(0.0, static + transfer * climb))
        else:
            resistance = air * speed * abs(speed) + rolling * heading
            load = axle_load(share, resistance, brake_free, heading, grip, static, weight, transfer)
        free = min(brake_free, grip * (weight - load))
        friction = rolling + free
        slide = driven * radius - speed
        b = half * _damping(tread, speed, slide, slip / peak, share, grip, load)
        spring = shaft_spring(twist, car.lash, car.shaft_stiffness) if geared else 0.0
        touching = geared and (spring != 0.0 or car.lash == 0.0)
        a = half * car.shaft_damping if touching else 0.0
        relative = gearbox * per_ratio - driven
        given = dt * spring + a * relative
        pushed = dt * share * load + b * slide
        loss = _loss(given, per_ratio, gearbox, car.driveline_efficiency) * per_ratio

        # kick: solve the chain car, wheels, gearbox, then clutch; again if friction or contact
        # turn out otherwise than taken
        turning = _sign(driven)
        hold_wheel = turning == 0.0 and brake_wheel > 0.0
        hold_car = heading == 0.0 and friction > 0.0
        new_engine, new_gearbox, new_driven, new_speed = engine, gearbox, driven, speed
        impulse = 0.0
        for _attempt in range(4):
            if hold_car:
                to_wheel, own = 0.0, 0.0
            else:
                below = mass + b + air * dt * abs(speed)
                to_wheel = b / below
                own = (mass * speed + pushed - dt * (heading * friction + climb)) / below
            if hold_wheel:
                to_gearbox, wheel_own = 0.0, 0.0
            else:
                below = wheel + a + radius * radius * b * (1.0 - to_wheel)
                to_gearbox = a * per_ratio / below
                wheel_own = wheel * driven + given - radius * pushed + radius * b * own
                wheel_own = (wheel_own - dt * turning * brake_wheel) / below
            below = car.gearbox_inertia * (1.0 + drag) + loss * a * (per_ratio - to_gearbox)
            above = car.gearbox_inertia * gearbox * (1.0 - drag) - loss * (given - a * wheel_own)
            alone = engine + net
            passed = (alone - above / below) / (1.0 / car.engine_inertia + 1.0 / below)
            if abs(passed) <= clutch:
                new_gearbox = (above + passed) / below
                new_engine = new_gearbox
            else:
                passed = clutch if passed > 0.0 else -clutch
                new_gearbox = (above + passed) / below
                new_engine = alone - passed / car.engine_inertia
            if new_engine < 0.0:
                # crank held at rest; the clutch then drags on the gearbox alone
                new_engine = 0.0
                passed = min(clutch, max(-clutch, -above))
                new_gearbox = (above + passed) / below if abs(above) > clutch else 0.0
            new_driven = wheel_own + to_gearbox * new_gearbox
            new_speed = own + to_wheel * radius * new_driven
            impulse = given + a * (new_gearbox * per_ratio - new_driven)
            contact = pushed + b * (new_driven * radius - new_speed)
            if hold_wheel and abs(impulse - radius * contact) > dt * brake_wheel:
                hold_wheel = False
                turning = _sign(impulse - radius * contact)
                continue
            if hold_car and abs(contact - dt * climb) > dt * friction:
                hold_car = False
                heading = _sign(contact - dt * climb)
                continue
            if touching and car.lash > 0.0 and impulse * spring < 0.0:
                # teeth push, they do not pull
                touching, a, given = False, 0.0, 0.0
                continue
            break
        if brake_wheel > 0.0 and new_driven * turning < 0.0:
            new_driven = 0.0
        if friction > 0.0 and new_speed * heading < 0.0:
            new_speed = 0.0
        engine, gearbox, driven, speed = new_engine, new_gearbox, new_driven, new_speed
        shaft_impulse += impulse

        # drift
        tyre = _tread(tyre, speed, driven * radius - speed, sigma, peak, half)
        if geared:
            twist += half * (gearbox * per_ratio - driven)
        distance += half * speed

    x[OMEGA], x[OMEGA_GEARBOX], x[OMEGA_DRIVEN] = engine, gearbox, driven
    x[TWIST] = twist if geared else twist * math.exp(-h / RELAX_TIME)
    x[TYRE], x[SPEED], x[DISTANCE] = tyre, speed, distance
    x[OMEGA_FREE] = speed / radius
    x[ACCELERATION] = (speed - started) / h
    x[SHAFT_TORQUE] = shaft_impulse / h
    x[SLIP] = tyre / sigma


@kernel
def _held(
    x: NDArray[np.float64],
    u: NDArray[np.float64],
    car: CarRecord,
    h: float,
    engine_torque: float,
) -> None:
    # A dyno takes up whatever would change a speed; the springs settle to what they would carry.
    part = 1.0 - math.exp(-h / RELAX_TIME)
    ratio = u[U_RATIO]
    grade = u[U_GRADE]
    weight, static, transfer, _braked, _tread_damping = _axle(car, grade)
    grip = max(LEAST_GRIP, car.grip * u[U_GRIP])
    most = car.clutch_capacity * min(1.0, max(0.0, u[U_CLUTCH]))
    shaft = 0.0
    if abs(ratio) > 1e-6:
        into = min(most, max(-most, engine_torque - u[U_LOAD]))
        loss = _loss(into * ratio, 1.0 / ratio, x[OMEGA_GEARBOX], car.driveline_efficiency)
        shaft = into * ratio / loss
    twist = shaft / car.shaft_stiffness + 0.5 * car.lash * _sign(shaft)
    x[TWIST] += part * (twist - x[TWIST])
    # Newton with the greatest slope: it never oversteps, and ends at the peak if grip ends there
    share = tyre_share(x[TYRE] / car.tyre_relaxation, grip, car.tyre_stiffness)
    speed = x[SPEED]
    air = 0.5 * car.drag_area * car.p_ambient / (_GAS_CONSTANT_AIR * car.T_ambient)
    heading = _sign(speed)
    resistance = air * speed * abs(speed) + car.rolling * weight * heading
    load = axle_load(share, resistance, 0.0, heading, grip, static, weight, transfer)
    missing = shaft / car.tyre_radius - share * load
    slope = car.tyre_stiffness * max(load, 0.1 * weight) / car.tyre_relaxation
    most = shape_peak_slip(grip, car.tyre_stiffness) * car.tyre_relaxation
    x[TYRE] = min(most, max(-most, x[TYRE] + part * missing / slope))
    slip = x[TYRE] / car.tyre_relaxation
    if abs(ratio) > 1e-6 and speed > _LEAST_HELD_SPEED:
        # the tyre of a pulling car slips: the road is the slower one, or letting go would be a blow
        x[SPEED] = x[OMEGA_DRIVEN] * car.tyre_radius / (1.0 + max(slip, -0.9))
    x[OMEGA_FREE] = x[SPEED] / car.tyre_radius
    x[ACCELERATION] = 0.0
    x[SHAFT_TORQUE] = shaft_spring(x[TWIST], car.lash, car.shaft_stiffness)
    x[SLIP] = slip


@kernel
def driveline_rates(
    x: NDArray[np.float64],
    u: NDArray[np.float64],
    car: CarRecord,
    engine_torque: float,
    dx: NDArray[np.float64],
) -> None:
    """Write the rates of change of the driveline's states, for a reference integrator.

    The equations of ``driveline_tick`` with the clutch locked: engine and gearbox input turn as
    one inertia, the rates of both speeds are the same.

    Parameters
    ----------
    x : ndarray of float [SI]
        State; engine and gearbox speed equal, in gear, car rolling.
    u : ndarray of float [SI]
        Inputs; the share of clutch capacity is not looked at.
    car : record [SI]
        Packed car.
    engine_torque : float [N m]
        Brake torque of the engine.
    dx : ndarray of float [SI/s]
        Receives the rates of engine, gearbox and wheel speed, twist, tyre deflection, speed and
        distance; other places are left alone.

    Notes
    -----
    Friction takes its sign from the speed, so the car must not come to rest; the limit that the
    tick sets to tyre deflection is left out.
    """
    ratio = u[U_RATIO]
    grade = u[U_GRADE]
    weight, static, transfer, braked, tread = _axle(car, grade)
    grip = max(LEAST_GRIP, car.grip * u[U_GRIP])
    peak = shape_peak_slip(grip, car.tyre_stiffness)
    speed, driven, tyre = x[SPEED], x[OMEGA_DRIVEN], x[TYRE]
    slide = driven * car.tyre_radius - speed
    slip = tyre / car.tyre_relaxation
    share = tyre_share(slip, grip, car.tyre_stiffness)
    heading = _sign(speed)
    air = 0.5 * car.drag_area * car.p_ambient / (_GAS_CONSTANT_AIR * car.T_ambient)
    resistance = air * speed * abs(speed) + car.rolling * weight * heading
    brake = min(1.0, max(0.0, u[U_BRAKE])) * car.brake_deceleration * car.mass
    free = brake * (1.0 - braked)
    load = axle_load(share, resistance, free, heading, grip, static, weight, transfer)
    free = min(free, grip * (weight - load))
    damping = _damping(tread, speed, slide, slip / peak, share, grip, load)
    force = share * load + damping * slide
    relative = x[OMEGA_GEARBOX] / ratio - driven
    torque = shaft_spring(x[TWIST], car.lash, car.shaft_stiffness)
    if torque != 0.0 or car.lash == 0.0:
        pushing = torque
        torque += car.shaft_damping * relative
        if car.lash > 0.0 and torque * pushing < 0.0:
            torque = 0.0
    loss = _loss(torque, 1.0 / ratio, x[OMEGA_GEARBOX], car.driveline_efficiency)
    both = car.engine_inertia + car.gearbox_inertia
    dx[OMEGA] = (engine_torque - u[U_LOAD] - loss * torque / ratio) / both
    dx[OMEGA_GEARBOX] = dx[OMEGA]
    dx[TWIST] = relative
    braking = brake * braked * car.tyre_radius * _sign(driven)
    dx[OMEGA_DRIVEN] = (torque - force * car.tyre_radius - braking) / car.wheel_inertia
    dx[TYRE] = slide - abs(speed) * tyre / car.tyre_relaxation
    climb = car.mass * STANDARD_GRAVITY * math.sin(grade)
    dx[SPEED] = (force - resistance - heading * free - climb) / car.mass
    dx[DISTANCE] = speed


@kernel
def start_rolling(x: NDArray[np.float64], speed: float, ratio: float, car: CarRecord) -> None:
    """Set the driveline to roll at a road speed in gear, clutch engaged, no torque anywhere.

    w = v i / r

    Parameters
    ----------
    x : ndarray of float [SI]
        State; changed in place.
    speed : float [m/s]
        Road speed, >= 0.
    ratio : float [-]
        Gear times final drive; 0 in neutral, which leaves engine and gearbox speed as they are.
    car : record [SI]
        Packed car.
    """
    wheels = speed / car.tyre_radius
    x[SPEED] = speed
    x[OMEGA_DRIVEN], x[OMEGA_FREE] = wheels, wheels
    if abs(ratio) > 1e-6:
        x[OMEGA], x[OMEGA_GEARBOX] = wheels * ratio, wheels * ratio
    x[TWIST], x[TYRE], x[DISTANCE] = 0.0, 0.0, 0.0
    x[ACCELERATION], x[SHAFT_TORQUE], x[SLIP] = 0.0, 0.0, 0.0


@kernel
def start_standing(x: NDArray[np.float64], omega: float, ratio: float) -> None:
    """Set the car to stand while the engine runs.

    Parameters
    ----------
    x : ndarray of float [SI]
        State; changed in place.
    omega : float [rad/s]
        Engine speed, >= 0.
    ratio : float [-]
        Gear times final drive; 0 in neutral, where the gearbox input turns with the engine.
    """
    x[OMEGA] = omega
    x[OMEGA_GEARBOX] = 0.0 if abs(ratio) > 1e-6 else omega
    x[SPEED], x[OMEGA_DRIVEN], x[OMEGA_FREE] = 0.0, 0.0, 0.0
    x[TWIST], x[TYRE], x[DISTANCE] = 0.0, 0.0, 0.0
    x[ACCELERATION], x[SHAFT_TORQUE], x[SLIP] = 0.0, 0.0, 0.0


@kernel
def synchronise(x: NDArray[np.float64], ratio: float) -> None:
    """Bring the gearbox input to the speed of the gear that is about to engage.

    w_g = i w_driven

    Parameters
    ----------
    x : ndarray of float [SI]
        State; changed in place.
    ratio : float [-]
        Gear times final drive of the new gear; 0 leaves the state alone.

    Notes
    -----
    Stands for the synchroniser, clutch open. Without it a new ratio meets the old speed and the
    shaft takes the blow, as it does in a gearbox without synchronisers. The impulse on the car is
    left out: the input's inertia is small beside it.
    """
    if abs(ratio) > 1e-6:
        x[OMEGA_GEARBOX] = x[OMEGA_DRIVEN] * ratio
        x[TWIST] = 0.0
