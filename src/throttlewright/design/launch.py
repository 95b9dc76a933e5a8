"""Launch: engine speed and boost held at the start line, and torque given back to the tyres.

The plate holds the speed. Where boost is wanted a late ignition takes torque away, so that the
plate may stand wider at the same speed and hot air turns the turbine.
"""

from __future__ import annotations

import math

import numpy as np

from throttlewright.build.intent import Intent
from throttlewright.build.intent_roles import Launch
from throttlewright.calibration.calibration import Number
from throttlewright.calibration.limits import Limit
from throttlewright.calibration.table import Axis, Table
from throttlewright.car.pack import Car
from throttlewright.design.idle_floor import idle_floor
from throttlewright.design.late_ignition import COLDEST, NOT_KNOWN, Floats, known_late, latest_known
from throttlewright.design.launch_hold import (
    LATEST,
    Hold,
    grip_torque,
    hold_loop,
    hold_of,
    hold_plates,
    plate_held,
)
from throttlewright.design.margins import Controller
from throttlewright.design.role import Role, Shown, Typical
from throttlewright.design.rows import PLATE_PCT, Rows
from throttlewright.design.speed_limits import least_plate

__all__ = ["ROLE", "launch"]

_RPM = 30.0 / math.pi
_STANDS = 1.0
"""Road speed under which the car stands [m/s]: the sensors read nothing slower. Tool default."""
_NEAR = 400.0
_HYSTERESIS = 600.0
"""Under the held speed, where the loop takes over, and how much lower it lets go [rpm]."""
_CUT_OVER = 350.0
_CUT_BAND = 200.0
"""Over the held speed, where fuel of all cylinders is cut, and the band to its return [rpm]: a
plate that is a tenth of a second late cannot stop a free engine by itself. Tool default."""
_LEAD = 0.12
"""Time ahead of the engine speed during the run up [s]: servo 60 to 100 ms and filling."""
_UNDER = np.array([-3000.0, -2000.0, -1300.0, -800.0, -400.0, 0.0, 400.0])
"""Engine speeds from the held one at which the ceiling of the run up is tabled [rpm]."""
_RUN_UP = 0.35
"""Time in which the engine runs up to the held speed [s]. Tool default."""
_EARLIER, _LATER = math.radians(8.0), math.radians(8.0)
_AROUND = 250.0
"""Ignition around the retard, over engine speed [rad, rpm]: torque falls as the engine passes the
held speed, in the next firing and long before air does. Tool default."""
_RETARD_BACK = 0.10
"""Time over which ignition comes back as the car moves [s]. Tool default."""
_HOT_BAND = 100.0
_SLIDING = 0.75
"""Force of a spinning tyre over its peak [-]: 0.79 at a slip of 0.5 and 0.66 at 1.0 on the Magic
Formula of table A3.1 (Pacejka). With more torque a tyre that has let go would not grip again."""


def _grip_table(car: Car, pipe: Floats) -> Table:
    rpm = np.round(np.linspace(max(car.idle * _RPM, 1000.0), car.limit * _RPM, 6) / 50.0) * 50.0
    torque = _SLIDING * grip_torque(car)
    plate = np.empty((pipe.size, rpm.size))
    for i, p in enumerate(pipe):
        for j, n in enumerate(rpm):
            found = plate_held(car, float(n) / _RPM, np.array([[torque]]), pressure=float(p))
            plate[i, j] = 100.0 if found[0, 0] > 99.9 else found[0, 0]
    return Table(
        "launch_grip_plate",
        "largest plate opening",
        "%",
        (Axis("pipe_kPa", "kPa", np.round(pipe / 1e3, 2)), Axis("engine_rpm", "rpm", rpm)),
        np.round(plate, 3),
        note="gives the torque that the driven tyres carry as the car moves off, sliding as well",
        percent_meaning=PLATE_PCT,
    )


def _grip_pipe(car: Car) -> Floats:
    ambient = float(car.record["p_ambient"])
    top = max(float(np.max(car.record["boost"])), ambient)
    if top < ambient + 5e3:
        return np.array([ambient - 2e3, ambient])
    return np.linspace(ambient, top, 4)


