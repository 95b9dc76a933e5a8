"""Tolerance and time of the comparison of two tracks, from noise, track error and sampling skew."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from scipy.special import ndtr

from throttlewright.calibration.supervision import FORGET
from throttlewright.foundation.errors import InputError

__all__ = [
    "LEAST_SAMPLES",
    "UP",
    "Demand",
    "Plausibility",
    "Quality",
    "alarm_per_sample",
    "bad_share",
    "design_plausibility",
    "found_within",
    "pair_noise",
    "states",
    "stroke_alarm",
]

LEAST_SAMPLES = 10
"""Least number of comparisons in the plausibility time: fewer make a timer of one or two lucky
samples. Tool default."""
UP = round(1.0 / FORGET)
"""States by which a bad comparison raises the strategy's counter; a good one lowers it by one."""
_SURE = 0.999
"""Share of faults found within the stated time."""
_STEPS = 15
_SLOWER = 0.7 ** np.arange(7)
"""Speeds of a stroke that are tried, as shares of the fastest [-]."""
_NEVER = 1e-12
_COST = 0.2
"""Share of the widest choice of tolerances given up for a longer time [-]. Tool default."""
_MOST_SKEW = 0.05


@dataclass(frozen=True)
class Quality:
    """How well two healthy tracks agree.

    Parameters
    ----------
    noise_pct : float [points]
        Standard deviation of their difference, >= 0.
    error_pct : float [points]
        Largest difference without noise, at rest, >= 0.
    skew_s : float [s]
        Time between the readings of the two tracks, >= 0.
    rate_pct_s : float [%/s]
        Fastest movement, above 0.
    """

    noise_pct: float
    error_pct: float
    skew_s: float
    rate_pct_s: float


@dataclass(frozen=True)
class Demand:
    """What the comparison must do.

    Parameters
    ----------
    period_s : float [s]
        Time between comparisons, above 0.
    found_s : float [s]
        Time within which a fault must be found, above 0.
    fault_pct : float [points]
        Size of that fault.
    false_per_1000_h : float [1/1000 h]
        Most false alarms, above 0.
    strokes_per_h : float [1/h]
        Quick full strokes an hour.
    """

    period_s: float = 0.01
    found_s: float = 0.1
    fault_pct: float = 10.0
    false_per_1000_h: float = 0.1
    strokes_per_h: float = 600.0


@dataclass(frozen=True)
class Plausibility:
    """The comparison as designed.

    Parameters
    ----------
    possible : bool
        Whether one tolerance and time do both.
    tolerance_pct : float [points]
        Difference that counts as bad; NaN where nothing fits.
    time_s : float [s]
        How long it must hold.
    least_pct, most_pct : float [points]
        Tolerances between which both demands hold.
    false_per_1000_h : float [1/1000 h]
        False alarms at the tolerance.
    found_s : float [s]
        Time within which 999 of 1000 faults of the stated size are found; infinite if never.
    most_skew_s : float [s]
        Largest skew with which a tolerance still exists; NaN if none does at no skew.
    reason : str
        One sentence.
    """

    possible: bool
    tolerance_pct: float
    time_s: float
    least_pct: float
    most_pct: float
    false_per_1000_h: float
    found_s: float
    most_skew_s: float
    reason: str


def pair_noise(
    spans_V: tuple[float, float], noise_V: tuple[float, float], *, step_V: float
) -> float:
    r"""Noise of the difference of two tracks in points of travel.

    .. math:: \sigma = 100 \sqrt{\sum_k (\sigma_k^2 + q^2 / 12) / S_k^2}

    Parameters
    ----------
    spans_V : tuple of float [V]
        Change of each track over the travel, not 0.
    noise_V : tuple of float [V]
        Standard deviation of a reading of each, >= 0.
    step_V : float [V]
        One step of the converter, >= 0.

    Returns
    -------
    float [points]
        Standard deviation.

    Notes
    -----
    The error of a converter's step counts as evenly spread over the step: textbook.
    """
    parts = [
        (n * n + step_V * step_V / 12.0) / (s * s) for s, n in zip(spans_V, noise_V, strict=True)
    ]
    return 100.0 * math.sqrt(sum(parts))


