"""What the plate can and cannot do against overboost: rise rates, steady hold, closing rates."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from throttlewright.build.intent import Intent
from throttlewright.calibration.calibration import Calibration
from throttlewright.calibration.pack import Packed, pack_calibration
from throttlewright.car.pack import Car
from throttlewright.car.state import P_MANIFOLD, P_PIPE
from throttlewright.design.overboost import closing_starts, pressure_limits
from throttlewright.design.overboost_closing import RATES, Closing, close_plate, moving_car
from throttlewright.drive.faults import TICK
from throttlewright.drive.kernel import CAR, ROW_WIDTH, advance, copied_state
from throttlewright.drive.scenario import Scenario, parse_scenario
from throttlewright.drive.simulate import prepare, simulate
from throttlewright.foundation.errors import InputError
from throttlewright.prove.measures import longest_above

__all__ = [
    "PEAK",
    "Held",
    "Risen",
    "closings",
    "hold_at_speed",
    "hold_bound",
    "plate_alone",
    "rise",
]

PEAK = 20e3
"""Peak over the limit that the plate is asked to stay under [Pa]."""
_BELOW, _ABOVE = 60e3, 110e3
"""Where a rise begins and ends, from the limit [Pa]."""
_SETTLE_S, _AFTER_S = 0.3, 0.5
_FASTEST = 40.0e5
"""Highest rise rate looked at [Pa/s]: twice what a closed charge pipe of 8 L does on 0.15 kg/s."""
_HALVINGS = 7

_HELD_SPEED = """
format = "throttlewright.scenario"
format_version = 1
name = "held_speed"
title = "Flat pedal at a held engine speed"
text = "A dyno holds the engine speed while the pedal is flat."
duration = "{duration} s"
[start]
engine = "speed"
speed = "{rpm} rpm"
gear = {gear}
pedal_pct = 100
settle = "0.6 s"
[[input]]
channel = "pedal_pct"
t_s = [0]
value = [100]
[[input]]
channel = "held_speed_1"
t_s = [0]
value = [1]
"""
_STUCK = """
[[fault]]
kind = "wastegate_stuck_shut"
at = "0 s"
"""


@dataclass(frozen=True)
class Risen:
    """What manifold pressure did while the pressure before the plate rose at a given rate.

    ``rate`` [Pa/s]; ``peak`` [Pa] over the limit, negative below it; ``over_s`` [s] the longest
    time over the limit; ``rpm`` [rpm] the engine speed.
    """

    rate: float
    rpm: float
    peak: float
    over_s: float


@dataclass(frozen=True)
class Held:
    """A stuck wastegate at a held engine speed.

    ``error`` [Pa] is the largest distance of manifold pressure from the limit in the last half
    second, of means over 50 ms; ``margin_before`` and ``margin`` [-] the surge margin as the limit
    is reached and the least after it; ``pipe`` [Pa] the highest pressure before the plate.
    """

    rpm: float
    error: float
    peak: float
    margin_before: float
    margin: float
    pipe: float


def plate_alone(calibration: Calibration) -> Packed:
    """Pack a calibration without fuel cut, latch and reactions, so that only the plate acts.

    Parameters
    ----------
    calibration : Calibration
        With the rows of overboost.

    Returns
    -------
    Packed
        For ``rise``, ``hold_bound`` and ``hold_at_speed``.
    """
    gone = ("overboost_fuel", "overboost_off")
    return pack_calibration(
        replace(
            calibration,
            limits=tuple(row for row in calibration.limits if row.name not in gone),
            numbers={
                name: number
                for name, number in calibration.numbers.items()
                if name.partition(".")[0] not in gone
            },
            reactions=(),
        )
    )


def _limit(car: Car, intent: Intent) -> float:
    limits = pressure_limits(car, intent)
    if limits is None:
        raise InputError("nothing charges this engine", key="overboost")
    return limits[0]


def _scenario(rpm: float, duration: float, *, gear: int, stuck: bool) -> Scenario:
    text = _HELD_SPEED.format(rpm=f"{rpm:g}", duration=f"{duration:g}", gear=gear)
    return parse_scenario(text + _STUCK if stuck else text, "overboost study")


def rise(car: Car, packed: Packed, intent: Intent, *, rate: float, rpm: float) -> Risen:
    """Let the pressure before the plate rise at a rate whatever the plate does.

    Parameters
    ----------
    car : Car
        In motion.
    packed : Packed
        The calibration, such as from ``plate_alone``.
    intent : Intent
        Its limit.
    rate : float [Pa/s]
        Rise of the pressure before the plate, above 0.
    rpm : float [rpm]
        Engine speed, held.

    Returns
    -------
    Risen
        Peak and time over the limit.

    Notes
    -----
    The pressure begins 60 kPa under the limit and ends 110 kPa over it. A real pipe rises faster
    still as the plate closes, and slower as the engine takes less exhaust to the turbine.
    """
    limit = _limit(car, intent)
    duration = _SETTLE_S + (_BELOW + _ABOVE) / rate + _AFTER_S
    prepared = prepare(car, packed, _scenario(rpm, duration, gear=0, stuck=False))
    state = copied_state(prepared.state)
    x = state["x"]
    nothing = np.empty((0, ROW_WIDTH))
    total = prepared.settle + prepared.ticks
    begins = prepared.settle + round(_SETTLE_S / TICK)
    seen = np.empty(total)
    for k in range(total):
        risen = rate * TICK * max(k - begins, 0)
        x[P_PIPE] = limit - _BELOW + min(risen, _BELOW + _ABOVE)
        advance(CAR, car.record, packed, state, prepared.inputs, 1, nothing)
        seen[k] = x[P_MANIFOLD]
    t = TICK * np.arange(total)
    return Risen(rate, rpm, float(seen.max()) - limit, longest_above(t, seen, limit=limit))


def hold_bound(car: Car, packed: Packed, intent: Intent, *, rpm: float) -> float:
    """Find the rise rate beyond which the plate alone lets the pressure 20 kPa over the limit.

    Parameters
    ----------
    car : Car
        In motion.
    packed : Packed
        The calibration, such as from ``plate_alone``.
    intent : Intent
        Its limit.
    rpm : float [rpm]
        Engine speed, held.

    Returns
    -------
    float [Pa/s]
        Rate by bisection; infinite where even 40 bar/s is held.
    """
    low, high = 0.5e5, _FASTEST
    if rise(car, packed, intent, rate=high, rpm=rpm).peak <= PEAK:
        return float("inf")
    for _ in range(_HALVINGS):
        middle = float(np.sqrt(low * high))
        if rise(car, packed, intent, rate=middle, rpm=rpm).peak <= PEAK:
            low = middle
        else:
            high = middle
    return low


def hold_at_speed(
    car: Car, packed: Packed, intent: Intent, *, rpm: float, gear: int = 4, duration: float = 4.0
) -> Held:
    """Hold the engine speed with the wastegate stuck shut and see where the pressure settles.

    Parameters
    ----------
    car : Car
        In motion.
    packed : Packed
        The calibration, such as from ``plate_alone``.
    intent : Intent
        Its limit.
    rpm : float [rpm]
        Engine speed, held.
    gear : int [-]
        Gear engaged.
    duration : float [s]
        Length of the run.

    Returns
    -------
    Held
        Steady error and surge margin.
    """
    limit = _limit(car, intent)
    recording = simulate(car, packed, _scenario(rpm, duration, gear=gear, stuck=True))
    t = np.asarray(recording.channels["map_kPa"].t_s, dtype=float)
    pressure = 1e3 * np.asarray(recording.channels["map_kPa"].values, dtype=float)
    margin = np.asarray(recording.channels["surge_margin_1"].values, dtype=float)
    pipe = 1e3 * np.asarray(recording.channels["pipe_kPa"].values, dtype=float)
    width = round(0.05 / TICK)
    means = np.convolve(pressure[t >= t[-1] - 0.5], np.full(width, 1.0 / width), mode="valid")
    reached = int(np.argmax(pipe >= limit))
    return Held(
        rpm,
        float(np.max(np.abs(means - limit))),
        float(pressure.max()) - limit,
        float(margin[reached]),
        float(margin[reached:].min()),
        float(pipe.max()),
    )


def closings(car: Car, intent: Intent, *, relief: bool = True) -> tuple[Closing, ...]:
    """Take boost off at every closing rate, where the compressor is nearest to surge.

    Parameters
    ----------
    car : Car
        With a turbo.
    intent : Intent
        Its limit.
    relief : bool
        False takes the relief valve away.

    Returns
    -------
    tuple of Closing
        One for each of ``RATES``; empty where the turbo does not reach the limit.
    """
    starts = closing_starts(moving_car(car), _limit(car, intent))
    if not starts:
        return ()
    start, off = starts[0]
    return tuple(close_plate(start, off, rate_pct_s=rate, relief=relief) for rate in RATES)
