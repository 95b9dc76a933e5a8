"""Highest pressure before the plate that the hardware can reach, whatever is wanted."""

from __future__ import annotations

import math
from collections.abc import Hashable

import numpy as np

from throttlewright.car.flows import over_speed
from throttlewright.car.motion import in_motion
from throttlewright.car.pack import Car
from throttlewright.car.plant import TICK, car_sample
from throttlewright.car.plant_air import air_step
from throttlewright.car.record import SPEED_POINTS, CarRecord
from throttlewright.car.state import (
    COOLANT,
    N_INPUT,
    N_STATE,
    OIL,
    OMEGA,
    P_EXHAUST,
    P_MANIFOLD,
    P_PIPE,
    T_EXHAUST,
    T_MANIFOLD,
    T_PIPE,
    TURBINE_HEAT,
    TURBO_SPEED,
    U_FUEL,
    U_GRIP,
)
from throttlewright.foundation.compiled import kernel
from throttlewright.physics.friction import WARM_ENGINE

__all__ = ["hardware_pressure"]

_SPEEDS = 12
_LEAST_RPM = 1000.0
_MOST_TICKS = 20_000
_WINDOW = 500
_STILL = 20.0
"""Rise of the pipe over ``_WINDOW`` ticks under which it counts as settled [Pa]."""
_MOST_KEPT = 32
_KEPT: dict[Hashable, tuple[np.ndarray, np.ndarray]] = {}


def hardware_pressure(car: Car, omega: np.ndarray) -> np.ndarray:
    """Highest pressure before the plate that the hardware reaches at an engine speed.

    Parameters
    ----------
    car : Car
        The car, in motion or not.
    omega : ndarray [rad/s]
        Engine speeds, shape (n,).

    Returns
    -------
    ndarray [Pa]
        Absolute pressure, shape (n,); never below the measured boost or ambient.

    Notes
    -----
    A turbo is run at held speed with its wastegate stuck shut and the plate open until the pipe
    rises no more; how far it runs away beyond all measured boost is the model's law of
    ``car.plant_flows.turbo_power``, and not known better. A driven compressor reaches its measured
    boost with the bypass shut. Without a compressor it is ambient. Ignition far behind best torque
    heats the turbine further: that is not counted. Worked out once for each car and kept.
    """
    speeds, reached = _curve(car)
    return np.asarray(np.interp(np.asarray(omega, dtype=float), speeds, reached))


def _curve(car: Car) -> tuple[np.ndarray, np.ndarray]:
    rec = car.record
    ambient = float(rec["p_ambient"])
    grid = float(rec["omega_step"]) * np.arange(SPEED_POINTS)
    if not car.turbo:
        return grid, np.maximum(np.asarray(rec["boost"], dtype=float), ambient)
    turbo = car.build.turbo
    key = (rec.tobytes(), "" if turbo is None else turbo.model_dump_json())
    if key not in _KEPT:
        if len(_KEPT) >= _MOST_KEPT:
            _KEPT.clear()
        _KEPT[key] = _run_away(car)
    return _KEPT[key]


def _run_away(car: Car) -> tuple[np.ndarray, np.ndarray]:
    moving = in_motion(car).record
    speeds = np.linspace(_LEAST_RPM * math.pi / 30.0, car.limit, _SPEEDS)
    reached = np.empty(speeds.size)
    u = np.zeros(N_INPUT)
    u[U_FUEL] = u[U_GRIP] = 1.0
    for i, w in enumerate(speeds):
        measured = over_speed(moving["boost"], float(w), omega_step=float(moving["omega_step"]))
        # 0 is the position that the wastegate is stuck at: shut
        x = _open_at(moving, float(w))
        reached[i] = max(float(_highest(x, u, car=moving)), float(measured))
    return speeds, reached


def _open_at(rec: np.void, omega: float) -> np.ndarray:
    """State of the engine at a held speed with the shaft hardly turning."""
    x = np.zeros(N_STATE)
    ambient, T = float(rec["p_ambient"]), float(rec["T_ambient"])
    x[OMEGA] = omega
    x[P_PIPE] = x[P_EXHAUST] = x[P_MANIFOLD] = ambient
    x[T_PIPE], x[T_MANIFOLD] = T, T + float(rec["charge_temperature_rise"])
    x[T_EXHAUST] = x[COOLANT] = x[OIL] = WARM_ENGINE
    x[TURBINE_HEAT] = 1.0
    x[TURBO_SPEED] = 500.0
    return x


@kernel
def _highest(x: np.ndarray, u: np.ndarray, car: CarRecord) -> float:
    # the pipe, plate open, until it rises no more
    best = x[P_PIPE]
    before = 0.0
    for k in range(_MOST_TICKS):
        car_sample(x, u, car)
        air_step(x, u, car.servo_travel, car.servo_travel, x[OMEGA], car, TICK)
        best = max(best, x[P_PIPE])
        if k % _WINDOW == _WINDOW - 1:
            if k > 4 * _WINDOW and abs(x[P_PIPE] - before) < _STILL:
                break
            before = x[P_PIPE]
    return float(best)