def launch(car: Car, intent: Intent) -> Rows:
    """Rows that hold engine speed and boost while the car stands, and let it go.

    Parameters
    ----------
    car : Car
        The car.
    intent : Intent
        With or without a launch.

    Returns
    -------
    Rows
        Nothing where none is asked for; refused where nothing could hold the speed or let the car
        go.

    Notes
    -----
    A row has three conditions: the switch, a standing car and one of its own. That the clutch is
    open or no gear is in needs none: an engine that turns in a car that stands proves it. What
    forbids the hold (cold, hot exhaust, time) does so by a ceiling that puts the plate back to
    idle, and engine speed, retard and cut of fuel then end by themselves.
    """
    wanted = intent.launch
    if wanted is None:
        return Rows()
    refused = _refused(car, wanted)
    if refused:
        return Rows(refused=refused)
    rpm = round(wanted.speed * _RPM, 1)
    hold = hold_of(car, wanted)
    plate = np.round(hold_plates(car, hold), 3)
    loop = hold_loop(car, intent)
    idle = round(max(least_plate(car), 1.02 * idle_floor(car, intent)), 3)
    source = "intent, launch"
    standing = f"arm_1 > 0.5 and speed_m_s < {_STANDS:g}"
    near = f"engine_rpm > {rpm - _NEAR:.6g} and {standing}"
    grip = _grip_table(car, _grip_pipe(car))
    at_hold = float(grip.lookup(float(hold.pipe[0]) / 1e3, rpm))
    release = max((at_hold - float(plate[0])) / wanted.release, 1.0)
    ratio = float(car.record["ratios"][0] * car.record["final_drive"])
    gate = round(wanted.speed * float(car.record["tyre_radius"]) / ratio, 2)
    base = Table(
        "launch_plate",
        "plate that holds the engine speed without load",
        "%",
        (Axis("pipe_kPa", "kPa", np.round(hold.pipe / 1e3, 2)),)
        if hold.pipe.size > 1
        else (Axis("pipe_kPa", "kPa", np.round(hold.pipe[0] / 1e3 + np.array([0.0, 5.0]), 2)),),
        plate if hold.pipe.size > 1 else np.repeat(plate, 2),
        note="with the retard of the same pressure",
        percent_meaning=PLATE_PCT,
    )
    run_up = _run_up(car, hold, plate)
    limits = [
        Limit(
            "launch_run_up", "plate", "ceiling", "model",
            x="engine_rpm", table=run_up.name, arm=standing, rise_rate=release,
            reason="closes ahead of the held speed: a free engine outruns a plate",
            source="inertia of the engine, computed",
        ),
        Limit(
            "launch_hold", "plate", "ceiling", "pi",
            x="engine_rpm", base=base.name, arm=near, hysteresis=_HYSTERESIS, rise_rate=release,
            reason="holds the engine speed while the car stands; then gives torque back",
            source=source,
        ),
        Limit(
            "launch_grip", "plate", "ceiling", "table",
            x="pipe_kPa", y="engine_rpm", table=grip.name,
            arm=f"speed_m_s < {gate:g} and arm_1 > 0.5 and gear_1 < 1.5",
            hysteresis=0.5, rise_rate=4.0 * release,
            reason="no more torque than the tyres carry until the clutch is home; then traction",
            source="grip of the build, load transfer after Gillespie 1992, from memory",
        ),
        *_ends(wanted, standing, near),
        Limit(
            "launch_cut", "fuel_cut", "floor", "ramp",
            arm=f"engine_rpm > {rpm + _CUT_OVER:.6g} and {standing}", hysteresis=_CUT_BAND,
            reason="all cylinders: the fast way to stop a free engine",
            source="tool default",
        ),
    ]  # fmt: skip
    numbers = _numbers(wanted, loop, rpm, plate, idle)
    tables = [run_up, base, grip]
    notes = [
        f"launch: the first gear reaches the held speed at {3.6 * gate:.0f} km/h; below it the "
        f"{_SLIDING * grip_torque(car):.0f} N m that a sliding tyre carries bound the "
        "plate, and traction acts wherever it closes further",
    ]
    if hold.retard.max() > 0.0:
        table = _retard_table(hold, rpm)
        limits.append(
            Limit(
                "launch_retard", "retard", "floor", "table",
                x="pipe_kPa", y="engine_rpm", table=table.name, arm=near, hysteresis=_HYSTERESIS,
                fall_rate=math.degrees(LATEST) / _RETARD_BACK,
                reason="takes torque, so that more and hotter air turns the turbine",
                source=f"{known_late(car, LATEST).text}; computed",
            )
        )  # fmt: skip
        tables.append(table)
        if hold.cut.max() > 0.0:
            table = Table(
                "launch_fuel_share",
                "share of the cylinders without fuel",
                "",
                (Axis("pipe_kPa", "kPa", np.round(hold.pipe / 1e3, 2)),),
                hold.cut,
                note="whole cylinders, so that none runs lean",
            )
            limits.append(
                Limit(
                    "launch_fuel", "fuel_cut", "floor", "table",
                    x="pipe_kPa", table=table.name, arm=near, hysteresis=_HYSTERESIS,
                    reason="whole cylinders without fuel cost torque and pass air to the others",
                    source="tool default; no catalyst",
                )
            )  # fmt: skip
            tables.append(table)
            numbers["launch_fuel.within_s"] = Number(wanted.time_limit, "s", source)
        numbers["launch_retard.within_s"] = Number(wanted.time_limit, "s", source)
        notes.append(f"launch: {known_late(car, LATEST).text}; boost and heat need a measurement")
        most = LATEST + _LATER + float(car.record["retard_full"])
        if not known_late(car, most).known:
            notes.append(
                f"launch: where knock takes {math.degrees(float(car.record['retard_full'])):.0f} "
                f"deg more in boost, torque and exhaust heat: {NOT_KNOWN}"
            )
    elif wanted.boost is not None:
        notes.append("launch: no turbo, so that no boost builds at the line; the plate alone holds")
    return Rows(tuple(limits), tuple(tables), numbers, tuple(notes))


