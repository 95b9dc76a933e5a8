"""Fast path of traction control: retard, then fuel cylinder by cylinder."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from throttlewright.calibration.calibration import Number
from throttlewright.calibration.limits import Limit
from throttlewright.calibration.table import Axis, Table
from throttlewright.car.pack import Car
from throttlewright.car.record import BoostState
from throttlewright.car.surface import evaluate
from throttlewright.design.holding import margins_text
from throttlewright.design.margins import smallest
from throttlewright.design.rows import Rows
from throttlewright.design.slip_target import SlipTarget
from throttlewright.design.traction_gains import SlipPoint, loop_margins, spark_gain, with_spark
from throttlewright.physics.combustion import IGNITION_CURVATURE

__all__ = [
    "GATE",
    "START_WITHIN",
    "fuel_allowed",
    "fuel_rows",
    "full_torque",
    "nearest_points",
    "spark_rows",
    "spark_start_rows",
]

Floats = NDArray[np.float64]

GATE = 4.0
"""Road speed from which slip is read as a share [m/s]; below it the start row reads the driven
wheels. A lost sensor of the free wheels reads 0 and stays below. Tool default."""
START_WITHIN = 4.0
"""Longest time of the start row [s]; after it the driven wheels have to stop before it acts
again, so that a lost sensor takes power for no longer. Tool default."""
_RETARD = 25.0
"""Most retard [deg]: later, exhaust and valves get hot within seconds; from memory."""
_SPARK_FROM = 1.2
"""Slip over the target from which ignition helps [-]: below it the plate is alone, or the engine
would run late for as long as the tyres are near their peak. Tool default."""
_FUEL_FROM = 2.0
_FUEL_STEP = 0.05
"""Slip over the target at which the first cylinder goes, and from cylinder to cylinder [-]. Tool
default."""
_FAST_FALL = 1e3


def fuel_allowed(car: Car) -> bool:
    """Tell whether single cylinders may go without fuel.

    Parameters
    ----------
    car : Car
        The car.

    Returns
    -------
    bool
        Not on a car with a catalyst: air and fuel of the other cylinders burn in it. Where the
        build does not say, a road car has one.
    """
    catalyst = car.build.engine.catalyst
    return not (car.build.use == "road" if catalyst is None else catalyst)


def full_torque(car: Car, speeds: Floats) -> Floats:
    """Torque of the open plate, with full boost before it where the engine is charged.

    Parameters
    ----------
    car : Car
        The car.
    speeds : ndarray of shape (n,) [rad/s]
        Engine speeds.

    Returns
    -------
    ndarray of shape (n,) [N m]
        Brake torque.
    """
    state = BoostState.HELD if car.charged else BoostState.SETTLED
    psi = np.full((speeds.size, 1), car.psi_open)
    return np.asarray(evaluate(car, speeds, psi, state=state)[0]["torque"][:, 0])


def nearest_points(points: tuple[SlipPoint, ...], omega: float) -> list[SlipPoint]:
    """Points of the nearest speed that has any.

    Parameters
    ----------
    points : tuple of SlipPoint
        At least one.
    omega : float [rad/s]
        Engine speed.

    Returns
    -------
    list of SlipPoint
        All of one speed.
    """
    near = min(points, key=lambda p: abs(p.omega - omega)).omega
    return [p for p in points if p.omega == near]


def spark_rows(
    car: Car, target: SlipTarget, points: tuple[SlipPoint, ...], speeds: Floats, period: float
) -> Rows:
    """Retard that grows with slip over the target.

    Parameters
    ----------
    car : Car
        The car.
    target : SlipTarget
        Slip sought.
    points : tuple of SlipPoint
        The linear wheels.
    speeds : ndarray of shape (n,) [rad/s]
        Engine speeds of the table.
    period : float [s]
        Of the driveline: retard fades out over it.

    Returns
    -------
    Rows
        Rows, tables, numbers and notes.
    """
    full = full_torque(car, speeds)
    bands, found = [], []
    for omega, torque in zip(speeds, full, strict=True):
        here = nearest_points(points, float(omega))
        gains = spark_gain(car, here)
        bands.append(torque / gains.kp)
        found.append(loop_margins([with_spark(car, p) for p in here], gains))
    band = np.array(bands)
    start = _SPARK_FROM * target.slip
    slip = start + np.array([0.0, 0.02, 0.05, 0.1, 0.15, 0.2, 0.3, 0.4])
    cut = np.clip((slip[:, None] - start) / band[None, :], 0.0, 1.0)
    retard = np.degrees(np.sqrt(cut / IGNITION_CURVATURE))
    row = Limit(
        "traction_spark",
        "retard",
        "floor",
        "table",
        x="slip_1",
        y="engine_rpm",
        table="traction_retard",
        arm=f"slip_1 > {start:.4g} and speed_m_s > {GATE:g}",
        hysteresis=round(0.2 * target.slip, 4),
        rise_rate=_FAST_FALL,
        fall_rate=round(_RETARD / period, 1),
        reason="takes torque within one firing until the plate has come down",
        source="tyre curve and torque over ignition, computed",
    )
    table = Table(
        "traction_retard",
        "ignition behind best torque",
        "deg",
        (
            Axis("slip_1", "", np.round(slip, 4)),
            Axis("engine_rpm", "rpm", np.round(speeds * 30.0 / math.pi)),
        ),
        np.round(np.minimum(retard, _RETARD), 2),
        note="inverse of the quadratic loss of torque",
    )
    lost = IGNITION_CURVATURE * math.radians(_RETARD) ** 2
    return Rows(
        (row,),
        (table,),
        {},
        (
            f"traction control, ignition: up to {_RETARD:.0f} deg, which takes {100 * lost:.0f} % "
            f"of the torque; at worst {margins_text(smallest(found))}",
        ),
    )


def spark_start_rows(target: SlipTarget, period: float) -> Rows:
    """Retard at walking pace, for a limited time.

    Parameters
    ----------
    target : SlipTarget
        Slip sought.
    period : float [s]
        Of the driveline: retard fades out over it.

    Returns
    -------
    Rows
        Rows, tables, numbers and notes.
    """
    start = float(target.at(np.array([2.0]))[0])
    name = "traction_spark_start"
    row = Limit(
        name,
        "retard",
        "floor",
        "table",
        x="slip_1",
        table="traction_retard_start",
        arm=f"slip_1 > {1.5 * start:.4g} and speed_m_s < {GATE:g}",
        hysteresis=round(0.5 * start, 4),
        rise_rate=_FAST_FALL,
        fall_rate=round(_RETARD / period, 1),
        reason="takes torque from wheels that spin at walking pace until the plate has come down",
        source="tool default",
    )
    table = Table(
        "traction_retard_start",
        "ignition behind best torque",
        "deg",
        (Axis("slip_1", "", np.array([round(1.5 * start, 4), round(3.0 * start, 4)])),),
        np.array([0.0, _RETARD]),
        note="slow enough beside the plate: slip is spread over a wide range",
    )
    within = Number(START_WITHIN, "s", "a lost sensor must not strand the car")
    return Rows((row,), (table,), {f"{name}.within_s": within})


def fuel_rows(car: Car, target: SlipTarget) -> Rows:
    """Fuel cut cylinder by cylinder, where nothing suffers from it.

    Parameters
    ----------
    car : Car
        The car.
    target : SlipTarget
        Slip sought.

    Returns
    -------
    Rows
        Rows, tables, numbers and notes.
    """
    if not fuel_allowed(car):
        return Rows(
            notes=(
                "traction control: no fuel is cut by cylinder, because air from a cylinder "
                "without fuel and the fuel of the others burn in the catalyst",
            )
        )
    count = int(car.record["cylinders"])
    most = count // 2
    start = _FUEL_FROM * target.slip
    slip, share = [start], [0.0]
    for k in range(1, most + 1):
        at = start + k * _FUEL_STEP
        slip += [at, at + 0.001]
        share += [(k - 1) / count, k / count]
    ambient = float(car.record["p_ambient"]) / 1e3
    arm = f"slip_1 > {start:.4g} and speed_m_s > {GATE:g}"
    notes: tuple[str, ...] = (
        f"traction control, fuel: up to {most} of {count} cylinders, the first at a slip of "
        f"{start + _FUEL_STEP:.2f}: the engine shakes and the exhaust bangs",
    )
    if car.charged:
        arm += f" and map_kPa < {math.floor(ambient):g}"
        notes += (
            "traction control: no fuel is cut by cylinder above ambient pressure, where a cylinder "
            "on the way in or out of it burns lean, whatever the intent asks for",
        )
    row = Limit(
        "traction_fuel",
        "fuel_cut",
        "floor",
        "table",
        x="slip_1",
        table="traction_cylinders",
        arm=arm,
        hysteresis=round(0.3 * target.slip, 4),
        reason="takes cylinder by cylinder what ignition leaves",
        source="tool default",
    )
    table = Table(
        "traction_cylinders",
        "share of cylinders without fuel",
        "",
        (Axis("slip_1", "", np.round(slip, 4)),),
        np.round(share, 4),
        note=f"steps of one cylinder of {count}",
    )
    return Rows((row,), (table,), {}, notes)
