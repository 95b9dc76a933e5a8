"""Road speed held by the plate: linear car per gear, a ceiling that comes ahead, one that holds.

The speed is that of the driven wheels: when they spin they read fast and the plate closes sooner,
and a lost sensor of the other wheels, which reads zero, lifts no limit.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from throttlewright.calibration.calibration import Number
from throttlewright.calibration.limits import Limit
from throttlewright.calibration.table import Axis, Table
from throttlewright.car.pack import Car
from throttlewright.car.surface import evaluate
from throttlewright.design.holding import (
    SERVO,
    SERVO_LAG,
    TICKS,
    filling_time,
    induction_delay,
    margins_text,
    plate_for_torque,
)
from throttlewright.design.idle import idle_opening
from throttlewright.design.margins import (
    Controller,
    Margins,
    Plant,
    margins,
    pi_for_margins,
    smallest,
    worst,
)
from throttlewright.design.rows import PLATE_PCT, Rows
from throttlewright.physics.driveline import STANDARD_GRAVITY, effective_mass, road_load_force

__all__ = [
    "LEAST_GAIN",
    "LEAST_PHASE",
    "GearPoint",
    "ahead_margins",
    "gear_points",
    "least_plate",
    "shuffle",
    "speed_rows",
    "top_speed",
]

Floats = NDArray[np.float64]

LEAST_PHASE = 45.0
LEAST_GAIN = 2.0
"""Margins that every loop keeps [deg, -]: 45 deg and 6 dB; common practice, no source."""
_ROOM_PHASE, _ROOM_GAIN = 50.0, 2.5
"""Margins the gains are made for, so that the car may differ from its numbers."""
_SPARE = 0.6
"""Acceleration left at the limit by the ceiling that comes ahead [m/s2]: a slope of 6 %, so that
the one that holds has room on both sides. Tool default."""
_TIMES = (0.5, 0.6, 0.75, 0.9, 1.2, 1.6, 2.2, 3.0)
"""Times in which the ceiling ahead lets the car run up to its limit [s]; the first that is safe."""
_FILTER = 0.02
"""Filter of a channel's slope in the strategy [s], its typical value."""
_INTEGRAL = (1.5, 2.0, 2.7, 3.6, 4.8, 6.4)
"""Integral times tried [s]: the car's own lag, 10 s and more, would leave a change of slope
standing for as long."""
_MOST_ACCELERATION = 12.0
_LEVELS = (-0.03, 0.0, 0.06)
"""Slopes of the road at which the margins are looked at [-]."""
_LONGEST_LAG = 60.0
_RELEASE = 20.0
"""Rise of a ceiling [%/s], so that torque comes back without a blow. Tool default."""
_CLOSING = 200.0
"""Fall of a ceiling [%/s]: half a second for the whole travel, as a quick foot. Tool default."""
_AIR = 287.05


@dataclass(frozen=True)
class GearPoint:
    """The car held at a speed in one gear on one slope: plate [%] and linear plant."""

    gear: int
    slope: float
    omega: float
    plate: float
    plant: Plant


def _ratio(car: Car, gear: int) -> float:
    rec = car.record
    return float(rec["ratios"][gear - 1] * rec["final_drive"])


def _road(car: Car, speed: float, slope: float = 0.0) -> float:
    rec = car.record
    density = float(rec["p_ambient"]) / (_AIR * float(rec["T_ambient"]))
    return float(
        road_load_force(
            speed,
            mass=float(rec["mass"]),
            drag_area=float(rec["drag_area"]),
            rolling=float(rec["rolling"]),
            density=density,
            slope=math.atan(slope),
        )
    )


def _mass(car: Car, ratio: float) -> float:
    rec = car.record
    radius = float(rec["tyre_radius"])
    inertia = float(rec["engine_inertia"] + rec["gearbox_inertia"])
    return float(
        effective_mass(
            float(rec["mass"]),
            wheel_inertia=float(rec["wheel_inertia"]),
            engine_inertia=inertia,
            total_ratio=ratio,
            radius=radius,
        )
    )


