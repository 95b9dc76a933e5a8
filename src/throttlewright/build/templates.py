"""First files for a new car: every key with a word on what it is."""

from __future__ import annotations

import json

__all__ = ["build_template", "intent_template"]

_BUILD = """\
# What the car is. Write numbers with their unit, as text: "90 mm", "1.4 bar", "180 lb ft".
# Lines without # in front are required. Everything else may stay out: it is then assumed, and
# "throttlewright check" says from which source and how much it matters.
#
# Before you measure anything: take the plug off the actuator before you touch a plate, because a
# plate that shuts cuts fingers; let the exhaust cool; set wheels that may turn clear of the
# ground, on stands, with nobody in line with them. Law, event rules and licensed practice come
# first.
format = "throttlewright.build"
format_version = 1
name = @NAME@
# use = "road"                         # road | track | competition

[engine]
displacement = "2.0 L"
cylinders = 4
rev_limit = "7000 rpm"
# bore = "86 mm"
# stroke = "86 mm"
# compression_ratio = 10.5
# idle_speed = "900 rpm"
# fuel = "petrol 98 RON"               # petrol or ethanol blend, with the octane number
# ethanol = "5 %"                      # share by volume
# cam_overlap = "short"                # short | medium | long
# inertia = "0.15 kg m^2"              # crankshaft, flywheel and clutch
# lambda_full = 0.85                   # at full load
# lambda_part = 1.0                    # at part load
# ignition_retard_full = "8 deg"       # behind best torque at full load, for knock
# friction_constant = "60 kPa"         # friction pressure c0 + c1 v + c2 v^2, v = piston speed, m/s
# friction_linear = 3000.0             # c1 in Pa/(m/s)
# friction_quadratic = 300.0           # c2 in Pa/(m/s)^2
# charge_temperature_rise = 8.0        # kelvin, from the pipe to the cylinder
# induction_delay = "270 deg"          # of crank, from filling to torque
# coolant_capacity = 60e3              # J/K, engine metal and coolant
# exhaust_volume = "1.6 L"             # up to the turbine or the first silencer
# Breathing: a dyno curve, or volumetric efficiency, or neither.
# [engine.dyno]
# file = "dyno.csv"                    # columns rpm, torque [N m], and if recorded map [kPa]
# measured_at = "hub"                  # crank | hub | roller
# correction = "none"                  # none | SAE J1349 | ISO 1585 | DIN 70020
# lambda = 0.85
# ambient_pressure = "1.0 bar"
# ambient_temperature = "20 degC"
# ambient_humidity = "50 %"
# loss_share = "15 %"                  # lost between crank and the place of measurement
# [engine.volumetric_efficiency]
# rpm = [1000, 3000, 5000, 7000]
# value = [0.80, 0.88, 0.93, 0.82]

[plate]
bore = "65 mm"
# count = 1
# shaft = "8 mm"                       # diameter, seen end-on at full opening
# closed = "7 deg"                     # closed stop, from the plane normal to the bore
# open = "85 deg"                      # open stop, from the same plane
# default_opening = "6 deg"            # above closed, unpowered
# gap = "40 um"                        # plate to bore when closed; or leak_area = "8 mm^2"
# discharge = { plate_deg = [10, 30, 60, 90], value = [0.65, 0.74, 0.86, 0.88] }
# critical_ratio = 0.444               # pressure ratio at which the flow chokes
# loss_coefficient = 0.3               # wide open
# upstream_of = "manifold"             # manifold | compressor
# arrangement = "common plenum"        # or: individual runners | individual with balance plenum
# runner_volume = "0.3 L"              # plate to valves, for individual plates
# lever = { motor_deg = [0, 45, 90], plate_deg = [7, 40, 85] }
# sensor_bits = 10
# sensor_span = "3.5 V"                # between the stops

# [air_path]
# manifold_volume = "3 L"
# charge_pipe_volume = "8 L"
# filter_resistance = 1.6e8            # H of m = sqrt(p / (H T)) sqrt(dp), SI
# intercooler_resistance = 3.5e8
# intercooler_effectiveness = 0.7
# charge_model = "isothermal"          # isothermal | adiabatic, the manifold

# One kind of charging, or none.
# [turbo]
# boost = { rpm = [2500, 3500, 6500], gauge = "bar", value = [0.3, 1.0, 0.9] }
# wastegate_spring = "0.5 bar"         # gauge
# time_to_boost = "1.0 s"              # 3500 rpm, released to 90 % of target
# relief_valve = true
# controllable = true                  # the controller commands the boost
# compressor_map = "compressor.csv"    # columns speed, flow_kg_s, pressure_ratio, efficiency
# map_pressure = "1.013 bar"           # reference state of the map's corrected flow
# map_temperature = "24.85 degC"
# relief_area = "25 cm^2"              # effective, open
# relief_lag = "0.05 s"
# wastegate_lag = "0.1 s"
# [supercharger]
# displacement = "0.9 L"               # for one turn of the supercharger
# drive_ratio = 1.8
# boost = { rpm = [2000, 6500], gauge = "bar", value = [0.4, 0.6] }
# bypass = true
# [centrifugal]
# boost = { rpm = [2000, 6500], gauge = "bar", value = [0.05, 0.6] }
# relief_valve = true

# The plate servo, all at the plate shaft. Measure it engine off, fingers clear of the plate.
# [servo]
# inertia = "0.0021 kg m^2"            # plate, gear and motor
# viscous = 0.0088                     # N m s/rad
# motor_constant = 0.383               # N m/A, which is V s/rad
# resistance = "1.5 ohm"               # winding at 20 degC
# loom_resistance = "0.15 ohm"         # loom and the two switches of the bridge
# inductance = 0.0015                  # H
# spring_above = "0.087 N m/rad"       # closing spring, above the rest position
# preload_above = "0.396 N m"          # the same at the rest position
# spring_below = "0.174 N m/rad"       # opening spring, below the rest position
# preload_below = "0.396 N m"
# coulomb = "0.284 N m"                # sliding friction
# breakaway = "0.33 N m"               # sticking friction
# battery = "13.8 V"                   # engine running

# [sensors]
# plate = [{ closed = "0.75 V", open = "4.25 V" }, { closed = "4.25 V", open = "0.75 V" }]
# noise = "0.003 V"                    # standard deviation
# map_range = "1.15 bar"               # largest pressure shown, absolute
# map_noise = "0.3 kPa"
# map_lag = "0.008 s"

# What the controller can drive, read and shut off.
# [controller]
# bridge_current = "8 A"               # before the bridge protects itself
# fuse = "10 A"                        # of the plate motor's supply
# bridge_off = "open"                  # open | brake: what the bridge does when it is off
# track_pairs = ["half", "offset", "mirror"]   # relations of two tracks that it can check
# sensor_supplies = 1                  # separate 5 V supplies
# shut_off = ["bridge", "relay", "fuel"]       # independent ways: bridge, relay, fuel, ignition
# brake_signal = "one switch"          # none | one switch | two switches | pressure

# [pedal]
# travel = "50 mm"                     # at the pad
# tracks = [{ released = "0.75 V", full = "4.2 V" }, { released = "0.375 V", full = "2.1 V" }]

# [driveline]
# ratios = [3.4, 2.0, 1.4, 1.05, 0.83]
# final_drive = 4.1
# driven = "rear"                      # front | rear | all
# efficiency = 0.92
# wheel_inertia = "1 kg m^2"
# shaft_stiffness = "8000 N m/rad"
# shaft_damping = 60.0                 # N m s/rad, at the wheels
# lash = "1.5 deg"                     # whole gap in gear, at the wheels
# gearbox_inertia = "0.012 kg m^2"     # gearbox input with the clutch disc
# clutch_capacity = "400 N m"

# [vehicle]
# mass = "1250 kg"                     # ready to drive, with driver
# wheelbase = "2.55 m"
# centre_of_gravity_height = "0.5 m"
# front_weight = "52 %"
# tyre_radius = "305 mm"
# grip = 1.0
# drag_area = "0.7 m^2"
# rolling = 0.013
# tyre_slip_stiffness = 21.5           # force over load and slip
# tyre_relaxation = "0.2 m"
# brake_deceleration = "9 m/s^2"       # fully applied, before grip limits it
# brake_front = "65 %"

# [site]
# altitude = "0 m"
# temperature = "15 degC"
# humidity = "50 %"

# The plate whose feel is to be kept.
# [previous_plate]
# count = 1
# bore = "60 mm"
# shaft = "8 mm"
# closed = "7 deg"
# open = "85 deg"
# cam = { pedal = ["0 %", "50 %", "100 %"], opening = ["0 %", "42 %", "100 %"] }
"""

