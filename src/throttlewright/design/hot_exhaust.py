"""Hot exhaust: less torque before turbine and valves burn."""

from __future__ import annotations

import numpy as np

from throttlewright.build.intent import Intent
from throttlewright.car.pack import Car
from throttlewright.car.surface import evaluate
from throttlewright.design.reduction import Fade, reduction, speed_points
from throttlewright.design.role import Role, Shown, Typical
from throttlewright.design.rows import Rows

__all__ = ["ROLE", "hot_exhaust"]

_PROBE_UNDER = 100.0
"""How far a probe reads under the gas at the port [K]; 50 to 150, from memory."""


def hot_exhaust(car: Car, intent: Intent) -> Rows:
    """Ceiling of the plate over exhaust temperature.

    Parameters
    ----------
    car : Car
        The car.
    intent : Intent
        With or without the role.

    Returns
    -------
    Rows
        Refused where it would act at full load at any speed.
    """
    wanted = intent.hot_exhaust
    if wanted is None:
        return Rows()
    omega = speed_points(car) * np.pi / 30.0
    found, _ = evaluate(car, omega, np.full((omega.size, 1), car.psi_open))
    probe = found["exhaust_temperature"][:, 0] - 273.15 - _PROBE_UNDER
    starts = wanted.starts - 273.15
    least, most = float(np.nanmin(probe)), float(np.nanmax(probe))
    if starts <= least:
        return Rows(
            refused=f"hot_exhaust starts at {starts:.0f} degC, but at full load the exhaust of a "
            f"sound engine is hotter at any speed ({least:.0f} to {most:.0f} degC at the probe, "
            "computed): start above that"
        )
    rows = reduction(
        car,
        "hot_exhaust",
        channel="exhaust_degC",
        fade=Fade(starts, wanted.ends - 273.15, wanted.least_torque),
        reason="less heat for turbine and valves",
        source="intent, hot_exhaust, at the highest pressure of the hardware",
        # the probe is seconds late: what cooled by closing must not open again before it has told.
        # On the turbo example 5 %/s swings torque by 50 N m, this by 13; computed
        rise_rate=0.5,
    )
    if most <= starts:
        return rows
    told = (
        f"hot_exhaust: full load held long is computed to reach {most:.0f} degC at the probe on a "
        f"sound engine: the ceiling acts from {starts:.0f} degC there too",
    )
    return Rows(rows.limits, rows.tables, rows.numbers, rows.notes + told)


ROLE = Role(
    name="hot_exhaust",
    title="Hot exhaust",
    text="Takes torque away as the exhaust gas gets too hot.",
    design=hot_exhaust,
    section="hot_exhaust",
    typical=(
        Typical("starts", "950 degC", "950 to 1050 degC, from memory; ask the turbo's maker"),
        Typical("ends", "1000 degC", "950 to 1050 degC, from memory"),
        Typical("least_torque", "0.6", "common practice, no source"),
    ),
    shown=(Shown("hot_exhaust_pull", "hot_exhaust_torque"),),
    caution="Exhaust parts glow and light what is near: shields on, extinguisher in reach, nobody "
    "near the turbine.",
)
"""The role, for the registry."""
