"""The packed car: one NumPy record of SI numbers that every compiled function reads."""

from __future__ import annotations

import math
from enum import IntEnum
from typing import Any, TypeAlias

import numpy as np

__all__ = [
    "AREA_POINTS",
    "CAR_DTYPE",
    "COLD_FIRST",
    "COLD_POINTS",
    "COLD_STEP",
    "LATE_POINTS",
    "LATE_STEP",
    "MOST_GEARS",
    "SPEED_POINTS",
    "SURGE_POINTS",
    "BoostState",
    "CarRecord",
    "Charging",
    "copied",
]

CarRecord: TypeAlias = Any
"""A scalar of ``CAR_DTYPE``; its fields are typed by that dtype, not by Python annotations."""

SPEED_POINTS = 96
"""Points of the uniform engine-speed grid on which curves over speed are kept."""

CD_POINTS = 48
RUNNER_SPEEDS = 14
RUNNER_AREAS = 26
MOST_GEARS = 12
SURGE_POINTS = 32
AREA_POINTS = 256
COLD_POINTS = 64
COLD_FIRST = 233.15
"""Coolant temperature of the first point of ``cold_friction`` [K]."""
COLD_STEP = 2.5
"""Step of ``cold_friction`` [K]."""


class Charging(IntEnum):
    """How the engine is charged."""

    NONE = 0
    TURBO = 1
    SUPERCHARGER = 2
    CENTRIFUGAL = 3


LATE_POINTS = 15
LATE_STEP = math.radians(5.0)
"""Points of ``late_torque`` and ``late_heat``, and their step in retard [rad], from 0."""


class BoostState(IntEnum):
    """Which pressure stands before the plate.

    ``INSTANT``: the charge pipe is at ambient, what the driver feels first. ``SETTLED``: steady
    with the wastegate. ``HELD``: a given pipe pressure.
    """

    INSTANT = 0
    SETTLED = 1
    HELD = 2


