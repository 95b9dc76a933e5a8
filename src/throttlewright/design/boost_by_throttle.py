"""Boost by throttle: a fast plate and a slow wastegate hold one manifold pressure together."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from throttlewright.build.intent import Intent
from throttlewright.build.intent_roles import BoostByThrottle
from throttlewright.calibration.calibration import Number
from throttlewright.calibration.limits import Limit
from throttlewright.calibration.table import Axis, Table
from throttlewright.car.pack import Car
from throttlewright.car.record import BoostState
from throttlewright.car.surface import evaluate
from throttlewright.design.holding import (
    SERVO,
    TICKS,
    filling_time,
    holding_plate,
    margins_text,
)
from throttlewright.design.margins import Margins, Plant, pi_for_margins, worst
from throttlewright.design.overboost import pressure_limits
from throttlewright.design.role import Role, Shown, Typical
from throttlewright.design.rows import PLATE_PCT, Rows
from throttlewright.design.speed_limits import LEAST_GAIN, LEAST_PHASE

__all__ = ["ROLE", "boost_by_throttle", "plate_plants", "wastegate_plant"]

Floats = NDArray[np.float64]

_START = 40e3
"""Pressure before the plate over the target for which the loop's first plate is made [Pa]: with
less a sudden feed peaks higher (5 kPa with 40, 21 kPa with 20, on the turbo example). A table over
that pressure would close the plate, raise it and close the plate further. Tool default."""
_ROOM = 10e3
"""Least distance from the target to the overboost limit [Pa]: what the plate lets through while it
moves. Tool default."""
_SPARE = 3e3
"""Pressure by which the ceiling ahead holds more than the target [Pa]: room for the loop on both
sides. Tool default."""
_WIDE = 50.0
_HYSTERESIS = 10.0
"""Plate above which the row ahead acts, and its hysteresis [%]: a closing plate raises the pressure
before it, and a lead on that slope would chase its own tail. As overboost. Tool default."""
_LEAD = 0.1
"""Time ahead of the pressure before the plate [s]: servo and filling, as overboost."""
_NEAR = 8e3
"""Distance below the target from which the loop holds [Pa]. Tool default."""
_OVER = np.array([-20.0, 3.0, 6.0, 10.0, 15.0, 25.0, 40.0, 60.0, 90.0, 140.0])
"""Pressure before the plate over what the ceiling ahead holds at which it is tabled [kPa]. It is
wide open only well below: a steep first step would turn the noise of the sensor into motion."""
_FEEDS = (10e3, 40e3)
"""Pressures before the plate over the target at which the margins are looked at [Pa]."""
_SPEEDS = 10
_RELEASE = 60.0
"""Rise of a ceiling [%/s], so that torque comes back without a blow. Tool default."""
_TUNE_PHASE, _TUNE_GAIN = 60.0, 3.0
"""Margins the gains are made for [deg, -]: more than the least, for what the linear car leaves out,
the pipe that fills as the plate closes above all."""
_GATE_ROOM = 12.0
"""Bleed that the slow loop may add to the feed-forward [%]. Tool default."""


def plate_plants(
    car: Car, target: float, omega: Floats, feeds: tuple[float, ...] = _FEEDS
) -> tuple[Plant, ...]:
    """Manifold pressure over plate, linear about the plate that holds the target.

    Parameters
    ----------
    car : Car
        The car.
    target : float [Pa]
        Manifold pressure, absolute.
    omega : ndarray of shape (n,) [rad/s]
        Engine speeds.
    feeds : tuple of float [Pa]
        Pressures before the plate, over the target.

    Returns
    -------
    tuple of Plant
        From plate [%] to manifold pressure [kPa]; the pressure before the plate is held.

    Notes
    -----
    V/(R T) dp/dt = plate flow(x, p) - engine flow(p). Close to the pipe's pressure the plate's flow
    falls steeply with p, which makes the manifold faster than engine speed alone would.
    """
    span = car.psi_open - car.psi_closed
    plants = []
    for feed in feeds:
        pipe = target + feed
        plate = holding_plate(car, target, omega, pipe)
        step = 0.02 * plate
        psi = car.psi_closed + 0.01 * span * np.stack((plate - step, plate + step), axis=1)
        at, _ = evaluate(car, omega, psi, state=BoostState.HELD, pressure=pipe)
        pressure, flow = at["map"], at["air_flow"]
        gain = (pressure[:, 1] - pressure[:, 0]) / (2.0 * step) / 1e3
        # engine flow is about proportional to its pressure; the plate's at fixed pressure to area
        grows = np.log(flow[:, 1] / flow[:, 0])
        moved = (pressure[:, 1] - pressure[:, 0]) / target
        area = np.log(_area(car, psi[:, 1]) / _area(car, psi[:, 0]))
        share = np.clip(moved / np.maximum(area, 1e-9), 0.02, 1.0)
        for i, w in enumerate(omega):
            if not (gain[i] > 1e-4 and grows[i] > 0.0 and plate[i] < 99.0):
                continue
            plants.append(
                Plant(
                    float(gain[i]),
                    # d ln p / d ln area is 1 where the plate is choked, less near the pipe
                    lags=(
                        float(filling_time(car, float(w)) * share[i]),
                        float(car.record["pressure_lag"]),
                    ),
                    seconds=(SERVO,),
                    delay=TICKS,
                    name=f"{w * 30.0 / math.pi:.0f} rpm, pipe {pipe / 1e3:.0f} kPa",
                )
            )
    return tuple(plants)


def _area(car: Car, psi: Floats) -> Floats:
    from throttlewright.car.flows import plate_area_of

    return np.array([float(plate_area_of(float(a), car=car.record)) for a in psi])


def wastegate_plant(car: Car, pipe: float) -> Plant | None:
    """Pressure before the plate over the bleed of the wastegate's signal.

    Parameters
    ----------
    car : Car
        The car.
    pipe : float [Pa]
        Pressure before the plate, absolute.

    Returns
    -------
    Plant or None
        From bleed [%] to pressure [kPa]; None where the controller cannot command boost.

    Notes
    -----
    A bleed b makes the spring open at spring / (1 - b): slope pipe^2 / (100 spring), over ambient.
    Shaft and valve are two lags.
    """
    turbo = car.build.turbo
    if turbo is None or not car.controllable:
        return None
    rec = car.record
    ambient = float(rec["p_ambient"])
    spring = max(float(rec["spring_pressure"]) - ambient, 1e3)
    gauge = max(pipe - ambient, spring)
    return Plant(
        gauge**2 / (100.0 * spring) / 1e3,
        lags=(
            max(float(rec["spool_time"]), 0.1),
            turbo.wastegate_lag,
            float(rec["pressure_lag"]),
        ),
        delay=TICKS,
        name=f"wastegate at {pipe / 1e3:.0f} kPa",
    )


def _refused(car: Car, intent: Intent, wanted: BoostByThrottle) -> str:
    rec = car.record
    target = wanted.target / 1e3
    if not car.charged:
        return "boost by throttle: nothing raises the pressure before the plate"
    if float(rec["individual"]) > 0.5:
        return (
            "boost by throttle: behind individual plates manifold pressure is no measure of load, "
            "so no loop can hold it"
        )
    ambient, full = float(rec["p_ambient"]) / 1e3, float(np.max(rec["boost"])) / 1e3
    if target <= ambient:
        return (
            f"boost by throttle: a target of {target:.0f} kPa is not above ambient, "
            f"{ambient:.0f} kPa: that is no boost"
        )
    if target > full:
        return (
            f"boost by throttle: the car makes {full:.0f} kPa before the plate at most, so a "
            f"target of {target:.0f} kPa is never reached"
        )
    limits = pressure_limits(car, intent)
    if limits is not None and wanted.target + _ROOM > limits[0]:
        return (
            f"boost by throttle: a target of {target:.0f} kPa is less than {_ROOM / 1e3:.0f} kPa "
            f"below the overboost limit of {limits[0] / 1e3:.0f} kPa: the two would fight"
        )
    return ""


def boost_by_throttle(car: Car, intent: Intent) -> Rows:
    """Ceilings of plate and wastegate that hold one manifold pressure.

    Parameters
    ----------
    car : Car
        The car.
    intent : Intent
        With or without a target.

    Returns
    -------
    Rows
        Nothing where no target is set; refused where manifold pressure cannot be held.

    Notes
    -----
    Fast: a wide plate is closed ahead of the slope of the pressure before it, and a loop on
    manifold pressure starts from a plate that holds the target and trims it. Slow: a loop on the
    pressure before the plate lets the wastegate make no more than the target and the drop, so that
    the plate comes back to where it has that drop across it.
    """
    wanted = intent.boost_by_throttle
    if wanted is None:
        return Rows()
    refused = _refused(car, intent, wanted)
    if refused:
        return Rows(refused=refused)
    target = wanted.target / 1e3
    rpm = np.unique(
        np.round(np.linspace(0.25 * car.limit, car.limit, _SPEEDS) * 30.0 / math.pi / 50.0) * 50.0
    )
    omega = rpm * math.pi / 30.0
    plants = plate_plants(car, wanted.target, omega)
    fast = pi_for_margins(plants, _TUNE_PHASE, _TUNE_GAIN, integral_time=(0.05, 0.08, 0.12, 0.2))
    found = worst(plants, fast)
    held = wanted.target + _SPARE
    plate = np.stack(
        [np.full(omega.size, 100.0)]
        + [holding_plate(car, held, omega, held + 1e3 * float(o)) for o in _OVER[1:]]
    )
    plate = np.minimum.accumulate(plate, axis=0)
    source = "intent, boost_by_throttle"
    table = Table(
        "boost_by_throttle_plate",
        "largest plate opening",
        "%",
        (
            Axis("pipe_kPa", "kPa", np.round(held / 1e3 + _OVER, 4)),
            Axis("engine_rpm", "rpm", rpm),
        ),
        np.round(plate, 3),
        note=f"lets in what the engine takes at {held / 1e3:.0f} kPa, and no more",
        percent_meaning=PLATE_PCT,
    )
    start = Table(
        "boost_by_throttle_start",
        "plate opening",
        "%",
        (Axis("engine_rpm", "rpm", rpm),),
        np.round(holding_plate(car, wanted.target, omega, wanted.target + _START), 3),
        note=f"holds the target with {_START / 1e3:.0f} kPa more before the plate",
        percent_meaning=PLATE_PCT,
    )
    limits = [
        Limit(
            "boost_by_throttle_ahead",
            "plate",
            "ceiling",
            "model",
            x="pipe_kPa",
            y="engine_rpm",
            table="boost_by_throttle_plate",
            arm=f"plate_pct > {_WIDE:.6g}",
            hysteresis=_HYSTERESIS,
            rise_rate=_RELEASE,
            reason="closes a wide plate ahead of the slope of the pressure before it",
            source=source,
        ),
        Limit(
            "boost_by_throttle_hold",
            "plate",
            "ceiling",
            "pi",
            x="map_kPa",
            base="boost_by_throttle_start",
            arm=f"map_kPa > {target - _NEAR / 1e3:.6g}",
            hysteresis=_NEAR / 1e3,
            rise_rate=_RELEASE,
            reason="holds the manifold pressure at the target",
            source=source,
        ),
    ]
    tuned = f"largest gains with {_TUNE_PHASE:.0f} deg and {20 * math.log10(_TUNE_GAIN):.1f} dB"
    numbers = {
        "boost_by_throttle_ahead.lead_s": Number(
            _LEAD, "s", "short: a closing plate raises the pipe, and more would chase its own tail"
        ),
        "boost_by_throttle_hold.setpoint": Number(round(target, 4), "kPa", source),
        "boost_by_throttle_hold.kp": Number(fast.kp, "%/kPa", tuned),
        "boost_by_throttle_hold.ki": Number(fast.ki, "%/(kPa s)", tuned),
        "boost_by_throttle_hold.least": Number(
            round(0.5 * float(plate.min()), 3), "%", "half the smallest plate that holds"
        ),
        "boost_by_throttle_hold.most": Number(
            round(min(100.0, 1.2 * float(plate[1].max())), 3), "%", "a fifth above the table"
        ),
    }
    notes = [
        f"boost by throttle, plate: {rpm[0]:.0f} to {rpm[-1]:.0f} rpm, fed with "
        f"{_FEEDS[0] / 1e3:.0f} to {_FEEDS[-1] / 1e3:.0f} kPa more than {target:.0f} kPa, at worst "
        f"{margins_text(found)}; the pressure before the plate is taken as held"
    ]
    if not _keeps(found):
        notes.append("boost by throttle: the plate's loop does not keep 45 deg and 6 dB: it hunts")
    slow, more, told = _slow(car, wanted)
    limits += slow
    numbers |= more
    turbo = car.build.turbo
    if turbo is not None and not turbo.relief_valve:
        told.append(
            "closing the plate in boost without a relief valve drives the compressor into surge"
        )
    told.append(
        "boost by throttle: who feeds this car more boost from outside gains nothing: the plate "
        "closes and eats it, the turbo works harder and the charge gets hotter"
    )
    return Rows(tuple(limits), (table, start), numbers, (*notes, *told))


def _keeps(found: Margins) -> bool:
    return found.stable and found.phase_deg >= LEAST_PHASE and found.gain >= LEAST_GAIN


def _slow(car: Car, wanted: BoostByThrottle) -> tuple[list[Limit], dict[str, Number], list[str]]:
    rec = car.record
    asked = wanted.target + wanted.drop
    plant = wastegate_plant(car, asked)
    spring, full = float(rec["spring_pressure"]), float(np.max(rec["boost"]))
    if plant is None:
        return [], {}, [
            "boost by throttle: the controller does not command boost on this car, so the plate "
            "alone eats what is above the target and the drop stays as it comes"
        ]  # fmt: skip
    if asked <= spring:
        return [], {}, [
            f"boost by throttle: the spring of the wastegate alone makes {spring / 1e3:.0f} kPa, "
            f"so the plate always eats {(spring - wanted.target) / 1e3:.0f} kPa instead of the "
            f"{wanted.drop / 1e3:.0f} kPa asked for: fit a softer spring"
        ]  # fmt: skip
    notes = []
    if asked > full:
        notes.append(
            f"boost by throttle: target and drop make {asked / 1e3:.0f} kPa, the car "
            f"{full / 1e3:.0f} kPa at most: the drop is smaller than asked"
        )
    ambient = float(rec["p_ambient"])
    base = 100.0 * (1.0 - (spring - ambient) / (asked - ambient))
    gains = pi_for_margins(plant, _TUNE_PHASE, _TUNE_GAIN)
    # a turbo answers a bleed through its own state: a third leaves room for that
    slow = type(gains)(gains.kp / 3.0, gains.ki / 3.0)
    found = worst([plant], slow)
    notes.append(
        f"boost by throttle, wastegate at {asked / 1e3:.0f} kPa: {margins_text(found)}, "
        f"crossover {found.crossover:.2g} rad/s; where a mode asks for less boost, the mode decides"
    )
    name = "boost_by_throttle_wastegate"
    tuned = "a third of the largest gains with 60 deg and 9.5 dB"
    limit = Limit(
        name,
        "wastegate",
        "ceiling",
        "pi",
        x="pipe_kPa",
        reason="lets the turbo make no more than the target and the drop across the plate",
        source="intent, boost_by_throttle",
    )
    numbers = {
        f"{name}.setpoint": Number(round(asked / 1e3, 4), "kPa", "target and drop"),
        f"{name}.kp": Number(slow.kp, "%/kPa", tuned),
        f"{name}.ki": Number(slow.ki, "%/(kPa s)", tuned),
        f"{name}.base": Number(round(base, 3), "%", "bleed at which the spring opens there"),
        f"{name}.least": Number(0.0, "%", "the spring alone"),
        f"{name}.most": Number(
            round(min(100.0, base + _GATE_ROOM), 3), "%", "a little above it, tool default"
        ),
    }
    return [limit], numbers, notes


ROLE = Role(
    name="boost_by_throttle",
    title="Boost by throttle",
    text="Holds a manifold pressure with the plate and brings the wastegate to just enough boost.",
    design=boost_by_throttle,
    section="boost_by_throttle",
    typical=(
        Typical("target", "no typical value: what the engine stands decides", "from memory"),
        Typical("drop", "10 kPa", "common practice, no source"),
    ),
    shown=(
        Shown("boost_by_throttle_pull", "boost_over_target"),
        Shown("boost_by_throttle_pull", "plate_drop"),
        Shown("boost_fed_from_outside", "boost_fed"),
    ),
    caution="Boost above what an engine stands breaks it, and a closing plate in boost loads the "
    "turbo: try it on a dyno or a closed road; exhaust and turbo burn whoever touches them.",
)
"""The role, for the registry."""
