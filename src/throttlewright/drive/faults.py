"""Faults that a scenario or the proof injects: a closed list, each with its place in the array F.

``F`` holds one severity per kind; 0 is healthy. What each kind does stands in ``fault_list``.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Annotated

import numpy as np
from numpy.typing import NDArray
from pydantic import model_validator

from throttlewright.build.fields import Frozen, Quantity, fault
from throttlewright.drive.fault_list import FAULTS, FaultKind
from throttlewright.foundation.errors import InputError, nearest

__all__ = [
    "FAULTS",
    "F_BRAKE_SWITCH_LOST",
    "F_BRIDGE_BRAKES",
    "F_BRIDGE_SHORTED",
    "F_BUS_LOSS",
    "F_CLOSING_SPRING_BROKEN",
    "F_CONTROLLER_RESET",
    "F_COOLANT_SENSOR_LOST",
    "F_ETHANOL_SENSOR_LOST",
    "F_GEAR_SIGNAL_WRONG",
    "F_LEAK_AFTER_PLATE",
    "F_LINKAGE_LOST",
    "F_LOW_BATTERY",
    "F_MAP_SENSOR_LOST",
    "F_MOTOR_OPEN",
    "F_MOTOR_SHORT",
    "F_ONE_PLATE_DIFFERS",
    "F_OPENING_SPRING_BROKEN",
    "F_PEDAL_1_DRIFT",
    "F_PEDAL_1_HIGH",
    "F_PEDAL_1_LOW",
    "F_PEDAL_1_OPEN",
    "F_PEDAL_2_HIGH",
    "F_PEDAL_2_LOW",
    "F_PEDAL_2_OPEN",
    "F_PEDAL_SHORTED_TOGETHER",
    "F_PEDAL_STUCK",
    "F_PLATE_1_DRIFT",
    "F_PLATE_1_HIGH",
    "F_PLATE_1_LOW",
    "F_PLATE_1_OPEN",
    "F_PLATE_2_LOW",
    "F_PLATE_2_OPEN",
    "F_PLATE_BOTH_LOST",
    "F_PLATE_FRICTION",
    "F_PLATE_SENSOR_INVERTED",
    "F_PLATE_STUCK",
    "F_POLARITY_SWAPPED",
    "F_REFERENCE_SHIFT",
    "F_RELAY_WELDED",
    "F_SENSOR_INTERMITTENT",
    "F_WASTEGATE_STUCK_OPEN",
    "F_WASTEGATE_STUCK_SHUT",
    "F_WHEEL_SPEED_LOST",
    "F_WRONG_CLOSED_STOP",
    "F_WRONG_RAISE_REQUEST",
    "N_FAULTS",
    "TICK",
    "FaultKind",
    "InjectedFault",
    "fault_named",
    "fault_schedule",
    "tick_at",
]

F_PEDAL_1_LOW = 0
F_PEDAL_1_HIGH = 1
F_PEDAL_1_OPEN = 2
F_PEDAL_2_LOW = 3
F_PEDAL_2_HIGH = 4
F_PEDAL_2_OPEN = 5
F_PEDAL_SHORTED_TOGETHER = 6
F_PEDAL_1_DRIFT = 7
F_PEDAL_STUCK = 8
F_REFERENCE_SHIFT = 9
F_PLATE_1_LOW = 10
F_PLATE_1_HIGH = 11
F_PLATE_1_OPEN = 12
F_PLATE_2_LOW = 13
F_PLATE_2_OPEN = 14
F_PLATE_1_DRIFT = 15
F_PLATE_BOTH_LOST = 16
F_PLATE_STUCK = 17
F_PLATE_FRICTION = 18
F_CLOSING_SPRING_BROKEN = 19
F_OPENING_SPRING_BROKEN = 20
F_LINKAGE_LOST = 21
F_MOTOR_OPEN = 22
F_MOTOR_SHORT = 23
F_POLARITY_SWAPPED = 24
F_PLATE_SENSOR_INVERTED = 25
F_BRIDGE_SHORTED = 26
F_RELAY_WELDED = 27
F_BRIDGE_BRAKES = 28
F_LOW_BATTERY = 29
F_CONTROLLER_RESET = 30
F_BUS_LOSS = 31
F_WRONG_RAISE_REQUEST = 32
F_BRAKE_SWITCH_LOST = 33
F_LEAK_AFTER_PLATE = 34
F_WASTEGATE_STUCK_SHUT = 35
F_WASTEGATE_STUCK_OPEN = 36
F_ONE_PLATE_DIFFERS = 37
F_WRONG_CLOSED_STOP = 38
F_SENSOR_INTERMITTENT = 39
F_MAP_SENSOR_LOST = 40
F_GEAR_SIGNAL_WRONG = 41
F_COOLANT_SENSOR_LOST = 42
F_ETHANOL_SENSOR_LOST = 43
F_WHEEL_SPEED_LOST = 44
"""Place of each kind in F."""

N_FAULTS = 45
"""Number of kinds, and length of the array F."""

TICK = 1e-3
"""Length of one tick [s]."""

_BY_NAME = {kind.name: kind for kind in FAULTS}


def fault_named(name: str) -> FaultKind:
    """Return the kind of fault with a name.

    Parameters
    ----------
    name : str
        As written in a scenario file.

    Returns
    -------
    FaultKind
        From ``FAULTS``.

    Raises
    ------
    InputError
        Naming the nearest kind there is.
    """
    found = _BY_NAME.get(name)
    if found is not None:
        return found
    close = nearest(name, list(_BY_NAME))
    raise InputError(
        "is not a kind of fault",
        value=name,
        allowed=", ".join(_BY_NAME),
        advice=f'the nearest known kind is "{close}"' if close else None,
    )


class InjectedFault(Frozen):
    """A fault that sets in at a time."""

    kind: str
    """Name of a kind of fault."""
    at: Annotated[float, Quantity("time", "s", 0.0, 3600.0)]
    """When it sets in [s]."""
    until: Annotated[float, Quantity("time", "s", 0.0, 3600.0)] | None = None
    """When it is gone again [s]; without it, it stays."""
    severity: float | None = None
    """In the unit of the kind; without it, the default of the kind."""

    @model_validator(mode="after")
    def _check(self) -> InjectedFault:
        try:
            kind = fault_named(self.kind)
        except InputError as error:
            raise fault(
                error.message,
                key="kind",
                value=error.value,
                allowed=error.allowed,
                advice=error.advice,
            ) from None
        if self.until is not None and not self.until > self.at:
            raise fault(
                "is not after at",
                key="until",
                value=f"{self.until:g} s",
                allowed=f"above {self.at:g} s",
                contradiction=True,
            )
        severity = self.severity
        unit = "" if kind.unit == "1" else f" {kind.unit}"
        # 0 is the healthy car: a fault that is written down and does nothing proves nothing.
        if severity is not None and not (kind.low <= severity <= kind.high and severity != 0.0):
            raise fault(
                "is outside the allowed range",
                key="severity",
                value=severity,
                allowed=f"{kind.low:g} to {kind.high:g}{unit}, not 0",
            )
        if kind.unit == "s" and self.until is not None:
            raise fault(
                "is not for a kind whose severity is its length",
                key="until",
                value=f"{self.until:g} s",
                advice="give severity alone",
                contradiction=True,
            )
        return self


def fault_schedule(faults: Sequence[InjectedFault], n_ticks: int) -> NDArray[np.float64]:
    """Return when each fault acts, in ticks.

    A fault acts on tick k when ``first <= k <= last``. Tick k starts at k milliseconds; a fault
    with ``until`` is gone at that time, so its last tick is the one before.

    Parameters
    ----------
    faults : sequence of InjectedFault
        In any order.
    n_ticks : int [-]
        Length of the run in ticks, at least 1.

    Returns
    -------
    ndarray of shape (n, 4)
        Code of the kind, first tick, last tick, severity; in order of the first tick. A fault
        that sets in after the end is left out.

    Raises
    ------
    InputError
        If a kind is unknown.
    """
    rows = []
    for injected in faults:
        kind = fault_named(injected.kind)
        severity = kind.default if injected.severity is None else injected.severity
        until = injected.until
        if kind.unit == "s":
            until = injected.at + severity
        first = tick_at(injected.at)
        last = n_ticks - 1 if until is None else min(tick_at(until) - 1, n_ticks - 1)
        if first <= last:
            rows.append((float(kind.code), float(first), float(last), severity))
    rows.sort(key=lambda row: row[1])
    return np.array(rows, dtype=np.float64).reshape(len(rows), 4)


def tick_at(time: float) -> int:
    """Return the first tick that starts at or after a time.

    Parameters
    ----------
    time : float [s]
        From the start of the scenario, at least 0.

    Returns
    -------
    int
        Number of the tick.
    """
    # A time written in milliseconds must not move to the next tick by its rounding in binary.
    return max(math.ceil(time / TICK - 1e-6), 0)
