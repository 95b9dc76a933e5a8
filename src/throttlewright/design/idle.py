"""Idle: the air that keeps the engine turning, cold and warm, and the loop that trims it."""

from __future__ import annotations

import math

import numpy as np

from throttlewright.build.intent import Intent
from throttlewright.calibration.calibration import Number
from throttlewright.calibration.limits import Limit
from throttlewright.calibration.table import Axis, Table
from throttlewright.car.flows import plate_area_of
from throttlewright.car.pack import Car
from throttlewright.car.record import BoostState
from throttlewright.car.surface import evaluate
from throttlewright.design.role import Role
from throttlewright.design.rows import PLATE_PCT, Rows
from throttlewright.design.servo import least_target
from throttlewright.physics.friction import friction_over_warm

__all__ = ["BASE_SHARE", "ROLE", "idle", "idle_opening", "idle_setpoint"]

BASE_SHARE = 0.85
"""Share of the computed air that the floor gives by itself [-]. The loop adds the rest: with all
of it in the floor a loop that can only add would idle too fast whenever the model asks too much.
Tool default."""

_COOLANT = np.array([-20.0, 0.0, 20.0, 40.0, 60.0, 80.0])
_RAISE_AT = (-20.0, 0.0, 20.0, 40.0, 70.0)
_RAISE = (400.0, 300.0, 200.0, 150.0, 0.0)
"""Raise of the idle speed over coolant [rpm]. One road car's service manual asks for 1100 to
1300 rpm under 40 degC; the rest is from memory."""
_SERVO_LAG = 0.06
"""Plate servo [s]: 50 to 100 ms, servo model."""
_SPARK_BASE = 12.0
_SPARK_GAIN = 0.10
"""Ignition behind best torque while idling [deg], and how much of it a dip of 1 rpm takes back
[deg/rpm]: it acts in one firing, long before air does. 5 to 12 degrees are common; from memory."""
_SPARK_RELEASE = 200.0
_MARGIN_RPM = 500.0


def idle_setpoint(car: Car, coolant_degC: np.ndarray) -> np.ndarray:
    """Idle speed wanted at a coolant temperature.

    Parameters
    ----------
    car : Car
        The car, with the idle speed of the warm engine.
    coolant_degC : ndarray [degC]
        Coolant temperatures.

    Returns
    -------
    ndarray [rpm]
        Idle speed.
    """
    warm = car.idle * 30.0 / math.pi
    return np.asarray(warm + np.interp(coolant_degC, _RAISE_AT, _RAISE))


def _torque(car: Car, omega: float, psi: float, cold: float) -> float:
    found, _ = evaluate(
        car, np.array([omega]), np.array([[psi]]), state=BoostState.INSTANT, cold=cold
    )
    return float(found["torque"][0, 0])


def idle_opening(
    car: Car, *, omega: float, cold: float = 1.0, load: float = 0.0
) -> tuple[float, bool]:
    """Plate angle at which the engine just carries a load at a speed, charge pipe at ambient.

    Parameters
    ----------
    car : Car
        The car.
    omega : float [rad/s]
        Engine speed, above 0.
    cold : float [-]
        Friction over hot friction, 1 when warm.
    load : float [N m]
        Torque taken at the crankshaft, from 0.

    Returns
    -------
    tuple of float and bool [rad, -]
        Plate angle, and whether the plate has authority: False where the closed plate alone
        passes too much, or the open plate too little; the angle is then the nearer stop.
    """
    low, high = car.psi_closed, car.psi_open
    if _torque(car, omega, low, cold) >= load:
        return low, False
    if _torque(car, omega, high, cold) <= load:
        return high, False
    for _ in range(60):
        middle = 0.5 * (low + high)
        if _torque(car, omega, middle, cold) < load:
            low = middle
        else:
            high = middle
        if high - low < 1e-10:
            break
    return 0.5 * (low + high), True


def _pct(car: Car, psi: float) -> float:
    return 100.0 * (psi - car.psi_closed) / (car.psi_open - car.psi_closed)


def _with_share(car: Car, psi: float) -> float:
    """Plate angle with a share of the area: at idle the plate is choked, so of the air too."""
    rec = car.record
    wanted = BASE_SHARE * float(plate_area_of(psi, car=rec))
    low, high = car.psi_closed, psi
    if float(plate_area_of(low, car=rec)) >= wanted:
        return low
    for _ in range(50):
        middle = 0.5 * (low + high)
        if float(plate_area_of(middle, car=rec)) < wanted:
            low = middle
        else:
            high = middle
    return 0.5 * (low + high)


def _gains(car: Car, psi: float) -> tuple[float, float]:
    """Gains of the speed loop [% per rpm, % per rpm and s], modulus optimum on the idling engine.

    J dw/dt = g x - b w, x the plate behind the filling of the manifold and a delay.
    """
    rec, omega = car.record, car.idle
    span = car.psi_open - car.psi_closed
    step = 0.003 * span
    g = (_torque(car, omega, psi + step, 1.0) - _torque(car, omega, psi, 1.0)) / (
        100.0 * step / span
    )
    b = (_torque(car, 0.97 * omega, psi, 1.0) - _torque(car, 1.03 * omega, psi, 1.0)) / (
        0.06 * omega
    )
    # a fixed plate at idle passes constant air, so torque falls with speed; the least slope keeps
    # the design finite on an engine whose friction curve says otherwise
    b = max(b, 0.02 * float(rec["engine_inertia"]) * omega / 10.0)
    volume = float(rec["manifold_volume"])
    if float(rec["individual"]) > 0.5:
        volume = car.build.plate.runner_volume * car.build.plate.count
    ve = float(car.over_speed("ve_speed", np.array([omega]))[0])
    filling = 4.0 * math.pi * volume / (float(rec["displacement"]) * ve * omega)
    dead = float(rec["induction_delay"]) / omega + _SERVO_LAG
    mechanical = float(rec["engine_inertia"]) / b
    slow, fast = max(mechanical, filling), min(mechanical, filling)
    rpm_per_pct = max(g, 1e-3) / b * 30.0 / math.pi
    kp = slow / (2.0 * rpm_per_pct * (fast + dead))
    return kp, kp / slow


