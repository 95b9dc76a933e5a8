"""Driveline and road: forces along the car, effective mass, shuffle frequency."""

from __future__ import annotations

import math

from throttlewright.foundation.compiled import kernel

__all__ = [
    "STANDARD_GRAVITY",
    "effective_mass",
    "engine_speed_from_vehicle",
    "longitudinal_acceleration",
    "road_load_force",
    "shaft_spring",
    "shuffle_frequency",
    "wheel_force",
]

STANDARD_GRAVITY = 9.80665
"""Standard acceleration of free fall [m/s^2], by definition (ISO 80000-3)."""


@kernel
def road_load_force(
    speed: float, mass: float, drag_area: float, rolling: float, density: float, slope: float
) -> float:
    """Return the force of air, rolling and slope against a car that moves forward.

    F = rho CdA v |v| / 2 + m g (C_rr cos(slope) + sin(slope))

    Parameters
    ----------
    speed : float [m/s]
        Speed of the car through still air, >= 0.
    mass : float [kg]
        Mass of the car, > 0.
    drag_area : float [m^2]
        Drag coefficient times frontal area, >= 0.
    rolling : float [-]
        Rolling resistance coefficient, >= 0.
    density : float [kg/m^3]
        Density of the air, >= 0.
    slope : float [rad]
        Slope of the road, uphill positive, -pi/2 to pi/2.

    Returns
    -------
    float
        Force against the motion [N].

    Notes
    -----
    Gillespie, Fundamentals of Vehicle Dynamics, 1992 (from memory). A car at rest meets at most the
    force that would move it, not this value.
    """
    air = 0.5 * density * drag_area * speed * abs(speed)
    return air + mass * STANDARD_GRAVITY * (rolling * math.cos(slope) + math.sin(slope))


@kernel
def wheel_force(torque: float, total_ratio: float, radius: float, efficiency: float) -> float:
    """Return the force at the tyres from a steady engine torque.

    F = T i eta / r when driving, T i / (eta r) on overrun

    Parameters
    ----------
    torque : float [N m]
        Torque at the crankshaft, negative on overrun.
    total_ratio : float [-]
        Engine speed over wheel speed (gear times final drive), > 0.
    radius : float [m]
        Rolling radius of the driven tyres, > 0.
    efficiency : float [-]
        Efficiency of the driveline, 0 < efficiency <= 1.

    Returns
    -------
    float
        Force at the contact patches, forward positive [N].

    Notes
    -----
    Power balance: losses weaken the drive and strengthen engine braking.
    """
    if torque >= 0.0:
        return torque * total_ratio * efficiency / radius
    return torque * total_ratio / (efficiency * radius)


@kernel
def effective_mass(
    mass: float, wheel_inertia: float, engine_inertia: float, total_ratio: float, radius: float
) -> float:
    """Return the mass that stands for the car and all parts that turn with it.

    m_eff = m + J_w / r^2 + J_e i^2 / r^2

    Parameters
    ----------
    mass : float [kg]
        Mass of the car, > 0.
    wheel_inertia : float [kg m^2]
        Inertia of all four wheels together, >= 0.
    engine_inertia : float [kg m^2]
        Inertia of engine, flywheel and clutch, >= 0.
    total_ratio : float [-]
        Engine speed over wheel speed, > 0; 0 in neutral.
    radius : float [m]
        Rolling radius of the tyres, > 0.

    Returns
    -------
    float
        Effective mass [kg].

    Notes
    -----
    Kinetic energy of all parts at one road speed; Gillespie 1992 (from memory).
    """
    turning = wheel_inertia + engine_inertia * total_ratio * total_ratio
    return mass + turning / (radius * radius)


@kernel
def longitudinal_acceleration(wheel_force: float, road_load: float, effective_mass: float) -> float:
    """Return the car's acceleration from the force at its tyres.

    a = (F_wheel - F_road) / m_eff

    Parameters
    ----------
    wheel_force : float [N]
        Force at the tyres, forward positive.
    road_load : float [N]
        Force of air, rolling and slope against the motion.
    effective_mass : float [kg]
        Mass including turning parts, > 0.

    Returns
    -------
    float
        Acceleration [m/s^2].

    Notes
    -----
    Newton's law; tyre slip is neglected.
    """
    return (wheel_force - road_load) / effective_mass


@kernel
def engine_speed_from_vehicle(speed: float, total_ratio: float, radius: float) -> float:
    """Return the engine speed at a road speed with the clutch closed.

    w = v i / r

    Parameters
    ----------
    speed : float [m/s]
        Speed of the car, >= 0.
    total_ratio : float [-]
        Engine speed over wheel speed, > 0.
    radius : float [m]
        Rolling radius of the driven tyres, > 0.

    Returns
    -------
    float
        Engine speed [rad/s].

    Notes
    -----
    Kinematics without tyre slip.
    """
    return speed * total_ratio / radius


@kernel
def shuffle_frequency(stiffness: float, inertia_engine: float, inertia_car: float) -> float:
    """Return the frequency of the driveline's shuffle, two inertias on one spring.

    f = sqrt(k (1/J1 + 1/J2)) / (2 pi)

    Parameters
    ----------
    stiffness : float [N m/rad]
        Stiffness of shafts and tyres in series, at the wheel, > 0.
    inertia_engine : float [kg m^2]
        Engine inertia times total ratio squared, > 0.
    inertia_car : float [kg m^2]
        Mass of the car times tyre radius squared, > 0.

    Returns
    -------
    float
        Frequency [Hz].

    Notes
    -----
    Eriksson and Nielsen, Modeling and Control of Engines and Drivelines (from memory). No lash and
    no tyre slip; in high gears the tyre brings the real value down. Real cars: 2 to 8 Hz (from
    memory).
    """
    stiffness_share = stiffness * (1.0 / inertia_engine + 1.0 / inertia_car)
    return math.sqrt(stiffness_share) / (2.0 * math.pi)


@kernel
def shaft_spring(twist: float, lash: float, stiffness: float) -> float:
    """Return the shaft torque from twist across a gap.

    T = k (twist - lash / 2) above the gap, k (twist + lash / 2) below it, 0 inside

    Parameters
    ----------
    twist : float [rad]
        Twist at the wheels, engine side ahead positive, gap included.
    lash : float [rad]
        Whole gap at the wheels, >= 0.
    stiffness : float [N m/rad]
        Stiffness at the wheels, > 0.

    Returns
    -------
    float
        Torque on the wheels [N m].

    Notes
    -----
    Dead-zone model of backlash (Lagerberg; from memory).
    """
    half = 0.5 * lash
    if twist > half:
        return stiffness * (twist - half)
    if twist < -half:
        return stiffness * (twist + half)
    return 0.0
