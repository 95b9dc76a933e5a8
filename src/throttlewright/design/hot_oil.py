"""Hot oil: less torque before the oil film gets too thin."""

from __future__ import annotations

from throttlewright.build.intent import Intent
from throttlewright.car.pack import Car
from throttlewright.design.reduction import Fade, reduction
from throttlewright.design.role import Role, Shown, Typical
from throttlewright.design.rows import Rows

__all__ = ["ROLE", "hot_oil"]

_SOUND = 393.15
"""Oil temperature that a sound engine reaches in hard use [K]; 110 to 120 degC, common practice, no
source."""


def hot_oil(car: Car, intent: Intent) -> Rows:
    """Ceiling of the plate over oil temperature.

    Parameters
    ----------
    car : Car
        The car.
    intent : Intent
        With or without the role.

    Returns
    -------
    Rows
        Refused where it would act on a sound engine.
    """
    wanted = intent.hot_oil
    if wanted is None:
        return Rows()
    if wanted.starts < _SOUND:
        return Rows(
            refused=f"hot_oil starts at {wanted.starts - 273.15:.0f} degC, where a sound engine "
            f"runs in hard use: not below {_SOUND - 273.15:.0f} degC"
        )
    return reduction(
        car,
        "hot_oil",
        channel="oil_degC",
        fade=Fade(wanted.starts - 273.15, wanted.ends - 273.15, wanted.least_torque),
        reason="less load on a thin oil film",
        source="intent, hot_oil, at the highest pressure of the hardware",
    )


ROLE = Role(
    name="hot_oil",
    title="Hot oil",
    text="Takes torque away as the engine oil gets too hot.",
    design=hot_oil,
    section="hot_oil",
    typical=(
        Typical("starts", "140 degC", "140 to 150 degC, from memory"),
        Typical("ends", "150 degC", "140 to 150 degC, from memory"),
        Typical("least_torque", "0.5", "common practice, no source"),
    ),
    shown=(Shown("hot_oil_pull", "hot_oil_torque"),),
    caution="Power falls while others may follow closely: tell the driver with a lamp. Hot oil "
    "burns skin and lights on an exhaust.",
)
"""The role, for the registry."""
