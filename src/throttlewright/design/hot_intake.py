"""Hot charge: less torque before the mixture knocks."""

from __future__ import annotations

import numpy as np

from throttlewright.build.intent import Intent
from throttlewright.car.pack import Car
from throttlewright.car.surface import evaluate
from throttlewright.design.reduction import Fade, reduction, speed_points
from throttlewright.design.role import Role, Shown, Typical
from throttlewright.design.rows import Rows

__all__ = ["ROLE", "hot_intake"]


def _sound(car: Car) -> float:
    """Hottest charge before the plate at the wanted boost [K]."""
    omega = speed_points(car) * np.pi / 30.0
    found, _ = evaluate(car, omega, np.full((omega.size, 1), car.psi_open))
    hot = float(np.nanmax(found["manifold_temperature"]))
    return hot - float(car.record["charge_temperature_rise"])


def hot_intake(car: Car, intent: Intent) -> Rows:
    """Ceiling of the plate over the temperature of the charge before it.

    Parameters
    ----------
    car : Car
        The car.
    intent : Intent
        With or without the role.

    Returns
    -------
    Rows
        Refused where it would act on a sound engine at its wanted boost.
    """
    wanted = intent.hot_intake
    if wanted is None:
        return Rows()
    sound = _sound(car)
    if wanted.starts <= sound:
        return Rows(
            refused=f"hot_intake starts at {wanted.starts - 273.15:.0f} degC, but at the wanted "
            f"boost the charge reaches {sound - 273.15:.0f} degC on a sound car: start above it, "
            "or cool the charge better"
        )
    return reduction(
        car,
        "hot_intake",
        channel="intake_degC",
        fade=Fade(wanted.starts - 273.15, wanted.ends - 273.15, wanted.least_torque),
        reason="less pressure on a charge that is near knocking",
        source="intent, hot_intake, at the highest pressure of the hardware",
    )


ROLE = Role(
    name="hot_intake",
    title="Hot charge",
    text="Takes torque away as the charge before the plate gets too hot.",
    design=hot_intake,
    section="hot_intake",
    typical=(
        Typical("starts", "60 degC", "60 to 70 degC, from memory"),
        Typical("ends", "80 degC", "common practice, no source"),
        Typical("least_torque", "0.6", "common practice, no source"),
    ),
    shown=(Shown("hot_intake_pull", "hot_intake_torque"),),
    caution="It does not replace knock control: a charge can knock below these temperatures.",
)
"""The role, for the registry."""
