"""Blip: on a downshift the plate brings the engine to the speed of the lower gear."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from throttlewright.build.intent import Intent
from throttlewright.calibration.calibration import Number
from throttlewright.calibration.limits import Limit
from throttlewright.calibration.table import Axis, Table
from throttlewright.car.pack import Car
from throttlewright.car.record import BoostState
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
from throttlewright.design.margins import Controller, Plant, largest_gain, worst
from throttlewright.design.role import Role, Shown, Typical
from throttlewright.design.rows import PLATE_PCT, Rows

__all__ = ["LONGEST", "ROLE", "blip", "blip_plants", "highest_speed", "step_torque"]

Floats = NDArray[np.float64]

LONGEST = 0.5
"""Longest time in which the plate is opened beyond the pedal [s]."""
_RPM = 30.0 / math.pi
_UNDER_LIMIT = 200.0 / _RPM
"""Distance that the target keeps from the rev limit [rad/s]. Tool default."""
_LEAST_TARGET = 1.5
"""Lowest engine speed, over the idle speed, at which the loop is laid out [-]. Tool default."""
_SPEEDS = 7
_FILTER = 0.02
"""Filter of the slope of engine speed in the strategy [s], its typical value."""
_LEADS = (0.03, 0.05, 0.07, 0.09, 0.12)
"""Times ahead that are tried [s]: up to the whole of servo, filling and induction."""
_ROOM_PHASE, _ROOM_GAIN = 50.0, 2.1
"""Margins the gain is made for, a little above the least [deg, -]."""
_EDGE = 0.05
"""Road speed over which the target is taken away [m/s]."""
_STEEPEST = 20000.0
"""Slope of engine speed up to which the loop looks ahead [rpm/s]."""
_STEEP = 3.0
"""Opening of the run-up over the largest step, times this [-]: most of the step is made with the
plate as far open as it goes. Tool default."""
_NEAR = 100.0
"""Distance from the target at which the run-up hands over to the loop [rpm]. Tool default."""
_LEAST_SHARE = 0.3
"""Share of the time wanted that is left for the run-up, however slow the plate [-]."""
_ALL_OF_IT = 0.97
"""Share of the torque at the open stop beyond which opening further gives nothing [-]."""


def highest_speed(car: Car, gear: int) -> float:
    """Road speed up to which a shift down from a gear keeps the engine under its limit.

    Parameters
    ----------
    car : Car
        The car.
    gear : int [-]
        Gear before the shift, 2 or higher.

    Returns
    -------
    float [m/s]
        Speed at which the next lower gear turns the engine 200 rpm below its limit.
    """
    rec = car.record
    ratio = float(rec["ratios"][gear - 2] * rec["final_drive"])
    return (car.limit - _UNDER_LIMIT) * float(rec["tyre_radius"]) / ratio


def step_torque(car: Car, before: float, after: float, *, time: float) -> float:
    """Brake torque that brings the free engine from one speed to another.

    J (after - before) / (time - lag), the lag that of servo, filling and induction

    Parameters
    ----------
    car : Car
        The car.
    before : float [rad/s]
        Engine speed before.
    after : float [rad/s]
        Engine speed after, above ``before``.
    time : float [s]
        Time for all of it, plate and filling included.

    Returns
    -------
    float [N m]
        Torque at the crankshaft, friction and pumping already taken off.

    Notes
    -----
    Newton's law; the work at constant torque is the step in kinetic energy.
    """
    middle = 0.5 * (before + after)
    lag = SERVO_LAG + filling_time(car, middle) + induction_delay(car, middle)
    left = max(time - lag, _LEAST_SHARE * time)
    return float(car.record["engine_inertia"]) * (after - before) / left


def _torque_gain(car: Car, omega: Floats, hold: Floats) -> Floats:
    """Return torque per plate around the plates that hold the free engine [N m/%]."""
    step = 0.5
    psi = car.psi_closed + 0.01 * (hold[:, None] + np.array([0.0, step])) * (
        car.psi_open - car.psi_closed
    )
    torque = evaluate(car, omega, psi, state=BoostState.INSTANT)[0]["torque"]
    return np.asarray(np.diff(torque, axis=1)[:, 0] / step)


def _speeds(car: Car) -> Floats:
    return np.linspace(_LEAST_TARGET * car.idle, car.limit, _SPEEDS)


def _holds(car: Car, omega: Floats) -> Floats:
    zero = np.zeros((omega.size, 1))
    return plate_for_torque(car, omega, zero, state=BoostState.INSTANT)[:, 0]


def blip_plants(car: Car) -> tuple[Plant, ...]:
    """Free engine behind its plate, from plate to engine speed, over the speed range.

    Parameters
    ----------
    car : Car
        The car.

    Returns
    -------
    tuple of Plant
        From plate [%] to engine speed [rpm]; each integrates.
    """
    omega = _speeds(car)
    gain = _torque_gain(car, omega, _holds(car, omega))
    inertia = float(car.record["engine_inertia"])
    return tuple(
        Plant(
            _RPM * max(float(g), 1e-3) / inertia,
            lags=(filling_time(car, float(w)),),
            seconds=(SERVO,),
            integrates=True,
            delay=induction_delay(car, float(w)) + TICKS,
            name=f"{w * _RPM:.0f} rpm",
        )
        for w, g in zip(omega, gain, strict=True)
    )


def _gains(plants: tuple[Plant, ...]) -> Controller:
    """Return the fastest gain with its lead that keeps the margins at every speed."""
    best = Controller(1e-6, 0.0, 0.0, _FILTER)
    for lead in _LEADS:
        shape = Controller(1.0, 0.0, lead, _FILTER)
        kp = min(largest_gain(plant, shape, _ROOM_PHASE, _ROOM_GAIN) for plant in plants)
        if kp > best.kp:
            best = Controller(kp, 0.0, lead, _FILTER)
    return best


def _opening(car: Car, time: float) -> tuple[float, float, list[str]]:
    """Return the plate for the largest step [%], that step [rpm], and each gear's in words."""
    rec = car.record
    most, largest, said = 0.0, 0.0, []
    for gear in range(2, int(rec["gears"]) + 1):
        after = car.limit - _UNDER_LIMIT
        before = after * float(rec["ratios"][gear - 1] / rec["ratios"][gear - 2])
        middle = np.array([0.5 * (before + after)])
        wanted = step_torque(car, before, after, time=time)
        full = float(
            evaluate(car, middle, np.array([[car.psi_open]]), state=BoostState.INSTANT)[0][
                "torque"
            ][0, 0]
        )
        torque = min(wanted, _ALL_OF_IT * full)
        plate = plate_for_torque(car, middle, np.array([[torque]]), state=BoostState.INSTANT)
        most = max(most, float(plate[0, 0]))
        largest = max(largest, (after - before) * _RPM)
        takes = time
        if wanted > torque:
            w = float(middle[0])
            takes = float(rec["engine_inertia"]) * (after - before) / max(torque, 1e-6)
            takes += SERVO_LAG + filling_time(car, w) + induction_delay(car, w)
        said.append(f"{gear} to {gear - 1}: {(after - before) * _RPM:.0f} rpm in {takes:.2f} s")
    return most, largest, said


