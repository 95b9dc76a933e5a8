"""Low oil pressure: less torque than the bearings can carry with what oil they get."""

from __future__ import annotations

import math

import numpy as np

from throttlewright.build.intent import Intent
from throttlewright.build.intent_roles import LowOilPressure
from throttlewright.car.pack import Car
from throttlewright.design.reduction import COLDEST, FAST, Fade, ceiling
from throttlewright.design.role import Role, Shown, Typical
from throttlewright.design.rows import Rows

__all__ = ["RELIEF_RPM", "ROLE", "low_oil_pressure", "oil_share"]

RELIEF_RPM = 4500.0
"""Engine speed at which the relief valve of a sound engine opens: no more pressure is asked for
above it; common practice, no source."""
_ENDS = 0.7
"""Share of the needed pressure at which the least torque is left. Tool default."""
_STEP = math.sqrt(_ENDS)
"""Ratio of neighbouring points on both axes: the needed pressure then runs through points."""
_SOUND = 0.1e6
"""Oil pressure of a sound warm engine for 1000 rpm [Pa]; common practice, no source."""
_AFTER_START = 5.0


def oil_share(wanted: LowOilPressure, oil_kPa: np.ndarray, rpm: np.ndarray) -> np.ndarray:
    """Torque share that an oil pressure allows at an engine speed.

    Parameters
    ----------
    wanted : LowOilPressure
        What is wanted.
    oil_kPa : ndarray [kPa]
        Oil pressure over ambient.
    rpm : ndarray [rpm]
        Engine speed, above 0.

    Returns
    -------
    ndarray [-]
        Shares.
    """
    need = wanted.per_1000_rpm / 1e6 * np.minimum(rpm, RELIEF_RPM)
    return Fade(1.0, _ENDS, wanted.least_torque).share(oil_kPa / np.maximum(need, 1e-9))


def low_oil_pressure(car: Car, intent: Intent) -> Rows:
    """Ceiling of the plate over oil pressure and engine speed.

    Parameters
    ----------
    car : Car
        The car.
    intent : Intent
        With or without the role.

    Returns
    -------
    Rows
        Refused where a sound engine would set it off.

    Notes
    -----
    Both axes run in one ratio, so that the limit, which rises with engine speed, runs through
    points of the table; between two speeds it is at most a tenth off.
    """
    wanted = intent.low_oil_pressure
    if wanted is None:
        return Rows()
    if wanted.per_1000_rpm > 0.9 * _SOUND:
        return Rows(
            refused=f"low_oil_pressure asks for {wanted.per_1000_rpm / 1e3:.0f} kPa for 1000 rpm, "
            f"but a sound warm engine gives about {_SOUND / 1e3:.0f} (common practice, no source): "
            f"not above {0.9 * _SOUND / 1e3:.0f}"
        )
    first = 0.8 * car.idle * 30.0 / math.pi
    # the relief speed itself is a point, and so is every step down from it
    down = math.ceil(math.log(RELIEF_RPM / first) / -math.log(_STEP))
    low = RELIEF_RPM * _STEP ** np.arange(down, -1, -1)
    top = car.limit * 30.0 / math.pi
    high = np.linspace(RELIEF_RPM, top, 4)[1:] if top > RELIEF_RPM else np.empty(0)
    rpm = np.concatenate((low[low < max(top, RELIEF_RPM) + 1.0], high))
    at = wanted.per_1000_rpm / 1e6 * RELIEF_RPM * _STEP ** np.arange(down + 2, -1, -1)
    return ceiling(
        car,
        "low_oil_pressure",
        channel="oil_kPa",
        at=at,
        rpm=rpm,
        share=oil_share(wanted, np.round(at, 6)[None, :] * (1.0 + 1e-9), rpm[:, None]),
        reason="bearings carry less with less oil",
        source="intent, low_oil_pressure, at the highest pressure of the hardware",
        arm=f"since_start_s > {_AFTER_START:g} and engine_rpm > 400",
        fall_rate=FAST,
        idle_coolant=COLDEST,
        note=f"the need stays from {RELIEF_RPM:.0f} rpm on, where a relief valve opens",
    )


ROLE = Role(
    name="low_oil_pressure",
    title="Low oil pressure",
    text="Takes torque away while the oil pressure is too low for the engine speed.",
    design=low_oil_pressure,
    section="low_oil_pressure",
    typical=(
        Typical("per_1000_rpm", "0.7 bar", "less than about 0.7 bar for 1000 rpm, from memory"),
        Typical("least_torque", "0.2", "common practice, no source"),
    ),
    shown=(
        Shown("low_oil_pressure_pull", "low_oil_pressure_torque"),
        Shown("low_oil_pressure_pull", "low_oil_pressure_time"),
    ),
    caution="Less torque does not save bearings without oil: clutch in and engine off as soon as "
    "it is safe to stop. It does not act in the first seconds after the start.",
)
"""The role, for the registry."""
