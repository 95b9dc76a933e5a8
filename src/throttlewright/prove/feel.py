"""Figures of what a driver feels at a tip-in: delay, rise, overshoot, jerk, shuffle, dose."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.signal import butter, sosfiltfilt

from throttlewright.physics.perception import vdv

__all__ = ["TipIn", "band_pass", "low_pass", "shuffle_cycles", "tip_in", "turning_points"]

Floats = NDArray[np.float64]
G = 9.80665


def _even(t_s: ArrayLike, values: ArrayLike) -> tuple[float, Floats, Floats]:
    """Return interval, clock and values on an even clock; samples without a value are joined."""
    t = np.asarray(t_s, dtype=np.float64)
    x = np.asarray(values, dtype=np.float64)
    good = np.isfinite(x)
    t, x = t[good], x[good]
    if t.size < 2 or t[-1] <= t[0]:
        raise ValueError("a signal needs at least two samples at different times")
    dt = float(np.median(np.diff(t)))
    if dt <= 0.0:
        dt = float((t[-1] - t[0]) / (t.size - 1))
    count = round((t[-1] - t[0]) / dt) + 1
    clock = t[0] + dt * np.arange(count)
    return dt, clock, np.interp(clock, t, x)


def _filtered(
    x: Floats, dt: float, corner_Hz: float | list[float], kind: str, order: int = 2
) -> Floats:
    sos = butter(order, corner_Hz, btype=kind, fs=1.0 / dt, output="sos")
    # The default padding of a few samples is far shorter than the filter's own memory.
    slowest = min(corner_Hz) if isinstance(corner_Hz, list) else corner_Hz
    pad = min(x.size - 1, int(1.0 / (slowest * dt)))
    return np.asarray(sosfiltfilt(sos, x, padlen=pad), dtype=np.float64)


def low_pass(t_s: ArrayLike, values: ArrayLike, *, corner_Hz: float) -> tuple[Floats, Floats]:
    """Return a signal without its fast part, not delayed (Butterworth, forward and back).

    Parameters
    ----------
    t_s : ndarray of shape (n,) [s]
        Times, rising.
    values : ndarray of shape (n,) [any]
        Signal.
    corner_Hz : float [Hz]
        Frequency at which each of the two passes of second order takes 3 dB, below half the
        sampling rate.

    Returns
    -------
    (ndarray, ndarray) of shape (m,) [s, any]
        An even clock and the signal on it.
    """
    dt, clock, x = _even(t_s, values)
    return clock, _filtered(x, dt, corner_Hz, "lowpass")


def band_pass(
    t_s: ArrayLike, values: ArrayLike, *, low_Hz: float, high_Hz: float
) -> tuple[Floats, Floats]:
    """Return the part of a signal between two frequencies, not delayed.

    Parameters
    ----------
    t_s : ndarray of shape (n,) [s]
        Times, rising.
    values : ndarray of shape (n,) [any]
        Signal.
    low_Hz, high_Hz : float [Hz]
        Corners, 0 < low < high < half the sampling rate.

    Returns
    -------
    (ndarray, ndarray) of shape (m,) [s, any]
        An even clock and the signal on it.
    """
    dt, clock, x = _even(t_s, values)
    return clock, _filtered(x, dt, [low_Hz, high_Hz], "bandpass")


def turning_points(values: ArrayLike, *, swing: float) -> NDArray[np.int64]:
    """Return the indices at which a signal turns, for swings of at least a size.

    Parameters
    ----------
    values : ndarray of shape (n,) [any]
        Signal.
    swing : float [any]
        A turn counts when the signal has gone back by this much, > 0.

    Returns
    -------
    ndarray of shape (k,) of int64 [-]
        Indices of highs and lows in turn, without first and last sample.
    """
    x = np.asarray(values, dtype=np.float64)
    turns: list[int] = []
    if not x.size:
        return np.array(turns, dtype=np.int64)
    high = low = 0
    direction = 0
    for i in range(1, x.size):
        if x[i] > x[high]:
            high = i
        if x[i] < x[low]:
            low = i
        if direction >= 0 and x[high] - x[i] >= swing:
            if direction > 0 or high > 0:
                turns.append(high)
            direction, low, high = -1, i, i
        elif direction <= 0 and x[i] - x[low] >= swing:
            if direction < 0 or low > 0:
                turns.append(low)
            direction, low, high = 1, i, i
    return np.array(turns, dtype=np.int64)


def shuffle_cycles(
    t_s: ArrayLike,
    acceleration_m_s2: ArrayLike,
    *,
    amplitude_m_s2: float = 0.3,
    low_Hz: float = 1.0,
    high_Hz: float = 10.0,
) -> float:
    """Return how many cycles the car swings to and fro after a step of the pedal.

    Parameters
    ----------
    t_s : ndarray of shape (n,) [s]
        Times from the step on, rising.
    acceleration_m_s2 : ndarray of shape (n,) [m/s^2]
        Acceleration.
    amplitude_m_s2 : float [m/s^2]
        A half cycle counts when it goes back by twice this, > 0.
    low_Hz, high_Hz : float [Hz]
        Band of shuffle: faster swings are filtered out, slower ones not counted.

    Returns
    -------
    float
        Half of the number of half cycles [-].

    Notes
    -----
    The swings are counted between turning points and not on a band-passed signal: a band-pass
    makes cycles of its own out of a clean step, and a clean step must count as none. The first
    rise is what was asked for and does not count. The low-pass before it is of first order, forward
    and back at twice the upper frequency: one of second order overshoots an abrupt step by itself.
    """
    dt, clock, raw = _even(t_s, acceleration_m_s2)
    x = _filtered(raw, dt, 2.0 * high_Hz, "lowpass", order=1)
    turns = turning_points(x, swing=2.0 * amplitude_m_s2)
    half = 0.5 / low_Hz
    halves = int(np.count_nonzero(np.diff(clock[turns]) <= half))
    if turns.size:
        # The swing that leads away from the last turn has no turn at its end.
        last = turns[-1]
        tail = np.abs(x[last:] - x[last])
        soon = float(tail[clock[last:] - clock[last] <= half].max())
        # A level that goes on drifting away is no swing.
        halves += int(soon >= 2.0 * amplitude_m_s2 and soon >= 0.8 * float(tail.max()))
    return 0.5 * halves


class TipIn(NamedTuple):
    """Figures of a tip-in; NaN where they were not reached.

    delay_s to 0.05 g [s], rise_s 10 to 90 % [s], overshoot_1 [-], jerk_m_s3 [m/s^3],
    cycles_1 [-], vdv_m_s175 [m/s^1.75] of 1 to 10 Hz, step_m_s2 [m/s^2] gained.
    """

    delay_s: float
    rise_s: float
    overshoot_1: float
    jerk_m_s3: float
    cycles_1: float
    vdv_m_s175: float
    step_m_s2: float


def tip_in(
    t_s: ArrayLike,
    acceleration_m_s2: ArrayLike,
    *,
    step_at_s: float,
    corner_Hz: float = 10.0,
    settled_s: float = 0.5,
) -> TipIn:
    """Return the figures of one tip-in.

    Parameters
    ----------
    t_s : ndarray of shape (n,) [s]
        Times, rising, from before the step to the end of the held pedal.
    acceleration_m_s2 : ndarray of shape (n,) [m/s^2]
        Acceleration of the car.
    step_at_s : float [s]
        When the pedal begins to move; at least one sample is before it.
    corner_Hz : float [Hz]
        Low-pass before anything is read off: differentiation makes noise larger.
    settled_s : float [s]
        The mean over this time at the end is the level reached.

    Returns
    -------
    TipIn
        Its figures.

    Notes
    -----
    Low-pass before the jerk after the abstract of SAE 2016-01-1681; delay to 0.05 g, rise, jerk and
    overshoot are common practice. Dose: ISO 2631-1:1997 6.3.2, band-passed, not weighted.
    """
    clock, a = low_pass(t_s, acceleration_m_s2, corner_Hz=corner_Hz)
    dt = float(clock[1] - clock[0])
    before = a[clock < step_at_s]
    if not before.size:
        raise ValueError("a tip-in needs a sample before the step")
    # Read some way before the step, where filtering both ways has not smeared the answer yet.
    quiet = a[clock <= step_at_s - 1.0 / corner_Hz]
    start = float(quiet[-1]) if quiet.size else float(before[0])
    after = clock >= step_at_s
    x, time = a[after] - start, clock[after] - step_at_s
    if x.size < 2:
        raise ValueError("a tip-in needs samples after the step")
    final = float(x[time >= time[-1] - settled_s].mean())

    def first(level: float) -> float:
        there = np.flatnonzero(x >= level)
        return float(time[there[0]]) if there.size else math.nan

    rise = first(0.9 * final) - first(0.1 * final) if final > 0.0 else math.nan
    overshoot = max(0.0, float(x.max()) / final - 1.0) if final > 0.0 else math.nan
    jerk = float(np.gradient(x, dt).max())
    _, swings = band_pass(t_s, acceleration_m_s2, low_Hz=1.0, high_Hz=corner_Hz)
    dose = float(vdv(np.ascontiguousarray(swings[after]), dt))
    _, even, raw = _even(t_s, acceleration_m_s2)
    cycles = shuffle_cycles(even[after], raw[after])
    return TipIn(first(0.05 * G), rise, overshoot, jerk, cycles, dose, final)