def shuffle(
    car: Car, ratio: float, speed: float
) -> tuple[tuple[float, float], tuple[float, float]]:
    """Resonance and anti-resonance of engine and car on the driven shafts.

    Parameters
    ----------
    car : Car
        The car.
    ratio : float [-]
        Engine speed over wheel speed, above 0.
    speed : float [m/s]
        Road speed: the tyres slip more per force the faster they roll, which damps.

    Returns
    -------
    tuple of two pairs [rad/s, -]
        Natural frequency and damping ratio of both, in this order.
    """
    rec = car.record
    radius = float(rec["tyre_radius"])
    k, c = float(rec["shaft_stiffness"]), float(rec["shaft_damping"])
    engine = float(rec["engine_inertia"] + rec["gearbox_inertia"]) * ratio**2
    body = float(rec["mass"]) * radius**2
    share = {0: float(rec["front_weight"]), 1: 1.0 - float(rec["front_weight"])}.get(
        int(rec["driven"]), 1.0
    )
    load = float(rec["mass"]) * STANDARD_GRAVITY * share
    tyre = float(rec["tyre_stiffness"]) * load * radius**2 / max(speed, 1.0)

    def pair(inertia: float) -> tuple[float, float]:
        natural = math.sqrt(k / inertia)
        damping = 0.5 * (c * natural / k + k / (natural * tyre))
        return natural, min(max(damping, 0.02), 1.5)

    return pair(engine * body / (engine + body)), pair(body)


def least_plate(car: Car) -> float:
    """Lowest ceiling that still leaves the air of the idling engine.

    Parameters
    ----------
    car : Car
        The car.

    Returns
    -------
    float [%]
        Plate opening; a ceiling beats the idle floor.
    """
    psi, _ = idle_opening(car, omega=car.idle)
    idle = car.plate_pct(psi)
    return 1.1 * idle + 0.2


def gear_points(car: Car, speed: float) -> tuple[GearPoint, ...]:
    """Linearise the car at a speed, in every gear that can hold it, on several slopes.

    Parameters
    ----------
    car : Car
        The car.
    speed : float [m/s]
        Road speed, above 0.

    Returns
    -------
    tuple of GearPoint
        Empty where no gear holds it.

    Notes
    -----
    m dv/dt = T i eta / r - F(v); plate to torque by the torque surface behind servo, filling and
    induction; engine and car swing on the shafts.
    """
    rec = car.record
    radius, eta = float(rec["tyre_radius"]), float(rec["driveline_efficiency"])
    least = least_plate(car)
    found = []
    for gear in range(1, int(rec["gears"]) + 1):
        ratio = _ratio(car, gear)
        omega = speed * ratio / radius
        if not 1.05 * car.idle <= omega <= 0.99 * car.limit:
            continue
        want = np.array(
            [[_road(car, speed, s) * radius / (ratio * eta) for s in _LEVELS]], dtype=float
        )
        plate = np.maximum(plate_for_torque(car, np.array([omega]), want)[0], least)
        step = 0.02 * plate + 0.05
        span = car.psi_open - car.psi_closed

        def torque(pct: Floats, w: float, span: float = span) -> Floats:
            psi = car.psi_closed + 0.01 * span * np.clip(pct, 0.0, 100.0)
            return np.asarray(evaluate(car, np.array([w]), psi[None, :])[0]["torque"][0])

        per_pct = (torque(plate + step, omega) - torque(plate - step, omega)) / (2.0 * step)
        per_omega = (torque(plate, 1.01 * omega) - torque(plate, 0.99 * omega)) / (0.02 * omega)
        drag = (_road(car, 1.01 * speed) - _road(car, 0.99 * speed)) / (0.02 * speed)
        mass = _mass(car, ratio)
        resonance, _ = shuffle(car, ratio, speed)
        for i, slope in enumerate(_LEVELS):
            if want[0, i] > 0.97 * torque(np.array([100.0]), omega)[0] or per_pct[i] <= 0.0:
                continue
            damping = drag - ratio**2 * eta / radius**2 * per_omega[i]
            damping = max(damping, mass / _LONGEST_LAG)
            found.append(
                GearPoint(
                    gear,
                    slope,
                    omega,
                    float(plate[i]),
                    Plant(
                        float(per_pct[i] * ratio * eta / radius / damping),
                        lags=(float(mass / damping), filling_time(car, omega)),
                        seconds=(SERVO, resonance),
                        delay=induction_delay(car, omega) + TICKS,
                        name=f"gear {gear}, slope {100 * slope:+.0f} %",
                    ),
                )
            )
    return tuple(found)


