"""What the criteria of driving find in a run: tip-in, slip, idle, plate steps."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from throttlewright.prove.criterion import Found, Settings
from throttlewright.prove.feel import TipIn, shuffle_cycles, tip_in
from throttlewright.prove.judges_safety import number
from throttlewright.prove.measures import (
    StepAnswer,
    dip_below,
    flare_above,
    settling_time,
    slip_events,
    steady_end,
    step_answer,
)
from throttlewright.prove.run import NotApplicableError, NotProvenError, Run

__all__ = [
    "find_idle_dip",
    "find_idle_flare",
    "find_idle_settling",
    "find_shuffle",
    "find_slip",
    "idle_speed_error",
    "servo_overshoot",
    "servo_rise",
    "servo_settling",
    "tip_in_delay",
    "tip_in_jerk",
    "tip_in_overshoot",
    "tip_in_rise",
]

Floats = NDArray[np.float64]


def _pedal_step(t: Floats, pedal: Floats) -> float:
    moved = np.flatnonzero(np.abs(pedal - pedal[0]) > 1.0)
    if not moved.size:
        raise NotApplicableError("the pedal does not move in this run")
    if moved[0] < 1:
        raise NotProvenError("the run begins with the step of the pedal")
    return float(t[moved[0] - 1])


def _tip_in(run: Run) -> TipIn:
    t, acceleration, pedal = run.series("acceleration_m_s2", "pedal_pct")
    step = _pedal_step(t, pedal)
    if step <= t[0]:
        raise NotProvenError("a tip-in needs some time before the step")
    held = (t <= step) | (pedal >= np.maximum.accumulate(pedal) - 2.0)
    let_go = np.flatnonzero(~held)
    if let_go.size:
        t, acceleration = t[: let_go[0]], acceleration[: let_go[0]]
    if t[-1] - step < 1.0:
        raise NotProvenError("the pedal is held for less than 1 s")
    found = tip_in(t, acceleration, step_at_s=step)
    if not found.step_m_s2 > 0.0:
        raise NotProvenError("the car does not gain acceleration from the step")
    return found


def _reached(value: float, what: str) -> float:
    if not math.isfinite(value):
        raise NotProvenError(f"{what} is not reached in this run")
    return value


def tip_in_delay(run: Run, settings: Settings) -> Found:
    """Find the delay to 0.05 g."""
    return Found(_reached(_tip_in(run).delay_s, "0.05 g"))


def tip_in_rise(run: Run, settings: Settings) -> Found:
    """Find the rise from 10 to 90 %."""
    found = _tip_in(run)
    limit = number(settings, "boosted_limit" if run.car.boosted else "limit")
    return Found(_reached(found.rise_s, "90 %"), f"{found.step_m_s2:.3g} m/s2 gained", limit)


def tip_in_overshoot(run: Run, settings: Settings) -> Found:
    """Find the overshoot in percent of the step."""
    return Found(100.0 * _tip_in(run).overshoot_1)


def tip_in_jerk(run: Run, settings: Settings) -> Found:
    """Find the largest jerk."""
    found = _tip_in(run)
    return Found(found.jerk_m_s3, f"dose of 1 to 10 Hz {found.vdv_m_s175:.3g} m/s^1.75")


def find_shuffle(run: Run, settings: Settings) -> Found:
    """Find the cycles of shuffle after the step."""
    t, acceleration, pedal = run.series("acceleration_m_s2", "pedal_pct")
    after = t >= _pedal_step(t, pedal)
    if t[-1] - t[after][0] < 1.0:
        raise NotProvenError("shuffle needs 1 s after the step")
    amplitude = number(settings, "amplitude_m_s2")
    return Found(shuffle_cycles(t[after], acceleration[after], amplitude_m_s2=amplitude))


def find_slip(run: Run, settings: Settings) -> Found:
    """Find the longest event of slip."""
    t, slip, speed = run.series("slip_1", "speed_m_s")
    own = run.car.slip_limit_1
    limit = own if math.isfinite(own) else number(settings, "slip_1")
    found = slip_events(t, slip, speed, limit_1=limit)
    text = f"{found.events} events above {limit:.3g}, by {found.most_excess_1:.3g} at most"
    return Found(found.longest_s, text)


def _idle(run: Run) -> tuple[Floats, Floats, float, list[tuple[float, float]]]:
    """Return clock, speed, target, and the spans from one disturbance to the next."""
    t, rpm, pedal, load, gear, clutch = run.series(
        "engine_rpm", "pedal_pct", "load_Nm", "gear_1", "clutch_pct"
    )
    target = run.car.need("idle_rpm")
    idling = (pedal <= 1.0) & ((gear < 0.5) | (clutch < 1.0))
    if not idling[-1]:
        raise NotApplicableError("the run does not end at idle")
    driven = np.flatnonzero(~idling)
    begin = int(driven[-1]) + 1 if driven.size else 0
    # An engine that falls back to idle is not disturbed at idle before it gets there.
    near = np.flatnonzero(rpm[begin:] <= target + 100.0)
    if not near.size:
        raise NotProvenError("the engine does not come down to idle", float(rpm[-1]))
    start = begin if rpm[begin] <= target + 100.0 else begin + int(near[0])
    steps = np.flatnonzero(np.abs(np.diff(load)) > 0.5) + 1
    starts = [float(t[start]), *(float(t[i]) for i in steps if i > start)]
    # A ramp of load is one disturbance, which ends with its last step.
    starts = [a for a, b in zip(starts, [*starts[1:], math.inf], strict=True) if b - a > 0.05]
    spans = list(zip(starts, [*starts[1:], float(t[-1])], strict=True))
    return t, rpm, target, spans


def find_idle_dip(run: Run, settings: Settings) -> Found:
    """Find the dip below idle."""
    t, rpm, target, spans = _idle(run)
    return Found(dip_below(rpm[t >= spans[0][0]], target=target))


def find_idle_flare(run: Run, settings: Settings) -> Found:
    """Find the flare above idle."""
    t, rpm, target, spans = _idle(run)
    return Found(flare_above(rpm[t >= spans[0][0]], target=target))


def find_idle_settling(run: Run, settings: Settings) -> Found:
    """Find the longest settling after a disturbance."""
    t, rpm, target, spans = _idle(run)
    limit = number(settings, "limit")
    slowest, short = 0.0, 0.0
    for start, end in spans:
        inside = (t >= start) & (t < end) if end < t[-1] else t >= start
        band = number(settings, "band_rpm")
        value = settling_time(t[inside], rpm[inside], start_s=start, target=target, band=band)
        if math.isfinite(value):
            slowest = max(slowest, value)
        elif end - start > limit:
            slowest = max(slowest, end - start)
        else:
            short = max(short, end - start)
    if short and slowest <= limit:
        raise NotProvenError(f"not settled within {short:.3g} s, and not watched longer", short)
    return Found(slowest, f"slowest of {len(spans)} disturbances")


def idle_speed_error(run: Run, settings: Settings) -> Found:
    """Find how far idle is off its target at the end."""
    t, rpm, target, spans = _idle(run)
    window = number(settings, "window_s")
    if t[-1] - spans[-1][0] < window:
        raise NotProvenError(f"the engine idles undisturbed for less than {window:g} s")
    mean, drift = steady_end(t, rpm, window_s=window)
    error = abs(mean - target)
    if abs(drift) > number(settings, "drift_rpm") and error <= number(settings, "limit"):
        raise NotProvenError("engine speed still drifts at the end", error)
    return Found(error)


def _servo(run: Run, settings: Settings, band: float) -> StepAnswer:
    """Return the answer to the largest step of the plate's target."""
    t, plate, target = run.series("plate_pct", "plate_target_pct")
    jumps = np.diff(target)
    at = int(np.argmax(np.abs(jumps)))
    if abs(jumps[at]) < number(settings, "least_step_pct"):
        raise NotApplicableError("the plate's target does not step in this run")
    later = np.flatnonzero(np.abs(target[at + 1 :] - target[at + 1]) > 0.1)
    end = at + 1 + int(later[0]) if later.size else t.size
    if t[end - 1] - t[at + 1] < 0.3:
        raise NotProvenError("the step is held for less than 0.3 s")
    span = slice(at + 1, end)
    return step_answer(
        t[span],
        plate[span],
        step_at_s=float(t[at + 1]),
        before=float(target[at]),
        after=float(target[at + 1]),
        band=band,
    )


def servo_rise(run: Run, settings: Settings) -> Found:
    """Find the time to 90 % of a step."""
    return Found(_reached(_servo(run, settings, 0.0).rise_s, "90 % of the step"))


def servo_settling(run: Run, settings: Settings) -> Found:
    """Find the settling time of a step."""
    found = _servo(run, settings, number(settings, "band_pct"))
    if not math.isfinite(found.settling_s):
        # The step was held for 0.3 s at least, twice the limit.
        return Found(max(0.3, number(settings, "limit")), "not settled while the step was held")
    return Found(found.settling_s)


def servo_overshoot(run: Run, settings: Settings) -> Found:
    """Find the overshoot in percent of a step."""
    return Found(100.0 * _servo(run, settings, 0.0).overshoot_1)
