"""Low fuel pressure under load: less torque before the mixture is lean."""

from __future__ import annotations

from throttlewright.build.intent import Intent
from throttlewright.car.pack import Car
from throttlewright.design.reduction import COLDEST, FAST, Fade, reduction
from throttlewright.design.role import Role, Shown, Typical
from throttlewright.design.rows import Rows

__all__ = ["LOAD", "ROLE", "low_fuel_pressure"]

_SOUND = 0.97
"""Least fuel pressure of a sound regulator, over the wanted one; common practice, no source."""
LOAD = 0.75
"""Load from which it acts: manifold pressure over ambient. Below it the mixture control has room
to make good what the pressure lacks; common practice, no source."""


def low_fuel_pressure(car: Car, intent: Intent) -> Rows:
    """Ceiling of the plate over fuel pressure, under load.

    Parameters
    ----------
    car : Car
        The car.
    intent : Intent
        With or without the role.

    Returns
    -------
    Rows
        Refused where a sound regulator would set it off.

    Notes
    -----
    As in ``lean_mixture`` it lets go when the foot closes the plate, not when it has closed the
    plate itself.
    """
    wanted = intent.low_fuel_pressure
    if wanted is None:
        return Rows()
    if wanted.starts > _SOUND:
        return Rows(
            refused=f"low_fuel_pressure starts at {wanted.starts:g} of the wanted pressure, which "
            f"a sound regulator reaches: not above {_SOUND:g}"
        )
    return reduction(
        car,
        "low_fuel_pressure",
        channel="fuel_pressure_pct",
        fade=Fade(100.0 * wanted.starts, 100.0 * wanted.ends, wanted.least_torque),
        reason="with too little fuel pressure the mixture gets lean under load",
        source="intent, low_fuel_pressure, at the highest pressure of the hardware",
        above=LOAD * float(car.record["p_ambient"]),
        fall_rate=FAST,
        idle_coolant=COLDEST,
    )


ROLE = Role(
    name="low_fuel_pressure",
    title="Low fuel pressure under load",
    text="Takes torque away while the fuel pressure is too low under load.",
    design=low_fuel_pressure,
    section="low_fuel_pressure",
    typical=(
        Typical("starts", "0.9", "5 % less fuel, computed; common practice, no source"),
        Typical("ends", "0.75", "13 % less fuel, computed; common practice, no source"),
        Typical("least_torque", "0.3", "common practice, no source"),
    ),
    shown=(
        Shown("low_fuel_pressure_pull", "low_fuel_pressure_torque"),
        Shown("low_fuel_pressure_pull", "low_fuel_pressure_time"),
    ),
    caution="Falling fuel pressure may be a leak: stop the engine, power off, and look for fuel "
    "before anything else.",
)
"""The role, for the registry."""