def blip(car: Car, intent: Intent) -> Rows:
    """Floor of the plate that brings the engine to the speed of the next lower gear.

    Parameters
    ----------
    car : Car
        The car.
    intent : Intent
        With or without a blip.

    Returns
    -------
    Rows
        Nothing where no blip is asked for; refused where there is one gear only.

    Notes
    -----
    The plate opens far, and a loop on engine speed that looks ahead along its slope closes it in
    time: plate = hold + kp (target - speed - lead slope), between 0 and the opening that makes
    the largest step of the gearbox in the time wanted. Ahead, or the air on its way would carry
    the engine past the target. It acts only with the clutch open, so that it drives nothing.
    """
    wanted = intent.blip
    if wanted is None:
        return Rows()
    rec = car.record
    gears = int(rec["gears"])
    if gears < 2:
        return Rows(refused="blip: a gearbox with one gear has no shift down")
    most, largest, said = _opening(car, wanted.time)
    steep = _STEEP * most / largest
    plants = blip_plants(car)
    loop = _gains(plants)
    source = "intent, blip, on the torque surface with the pipe at ambient"
    arm = "shift_1 < -0.5 and clutch_1 < 0.5 and gear_1 > 1.5"
    common: dict[str, Any] = {
        "output": "plate",
        "side": "floor",
        "law": "pi",
        "x": "engine_rpm",
        "y": "speed_m_s",
        "z": "gear_1",
        "table": "blip_speed",
        "arm": arm,
        "source": source,
    }
    rows = (
        Limit(
            "blip",
            base="blip_ahead",
            reason="runs the engine up towards the speed of the lower gear, clutch open",
            **common,
        ),
        Limit(
            "blip_hold",
            base="blip_plate",
            reason="brings the engine to that speed and keeps it there until the clutch closes",
            **common,
        ),
        Limit(
            "blip_fuel",
            "fuel_cut",
            "ceiling",
            "table",
            x="speed_m_s",
            y="gear_1",
            table="blip_no_fuel",
            arm=arm,
            reason="ends the fuel cut of the overrun, or the open plate would give no torque",
            source="follows from the blip",
        ),
    )
    why = f"phase margin {_ROOM_PHASE:.0f} deg and gain margin {_ROOM_GAIN:g} at every speed"
    within = "over-demand at most 0.5 s, as wanted of every opening beyond the pedal"
    numbers = {
        "blip.kp": Number(steep, "%/rpm", "three times the opening over the largest step"),
        "blip.ki": Number(0.0, "%/(rpm s)", "the free engine integrates"),
        "blip.least": Number(0.0, "%", "closed"),
        "blip.most": Number(
            round(most, 3), "%", "largest step of the gearbox in the time wanted, computed"
        ),
        "blip.within_s": Number(LONGEST, "s", within),
        "blip_hold.kp": Number(loop.kp, "%/rpm", why),
        "blip_hold.ki": Number(0.0, "%/(rpm s)", "the free engine integrates"),
        "blip_hold.least": Number(0.0, "%", "closed"),
        "blip_hold.most": Number(round(most, 3), "%", "as the run-up"),
        "blip_hold.within_s": Number(LONGEST, "s", within),
        "blip_fuel.within_s": Number(LONGEST, "s", within),
    }
    slowest = worst(plants, loop)
    notes = (
        f"blip: {'; '.join(said)}, each to {(car.limit - _UNDER_LIMIT) * _RPM:.0f} rpm; "
        f"smaller steps take less; {margins_text(slowest)}",
        "blip: a shift down that would over-rev the engine is not helped: "
        + ", ".join(f"{g} to {g - 1} above {3.6 * highest_speed(car, g):.0f} km/h"
                    for g in range(2, gears + 1)),
        "blip: the request must end as the lower gear goes in, or the gear below that is aimed at",
    )  # fmt: skip
    return Rows(rows, _tables(car, loop, steep), numbers, notes)


