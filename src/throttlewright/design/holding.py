"""Plates that hold something: a manifold pressure below the pipe's, or a torque."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from throttlewright.car.flows import engine_flow, pipe_state, plate_for_flow
from throttlewright.car.pack import Car
from throttlewright.car.record import BoostState
from throttlewright.car.surface import evaluate
from throttlewright.design.margins import Margins
from throttlewright.design.torque_share import angle_for_torque

__all__ = [
    "SERVO",
    "SERVO_LAG",
    "TICKS",
    "filling_time",
    "holding_plate",
    "induction_delay",
    "margins_text",
    "plate_for_torque",
]

Floats = NDArray[np.float64]

SERVO_LAG = 0.06
"""Lag of the plate servo [s]: 50 to 100 ms for the whole travel, servo model."""
SERVO = (2.0 * 0.8 / SERVO_LAG, 0.8)
"""Servo as a second-order part with that lag: natural frequency [rad/s], damping ratio [-]."""
TICKS = 0.0015
"""Dead time of a loop that is run every millisecond: one tick and half a tick of hold [s]."""


def holding_plate(car: Car, pressure: float, omega: Floats, pipe: float) -> Floats:
    """Plate that passes what the engine takes at a manifold pressure, the pipe held above it.

    Parameters
    ----------
    car : Car
        The car, one plenum.
    pressure : float [Pa]
        Manifold pressure, absolute.
    omega : ndarray of shape (n,) [rad/s]
        Engine speeds.
    pipe : float [Pa]
        Pressure before the plate, absolute, above ``pressure``.

    Returns
    -------
    ndarray [%]
        Plate opening, shape (n,); 100 where no plate closes enough.
    """
    rec = car.record
    out = np.empty(omega.size)
    for i, w in enumerate(omega):
        _, T_pipe = pipe_state(
            0.0,
            pressure,
            omega=float(w),
            boost_code=float(BoostState.HELD),
            boost_pressure=pipe,
            car=rec,
        )
        flow, _ = engine_flow(
            pressure,
            T_pipe + float(rec["charge_temperature_rise"]),
            pipe=pipe,
            omega=float(w),
            car=rec,
        )
        psi = plate_for_flow(flow, pipe, p_manifold=pressure, T_pipe=T_pipe, car=rec)
        out[i] = car.plate_pct(psi)
    return out


def plate_for_torque(
    car: Car, omega: Floats, torque: Floats, *, state: BoostState = BoostState.SETTLED
) -> Floats:
    """Plate that gives a torque at an engine speed.

    Parameters
    ----------
    car : Car
        The car.
    omega : ndarray of shape (n,) [rad/s]
        Engine speeds.
    torque : ndarray of shape (n, m) [N m]
        Brake torques wanted.
    state : BoostState
        Which pressure stands before the plate; settled boost gives the most torque at a plate.

    Returns
    -------
    ndarray [%]
        Plate opening, shape (n, m); an end of the travel where the torque is out of reach.
    """

    def given(psi: Floats) -> Floats:
        return np.asarray(evaluate(car, omega, psi, state=state)[0]["torque"])

    low = angle_for_torque(given, torque, low=car.psi_closed, high=car.psi_open)
    # where a spooling turbo jumps, the torque before the jump; 100 where even that is too little
    found = car.plate_pct(low)
    return np.asarray(np.where(found > 99.99, 100.0, found))


def filling_time(car: Car, omega: float) -> float:
    """Time constant of the manifold behind a plate that sets the flow.

    4 pi V / (displacement VE w)

    Parameters
    ----------
    car : Car
        The car.
    omega : float [rad/s]
        Engine speed, above 0.

    Returns
    -------
    float [s]
        Time constant.
    """
    rec = car.record
    volume = float(rec["manifold_volume"])
    if float(rec["individual"]) > 0.5:
        volume = car.build.plate.runner_volume * car.build.plate.count
    ve = float(car.over_speed("ve_speed", np.array([omega]))[0])
    return 4.0 * math.pi * volume / (float(rec["displacement"]) * ve * omega)


def induction_delay(car: Car, omega: float) -> float:
    """Dead time from the filling of a cylinder to its torque.

    Parameters
    ----------
    car : Car
        The car.
    omega : float [rad/s]
        Engine speed, above 0.

    Returns
    -------
    float [s]
        Dead time.
    """
    return float(car.record["induction_delay"]) / omega


def margins_text(found: Margins) -> str:
    """Return margins in words, for the notes of a role.

    Parameters
    ----------
    found : Margins
        Of one loop, or the worst of several.

    Returns
    -------
    str
        Such as ``phase margin 61 deg, gain margin 12.3 dB, delay margin 0.41 s, ...``.
    """
    gain = f"{found.gain_dB:.1f} dB" if math.isfinite(found.gain) else "infinite"
    phase = f"{found.phase_deg:.0f} deg" if math.isfinite(found.phase_deg) else "infinite"
    delay = f"{found.delay_s:.2g} s" if math.isfinite(found.delay_s) else "infinite"
    return (
        f"phase margin {phase}, gain margin {gain}, delay margin {delay}, sensitivity peak "
        f"{found.peak:.2f}"
    )
