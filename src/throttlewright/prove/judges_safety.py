"""What the criteria of safety find in a run: returns, unasked acceleration, speeds, pressures."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import maximum_filter1d

from throttlewright.calibration.reactions import ACTIONS
from throttlewright.prove.criterion import Found, Settings
from throttlewright.prove.feel import turning_points
from throttlewright.prove.measures import (
    largest,
    longest_above,
    overboost,
    return_time,
    spans_above,
    steady_end,
    surge_time,
    unasked_acceleration,
)
from throttlewright.prove.run import NotApplicableError, NotProvenError, Run, series

__all__ = [
    "brake_vacuum",
    "cold_ceiling",
    "exhaust_temperature",
    "find_overboost_peak",
    "find_overboost_time",
    "find_surge",
    "find_unasked_acceleration",
    "kept_power",
    "last_release",
    "motor_current",
    "no_stall",
    "power_removed",
    "released_engine_speed",
    "released_speed",
    "return_to_idle",
    "return_unpowered",
    "unpowered_speed",
]

Floats = NDArray[np.float64]
RELEASED_PCT = 1.0
FLAT_PCT = 99.0


_FOLLOWS_S = 0.1
"""Time a plate may take to follow a ceiling that moves [s]: 60 to 100 ms of the servo, computed."""


def number(settings: Settings, key: str) -> float:
    """Return one number of a criterion's data."""
    value: Any = settings[key]
    return float(value)


def last_release(t_s: Floats, pedal_pct: Floats) -> tuple[float, float]:
    """Return when the foot first leaves the pedal, and when it next presses it or the end.

    Parameters
    ----------
    t_s : ndarray of shape (n,) [s]
        Times.
    pedal_pct : ndarray of shape (n,) [%]
        What the foot asks; released at 1 % and less.

    Returns
    -------
    (float, float) [s]
        Time of release and end of being released.

    Raises
    ------
    NotApplicableError
        If the foot never leaves a pressed pedal.
    """
    pressed = pedal_pct > RELEASED_PCT
    falls = np.flatnonzero(pressed[:-1] & ~pressed[1:])
    if not falls.size:
        raise NotApplicableError("the pedal is never released in this run")
    first = int(falls[0]) + 1
    again = np.flatnonzero(pressed[first:])
    end = first + int(again[0]) if again.size else t_s.size - 1
    return float(t_s[first]), float(t_s[end])


def power_removed(t_s: Floats, key_1: Floats, bridge_1: Floats) -> list[tuple[float, float, bool]]:
    """Return the spans in which the plate has no power: key off, or bridge off.

    Parameters
    ----------
    t_s : ndarray of shape (n,) [s]
        Times.
    key_1 : ndarray of shape (n,) [-]
        1 with the key on.
    bridge_1 : ndarray of shape (n,) [-]
        0 while the bridge drives, 1 while it is off.

    Returns
    -------
    list of (float, float, bool) [s, s, -]
        Start, end, and whether power came back at the end.

    Raises
    ------
    NotApplicableError
        If the plate has power all the time.
    """
    off = np.where((key_1 < 0.5) | (bridge_1 >= 0.5), 1.0, 0.0)
    spans = spans_above(t_s, off, limit=0.5)
    if not spans:
        raise NotApplicableError("the plate keeps its power in this run")
    return [(a, b, not (b == t_s[-1] and off[-1] > 0.5)) for a, b in spans]


def _timed(value: float, watched_s: float, limit: float, what: str) -> Found:
    """Return a time, or what is known of a time that had not ended with the recording."""
    if math.isfinite(value):
        return Found(value, limit=limit)
    if watched_s > limit:
        return Found(watched_s, f"{what} was not reached while watched, {watched_s:.3g} s", limit)
    raise NotProvenError(f"the run ends {watched_s:.3g} s on, before the limit of {limit:.3g} s")


