"""Low battery: less torque while the supply is too weak to move the plate surely."""

from __future__ import annotations

from throttlewright.build.intent import Intent
from throttlewright.car.pack import Car
from throttlewright.design.reduction import COLDEST, Fade, reduction
from throttlewright.design.role import Role, Shown, Typical
from throttlewright.design.rows import Rows

__all__ = ["ROLE", "low_battery"]

_UNDER = 1.5
"""How far a sound supply sags under its voltage with everything switched on [V]; common practice,
no source."""
_AFTER_START = 3.0
"""Time that the supply has to recover from the starter [s]; common practice, no source."""


def low_battery(car: Car, intent: Intent) -> Rows:
    """Ceiling of the plate over supply voltage.

    Parameters
    ----------
    car : Car
        The car.
    intent : Intent
        With or without the role.

    Returns
    -------
    Rows
        Refused where a sound supply would set it off.

    Notes
    -----
    The starter pulls the supply under these voltages at each start: the row waits until the engine
    has run for a while. A controller that restarts at speed waits as long.
    """
    wanted = intent.low_battery
    if wanted is None:
        return Rows()
    supply = float(car.record["battery"])
    if wanted.starts > supply - _UNDER:
        return Rows(
            refused=f"low_battery starts at {wanted.starts:g} V, but the supply of this car is "
            f"{supply:g} V and sags by {_UNDER:g} V with everything on: not above "
            f"{supply - _UNDER:g} V"
        )
    return reduction(
        car,
        "low_battery",
        channel="battery_V",
        fade=Fade(wanted.starts, wanted.ends, wanted.least_torque),
        reason="a weak supply moves the plate, pumps and injectors late",
        source="intent, low_battery, at the highest pressure of the hardware",
        arm=f"since_start_s > {_AFTER_START:g}",
        idle_coolant=COLDEST,
    )


ROLE = Role(
    name="low_battery",
    title="Low battery",
    text="Takes torque away while the supply is too low to move the plate surely.",
    design=low_battery,
    section="low_battery",
    typical=(
        Typical("starts", "11 V", "common practice, no source"),
        Typical("ends", "9 V", "common practice, no source"),
        Typical("least_torque", "0.5", "common practice, no source"),
    ),
    shown=(Shown("low_battery_pull", "low_battery_torque"),),
    caution="A falling supply may stop pumps, lamps and the controller itself soon after: leave "
    "the road while the engine still runs.",
)
"""The role, for the registry."""
