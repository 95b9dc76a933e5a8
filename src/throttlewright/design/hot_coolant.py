"""Hot coolant: less torque before the engine boils."""

from __future__ import annotations

from throttlewright.build.intent import Intent
from throttlewright.car.pack import Car
from throttlewright.design.reduction import Fade, reduction
from throttlewright.design.role import Role, Shown, Typical
from throttlewright.design.rows import Rows

__all__ = ["ROLE", "hot_coolant"]

_OVER_THERMOSTAT = 10.0
"""How far over its thermostat a sound engine's coolant stands after a hard pull [K]; common
practice, no source."""


def hot_coolant(car: Car, intent: Intent) -> Rows:
    """Ceiling of the plate over coolant temperature.

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
    wanted = intent.hot_coolant
    if wanted is None:
        return Rows()
    sound = float(car.record["thermostat"]) + _OVER_THERMOSTAT
    if wanted.starts < sound:
        return Rows(
            refused=f"hot_coolant starts at {wanted.starts - 273.15:.0f} degC, where a sound "
            f"engine runs: not below {sound - 273.15:.0f} degC, the thermostat plus "
            f"{_OVER_THERMOSTAT:.0f} K"
        )
    return reduction(
        car,
        "hot_coolant",
        channel="coolant_degC",
        fade=Fade(wanted.starts - 273.15, wanted.ends - 273.15, wanted.least_torque),
        reason="less heat into coolant that is too hot",
        source="intent, hot_coolant, at the highest pressure of the hardware",
    )


ROLE = Role(
    name="hot_coolant",
    title="Hot coolant",
    text="Takes torque away as the coolant gets too hot.",
    design=hot_coolant,
    section="hot_coolant",
    typical=(
        Typical("starts", "112 degC", "108 to 115 degC, from memory"),
        Typical("ends", "122 degC", "about 120 degC, from memory"),
        Typical("least_torque", "0.5", "half the torque at the end, from memory"),
    ),
    shown=(
        Shown("hot_coolant_pull", "hot_coolant_torque"),
        Shown("hot_coolant_stuck_wastegate", "hot_coolant_torque"),
    ),
    caution="Power falls while others may follow closely: tell the driver with a lamp. Never open "
    "a hot cooling system.",
)
"""The role, for the registry."""
