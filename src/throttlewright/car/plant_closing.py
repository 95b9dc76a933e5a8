"""A plate that follows a line over pipe pressure at a held engine speed, compiled."""

from __future__ import annotations

import math

import numpy as np

from throttlewright.car.plant import TICK, car_sample
from throttlewright.car.plant_air import air_step
from throttlewright.car.record import CarRecord
from throttlewright.car.state import (
    FLOW_RELIEF,
    OMEGA,
    P_MANIFOLD,
    P_PIPE,
    RELIEF,
    SURGE_MARGIN,
)
from throttlewright.foundation.compiled import kernel

__all__ = [
    "N_SEEN",
    "SEEN_MARGIN",
    "SEEN_OPENED",
    "SEEN_OPENING",
    "SEEN_PIPE",
    "SEEN_RELIEF",
    "SEEN_SURGE",
    "SEEN_TICKS",
    "follow_pipe",
]

SEEN_TICKS = 0
SEEN_OPENING = 1
SEEN_MARGIN = 2
SEEN_SURGE = 3
SEEN_PIPE = 4
SEEN_RELIEF = 5
SEEN_OPENED = 6
N_SEEN = 7
"""What is seen after the plate began to follow: ticks, plate [rad], least surge margin, ticks in
surge, highest pipe pressure [Pa], most relief flow [kg/s], tick at which the valve was open."""

_OPEN = 0.9


@kernel
def follow_pipe(
    x: np.ndarray,
    u: np.ndarray,
    opening: float,
    from_pressure: float,
    ticks: float,
    most_ticks: float,
    pipe: np.ndarray,
    openings: np.ndarray,
    fall: float,
    car: CarRecord,
    seen: np.ndarray,
) -> None:
    """Hold the plate until the manifold reaches a pressure, then let it follow the pipe.

    Parameters
    ----------
    x : ndarray [SI]
        State of the car, changed in place; its engine speed is held.
    u : ndarray [SI]
        Inputs of the car, held.
    opening : float [rad]
        Plate above the closed stop at the start.
    from_pressure : float [Pa]
        Manifold pressure at which the plate begins to follow; 0 for at once.
    ticks : float [-]
        Ticks of following to do.
    most_ticks : float [-]
        Ticks to do in all at most.
    pipe : ndarray [Pa]
        Pressures before the plate, ascending.
    openings : ndarray [rad]
        Plate at each of them; held outside.
    fall : float [rad]
        Most that the plate closes in a tick.
    car : record [-]
        Packed car in motion.
    seen : ndarray [SI]
        Receives the N_SEEN figures.

    Returns
    -------
    None [-]
        State and figures are changed in place.

    Notes
    -----
    No source: it steps the plant of ``car.plant_air``.
    """
    omega = x[OMEGA]
    seen[:] = 0.0
    seen[SEEN_OPENED] = math.nan
    seen[SEEN_MARGIN] = 1.0
    follows = False
    k = 0.0
    while k < most_ticks and seen[SEEN_TICKS] < ticks:
        k += 1.0
        before = opening
        follows = follows or x[P_MANIFOLD] >= from_pressure
        if follows:
            seen[SEEN_TICKS] += 1.0
            opening = max(np.interp(x[P_PIPE], pipe, openings), before - fall)
        car_sample(x, u, car)
        x[OMEGA] = omega
        air_step(x, u, before, opening, omega, car, TICK)
        if follows:
            seen[SEEN_MARGIN] = min(seen[SEEN_MARGIN], x[SURGE_MARGIN])
            if x[SURGE_MARGIN] < 0.0:
                seen[SEEN_SURGE] += 1.0
            seen[SEEN_PIPE] = max(seen[SEEN_PIPE], x[P_PIPE])
            seen[SEEN_RELIEF] = max(seen[SEEN_RELIEF], x[FLOW_RELIEF])
            if math.isnan(seen[SEEN_OPENED]) and x[RELIEF] >= _OPEN:
                seen[SEEN_OPENED] = seen[SEEN_TICKS]
    seen[SEEN_OPENING] = opening
