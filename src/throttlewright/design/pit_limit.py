"""Pit-lane limit: the plate holds a road speed while its switch is on."""

from __future__ import annotations

from throttlewright.build.intent import Intent
from throttlewright.car.pack import Car
from throttlewright.design.role import Role, Shown, Typical
from throttlewright.design.rows import Rows
from throttlewright.design.speed_limits import speed_rows

__all__ = ["ROLE", "pit_limit"]


def pit_limit(car: Car, intent: Intent) -> Rows:
    """Two ceilings of the plate that hold the pit-lane speed while the switch is on.

    Parameters
    ----------
    car : Car
        The car.
    intent : Intent
        With or without a pit-lane speed.

    Returns
    -------
    Rows
        Nothing where no speed is asked for; refused where no gear can hold it.

    Notes
    -----
    The driven wheels are read, because they are there on every car and read fast when they spin.
    As the switch goes off the ceilings rise slowly, so that torque comes back without a blow.
    """
    wanted = intent.pit_limit
    if wanted is None:
        return Rows()
    return speed_rows(
        car,
        role="pit_limit",
        limit=wanted.speed,
        arm="pit_1 > 0.5",
        what="pit-lane speed",
        source="intent, pit_limit",
    )


ROLE = Role(
    name="pit_limit",
    title="Pit-lane limit",
    text="Holds the pit-lane speed with the plate while the switch is on.",
    design=pit_limit,
    section="pit_limit",
    typical=(
        Typical("speed", "60 km/h", "common practice, no source; the event's own rule decides"),
    ),
    shown=(Shown("pit_lane", "pit_speed_over"),),
    caution="Try it on a closed road with room to stop: the plate only takes drive away, it cannot "
    "brake. With the car on stands the driven wheels reach the speed in a moment: keep clear.",
)
"""The role, for the registry."""
