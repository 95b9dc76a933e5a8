"""The roles of the plate, in order of rank. A new role is one file and one line here."""

from __future__ import annotations

from collections.abc import Callable

from throttlewright.build.intent import Intent
from throttlewright.car.pack import Car
from throttlewright.design.brake_override import brake_override
from throttlewright.design.cold import cold
from throttlewright.design.idle import idle
from throttlewright.design.overboost import overboost
from throttlewright.design.reactions import supervision
from throttlewright.design.rows import Rows, merged
from throttlewright.design.servo import servo

__all__ = ["ROLES", "Role", "all_rows"]

Role = Callable[[Car, Intent], Rows]

ROLES: tuple[Role, ...] = (servo, supervision, brake_override, idle, cold, overboost)
"""Every role of a typical calibration."""


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
    return merged(role(car, intent) for role in ROLES)
