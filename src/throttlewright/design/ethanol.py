"""Ethanol content: the torque that the fuel in the tank can stand."""

from __future__ import annotations

import itertools

import numpy as np

from throttlewright.build.intent import Intent
from throttlewright.build.intent_roles import Ethanol
from throttlewright.car.pack import Car
from throttlewright.design.reduction import COLDEST, ceiling, speed_points
from throttlewright.design.role import Role, Shown, Typical
from throttlewright.design.rows import Rows

__all__ = ["ROLE", "ethanol", "ethanol_share"]

_LOST_FROM = 100.5
"""Reading from which the sensor counts as lost [%]."""
_STEPS = (0.45, 0.9)
"""Where each stretch of the intent is tabled between its ends: near its upper one, where the plate
opens fast and the torque hardly rises."""


def ethanol_share(wanted: Ethanol, ethanol_pct: np.ndarray) -> np.ndarray:
    """Torque share that a reading of the ethanol sensor allows.

    Parameters
    ----------
    wanted : Ethanol
        What is wanted.
    ethanol_pct : ndarray [%]
        Readings; below 0 or above 100 the sensor is lost.

    Returns
    -------
    ndarray [-]
        Shares; that of petrol where the sensor is lost.
    """
    x = np.asarray(ethanol_pct, dtype=float)
    known = np.interp(x, 100.0 * np.array(wanted.content), wanted.torque_share)
    return np.where((x < 0.0) | (x > 100.0), wanted.torque_share[0], known)


def ethanol(car: Car, intent: Intent) -> Rows:
    """Ceiling of the plate over the ethanol content of the fuel.

    Parameters
    ----------
    car : Car
        The car.
    intent : Intent
        With or without the role.

    Returns
    -------
    Rows
        Refused where no content gives full torque.

    Notes
    -----
    Readings below 0 hold the first point of the table, which is petrol; those above 100 meet a last
    point that is petrol as well.
    """
    wanted = intent.ethanol
    if wanted is None:
        return Rows()
    if wanted.torque_share[-1] < 1.0:
        return Rows(
            refused=f"ethanol allows {100 * wanted.torque_share[-1]:.0f} % of torque with the best "
            "fuel: nobody could ever use the rest; let the last share be 1, or lower the boost"
        )
    content = 100.0 * np.array(wanted.content)
    points = list(content)
    for low, high in itertools.pairwise(content):
        points += [low + step * (high - low) for step in _STEPS]
    points += [100.0, _LOST_FROM]
    at = np.unique(np.round(points, 6))
    return ceiling(
        car,
        "ethanol",
        channel="ethanol_pct",
        at=at,
        rpm=speed_points(car),
        share=ethanol_share(wanted, at),
        reason="fuel with less ethanol knocks earlier; a lost sensor counts as petrol",
        source="intent, ethanol, at the highest pressure of the hardware",
        idle_coolant=COLDEST,
        note="petrol below 0 % and above 100 %, where the sensor is lost",
    )


ROLE = Role(
    name="ethanol",
    title="Ethanol content",
    text="Allows the torque that the ethanol content of the fuel can stand, petrol when unknown.",
    design=ethanol,
    section="ethanol",
    typical=(
        Typical("content", "0, 0.5, 0.85", "petrol, a mix, E85"),
        Typical("torque_share", "0.75, 0.9, 1", "common practice, no source; set it by knock"),
    ),
    shown=(
        Shown("ethanol_pull", "ethanol_torque"),
        Shown("ethanol_sensor_lost_pull", "ethanol_torque"),
    ),
    caution="The sensor sees fuel that the engine burns only some seconds later, after filling up "
    "above all: drive gently until the reading stands still.",
)
"""The role, for the registry."""