def return_to_idle(run: Run, settings: Settings) -> Found:
    """Find the time from release to idle."""
    severed = settings["faults"]
    if run.fault and run.fault not in severed:  # type: ignore[operator]
        raise NotApplicableError(f"{run.fault} is no severance or disconnection of a component")
    t, plate, pedal = run.series("plate_pct", "pedal_pct")
    released, end = last_release(t, pedal)
    idle = run.car.need("idle_plate_pct")
    if run.fault:
        # The clause speaks of the idle position that fits the conditions: after a fault the
        # springs' own position is one.
        idle = max(idle, run.car.need("rest_plate_pct"))
    limit = number(settings, "limit")
    if run.car.need("gross_mass_kg") > number(settings, "heavy_above_kg"):
        limit = number(settings, "heavy_limit")
    if run.car.need("ambient_degC") <= number(settings, "cold_at_degC"):
        limit = number(settings, "cold_limit")
    start = max(released, run.fault_at_s) if run.fault else released
    if start >= end:
        raise NotApplicableError("what breaks here breaks after the pedal is pressed again")
    inside = t <= end
    value = return_time(
        t[inside],
        plate[inside],
        released_at_s=start,
        idle_pct=idle,
        band_pct=number(settings, "band_pct"),
    )
    return _timed(value, end - start, limit, "idle")


def return_unpowered(run: Run, settings: Settings) -> Found:
    """Find the time from loss of power to idle; fuel off at the limit is as good."""
    t, plate, key, bridge, cut = run.series("plate_pct", "key_1", "bridge_1", "fuel_cut_1")
    spans = power_removed(t, key, bridge)
    idle = max(run.car.need("idle_plate_pct"), run.car.need("rest_plate_pct"))
    limit, band = number(settings, "limit"), number(settings, "band_pct")
    found: list[Found] = []
    for start, end, back in spans:
        inside = t < end if back else t <= end
        value = return_time(
            t[inside], plate[inside], released_at_s=start, idle_pct=idle, band_pct=band
        )
        late = inside & (t > start + limit)
        if not value <= limit and np.any(late) and np.all(cut[late] >= 0.999):
            found.append(Found(limit, "the plate is not at idle, but fuel is off", limit))
        elif math.isfinite(value) or not back or end - start > limit:
            found.append(_timed(value, end - start, limit, "idle"))
    if not found:
        raise NotApplicableError(f"power comes back within {limit:g} s")
    return max(found, key=lambda one: one.value)


def find_unasked_acceleration(run: Run, settings: Settings) -> Found:
    """Find how long the car accelerates more than its healthy twin."""
    if not run.fault:
        raise NotApplicableError("nothing is broken in this run")
    if run.healthy is None:
        raise NotProvenError("there is no run of the healthy car to compare with")
    t, actual, speed, pedal = run.series("acceleration_m_s2", "speed_m_s", "pedal_pct")
    healthy_t, healthy = series(run.healthy, "acceleration_m_s2")
    if healthy_t[-1] < t[-1] - 1e-6:
        raise NotProvenError("the run of the healthy car is shorter")
    asked = np.interp(t, healthy_t, healthy)
    # A flat foot asks for all there is: what comes later than in the healthy car is not unasked.
    asked = np.where(pedal >= FLAT_PCT, np.maximum(asked, actual), asked)
    excess = number(settings, "excess_m_s2")
    value = unasked_acceleration(t, actual, asked, speed, excess_m_s2=excess)
    most = largest(np.where(speed > 0.5, actual - asked, 0.0))
    return Found(value, f"most {max(0.0, most):.3g} m/s2 above what was asked")


def released_speed(run: Run, settings: Settings) -> Found:
    """Find the road speed that the car holds by itself."""
    t, speed, pedal, brake, gear, clutch = run.series(
        "speed_m_s", "pedal_pct", "brake_pct", "gear_1", "clutch_pct"
    )
    window = number(settings, "window_s")
    rolling = (pedal <= RELEASED_PCT) & (brake <= 1.0) & (gear > 0.5) & (clutch > 99.0)
    last = t >= t[-1] - window
    if not np.all(rolling[last]):
        raise NotApplicableError("the run does not end in gear with the pedal released")
    mean, drift = steady_end(t, speed, window_s=window)
    limit, slow = number(settings, "limit"), number(settings, "drift_m_s")
    if not math.isfinite(mean):
        raise NotProvenError(f"the run is shorter than {window:g} s")
    end = float(speed[-1])
    if abs(drift) > slow:
        # Fuel that comes and goes makes the car hunt: then its highest speed is what it holds.
        alone = int(np.flatnonzero(~rolling)[-1]) + 1 if not np.all(rolling) else 0
        turns = turning_points(speed[alone:], swing=slow)
        if turns.size >= 2:
            return Found(largest(speed[alone + turns[0] :]), "the speed hunts, highest taken")
    if drift > slow and end <= limit:
        raise NotProvenError("the car still gains speed at the end", end)
    if drift < -slow and end > limit:
        raise NotProvenError("the car still loses speed at the end", end)
    return Found(mean if abs(drift) <= slow else end)