def top_speed(car: Car) -> float:
    """Speed that the car reaches on the level, by power or by its rev limit.

    Parameters
    ----------
    car : Car
        The car.

    Returns
    -------
    float [m/s]
        Top speed; 0 without gears.
    """
    rec = car.record
    radius, eta = float(rec["tyre_radius"]), float(rec["driveline_efficiency"])
    top = 0.0
    for gear in range(1, int(rec["gears"]) + 1):
        ratio = _ratio(car, gear)
        omega = np.linspace(0.3 * car.limit, car.limit, 40)
        full = evaluate(car, omega, np.full((omega.size, 1), car.psi_open))[0]["torque"][:, 0]
        speed = omega * radius / ratio
        pulls = full * ratio * eta / radius >= [_road(car, float(v)) for v in speed]
        if np.any(pulls):
            top = max(top, float(speed[pulls].max()))
    return top


def _ahead(car: Car, limit: float, time: float) -> tuple[Floats, Floats, Floats]:
    """Table of the ceiling that comes ahead: speeds [m/s], gears, plate [%]."""
    rec = car.record
    radius, eta = float(rec["tyre_radius"]), float(rec["driveline_efficiency"])
    far = _MOST_ACCELERATION * time
    under = np.array([1.0, 0.8, 0.6, 0.45, 0.35, 0.27, 0.2, 0.15, 0.1, 0.06, 0.03, 0.0]) * far
    over = np.array([0.03, 0.06, 0.1, 0.2]) * far
    room = np.concatenate((under, -over))
    speed = limit - room
    plate = np.full((speed.size, int(rec["gears"]) + 1), 100.0)
    least = least_plate(car)
    for gear in range(1, int(rec["gears"]) + 1):
        ratio = _ratio(car, gear)
        omega = np.clip(speed * ratio / radius, 1.05 * car.idle, car.limit)
        force = _mass(car, ratio) * (room / time + _SPARE)
        force = force + np.array([_road(car, max(float(v), 0.0)) for v in speed])
        drive = np.where(force > 0.0, force * radius / (ratio * eta), force * radius * eta / ratio)
        own = plate_for_torque(car, omega, drive[:, None])[:, 0]
        own[0] = 100.0
        plate[:, gear] = np.maximum(np.minimum.accumulate(own), least)
    return speed, np.arange(int(rec["gears"]) + 1, dtype=float), plate


def ahead_margins(points: tuple[GearPoint, ...], time: float, lead: float) -> Margins:
    """Worst margins of the ceiling that comes ahead, a proportional loop with a lead.

    Parameters
    ----------
    points : tuple of GearPoint
        The linear car.
    time : float [s]
        Time of the run up: the ceiling asks for an acceleration of (limit - speed) / time.
    lead : float [s]
        How far it looks ahead.

    Returns
    -------
    Margins
        Smallest over gears and slopes.

    Notes
    -----
    The table is the inverse of the engine, so the loop's gain is 1 / time in every gear.
    """
    found = [
        margins(p.plant, Controller(p.plant.lags[0] / (p.plant.gain * time), 0.0, lead, _FILTER))
        for p in points
    ]
    return smallest(found)