def bad_share(shift_pct: float, tolerance_pct: float, *, noise_pct: float) -> float:
    r"""Chance that one comparison finds the tracks apart by more than the tolerance.

    .. math:: p = \Phi(-(t - m)/\sigma) + \Phi(-(t + m)/\sigma)

    Parameters
    ----------
    shift_pct : float [points]
        Mean difference m.
    tolerance_pct : float [points]
        Tolerance t, >= 0.
    noise_pct : float [points]
        Standard deviation of the difference, >= 0.

    Returns
    -------
    float [-]
        Chance, 0 to 1.

    Notes
    -----
    Noise counts as normal and fresh at each comparison: what an ignition system couples in is
    neither, so measure with the engine running.
    """
    if noise_pct <= 0.0:
        return 1.0 if abs(shift_pct) > tolerance_pct else 0.0
    up = (tolerance_pct - shift_pct) / noise_pct
    down = (tolerance_pct + shift_pct) / noise_pct
    return float(min(1.0, ndtr(-up) + ndtr(-down)))


def states(time_s: float, period_s: float) -> int:
    """States of the up/down counter before it believes a fault.

    Parameters
    ----------
    time_s : float [s]
        How long a fault must hold, > 0.
    period_s : float [s]
        Time between comparisons, > 0.

    Returns
    -------
    int [-]
        Number of states; a bad comparison goes up by ``UP``, a good one down by one.

    Notes
    -----
    The strategy counts up by the period and down by a share of it (``calibration.supervision``).
    """
    return max(1, math.ceil(round(UP * time_s / period_s, 9)))


def alarm_per_sample(bad: float, count: int) -> float:
    """Alarms per comparison of the up/down counter in the long run.

    Parameters
    ----------
    bad : float [-]
        Chance that a comparison is bad, 0 to 1.
    count : int [-]
        States before the alarm, >= 1.

    Returns
    -------
    float [1/comparison]
        Rate of a counter that begins again at nought after each alarm.

    Notes
    -----
    Markov chain, steady state by elimination without subtraction (Grassmann, Taksar and Heyman,
    Operations Research 33, 1985, from memory), so that the least rates keep their digits.
    """
    down, reset = np.full(count, 1.0 - bad), np.zeros(count)
    # rise[n, k]: chance to go from n to n + k + 1 in one comparison, or by way of states above
    # that are eliminated already
    rise = np.zeros((count, UP))
    rise[: max(count - UP, 0), UP - 1] = bad
    reset[max(count - UP, 0) :] = bad
    down[0] = 0.0
    for n in range(count - 1, 0, -1):
        out = down[n] + reset[n]
        if out <= 0.0:
            return 0.0
        steps = np.arange(min(UP, n))
        below = n - 1 - steps
        rise[below, steps] /= out
        weight = rise[below, steps]
        reset[below] += weight * reset[n]
        rise[below[1:], steps[1:] - 1] += weight[1:] * down[n]
    share = np.zeros(count)
    share[0] = 1.0
    for n in range(1, count):
        steps = np.arange(min(UP, n))
        below = n - 1 - steps
        share[n] = np.sum(share[below] * rise[below, steps])
    return float(bad * np.sum(share[max(count - UP, 0) :]) / np.sum(share))


def _advance(share: np.ndarray, bad: np.ndarray | float) -> tuple[np.ndarray, np.ndarray]:
    """One comparison: the new distribution over the states, and what has just given alarm."""
    wrong = np.asarray(bad)
    up, down = wrong[..., None], 1.0 - wrong[..., None]
    after = np.zeros_like(share)
    after[..., UP:] = up * share[..., :-UP]
    after[..., :-1] += down * share[..., 1:]
    after[..., 0] += down[..., 0] * share[..., 0]
    return after, wrong * np.sum(share[..., -UP:], axis=-1)


