"""The first power-up as a list: what to do, what to expect, when to stop, what comes next."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np

from throttlewright.build.paths import with_value
from throttlewright.build.servo import PlateTrack
from throttlewright.build.vehicle import Track
from throttlewright.calibration.calibration import Calibration
from throttlewright.calibration.defaults import DEFAULTS
from throttlewright.car.pack import Car, pack
from throttlewright.car.record import BoostState
from throttlewright.car.surface import evaluate
from throttlewright.design.failsafe import CLOSING_LIMIT, Gate, RestSpeed, closing_time
from throttlewright.design.idle import idle_opening
from throttlewright.design.limp import fault_reactions, in_numbers
from throttlewright.foundation.errors import InputError, nearest

__all__ = ["PHASES", "Judged", "Step", "commission_steps", "given_car", "judge_steps"]

Phase = Literal["fingers", "air", "fuel", "drive"]
Status = Literal["pass", "fail", "open", "locked"]
PHASES: dict[Phase, str] = {
    "fingers": "Fingers: engine off, fuel and spark disabled, nothing near the plate",
    "air": "Air: engine off still, every way that shuts the plate is shown",
    "fuel": "Fuel: first start, in neutral, a hand on the emergency stop",
    "drive": "Dyno and first drive, opening capped",
}
"""In this order; nothing of a later one is judged before the earlier ones are filled and pass."""

_TRACK_SHARE = 0.03
"""Tolerance of a track voltage over its span [-]; common practice, no source."""
_OHM_SHARE = 0.15
"""Tolerance of winding resistance [-]; common practice, no source."""
_MAP_KPA = 6.0
"""Tolerance of idle manifold pressure [kPa]; common practice, no source."""
_IDLE_PCT = 1.5
"""Tolerance of the idle plate [% of travel]; common practice, no source."""
_RPM_SHARE = 0.20
"""Tolerance of an engine speed that the model predicts [-]; tool default."""
_CLOSING_SHARE = 0.5
"""Tolerance of a closing time under the limit [-]; tool default."""


@dataclass(frozen=True)
class Step:
    """One line of the sheet.

    A step with ``expected`` None is done or not done; otherwise a number in ``unit`` is measured,
    good from ``low`` to ``high``. ``key`` names it in the file of filled values, ``feeds`` the key
    of the build that the measured value becomes.
    """

    phase: Phase
    key: str
    do: str
    expected: float | None
    unit: str
    low: float
    high: float
    stop: str
    then: str
    feeds: str = ""
    source: str = ""

    @property
    def is_check(self) -> bool:
        """Whether the step is done or not done."""
        return self.expected is None


@dataclass(frozen=True)
class Judged:
    """A step with what was filled in: ``origin`` is ``given`` where there is a value."""

    number: int
    step: Step
    measured: float | bool | None
    status: Status
    text: str

    @property
    def origin(self) -> str:
        """Where the measured value comes from."""
        return "" if self.measured is None else "given"


def _tick(phase: Phase, key: str, do: str, stop: str, then: str, source: str = "") -> Step:
    return Step(phase, key, do, None, "", 1.0, 1.0, stop, then, source=source)


def _about(
    phase: Phase, key: str, do: str, expected: float, tolerance: float, unit: str, stop: str,
    then: str, feeds: str = "", source: str = "",
) -> Step:  # fmt: skip
    digits = 4 if abs(expected) < 100.0 else 5
    shown = float(f"{expected:.{digits}g}")
    low, high = (float(f"{max(v, 0.0):.4g}") for v in (expected - tolerance, expected + tolerance))
    return Step(phase, key, do, shown, unit, low, high, stop, then, feeds, source)


_UNPLUG = "Take the power off, then unplug, before any hand goes near the plate."


def _wiring(car: Car) -> list[Step]:
    servo = car.build.servo
    return [
        _tick("fingers", "battery_off", "Battery off, plug of the throttle body off, fuel pump, "
              "injectors and ignition unplugged; an emergency stop fitted that takes plate power, "
              "fuel and ignition by wire.", "Anything still has power.", "measure the winding"),
        _about("fingers", "motor_ohm", "Ohms across the motor pins, at about 20 degC, leads "
               "subtracted.", servo.resistance, _OHM_SHARE * servo.resistance, "ohm",
               "Open or near zero: a broken or shorted winding.", "measure to ground",
               "servo.resistance", f"servo.resistance, within {100 * _OHM_SHARE:.0f} %"),
        Step("fingers", "motor_to_ground_kohm", "Kiloohms from each motor pin to the body.", 1000.0,
             "kohm", 1000.0, math.inf, "Less: the winding touches the body. Do not power it.",
             "turn the plate", source="common practice, no source; more is right"),
        _tick("fingers", "plate_free", "Unplugged, turn the plate by its lever or with a wooden "
              "stick, never with a finger in the bore: it moves freely and springs back to rest.",
              "It sticks or does not come back.", "power the sensors"),
    ]  # fmt: skip


def _volts(car: Car) -> list[Step]:
    build, rec = car.build, car.record
    share = float(rec["default_opening"] / rec["servo_travel"])
    steps = [
        _tick("fingers", "stop_tried", "Key on, engine off, plug on, bridge disabled. Press the "
              "emergency stop: plate power, fuel and ignition are gone, measured at their pins.",
              "One of them stays.", "measure the sensor supply"),
        _about("fingers", "supply_V", "Sensor supply at the throttle body's plug.", 5.0, 0.25, "V",
               "Outside: nothing that a sensor says can be believed.", "read the plate tracks",
               source="5 V, within the bound of the reaction on the supply"),
    ]  # fmt: skip
    plate = build.sensors.plate
    for where, at in (("default", share), ("closed", 0.0), ("open", 1.0)):
        for n, track in enumerate(plate, 1):
            span = track.open - track.closed
            do = {
                "default": f"Plate track {n} at rest, unpowered.",
                "closed": f"Plate track {n} on the closed stop: driven there with at most 20 % "
                "duty for at most 0.3 s, then let go. Never drive a body without a closed stop "
                "into its bore.",
                "open": f"Plate track {n} on the open stop: at most 30 % duty for at most 0.3 s.",
            }[where]
            steps.append(
                _about(
                    "fingers", f"plate_{n}_{where}_V", do, track.closed + span * at,
                    _TRACK_SHARE * abs(span), "V",
                    "Outside, or it moves the wrong way: swapped or inverted tracks slam the "
                    f"plate. {_UNPLUG}",
                    "next track", "" if where == "default" else "sensors.plate",
                    "sensors.plate and plate.default_opening",
                )
            )  # fmt: skip
        if where == "default":
            for n, pedal in enumerate(build.pedal.tracks[:2], 1):
                for end, volts in (("released", pedal.released), ("full", pedal.full)):
                    steps.append(
                        _about(
                            "fingers", f"pedal_{n}_{end}_V", f"Pedal track {n}, {end}.", volts,
                            _TRACK_SHARE * abs(pedal.full - pedal.released), "V",
                            "Outside: wrong pins, or another pedal.", "next end",
                            "pedal.tracks", "pedal.tracks",
                        )
                    )  # fmt: skip
            steps.append(
                _tick("fingers", "direction", "First motion: at most 20 % duty for at most 50 ms, "
                      "bore clear, hand on the stop. Both tracks move towards open.",
                      f"Either moves towards closed: polarity or tracks are swapped. {_UNPLUG}",
                      "learn the stops")
            )  # fmt: skip
    return steps


def _holding(car: Car) -> list[Step]:
    rec = car.record
    K, R = float(rec["motor_constant"]), float(rec["motor_resistance"] + rec["loom_resistance"])
    span = float(rec["servo_travel"] - rec["default_opening"])
    friction = float(rec["servo_coulomb"]) / K
    steps = []
    for name, text, opening in (("rest", "just above rest", 0.0), ("open", "near full open", span)):
        current = float(rec["preload_above"] + rec["spring_above"] * opening) / K
        stop = "Above: the plate rubs or a spring is wrong. Do not hold a stall over 0.5 s."
        source = "springs over motor constant; friction either way"
        steps += [
            _about("fingers", f"hold_{name}_A", f"Current that holds the plate {text}.", current,
                   friction, "A", stop, "read the duty", "", source),
            _about("fingers", f"hold_{name}_pct", "Duty at the same place, at the battery voltage "
                   "of the build.", 100.0 * current * R / float(rec["battery"]),
                   100.0 * friction * R / float(rec["battery"]), "%", stop, "next", "", source),
        ]  # fmt: skip
    return steps


def _closing(car: Car) -> list[Step]:
    steps = []
    own = car.build.controller.bridge_off
    for key, text, friction, winding in (
        ("closing_cold_s", "cold-soaked", 1.4, 253.15),
        ("closing_warm_s", "warm", 1.0, 293.15),
        ("closing_hot_s", "hot, straight after a run or with a heat gun", 1.0, 393.15),
    ):
        time = closing_time(car, bridge_off=own, friction=friction, winding=winding)
        good = math.isfinite(time) and time <= CLOSING_LIMIT
        shown = float(f"{min(time, 6.0):.3g}")
        high = min(CLOSING_LIMIT, (1.0 + _CLOSING_SHARE) * time) if good else CLOSING_LIMIT
        steps.append(
            Step("air", key, f"Power off from full open, body {text}: time to 5 % above rest.",
                 shown, "s", 0.0, float(f"{high:.3g}"),
                 f"Over {CLOSING_LIMIT:g} s: no start. " + ("" if good else "The model already "
                 "says so: another bridge-off mode or a stronger spring."),
                 "next", source=f"simulated, bridge {own} when off; at most {CLOSING_LIMIT:g} s: "
                 "Formula Student CV1.6.5, Formula SAE 2026 IC.4.7.1b")
        )  # fmt: skip
    return steps


_UNPLUGGED = (
    ("pedal_1", "Pull the wire of pedal track 1.", "pedal_1_open"),
    ("pedal_2", "Pull the wire of pedal track 2.", "pedal_2_open"),
    ("pedal_short", "Short both pedal tracks together, pedal at a quarter.",
     "pedal_shorted_together"),
    ("plate_1", "Pull the wire of plate track 1, plate a little open.", "plate_1_open"),
    ("plate_2", "Pull the wire of plate track 2, plate a little open.", "plate_2_open"),
    ("plate_both", "Pull both wires of the plate tracks.", "plate_both_lost"),
    ("supply", "Pull the wire of the sensor supply.", "reference_shift"),
    ("motor", "Pull one wire of the motor, plate a little open.", "motor_open"),
)  # fmt: skip


def _unplugged(car: Car, calibration: Calibration) -> list[Step]:
    steps = []
    for key, do, fault in _UNPLUGGED:
        rows = fault_reactions(fault, calibration.reactions)
        if rows:
            what = "; ".join(dict.fromkeys(in_numbers(row.reaction, calibration) for row in rows))
            within = max(row.time_s for row in rows)
            expected = f"Within {within:g} s: {what}."
        else:
            expected = "No reaction of this calibration looks for it: the step cannot pass."
        step = _tick("air", f"unplug_{key}", f"{do} {expected}", "Nothing happens, or the plate "
                     f"opens. {_UNPLUG}", "plug in, key off and on, next wire")  # fmt: skip
        # low above one: a step that nothing can answer is not passed by ticking it
        steps.append(step if rows else replace(step, low=2.0))
    box = car.build.controller
    for way in ("bridge", "relay"):
        if way in box.shut_off:
            steps.append(
                _tick("air", f"kill_{way}", f"Take the {way} away alone, plate half open: the "
                      "plate falls to rest.", "It stays: this route does not work alone.",
                      "next route")
            )  # fmt: skip
    return steps


def _running(car: Car, calibration: Calibration, rest: RestSpeed, gate: Gate) -> list[Step]:
    psi, _ = idle_opening(car, omega=car.idle)
    found, _ = evaluate(car, np.array([car.idle]), np.array([[psi]]), state=BoostState.INSTANT)
    idle_rpm = car.idle * 30.0 / math.pi
    travel = car.psi_open - car.psi_closed
    stop = "Speed runs away: emergency stop at once, key off, find out why."
    use = car.build.use
    is_open = gate.is_open(use)
    why = next((f"{r.why}; fix: {r.fix}" for r in gate.refusals if r.use == use), "")
    allowed = _tick(
        "fuel", "gate_open", f"The gate of this sheet is open for {use}." if is_open
        else f"Do not start the engine: the gate is closed for {use}. {why}.",
        "Closed: no first start.", "connect fuel and ignition",
    )  # fmt: skip
    steps = [
        allowed if is_open else replace(allowed, low=2.0),
        _tick("fuel", "kill_fuel", "Fuel and ignition plugged in. Start in neutral, then press the "
              "emergency stop: the engine stops.", "It runs on.", "start again"),
        _about("fuel", "idle_rpm", "Idle speed, warm.", idle_rpm, 100.0, "rpm", stop,
               "read the plate", source="engine.idle_speed"),
        _about("fuel", "idle_plate_pct", "Plate at warm idle, no load.",
               100.0 * (psi - car.psi_closed) / travel, _IDLE_PCT, "%",
               "More: air is missing, or the closed stop is wrong. Less: a leak behind the plate.",
               "read the pressure", source="model of the build"),
        _about("fuel", "idle_map_kPa", "Manifold pressure at warm idle, absolute.",
               float(found["map"][0, 0]) / 1e3, _MAP_KPA, "kPa",
               "Higher: leak, late valves or ignition.", "try the unpowered plate",
               source="model of the build"),
    ]  # fmt: skip
    if math.isfinite(gate.cap_rpm) and rest.rpm > gate.cap_rpm:
        hysteresis = calibration.numbers.get("rev_hysteresis_rpm", DEFAULTS["rev_hysteresis_rpm"])
        steps.append(
            _about("fuel", "default_rpm", "Idling in neutral, unplug the motor of the plate: "
                   "highest speed. Only the fuel cut holds it: without it the model says "
                   f"{rest.rpm:.0f} rpm.", gate.cap_rpm, 2.0 * hysteresis.value, "rpm",
                   "It passes the cap: emergency stop. The cap does not work.", "try the brake",
                   source="limp_rpm of the calibration")
        )  # fmt: skip
    else:
        steps.append(
            _about("fuel", "default_rpm", "Idling in neutral, unplug the motor of the plate: "
                   "highest speed.", rest.rpm, _RPM_SHARE * rest.rpm, "rpm", stop, "try the brake",
                   source="model of the build")
        )  # fmt: skip
    return steps


def _driving(car: Car) -> list[Step]:
    return [
        _tick("drive", "dyno", "First dyno pull: car strapped, opening capped at 30 %, nobody in "
              "front of or behind it, exhaust led out.", "Plate and target part by more than the "
              "reaction allows, or anything smells or sounds wrong.", "raise the cap by steps"),
        _tick("drive", "brake_over_pedal", "On the dyno or closed ground: pedal held at half, then "
              "the brake pressed hard: the engine falls to idle within a second.",
              "It pulls against the brake.", "first drive"),
        _tick("drive", "brakes_hold", "At walking pace the brakes hold the car against the engine "
              "at the capped opening.", "They do not.", "first drive"),
        _tick("drive", "first_drive", "First drive: closed ground, opening capped at 30 to 50 %, "
              "an observer with the recording.", "Any reaction nobody meant.", "open the cap"),
    ]  # fmt: skip


def commission_steps(
    car: Car, calibration: Calibration, *, rest: RestSpeed, gate: Gate
) -> tuple[Step, ...]:
    """List the steps of the first power-up with what this build should show.

    Parameters
    ----------
    car : Car
        The car.
    calibration : Calibration
        What it is driven with.
    rest : RestSpeed
        From ``failsafe.rest_speed``.
    gate : Gate
        From ``failsafe.gate``.

    Returns
    -------
    tuple of Step
        Fingers, then air, then fuel, then driving.
    """
    steps = [
        *_wiring(car), *_volts(car), *_holding(car), *_closing(car),
        *_unplugged(car, calibration), *_running(car, calibration, rest, gate), *_driving(car),
    ]  # fmt: skip
    return tuple(steps)


def given_car(car: Car, measured: Mapping[str, float | bool]) -> Car:
    """Return the car with measured values in place of those of its build.

    Parameters
    ----------
    car : Car
        The car.
    measured : mapping of str to float or bool
        Filled values by key of the step.

    Returns
    -------
    Car
        Packed anew; tracks are taken over only where both ends were measured.
    """
    build = car.build
    if "motor_ohm" in measured and 0.1 <= float(measured["motor_ohm"]) <= 50.0:
        build = with_value(build, "servo.resistance", float(measured["motor_ohm"]))
    for key, ends, kind, prefix in (
        ("sensors.plate", ("closed", "open"), PlateTrack, "plate"),
        ("pedal.tracks", ("released", "full"), Track, "pedal"),
    ):
        tracks: list[Any] = list(build.sensors.plate if prefix == "plate" else build.pedal.tracks)
        changed = False
        for n in range(min(2, len(tracks))):
            names = [f"{prefix}_{n + 1}_{end}_V" for end in ends]
            volts = [float(measured.get(name, math.nan)) for name in names]
            if all(0.0 <= v <= 5.5 for v in volts) and abs(volts[1] - volts[0]) >= 0.2:
                data = dict(zip(ends, volts, strict=True))
                tracks[n] = kind.model_validate(data, context={"si": True})
                changed = True
        if changed:
            build = with_value(build, key, tuple(tracks))
    return car if build is car.build else pack(build)


def _check_filled(steps: Sequence[Step], measured: Mapping[str, object]) -> None:
    known = {step.key: step for step in steps}
    for key, value in measured.items():
        if key not in known:
            close = nearest(key, list(known))
            raise InputError(
                "is not a step of this sheet",
                key=f"measured.{key}",
                value=value,
                advice=f"did you mean {close!r}?" if close else None,
            )
        if known[key].is_check:
            if not isinstance(value, bool):
                raise InputError(
                    "is done or not done", key=f"measured.{key}", value=value,
                    allowed="true or false",
                )  # fmt: skip
        elif isinstance(value, bool) or not isinstance(value, int | float):
            raise InputError(
                "is not a number", key=f"measured.{key}", value=value,
                allowed=f"a number in {known[key].unit}",
            )  # fmt: skip
        elif not math.isfinite(value):
            raise InputError("is not a finite number", key=f"measured.{key}", value=value)


def judge_steps(steps: Sequence[Step], measured: Mapping[str, float | bool]) -> tuple[Judged, ...]:
    """Judge what was filled in, in order.

    Parameters
    ----------
    steps : sequence of Step
        The sheet.
    measured : mapping of str to float or bool
        Filled values by key.

    Returns
    -------
    tuple of Judged
        ``locked`` from the first step on that comes after an open or a failed one.

    Raises
    ------
    InputError
        If a key or a value cannot be used.
    """
    _check_filled(steps, measured)
    found = []
    blocked = ""
    for number, step in enumerate(steps, 1):
        value = measured.get(step.key)
        if value is None:
            status: Status = "locked" if blocked else "open"
            text = f"wait for step {blocked}" if blocked else ""
        elif blocked:
            status, text = "locked", f"not judged: step {blocked} is open or failed"
        else:
            good = step.low <= float(value) <= step.high
            status = "pass" if good else "fail"
            text = step.then if good else step.stop
        if status in ("open", "fail") and not blocked:
            blocked = str(number)
        found.append(Judged(number, step, value, status, text))
    return tuple(found)
