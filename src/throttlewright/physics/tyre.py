"""Tyres: load transfer, limits of grip, longitudinal force over slip."""

from __future__ import annotations

import math
from collections.abc import Callable

from throttlewright.foundation.compiled import kernel
from throttlewright.physics.driveline import STANDARD_GRAVITY

__all__ = [
    "axle_load",
    "grip_limited_acceleration",
    "load_transfer",
    "low_speed_share",
    "magic_formula",
    "magic_formula_1987",
    "magic_formula_a31",
    "normal_load_front",
    "normal_load_rear",
    "peak_slip",
    "shape_peak_slip",
    "tyre_share",
]

_LOAD_REF_A31 = 4000.0
_SHAPE = 1.685  # pCx1 and pEx1 of table A3.1
_CURVATURE = 0.344
_PEAK = 1.5329258834  # B * slip where that shape peaks: C atan(x - E (x - atan x)) = pi / 2
_LOW_SPEED = 2.5  # m/s


@kernel
def load_transfer(mass: float, accel: float, cg_height: float, wheelbase: float) -> float:
    """Return the load that moves from the front axle to the rear axle.

    dF = m a h / L

    Parameters
    ----------
    mass : float [kg]
        Mass of the car, > 0.
    accel : float [m/s^2]
        Acceleration, forward positive.
    cg_height : float [m]
        Height of the centre of gravity, >= 0.
    wheelbase : float [m]
        Wheelbase, > 0.

    Returns
    -------
    float
        Load moved to the rear axle [N].

    Notes
    -----
    Gillespie, Fundamentals of Vehicle Dynamics, 1992 (from memory): rigid car, steady.
    """
    return mass * accel * cg_height / wheelbase


@kernel
def normal_load_rear(
    mass: float, accel: float, rear_weight_share: float, cg_height: float, wheelbase: float
) -> float:
    """Return the load on the rear axle.

    F = m g share + m a h / L, between 0 and m g

    Parameters
    ----------
    mass : float [kg]
        Mass of the car, > 0.
    accel : float [m/s^2]
        Acceleration, forward positive.
    rear_weight_share : float [-]
        Share of the weight on the rear axle at rest, 0 to 1.
    cg_height : float [m]
        Height of the centre of gravity, >= 0.
    wheelbase : float [m]
        Wheelbase, > 0.

    Returns
    -------
    float
        Load on the rear axle [N].

    Notes
    -----
    Gillespie 1992 (from memory). At the bounds an axle leaves the ground and the model ends.
    """
    weight = mass * STANDARD_GRAVITY
    load = weight * rear_weight_share + load_transfer(mass, accel, cg_height, wheelbase)
    return min(weight, max(0.0, load))


@kernel
def normal_load_front(
    mass: float, accel: float, rear_weight_share: float, cg_height: float, wheelbase: float
) -> float:
    """Return the load on the front axle.

    F = m g - F_rear

    Parameters
    ----------
    mass : float [kg]
        Mass of the car, > 0.
    accel : float [m/s^2]
        Acceleration, forward positive.
    rear_weight_share : float [-]
        Share of the weight on the rear axle at rest, 0 to 1.
    cg_height : float [m]
        Height of the centre of gravity, >= 0.
    wheelbase : float [m]
        Wheelbase, > 0.

    Returns
    -------
    float
        Load on the front axle [N].

    Notes
    -----
    Gillespie 1992 (from memory).
    """
    rear = normal_load_rear(mass, accel, rear_weight_share, cg_height, wheelbase)
    return mass * STANDARD_GRAVITY - rear


@kernel
def grip_limited_acceleration(
    grip: float, driven: float, front_share: float, cg_height: float, wheelbase: float
) -> float:
    """Return the greatest acceleration that the driven tyres can pass to a level road.

    rear: mu g (1 - s) / (1 - mu h / L); front: mu g s / (1 + mu h / L); all: mu g

    Parameters
    ----------
    grip : float [-]
        Greatest longitudinal force over load, > 0.
    driven : float [-]
        Driven axle: 0 front, 1 rear, 2 all.
    front_share : float [-]
        Share s of the weight on the front axle at rest, 0 < front_share < 1.
    cg_height : float [m]
        Height of the centre of gravity, >= 0.
    wheelbase : float [m]
        Wheelbase, > 0.

    Returns
    -------
    float
        Acceleration [m/s^2]; for rear and all-wheel drive not above the one that lifts the front
        wheels, g s L / h.

    Notes
    -----
    Axle load by Gillespie 1992 (from memory), solved for F = mu F_z on the driven axle. No drag, no
    rolling resistance, no turning inertia; all-wheel drive is taken to share ideally.
    """
    slope = cg_height / wheelbase
    if driven < 0.5:
        return grip * STANDARD_GRAVITY * front_share / (1.0 + grip * slope)
    if grip * slope >= front_share:
        return STANDARD_GRAVITY * front_share / slope
    if driven < 1.5:
        return grip * STANDARD_GRAVITY * (1.0 - front_share) / (1.0 - grip * slope)
    return grip * STANDARD_GRAVITY


