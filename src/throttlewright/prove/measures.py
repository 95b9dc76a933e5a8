"""Figures of a run from arrays of numbers: times, peaks, dips; no limit and no judgement here.

A sample stands until the next one. A sample that is not a number never counts as above a limit, and
never counts as settled or returned.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = [
    "Overboost",
    "SlipEvents",
    "Steady",
    "StepAnswer",
    "dip_below",
    "flare_above",
    "largest",
    "least",
    "longest_above",
    "overboost",
    "return_time",
    "settling_time",
    "slip_events",
    "spans_above",
    "steady_end",
    "step_answer",
    "surge_time",
    "time_above",
    "unasked_acceleration",
]

Floats = NDArray[np.float64]


def _pair(t_s: ArrayLike, values: ArrayLike) -> tuple[Floats, Floats]:
    t = np.asarray(t_s, dtype=np.float64)
    x = np.asarray(values, dtype=np.float64)
    if t.ndim != 1 or t.shape != x.shape:
        raise ValueError("times and values must be two rows of one length")
    return t, x


def spans_above(
    t_s: ArrayLike, values: ArrayLike, *, limit: float, gap_s: float = 0.0
) -> list[tuple[float, float]]:
    """Return the spans of time in which a signal is above a limit.

    Parameters
    ----------
    t_s : ndarray of shape (n,) [s]
        Times, never falling.
    values : ndarray of shape (n,) [any]
        Signal.
    limit : float [any]
        Limit; equal is not above.
    gap_s : float [s]
        Shorter gaps between two spans are bridged, >= 0.

    Returns
    -------
    list of (float, float) [s]
        First time above, and first time no longer above or the end.
    """
    t, x = _pair(t_s, values)
    if not t.size:
        return []
    above = np.concatenate(([False], x > limit, [False]))
    change = np.flatnonzero(above[1:] != above[:-1])
    ends = np.append(t, t[-1])
    spans: list[tuple[float, float]] = []
    for first, last in zip(change[::2], change[1::2], strict=True):
        start, end = float(ends[first]), float(ends[last])
        if spans and start - spans[-1][1] < gap_s:
            spans[-1] = (spans[-1][0], end)
        else:
            spans.append((start, end))
    return spans


def longest_above(t_s: ArrayLike, values: ArrayLike, *, limit: float, gap_s: float = 0.0) -> float:
    """Return the longest time that a signal stays above a limit.

    Parameters
    ----------
    t_s : ndarray of shape (n,) [s]
        Times, never falling.
    values : ndarray of shape (n,) [any]
        Signal.
    limit : float [any]
        Limit; equal is not above.
    gap_s : float [s]
        Shorter gaps are bridged, >= 0.

    Returns
    -------
    float
        Time [s], 0 when never above.
    """
    spans = spans_above(t_s, values, limit=limit, gap_s=gap_s)
    return max((end - start for start, end in spans), default=0.0)


def time_above(t_s: ArrayLike, values: ArrayLike, *, limit: float) -> float:
    """Return the time that a signal is above a limit, all spans together.

    Parameters
    ----------
    t_s : ndarray of shape (n,) [s]
        Times, never falling.
    values : ndarray of shape (n,) [any]
        Signal.
    limit : float [any]
        Limit; equal is not above.

    Returns
    -------
    float
        Time [s].
    """
    return sum(end - start for start, end in spans_above(t_s, values, limit=limit))


def largest(values: ArrayLike) -> float:
    """Return the largest number, or NaN when there is none.

    Parameters
    ----------
    values : ndarray of shape (n,) [any]
        Signal.

    Returns
    -------
    float
        Largest value [any].
    """
    x = np.asarray(values, dtype=np.float64)
    x = x[np.isfinite(x)]
    return float(x.max()) if x.size else math.nan


def least(values: ArrayLike) -> float:
    """Return the smallest number, or NaN when there is none.

    Parameters
    ----------
    values : ndarray of shape (n,) [any]
        Signal.

    Returns
    -------
    float
        Smallest value [any].
    """
    return -largest(-np.asarray(values, dtype=np.float64))


def settling_time(
    t_s: ArrayLike, values: ArrayLike, *, start_s: float, target: float, band: float
) -> float:
    """Return the time after which a signal stays within a band about a target.

    Parameters
    ----------
    t_s : ndarray of shape (n,) [s]
        Times, never falling.
    values : ndarray of shape (n,) [any]
        Signal.
    start_s : float [s]
        Time it counts from.
    target, band : float [any]
        Middle and half-width, band >= 0.

    Returns
    -------
    float
        Time [s]; 0 when it is never outside, NaN when it is outside at the end or there is no
        sample.
    """
    t, x = _pair(t_s, values)
    x = x[t >= start_s]
    t = t[t >= start_s]
    if not t.size:
        return math.nan
    outside = np.flatnonzero(~(np.abs(x - target) <= band))
    if not outside.size:
        return 0.0
    last = int(outside[-1])
    return math.nan if last == t.size - 1 else float(t[last + 1] - start_s)


def return_time(
    t_s: ArrayLike, plate_pct: ArrayLike, *, released_at_s: float, idle_pct: float, band_pct: float
) -> float:
    """Return the time from release until the plate is at idle or below, for good.

    Parameters
    ----------
    t_s : ndarray of shape (n,) [s]
        Times, never falling.
    plate_pct : ndarray of shape (n,) [%]
        Opening of the plate.
    released_at_s : float [s]
        Time of release.
    idle_pct, band_pct : float [%]
        Idle opening, and how much above it still counts as idle.

    Returns
    -------
    float
        Time [s]; 0 when it is never above, NaN when it is above at the end.
    """
    t, x = _pair(t_s, plate_pct)
    excess = np.where(np.isnan(x), np.inf, np.maximum(x - idle_pct, 0.0))
    return settling_time(t, excess, start_s=released_at_s, target=0.0, band=band_pct)


class Overboost(NamedTuple):
    """Peak excess [kPa] over the limit (0 at least), longest and whole time [s] above a margin."""

    peak_kPa: float
    longest_s: float
    total_s: float


def overboost(
    t_s: ArrayLike, pressure_kPa: ArrayLike, *, limit_kPa: float, margin_kPa: float
) -> Overboost:
    """Return by how much and how long a pressure passes its limit.

    Parameters
    ----------
    t_s : ndarray of shape (n,) [s]
        Times, never falling.
    pressure_kPa : ndarray of shape (n,) [kPa]
        Manifold or pipe pressure, absolute.
    limit_kPa : float [kPa]
        Limit, absolute.
    margin_kPa : float [kPa]
        Excess that is not counted as time, >= 0.

    Returns
    -------
    Overboost
        Peak excess [kPa], longest and whole time [s].
    """
    t, x = _pair(t_s, pressure_kPa)
    excess = x - limit_kPa
    peak = largest(excess)
    return Overboost(
        max(0.0, peak) if math.isfinite(peak) else math.nan,
        longest_above(t, excess, limit=margin_kPa),
        time_above(t, excess, limit=margin_kPa),
    )


def unasked_acceleration(
    t_s: ArrayLike,
    acceleration_m_s2: ArrayLike,
    asked_m_s2: ArrayLike,
    speed_m_s: ArrayLike,
    *,
    excess_m_s2: float,
    standstill_m_s: float = 0.5,
    gap_s: float = 0.1,
) -> float:
    """Return the longest time that a car accelerates more than was asked.

    Parameters
    ----------
    t_s : ndarray of shape (n,) [s]
        Times, never falling.
    acceleration_m_s2 : ndarray of shape (n,) [m/s^2]
        What the car does.
    asked_m_s2 : ndarray of shape (n,) [m/s^2]
        What the same car does at the same time with nothing broken.
    speed_m_s : ndarray of shape (n,) [m/s]
        Speed; a standing car does not accelerate, whatever its healthy twin still brakes with.
    excess_m_s2 : float [m/s^2]
        Difference that does not count yet, >= 0.
    standstill_m_s : float [m/s]
        Below this speed the car stands.
    gap_s : float [s]
        Shorter gaps are bridged, so that a driveline that swings hides nothing.

    Returns
    -------
    float
        Time [s].
    """
    t, actual = _pair(t_s, acceleration_m_s2)
    moving = np.asarray(speed_m_s, dtype=np.float64) > standstill_m_s
    excess = np.where(moving, actual - np.asarray(asked_m_s2, dtype=np.float64), 0.0)
    return longest_above(t, excess, limit=excess_m_s2, gap_s=gap_s)


class SlipEvents(NamedTuple):
    """How often the tyres slip, the longest time [s] and the most slip above the limit [-]."""

    events: int
    longest_s: float
    most_excess_1: float


def slip_events(
    t_s: ArrayLike,
    slip_1: ArrayLike,
    speed_m_s: ArrayLike,
    *,
    limit_1: float,
    gap_s: float = 0.05,
    least_speed_m_s: float = 2.0,
) -> SlipEvents:
    """Return the spans in which the driven tyres slip more than a limit.

    Parameters
    ----------
    t_s : ndarray of shape (n,) [s]
        Times, never falling.
    slip_1 : ndarray of shape (n,) [-]
        Slip, positive when driving.
    speed_m_s : ndarray of shape (n,) [m/s]
        Speed of the car.
    limit_1 : float [-]
        Slip that does not count yet.
    gap_s : float [s]
        Shorter gaps belong to one event.
    least_speed_m_s : float [m/s]
        Slip is not judged below this speed, where its definition divides by almost nothing.

    Returns
    -------
    SlipEvents
        Count, longest time [s], most excess [-].
    """
    t, slip = _pair(t_s, slip_1)
    rolling = np.asarray(speed_m_s, dtype=np.float64) >= least_speed_m_s
    judged = np.where(rolling, slip, -np.inf)
    spans = spans_above(t, judged, limit=limit_1, gap_s=gap_s)
    longest = max((end - start for start, end in spans), default=0.0)
    peak = largest(judged - limit_1) if spans else 0.0
    return SlipEvents(len(spans), longest, peak)


def surge_time(t_s: ArrayLike, surge_margin_1: ArrayLike) -> float:
    """Return the whole time that the compressor works beyond its surge line.

    Parameters
    ----------
    t_s : ndarray of shape (n,) [s]
        Times, never falling.
    surge_margin_1 : ndarray of shape (n,) [-]
        (flow - surge flow) / flow; negative beyond the line.

    Returns
    -------
    float
        Time [s].
    """
    return time_above(t_s, -np.asarray(surge_margin_1, dtype=np.float64), limit=0.0)


class Steady(NamedTuple):
    """Mean of the last window, and by how much its second half is above its first, both [any]."""

    mean: float
    drift: float


def steady_end(t_s: ArrayLike, values: ArrayLike, *, window_s: float) -> Steady:
    """Return mean and drift of a signal at the end.

    Parameters
    ----------
    t_s : ndarray of shape (n,) [s]
        Times, never falling.
    values : ndarray of shape (n,) [any]
        Signal.
    window_s : float [s]
        Length of the window, > 0.

    Returns
    -------
    Steady
        Mean and drift [any]; NaN when the signal is shorter than the window.
    """
    t, x = _pair(t_s, values)
    t, x = t[np.isfinite(x)], x[np.isfinite(x)]
    # Half a part in a million: a clock of decimal fractions ends a rounding error early.
    if not t.size or t[-1] - t[0] < window_s * (1.0 - 1e-6):
        return Steady(math.nan, math.nan)
    first = x[(t >= t[-1] - window_s) & (t < t[-1] - window_s / 2.0)]
    second = x[t >= t[-1] - window_s / 2.0]
    if not first.size:
        return Steady(math.nan, math.nan)
    both = np.concatenate((first, second))
    return Steady(float(both.mean()), float(second.mean() - first.mean()))


def dip_below(values: ArrayLike, *, target: float) -> float:
    """Return how far a signal falls below a target at most, 0 when it does not.

    Parameters
    ----------
    values : ndarray of shape (n,) [any]
        Signal.
    target : float [any]
        Target.

    Returns
    -------
    float
        Dip [any].
    """
    low = least(values)
    return max(0.0, target - low) if math.isfinite(low) else math.nan


def flare_above(values: ArrayLike, *, target: float) -> float:
    """Return how far a signal rises above a target at most, 0 when it does not.

    Parameters
    ----------
    values : ndarray of shape (n,) [any]
        Signal.
    target : float [any]
        Target.

    Returns
    -------
    float
        Flare [any].
    """
    high = largest(values)
    return max(0.0, high - target) if math.isfinite(high) else math.nan


class StepAnswer(NamedTuple):
    """Answer to a step: time to 90 % [s], settling [s], overshoot as a share of the step [-]."""

    rise_s: float
    settling_s: float
    overshoot_1: float


def step_answer(
    t_s: ArrayLike,
    values: ArrayLike,
    *,
    step_at_s: float,
    before: float,
    after: float,
    band: float,
) -> StepAnswer:
    """Return how a signal follows a step of its target.

    Parameters
    ----------
    t_s : ndarray of shape (n,) [s]
        Times, never falling, up to the next step.
    values : ndarray of shape (n,) [any]
        Signal.
    step_at_s : float [s]
        Time of the step.
    before, after : float [any]
        Target before and after; they differ.
    band : float [any]
        Half-width within which it has settled.

    Returns
    -------
    StepAnswer
        Times [s], NaN when not reached; overshoot [-], 0 at least.
    """
    t, x = _pair(t_s, values)
    x = x[t >= step_at_s]
    t = t[t >= step_at_s]
    share = (x - before) / (after - before)
    there = np.flatnonzero(share >= 0.9)
    rise = float(t[there[0]] - step_at_s) if there.size else math.nan
    settling = settling_time(t, x, start_s=step_at_s, target=after, band=band)
    return StepAnswer(rise, settling, max(0.0, largest(share) - 1.0))
