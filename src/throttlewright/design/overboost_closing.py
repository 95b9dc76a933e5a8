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
    RELIEF,
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
    "closing_note",
    "moving_car",
    "pipe_rise",
    "runaway",
    "steady_opening",
]

LEAST_MARGIN = 0.05
"""Distance from surge over flow that a closing plate is to keep [-]; tool default."""
RATES = (2000.0, 1000.0, 500.0, 350.0, 250.0, 180.0, 125.0, 90.0, 60.0, 40.0, 20.0)
"""Closing rates looked at [%/s]: from a plate at full duty to one that takes 5 s."""
_MOST_S = 4.0
_AFTER_S = 1.5
_REST_S = 2.5
_HALVINGS = 10
_LOOK = 5.0
"""Ticks between two looks at the relief valve, a tenth of its usual lag."""
_OPENED = 0.9
_SHUT = 0.01
"""Share of its widest opening at which the valve counts as open; an opening that counts as none."""


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
    [kg/s] the most through the relief valve, ``relief_most`` [-] its widest opening and
    ``relief_open_s`` [s] the time from the first movement of the plate until it has reached nine
    tenths of that (NaN where it stays shut), ``manifold_end`` [Pa].
    """

    rate_pct_s: float
    margin_before: float
    margin: float
    surge_s: float
    pipe_peak: float
    relief_flow: float
    relief_most: float
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


def steady_opening(car: Car, *, omega: float, limit: float, low: float, high: float) -> float:
    """Plate behind which a turbo that runs away comes to rest with the manifold at a pressure.

    Parameters
    ----------
    car : Car
        In motion, with a turbo.
    omega : float [rad/s]
        Engine speed, held.
    limit : float [Pa]
        Manifold pressure.
    low, high : float [%]
        Plates to look between.

    Returns
    -------
    float [%]
        Plate; NaN where the turbo does not reach the pressure at that speed.
    """
    pipe = np.array([0.0, 1e7])
    for _ in range(_HALVINGS):
        middle = 0.5 * (low + high)
        hold = PlateLine(pipe, np.full(2, middle))
        found = runaway(car, hold, omega=omega, limit=limit, held_s=_REST_S)
        if found is None:
            return math.nan
        low, high = (low, middle) if found.state[P_MANIFOLD] > limit else (middle, high)
    return 0.5 * (low + high)


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
    opening = start.opening_pct / 100.0 * travel
    looks = math.ceil((_AFTER_S + start.opening_pct / rate_pct_s) / TICK / _LOOK)
    fall = rate_pct_s / 100.0 * travel * TICK
    openings = off.plate / 100.0 * travel
    figures, valve = np.empty((looks, N_SEEN)), np.empty(looks)
    for k in range(looks):
        follow_pipe(
            x, _inputs(), opening=opening, from_pressure=0.0, ticks=_LOOK, most_ticks=_LOOK,
            pipe=off.pipe, openings=openings, fall=fall, car=rec, seen=seen,
        )  # fmt: skip
        figures[k], valve[k], opening = seen, x[RELIEF], seen[SEEN_OPENING]
    most = float(valve.max())
    opened = _LOOK * TICK * (1 + int(np.argmax(valve >= _OPENED * most)))
    return Closing(
        rate_pct_s,
        float(start.state[SURGE_MARGIN]),
        float(figures[:, SEEN_MARGIN].min()),
        float(figures[:, SEEN_SURGE].sum()) * TICK,
        float(figures[:, SEEN_PIPE].max()),
        float(figures[:, SEEN_RELIEF].max()),
        most,
        opened if most >= _SHUT else math.nan,
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


def closing_note(
    starts: Sequence[tuple[Runaway, PlateLine]], best: Closing, *, relief: bool
) -> str:
    """Say what a closing rate does to the compressor.

    Parameters
    ----------
    starts : sequence of (Runaway, PlateLine)
        Where closings begin and where they lead, not empty.
    best : Closing
        The closing that was chosen.
    relief : bool
        Whether the car has a relief valve.

    Returns
    -------
    str
        One sentence.
    """
    fast = min(close_plate(s, off, rate_pct_s=RATES[0]).margin for s, off in starts)
    said = (
        f"boost off closes the plate at {best.rate_pct_s:.0f} %/s: surge margin "
        f"{best.margin_before:.2f} while the plate holds, {best.margin:.2f} at least as it closes "
        f"({fast:.2f} at {RATES[0]:.0f} %/s), beyond the surge line for {best.surge_s:.2g} s"
    )
    if not relief:
        return (
            "no relief valve: no closing rate of the plate that protects the engine protects the "
            f"turbo ({said}); fit a relief valve"
        )
    bare = min(
        close_plate(s, off, rate_pct_s=best.rate_pct_s, relief=False).margin for s, off in starts
    )
    valve = (
        "the relief valve stays shut"
        if math.isnan(best.relief_open_s)
        else f"the relief valve is {100.0 * best.relief_most:.0f} % open "
        f"{best.relief_open_s:.2g} s after the plate began to move and passes up to "
        f"{1e3 * best.relief_flow:.0f} g/s"
    )
    kept = (
        ""
        if best.margin >= LEAST_MARGIN
        else f"; less than the {LEAST_MARGIN:g} wanted: fit a larger or faster relief valve"
    )
    return f"{said}; {valve}; without it the margin falls to {bare:.2f}{kept}"
