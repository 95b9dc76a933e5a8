"""The plate below which no ceiling may go without stalling the engine."""

from __future__ import annotations

from throttlewright.build.intent import Intent
from throttlewright.build.intent_roles import Idle
from throttlewright.car.pack import Car
from throttlewright.design.idle import idle

__all__ = ["idle_floor"]


def idle_floor(car: Car, intent: Intent) -> float:
    """Largest plate that the floors of idle ask for, with the load of the intent.

    Parameters
    ----------
    car : Car
        The car.
    intent : Intent
        Its section ``idle``.

    Returns
    -------
    float [%]
        Plate; more than the load of the intent at once would need more.
    """
    rows = idle(car, intent)
    air = next(table for table in rows.tables if table.name == "idle_air")
    start = [table.values.max() for table in rows.tables if table.name == "idle_start_air"]
    load = (intent.idle or Idle()).load
    most = float(air.values[air.axes[0].values <= load].max())
    return float(max([most, *start]))
