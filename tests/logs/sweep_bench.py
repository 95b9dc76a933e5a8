"""Invented sweeps of a pedal: two tracks on the table, moved as told."""

from __future__ import annotations

import numpy as np

from throttlewright.recording.recording import Channel, Recording

HALF = ((0.75, 4.20), (0.375, 2.10))
MIRROR = ((0.6, 4.4), (4.4, 0.6))


def sweep(
    *,
    lines: tuple[tuple[float, float], tuple[float, float]] = HALF,
    rate_hz: float = 500.0,
    noise_V: float = 0.003,
    skew_s: float = 0.0,
    presses: int = 2,
    hold_s: float = 1.0,
    press_s: float = 3.0,
    top_pct: float = 100.0,
    hysteresis_pct: float = 0.0,
    bow_pct: float = 0.0,
    dead_pct: tuple[float, float] | None = None,
    spike: tuple[float, float] | None = None,
    bits: int = 12,
    seed: int = 0,
) -> Recording:
    """Presses and releases between released and a top; what is wrong is wrong with track 2."""
    rng = np.random.default_rng(seed)
    times, places = [0.0], [0.0]
    for _ in range(presses):
        for wait, place in (
            (hold_s, 0.0), (press_s, top_pct), (hold_s, top_pct), (press_s, 0.0)
        ):  # fmt: skip
            times.append(times[-1] + wait)
            places.append(place)
    times.append(times[-1] + hold_s)
    places.append(0.0)
    t = np.arange(0.0, times[-1], 1.0 / rate_hz)
    step = 5.0 / 2.0**bits

    def read(line: tuple[float, float], place: np.ndarray) -> np.ndarray:
        volts = line[0] + (line[1] - line[0]) * place / 100.0
        return np.round((volts + noise_V * rng.standard_normal(t.size)) / step) * step

    first = np.interp(t, times, places)
    second = np.interp(t + skew_s, times, places)
    going = np.sign(np.interp(t + 0.01, times, places) - np.interp(t - 0.01, times, places))
    second = second + 0.5 * hysteresis_pct * going + bow_pct * np.sin(np.pi * second / 100.0)
    if dead_pct is not None:
        low, high = dead_pct
        second = np.where((second > low) & (second < high), low, second)
    volts_2 = read(lines[1], second)
    if spike is not None:
        at, size = spike
        volts_2[np.searchsorted(t, at)] += size
    return Recording.of((Channel("one", "V", t, read(lines[0], first)),
                         Channel("two", "V", t, volts_2)))  # fmt: skip
