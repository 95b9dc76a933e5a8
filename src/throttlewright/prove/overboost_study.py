"""What the plate can and cannot do against overboost: rise rates, steady hold, closing rates."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from throttlewright.build.intent import Intent
from throttlewright.calibration.calibration import Calibration
from throttlewright.calibration.pack import Packed, pack_calibration
from throttlewright.car.pack import Car
from throttlewright.car.record import copied
from throttlewright.design.overboost import closing_starts, pressure_limits
from throttlewright.design.overboost_closing import RATES, Closing, close_plate, moving_car
from throttlewright.design.role import without_rows
from throttlewright.drive.scenario import Scenario, parse_scenario
from throttlewright.drive.simulate import simulate
from throttlewright.foundation.errors import InputError
from throttlewright.prove.measures import longest_above
from throttlewright.recording.recording import Recording

__all__ = [
    "FACTORS",
    "OVER",
    "PEAK",
    "Bound",
    "Held",
    "Risen",
    "Shaped",
    "at_rate",
    "closings",
    "hold_at_speed",
    "hold_bound",
    "plate_alone",
    "rises",
    "shape_cost",
    "without_overboost",
]

PEAK = 20e3
"""Peak over the limit that the plate is asked to stay under [Pa]."""
OVER = 3e3
"""Over the limit that counts as above it [Pa]: what the plate may be off once it holds."""
FACTORS = (0.02, 0.1, 0.5, 1.0, 2.0, 4.0, 8.0, 16.0, 32.0)
"""Inertias of the turbo over its own: from one that weighs next to nothing, whose pressure only
the pipes slow down, to one that takes five seconds to reach the limit."""
_AROUND = 10e3
"""Pressure before the plate on both sides of the limit between which its rise is measured [Pa]."""
_SETTLED_S = 2.0
"""End of a run over which the held pressure is judged [s]."""

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
    """What manifold pressure did as a turbo ran past the limit.

    ``rate`` [Pa/s] is how fast the pressure before the plate crosses the limit where nothing holds
    it; ``peak`` [Pa] over the limit, negative below it; ``over_s`` [s] the longest time more than
    ``OVER`` above it; ``rpm`` [rpm] the engine speed; ``factor`` [-] the inertia of the turbo over
    its own, NaN between two runs.
    """

    rate: float
    rpm: float
    peak: float
    over_s: float
    factor: float = math.nan


@dataclass(frozen=True)
class Bound:
    """Rise ``rate`` [Pa/s] at which the peak passes 20 kPa; ``within`` tells whether it does.

    Where it does not, ``rate`` is the highest that was tried.
    """

    rate: float
    within: bool

    @property
    def text(self) -> str:
        """The bound in words."""
        bar = f"{self.rate / 1e5:.1f} bar/s"
        if self.within:
            return f"the peak passes {PEAK / 1e3:g} kPa at {bar}"
        return f"the peak stays under {PEAK / 1e3:g} kPa within the range tried, up to {bar}"


@dataclass(frozen=True)
class Held:
    """A stuck wastegate at a held engine speed.

    In the last two seconds ``mean`` [Pa] is the mean of manifold pressure from the limit, ``swing``
    [Pa] half of the way from its least to its greatest, ``error`` [Pa] its largest distance from
    the limit; ``peak`` [Pa] over the limit in the whole run. ``margin_before`` and ``margin`` [-]
    are the surge margin as the limit is reached and the least after it; ``pipe`` [Pa] the highest
    pressure before the plate.
    """

    rpm: float
    mean: float
    swing: float
    error: float
    peak: float
    margin_before: float
    margin: float
    pipe: float


@dataclass(frozen=True)
class Shaped:
    """Boost taken off at a rate: peak and what it takes.

    ``peak`` [Pa] over the limit, ``margin`` [-] the least surge margin and ``off_s`` [s] the time
    from the latch until the manifold is at ambient, NaN where it never is.
    """

    rate_pct_s: float
    peak: float
    margin: float
    off_s: float


def _less(calibration: Calibration, gone: Sequence[str]) -> Packed:
    return pack_calibration(replace(without_rows(calibration, gone), reactions=()))


def plate_alone(calibration: Calibration) -> Packed:
    """Pack a calibration without fuel cut, latch and reactions, so that only the plate acts.

    Parameters
    ----------
    calibration : Calibration
        With the rows of overboost.

    Returns
    -------
    Packed
        For ``rises`` and ``hold_at_speed``.
    """
    return _less(calibration, ("overboost_fuel", "overboost_off"))


def without_overboost(calibration: Calibration) -> Packed:
    """Pack a calibration without anything that acts on overboost.

    Parameters
    ----------
    calibration : Calibration
        With the rows of overboost.

    Returns
    -------
    Packed
        For the rates of ``rises``.
    """
    rows = [row.name for row in calibration.limits if row.name.startswith("overboost_")]
    return _less(calibration, rows)


def _limit(car: Car, intent: Intent) -> float:
    limits = pressure_limits(car, intent)
    if limits is None:
        raise InputError("nothing charges this engine", key="overboost")
    return limits[0]


def _scenario(rpm: float, duration: float, *, gear: int, stuck: bool) -> Scenario:
    text = _HELD_SPEED.format(rpm=f"{rpm:g}", duration=f"{duration:g}", gear=gear)
    return parse_scenario(text + _STUCK if stuck else text, "overboost study")


def _series(recording: Recording, name: str) -> np.ndarray:
    return np.asarray(recording.channels[name].values, dtype=float)


def rises(
    car: Car,
    packed: Packed,
    bare: Packed,
    intent: Intent,
    *,
    rpm: float,
    gear: int = 4,
    factors: Sequence[float] = FACTORS,
) -> tuple[Risen, ...]:
    """Let turbos of several inertias run past the limit, wastegate stuck shut, speed held.

    Parameters
    ----------
    car : Car
        In motion, with a turbo.
    packed : Packed
        What is tried, such as ``plate_alone`` or the whole calibration.
    bare : Packed
        The same from ``without_overboost``, for the rise that nothing holds.
    intent : Intent
        Its limit.
    rpm : float [rpm]
        Engine speed, held.
    gear : int [-]
        Gear engaged.
    factors : sequence of float
        Inertias over that of the turbo, above 0.

    Returns
    -------
    tuple of Risen
        With rising rate; a turbo that does not get 10 kPa past the limit at this speed is left out.

    Notes
    -----
    Pedal flat throughout. The pipe is that of the car: the rate is the plant's own, and a plate
    that closes raises the pressure before it further, as it does on the car.
    """
    limit = _limit(car, intent)
    found = []
    for factor in factors:
        rec = copied(car.record)
        rec["turbo_inertia"] *= factor
        heavy = replace(car, record=rec)
        duration = 2.0 + 1.5 * max(factor, 1.0) ** 0.75
        scenario = _scenario(rpm, duration, gear=gear, stuck=True)
        free = simulate(heavy, bare, scenario)
        t = np.asarray(free.channels["pipe_kPa"].t_s, dtype=float)
        pipe = 1e3 * _series(free, "pipe_kPa")
        begins = int(np.argmax(pipe >= limit - _AROUND))
        ends = int(np.argmax(pipe >= limit + _AROUND))
        if ends == 0 or begins == 0:
            continue
        rate = float((pipe[ends] - pipe[begins]) / (t[ends] - t[begins]))
        pressure = 1e3 * _series(simulate(heavy, packed, scenario), "map_kPa")
        over = longest_above(t, pressure, limit=limit + OVER)
        found.append(Risen(rate, rpm, float(pressure.max()) - limit, over, factor))
    return tuple(sorted(found, key=lambda one: one.rate))


def at_rate(found: Sequence[Risen], rate: float) -> Risen:
    """Peak and time over the limit at a rate, straight between two runs.

    Parameters
    ----------
    found : sequence of Risen
        From ``rises``, with rising rate.
    rate : float [Pa/s]
        Rise that nothing holds.

    Returns
    -------
    Risen
        Between the runs around it.

    Raises
    ------
    InputError
        Outside the rates that were run.
    """
    rates = [one.rate for one in found]
    if not rates or not rates[0] <= rate <= rates[-1]:
        raise InputError(
            "no turbo was run on both sides of this rise",
            key="rate",
            value=rate,
            allowed=f"{rates[0]:.3g} to {rates[-1]:.3g} Pa/s" if rates else "none",
        )
    return Risen(
        rate,
        found[0].rpm,
        float(np.interp(rate, rates, [one.peak for one in found])),
        float(np.interp(rate, rates, [one.over_s for one in found])),
    )


def hold_bound(found: Sequence[Risen]) -> Bound:
    """Find the rise rate beyond which the pressure passes 20 kPa over the limit.

    Parameters
    ----------
    found : sequence of Risen
        From ``rises``, with rising rate, not empty.

    Returns
    -------
    Bound
        Straight between the last run under the peak and the first over it.
    """
    for before, after in pairwise(found):
        if before.peak <= PEAK < after.peak:
            share = (PEAK - before.peak) / (after.peak - before.peak)
            return Bound(before.rate + share * (after.rate - before.rate), True)
    if found[0].peak > PEAK:
        return Bound(found[0].rate, True)
    return Bound(found[-1].rate, False)


def hold_at_speed(
    car: Car, packed: Packed, intent: Intent, *, rpm: float, gear: int = 4, duration: float = 6.0
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
    pressure = 1e3 * _series(recording, "map_kPa") - limit
    margin = _series(recording, "surge_margin_1")
    pipe = 1e3 * _series(recording, "pipe_kPa")
    last = pressure[t >= t[-1] - _SETTLED_S]
    reached = int(np.argmax(pipe >= limit))
    return Held(
        rpm,
        float(last.mean()),
        0.5 * float(last.max() - last.min()),
        float(np.max(np.abs(last))),
        float(pressure.max()),
        float(margin[reached]),
        float(margin[reached:].min()),
        float(pipe.max()),
    )


def shape_cost(
    car: Car, calibration: Calibration, intent: Intent, *, rpm: float, gear: int = 4
) -> tuple[Shaped, Shaped]:
    """Take boost off with the closing rate of the latch and without it, wastegate stuck shut.

    Parameters
    ----------
    car : Car
        In motion, with a turbo.
    calibration : Calibration
        With the rows of overboost.
    intent : Intent
        Its limit.
    rpm : float [rpm]
        Engine speed, held.
    gear : int [-]
        Gear engaged.

    Returns
    -------
    tuple of (Shaped, Shaped)
        At the rate of ``overboost_off``, and as fast as the servo moves the plate.
    """
    limit = _limit(car, intent)
    ambient = float(car.record["p_ambient"])
    code = 1.0 + [row.name for row in calibration.limits].index("overboost_off")
    out = []
    for rate in (calibration.limits[int(code) - 1].fall_rate, math.inf):
        limits = tuple(
            replace(row, fall_rate=rate) if row.name == "overboost_off" else row
            for row in calibration.limits
        )
        packed = _less(replace(calibration, limits=limits), ())
        recording = simulate(car, packed, _scenario(rpm, 6.0, gear=gear, stuck=True))
        t = np.asarray(recording.channels["map_kPa"].t_s, dtype=float)
        pressure = 1e3 * _series(recording, "map_kPa")
        margin = _series(recording, "surge_margin_1")
        latched = np.flatnonzero(_series(recording, "in_charge_plate_1") == code)
        first = int(latched[0]) if latched.size else t.size - 1
        off = np.flatnonzero(pressure[first:] <= ambient)
        out.append(
            Shaped(
                rate,
                float(pressure.max()) - limit,
                float(margin[first:].min()),
                float(t[first + off[0]] - t[first]) if off.size else math.nan,
            )
        )
    return out[0], out[1]


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
