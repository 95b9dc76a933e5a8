"""The idle loop: its plants over speed and temperature, its gains by margins, its load step."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from throttlewright.car.pack import Car
from throttlewright.car.record import BoostState
from throttlewright.car.surface import evaluate
from throttlewright.design.idle_air import IdlePoint, ignition_share, point_at
from throttlewright.design.margins import Controller, Plant, pi_for_margins

__all__ = [
    "GAIN_MARGIN",
    "PHASE_MARGIN_DEG",
    "IdlePlant",
    "Step",
    "air_gains",
    "air_plants",
    "idle_plant",
    "load_step",
    "spark_gain",
    "spark_plant",
]

PHASE_MARGIN_DEG = 45.0
GAIN_MARGIN = 2.05
"""Margins that every corner keeps: 45 deg and 6 dB, with a little for rounding. Common practice,
no source."""
_SPARK_PHASE_DEG = 60.0
_SERVO_LAG = 0.06
"""Plate servo [s]: 50 to 100 ms for the small steps of idle, servo model."""
_MOST_SPARK = 0.5
"""Largest gain of ignition on speed [deg/rpm]: above it the ripple of single cylinders is answered.
Tool default."""
_TIMES = np.geomspace(0.08, 4.0, 26)
_RPM = 30.0 / math.pi
_NEAR = 0.004
_TICK = 0.002


@dataclass(frozen=True)
class IdlePlant:
    """What the loop acts on, about one idling point.

    ``filling`` [s] of the manifold, ``delay`` [s] from filling to torque, ``drag`` [N m s/rad]:
    rise of the lost torque over speed, ``charge_torque`` [N m]: torque for the whole charge, with
    the pumping that it saves, ``air_per_pct`` [1/%]: relative air for one percent of plate,
    ``inertia`` [kg m2], ``spark`` [N m/deg]: torque that one degree gives back at this retard.
    """

    point: IdlePoint
    filling: float
    delay: float
    drag: float
    charge_torque: float
    air_per_pct: float
    inertia: float
    spark: float


def idle_plant(car: Car, point: IdlePoint, *, retard_deg: float) -> IdlePlant:
    """Linear plant of an idling engine from the car model.

    Parameters
    ----------
    car : Car
        The car.
    point : IdlePoint
        Where it idles.
    retard_deg : float [deg]
        Ignition behind best torque there.

    Returns
    -------
    IdlePlant
        Its lags and slopes.

    Notes
    -----
    The manifold fills as tau dQ/dt = m_plate/w - Q, Q the charge for each radian; a choked plate
    passes air whatever the speed. tau = V dp/dm / (R T), by differences of the model.
    """
    rec, omega = car.record, point.omega
    span = car.psi_open - car.psi_closed
    near = _NEAR * span
    low = max(point.psi - near, car.psi_closed)
    grid = np.array([[low, point.psi + near]])
    found, _ = evaluate(car, np.array([omega]), grid, state=BoostState.INSTANT, cold=point.cold)
    flow, pressure = found["air_flow"][0], found["map"][0]
    torque = found["torque"][0]
    slope = max(float(flow[1] - flow[0]), 1e-9)
    volume = float(rec["manifold_volume"])
    if float(rec["individual"]) > 0.5:
        volume = car.build.plate.runner_volume * car.build.plate.count
    warm = float(found["manifold_temperature"][0, 0])
    filling = volume / (287.05 * warm) * float(pressure[1] - pressure[0]) / slope
    indicated = point.indicated * point.share
    per_flow = point.indicated / point.air_flow
    lost_saved = float(torque[1] - torque[0]) - per_flow * slope
    lost = []
    for factor in (0.95, 1.05):
        # the same charge for each radian: only what turning faster costs
        brake, there, _ = point_at(car, omega=factor * omega, psi=point.psi, cold=point.cold)
        lost.append(there - brake)
    ahead = ignition_share(car, omega, max(retard_deg - 0.5, 0.0))
    behind = ignition_share(car, omega, retard_deg + 0.5)
    width = min(retard_deg, 0.5) + 0.5
    return IdlePlant(
        point,
        filling=max(filling, 0.01),
        delay=float(rec["induction_delay"]) / omega,
        drag=max((lost[1] - lost[0]) / (0.10 * omega), 0.0),
        charge_torque=indicated + max(lost_saved, 0.0) / slope * point.air_flow,
        air_per_pct=slope / point.air_flow / (100.0 * float(grid[0, 1] - grid[0, 0]) / span),
        inertia=float(rec["engine_inertia"]),
        spark=point.indicated * (ahead - behind) / width,
    )


def air_plants(plants: Sequence[IdlePlant], *, spark_gain: float) -> tuple[Plant, ...]:
    """Loops of the plate, with ignition helping and with ignition at its end.

    Parameters
    ----------
    plants : sequence of IdlePlant
        Idling points over speed and temperature.
    spark_gain : float [deg/rpm]
        Gain of ignition on speed.

    Returns
    -------
    tuple of Plant
        Plate in % to engine speed in rpm: two for each point.

    Notes
    -----
    With charge q, speed v and plate u as shares: tau q' = u - q - v, J w v' = T q(t - d) - B w v.
    So v/u = T e^(-ds) / ((J w s + B w)(1 + tau s) + T e^(-ds)). Inside the loop the delay is taken
    as 1 - d s: it is short against the motion it damps less.
    """
    found = []
    for plant in plants:
        omega, torque = plant.point.omega, plant.charge_torque
        for gain in (0.0, spark_gain):
            drag = (plant.drag + gain * plant.spark * _RPM) * omega
            mass = plant.inertia * omega
            stiff = drag + torque
            square = mass * plant.filling / stiff
            first = (mass + drag * plant.filling - torque * plant.delay) / stiff
            natural = 1.0 / math.sqrt(square)
            damping = max(0.5 * first * natural, 0.05)
            found.append(
                Plant(
                    gain=torque / stiff * plant.air_per_pct * omega * _RPM,
                    lags=(_SERVO_LAG,),
                    seconds=((natural, damping),),
                    delay=plant.delay,
                    name=f"{omega * _RPM:.0f} rpm, friction x{plant.point.cold:.2f}, "
                    + ("with ignition" if gain else "ignition at its end"),
                )
            )
    return tuple(found)


def air_gains(plants: Sequence[IdlePlant], *, spark_gain: float) -> Controller:
    """Fastest gains of the plate that keep 45 deg and 6 dB on every point.

    Parameters
    ----------
    plants : sequence of IdlePlant
        Idling points over speed and temperature.
    spark_gain : float [deg/rpm]
        Gain of ignition on speed.

    Returns
    -------
    Controller
        k_p [%/rpm] and k_i [%/(rpm s)].
    """
    return pi_for_margins(
        air_plants(plants, spark_gain=spark_gain),
        PHASE_MARGIN_DEG,
        GAIN_MARGIN,
        integral_time=[float(t) for t in _TIMES],
    )


def spark_plant(car: Car, plant: IdlePlant) -> Plant:
    """Ignition in deg to engine speed in rpm, air held: a flywheel behind half a firing interval.

    Parameters
    ----------
    car : Car
        The car.
    plant : IdlePlant
        One idling point.

    Returns
    -------
    Plant
        Integrates; what charge and friction add is slower and damps.
    """
    firing = 4.0 * math.pi / float(car.record["cylinders"]) / plant.point.omega
    return Plant(
        gain=plant.spark * _RPM / plant.inertia,
        integrates=True,
        delay=1.5 * firing,
        name="ignition",
    )


def spark_gain(car: Car, plants: Sequence[IdlePlant]) -> float:
    """Return the gain of ignition on speed [deg/rpm] with 60 deg of phase left on every plant."""
    gains = []
    for plant in plants:
        loop = spark_plant(car, plant)
        # an integrator with a delay: phase margin = 90 deg - w d, and w = k gain
        omega = math.radians(90.0 - _SPARK_PHASE_DEG) / loop.delay
        gains.append(omega / loop.gain)
    return float(min(min(gains), _MOST_SPARK))


@dataclass(frozen=True)
class Step:
    """What a load step does: largest ``dip`` and ``flare`` [rpm] and time to be back [s]."""

    dip: float
    flare: float
    back: float


def load_step(
    car: Car,
    before: IdlePlant,
    after: IdlePoint,
    *,
    retard_deg: float,
    spark_gain: float,
    gains: Controller,
    lead: tuple[float, float] = (0.0, 1.0),
    known: bool = True,
) -> Step:
    """Load step on the idling engine, by its own few equations.

    Parameters
    ----------
    car : Car
        The car.
    before : IdlePlant
        Engine without the load.
    after : IdlePoint
        The same with the load.
    retard_deg : float [deg]
        Ignition behind best torque while speed is on its target.
    spark_gain : float [deg/rpm]
        Gain of ignition on speed.
    gains : Controller
        Of the plate.
    lead : tuple of float [%, %/s]
        Opening that the plate is ahead of what the load needs at first, and its fall.
    known : bool
        Whether the load says that it comes.

    Returns
    -------
    Step
        Dip and flare after the load has come.
    """
    start = before.point
    omega0, load = start.omega, after.load
    # between the two points by the straight line through them: a quarter of the plate's air more
    per_pct = (after.air_flow / start.air_flow - 1.0) / max(after.plate_pct - start.plate_pct, 1e-6)
    saved = before.charge_torque - start.indicated * start.share
    lost = start.indicated * start.share - start.load
    degrees = np.linspace(0.0, 30.0, 61)
    shares = [ignition_share(car, omega0, float(d)) for d in degrees]
    depth = max(round(before.delay / _TICK), 1)
    past = [1.0] * depth
    omega, charge, plate, integral = omega0, 1.0, start.plate_pct, 0.0
    least, most, last = omega0, omega0, 0.0
    base = after.plate_pct if known else start.plate_pct
    for i in range(round(4.0 / _TICK)):
        error = (omega0 - omega) * _RPM
        ahead = max(lead[0] - lead[1] * i * _TICK, 0.0) if known else 0.0
        integral += gains.ki * error * _TICK
        target = max(base + gains.kp * error + integral, base + ahead if ahead else 0.0)
        plate += _TICK / _SERVO_LAG * (target - plate)
        air = max(1.0 + per_pct * (plate - start.plate_pct), 0.2)
        charge += _TICK / before.filling * (air * omega0 / omega - charge)
        past.append(charge)
        burnt = past[-1 - depth]
        degree = min(max(retard_deg - spark_gain * error, 0.0), 30.0)
        share = shares[min(int(2.0 * degree), 60)]
        torque = start.indicated * share * burnt + saved * (charge - 1.0)
        torque -= lost + before.drag * (omega - omega0) + load
        omega = max(omega + _TICK * torque / before.inertia, 0.3 * omega0)
        least, most = min(least, omega), max(most, omega)
        if abs(omega - omega0) * _RPM > 25.0:
            last = i * _TICK
    return Step((omega0 - least) * _RPM, (most - omega0) * _RPM, last)
