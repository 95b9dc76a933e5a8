"""Launch: engine speed and boost held at the start line, and torque given back to the tyres.

The plate holds the speed. Where boost is wanted a late ignition takes torque away, so that the
plate may stand wider at the same speed and hot air turns the turbine.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from throttlewright.build.intent import Intent
from throttlewright.build.intent_roles import Launch
from throttlewright.calibration.calibration import Number
from throttlewright.calibration.limits import Limit
from throttlewright.calibration.table import Axis, Table
from throttlewright.car.pack import Car
from throttlewright.car.record import BoostState
from throttlewright.car.surface import evaluate
from throttlewright.design.holding import SERVO, TICKS, filling_time, induction_delay
from throttlewright.design.late_ignition import (
    COLDEST,
    NOT_KNOWN,
    Floats,
    known_late,
    latest_known,
    plate_of,
    point_of_torque,
)
from throttlewright.design.margins import Controller, Plant, pi_for_margins
from throttlewright.design.role import Role, Shown, Typical
from throttlewright.design.rows import PLATE_PCT, Rows
from throttlewright.design.speed_limits import least_plate
from throttlewright.design.torque_share import angle_for_torque
from throttlewright.physics.tyre import grip_limited_acceleration

__all__ = [
    "LATEST",
    "ROLE",
    "cut_level",
    "grip_torque",
    "hold_loop",
    "hold_plants",
    "launch",
    "wanted_retard",
]

_RPM = 30.0 / math.pi
LATEST = math.radians(60.0)
"""Retard while boost builds [rad]. 20 to 40 deg are common beside a cut of fuel, from memory; 60
keeps 10 deg to where nothing is predicted, for what the engine speed adds."""
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
_PHASE, _GAIN = 55.0, 3.0
"""Margins of the loop, for the torque of a late burn may be 30 % more and boost changes it."""
_BAND = 10e3
"""Pressure around the wanted boost in which the retard falls away [Pa]. Tool default."""
_CUT = float(__import__("os").environ.get("CUTX", "0.25"))
"""Cylinders without fuel while boost builds, of all [-]: they pass air and cost torque, so that
the others get more. Tool default."""
_LEAST_RETARD = math.radians(15.0)
_EARLIER, _LATER = math.radians(8.0), math.radians(8.0)
_AROUND = 250.0
"""Ignition around the retard, over engine speed [rad, rpm]: torque falls as the engine passes the
held speed, in the next firing and long before air does. Tool default."""
_RETARD_BACK = 0.10
"""Time over which ignition comes back as the car moves [s]. Tool default."""
_HOT_BAND = 100.0


@dataclass(frozen=True)
class _Hold:
    """What is held: engine speed [rad/s], pipe pressures [Pa], and retard [rad] and
    share of cylinders without fuel at each."""

    omega: float
    pipe: Floats
    retard: Floats
    cut: Floats


def wanted_retard(pipe: float, boost: float) -> float:
    """Retard over the pressure before the plate: late until the boost is there.

    Parameters
    ----------
    pipe : float [Pa]
        Pressure before the plate.
    boost : float [Pa]
        Boost wanted, absolute.

    Returns
    -------
    float [rad]
        Falls by a straight line within 10 kPa around the boost, so that less air holds the speed.
    """
    over = min(max((pipe - boost + _BAND) / (2.0 * _BAND), 0.0), 1.0)
    return LATEST + over * (_LEAST_RETARD - LATEST)


def cut_level(car: Car) -> float:
    """Share of the cylinders that get no fuel while boost builds.

    Parameters
    ----------
    car : Car
        The car.

    Returns
    -------
    float [-]
        A quarter in whole cylinders; none with a catalyst, which air and unburnt fuel of single
        cylinders burn through, or where nobody says that there is none on a road car.
    """
    catalyst = car.build.engine.catalyst
    if catalyst or (catalyst is None and car.build.use == "road"):
        return 0.0
    cylinders = car.build.engine.cylinders
    return max(round(_CUT * cylinders), 1) / cylinders


def _hold(car: Car, wanted: Launch) -> _Hold:
    ambient = float(car.record["p_ambient"])
    if wanted.boost is None or not car.turbo:
        # a driven compressor gives its pressure by engine speed alone
        top = ambient
        if car.charged:
            top = max(float(car.full_boost(np.array([wanted.speed]))[0]), ambient)
        pipe = np.unique(np.round(np.linspace(ambient, top, 5), 0))
        return _Hold(wanted.speed, pipe, np.zeros(pipe.size), np.zeros(pipe.size))
    boost = ambient + wanted.boost
    pipe = np.concatenate(
        (np.linspace(ambient, boost - _BAND, 5), boost + _BAND * np.array([0.0, 1.0, 4.0]))
    )
    cut = np.where(pipe < boost - 0.5 * _BAND, cut_level(car), 0.0)
    retard = np.array([wanted_retard(float(p), boost) for p in pipe])
    return _Hold(wanted.speed, pipe, retard, cut)


def _plates(car: Car, hold: _Hold, torque: float = 0.0) -> Floats:
    """Plate that holds the speed at each pressure before it [%]."""
    if float(car.record["individual"]) > 0.5:
        found = [
            _runner_plate(car, hold.omega, np.array([[torque]]), pressure=float(p))[0, 0]
            for p in hold.pipe
        ]
        return np.array(found)
    found = []
    for p, r, c in zip(hold.pipe, hold.retard, hold.cut, strict=True):
        point = point_of_torque(
            car, torque, pipe=float(p), omega=hold.omega, retard=float(r), cut=float(c)
        )
        found.append(plate_of(car, point, pipe=float(p), omega=hold.omega))
    return np.array(found)


def _runner_plate(car: Car, omega: float, torque: Floats, *, pressure: float) -> Floats:
    """Plate of a torque by the torque surface, the pipe held; any kind of plate [%]."""

    def given(psi: Floats) -> Floats:
        found, _ = evaluate(car, np.array([omega]), psi, state=BoostState.HELD, pressure=pressure)
        return np.asarray(found["torque"])

    psi = angle_for_torque(given, torque, low=car.psi_closed, high=car.psi_open)
    return np.asarray(100.0 * (psi - car.psi_closed) / (car.psi_open - car.psi_closed))


def hold_plants(car: Car, intent: Intent) -> tuple[Plant, ...]:
    """Engine without load at the held speed: plate [%] to engine speed [rpm].

    Parameters
    ----------
    car : Car
        The car.
    intent : Intent
        With a launch.

    Returns
    -------
    tuple of Plant
        One for each pressure before the plate; with 30 % more torque than predicted where the
        ignition is late.

    Notes
    -----
    J dw/dt = g x, x the plate behind servo, filling and induction. The engine's own friction over
    speed only helps and is left out.
    """
    wanted = intent.launch
    if wanted is None:
        return ()
    hold = _hold(car, wanted)
    inertia = float(car.record["engine_inertia"])
    step = 4.0
    slope = 2.0 * step / np.maximum(_plates(car, hold, step) - _plates(car, hold, -step), 0.05)
    found = []
    for p, r, g in zip(hold.pipe, hold.retard, slope, strict=True):
        share = known_late(car, float(r)).share
        more = share.high / share.value if share is not None else 1.3
        found.append(
            Plant(
                float(more * g / inertia * _RPM),
                lags=(filling_time(car, hold.omega),),
                seconds=(SERVO,),
                integrates=True,
                delay=induction_delay(car, hold.omega) + TICKS,
                name=f"{p / 1e3:.0f} kPa before the plate",
            )
        )
    return tuple(found)


def hold_loop(car: Car, intent: Intent) -> Controller:
    """Gains of the loop that holds the engine speed.

    Parameters
    ----------
    car : Car
        The car.
    intent : Intent
        With a launch.

    Returns
    -------
    Controller
        [% per rpm, % per rpm and s], with 55 deg and a factor of 3 to the edge on every plant.
    """
    return pi_for_margins(hold_plants(car, intent), _PHASE, _GAIN)


def grip_torque(car: Car) -> float:
    """Engine torque that the driven tyres carry in first gear.

    Parameters
    ----------
    car : Car
        The car.

    Returns
    -------
    float [N m]
        With the load that the acceleration itself moves onto them.
    """
    rec = car.record
    accel = grip_limited_acceleration(
        car.build.vehicle.grip,
        float(rec["driven"]),
        front_share=float(rec["front_weight"]),
        cg_height=float(rec["cg_height"]),
        wheelbase=float(rec["wheelbase"]),
    )
    ratio = float(rec["ratios"][0] * rec["final_drive"])
    force = float(accel) * float(rec["mass"])
    return force * float(rec["tyre_radius"]) / (ratio * float(rec["driveline_efficiency"]))


def _grip_table(car: Car, pipe: Floats) -> Table:
    rpm = np.round(np.linspace(max(car.idle * _RPM, 1000.0), car.limit * _RPM, 6) / 50.0) * 50.0
    torque = grip_torque(car)
    plate = np.empty((pipe.size, rpm.size))
    for i, p in enumerate(pipe):
        for j, n in enumerate(rpm):
            found = _runner_plate(car, float(n) / _RPM, np.array([[torque]]), pressure=float(p))
            plate[i, j] = 100.0 if found[0, 0] > 99.9 else found[0, 0]
    return Table(
        "launch_grip_plate",
        "largest plate opening",
        "%",
        (Axis("pipe_kPa", "kPa", np.round(pipe / 1e3, 2)), Axis("engine_rpm", "rpm", rpm)),
        np.round(plate, 3),
        note="gives the torque that the driven tyres carry in first gear",
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
    hold = _hold(car, wanted)
    plate = np.round(_plates(car, hold), 3)
    loop = hold_loop(car, intent)
    idle = round(max(least_plate(car), 1.0), 3)
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
        f"tyres' {grip_torque(car):.0f} N m bound the plate, and traction acts wherever it closes "
        "further",
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
                    reason="cylinders without fuel cost torque and pass air: the others get more",
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


def _run_up(car: Car, hold: _Hold, plate: Floats) -> Table:
    rpm = hold.omega * _RPM + _UNDER
    inertia = float(car.record["engine_inertia"])
    opening = np.empty(rpm.size)
    for i, n in enumerate(rpm):
        if n < 1.1 * car.idle * _RPM:
            opening[i] = 100.0
            continue
        torque = inertia * (hold.omega * _RPM - float(n)) / _RPM / _RUN_UP
        wide = _runner_plate(
            car, float(n) / _RPM, np.array([[torque]]), pressure=float(hold.pipe[0])
        )[0, 0]
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
            reason="a cold engine is not held at high speed",
            source="common practice, no source",
        ),
        Limit(
            "launch_hot", "plate", "ceiling", "ramp",
            arm=f"exhaust_degC > {hot:.6g} and {standing}", hysteresis=_HOT_BAND,
            reason="exhaust too hot: plate back to idle until the pedal is released",
            source="intent, launch",
        ),
        Limit(
            "launch_over", "plate", "ceiling", "ramp", arm=near, hysteresis=_HYSTERESIS,
            reason="held for too long: plate back to idle until the pedal is released",
            source="intent, launch",
        ),
    )  # fmt: skip


def _retard_table(hold: _Hold, rpm: float) -> Table:
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
    back = "air to idle on and a tenth"
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