def idle(car: Car, intent: Intent) -> Rows:
    """Floor of the plate at idle over coolant, and the loop that holds the idle speed.

    Parameters
    ----------
    car : Car
        The car.
    intent : Intent
        Not used: the idle speed belongs to the build.

    Returns
    -------
    Rows
        Two floors, their tables, the gains, and a note where the plate cannot do it.
    """
    setpoint = idle_setpoint(car, _COOLANT)
    notes: list[str] = []
    need = np.empty(_COOLANT.size)
    floor = np.empty(_COOLANT.size)
    warm_psi = car.psi_closed
    for i, coolant in enumerate(_COOLANT):
        psi, fine = idle_opening(
            car,
            omega=float(setpoint[i]) * math.pi / 30.0,
            cold=friction_over_warm(float(coolant) + 273.15),
        )
        warm_psi = psi
        need[i] = _pct(car, psi)
        floor[i] = _pct(car, _with_share(car, psi))
        if not fine and psi == car.psi_closed:
            notes.append(
                f"at {coolant:g} degC the closed plate already passes more air than idle at "
                f"{setpoint[i]:.0f} rpm needs: the plate cannot hold it, reduce the gap or let "
                "ignition and fuel do it"
            )
        elif not fine:
            notes.append(
                f"at {coolant:g} degC the open plate does not carry {setpoint[i]:.0f} rpm: check "
                "the friction of the build"
            )
    kp, ki = _gains(car, warm_psi)
    most = float(np.clip(1.5 * need.max(), 10.0, 15.0))
    source = "car model, torque 0 at idle speed"
    axis = Axis("coolant_degC", "degC", _COOLANT)
    tables = (
        Table(
            "idle_air",
            "plate opening",
            "%",
            (axis,),
            np.maximum(floor, 0.0),
            note=notes[-1]
            if notes
            else f"{100 * BASE_SHARE:.0f} % of the air for torque 0; the loop adds the rest",
            percent_meaning=PLATE_PCT,
        ),
        Table("idle_speed", "engine speed", "rpm", (axis,), np.round(setpoint, 1)),
    )
    above = float(setpoint.max()) + _MARGIN_RPM
    limits = (
        Limit(
            "idle_base",
            "plate",
            "floor",
            "table",
            x="coolant_degC",
            table="idle_air",
            fall_rate=20.0,
            reason="air that keeps the engine turning",
            source=source,
        ),
        Limit(
            "idle_loop",
            "plate",
            "floor",
            "pi",
            x="engine_rpm",
            y="coolant_degC",
            table="idle_speed",
            arm=f"pedal_pct < 2 and engine_rpm < {above:.0f} and since_start_s > 0",
            hysteresis=1.0,
            # letting go slowly is the dashpot of the last few percent
            fall_rate=20.0,
            reason="holds the idle speed",
            source="modulus optimum on the idling engine",
        ),
        Limit(
            "idle_spark",
            "retard",
            "floor",
            "pi",
            x="engine_rpm",
            y="coolant_degC",
            table="idle_speed",
            arm=f"pedal_pct < 2 and engine_rpm < {above:.0f} and since_start_s > 0",
            hysteresis=1.0,
            rise_rate=_SPARK_RELEASE,
            reason="a reserve of torque that ignition gives back at once when speed dips",
            source="common practice, no source",
        ),
    )
    spark = "tool default, about the common 5 to 12 degrees; from memory"
    numbers = {
        "idle_spark.kp": Number(-_SPARK_GAIN, "deg/rpm", spark),
        "idle_spark.ki": Number(0.0, "deg/(rpm s)", spark),
        "idle_spark.base": Number(_SPARK_BASE, "deg", spark),
        "idle_spark.least": Number(0.0, "deg", spark),
        "idle_spark.most": Number(2.0 * _SPARK_BASE, "deg", spark),
        "idle_loop.kp": Number(kp, "%/rpm", "modulus optimum on the idling engine"),
        "idle_loop.ki": Number(ki, "%/(rpm s)", "modulus optimum on the idling engine"),
        "idle_loop.base": Number(round(_pct(car, warm_psi), 4), "%", source),
        # under the lowest floor the loop would wind up unseen
        "idle_loop.least": Number(
            round(max(float(floor.min()), least_target(car)), 4), "%", "as the floor when warm"
        ),
        "idle_loop.most": Number(most, "%", "10 to 15 % of the plate, from memory"),
        "overrun_fuel_cut_above_rpm": Number(
            round(car.idle * 30.0 / math.pi + 400.0), "rpm", "common practice, no source"
        ),
        "overrun_delay_s": Number(0.15, "s", "common practice, no source"),
        "resume_rpm": Number(
            round(car.idle * 30.0 / math.pi + 200.0), "rpm", "200 to 400 above idle, from memory"
        ),
    }
    return Rows(limits, tables, numbers, tuple(notes))


ROLE = Role(
    name="idle",
    title="Idle",
    text="Gives the air that keeps the engine turning, and trims it.",
    design=idle,
)
"""The role, for the registry."""