@kernel
def magic_formula(slip: float, load: float, B: float, C: float, D: float, E: float) -> float:
    """Return a tyre's longitudinal force from four coefficients.

    F = F_z D sin(C atan(B x - E (B x - atan(B x))))

    Parameters
    ----------
    slip : float [-]
        Longitudinal slip (w r - v) / abs(v), driving positive.
    load : float [N]
        Load on the tyre, >= 0.
    B : float [-]
        Stiffness factor, > 0.
    C : float [-]
        Shape factor, > 0.
    D : float [-]
        Peak force over load, > 0.
    E : float [-]
        Curvature factor, <= 1.

    Returns
    -------
    float
        Force [N], forward positive.

    Notes
    -----
    Pacejka, Tire and Vehicle Dynamics. Generic sets B, C, D, E: dry 10, 1.9, 1, 0.97; wet 12, 2.3,
    0.82, 1; snow 5, 2, 0.3, 1; ice 4, 2, 0.1, 1 (the last three from memory).
    """
    stretched = B * slip
    bent = stretched - E * (stretched - math.atan(stretched))
    return load * D * math.sin(C * math.atan(bent))


@kernel
def magic_formula_a31(slip: float, load: float) -> float:
    """Return the longitudinal force of a published 205/60R15 road tyre.

    F = D sin(C atan(B x - E (B x - atan(B x)))), x = slip + S_H, coefficients of load

    Parameters
    ----------
    slip : float [-]
        Longitudinal slip (w r - v) / abs(v), driving positive.
    load : float [N]
        Load on the tyre, 1000 to 8000; zero or less gives no force.

    Returns
    -------
    float
        Force [N], forward positive.

    Notes
    -----
    Pacejka, Tire and Vehicle Dynamics, appendix 3, table A3.1: 205/60R15 91V at 2.2 bar, nominal
    load 4000 N, pure longitudinal slip, dry. Not a slick: fit one's own coefficients. The small
    shift S_H means that the force at zero slip is not quite zero.
    """
    if load <= 0.0:
        return 0.0
    df = (load - _LOAD_REF_A31) / _LOAD_REF_A31
    shape = 1.685
    peak = 1.210 - 0.037 * df
    curvature = 0.344 + 0.095 * df - 0.020 * df * df
    stiffness = (21.51 - 0.163 * df) * math.exp(0.245 * df)
    shift = -0.002 + 0.002 * df
    return magic_formula(slip + shift, load, stiffness / (shape * peak), shape, peak, curvature)


@kernel
def magic_formula_1987(slip: float, load: float) -> float:
    """Return the longitudinal force of the road tyre published in 1987.

    D = -21.3 F_z^2 + 1144 F_z; BCD = (49.6 F_z^2 + 226 F_z) exp(-0.069 F_z), F_z in kN, slip in %

    Parameters
    ----------
    slip : float [-]
        Longitudinal slip as a share (not percent), driving positive.
    load : float [N]
        Load on the tyre, 2000 to 8000; zero or less gives no force.

    Returns
    -------
    float
        Force [N], forward positive.

    Notes
    -----
    Bakker, Nyborg and Pacejka, SAE 870421, with C = 1.65 and
    E = -0.006 F_z^2 + 0.056 F_z + 0.486.
    """
    if load <= 0.0:
        return 0.0
    kilo = load * 1e-3
    shape = 1.65
    peak = -21.3 * kilo * kilo + 1144.0 * kilo
    product = (49.6 * kilo * kilo + 226.0 * kilo) * math.exp(-0.069 * kilo)
    curvature = -0.006 * kilo * kilo + 0.056 * kilo + 0.486
    stiffness = product / (shape * peak)
    return magic_formula(slip * 100.0, load, stiffness, shape, peak / load, curvature)