def released_engine_speed(run: Run, settings: Settings) -> Found:
    """Find the engine speed that stays without load and with the pedal released."""
    t, rpm, pedal, gear, clutch, key = run.series(
        "engine_rpm", "pedal_pct", "gear_1", "clutch_pct", "key_1"
    )
    window = number(settings, "window_s")
    last = t >= t[-1] - window
    if np.any(key[last] < 0.5) or np.any(pedal[last] > RELEASED_PCT):
        raise NotApplicableError("the run does not end with the key on and the pedal released")
    if not np.all((gear[last] < 0.5) | (clutch[last] < 1.0)):
        raise NotApplicableError("the engine carries the car at the end")
    mean, drift = steady_end(t, rpm, window_s=window)
    limit = number(settings, "limit")
    if math.isfinite(run.car.limp_rpm):
        limit = run.car.limp_rpm + number(settings, "hysteresis_rpm")
    if drift > number(settings, "drift_rpm") and mean <= limit:
        raise NotProvenError("engine speed still rises at the end", mean)
    return Found(mean, limit=limit)


def motor_current(run: Run, settings: Settings) -> Found:
    """Find how long the motor carries a large share of its stall current."""
    if run.fault in settings["except_faults"]:  # type: ignore[operator]
        raise NotApplicableError("bridge and relay have both failed: only a fuse ends the current")
    t, current = run.series("current_A")
    stall = run.car.need("stall_A")
    size = np.abs(current)
    value = longest_above(t, size, limit=number(settings, "share_1") * stall)
    return Found(value, f"most {largest(size):.3g} A, stall {stall:.3g} A")


def kept_power(run: Run, settings: Settings) -> Found:
    """Find how long a car that is meant to carry on is slower than its healthy twin."""
    meant = settings["faults"]
    if run.fault not in meant:  # type: ignore[operator]
        raise NotApplicableError("the car is not meant to carry on with full power")
    if run.healthy is None:
        raise NotProvenError("there is no run of the healthy car to compare with")
    t, actual = run.series("acceleration_m_s2")
    healthy_t, healthy = series(run.healthy, "acceleration_m_s2")
    if healthy_t[-1] < t[-1] - 1e-6:
        raise NotProvenError("the run of the healthy car is shorter")
    missing = np.interp(t, healthy_t, healthy) - actual
    short, gap = number(settings, "short_m_s2"), number(settings, "gap_s")
    value = longest_above(t, missing, limit=short, gap_s=gap)
    return Found(value, f"most {max(0.0, largest(missing)):.3g} m/s2 below what was asked")


def unpowered_speed(run: Run, settings: Settings) -> Found:
    """Find the engine speed without load while the plate has no power."""
    t, rpm, key, bridge, gear, clutch = run.series(
        "engine_rpm", "key_1", "bridge_1", "gear_1", "clutch_pct"
    )
    window = number(settings, "window_s")
    last = t >= t[-1] - window
    if np.any(key[last] < 0.5):
        raise NotApplicableError("the key is off at the end")
    if not np.all((gear[last] < 0.5) | (clutch[last] < 1.0)):
        raise NotApplicableError("the engine carries the car at the end")
    # A motor that is lost leaves the plate without power though its bridge drives.
    if run.fault != "motor_open" and not np.all(bridge[last] >= 0.5):
        raise NotApplicableError("the plate has power at the end")
    mean, drift = steady_end(t, rpm, window_s=window)
    own = run.car.limp_rpm
    limit = own if math.isfinite(own) else number(settings, "limit")
    if drift > number(settings, "drift_rpm") and mean <= limit:
        raise NotProvenError("engine speed still rises at the end", mean)
    return Found(mean, limit=limit)


