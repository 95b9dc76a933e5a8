"""Judging figure of the torque monitor: how long there was more torque than was asked for."""

from __future__ import annotations

import numpy as np

from throttlewright.build.intent import Intent
from throttlewright.build.intent_roles import TorqueMonitor
from throttlewright.car.pack import Car
from throttlewright.design.torque_monitor import torque_monitor
from throttlewright.prove.role_figure import Judged, RoleFigure
from throttlewright.prove.run import series
from throttlewright.recording.recording import Recording

__all__ = ["FIGURES", "torque_above_permitted"]

_SETTLE = 1.5
"""After the confirming time, time by which the torque must have gone [s]: the lag of what is
permitted, the plate's way to its rest and the emptying of the manifold; tool default."""


def torque_above_permitted(recording: Recording, car: Car, intent: Intent) -> Judged:
    """Time in which the engine gave more torque than the pedal asks for and the tolerance allows.

    Parameters
    ----------
    recording : Recording
        A run; with the true torque of the engine, which no controller sees.
    car : Car
        The car.
    intent : Intent
        Its modes and monitor; typical tolerance and time where it has none.

    Returns
    -------
    Judged
        Time [s] against the confirming time and what the manifold needs to empty.
    """
    wanted = intent.torque_monitor or TorqueMonitor()
    rows = torque_monitor(car, intent.model_copy(update={"torque_monitor": wanted}))
    if rows.refused:
        return Judged(0.0, "s", None, None, rows.refused)
    tables = {table.name: table for table in rows.tables}
    t_s, torque, rpm, pedal = series(recording, "torque_Nm", "engine_rpm", "pedal_pct")
    permitted = np.maximum(
        tables["torque_over_pedal"].lookup(rpm, pedal),
        tables["torque_over_plate"].lookup(rpm, np.zeros_like(rpm)),
    )
    over = torque - permitted > rows.reactions[0].limit
    value = float(np.sum(np.diff(t_s)[over[:-1]]))
    limit = wanted.confirm + _SETTLE
    return Judged(
        value,
        "s",
        limit,
        value <= limit,
        f"for {value:.2f} s the engine gave at least {rows.reactions[0].limit:.0f} N m more than "
        f"the pedal permits, {limit:.2f} s allowed",
    )


FIGURES: dict[str, RoleFigure] = {"torque_above_permitted": torque_above_permitted}
"""Figures of this area."""
