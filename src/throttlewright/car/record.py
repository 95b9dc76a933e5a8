"""The packed car: one NumPy record of SI numbers that every compiled function reads."""

from __future__ import annotations

from enum import IntEnum
from typing import Any, TypeAlias

import numpy as np

__all__ = ["CAR_DTYPE", "SPEED_POINTS", "BoostState", "CarRecord", "Charging", "copied"]

CarRecord: TypeAlias = Any
"""A scalar of ``CAR_DTYPE``; its fields are typed by that dtype, not by Python annotations."""

SPEED_POINTS = 96
"""Points of the uniform engine-speed grid on which curves over speed are kept."""

CD_POINTS = 48
RUNNER_SPEEDS = 14
RUNNER_AREAS = 26


class Charging(IntEnum):
    """How the engine is charged."""

    NONE = 0
    TURBO = 1
    SUPERCHARGER = 2
    CENTRIFUGAL = 3


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
    ]
)


def copied(record: np.void) -> np.void:
    """Return a record of its own; indexing and ``np.array`` give views that write through."""
    fresh = np.zeros(1, CAR_DTYPE)
    fresh[0] = record
    return fresh[0]