def _boost(run: Run, settings: Settings) -> tuple[Floats, Floats, float]:
    if not run.car.boosted:
        raise NotApplicableError("the engine is not boosted")
    t, pressure = run.series(str(settings["channel"]))
    return t, pressure, run.car.need("boost_limit_kPa")


def find_overboost_peak(run: Run, settings: Settings) -> Found:
    """Find the largest excess over the boost limit."""
    t, pressure, limit = _boost(run, settings)
    text = ""
    if "pipe_kPa" in run.recording.channels:
        pipe = largest(run.series("pipe_kPa")[1])
        text = f"before the plate at most {pipe:.4g} kPa, {pipe - limit:+.3g} kPa from that limit"
    return Found(overboost(t, pressure, limit_kPa=limit, margin_kPa=0.0).peak_kPa, text)


def find_overboost_time(run: Run, settings: Settings) -> Found:
    """Find the longest time over the boost limit."""
    t, pressure, limit = _boost(run, settings)
    margin = number(settings, "margin_kPa")
    found = overboost(t, pressure, limit_kPa=limit, margin_kPa=margin)
    return Found(found.longest_s, f"{found.total_s:.3g} s all together")


def find_surge(run: Run, settings: Settings) -> Found:
    """Find the time beyond the surge line."""
    if not run.car.boosted:
        raise NotApplicableError("the engine is not boosted")
    t, margin = run.series("surge_margin_1")
    return Found(surge_time(t, margin), f"least margin {float(margin.min()):.3g}")


def no_stall(run: Run, settings: Settings) -> Found:
    """Find the least engine speed from when it runs until the key goes off."""
    t, rpm, key, action = run.series("engine_rpm", "key_1", "action_1")
    runs = np.flatnonzero(rpm >= number(settings, "running_rpm"))
    if not runs.size:
        raise NotApplicableError("the engine never runs in this run")
    off = np.flatnonzero((key < 0.5) & (np.arange(t.size) > runs[0]))
    end = int(off[0]) if off.size else t.size
    seen = rpm[runs[0] : end]
    if not seen.size:
        raise NotApplicableError("the key goes off before the engine runs")
    lowest = int(np.argmin(seen))
    # Only a reaction that is meant to stop the engine may: any other cut of fuel must let it live.
    off_now = action[runs[0] : end].astype(np.int64) >> ACTIONS.index("fuel_off") & 1
    stopped = float(seen[lowest]) < number(settings, "limit")
    if run.fault and stopped and np.all(off_now[max(0, lowest - 20) : lowest + 1]):
        raise NotApplicableError("the reaction fuel_off stopped the engine on purpose")
    return Found(float(seen[lowest]))


def exhaust_temperature(run: Run, settings: Settings) -> Found:
    """Find the hottest exhaust."""
    _, exhaust = run.series("exhaust_degC")
    own = run.car.exhaust_limit_degC
    return Found(largest(exhaust), limit=own if math.isfinite(own) else None)


def brake_vacuum(run: Run, settings: Settings) -> Found:
    """Find the vacuum left for the brakes."""
    _, vacuum = run.series("brake_vacuum_kPa")
    return Found(float(vacuum[-1]), f"least {float(vacuum.min()):.3g} kPa on the way")


def cold_ceiling(run: Run, settings: Settings) -> Found:
    """Find by how much the plate passes the cold limit."""
    ceiling = run.car.cold_ceiling
    if ceiling is None:
        raise NotApplicableError("no cold limit is asked for")
    names = ["plate_pct", "coolant_degC", "engine_rpm"]
    if ceiling.map_kPa is not None:
        names.append("map_measured_kPa")
    t, plate, coolant, rpm, *pressure = run.series(*names)
    # Before the engine runs the plate still stands where its springs hold it.
    # A ceiling with a loop moves with the pressure, faster than any servo follows.
    back = max(round(0.5 * _FOLLOWS_S / max(float(t[1] - t[0]), 1e-6)), 1)
    most = maximum_filter1d(ceiling.at(coolant, rpm, *pressure), 2 * back + 1, origin=back)
    excess = np.where(rpm >= number(settings, "running_rpm"), plate - most, 0.0)
    above = longest_above(t, excess, limit=number(settings, "limit"))
    return Found(max(0.0, largest(excess)), f"longest {above:.3g} s above")
