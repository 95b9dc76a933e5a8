"""Traction: slip held under the tyre's peak by the plate, with ignition and fuel as the fast path.

Everything here lowers torque. The plate is slow: servo, filling and induction leave its loop a few
rad/s. Ignition acts within one firing interval, but takes only part of the torque and heats the
exhaust, so it bridges the time until the plate has come down.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from throttlewright.build.intent import Intent
from throttlewright.calibration.calibration import Number
from throttlewright.calibration.limits import Limit
from throttlewright.calibration.table import Axis, Table
from throttlewright.car.pack import Car
from throttlewright.car.record import BoostState
from throttlewright.car.surface import evaluate
from throttlewright.design.holding import margins_text, plate_for_torque
from throttlewright.design.margins import smallest
from throttlewright.design.role import Role, Shown, Typical
from throttlewright.design.rows import PLATE_PCT, Rows, merged
from throttlewright.design.shuffle import shuffle
from throttlewright.design.slip_target import SlipTarget, slip_target
from throttlewright.design.speed_limits import least_plate
from throttlewright.design.traction_fast import (
    GATE,
    START_WITHIN,
    fuel_rows,
    full_torque,
    nearest_points,
    spark_rows,
    spark_start_rows,
)
from throttlewright.design.traction_gains import (
    GRIPS,
    LEAD,
    SlipPoint,
    ahead_gain,
    carried_torque,
    hold_gains,
    loop_margins,
    slip_points,
    spinning_gears,
    with_air,
)
from throttlewright.foundation.errors import InputError

__all__ = ["ROLE", "engine_speeds", "recovery_rate", "traction"]

Floats = NDArray[np.float64]

_MOVING = 1.0
_CLOSING = 500.0
"""Fall of a ceiling [%/s]: more than a servo does, so that it is never what is waited for."""
_POINTS = 4
_CUTS = np.array([0.0, 0.03, 0.1, 0.2, 0.35, 0.5, 0.65, 0.8, 0.92])
"""Share of the full torque that is taken away where the ceiling ahead is tabled [-]."""


def engine_speeds(car: Car) -> Floats:
    """Engine speeds at which traction control is designed.

    Parameters
    ----------
    car : Car
        The car.

    Returns
    -------
    ndarray [rad/s]
        From 2500 rpm, below which no wheel spins for long, to the limit.
    """
    low = min(2500.0 * math.pi / 30.0, 0.5 * car.limit)
    return np.linspace(low, 0.97 * car.limit, _POINTS)


def recovery_rate(car: Car, gears: tuple[int, ...]) -> tuple[float, float]:
    """Rise of the ceilings that brings torque back over one period of the driveline.

    Parameters
    ----------
    car : Car
        The car.
    gears : tuple of int
        Gears in which the wheels spin, at least one.

    Returns
    -------
    tuple of float [%/s, s]
        Rate and period of the slowest of these gears.

    Notes
    -----
    A ramp of torque as long as a period leaves no swing behind (input shaping, from memory). Most
    torque hangs on the first part of the travel: up to the authority end, 97 % of the torque at
    the middle of the speeds.
    """
    period = max(shuffle(car, gear).period_s for gear in gears)
    omega = np.array([float(np.median(engine_speeds(car)))])
    full = evaluate(car, omega, np.array([[car.psi_open]]))[0]["torque"]
    end = float(plate_for_torque(car, omega, 0.97 * full)[0, 0])
    return round(end / period, 1), period


def traction(car: Car, intent: Intent) -> Rows:
    """Ceilings of the plate, floors of retard and fuel cut that hold the slip of the driven wheels.

    Parameters
    ----------
    car : Car
        The car.
    intent : Intent
        With or without traction control.

    Returns
    -------
    Rows
        Nothing where it is not asked for; refused where no gear overcomes the tyres.

    Notes
    -----
    Slow path: a ceiling over slip and its slope whose table is the inverse engine, so that the
    loop's gain in torque is the same on every plate; a loop with an integral that trims it; below
    walking pace a loop on the driven wheels. Fast path: retard, then fuel cylinder by cylinder.
    """
    wanted = intent.traction
    if wanted is None:
        return Rows()
    if int(car.record["gears"]) < 1:
        return Rows(refused="traction control: the car has no gears, so no wheels to spin")
    target = slip_target(car, intent)
    speeds = engine_speeds(car)
    points = slip_points(car, target, speeds)
    gears = spinning_gears(car, target.slip)
    if not points:
        return Rows(
            refused="traction control: the engine overcomes the tyres in no gear, even on a third "
            "of their grip: it would never act"
        )
    rise, period = recovery_rate(car, gears)
    parts = [
        _ahead(car, target, points, speeds, rise),
        _hold(car, target, points, speeds, rise),
        _start(car, target, points, speeds, rise),
    ]
    if wanted.fast != "none":
        parts.append(spark_rows(car, target, points, speeds, period))
        parts.append(spark_start_rows(target, period))
    if wanted.fast in ("auto", "ignition and fuel"):
        parts.append(fuel_rows(car, target))
    beyond = max(p.runaway for p in points)
    note = (
        f"traction control: slip of {target.slip:.3f} ({target.source}; peak at {target.peak:.3f}, "
        f"{100 * target.share:.0f} % of its force), at walking pace {target.slide:.2f} m/s over "
        f"the road; gears {', '.join(map(str, gears))}; torque comes back at {rise:.0f} %/s, over "
        f"one driveline period of {period:.2f} s",
        f"traction control: on {100 * GRIPS[0]:.0f} % of the grip slip runs away at up to "
        f"{beyond:.1f} 1/s by itself at this slip; a lost sensor of the free wheels reads 0: "
        f"above {GATE:g} m/s nothing acts then, and from rest the start row acts for "
        f"{START_WITHIN:g} s at most",
    )
    return merged((*parts, Rows(notes=note)))


def _ahead(
    car: Car, target: SlipTarget, points: tuple[SlipPoint, ...], speeds: Floats, rise: float
) -> Rows:
    full = full_torque(car, speeds)
    state = BoostState.HELD if car.charged else BoostState.SETTLED
    bands, found = [], []
    for omega, torque in zip(speeds, full, strict=True):
        here = nearest_points(points, float(omega))
        gains = ahead_gain(car, here)
        bands.append(torque / gains.kp)
        found.append(loop_margins([with_air(car, p, per_pct=False) for p in here], gains))
    band = np.array(bands)
    # one axis of slip for all speeds; between its points the table is straight, so it is fine
    slip = np.unique(np.round(target.slip + np.outer(_CUTS, band).ravel(), 3))
    slip = slip[np.r_[True, np.diff(slip) > 0.012]][:24]
    share = 1.0 - (slip[None, :] - target.slip) / band[:, None]
    plate = plate_for_torque(car, speeds, np.maximum(share, 0.02) * full[:, None], state=state)
    plate = np.minimum.accumulate(np.maximum(plate, least_plate(car)), axis=1)
    plate[:, 0] = 100.0
    row = Limit(
        "traction_ahead",
        "plate",
        "ceiling",
        "model",
        x="slip_1",
        y="engine_rpm",
        table="traction_plate",
        arm=f"speed_m_s > {GATE:g}",
        hysteresis=0.5,
        rise_rate=rise,
        fall_rate=_CLOSING,
        reason="takes torque away as slip passes its target; a big plate comes down at once to "
        "where torque hangs on it",
        source="tyre curve and inverse engine, computed",
    )
    table = Table(
        "traction_plate",
        "largest plate opening",
        "%",
        (
            Axis("slip_1", "", slip),
            Axis("engine_rpm", "rpm", np.round(speeds * 30.0 / math.pi)),
        ),
        np.round(plate.T, 3),
        note="plate of the full torque less a share that grows with slip",
        percent_meaning=PLATE_PCT,
    )
    text = margins_text(smallest(found))
    return Rows(
        (row,),
        (table,),
        {"traction_ahead.lead_s": Number(LEAD, "s", "servo and filling, computed")},
        (
            f"traction control, plate: all torque is gone {band.min():.2f} to {band.max():.2f} of "
            f"slip over the target; over gears, speeds and grips at worst {text}",
        ),
    )


def _base(car: Car, target: SlipTarget, speeds: Floats) -> Table:
    gears = np.arange(int(car.record["gears"]) + 1, dtype=float)
    state = BoostState.HELD if car.charged else BoostState.SETTLED
    plate = np.full((speeds.size, gears.size), 100.0)
    for gear in range(1, gears.size):
        torque = carried_torque(car, gear, target.slip, GRIPS[0])
        plate[:, gear] = plate_for_torque(
            car, speeds, np.full((speeds.size, 1), torque), state=state
        )[:, 0]
    plate[:, 0] = plate[:, 1]
    return Table(
        "traction_base",
        "plate opening",
        "%",
        (
            Axis("engine_rpm", "rpm", np.round(speeds * 30.0 / math.pi)),
            Axis("gear_1", "", gears),
        ),
        np.round(plate, 3),
        note=f"torque that the tyres carry on {100 * GRIPS[0]:.0f} % of their grip",
        percent_meaning=PLATE_PCT,
    )


def _hold(
    car: Car, target: SlipTarget, points: tuple[SlipPoint, ...], speeds: Floats, rise: float
) -> Rows:
    setpoint = Table(
        "traction_slip",
        "slip",
        "",
        (Axis("speed_m_s", "m/s", target.points),),
        np.round(target.at(target.points), 4),
        note=target.source,
    )
    middle = round(float(np.sqrt(speeds[0] * speeds[-1])) * 30.0 / math.pi / 50.0) * 50.0
    limits: list[Limit] = []
    numbers: dict[str, Number] = {}
    notes: list[str] = []
    for name, op, here in (
        ("traction_hold_low", "<", [p for p in points if p.omega * 30.0 / math.pi < middle]),
        ("traction_hold_high", ">=", [p for p in points if p.omega * 30.0 / math.pi >= middle]),
    ):
        if not here:
            continue
        try:
            gains = hold_gains(car, here)
        except InputError:
            notes.append(
                f"traction control: no gain of a trimming loop keeps its margins {op} {middle:.0f} "
                "rpm, where torque hangs on too little of the plate; the ceiling ahead is alone"
            )
            continue
        found = loop_margins([with_air(car, p) for p in here], gains)
        limits.append(
            Limit(
                name,
                "plate",
                "ceiling",
                "pi",
                x="slip_1",
                y="speed_m_s",
                table=setpoint.name,
                base="traction_base",
                arm=f"slip_1 > {target.slip:g} and speed_m_s > {GATE:g} "
                f"and engine_rpm {op} {middle:g}",
                hysteresis=round(0.7 * target.slip, 4),
                rise_rate=rise,
                fall_rate=_CLOSING,
                reason="holds the slip that is sought",
                source="largest gains with 50 deg and 8.0 dB",
            )
        )
        numbers |= {
            f"{name}.kp": Number(gains.kp, "%", "margins over gears, speeds and grips"),
            f"{name}.ki": Number(gains.ki, "%/s", "as kp"),
            f"{name}.least": Number(round(least_plate(car), 4), "%", "air of the idling engine"),
            f"{name}.most": Number(100.0, "%", "the whole travel"),
        }
        notes.append(
            f"traction control, loop {op} {middle:.0f} rpm: at worst {margins_text(found)}"
        )
    tables = (setpoint, _base(car, target, speeds)) if limits else ()
    return Rows(tuple(limits), tables, numbers, tuple(notes))


def _start(
    car: Car, target: SlipTarget, points: tuple[SlipPoint, ...], speeds: Floats, rise: float
) -> Rows:
    radius = float(car.record["tyre_radius"])
    ratio = float(car.record["ratios"][0] * car.record["final_drive"])
    state = BoostState.HELD if car.charged else BoostState.SETTLED
    first = [p for p in points if p.gear == min(q.gear for q in points)]
    slow = min(first, key=lambda p: p.omega)
    # the slowest point of first gear, read in m/s instead of as a share
    road = slow.omega * radius / (ratio * (1.0 + target.slip))
    gains = hold_gains(car, [p for p in first if p.omega == slow.omega])
    speed = np.array([0.0, 1.0, 2.0, 3.0, 4.0, 5.0])
    torque = carried_torque(car, 1, target.slip, GRIPS[0])
    base = plate_for_torque(car, speeds, np.full((speeds.size, 1), torque), state=state)[:, 0]
    low = carried_torque(car, 1, target.slip, 0.5 * GRIPS[0])
    least = float(plate_for_torque(car, speeds[:1], np.array([[low]]), state=state)[0, 0])
    fastest = round(0.98 * car.limit * radius / ratio, 2)
    name = "traction_start"
    row = Limit(
        name,
        "plate",
        "ceiling",
        "pi",
        x="driven_m_s",
        y="speed_m_s",
        table="traction_start_speed",
        base="traction_start_base",
        arm=f"driven_m_s > {_MOVING + target.slide:.4g} and speed_m_s < {GATE:g} "
        f"and driven_m_s < {fastest:g}",
        hysteresis=_MOVING,
        rise_rate=rise,
        fall_rate=_CLOSING,
        reason="below walking pace, where slip divides by little, lets the driven wheels turn a "
        "fixed speed faster than the road; below the idle floor only cold and with every load on",
        source="tyre curve and inverse engine, computed",
    )
    tables = (
        Table(
            "traction_start_speed",
            "speed of the driven wheels",
            "m/s",
            (Axis("speed_m_s", "m/s", speed),),
            np.round(speed + target.at(speed) * np.maximum(speed, 2.0), 4),
            note=f"the road's and {target.slide:.2f} m/s",
        ),
        Table(
            "traction_start_base",
            "plate opening",
            "%",
            (Axis("engine_rpm", "rpm", np.round(speeds * 30.0 / math.pi)),),
            np.round(base, 3),
            note="first gear on a third of the grip",
            percent_meaning=PLATE_PCT,
        ),
    )
    per = max(road, 2.0)
    numbers = {
        f"{name}.kp": Number(gains.kp / per, "%/(m/s)", "first gear at its slowest point"),
        f"{name}.ki": Number(gains.ki / per, "%/m", "as kp"),
        f"{name}.least": Number(
            round(max(least, least_plate(car)), 3), "%", "pulls away on a sixth of the grip"
        ),
        f"{name}.most": Number(100.0, "%", "the whole travel"),
        f"{name}.within_s": Number(START_WITHIN, "s", "a lost sensor must not strand the car"),
    }
    return Rows((row,), tables, numbers)


ROLE = Role(
    name="traction",
    title="Traction control",
    text=(
        "Holds the slip of the driven wheels under the tyre's peak: the plate for what lasts, "
        "ignition and then fuel for what is quick. It only ever takes torque away."
    ),
    design=traction,
    section="traction",
    typical=(
        Typical("slip", "0.10 to 0.15 dry", "95 % of the peak force; published tyre, table A3.1"),
        Typical("fast", "auto", "tool default; no fuel by cylinder with a catalyst or in boost"),
    ),
    shown=(
        Shown("traction_wet_patch", "traction_spin_time"),
        Shown("traction_standing_start", "traction_spin_time"),
        Shown("traction_wet_patch", "traction_time_lost"),
        Shown("traction_standing_start", "traction_time_lost"),
    ),
    caution=(
        "Try it on closed ground with room to slide, never on a road, and never rely on it: it "
        "cannot make grip, and a lost wheel-speed sensor ends it. With the car on stands the "
        "driven wheels reach speed in a moment: keep clear. Retard heats the exhaust: let it cool."
    ),
)
"""The role, for the registry."""