def found_within(bad: float, count: int, *, samples: int) -> float:
    """Chance that the counter believes a fault within so many comparisons.

    Parameters
    ----------
    bad : float [-]
        Chance that a comparison is bad while the fault is there.
    count : int [-]
        States before the alarm.
    samples : int [-]
        Comparisons, >= 0.

    Returns
    -------
    float [-]
        Chance, 0 to 1.
    """
    share = np.zeros(count)
    share[0] = 1.0
    found = 0.0
    for _ in range(samples):
        share, more = _advance(share, bad)
        found += float(more)
    return found


def stroke_alarm(moving: np.ndarray, rest: float, count: int, *, samples: np.ndarray) -> np.ndarray:
    """Chance of a false alarm in one stroke and while the counter runs down after it.

    Parameters
    ----------
    moving : ndarray of shape (n,) [-]
        Chance of a bad comparison while the pedal moves, for each of n speeds.
    rest : float [-]
        The same while it rests.
    count : int [-]
        States before the alarm.
    samples : ndarray of shape (n,) [-]
        Comparisons in a stroke at each speed.

    Returns
    -------
    ndarray of shape (n,) [-]
        Chance, 0 to 1.
    """
    share = np.zeros((len(moving), count))
    share[:, 0] = 1.0
    found = np.zeros(len(moving))
    tail = count if rest > _NEVER else 0
    for n in range(int(np.max(samples)) + tail):
        share, more = _advance(share, np.where(n < samples, moving, rest))
        found += more
    return found


def _false_rate(quality: Quality, demand: Demand, tolerance: float, count: int) -> float:
    rest = bad_share(quality.error_pct, tolerance, noise_pct=quality.noise_pct)
    # A slower stroke shifts less but lasts longer: the worst of several speeds counts.
    rates = quality.rate_pct_s * _SLOWER
    shifts = quality.error_pct + rates * quality.skew_s
    moving = np.array([bad_share(m, tolerance, noise_pct=quality.noise_pct) for m in shifts])
    samples = np.ceil(100.0 / rates / demand.period_s) + 1.0
    # Speeds at which the pedal is as well as at rest need no stroke of their own.
    worth = (moving > rest * (1.0 + 1e-9)) & (moving > _NEVER)
    still = alarm_per_sample(rest, count) * 3600.0 / demand.period_s
    if not np.any(worth):
        return 1000.0 * still
    stroke = np.max(stroke_alarm(moving[worth], rest, count, samples=samples[worth]))
    return 1000.0 * (still + demand.strokes_per_h * float(stroke))


def _found_bad(quality: Quality, demand: Demand, tolerance: float) -> float:
    # At its worst the error of healthy tracks hides a part of the fault.
    shift = demand.fault_pct - quality.error_pct
    return bad_share(shift, tolerance, noise_pct=quality.noise_pct)


def _least_tolerance(quality: Quality, demand: Demand, samples: int) -> float:
    low, high = 0.0, 2.0 * demand.fault_pct
    for _ in range(_STEPS):
        middle = 0.5 * (low + high)
        if _false_rate(quality, demand, middle, UP * samples) <= demand.false_per_1000_h:
            high = middle
        else:
            low = middle
    return high


def _most_tolerance(quality: Quality, demand: Demand, samples: int, allowed: int) -> float:
    low, high = 0.0, demand.fault_pct
    for _ in range(_STEPS):
        middle = 0.5 * (low + high)
        bad = _found_bad(quality, demand, middle)
        if found_within(bad, UP * samples, samples=allowed) >= _SURE:
            low = middle
        else:
            high = middle
    return low


