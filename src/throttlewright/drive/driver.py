"""A driver at a corner exit: opens as far as the tyres allow, with a foot of limited fineness."""

from __future__ import annotations

import math

import numpy as np

from throttlewright.calibration import places as p
from throttlewright.calibration.lookup import remembered
from throttlewright.calibration.pack import Packed
from throttlewright.car.state import OMEGA, SLIP, SPEED
from throttlewright.drive.channels import IN_HELD_SPEED, IN_MODE, IN_PEDAL
from throttlewright.foundation.compiled import kernel

__all__ = [
    "DRIVER_WIDTH",
    "N_DRIVER_MEMORY",
    "P_ACTIVE",
    "P_DELAY",
    "P_FROM",
    "P_GAIN",
    "P_SLIP",
    "P_STEP",
    "drive_on",
    "driver_memory",
]

# how the driver is
P_ACTIVE = 0  # 0: the scenario's pedal counts
P_DELAY = 1  # ticks from what is felt to what the foot does
P_STEP = 2  # pedal %, finest step of the foot
P_SLIP = 3  # slip of the driven tyres that is sought
P_GAIN = 4  # 1/s, relative rate of opening while there is no slip
P_FROM = 5  # m/s, below it the scenario's pedal counts
DRIVER_WIDTH = 6

# what the driver remembers
D_WANTED = 0  # plate %, as the driver would have it
D_FOOT = 1  # pedal %, where the foot stands
D_PLACE = 2  # two places for the look-up of the demand table
D_AT = 4
D_RING = 5
_LONGEST = 1024
N_DRIVER_MEMORY = D_RING + _LONGEST

_FIRST_OPENING = 2.0
_LEAST_OPENING = 1.0
_FASTEST_CLOSING = 6.0
"""Largest relative rate of closing, per second; common practice, no source."""
_HOLD = 0.75
"""The foot moves once it is further off than this share of its finest step."""
_TO_RPM = 30.0 / math.pi
_HALVINGS = 16


def driver_memory() -> np.ndarray:
    """Return the memory of a driver who has not yet felt anything.

    Returns
    -------
    ndarray [-]
        Of length ``N_DRIVER_MEMORY``.
    """
    memory = np.zeros(N_DRIVER_MEMORY)
    memory[D_WANTED] = _FIRST_OPENING
    return memory


@kernel
def drive_on(
    x: np.ndarray, row: np.ndarray, driver: np.ndarray, cal: Packed, memory: np.ndarray
) -> None:
    """Set the pedal of this tick as the driver would.

    d ln(plate wanted) / dt = gain (1 - slip felt / slip sought)

    Parameters
    ----------
    x : ndarray [SI]
        State of the car.
    row : ndarray [-]
        Inputs of the tick; the pedal in it is replaced.
    driver : ndarray [-]
        How the driver is: active, delay, step, slip, gain, speed to begin at.
    cal : Packed [-]
        The calibration, which the driver knows by heart.
    memory : ndarray [-]
        Memory of the driver, changed in place.

    Returns
    -------
    None [-]
        The pedal is in ``row``.

    Notes
    -----
    The driver thinks in plate opening and looks up the pedal that gives it, so the law of control
    is the same whatever the pedal map. What a map changes is only what one step of the foot does
    to the plate; a driver with no such step drives every map alike.
    """
    at = int(memory[D_AT])
    memory[D_RING + at] = x[SLIP]
    memory[D_AT] = (at + 1) % _LONGEST
    if row[IN_HELD_SPEED] > 0.5 or x[SPEED] < driver[P_FROM]:
        return
    felt = memory[D_RING + (at - int(driver[P_DELAY]) + _LONGEST) % _LONGEST]
    rate = driver[P_GAIN] * (1.0 - felt / driver[P_SLIP])
    rate = min(max(rate, -_FASTEST_CLOSING), driver[P_GAIN])
    wanted = memory[D_WANTED] * (1.0 + 1e-3 * rate)
    wanted = min(max(wanted, _LEAST_OPENING), 100.0)
    memory[D_WANTED] = wanted
    mode = min(max(int(row[IN_MODE] + 0.5), 0), int(cal["modes"]) - 1)
    table = cal["mode_rows"][mode, p.MODE_DEMAND]
    engine = x[OMEGA] * _TO_RPM
    low = 0.0
    high = 100.0
    for _ in range(_HALVINGS):
        middle = 0.5 * (low + high)
        gives = remembered(engine, middle, table, cal, memory, D_PLACE)
        if gives < wanted:
            low = middle
        else:
            high = middle
    pedal = 0.5 * (low + high)
    if driver[P_STEP] <= 0.0:
        memory[D_FOOT] = pedal
    elif abs(pedal - memory[D_FOOT]) > _HOLD * driver[P_STEP]:
        memory[D_FOOT] = min(max(round(pedal / driver[P_STEP]) * driver[P_STEP], 0.0), 100.0)
    row[IN_PEDAL] = memory[D_FOOT]
