"""The plate below which no ceiling may go without stalling the engine."""

from __future__ import annotations

from throttlewright.build.intent import Intent
from throttlewright.car.pack import Car
from throttlewright.design.idle import idle

__all__ = ["idle_floor"]


def idle_floor(car: Car, intent: Intent) -> float:
    """Largest plate that the floors of idle ask for without a known load.

    Parameters
    ----------
    car : Car
        The car.
    intent : Intent
        Its section ``idle``.

    Returns
    -------
    float [%]
        Plate. With the loads as well it would be so large that a cold engine on a big plate would
        get more torque than it may at low speed.
    """
    rows = idle(car, intent)
    air = next(table for table in rows.tables if table.name == "idle_air")
    return float(air.values[0].max())
