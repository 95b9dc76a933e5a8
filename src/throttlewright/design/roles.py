"""The roles of the plate, in order of rank. A new role is one file and one line here."""

from __future__ import annotations

from throttlewright.build.intent import Intent
from throttlewright.car.pack import Car
from throttlewright.design import (
    anti_lag,
    blip,
    boost_by_throttle,
    brake_override,
    cold,
    ethanol,
    hot_coolant,
    hot_exhaust,
    hot_intake,
    hot_oil,
    idle,
    launch,
    lean_mixture,
    low_battery,
    low_fuel_pressure,
    low_oil_pressure,
    overboost,
    pedal_shaping,
    pit_limit,
    reactions,
    servo,
    soft_rev_limit,
    speed_cap,
    torque_monitor,
    traction,
    upshift,
)
from throttlewright.design.role import Role
from throttlewright.design.rows import Rows, merged

__all__ = ["ROLES", "all_rows", "role_of_row"]

ROLES: tuple[Role, ...] = (
    servo.ROLE,
    reactions.ROLE,
    brake_override.ROLE,
    idle.ROLE,
    cold.ROLE,
    hot_coolant.ROLE,
    hot_oil.ROLE,
    hot_intake.ROLE,
    hot_exhaust.ROLE,
    lean_mixture.ROLE,
    low_fuel_pressure.ROLE,
    low_oil_pressure.ROLE,
    low_battery.ROLE,
    ethanol.ROLE,
    boost_by_throttle.ROLE,
    overboost.ROLE,
    traction.ROLE,
    launch.ROLE,
    anti_lag.ROLE,
    blip.ROLE,
    upshift.ROLE,
    pit_limit.ROLE,
    speed_cap.ROLE,
    soft_rev_limit.ROLE,
    pedal_shaping.ROLE,
    torque_monitor.ROLE,
)
"""Every role."""


def all_rows(car: Car, intent: Intent) -> Rows:
    """Return what all roles contribute.

    Parameters
    ----------
    car : Car
        The car.
    intent : Intent
        What is wanted.

    Returns
    -------
    Rows
        Limits in order of rank, tables, numbers and notes.
    """
    return merged(role.rows(car, intent) for role in ROLES)


def role_of_row(row: str) -> Role | None:
    """Return the role that a row belongs to, by its name.

    Parameters
    ----------
    row : str
        Name of a limit, such as ``cold_hold``.

    Returns
    -------
    Role or None
        The role whose name is the longest beginning of the row's; None for a foreign row.
    """
    fitting = [role for role in ROLES if row == role.name or row.startswith(f"{role.name}_")]
    return max(fitting, key=lambda role: len(role.name), default=None)
