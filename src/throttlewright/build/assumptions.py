"""Every default of a build, with its source, how far it may be off, and what would fix it."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from pydantic import BaseModel

from throttlewright.build.engine import Dyno
from throttlewright.build.fields import RPM, CurveOverRpm
from throttlewright.build.paths import value_at, with_value
from throttlewright.build.plate import Cam, Discharge
from throttlewright.build.problems import checked
from throttlewright.build.schema import Build
from throttlewright.build.servo import PlateTrack
from throttlewright.build.vehicle import Track
from throttlewright.foundation.provenance import Origin, Provenance

__all__ = ["ASSUMPTIONS", "Assumption", "complete"]

PRACTICE = "common practice, no source"

DYNO_SPREAD = 0.03
"""Spread of a dyno curve with its pedigree: common practice, no source."""
UNKNOWN_BREATHING_SPREAD = 0.15
"""Spread of volumetric efficiency without a dyno curve, or with one of unknown pedigree."""


@dataclass(frozen=True)
class Assumption:
    """One default: what is put in, why, how far it may be off and how to measure it."""

    key: str
    value: Callable[[Build], Any]
    source: str
    spread: float
    measure: str
    relative: bool = True
    origin: Origin = Origin.ASSUMED
    applies: Callable[[Build], bool] = lambda build: True


def _charged(build: Build) -> bool:
    return build.charging_kind != "none"


def _resistance(build: Build, *, drop: float, T: float, boosted: bool = False) -> float:
    """H of a part that loses ``drop`` at rated flow: dp = H T m^2 / p."""
    boost = max(build.boost.gauge_pressure) if build.boost else 0.0
    ratio = 1.0 + boost / 101325.0
    engine = build.engine
    # volumetric efficiency 0.9 of air at 1.19 kg/m3, at the rev limit and full boost
    flow = 0.9 * 1.19 * ratio * engine.displacement * engine.rev_limit / (4.0 * math.pi)
    return drop * 101325.0 * (ratio if boosted else 1.0) / (T * flow**2)


def _typical_ve(build: Build) -> CurveOverRpm:
    shape = (
        (0.08, 0.72), (0.15, 0.77), (0.25, 0.82), (0.35, 0.86), (0.50, 0.91),
        (0.62, 0.93), (0.72, 0.92), (0.82, 0.89), (0.92, 0.85), (1.00, 0.80),
    )  # fmt: skip
    limit = build.engine.rev_limit / RPM
    return CurveOverRpm(rpm=tuple(x * limit for x, _ in shape), value=tuple(v for _, v in shape))


def _idle(build: Build) -> float:
    return {"short": 850.0, "medium": 950.0, "long": 1150.0}[build.engine.cam_overlap] * RPM


def _individual(build: Build) -> bool:
    return build.plate.count > 1 and build.plate.count == build.engine.cylinders


def _swept(build: Build) -> float:
    engine = build.engine
    return math.pi / 4.0 * engine.bore**2 * engine.stroke * engine.cylinders


def _cylinder(build: Build) -> float:
    return build.engine.displacement / build.engine.cylinders


def _has_gap(build: Build) -> bool:
    return build.plate.gap is not None


def _lacks(section: str, *names: str) -> Callable[[Build], bool]:
    def check(build: Build) -> bool:
        return all(getattr(getattr(build, section), name) is None for name in names)

    return check


def _knows(section: str, *names: str) -> Callable[[Build], bool]:
    def check(build: Build) -> bool:
        return all(getattr(getattr(build, section), name) is not None for name in names)

    return check


def _grip(build: Build) -> float:
    return {"road": 1.0, "track": 1.15, "competition": 1.3}[build.use]


def _discharge(build: Build) -> Discharge:
    return Discharge(
        plate_deg=(0.0, 10.0, 20.0, 30.0, 45.0, 60.0, 75.0, 90.0),
        value=(0.65, 0.65, 0.69, 0.74, 0.82, 0.86, 0.88, 0.88),
    )


def _plate_tracks(build: Build) -> tuple[PlateTrack, ...]:
    half = 0.5 * build.plate.sensor_span
    low, high = 2.5 - half, 2.5 + half
    written = [{"closed": f"{a!r} V", "open": f"{b!r} V"} for a, b in ((low, high), (high, low))]
    return tuple(PlateTrack.model_validate(track) for track in written)


def _map_range(build: Build) -> float:
    if build.boost is None:
        return 1.15e5
    most = 1.2 * (101325.0 + max(build.boost.gauge_pressure))
    return 0.5e5 * math.ceil(most / 0.5e5)


def _clutch(build: Build) -> float:
    if build.engine.dyno is not None:
        return 1.8 * max(build.engine.dyno.torque)
    boost = max(build.boost.gauge_pressure) if build.boost else 0.0
    # brake mean effective pressure of 12.5 bar for each bar of air, the best of road engines
    return 1.8 * 12.5e5 * (1.0 + boost / 101325.0) * build.engine.displacement / (4.0 * math.pi)


def _rests_open(build: Build) -> bool:
    return bool(build.plate.default_opening > 0.0)


_LOH13 = (
    "Loh, Thanom, Pyko and Lee 2013 (LOH13), one laboratory-identified body, after a "
    "second-hand copy; unverified"
)
_RAMP = "ramp the duty slowly up and down, engine off, fingers clear, and read both branches"
_STALL = "read current and voltage of the briefly stalled motor"
_GEOMETRY = "geometry of bore, stroke and cylinders"
_SHEET = "read it from the engine's data sheet"
_SCALE = "weigh it"

A = Assumption
ASSUMPTIONS: tuple[Assumption, ...] = (
    A("charging", lambda b: b.charging_kind, "the charging section present", 0.0, "",
      origin=Origin.DERIVED),
    A("engine.displacement", _swept, _GEOMETRY, 0.0, "", origin=Origin.DERIVED),
    A("engine.stroke", lambda b: _cylinder(b) / (math.pi / 4.0 * b.engine.bore**2), _GEOMETRY, 0.0,
      "", origin=Origin.DERIVED, applies=_knows("engine", "bore")),
    A("engine.bore", lambda b: math.sqrt(_cylinder(b) / (math.pi / 4.0 * b.engine.stroke)),
      _GEOMETRY, 0.0, "", origin=Origin.DERIVED, applies=_knows("engine", "stroke")),
    A("engine.bore", lambda b: (_cylinder(b) * 4.0 / math.pi) ** (1.0 / 3.0),
      f"bore equal to stroke; {PRACTICE}", 0.08, _SHEET),
    A("engine.stroke", lambda b: _cylinder(b) / (math.pi / 4.0 * b.engine.bore**2), _GEOMETRY, 0.16,
      _SHEET, origin=Origin.DERIVED),
    A("engine.compression_ratio", lambda b: 9.0 if _charged(b) else 10.5, PRACTICE, 0.10, _SHEET),
    A("engine.cam_overlap", lambda b: "short", PRACTICE, 0.0, "read the cam card"),
    A("engine.idle_speed", _idle, PRACTICE, 0.15, "read the tachometer of the warm engine"),
    A("engine.fuel", lambda b: "petrol 98 RON", PRACTICE, 0.0, "read the pump"),
    A("engine.ethanol", lambda b: 0.05, "EN 228 allows up to 5 % in E5 petrol; from memory", 0.05,
      "test the fuel with water in a measuring cylinder", relative=False),
    A("engine.inertia", lambda b: 0.2 * b.engine.displacement / 2.77e-3,
      "0.2 kg m^2 for 2.77 L in a set after Guzzella and Onder, scaled by displacement", 0.40,
      "record a free rev-up and run-down in neutral"),
    A("engine.volumetric_efficiency", _typical_ve, f"a typical curve over speed; {PRACTICE}",
      UNKNOWN_BREATHING_SPREAD, "take a dyno curve with manifold pressure",
      applies=_lacks("engine", "dyno")),
    A("engine.lambda_full", lambda b: 0.82 if _charged(b) else 0.88, PRACTICE, 0.05,
      "read the wide-band sensor at full load"),
    A("engine.lambda_part", lambda b: 1.0, PRACTICE, 0.03, "read the wide-band sensor cruising"),
    A("engine.ignition_retard_full", lambda b: math.radians(8.0 if _charged(b) else 0.0), PRACTICE,
      math.radians(5.0), "swing the ignition on the dyno", relative=False),
    A("engine.friction_constant", lambda b: 60e3,
      "between the published correlations, which differ by three; from memory", 0.40,
      "record a run-down in neutral with the plate open"),
    A("engine.friction_linear", lambda b: 3.0e3,
      "between the published correlations, which differ by three; from memory", 0.40,
      "record a run-down in neutral with the plate open"),
    A("engine.friction_quadratic", lambda b: 300.0,
      "between the published correlations, which differ by three; from memory", 0.40,
      "record a run-down in neutral with the plate open"),
    A("engine.exhaust_resistance",
      lambda b: _resistance(b, drop=30e3 if _charged(b) else 20e3, T=900.0),
      f"20 kPa of back pressure at rated flow, 30 behind a charger; {PRACTICE}", 0.50,
      "log back pressure at full load"),
    A("engine.exhaust_rise", lambda b: 0.0, PRACTICE, 2e3, "log back pressure at idle",
      relative=False),
    A("plate.shaft", lambda b: max(0.11 * b.plate.bore, 0.006), PRACTICE, 0.25,
      "measure it with a caliper, seen end-on at full opening"),
    A("plate.closed", lambda b: math.radians(7.0),
      "Heywood quotes 5, 10 and 15 deg (from memory), a set after Guzzella and Onder 7.9 deg",
      math.radians(3.0), "measure the plate edges or scan the body", relative=False),
    A("plate.open", lambda b: math.radians(85.0), "a published 45 mm design example has 85 deg",
      math.radians(4.0), "measure the plate on its open stop", relative=False),
    A("plate.default_opening", lambda b: math.radians(6.0), PRACTICE, math.radians(4.0),
      "read the sensor unpowered and on the closed stop", relative=False),
    A("plate.leak_area", lambda b: math.pi * b.plate.bore * (b.plate.gap or 0.0),
      "ring of the given gap", 0.10, "flow the closed body", origin=Origin.DERIVED,
      applies=_has_gap),
    A("plate.leak_area", lambda b: math.pi * b.plate.bore * 40e-6,
      f"ring gap of 0.04 mm; {PRACTICE}", 0.50,
      "flow the closed body, or log air flow with the plate on its closed stop"),
    A("plate.discharge", _discharge, "textbook range 0.6 to 0.9; from memory", 0.12,
      "flow the body at six openings"),
    A("plate.critical_ratio", lambda b: 4.0 / 9.0,
      "fit of a 2.0 L turbo engine (Linkoping); another fit (Hendricks and Sorenson, from memory) "
      "has 0.4125", 0.10, "flow the body at four pressures"),
    A("plate.loss_coefficient", lambda b: 0.3, "Idelchik, open butterfly 0.2 to 0.4; from memory",
      0.40, "flow the body wide open"),
    A("plate.arrangement",
      lambda b: "individual runners" if _individual(b) else "common plenum", PRACTICE, 0.0, "look"),
    A("plate.runner_volume",
      lambda b: min(max(0.6 * b.engine.displacement / b.plate.count, 2e-5), 5e-3), PRACTICE, 0.40,
      "fill the runner with a measured amount of liquid, engine out"),
    A("plate.sensor_bits", lambda b: 10, PRACTICE, 0.0, "read the controller's data sheet"),
    A("plate.sensor_span", lambda b: abs(b.sensors.plate[0].open - b.sensors.plate[0].closed),
      "sensors.plate", 0.0, "", origin=Origin.DERIVED, applies=_knows("sensors", "plate")),
    A("plate.sensor_span", lambda b: 3.5, PRACTICE, 0.15,
      "read the sensor on both stops, fingers clear"),
    A("servo.inertia", lambda b: 0.0021, _LOH13, 0.50, "record a step of duty, engine off"),
    A("servo.viscous", lambda b: 0.0088, _LOH13, 0.60, "record a step of duty, engine off"),
    A("servo.motor_constant", lambda b: 0.383, _LOH13, 0.30,
      "hang a known weight on an arm at the shaft"),
    A("servo.resistance", lambda b: 1.5, _LOH13, 0.30, _STALL),
    A("servo.loom_resistance", lambda b: 0.15, PRACTICE, 0.50, _STALL),
    A("servo.inductance", lambda b: 1.5e-3, _LOH13, 0.50, "read the winding with a bridge"),
    A("servo.spring_above", lambda b: 0.087, _LOH13, 0.40, _RAMP),
    A("servo.preload_above", lambda b: 0.396, _LOH13, 0.30, _RAMP),
    A("servo.spring_below", lambda b: 2.0 * b.servo.spring_above if _rests_open(b) else 0.0,
      "twice the closing spring; from memory, unverified", 0.60, _RAMP),
    A("servo.preload_below", lambda b: b.servo.preload_above if _rests_open(b) else 0.0,
      "as the closing spring; from memory, unverified", 0.40, _RAMP),
    A("servo.coulomb", lambda b: 0.284, _LOH13, 0.50, _RAMP),
    A("servo.breakaway", lambda b: 1.15 * b.servo.coulomb,
      "1.15 times sliding friction; from memory, unverified", 0.15, _RAMP),
    A("servo.battery", lambda b: 13.8, PRACTICE, 0.05, "read it with the engine running"),
    A("sensors.plate", _plate_tracks,
      f"two tracks that mirror each other and add up to 5 V; {PRACTICE}", 0.05,
      "read both tracks on both stops, fingers clear"),
    A("sensors.noise", lambda b: 3e-3, PRACTICE, 1.0, "log a still sensor, engine running"),
    A("sensors.map_range", _map_range,
      f"1.15 bar, or 1.2 of the largest boost in steps of half a bar; {PRACTICE}", 0.20,
      "read the sensor's data sheet"),
    A("sensors.map_noise", lambda b: 300.0, PRACTICE, 1.0, "log it, engine off"),
    A("sensors.map_lag", lambda b: 8e-3, "from memory, unverified", 0.50,
      "read hose length and the sensor's data sheet"),
    A("air_path.manifold_volume", lambda b: 1.5 * b.engine.displacement, PRACTICE, 0.50,
      "fill it with a measured amount of liquid, off the engine"),
    A("air_path.charge_pipe_volume",
      lambda b: (4.0 if _charged(b) else 1.0) * b.engine.displacement, PRACTICE, 0.50,
      "measure pipes and intercooler"),
    A("air_path.filter_resistance", lambda b: _resistance(b, drop=2.5e3, T=293.0),
      f"2.5 kPa at rated flow; {PRACTICE}", 0.50,
      "log pressure behind the filter at full load"),
    A("air_path.intercooler_resistance",
      lambda b: _resistance(b, drop=8e3, T=330.0, boosted=True),
      f"8 kPa at rated flow and full boost; {PRACTICE}", 0.50,
      "log pressure before and behind the intercooler", applies=_charged),
    A("air_path.intercooler_resistance", lambda b: 0.0, "no intercooler without charging", 0.0, "",
      origin=Origin.DERIVED),
    A("air_path.intercooler_effectiveness", lambda b: 0.70, PRACTICE, 0.20,
      "log temperature before and behind the intercooler", applies=_charged),
    A("air_path.intercooler_effectiveness", lambda b: 0.0, "no intercooler without charging", 0.0,
      "", origin=Origin.DERIVED),
    A("engine.charge_temperature_rise", lambda b: 8.0, PRACTICE, 8.0,
      "log temperature in the manifold", relative=False),
    A("air_path.charge_model", lambda b: "isothermal",
      "thin walls hold temperature over fractions of a second; from memory", 0.0,
      "log manifold temperature in a tip-in"),
    A("engine.induction_delay", lambda b: math.radians(270.0),
      "between the 180 degrees of Crossley and Cook 1991 and a whole turn", math.radians(90.0),
      "log torque or acceleration after a step of the plate", relative=False),
    A("engine.coolant_capacity", lambda b: 30e3 * b.engine.displacement / 1e-3,
      "30 kJ/K for each litre; from memory, unverified", 0.40, "log coolant through a warm-up"),
    A("engine.exhaust_volume", lambda b: 0.8 * b.engine.displacement,
      "0.8 of displacement, as a published 2.0 L set with 1.59 L", 0.50,
      "measure pipes up to the turbine or the first silencer"),
    A("turbo.wastegate_spring",
      lambda b: 0.5 * max(b.turbo.boost.gauge_pressure) if b.turbo else None, PRACTICE, 0.40,
      "pressurise the actuator until the valve lifts, engine cold"),
    A("turbo.time_to_boost", lambda b: 1.0, PRACTICE, 0.50, "log a full-load tip-in at 3500 rpm"),
    A("turbo.map_pressure", lambda b: 101.3e3, f"map makers differ; {PRACTICE}", 0.0,
      "read it from the map"),
    A("turbo.map_temperature", lambda b: 298.0, f"map makers differ; {PRACTICE}", 0.0,
      "read it from the map"),
    A("turbo.relief_valve", lambda b: True, PRACTICE, 0.0, "look"),
    A("turbo.controllable", lambda b: True, PRACTICE, 0.0, "look"),
    A("turbo.relief_area", lambda b: 25e-4,
      "a published 2.0 L set has 28 cm^2 and a discharge coefficient of 0.9", 0.40,
      "measure valve and seat"),
    A("turbo.relief_lag", lambda b: 0.05, "from memory, unverified", 0.50,
      "log pipe pressure in a tip-out"),
    A("turbo.wastegate_lag", lambda b: 0.1, "a published 2.0 L set", 0.50,
      "log boost after a step of the boost valve"),
    A("supercharger.bypass", lambda b: True, PRACTICE, 0.0, "look"),
    A("centrifugal.relief_valve", lambda b: True, PRACTICE, 0.0, "look"),
    A("controller.bridge_current", lambda b: 8.0,
      "bridges limit at 5 to 8.6 A; from memory, unverified", 0.40,
      "read the controller's data sheet"),
    A("controller.fuse", lambda b: 10.0, PRACTICE, 0.50, "read the fuse"),
    A("controller.bridge_off", lambda b: "open", PRACTICE, 0.0,
      "read the data sheet: with the bridge off a shorted motor slows its own springs"),
    A("controller.track_pairs", lambda b: ("half", "offset", "mirror"), PRACTICE, 0.0,
      "read the controller's manual"),
    A("controller.sensor_supplies", lambda b: 1, "the least there can be", 0.0,
      "read the controller's pin list"),
    A("controller.shut_off", lambda b: ("bridge", "relay", "fuel"), PRACTICE, 0.0,
      "follow the wiring, and try each one alone"),
    A("controller.brake_signal", lambda b: "one switch", PRACTICE, 0.0, "follow the wiring"),
    A("pedal.travel", lambda b: 0.050, "40 to 60 mm at the pad; from memory", 0.20, "use a ruler"),
    A("pedal.tracks",
      lambda b: (Track(released="0.75 V", full="4.20 V"),  # type: ignore[arg-type]
                 Track(released="0.375 V", full="2.10 V")),  # type: ignore[arg-type]
      PRACTICE, 0.10, "read both tracks at both ends"),
    A("driveline.ratios", lambda b: (3.40, 2.00, 1.40, 1.05, 0.83), PRACTICE, 0.15,
      "log road speed over engine speed in each gear"),
    A("driveline.final_drive", lambda b: 4.10, PRACTICE, 0.15, "read the tag on the axle"),
    A("driveline.driven", lambda b: "rear", PRACTICE, 0.0, "look"),
    A("driveline.efficiency", lambda b: 0.92, PRACTICE, 0.04, "compare hub and crank dyno"),
    A("driveline.wheel_inertia", lambda b: 1.0, PRACTICE, 0.40, "weigh wheel and tyre"),
    A("driveline.shaft_stiffness", lambda b: 8000.0, PRACTICE, 0.50, "measure shaft and length"),
    A("driveline.shaft_damping", lambda b: 60.0, "from memory, unverified", 0.60,
      "record the surging after a tip-in and count its decay"),
    A("driveline.lash", lambda b: math.radians(1.5), PRACTICE, 0.50,
      "in gear, wheels off the ground on stands, turn a wheel to and fro by hand"),
    A("driveline.gearbox_inertia", lambda b: 0.012, "from memory, unverified", 0.50,
      "weigh and measure the clutch disc"),
    A("driveline.clutch_capacity", _clutch, f"1.8 of the engine's largest torque; {PRACTICE}", 0.30,
      "read the clutch's data sheet"),
    A("vehicle.mass", lambda b: 1250.0, PRACTICE, 0.20, _SCALE),
    A("vehicle.wheelbase", lambda b: 2.55, PRACTICE, 0.06, "use a tape"),
    A("vehicle.centre_of_gravity_height", lambda b: 0.50, PRACTICE, 0.15,
      "weigh with one axle raised"),
    A("vehicle.front_weight", lambda b: 0.52, PRACTICE, 0.10, _SCALE),
    A("vehicle.tyre_radius", lambda b: 0.305, PRACTICE, 0.06, "roll ten turns along a tape"),
    A("vehicle.grip", _grip, PRACTICE, 0.20, "log acceleration in a launch and when braking"),
    A("vehicle.drag_area", lambda b: 0.70, PRACTICE, 0.25, "record a coast-down"),
    A("vehicle.rolling", lambda b: 0.013, PRACTICE, 0.30, "record a coast-down"),
    A("vehicle.tyre_slip_stiffness", lambda b: 21.5,
      "Pacejka, table A3.1, 205/60R15: 21.51, after a public copy", 0.30,
      "ask the tyre maker"),
    A("vehicle.tyre_relaxation", lambda b: 0.2, "0.1 to 0.5 m; from memory, unverified", 0.50,
      "ask the tyre maker"),
    A("vehicle.brake_deceleration", lambda b: 9.0, PRACTICE, 0.20,
      "log a full stop on a closed road"),
    A("vehicle.brake_front", lambda b: 0.65, PRACTICE, 0.15,
      "read line pressures and measure discs and pistons"),
    A("site.altitude", lambda b: 0.0, "ISO 2533 sea level", 300.0, "read a map", relative=False),
    A("site.temperature", lambda b: 288.15, "ISO 2533 sea level", 15.0, "read a thermometer",
      relative=False),
    A("site.humidity", lambda b: 0.50, PRACTICE, 0.30, "read a hygrometer", relative=False),
    A("previous_plate.shaft", lambda b: 0.11 * b.previous_plate.bore if b.previous_plate else None,
      PRACTICE, 0.25, "measure it"),
    A("previous_plate.closed", lambda b: math.radians(7.0), "as for the plate", math.radians(3.0),
      "measure it", relative=False),
    A("previous_plate.open", lambda b: math.radians(85.0), "as for the plate", math.radians(4.0),
      "measure it", relative=False),
    A("previous_plate.cam", lambda b: Cam(pedal=(0.0, 1.0), opening=(0.0, 1.0)), PRACTICE, 0.10,
      "measure opening at five pedal positions"),
)  # fmt: skip
"""In the order in which they are filled: a later one may use an earlier one."""

_HEADER = {"format", "format_version", "name", "source", "claims"}
_SCHEMA_DEFAULTS = ("use", "plate.count", "plate.upstream_of", "previous_plate.count")


_AS_WRITTEN: dict[str, tuple[float, bool, str]] = {
    "engine.volumetric_efficiency": (
        UNKNOWN_BREATHING_SPREAD, True, "run it on a dyno and give the curve with its pedigree",
    ),
    "plate.closed": (math.radians(0.5), False, "measure the closed angle with a feeler gauge"),
    "plate.discharge": (0.05, True, "flow the body at six openings"),
    "plate.leak_area": (0.15, True, "flow the closed body"),
    "turbo.boost": (0.05, True, "log manifold pressure in a full-load pull"),
    "turbo.wastegate_spring": (0.10, True, "pressurise the actuator until the valve lifts"),
}  # fmt: skip
"""How far what a person typed may be off, by how such numbers are usually had; common practice, no
source. Numbers not named here are taken as exact."""


def _given(model: BaseModel, prefix: str = "") -> dict[str, Provenance]:
    ledger: dict[str, Provenance] = {}
    for name in model.model_fields_set:
        value = getattr(model, name)
        if value is None or (not prefix and name in _HEADER):
            continue
        # A section of the file is entered key by key, a curve or a table as one number.
        if not prefix and isinstance(value, BaseModel):
            ledger |= _given(value, f"{name}.")
        else:
            spread, relative, measure = _AS_WRITTEN.get(prefix + name, (0.0, True, ""))
            ledger[prefix + name] = Provenance(
                Origin.GIVEN, "build file", spread, relative, measure
            )
    return ledger


def _breathing(dyno: Dyno) -> tuple[Provenance, Provenance]:
    spread = DYNO_SPREAD if dyno.has_pedigree else UNKNOWN_BREATHING_SPREAD
    missing = [
        word
        for word, value in (
            ("where it was measured", dyno.measured_at),
            ("which correction was applied", dyno.correction),
        )
        if value is None
    ]
    source = "dyno curve in the build file"
    measure = ""
    if missing:
        source += f", without {' and '.join(missing)}"
        measure = "ask the dyno for where it measured and how it corrected"
    return (
        Provenance(Origin.GIVEN, source, spread, True, measure),
        Provenance(Origin.DERIVED, "engine.dyno", spread, True, measure),
    )


def complete(build: Build) -> tuple[Build, dict[str, Provenance]]:
    """Fill what the person left out and say of every number where it comes from.

    Parameters
    ----------
    build : Build
        As read from the file.

    Returns
    -------
    Build
        With every field filled. Left None are absent sections, ``plate.gap`` when it was not
        given, ``engine.volumetric_efficiency`` beside a dyno curve, and the optional laws that
        replace a built-in one (efficiency, friction torque, heating value, maps, lever).
    dict of str to Provenance
        By dotted key, such as ``engine.inertia``.

    Raises
    ------
    InputError
        If a filled number and a given one cannot both be true.
    """
    ledger = _given(build)
    for key in _SCHEMA_DEFAULTS:
        section = key.rpartition(".")[0]
        if key not in ledger and (not section or value_at(build, section) is not None):
            ledger[key] = Provenance(Origin.ASSUMED, PRACTICE, 0.0, True, "look")
    for row in ASSUMPTIONS:
        section = row.key.rpartition(".")[0]
        absent = bool(section) and value_at(build, section) is None
        if absent or value_at(build, row.key) is not None or not row.applies(build):
            continue
        build = with_value(build, row.key, row.value(build))
        ledger[row.key] = Provenance(row.origin, row.source, row.spread, row.relative, row.measure)
    if build.engine.dyno is not None:
        ledger["engine.dyno"], ledger["engine.volumetric_efficiency"] = _breathing(
            build.engine.dyno
        )
    return checked(build), dict(sorted(ledger.items()))
