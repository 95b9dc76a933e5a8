"""What the driver, the road and the test bed do to the car: the input channels of a scenario."""

from __future__ import annotations

import math
from dataclasses import dataclass

from throttlewright.foundation.errors import InputError, nearest

__all__ = [
    "CHANNELS",
    "IN_ARM",
    "IN_BATTERY",
    "IN_BRAKE",
    "IN_CLUTCH",
    "IN_ETHANOL",
    "IN_FUEL_PRESSURE",
    "IN_GEAR",
    "IN_GRADE",
    "IN_GRIP",
    "IN_HELD_SPEED",
    "IN_INTAKE_RISE",
    "IN_KEY",
    "IN_KNOWN_LOAD",
    "IN_LOAD",
    "IN_MODE",
    "IN_OIL_PRESSURE",
    "IN_PEDAL",
    "IN_PIT",
    "IN_SHIFT",
    "N_CHANNELS",
    "InputChannel",
    "channel_named",
]

IN_PEDAL = 0
IN_BRAKE = 1
IN_CLUTCH = 2
IN_GEAR = 3
IN_LOAD = 4
IN_GRIP = 5
IN_GRADE = 6
IN_BATTERY = 7
IN_MODE = 8
IN_KEY = 9
IN_HELD_SPEED = 10
IN_OIL_PRESSURE = 11
IN_FUEL_PRESSURE = 12
IN_ETHANOL = 13
IN_INTAKE_RISE = 14
IN_PIT = 15
IN_ARM = 16
IN_SHIFT = 17
IN_KNOWN_LOAD = 18
"""Column of each channel in the input table."""


@dataclass(frozen=True)
class InputChannel:
    """One column of the input table of a scenario.

    Parameters
    ----------
    name : str
        Name with its unit suffix, as written in a scenario file.
    unit : str
        Unit of the values.
    default : float
        Value where a scenario says nothing, in ``unit``; nan stands for the build's own figure.
    shape : str
        ``"linear"`` or ``"step"``: how values run from point to point unless the file says so.
    low, high : float
        Allowed range in ``unit``, ends included.
    text : str
        What it is.
    whole : bool
        Whether only whole numbers make sense; such a channel takes no ``"linear"``.
    """

    name: str
    unit: str
    default: float
    shape: str
    low: float
    high: float
    text: str
    whole: bool = False


CHANNELS: tuple[InputChannel, ...] = (
    InputChannel("pedal_pct", "%", 0.0, "linear", 0.0, 100.0, "where the foot wants the pedal"),
    InputChannel("brake_pct", "%", 0.0, "linear", 0.0, 100.0, "force on the brake pedal"),
    InputChannel(
        "clutch_pct", "%", 100.0, "linear", 0.0, 100.0, "share of clutch capacity, 100 engaged"
    ),
    InputChannel("gear_1", "1", 0.0, "step", 0.0, 10.0, "gear in the box, 0 neutral", whole=True),
    InputChannel(
        "load_Nm", "N m", 0.0, "step", -500.0, 500.0, "torque auxiliaries take from the crankshaft"
    ),
    InputChannel("grip_1", "1", 1.0, "step", 0.01, 2.0, "factor on the grip of the tyres"),
    InputChannel("grade_pct", "%", 0.0, "linear", -60.0, 60.0, "slope, climbing positive"),
    InputChannel("battery_V", "V", math.nan, "linear", 0.0, 36.0, "supply; without it the build's"),
    InputChannel("mode_1", "1", 0.0, "step", 0.0, 15.0, "mode chosen, 0 the first", whole=True),
    InputChannel("key_1", "1", 1.0, "step", 0.0, 1.0, "ignition key, 1 on", whole=True),
    InputChannel(
        "held_speed_1",
        "1",
        0.0,
        "step",
        0.0,
        1.0,
        "1: a dyno holds the speed of engine and vehicle",
        whole=True,
    ),
    InputChannel(
        "oil_pressure_pct", "%", 100.0, "linear", 0.0, 200.0, "oil pressure, of the healthy one"
    ),
    InputChannel(
        "fuel_pressure_pct",
        "%",
        100.0,
        "linear",
        1.0,
        200.0,
        "fuel pressure over the manifold, of the wanted one; the mixture follows its root",
    ),
    InputChannel(
        "ethanol_pct",
        "%",
        0.0,
        "step",
        -1.0,
        110.0,
        "ethanol in the fuel as measured; outside 0 to 100 the sensor is lost",
    ),
    InputChannel(
        "intake_rise_K", "K", 0.0, "linear", 0.0, 100.0, "heat soak of the charge before the plate"
    ),
    InputChannel("pit_1", "1", 0.0, "step", 0.0, 1.0, "pit-lane switch, 1 on", whole=True),
    InputChannel(
        "arm_1", "1", 0.0, "step", 0.0, 1.0, "switch that arms launch or anti-lag", whole=True
    ),
    InputChannel(
        "shift_1", "1", 0.0, "step", -1.0, 1.0, "1 an upshift, -1 a downshift asked", whole=True
    ),
    InputChannel(
        "known_load_Nm",
        "N m",
        0.0,
        "step",
        0.0,
        200.0,
        "load that the controller is told of; the load itself is load_Nm",
    ),
)
"""All input channels, in the order of their columns."""

N_CHANNELS = len(CHANNELS)
"""Number of columns of an input table."""

_BY_NAME = {channel.name: index for index, channel in enumerate(CHANNELS)}


def channel_named(name: str) -> int:
    """Return the column of the channel with a name.

    Parameters
    ----------
    name : str
        As written in a scenario file.

    Returns
    -------
    int
        Index into ``CHANNELS``.

    Raises
    ------
    InputError
        Naming the nearest channel there is.
    """
    found = _BY_NAME.get(name)
    if found is not None:
        return found
    close = nearest(name, list(_BY_NAME))
    raise InputError(
        "is not an input channel",
        value=name,
        allowed=", ".join(_BY_NAME),
        advice=f'the nearest known channel is "{close}"' if close else None,
    )