def _tried(demand: Demand) -> tuple[int, ...]:
    """Comparisons that must be bad in a row: few find soon, many give few false alarms."""
    allowed = math.floor(demand.found_s / demand.period_s + 1e-9)
    return tuple(sorted({LEAST_SAMPLES, (LEAST_SAMPLES + 3 * allowed) // 4, allowed}))


def design_plausibility(quality: Quality, demand: Demand) -> Plausibility:
    """Choose tolerance and time so that false alarms stay rare and a real fault is found in time.

    Parameters
    ----------
    quality : Quality
        How well the healthy tracks agree.
    demand : Demand
        What is asked for.

    Returns
    -------
    Plausibility
        The middle of the tolerances that do both; not possible, with the reason, where none does.

    Raises
    ------
    InputError
        If a figure is out of its range.

    Notes
    -----
    The pedal counts as resting for all the hours where its tracks agree worst, and each stroke as
    one of full travel at the speed that gives most alarms: both err on the safe side.
    """
    for name in ("noise_pct", "error_pct", "skew_s", "rate_pct_s"):
        value = getattr(quality, name)
        least_allowed = 1e-6 if name == "rate_pct_s" else 0.0
        if not (math.isfinite(value) and value >= least_allowed):
            raise InputError("is out of range", key=name, value=value, allowed=">= 0, finite")
    for name in ("period_s", "found_s", "fault_pct", "false_per_1000_h"):
        value = getattr(demand, name)
        if not (math.isfinite(value) and value > 0.0):
            raise InputError("is out of range", key=name, value=value, allowed="above 0")
    allowed = math.floor(demand.found_s / demand.period_s + 1e-9)
    nothing = Plausibility(
        False, math.nan, math.nan, math.nan, math.nan, math.nan, math.inf, math.nan, ""
    )
    if allowed < LEAST_SAMPLES:
        reason = (
            f"sampling too slow for this check: {1e3 * demand.period_s:g} ms between comparisons "
            f"make {allowed} in {demand.found_s:g} s, it needs at least {LEAST_SAMPLES}"
        )
        return replace(nothing, reason=reason)
    ends = {n: _most_tolerance(quality, demand, n, allowed) for n in _tried(demand)}
    windows = [(n, _least_tolerance(quality, demand, n), most) for n, most in ends.items()]
    widest = max(high - low for _, low, high in windows)
    # The longest time that costs little: real noise is not as fresh at each sample as reckoned.
    samples, least, most = max(w for w in windows if w[2] - w[1] >= widest - _COST * abs(widest))
    skew = _most_skew(quality, demand, ends)
    if least > most:
        reason = (
            f"no tolerance does both: false alarms need at least {least:.1f} points, finding "
            f"{demand.fault_pct:g} points in {demand.found_s:g} s at most {most:.1f}; "
            + (
                "noise or track error is too large"
                if math.isnan(skew)
                else f"read the tracks at most {1e3 * skew:.1f} ms apart"
            )
        )
        return replace(nothing, least_pct=least, most_pct=most, most_skew_s=skew, reason=reason)
    tolerance = round(0.5 * (least + most), 1)
    if not least <= tolerance <= most:
        tolerance = 0.5 * (least + most)
    count = UP * samples
    false = _false_rate(quality, demand, tolerance, count)
    bad = _found_bad(quality, demand, tolerance)
    found = _found_after(bad, count, demand.period_s)
    reason = (
        f"{tolerance:g} points for {samples * demand.period_s:g} s; any tolerance from {least:.1f} "
        f"to {most:.1f} points does both"
    )
    return Plausibility(
        True, tolerance, samples * demand.period_s, least, most, false, found, skew, reason
    )


def _found_after(bad: float, count: int, period: float) -> float:
    share = np.zeros(count)
    share[0] = 1.0
    found = 0.0
    for n in range(1, 20 * count // UP):
        share, more = _advance(share, bad)
        found += float(more)
        if found >= _SURE:
            return n * period
    return math.inf


def _most_skew(quality: Quality, demand: Demand, ends: dict[int, float]) -> float:
    """Largest skew at which the largest tolerance that still finds the fault gives no alarm."""

    def fits(skew: float) -> bool:
        skewed = replace(quality, skew_s=skew)
        return any(
            _false_rate(skewed, demand, most, UP * n) <= demand.false_per_1000_h
            for n, most in ends.items()
        )

    if not fits(0.0):
        return math.nan
    low, high = 0.0, _MOST_SKEW
    if fits(high):
        return high
    for _ in range(9):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if fits(middle) else (low, middle)
    return low