CAR_DTYPE = np.dtype(
    [
        # engine
        ("displacement", "f8"),  # m3, all cylinders
        ("cylinders", "f8"),
        ("compression_ratio", "f8"),
        ("engine_inertia", "f8"),  # kg m2
        ("omega_step", "f8"),  # rad/s, grid of the curves below, from 0
        ("ve_speed", "f8", (SPEED_POINTS,)),  # multiplies the residual factor
        ("efficiency", "f8", (SPEED_POINTS,)),  # gross indicated, best ignition, lambda 1
        ("friction", "f8", (SPEED_POINTS,)),  # N m, hot, friction and auxiliaries
        ("residual_exponent", "f8"),
        ("lhv", "f8"),  # J/kg
        ("afr_stoich", "f8"),
        ("lambda_part", "f8"),
        ("lambda_full", "f8"),
        # share of the best torque, and rise of the exhaust temperature [K], over retard
        ("late_torque", "f8", (LATE_POINTS,)),
        ("late_heat", "f8", (LATE_POINTS,)),
        ("retard_full", "f8"),  # rad from best ignition at full boost
        ("idle_omega", "f8"),
        ("limit_omega", "f8"),
        ("rated_flow", "f8"),  # kg/s wide open at the rev limit, for exhaust temperature
        # plate
        ("plates", "f8"),
        ("bore", "f8"),
        ("shaft", "f8"),
        ("psi_closed", "f8"),
        ("psi_open", "f8"),
        ("leak_area", "f8"),  # m2 effective, per plate
        ("cd", "f8", (CD_POINTS,)),
        ("cd_first", "f8"),
        ("cd_step", "f8"),
        ("gamma", "f8"),
        ("shape_gamma", "f8"),
        ("loss_coefficient", "f8"),
        ("individual", "f8"),  # 1: runner tables below replace the common plenum
        ("runner_omega_step", "f8"),
        ("runner_log_first", "f8"),
        ("runner_log_step", "f8"),
        ("runner_share", "f8", (RUNNER_SPEEDS, RUNNER_AREAS)),
        ("runner_pressure", "f8", (RUNNER_SPEEDS, RUNNER_AREAS)),  # mean, over upstream
        # air path
        ("restrictor_flow", "f8"),  # kg/s that the intake restrictor passes at most, 0 without one
        ("filter_resistance", "f8"),
        ("intercooler_resistance", "f8"),
        ("intercooler_effectiveness", "f8"),
        ("charge_temperature_rise", "f8"),  # K from pipe to port
        ("exhaust_resistance", "f8"),
        ("exhaust_rise", "f8"),  # Pa, constant part of back pressure
        ("manifold_volume", "f8"),
        ("pipe_volume", "f8"),
        # charging
        ("charging", "f8"),
        ("boost", "f8", (SPEED_POINTS,)),  # Pa absolute before the plate, wide open, settled
        ("spring_pressure", "f8"),  # Pa absolute, least pressure the wastegate regulates to
        # reachable pressure ratio - 1 = factor * flow**exponent, the factor over speed
        ("spool_factor", "f8", (SPEED_POINTS,)),
        ("spool_exponent", "f8"),
        ("compressor_efficiency", "f8"),
        ("turbine_pressure_share", "f8"),  # back pressure rise per boost rise
        ("bypass", "f8"),  # 1: a vacuum-operated valve unloads the supercharger
        ("bypass_band", "f8"),  # Pa of manifold vacuum over which it closes
        ("spool_time", "f8"),  # s, first-order constant of boost at held pedal
        # site
        ("p_ambient", "f8"),
        ("T_ambient", "f8"),
        ("dry_share", "f8"),  # share of dry air by pressure
        # plate servo, all at the plate shaft
        ("servo_travel", "f8"),  # rad, open stop above the closed stop
        ("default_opening", "f8"),  # rad above the closed stop, unpowered
        ("servo_inertia", "f8"),
        ("servo_viscous", "f8"),
        ("servo_coulomb", "f8"),
        ("servo_breakaway", "f8"),
        ("spring_above", "f8"),
        ("preload_above", "f8"),
        ("spring_below", "f8"),
        ("preload_below", "f8"),
        ("spring_band", "f8"),
        ("motor_constant", "f8"),  # N m/A and V s/rad
        ("motor_resistance", "f8"),  # ohm at 20 degC
        ("loom_resistance", "f8"),  # ohm, loom and two bridge switches
        ("motor_inductance", "f8"),
        ("winding_capacity", "f8"),  # J/K
        ("winding_heat_resistance", "f8"),  # K/W
        ("aero_coefficient", "f8"),  # closing torque over pressure drop times bore^3
        ("battery", "f8"),  # V
        # sensors
        ("pedal_released", "f8", (2,)),  # V
        ("pedal_full", "f8", (2,)),
        ("plate_at_closed", "f8", (2,)),  # V
        ("plate_at_open", "f8", (2,)),
        ("sensor_step", "f8"),  # V, one step of the converter
        ("sensor_noise", "f8"),  # V, standard deviation
        ("pressure_noise", "f8"),  # Pa
        ("pressure_lag", "f8"),  # s
        ("map_range", "f8"),  # Pa, top of the manifold pressure sensor
        # driveline and vehicle
        ("gears", "f8"),
        ("ratios", "f8", (MOST_GEARS,)),
        ("final_drive", "f8"),
        ("driveline_efficiency", "f8"),
        ("driven", "f8"),  # 0 front, 1 rear, 2 all
        ("wheel_inertia", "f8"),  # kg m2, all driven wheels together
        ("gearbox_inertia", "f8"),  # kg m2 at the gearbox input, clutch disc included
        ("shaft_stiffness", "f8"),  # N m/rad at the wheels
        ("shaft_damping", "f8"),  # N m s/rad
        ("lash", "f8"),  # rad at the wheels, whole gap
        ("clutch_capacity", "f8"),  # N m
        ("mass", "f8"),
        ("wheelbase", "f8"),
        ("cg_height", "f8"),
        ("front_weight", "f8"),
        ("tyre_radius", "f8"),
        ("grip", "f8"),
        ("tyre_stiffness", "f8"),  # slip stiffness over load, dF/dslip / F_z
        ("tyre_relaxation", "f8"),  # m
        ("drag_area", "f8"),
        ("rolling", "f8"),
        ("brake_deceleration", "f8"),  # m/s2 with the brake fully applied, before grip
        ("brake_front", "f8"),  # share of brake force at the front axle
        # heat, exhaust, turbo, brake booster
        ("coolant_capacity", "f8"),  # J/K, engine metal and coolant
        ("coolant_share", "f8"),  # share of fuel heat that reaches the coolant
        ("thermostat", "f8"),  # K
        ("exhaust_volume", "f8"),
        ("exhaust_lag", "f8"),  # s, of exhaust temperature at its sensor
        ("induction_delay", "f8"),  # rad of crank from filling to torque
        ("adiabatic", "f8"),  # 1: manifold adiabatic, 0: isothermal
        ("turbo_inertia", "f8"),
        ("compressor_diameter", "f8"),
        ("compressor_k1", "f8"),  # k1 Psi^2 + k2 Phi^2 = 1
        ("compressor_k2", "f8"),
        ("reach_knee", "f8"),  # pressure ratio - 1 beyond which the law of reach bends over
        ("wastegate_ratio", "f8"),  # area of the open wastegate over that of the turbine
        ("wastegate_band", "f8"),  # Pa at its diaphragm from cracking to full opening
        ("wastegate_lag", "f8"),
        ("controllable", "f8"),  # 1: the controller bleeds the wastegate's signal
        ("relief_area", "f8"),  # m2 effective, 0: no relief valve
        ("relief_lag", "f8"),
        ("surge_flow", "f8", (SURGE_POINTS,)),  # kg/s at site inlet over pressure ratio 1 to 4
        ("booster_lag", "f8"),  # s of the brake booster's vacuum
        # precomputed for stepping
        ("area_table", "f8", (AREA_POINTS,)),  # m2, all plates, over opening
        ("psi_choked", "f8"),  # flow function of the plate, choked
        ("psi_scale", "f8"),  # psi = scale root sqrt(1 - PR / root), root = PR^(1/shape)
        ("pr_critical", "f8"),
        ("pr_linear", "f8"),  # above it a cubic in 1 - PR takes over
        ("psi_linear", "f8"),  # value there
        ("psi_rise", "f8"),  # minus slope there times 1 - pr_linear
        ("cold_friction", "f8", (COLD_POINTS,)),  # friction over hot friction, over coolant
    ]
)


def copied(record: np.void) -> np.void:
    """Return a record of its own; indexing and ``np.array`` give views that write through."""
    fresh = np.zeros(1, CAR_DTYPE)
    fresh[0] = record
    return fresh[0]
