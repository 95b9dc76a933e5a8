"""Judging figures of pedal shaping: how far the car swings back, and how late torque comes."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from throttlewright.build.intent import Intent
from throttlewright.car.pack import Car
from throttlewright.prove.role_figure import Judged, RoleFigure
from throttlewright.prove.run import series
from throttlewright.recording.recording import Recording

__all__ = ["FIGURES", "fall_back", "shuffle_amplitude", "time_to_share", "torque_delay"]

Floats = NDArray[np.float64]
_WATCHED = 1.5
"""Time after the step in which the swing is looked for [s]: three cycles of the slowest shuffle."""
_SETTLED = 1.0
"""Time after the step at which torque counts as reached [s]: before boost has built up."""
_SHARE = 0.9


def fall_back(values: Floats) -> float:
    """Largest fall from a high to a later low.

    Parameters
    ----------
    values : ndarray of shape (n,) [any]
        Signal.

    Returns
    -------
    float [as the signal]
        0 where it only rises.

    Notes
    -----
    The whole swing from peak to valley; a smooth rise to a level has none.
    """
    return float(np.max(np.maximum.accumulate(values) - values))


def time_to_share(t_s: Floats, values: Floats, *, at_s: float, share: float = _SHARE) -> float:
    """Time from a step until a signal has made a share of its way.

    Parameters
    ----------
    t_s : ndarray of shape (n,) [s]
        Times, rising.
    values : ndarray of shape (n,) [any]
        Signal; its way ends 1 s after the step.
    at_s : float [s]
        The step.
    share : float [-]
        Share of the way.

    Returns
    -------
    float [s]
        NaN where the signal does not move.
    """
    start = float(np.interp(at_s, t_s, values))
    way = float(np.interp(at_s + _SETTLED, t_s, values)) - start
    after = t_s >= at_s
    if way == 0.0:
        return math.nan
    there = np.flatnonzero((values[after] - start) / way >= share)
    return float(t_s[after][there[0]] - at_s) if there.size else math.nan


def _step(t_s: Floats, pedal: Floats) -> tuple[float, float] | None:
    # when the pedal begins to move, and which way
    moved = np.flatnonzero(np.abs(pedal - pedal[0]) > 1.0)
    if not moved.size or moved[0] == 0:
        return None
    way = 1.0 if pedal[moved[0]] > pedal[0] else -1.0
    return float(t_s[moved[0] - 1]), way


def shuffle_amplitude(recording: Recording, car: Car, intent: Intent) -> Judged:
    """How far the car swings back after the first step of the pedal.

    Parameters
    ----------
    recording : Recording
        A tip-in or tip-out.
    car : Car
        The car.
    intent : Intent
        What was wanted.

    Returns
    -------
    Judged
        Peak to valley of acceleration [m/s^2] within 1.5 s, against the step; without a limit.
    """
    t_s, acceleration, pedal = series(recording, "acceleration_m_s2", "pedal_pct")
    found = _step(t_s, pedal)
    if found is None:
        return Judged(0.0, "m/s2", None, None, "the pedal does not move in this run")
    at, way = found
    window = (t_s >= at) & (t_s <= at + _WATCHED)
    value = fall_back(way * acceleration[window])
    return Judged(value, "m/s2", None, None, f"the car swings back by {value:.2f} m/s2")


def torque_delay(recording: Recording, car: Car, intent: Intent) -> Judged:
    """Time until engine torque has made 90 % of its step.

    Parameters
    ----------
    recording : Recording
        A tip-in or tip-out.
    car : Car
        The car.
    intent : Intent
        What was wanted.

    Returns
    -------
    Judged
        Time [s] from the first step of the pedal; without a limit.
    """
    t_s, torque, pedal = series(recording, "torque_Nm", "pedal_pct")
    found = _step(t_s, pedal)
    if found is None:
        return Judged(0.0, "s", None, None, "the pedal does not move in this run")
    value = time_to_share(t_s, torque, at_s=found[0])
    return Judged(value, "s", None, None, f"torque makes 90 % of its step in {value:.3f} s")


FIGURES: dict[str, RoleFigure] = {
    "shuffle_amplitude": shuffle_amplitude,
    "torque_delay": torque_delay,
}
"""Figures of this area."""