def speed_rows(car: Car, *, role: str, limit: float, arm: str, what: str, source: str) -> Rows:
    """Two ceilings of the plate that keep the driven wheels at a speed.

    Parameters
    ----------
    car : Car
        The car.
    role : str
        Name of the role, first part of the names of its rows.
    limit : float [m/s]
        Speed.
    arm : str
        Condition under which the rows act, empty for always.
    what : str
        What is limited, for the sentences, such as "pit-lane speed".
    source : str
        Where the speed comes from.

    Returns
    -------
    Rows
        Two limits, a table, gains and a note with the margins; refused where no gear can hold it.

    Notes
    -----
    The first ceiling knows for every gear which plate lets the car run up to its limit in a fixed
    time, so the plate is nearly right before the second takes over from where it stands, and
    integrates away what hill and model leave. Its range ends a little above the first, so that
    nothing winds up.
    """
    points = gear_points(car, limit)
    kmh = 3.6 * limit
    if not points:
        return Rows(refused=_why_not(car, limit, what))
    gears = sorted({p.gear for p in points})
    chosen = [p.plant for p in points]
    gains = pi_for_margins(chosen, _ROOM_PHASE, _ROOM_GAIN, integral_time=_INTEGRAL)
    held = worst(chosen, gains)
    omega = max(p.omega for p in points)
    lead = round(SERVO_LAG + filling_time(car, omega) + induction_delay(car, omega), 3)
    for time in _TIMES:
        before = ahead_margins(points, time, lead)
        if _keeps(before):
            break
    speed, gear, plate = _ahead(car, limit, time)
    band = round(0.06 * _MOST_ACCELERATION * time, 3)
    most = min(100.0, 1.5 * max(p.plate for p in points) + 2.0)
    joined = f"driven_m_s > {limit - band:.6g}"
    ahead, hold, surface = f"{role}_ahead", f"{role}_hold", f"{role}_plate"
    limits = (
        Limit(
            ahead,
            "plate",
            "ceiling",
            "model",
            x="driven_m_s",
            y="gear_1",
            table=surface,
            arm=arm,
            rise_rate=_RELEASE,
            fall_rate=_CLOSING,
            reason=f"lets the car run up to the {what} without overshoot",
            source=source,
        ),
        Limit(
            hold,
            "plate",
            "ceiling",
            "pi",
            x="driven_m_s",
            arm=f"{joined} and {arm}" if arm else joined,
            hysteresis=band,
            rise_rate=_RELEASE,
            fall_rate=_CLOSING,
            reason=f"holds the {what}",
            source=source,
        ),
    )
    tuned = f"largest gains with {_ROOM_PHASE:.0f} deg and {20 * math.log10(_ROOM_GAIN):.1f} dB"
    numbers = {
        f"{ahead}.lead_s": Number(lead, "s", "servo, filling and induction, computed"),
        f"{hold}.setpoint": Number(round(limit, 4), "m/s", source),
        f"{hold}.kp": Number(gains.kp, "%/(m/s)", tuned),
        f"{hold}.ki": Number(gains.ki, "%/m", tuned),
        f"{hold}.least": Number(round(least_plate(car), 4), "%", "air of the idling engine"),
        f"{hold}.most": Number(
            round(most, 3), "%", "half more than the plate that holds it on a slope of 6 %"
        ),
    }
    notes: tuple[str, ...] = (
        f"{what} of {kmh:.0f} km/h: holds in gear {', '.join(str(g) for g in gears)}; on slopes "
        f"of -3 to 6 % the loop that holds has at worst {margins_text(held)}; the ceiling ahead "
        f"runs up in {time:g} s and has at worst {margins_text(before)}",
        f"{what}: the plate cannot brake; downhill, or above the speed when it sets in, only the "
        "closed plate slows the car",
    )
    if not _keeps(held) or not _keeps(before):
        notes += (
            f"{what}: margins of {LEAST_PHASE:.0f} deg and 6 dB are not kept in every gear: "
            "the speed may hunt",
        )
    return Rows(
        limits,
        (
            Table(
                surface,
                "largest plate opening",
                "%",
                (Axis("driven_m_s", "m/s", np.round(speed, 4)), Axis("gear_1", "", gear)),
                np.round(plate, 3),
                note=f"acceleration of (limit - speed) / {time:g} s and {_SPARE:g} m/s2",
                percent_meaning=PLATE_PCT,
            ),
        ),
        numbers,
        notes,
    )


def _keeps(found: Margins) -> bool:
    return found.stable and found.phase_deg >= LEAST_PHASE and found.gain >= LEAST_GAIN


def _why_not(car: Car, limit: float, what: str) -> str:
    rec = car.record
    kmh = 3.6 * limit
    if int(rec["gears"]) < 1:
        return f"{what}: the car has no gears, so there is no road speed to hold"
    slowest = 1.05 * car.idle * float(rec["tyre_radius"]) / _ratio(car, 1)
    if limit < slowest:
        return (
            f"{what} of {kmh:.0f} km/h is below the {3.6 * slowest:.0f} km/h of the idling engine "
            "in the lowest gear: the plate cannot hold it, slip the clutch or ask for more"
        )
    return (
        f"{what} of {kmh:.0f} km/h is above the {3.6 * top_speed(car):.0f} km/h that the car "
        "reaches: it would never act"
    )
