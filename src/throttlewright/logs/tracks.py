"""Two tracks of one recording put side by side: a common clock, states at rest, missing samples."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from throttlewright.foundation.errors import InputError
from throttlewright.foundation.units import parse_quantity
from throttlewright.recording.recording import Channel, Recording

__all__ = ["Plateau", "SideBySide", "plateaus", "refresh_s", "side_by_side"]

_LEAST_SAMPLES = 20
_LEAST_SPAN = 0.2
"""Least change of a track that a build accepts [V]."""

Array = NDArray[np.float64]


@dataclass(frozen=True)
class SideBySide:
    """Two tracks on one clock.

    Parameters
    ----------
    t_s : ndarray [s]
        Times of track 1.
    volts : tuple of ndarray [V]
        Track 1, and track 2 as last read at each time.
    dt_s : float [s]
        Median time between samples of the slower track.
    refresh_s : float [s]
        Median time between changes while the pedal moves: longer than ``dt_s`` where the record
        repeats old values.
    """

    t_s: Array
    volts: tuple[Array, Array]
    dt_s: float
    refresh_s: float


@dataclass(frozen=True)
class Plateau:
    """A stretch in which a track stands still.

    Parameters
    ----------
    start, end : int [-]
        First sample, and the one after the last.
    level : float [V]
        Median.
    """

    start: int
    end: int
    level: float


def _in_volts(channel: Channel) -> Channel:
    try:
        factor = parse_quantity(f"1 {channel.unit}", "voltage", key=channel.name)
    except InputError:
        raise InputError(
            "a track must be recorded in volts",
            key=channel.name,
            value=channel.unit or "no unit",
            allowed="V or mV",
            advice="log the voltage at the controller's input, not a percentage made from it",
        ) from None
    keep = np.isfinite(channel.values)
    if np.count_nonzero(keep) < _LEAST_SAMPLES:
        raise InputError(
            f"holds {np.count_nonzero(keep)} samples",
            key=channel.name,
            allowed=f"at least {_LEAST_SAMPLES}",
            advice="record a slow press and release from stop to stop",
        )
    return Channel(channel.name, "V", channel.t_s[keep], factor * channel.values[keep])


def refresh_s(channel: Channel) -> float:
    """Return the median time between two different values where the track moves.

    Parameters
    ----------
    channel : Channel
        A track.

    Returns
    -------
    float [s]
        Median over the changes that are at most four times as far apart as the closest tenth of
        them; infinite for a track that never changes.
    """
    changed = np.flatnonzero(np.diff(channel.values) != 0.0) + 1
    if changed.size < 2:
        return float("inf")
    gaps = np.diff(channel.t_s[changed])
    gaps = gaps[gaps > 0.0]
    if not gaps.size:
        return float("inf")
    return float(np.median(gaps[gaps <= 4.0 * np.quantile(gaps, 0.1)]))


def side_by_side(recording: Recording, first: str, second: str) -> SideBySide:
    """Put two tracks of a recording on one clock.

    Parameters
    ----------
    recording : Recording
        A log.
    first, second : str
        Names of the channels.

    Returns
    -------
    SideBySide
        On the clock of the first; each sample of the second is held until its next.

    Raises
    ------
    InputError
        If a channel is missing, is not a voltage, holds too few samples or never moves, or both
        names are one.
    """
    if first == second:
        raise InputError("both tracks have the same name", key="track1, track2", value=first)
    one, two = _in_volts(recording.channel(first)), _in_volts(recording.channel(second))
    start, end = max(one.t_s[0], two.t_s[0]), min(one.t_s[-1], two.t_s[-1])
    inside = (one.t_s >= start) & (one.t_s <= end)
    t = one.t_s[inside]
    if t.size < _LEAST_SAMPLES:
        raise InputError("the tracks were not recorded at the same time", key=f"{first}, {second}")
    pair = Recording.of((two,))
    volts = (one.values[inside], pair.resample(second, t))
    for name, values in zip((first, second), volts, strict=True):
        low, high = np.quantile(values, (0.002, 0.998))
        if high - low < _LEAST_SPAN:
            raise InputError(
                f"moves by {high - low:.3f} V only",
                key=name,
                allowed=f"at least {_LEAST_SPAN} V",
                advice="record a slow press and release from stop to stop",
            )
    steps = [float(np.median(np.diff(c.t_s))) for c in (one, two)]
    refresh = max(max(refresh_s(one), refresh_s(two)), *steps)
    return SideBySide(t, volts, max(steps), refresh)


def plateaus(t_s: Array, values: Array, *, band: float, least_s: float) -> tuple[Plateau, ...]:
    """Return the stretches in which a track stays within a band for a least time.

    Parameters
    ----------
    t_s : ndarray [s]
        Times.
    values : ndarray [V]
        Voltages.
    band : float [V]
        Width of the band, above 0.
    least_s : float [s]
        Least length.

    Returns
    -------
    tuple of Plateau
        In order, none overlaps another; each as long as it can be, and of at least 5 samples.
    """
    found: list[Plateau] = []
    start, n = 0, len(values)
    highs: deque[int] = deque()
    lows: deque[int] = deque()

    def keep(end: int) -> bool:
        if end - start < 5 or t_s[end - 1] - t_s[start] < least_s:
            return False
        found.append(Plateau(start, end, float(np.median(values[start:end]))))
        return True

    plain = values.tolist()
    for k in range(n):
        value = plain[k]
        while highs and plain[highs[-1]] <= value:
            highs.pop()
        highs.append(k)
        while lows and plain[lows[-1]] >= value:
            lows.pop()
        lows.append(k)
        if plain[highs[0]] - plain[lows[0]] <= band:
            continue
        if keep(k):
            start = k
            highs, lows = deque([k]), deque([k])
            continue
        while plain[highs[0]] - plain[lows[0]] > band:
            start += 1
            while highs[0] < start:
                highs.popleft()
            while lows[0] < start:
                lows.popleft()
    keep(n)
    return tuple(found)