def _tables(car: Car, loop: Controller, steep: float) -> tuple[Table, ...]:
    """Return target speed and fuel over road speed and gear, and the plate that holds."""
    rec = car.record
    gears = int(rec["gears"])
    tops = {gear: highest_speed(car, gear) for gear in range(2, gears + 1)}
    speed = np.unique(np.round([0.0, *tops.values(), *(top + _EDGE for top in tops.values())], 3))
    target = np.zeros((speed.size, gears + 1))
    no_fuel = np.ones((speed.size, gears + 1))
    for gear, top in tops.items():
        ratio = float(rec["ratios"][gear - 2] * rec["final_drive"])
        helped = speed <= top + 0.001
        per_speed = ratio / float(rec["tyre_radius"]) * _RPM
        target[:, gear] = np.where(helped, speed * per_speed, 0.0)
        no_fuel[:, gear] = np.where(helped, 0.0, 1.0)
    gear_axis = Axis("gear_1", "", np.arange(gears + 1, dtype=float))
    axes = (Axis("speed_m_s", "m/s", speed), gear_axis)
    omega = _speeds(car)
    slope = np.array([-_STEEPEST, _STEEPEST])
    lag = np.array(
        [SERVO_LAG + filling_time(car, float(w)) + induction_delay(car, float(w)) for w in omega]
    )
    hold = _holds(car, omega)[None, :] - (loop.kp * loop.lead * slope)[:, None]
    return (
        Table(
            "blip_speed",
            "engine speed in the next lower gear",
            "rpm",
            axes,
            np.round(target, 2),
            note="0 where that gear would over-rev the engine, and in first gear and neutral",
        ),
        Table(
            "blip_no_fuel",
            "largest share of cylinders without fuel",
            "",
            axes,
            no_fuel,
            note="0 where the blip needs torque",
        ),
        Table(
            "blip_ahead",
            "what the run-up under way takes off the opening",
            "%",
            (
                Axis("engine_slope_rpm_s", "rpm/s", slope),
                Axis("engine_rpm", "rpm", np.round(omega * _RPM, 2)),
            ),
            np.round(-steep * (_NEAR + lag[None, :] * slope[:, None]), 4),
            note=f"ends {_NEAR:g} rpm short, ahead by the lag of servo, filling and induction",
            percent_meaning=PLATE_PCT,
        ),
        Table(
            "blip_plate",
            "plate that holds the free engine, less what its run-up will still bring",
            "%",
            (
                Axis("engine_slope_rpm_s", "rpm/s", slope),
                Axis("engine_rpm", "rpm", np.round(omega * _RPM, 2)),
            ),
            np.round(hold, 4),
            note=f"looks {loop.lead:g} s ahead along the slope of engine speed",
            percent_meaning=PLATE_PCT,
        ),
    )


ROLE = Role(
    name="blip",
    title="Blip on a downshift",
    text="Opens the plate while the clutch is open, until the engine turns as fast as the lower "
    "gear wants; a shift that would over-rev the engine gets no help.",
    design=blip,
    section="blip",
    typical=(Typical("time", "0.25 s (0.2 to 0.4 s)", "common practice, no source"),),
    shown=(
        Shown("blip_downshift", "blip_speed_error"),
        Shown("blip_downshift", "blip_jolt"),
        Shown("blip_downshift", "over_demand_time"),
    ),
    caution="The engine revs without the pedal. Try it first at standstill in neutral with nobody "
    "near belts and fan, then on closed ground; a plate that opens by itself shuts on fingers.",
)
"""The role, for the registry."""