def _refused(car: Car, wanted: Launch) -> str:
    if int(car.record["gears"]) < 1:
        return "launch needs a gear to start in"
    if wanted.speed > 0.95 * car.limit:
        return (
            f"launch at {wanted.speed * _RPM:.0f} rpm leaves no room to the rev limit of "
            f"{car.limit * _RPM:.0f} rpm"
        )
    if wanted.speed < 1.3 * car.idle:
        return f"launch at {wanted.speed * _RPM:.0f} rpm is not above idle"
    if wanted.boost is not None and car.turbo and float(car.record["individual"]) > 0.5:
        return (
            "launch with boost: behind individual plates the air at a small opening is not known "
            "well enough for late ignition; launch by the plate alone (no boost) is possible"
        )
    return ""


def _run_up(car: Car, hold: Hold, plate: Floats) -> Table:
    rpm = hold.omega * _RPM + _UNDER
    inertia = float(car.record["engine_inertia"])
    opening = np.empty(rpm.size)
    for i, n in enumerate(rpm):
        if n < 1.1 * car.idle * _RPM:
            opening[i] = 100.0
            continue
        torque = inertia * (hold.omega * _RPM - float(n)) / _RPM / _RUN_UP
        wide = plate_held(car, float(n) / _RPM, np.array([[torque]]), pressure=float(hold.pipe[0]))[
            0, 0
        ]
        opening[i] = 100.0 if wide > 99.9 else wide
    # at the held speed it must stand clear of the loop, whose plate is wider where ignition is late
    opening = np.maximum(opening, 1.3 * float(plate.max()) + 1.0)
    opening = np.minimum.accumulate(opening)
    keep = rpm > 300.0
    return Table(
        "launch_run_up_plate",
        "largest plate opening",
        "%",
        (Axis("engine_rpm", "rpm", np.round(rpm[keep], 1)),),
        np.round(opening[keep], 3),
        note=f"runs up to the held speed in about {_RUN_UP:g} s",
        percent_meaning=PLATE_PCT,
    )


