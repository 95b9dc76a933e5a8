"""Lean mixture under load: less torque before pistons melt."""

from __future__ import annotations

import math

import numpy as np

from throttlewright.build.intent import Intent
from throttlewright.car.hardware_boost import hardware_pressure
from throttlewright.car.pack import Car
from throttlewright.design.reduction import COLDEST, FAST, Fade, reduction, speed_points
from throttlewright.design.role import Role, Shown, Typical
from throttlewright.design.rows import Rows

__all__ = ["ROLE", "lean_mixture"]

_TOLERANCE = 1.03
"""A sound engine's mixture under load, over the wanted one; common practice, no source."""


def lean_mixture(car: Car, intent: Intent) -> Rows:
    """Ceiling of the plate over the measured mixture, under load.

    Parameters
    ----------
    car : Car
        The car.
    intent : Intent
        With or without the role.

    Returns
    -------
    Rows
        Refused where the load is never reached, or a sound mixture would set it off.

    Notes
    -----
    Closing the plate takes the load away that armed the row. It therefore lets go only at a
    manifold pressure below what its own ceiling leaves, that is when the foot closes the plate.
    """
    wanted = intent.lean_mixture
    if wanted is None:
        return Rows()
    if wanted.starts < _TOLERANCE:
        return Rows(
            refused=f"lean_mixture starts at {wanted.starts:g}, which sound mixtures reach: not "
            f"below {_TOLERANCE:g}"
        )
    omega = speed_points(car) * math.pi / 30.0
    most = float(np.max(hardware_pressure(car, omega)))
    if wanted.above >= most:
        return Rows(
            refused=f"lean_mixture acts above {wanted.above / 1e3:.0f} kPa, which this car never "
            f"reaches ({most / 1e3:.0f} kPa at most): without boost give a lower above, or leave "
            "the role away"
        )
    return reduction(
        car,
        "lean_mixture",
        channel="mixture_1",
        fade=Fade(wanted.starts, wanted.ends, wanted.least_torque),
        reason="a lean mixture under load melts pistons",
        source="intent, lean_mixture, at the highest pressure of the hardware",
        above=wanted.above,
        fall_rate=FAST,
        idle_coolant=COLDEST,
    )


ROLE = Role(
    name="lean_mixture",
    title="Lean mixture under load",
    text="Takes torque away while the mixture is leaner than wanted under load.",
    design=lean_mixture,
    section="lean_mixture",
    typical=(
        Typical("starts", "1.05", "common practice, no source"),
        Typical("ends", "1.12", "common practice, no source"),
        Typical("least_torque", "0.3", "common practice, no source"),
        Typical("above", "1.1 bar", "boost of a charged engine, common practice, no source"),
    ),
    shown=(Shown("lean_pull", "lean_mixture_torque"), Shown("lean_pull", "lean_mixture_time")),
    caution="A mixture sensor is late by tenths of seconds, and blind while it is cold: this saves "
    "an engine from a slow failure, not from an injector that stops at full load.",
)
"""The role, for the registry."""