_INTENT = """\
# What the customer wants.
format = "throttlewright.intent"
format_version = 1

# One section for each mode; the name is yours.
[mode.dry]
feel = "even"                          # even | gentle | old plate | points
basis = "blend"                        # torque | power | acceleration | blend
# boost_state = "instant"              # instant | settled: the state the feel is promised for
opens_to_stop_from = "90 %"            # of pedal travel
# most_torque = "100 %"
# slope_limit = 3.0                    # plate percent for one pedal percent, at most
# gears = [1, 2, 3]                    # all when left out

[mode.wet]
feel = "gentle"
start = 1.6                            # exponent of the gentle start
most_torque = "70 %"

# [mode.drawn]
# feel = "points"
# points = { pedal = ["0 %", "50 %", "100 %"], share = ["0 %", "40 %", "100 %"] }

# [cold_engine]
# coolant = ["0 degC", "40 degC", "70 degC"]
# torque_share = ["45 %", "70 %", "100 %"]
# hold_after_start = "30 s"

# [overboost]
# limit = "2.2 bar"                    # absolute, in the manifold
# fuel_cut = "2.4 bar"                 # of all cylinders, independent of the plate

# [traction]
# slip = "auto"                        # from the tyre, or a share such as "10 %"

# [launch]
# speed = "4500 rpm"
# boost = "0.8 bar"                    # gauge

# [rules]
# books = ["FMVSS 124"]
"""


def build_template(name: str = "New car") -> str:
    """Return the text of a first build file.

    Parameters
    ----------
    name : str
        Name of the car.

    Returns
    -------
    str
        TOML that loads as it is, with every other key in a comment.
    """
    return _BUILD.replace("@NAME@", json.dumps(name, ensure_ascii=False))


def intent_template() -> str:
    """Return the text of a first intent file."""
    return _INTENT