def _ends(wanted: Launch, standing: str, near: str) -> tuple[Limit, ...]:
    hot = wanted.exhaust_limit - 273.15
    return (
        Limit(
            "launch_cold", "plate", "ceiling", "ramp",
            arm=f"coolant_degC < {COLDEST:g} and {standing}", hysteresis=2.0,
            reason="a cold engine is not held at speed; with every load on below the idle floor",
            source="common practice, no source",
        ),
        Limit(
            "launch_hot", "plate", "ceiling", "ramp",
            arm=f"exhaust_degC > {hot:.6g} and {standing}", hysteresis=_HOT_BAND,
            reason="exhaust too hot: back to idle; with every load on below the idle floor",
            source="intent, launch",
        ),
        Limit(
            "launch_over", "plate", "ceiling", "ramp", arm=near, hysteresis=_HYSTERESIS,
            reason="held for too long: plate back to idle until the pedal is released",
            source="intent, launch",
        ),
    )  # fmt: skip


def _retard_table(hold: Hold, rpm: float) -> Table:
    around = np.array([-_HYSTERESIS - _NEAR, -_AROUND, 0.0, _AROUND])
    shift = np.array([-_EARLIER, -_EARLIER, 0.0, _LATER])
    retard = np.clip(hold.retard[:, None] + shift[None, :], 0.0, latest_known())
    return Table(
        "launch_retard_deg",
        "ignition behind best torque",
        "deg",
        (
            Axis("pipe_kPa", "kPa", np.round(hold.pipe / 1e3, 2)),
            Axis("engine_rpm", "rpm", rpm + around),
        ),
        np.round(np.degrees(retard), 2),
        note="late until the boost is there; later as the engine passes the held speed",
    )


def _numbers(
    wanted: Launch, loop: Controller, rpm: float, plate: Floats, idle: float
) -> dict[str, Number]:
    made = "55 deg and a factor of 3 to the edge at every boost"
    back = "air to idle on, cold, and a little more"
    latched = Number(1.0, "", "stays until the pedal is released")
    return {
        "launch_run_up.lead_s": Number(_LEAD, "s", "servo 60 to 100 ms and filling, computed"),
        "launch_hold.setpoint": Number(rpm, "rpm", "intent, launch"),
        "launch_hold.kp": Number(loop.kp, "%/rpm", made),
        "launch_hold.ki": Number(loop.ki, "%/(rpm s)", made),
        "launch_hold.least": Number(idle, "%", back),
        "launch_hold.most": Number(
            round(min(100.0, 1.6 * float(plate.max()) + 2.0), 3),
            "%",
            "30 % of torque unknown, and room to move",
        ),
        "launch_cold.to": Number(idle, "%", back),
        "launch_hot.to": Number(idle, "%", back),
        "launch_hot.until_released": latched,
        "launch_over.to": Number(idle, "%", back),
        "launch_over.after_s": Number(wanted.time_limit, "s", "intent, launch"),
        "launch_over.until_released": latched,
        "launch_cut.to": Number(1.0, "", "all cylinders"),
    }


ROLE = Role(
    name="launch",
    title="Launch",
    text=(
        "Holds engine speed and, with a turbo, boost while the car stands, and gives the torque "
        "back as the tyres can carry it."
    ),
    design=launch,
    section="launch",
    typical=(
        Typical("speed", "3500 to 5500 rpm", "from memory; by grip and clutch of the car"),
        Typical("boost", "0.3 to 1.0 bar", "from memory"),
        Typical("time_limit", "10 s", "10 to 20 s, from memory"),
        Typical("exhaust_limit", "950 degC", "common limit of turbine inlets, from memory"),
        Typical("release", "0.6 s", "tool default"),
    ),
    shown=(
        Shown("launch_hold", "launch_speed"),
        Shown("launch_hold", "launch_boost"),
        Shown("launch_hold", "launch_exhaust"),
        Shown("launch_release", "launch_slip"),
    ),
    caution=(
        "A standing car at full load: restrain it or keep the way before it free, set the "
        "temperatures at which you stop beforehand, and stop there. Nobody stands in line with the "
        "tyres or the charge pipe; hoses come off, tyres throw stones. The exhaust burns what it "
        "touches and can set fire to grass; unburnt fuel can explode in it. A second person at a "
        "switch that takes the ignition away. Local law and the event's rules decide whether and "
        "where it may be used."
    ),
)
"""The role, for the registry."""
