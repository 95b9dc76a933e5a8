"""What the car in motion needs of the build: servo, sensors, driveline, vehicle and heat."""

from __future__ import annotations

import math

import numpy as np

from throttlewright.build.schema import Build

__all__ = ["AERO_COEFFICIENT", "SENSOR_SUPPLY", "SPRING_BAND", "pack_motion"]

SENSOR_SUPPLY = 5.0
"""Supply of the sensors and full scale of the controller's converter [V]; common practice."""
SPRING_BAND = math.radians(0.25)
"""Half-width over which the two preloads change over [rad]; a smoothing, not a measurement."""
AERO_COEFFICIENT = 0.004
"""Largest closing torque of the air over pressure drop times bore cubed [-]; from memory,
unverified: it makes 0.11 N m of a 65 mm plate at a drop of 1 bar."""
_WINDING_CAPACITY = 20.0
"""Of the motor's winding [J/K]; from memory, unverified, 10 to 40."""
_WINDING_HEAT_RESISTANCE = 8.0
"""From winding to throttle body [K/W]; from memory, unverified, 5 to 15."""
_COOLANT_SHARE = 0.25
"""Share of the fuel's heat that reaches the coolant; textbook range 0.2 to 0.3, from memory."""
_THERMOSTAT = 361.15
"""Begin of opening [K], 88 degrees C; common practice, no source."""
_EXHAUST_LAG = 2.0
"""Of a sheathed thermocouple in exhaust gas [s]; from memory, unverified."""
_BOOSTER_LAG = 0.15
"""Of the brake booster behind its check valve [s]; from memory, unverified."""
_DRIVEN = {"front": 0.0, "rear": 1.0, "all": 2.0}


def pack_motion(rec: np.void, build: Build) -> None:
    """Fill the fields of a car record that only matter when time passes.

    Parameters
    ----------
    rec : record
        With engine, plate and site already packed; changed in place.
    build : Build
        Completed.
    """
    _pack_servo(rec, build)
    _pack_sensors(rec, build)
    _pack_driveline(rec, build)
    _pack_heat(rec, build)


def _pack_servo(rec: np.void, build: Build) -> None:
    servo, plate = build.servo, build.plate
    rec["servo_travel"] = plate.open - plate.closed
    rec["default_opening"] = plate.default_opening
    rec["servo_inertia"] = servo.inertia
    rec["servo_viscous"] = servo.viscous
    rec["servo_coulomb"] = servo.coulomb
    rec["servo_breakaway"] = servo.breakaway
    rec["spring_above"] = servo.spring_above
    rec["preload_above"] = servo.preload_above
    rec["spring_below"] = servo.spring_below
    rec["preload_below"] = servo.preload_below
    rec["spring_band"] = SPRING_BAND
    rec["motor_constant"] = servo.motor_constant
    rec["motor_resistance"] = servo.resistance
    rec["loom_resistance"] = servo.loom_resistance
    rec["motor_inductance"] = servo.inductance
    rec["winding_capacity"] = _WINDING_CAPACITY
    rec["winding_heat_resistance"] = _WINDING_HEAT_RESISTANCE
    rec["aero_coefficient"] = AERO_COEFFICIENT
    rec["battery"] = servo.battery


def _pack_sensors(rec: np.void, build: Build) -> None:
    sensors, tracks = build.sensors, build.pedal.tracks
    # a pedal with one track is read twice, as a controller with two inputs would be wired
    pair = (tracks[0], tracks[min(1, len(tracks) - 1)])
    rec["pedal_released"] = [track.released for track in pair]
    rec["pedal_full"] = [track.full for track in pair]
    rec["plate_at_closed"] = [track.closed for track in sensors.plate]
    rec["plate_at_open"] = [track.open for track in sensors.plate]
    rec["sensor_step"] = SENSOR_SUPPLY / 2.0**build.plate.sensor_bits
    rec["sensor_noise"] = sensors.noise
    rec["pressure_noise"] = sensors.map_noise
    rec["pressure_lag"] = sensors.map_lag
    rec["map_range"] = sensors.map_range


def _pack_driveline(rec: np.void, build: Build) -> None:
    line, vehicle = build.driveline, build.vehicle
    rec["gears"] = float(len(line.ratios))
    rec["ratios"][: len(line.ratios)] = line.ratios
    rec["final_drive"] = line.final_drive
    rec["driveline_efficiency"] = line.efficiency
    rec["driven"] = _DRIVEN[line.driven]
    rec["wheel_inertia"] = line.wheel_inertia * (4.0 if line.driven == "all" else 2.0)
    rec["gearbox_inertia"] = line.gearbox_inertia
    rec["shaft_stiffness"] = line.shaft_stiffness
    rec["shaft_damping"] = line.shaft_damping
    rec["lash"] = line.lash
    rec["clutch_capacity"] = line.clutch_capacity
    rec["mass"] = vehicle.mass
    rec["wheelbase"] = vehicle.wheelbase
    rec["cg_height"] = vehicle.centre_of_gravity_height
    rec["front_weight"] = vehicle.front_weight
    rec["tyre_radius"] = vehicle.tyre_radius
    rec["grip"] = vehicle.grip
    rec["tyre_stiffness"] = vehicle.tyre_slip_stiffness
    rec["tyre_relaxation"] = vehicle.tyre_relaxation
    rec["drag_area"] = vehicle.drag_area
    rec["rolling"] = vehicle.rolling
    rec["brake_deceleration"] = vehicle.brake_deceleration
    rec["brake_front"] = vehicle.brake_front


def _pack_heat(rec: np.void, build: Build) -> None:
    engine = build.engine
    rec["coolant_capacity"] = engine.coolant_capacity
    rec["coolant_share"] = _COOLANT_SHARE
    rec["thermostat"] = _THERMOSTAT
    rec["exhaust_volume"] = engine.exhaust_volume
    rec["exhaust_lag"] = _EXHAUST_LAG
    rec["induction_delay"] = engine.induction_delay
    rec["adiabatic"] = 1.0 if build.air_path.charge_model == "adiabatic" else 0.0
    rec["booster_lag"] = _BOOSTER_LAG
    if build.turbo is not None:
        rec["wastegate_lag"] = build.turbo.wastegate_lag
        rec["relief_lag"] = build.turbo.relief_lag
        rec["controllable"] = 1.0 if build.turbo.controllable else 0.0
