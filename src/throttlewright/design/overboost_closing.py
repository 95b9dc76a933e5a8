"""How fast the plate may close in boost: surge margin of the compressor, relief valve, pipe."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from throttlewright.car.motion import in_motion, start_state
from throttlewright.car.pack import Car
from throttlewright.car.plant import TICK
from throttlewright.car.plant_closing import (
    N_SEEN,
    SEEN_MARGIN,
    SEEN_OPENED,
    SEEN_OPENING,
    SEEN_PIPE,
    SEEN_RELIEF,
    SEEN_SURGE,
    SEEN_TICKS,
    follow_pipe,
)
from throttlewright.car.record import copied
from throttlewright.car.state import (
    N_INPUT,
    P_MANIFOLD,
    SURGE_MARGIN,
    U_FUEL,
    U_GRIP,
    U_WASTEGATE_STUCK,
)
from throttlewright.physics.friction import WARM_ENGINE
from throttlewright.physics.gas import R_AIR

__all__ = [
    "LEAST_MARGIN",
    "RATES",
    "Closing",
    "PlateLine",
    "Runaway",
    "best_closing",
    "close_plate",
    "moving_car",
    "pipe_rise",
    "runaway",
]

LEAST_MARGIN = 0.05
"""Distance from surge over flow that a closing plate is to keep [-]; tool default."""
RATES = (2000.0, 1000.0, 500.0, 350.0, 250.0, 180.0, 125.0, 90.0, 60.0, 40.0, 20.0)
"""Closing rates looked at [%/s]: from a plate at full duty to one that takes 5 s."""
_MOST_S = 4.0
_AFTER_S = 1.5


def pipe_rise(flow: float, *, volume: float, temperature: float) -> float:
    """Rise of the pressure in a charge pipe that a closed plate leaves no way out of.

    dp/dt = R T m / V

    Parameters
    ----------
    flow : float [kg/s]
        Flow that the compressor still delivers.
    volume : float [m3]
        Pipe, intercooler and hoses, above 0.
    temperature : float [K]
        Charge temperature.

    Returns
    -------
    float [Pa/s]
        Rise of pressure.
    """
    return R_AIR * temperature * flow / volume


@dataclass(frozen=True)
class PlateLine:
    """Plate opening ``plate`` [%] over the pressure before it ``pipe`` [Pa], ascending."""

    pipe: np.ndarray
    plate: np.ndarray


@dataclass(frozen=True)
class Runaway:
    """A turbo whose wastegate is stuck shut, held at one engine speed behind a holding plate.

    ``state`` [SI] is the plant's, ``opening_pct`` the plate at that moment.
    """

    car: Car
    state: np.ndarray
    opening_pct: float


@dataclass(frozen=True)
class Closing:
    """What the charge pipe does while the plate closes.

    ``margin`` and ``margin_before`` [-] are the least surge margin and that before the plate
    moved, ``surge_s`` [s] the time beyond the surge line, ``pipe_peak`` [Pa], ``relief_flow``
    [kg/s] the most through the relief valve, ``relief_open_s`` [s] from the first movement of the
    plate until the valve is nine tenths open (NaN where it never is), ``manifold_end`` [Pa].
    """

    rate_pct_s: float
    margin_before: float
    margin: float
    surge_s: float
    pipe_peak: float
    relief_flow: float
    relief_open_s: float
    manifold_end: float


def _inputs() -> np.ndarray:
    u = np.zeros(N_INPUT)
    u[U_FUEL] = u[U_GRIP] = 1.0
    u[U_WASTEGATE_STUCK] = 0.0
    return u


def moving_car(car: Car, *, relief: bool = True) -> Car:
    """Return the car with what stepping needs, without its relief valve where asked.

    Parameters
    ----------
    car : Car
        In motion or not.
    relief : bool
        False takes the relief valve away.

    Returns
    -------
    Car
        A car in motion.
    """
    if car.turbo and float(car.record["turbo_inertia"]) <= 0.0:
        car = in_motion(car)
    if not relief:
        rec = copied(car.record)
        rec["relief_area"] = 0.0
        car = replace(car, record=rec)
    return car


def runaway(
    car: Car, hold: PlateLine, *, omega: float, limit: float, held_s: float = 1.0
) -> Runaway | None:
    """Let a turbo run away at a held engine speed, the plate holding the manifold meanwhile.

    Parameters
    ----------
    car : Car
        In motion, with a turbo.
    hold : PlateLine
        Plate that holds the limit.
    omega : float [rad/s]
        Engine speed.
    limit : float [Pa]
        Manifold pressure from which the plate holds.
    held_s : float [s]
        How long it holds.

    Returns
    -------
    Runaway or None
        None where the turbo does not reach the limit at that speed.
    """
    rec = car.record
    travel = float(rec["servo_travel"])
    x = start_state(car, omega=omega, speed=0.0, ratio=0.0, opening=travel, coolant=WARM_ENGINE)
    seen = np.zeros(N_SEEN)
    wanted = float(round(held_s / TICK))
    share = hold.plate / 100.0 * travel
    follow_pipe(
        x, _inputs(), opening=travel, from_pressure=limit, ticks=wanted,
        most_ticks=wanted + _MOST_S / TICK, pipe=hold.pipe, openings=share, fall=travel, car=rec,
        seen=seen,
    )  # fmt: skip
    if seen[SEEN_TICKS] < wanted:
        return None
    return Runaway(car, x, 100.0 * float(seen[SEEN_OPENING]) / travel)


def close_plate(
    start: Runaway, off: PlateLine, *, rate_pct_s: float, relief: bool = True
) -> Closing:
    """Close the plate at a rate and watch the pipe.

    Parameters
    ----------
    start : Runaway
        Where the closing begins.
    off : PlateLine
        Plate that the closing leads to.
    rate_pct_s : float [%/s]
        Closing rate, above 0.
    relief : bool
        False takes the relief valve away.

    Returns
    -------
    Closing
        Figures of 1.5 s and as long as the closing takes.
    """
    rec = moving_car(start.car, relief=relief).record
    travel = float(rec["servo_travel"])
    x, seen = start.state.copy(), np.zeros(N_SEEN)
    ticks = float(round((_AFTER_S + start.opening_pct / rate_pct_s) / TICK))
    follow_pipe(
        x, _inputs(), opening=start.opening_pct / 100.0 * travel, from_pressure=0.0, ticks=ticks,
        most_ticks=ticks, pipe=off.pipe, openings=off.plate / 100.0 * travel,
        fall=rate_pct_s / 100.0 * travel * TICK, car=rec, seen=seen,
    )  # fmt: skip
    return Closing(
        rate_pct_s,
        float(start.state[SURGE_MARGIN]),
        float(seen[SEEN_MARGIN]),
        float(seen[SEEN_SURGE]) * TICK,
        float(seen[SEEN_PIPE]),
        float(seen[SEEN_RELIEF]),
        float(seen[SEEN_OPENED]) * TICK,
        float(x[P_MANIFOLD]),
    )


def best_closing(
    starts: Sequence[tuple[Runaway, PlateLine]], *, relief: bool = True
) -> Closing | None:
    """Find the fastest closing that keeps the compressor off surge wherever it begins.

    Parameters
    ----------
    starts : sequence of (Runaway, PlateLine)
        Where closings begin and where they lead.
    relief : bool
        False takes the relief valve away.

    Returns
    -------
    Closing or None
        That of the start with the least margin. Where no rate keeps ``LEAST_MARGIN``, the rate
        with the most margin: a faster plate starves the compressor before a relief valve is open,
        a slower one before the pressure across the plate has begun to open it. None without starts.
    """
    best: Closing | None = None
    for rate in RATES:
        found = [close_plate(s, off, rate_pct_s=rate, relief=relief) for s, off in starts]
        if not found:
            return None
        worst = min(found, key=lambda closing: closing.margin)
        if worst.margin >= LEAST_MARGIN:
            return worst
        if best is None or worst.margin > best.margin:
            best = worst
    return best


def seconds(value: float) -> str:
    """Return a time for a sentence, ``never`` for NaN."""
    return "never" if math.isnan(value) else f"{value:.2g} s"
