"""Speed cap: the plate keeps the car at its largest road speed."""

from __future__ import annotations

from dataclasses import replace

from throttlewright.build.intent import Intent
from throttlewright.car.pack import Car
from throttlewright.design.role import Role, Shown, Typical
from throttlewright.design.rows import Rows
from throttlewright.design.speed_limits import speed_rows, top_speed

__all__ = ["ROLE", "speed_cap"]

_ARMED_FROM = 0.5
"""Share of the cap above which its rows act [-]: the ceiling ahead begins well above it on a car
that reaches its cap. Tool default."""


def speed_cap(car: Car, intent: Intent) -> Rows:
    """Two ceilings of the plate that keep to the largest road speed.

    Parameters
    ----------
    car : Car
        The car.
    intent : Intent
        With or without a cap.

    Returns
    -------
    Rows
        Nothing where no cap is asked for; refused where no gear can hold it or the car never
        reaches it.

    Notes
    -----
    The driven wheels are read: the others may be lost, read zero and lift the cap unseen.
    """
    wanted = intent.speed_cap
    if wanted is None:
        return Rows()
    top = top_speed(car)
    if int(car.record["gears"]) > 0 and wanted.speed > top:
        return Rows(
            refused=f"speed cap of {3.6 * wanted.speed:.0f} km/h is above the {3.6 * top:.0f} km/h "
            "that the car reaches: it would never act"
        )
    rows = speed_rows(
        car,
        role="speed_cap",
        limit=wanted.speed,
        arm=f"driven_m_s > {_ARMED_FROM * wanted.speed:.6g}",
        what="speed cap",
        source="intent, speed_cap",
    )
    if rows.refused:
        return rows
    return replace(
        rows,
        notes=(
            *rows.notes,
            "speed cap: reads the driven wheels, so a lost sensor of the other wheels does not "
            "lift it; a lost sensor of the driven wheels would",
        ),
    )


ROLE = Role(
    name="speed_cap",
    title="Speed cap",
    text="Keeps the car at its largest road speed.",
    design=speed_cap,
    section="speed_cap",
    typical=(
        Typical("speed", "no typical value: tyres, rules or a hire contract decide", "from memory"),
    ),
    shown=(Shown("speed_cap_pull", "cap_speed_over"),),
    caution="Try it on a closed road or a dyno, never on a public one. A cap that acts while "
    "overtaking can hurt: tell every driver that it is there.",
)
"""The role, for the registry."""