def peak_slip(
    force: Callable[[float, float], float], load: float, *, slip_max: float = 1.0
) -> tuple[float, float]:
    """Return the slip of the greatest driving force and that force.

    Parameters
    ----------
    force : callable [N]
        Force over slip [-] and load [N], with one maximum between 0 and slip_max.
    load : float [N]
        Load on the tyre, > 0.
    slip_max : float [-]
        Greatest slip to look at, > 0.

    Returns
    -------
    tuple of float
        Slip [-] and force [N].

    Notes
    -----
    Grid of 200 intervals, then golden section between the neighbours of the best grid point. A
    curve that still rises at slip_max answers with slip_max.
    """
    steps = 200
    best = max(range(steps + 1), key=lambda i: force(slip_max * i / steps, load))
    low = slip_max * max(0, best - 1) / steps
    high = slip_max * min(steps, best + 1) / steps
    golden = 0.5 * (math.sqrt(5.0) - 1.0)
    left, right = high - golden * (high - low), low + golden * (high - low)
    while high - low > 1e-9 * slip_max:
        if force(left, load) < force(right, load):
            low, left = left, right
            right = low + golden * (high - low)
        else:
            high, right = right, left
            left = high - golden * (high - low)
    slip = 0.5 * (low + high)
    return slip, force(slip, load)


@kernel
def tyre_share(slip: float, grip: float, stiffness: float) -> float:
    """Return longitudinal force over load.

    D sin(C atan(B x - E (B x - atan(B x)))), D = grip, C = 1.685, E = 0.344, B = K / (C D)

    Parameters
    ----------
    slip : float [-]
        Slip, driving positive.
    grip : float [-]
        Peak force over load, > 0.
    stiffness : float [-]
        Slip stiffness over load at no slip, > 0.

    Returns
    -------
    float
        Force over load, forward positive [-].

    Notes
    -----
    Shape from Pacejka, Tire and Vehicle Dynamics, appendix 3, table A3.1.
    """
    factor = stiffness / (_SHAPE * grip)
    return magic_formula(slip, 1.0, factor, _SHAPE, grip, _CURVATURE)


@kernel
def shape_peak_slip(grip: float, stiffness: float) -> float:
    """Return the slip at which ``tyre_share`` peaks.

    slip = 1.533 C D / K, from C atan(x - E (x - atan(x))) = pi / 2 at x = 1.533

    Parameters
    ----------
    grip : float [-]
        Peak force over load, > 0.
    stiffness : float [-]
        Slip stiffness over load at no slip, > 0.

    Returns
    -------
    float
        Slip [-].

    Notes
    -----
    Shape from Pacejka, Tire and Vehicle Dynamics, appendix 3, table A3.1.
    """
    return _PEAK * _SHAPE * grip / stiffness


@kernel
def low_speed_share(speed: float) -> float:
    """Return how much of the low-speed treatment of the tyre applies.

    (1 - (v / v_low)^2)^2 below v_low = 2.5 m/s, 0 above

    Parameters
    ----------
    speed : float [m/s]
        Speed of the car.

    Returns
    -------
    float
        Share, 1 at rest and 0 from v_low up [-].

    Notes
    -----
    A modelling choice without source; smooth at both ends.
    """
    part = speed / _LOW_SPEED
    part = 1.0 - part * part
    return part * part if part > 0.0 else 0.0


@kernel
def axle_load(
    share: float,
    resistance: float,
    brake: float,
    direction: float,
    grip: float,
    static: float,
    weight: float,
    transfer: float,
) -> float:
    """Return the load on the driven axle, in balance with the force that it causes.

    F_z = F_z0 + (h / L) (share F_z - resistance - brake), solved for F_z

    Parameters
    ----------
    share : float [-]
        Force over load of the driven tyres.
    resistance : float [N]
        Air and rolling resistance, positive against forward motion.
    brake : float [N]
        Brake force asked of the wheels that are not driven, >= 0.
    direction : float [-]
        Sign of the car's speed.
    grip : float [-]
        Most force over load that those wheels pass on.
    static : float [N]
        Load on the driven axle without acceleration.
    weight : float [N]
        Load on both axles.
    transfer : float [-]
        Height of the centre of gravity over wheelbase; negative for front drive, 0 for all.

    Returns
    -------
    float
        Load, 0 to weight [N].

    Notes
    -----
    Load transfer by Gillespie 1992 (from memory), quasi-static. Solved in closed form rather than
    with the last acceleration, which would cost the scheme its second order; pitch and its lag of
    about 0.1 s are left out.
    """
    if transfer == 0.0:
        return static
    below = 1.0 - transfer * share
    above = static - transfer * (resistance + brake * direction)
    load = above / below if below > 0.05 else weight
    load = min(weight, max(0.0, load))
    if brake > grip * (weight - load):
        below = 1.0 - transfer * (share + grip * direction)
        above = static - transfer * (resistance + grip * weight * direction)
        load = above / below if below > 0.05 else weight
        load = min(weight, max(0.0, load))
    return load
