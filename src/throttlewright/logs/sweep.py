"""What a slow press and release tells of two tracks: ends, agreement, noise, dead spots, jumps."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from throttlewright.design.plausibility import LEAST_SAMPLES
from throttlewright.design.track_pair import Line, Pair, classify
from throttlewright.foundation.errors import InputError
from throttlewright.logs.tracks import Array, Plateau, SideBySide, plateaus, side_by_side
from throttlewright.recording.recording import Recording

__all__ = ["DeadSpot", "Jump", "Sweep", "TrackFacts", "analyse_sweep"]

_BAND = 0.01
"""Band of a plateau as a share of the voltage seen [-], or 12 times the noise. Tool default."""
_NEAR = 0.04
"""How near an end, as a share of the voltage seen, a track rests at that end [-]. Tool default."""
_REST_S = 0.5
_BEGIN_S = 0.3
_SAME_STOP = 0.015
"""Two presses that end within this share of the span met the same stop [-]; a foot alone does not
come back as closely. Tool default."""
_NEAR_DATA_SHEET = 0.05
_JUMP_PCT = 10.0
_JUMP_S = 0.005
"""10 points in 5 ms: a plate at its fastest makes 7 (from the servo model)."""
_DEAD_SLOPE = 0.25
_CELLS = 50
_COVERED = 0.9
_STILL_PCT_S = 2.0
_SLOW_PCT_S = 100.0
"""Faster samples show the skew of the sampling, not the tracks: a press of a second or more."""


@dataclass(frozen=True)
class TrackFacts:
    """One track.

    Parameters
    ----------
    released : float [V]
        Median at rest.
    full : float [V]
        On the stop; NaN where the stop was not recorded.
    seen : float [V]
        Furthest from released that was recorded.
    rising : bool
        Whether the voltage rises with the pedal.
    noise_V : float [V]
        Standard deviation at rest; NaN where too few samples or a step hides it.
    step_V : float [V]
        Smallest change of a reading.
    """

    released: float
    full: float
    seen: float
    rising: bool
    noise_V: float
    step_V: float


@dataclass(frozen=True)
class DeadSpot:
    """A stretch in which one track stands still while the other moves.

    Parameters
    ----------
    track : int [-]
        1 or 2.
    start_pct, end_pct : float [%]
        By the other track.
    """

    track: int
    start_pct: float
    end_pct: float


@dataclass(frozen=True)
class Jump:
    """A change faster than anything moves.

    Parameters
    ----------
    track : int [-]
        1 or 2.
    t_s : float [s]
        When.
    step_pct : float [points]
        How far.
    """

    track: int
    t_s: float
    step_pct: float


@dataclass(frozen=True)
class Sweep:
    """What was found; percentages are of the travel recorded.

    Parameters
    ----------
    tracks : tuple of TrackFacts
        Both tracks.
    pair : Pair or None
        Their relation; from the furthest that was seen where the stop was not recorded.
    full_recorded : bool
        Whether the full stop was recorded.
    full_text : str
        Why, one sentence.
    covered : float [-]
        Share of the travel seen that was passed slowly enough to compare the tracks.
    presses : int [-]
        Presses counted.
    dt_s, refresh_s : float [s]
        Between samples, and between changes while the pedal moves.
    bend_pct : float [points]
        Largest departure of track 2 from a straight line over track 1.
    hysteresis_pct : float [points]
        Largest difference between press and release; NaN where one of them is missing. Skew of
        the sampling adds to it.
    error_pct : float [points]
        Largest mean difference of the tracks.
    noise_pct : float [points]
        Standard deviation of their difference about its mean.
    skew_s : float [s]
        Time by which track 2 lags, from the difference over the speed; NaN where the sweep is too
        slow to tell.
    skew_error_s : float [s]
        Its standard error.
    released_scatter_pct : float [points]
        How far the rests at released lie apart.
    dead_spots : tuple of DeadSpot
        Empty when none; one that both tracks share cannot be seen.
    jumps : tuple of Jump
        Empty when none, or when ``jump_limit_pct`` is NaN.
    jump_limit_pct : float [points]
        Step between two samples that counts as a jump; NaN where sampling is too slow.
    position_pct, difference_pct, speed_pct_s : ndarray
        Mean of the tracks [%], track 1 less track 2 [points] and speed of the pedal [%/s], by
        sample.
    volts : tuple of ndarray [V]
        Both tracks by sample.
    """

    tracks: tuple[TrackFacts, TrackFacts]
    pair: Pair
    full_recorded: bool
    full_text: str
    covered: float
    presses: int
    dt_s: float
    refresh_s: float
    bend_pct: float
    hysteresis_pct: float
    error_pct: float
    noise_pct: float
    skew_s: float
    skew_error_s: float
    released_scatter_pct: float
    dead_spots: tuple[DeadSpot, ...]
    jumps: tuple[Jump, ...]
    jump_limit_pct: float
    position_pct: Array
    difference_pct: Array
    speed_pct_s: Array
    volts: tuple[Array, Array]

    def too_slow(self, time_s: float) -> str:
        """Say why a check over so many seconds cannot be made; empty when it can."""
        every = max(self.dt_s, self.refresh_s if self.refresh_s > 3.0 * self.dt_s else self.dt_s)
        if every * LEAST_SAMPLES <= time_s * (1.0 + 1e-6):
            return (
                ""
                if self.covered >= _COVERED
                else ("moved too fast for this check: press and release over 4 s each")
            )
        held = (
            f", each value held for {self.refresh_s:.3g} s"
            if self.refresh_s > 3 * self.dt_s
            else ""
        )
        return (
            f"sampling too slow for this check: one sample in {self.dt_s:.3g} s{held}; "
            f"{time_s:g} s must hold at least {LEAST_SAMPLES}"
        )


def _hiss(values: Array) -> float:
    """Noise of a moving track, from what neighbours differ by beyond the movement."""
    step = np.diff(values)
    return 1.4826 * float(np.median(np.abs(step - np.median(step)))) / math.sqrt(2.0)


def _noise(values: Array, step: float) -> float:
    if values.size < 20:
        return math.nan
    spread = float(np.std(np.diff(values))) / math.sqrt(2.0)
    # Below half a step the converter swallows the noise: a third of a step is what it may hide.
    return max(spread, step / 3.0 if spread < 0.3 * step else 0.0)


def _step(values: Array) -> float:
    steps = np.abs(np.diff(np.unique(np.round(values, 6))))
    return float(np.min(steps)) if steps.size else 0.0


def _full(
    at_top: list[Plateau], released: float, seen: float, sheet: float | None
) -> tuple[bool, str]:
    span = abs(seen - released)
    top = [p for p in at_top if abs(p.level - seen) <= _NEAR * span]
    if not top:
        return False, "full pedal not recorded: the track never stood still at its furthest"
    if sheet is not None:
        away = abs(top[-1].level - sheet) / abs(sheet - released)
        if away <= _NEAR_DATA_SHEET:
            return True, f"it stood still within {100.0 * away:.1f} % of the build's full voltage"
        if (sheet - top[-1].level) * (seen - released) > 0.0:
            return False, (
                f"full pedal not recorded: it stood still {100.0 * away:.0f} % of the travel short "
                f"of the build's {sheet:g} V"
            )
    levels = [p.level for p in top]
    if len(top) >= 2 and max(levels) - min(levels) <= _SAME_STOP * span:
        return True, f"{len(top)} presses ended within {100.0 * _SAME_STOP:g} % of each other"
    return False, (
        "full pedal not recorded for certain: one press stood still there, which a foot can do as "
        "well as a stop; press to the stop twice and hold each for a second"
    )


def _stays(values: Array, points: tuple[Plateau, ...], level: float, span: float) -> list[Plateau]:
    """Plateaus near a level, one for each stay; a stay ends when the track leaves by a tenth."""
    near = [p for p in points if abs(p.level - level) <= _NEAR * span]
    found: list[Plateau] = []
    for p in near:
        if found:
            between = values[found[-1].end : p.start]
            if not between.size or float(np.max(np.abs(between - level))) < 0.1 * span:
                found[-1] = max(found[-1], p, key=lambda q: q.end - q.start)
                continue
        found.append(p)
    return found


def _cells(x: Array, y: Array) -> tuple[Array, Array, Array]:
    """Mean of y in fiftieths of x, with centres and counts."""
    cell = np.clip((x / 100.0 * _CELLS).astype(int), 0, _CELLS - 1)
    count = np.bincount(cell, minlength=_CELLS).astype(float)
    total = np.bincount(cell, weights=y, minlength=_CELLS)
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = np.where(count >= 3, total / count, np.nan)
    return (np.arange(_CELLS) + 0.5) * 100.0 / _CELLS, mean, count


def _dead(track: int, own: Array, other: Array) -> list[DeadSpot]:
    x, mean, _ = _cells(other, own)
    slope = np.diff(mean) / np.diff(x)
    dead = np.flatnonzero(slope < _DEAD_SLOPE)
    found: list[DeadSpot] = []
    for k in dead:
        if not 3.0 < x[k] < 97.0:
            continue  # beside a stop a cell is half empty
        if found and x[k] <= found[-1].end_pct + 1e-9:
            found[-1] = DeadSpot(track, found[-1].start_pct, float(x[k + 1]))
        else:
            found.append(DeadSpot(track, float(x[k]), float(x[k + 1])))
    return found


def _speed(t: Array, position: Array) -> Array:
    """Slope over about 40 ms, so that noise does not pass for movement."""
    dt = float(np.median(np.diff(t)))
    half = max(1, round(0.02 / dt)) if dt > 0.0 else 1
    index = np.arange(t.size)
    a, b = np.maximum(index - half, 0), np.minimum(index + half, t.size - 1)
    return np.asarray((position[b] - position[a]) / np.maximum(t[b] - t[a], 1e-9))


def _presses(position: Array) -> int:
    """Times the pedal went from below 30 to above 70 % of what was seen."""
    count, low = 0, True
    for value in position[(position < 30.0) | (position > 70.0)]:
        if low and value > 70.0:
            count += 1
        low = bool(value < 30.0)
    return count


def _skew(speed: Array, rest: Array) -> tuple[float, float]:
    if speed.size < 50 or float(np.std(speed)) < 30.0:
        return math.nan, math.nan
    s, r = speed - np.mean(speed), rest - np.mean(rest)
    total = float(np.sum(s * s))
    tau = float(np.sum(s * r)) / total
    left = r - tau * s
    return tau, math.sqrt(float(np.sum(left * left)) / (speed.size - 2) / total)


def analyse_sweep(
    recording: Recording, first: str, second: str, *, sheet: tuple[Line, Line] | None = None
) -> Sweep:
    """Analyse a slow press and release, recorded from a released pedal on.

    Parameters
    ----------
    recording : Recording
        A log.
    first, second : str
        Channels of the two tracks.
    sheet : tuple of Line, optional
        Voltages that the build gives; they only help to tell a stop from a foot that rests.

    Returns
    -------
    Sweep
        What was found.

    Raises
    ------
    InputError
        If the channels cannot be used, or the record does not begin with a released pedal.

    Notes
    -----
    No third sensor tells where the pedal is: linearity, hysteresis and dead spots are those of one
    track against the other, and what both share cannot be seen.
    """
    side = side_by_side(recording, first, second)
    t = side.t_s
    rests: list[float] = []
    seens: list[float] = []
    points: list[tuple[Plateau, ...]] = []
    for name, values in zip((first, second), side.volts, strict=True):
        low, high = (float(v) for v in np.quantile(values, (0.002, 0.998)))
        span = high - low
        points.append(
            plateaus(t, values, band=max(_BAND * span, 12.0 * _hiss(values)), least_s=_REST_S)
        )
        begin = float(np.median(values[: max(5, np.searchsorted(t, t[0] + _BEGIN_S))]))
        if min(begin - low, high - begin) > 1.5 * _NEAR * span:
            raise InputError(
                f"begins at {begin:.3f} V, between its ends {low:.3f} and {high:.3f} V",
                key=name,
                advice="begin the recording with the pedal released and hold it for a second",
            )
        at_low = begin - low <= high - begin
        rests.append(begin)
        seens.append(high if at_low else low)
    facts: list[TrackFacts] = []
    stays: list[Plateau] = []
    full_recorded, full_text = True, ""
    for k, values in enumerate(side.volts):
        span = abs(seens[k] - rests[k])
        down = _stays(values, points[k], rests[k], span)
        top = _stays(values, points[k], seens[k], span)
        found, text = _full(
            top, rests[k], seens[k], None if sheet is None else (sheet[0], sheet[1])[k].full
        )
        if not found or not full_text:
            full_text = text if full_recorded else full_text
        full_recorded = full_recorded and found
        level = float(np.median([p.level for p in down])) if down else rests[k]
        longest = max(down, key=lambda p: p.end - p.start) if down else None
        still = values[longest.start : longest.end] if longest else values[:0]
        step = _step(values)
        full = float(np.median([p.level for p in top])) if found else math.nan
        facts.append(
            TrackFacts(level, full, seens[k], seens[k] > rests[k], _noise(still, step), step)
        )
        if k == 0:
            stays = down
    if not full_recorded:
        facts = [
            TrackFacts(f.released, math.nan, f.seen, f.rising, f.noise_V, f.step_V) for f in facts
        ]
    lines = [Line(f.released, f.full if full_recorded else f.seen) for f in facts]
    return _compared(side, (facts[0], facts[1]), (lines[0], lines[1]), full_recorded, full_text,
                     stays)  # fmt: skip


def _compared(
    side: SideBySide,
    facts: tuple[TrackFacts, TrackFacts],
    lines: tuple[Line, Line],
    full_recorded: bool,
    full_text: str,
    stays: list[Plateau],
) -> Sweep:
    t = side.t_s
    p1, p2 = (
        100.0 * (v - line.released) / line.span for v, line in zip(side.volts, lines, strict=True)
    )
    # A step across one or more samples, scaled to the time between them.
    dt = np.maximum(np.diff(t), 1e-6)
    slowest = max(side.dt_s, side.refresh_s if side.refresh_s > 3.0 * side.dt_s else 0.0)
    limit = _JUMP_PCT * max(slowest / _JUMP_S, 1.0)
    can_jump = limit <= 50.0
    jumps: list[Jump] = []
    good = np.ones(t.size, dtype=bool)
    if can_jump:
        for k, p in enumerate((p1, p2)):
            step = np.diff(p)
            for n in np.flatnonzero(np.abs(step) > _JUMP_PCT * np.maximum(dt / _JUMP_S, 1.0)):
                jumps.append(Jump(k + 1, float(t[n + 1]), float(step[n])))
            # What is far from its neighbourhood is no part of what the tracks do when healthy.
            around = _running_median(p, 9)
            good &= np.abs(p - around) <= _JUMP_PCT
    position = 0.5 * (p1 + p2)
    difference = p1 - p2
    speed = _speed(t, _running_median(position, 5))
    slow = good & (np.abs(speed) <= _SLOW_PCT_S)
    press, release = slow & (speed > _STILL_PCT_S), slow & (speed < -_STILL_PCT_S)
    x = np.clip(position, 0.0, 100.0)
    _, down, _ = _cells(x[press], difference[press])
    _, up, _ = _cells(x[release], difference[release])
    _, every, _ = _cells(x[slow], difference[slow])
    gap = np.abs(down - up)
    hysteresis = float(np.nanmax(gap)) if np.any(np.isfinite(gap)) else math.nan
    known = every[np.isfinite(every)]
    parts = [v[np.isfinite(v)] for v in (down, up, every)]
    worst = np.concatenate(parts)
    centre = np.clip((x / 100.0 * _CELLS).astype(int), 0, _CELLS - 1)
    mean = np.where(speed > 0.0, down[centre], up[centre])
    mean = np.where(np.isfinite(mean), mean, every[centre])
    rest = (difference - mean)[slow & np.isfinite(mean)]
    tau, tau_error = _skew(speed[good], difference[good])
    starts = [s.level for s in stays]
    scatter = 100.0 * (max(starts) - min(starts)) / abs(lines[0].span) if len(starts) > 1 else 0.0
    dead = _dead(1, p1[slow], p2[slow]) + _dead(2, p2[slow], p1[slow])
    return Sweep(
        tracks=facts,
        pair=classify(*lines),
        full_recorded=full_recorded,
        full_text=full_text,
        covered=float(np.mean(np.isfinite(every))),
        presses=_presses(position),
        dt_s=side.dt_s,
        refresh_s=side.refresh_s,
        bend_pct=float(np.max(np.abs(known))) if known.size else math.nan,
        hysteresis_pct=hysteresis,
        error_pct=float(np.max(np.abs(worst))) if worst.size else math.nan,
        noise_pct=float(np.std(rest)) if rest.size > 20 else math.nan,
        skew_s=tau,
        skew_error_s=tau_error,
        released_scatter_pct=scatter,
        dead_spots=tuple(dead),
        jumps=tuple(jumps),
        jump_limit_pct=limit if can_jump else math.nan,
        position_pct=position,
        difference_pct=difference,
        speed_pct_s=speed,
        volts=side.volts,
    )


def _running_median(values: Array, width: int) -> Array:
    padded = np.pad(values, width // 2, mode="edge")
    windows = np.lib.stride_tricks.sliding_window_view(padded, width)
    return np.asarray(np.median(windows, axis=-1))
