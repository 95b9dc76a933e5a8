"""Judging figures of anti-lag: shaft speed kept, exhaust, brake vacuum, torque at a shut-off."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from throttlewright.build.intent import Intent
from throttlewright.car.pack import Car
from throttlewright.design.anti_lag import LEAST_VACUUM, MOST_TORQUE, PRESS_EVERY, full_torque
from throttlewright.foundation.errors import InputError
from throttlewright.physics.late_burn import EXHAUST_BAND
from throttlewright.prove.role_figure import Judged, RoleFigure
from throttlewright.recording.recording import Recording

__all__ = ["FIGURES", "KEPT_AT"]

Floats = NDArray[np.float64]

KEPT_AT = (1.0, 2.0, 5.0)
"""Times after a lift at which the shaft speed is told [s]."""
SHUT_OFF_S = 0.5
"""Time in which torque has to be gone after a fault or the key [s]: half a second, as the rule
books of student events give for a plate that does not follow."""
_RELEASED_PCT = 1.0


def _series(recording: Recording, name: str) -> tuple[Floats, Floats]:
    channel = recording.channels[name]
    return np.asarray(channel.t_s, dtype=float), np.asarray(channel.values, dtype=float)


def _lift(recording: Recording) -> float:
    """Time at which a foot that was down has come off [s]."""
    t, foot = _series(recording, "pedal_pct")
    down = np.flatnonzero(foot > 50.0)
    if not down.size:
        raise InputError("the foot is never down", key="pedal_pct")
    off = np.flatnonzero((foot < _RELEASED_PCT) & (t > t[down[-1]]))
    if not off.size:
        raise InputError("the foot never comes off", key="pedal_pct")
    return float(t[off[0]])


def shaft(recording: Recording, car: Car, intent: Intent) -> Judged:
    """Tell how much of the turbo's speed is left 1, 2 and 5 s after a lift.

    Parameters
    ----------
    recording : Recording
        A run with a lift from boost.
    car : Car
        Not used.
    intent : Intent
        Not used.

    Returns
    -------
    Judged
        Share of the speed before the lift after 2 s [%].
    """
    lift = _lift(recording)
    t, turbo = _series(recording, "turbo_rpm")
    _, pressure = _series(recording, "map_kPa")
    before = float(turbo[t <= lift][-1]) if np.any(t <= lift) else math.nan
    before = max(before, float(np.max(turbo[(t > lift - 0.3) & (t <= lift)])))
    kept = [100.0 * float(np.interp(lift + s, t, turbo)) / before for s in KEPT_AT]
    shares = ", ".join(f"{k:.0f} % after {s:g} s" for k, s in zip(kept, KEPT_AT, strict=True))
    after = float(np.interp(lift + KEPT_AT[1], t, pressure))
    return Judged(
        kept[1],
        "%",
        None,
        None,
        f"of {before / 1e3:.0f} 000 rpm before the lift the turbo keeps {shares}; manifold "
        f"pressure is {after:.0f} kPa after {KEPT_AT[1]:g} s",
    )


def exhaust(recording: Recording, car: Car, intent: Intent) -> Judged:
    """Judge the exhaust temperature after the lift, with its band.

    Parameters
    ----------
    recording : Recording
        A run with a lift from boost.
    car : Car
        Not used.
    intent : Intent
        Its limit.

    Returns
    -------
    Judged
        Peak at the sensor [degC]; good up to 50 K over the limit, at which it ends.
    """
    if intent.anti_lag is None:
        raise InputError("no anti-lag is asked for", key="anti_lag")
    lift = _lift(recording)
    t, hot = _series(recording, "exhaust_degC")
    limit = intent.anti_lag.exhaust_limit - 273.15
    peak = float(hot[t >= lift].max())
    return Judged(
        peak,
        "degC",
        limit + 50.0,
        peak <= limit + 50.0,
        f"after the lift the exhaust sensor peaks at {peak:.0f} degC ({peak - EXHAUST_BAND:.0f} to "
        f"{peak + EXHAUST_BAND:.0f} degC is what the model knows) against a limit of "
        f"{limit:.0f} degC",
    )


def vacuum(recording: Recording, car: Car, intent: Intent) -> Judged:
    """Judge the vacuum that the brake booster has again after each press.

    Parameters
    ----------
    recording : Recording
        A run with presses of the brake.
    car : Car
        Not used.
    intent : Intent
        Not used.

    Returns
    -------
    Judged
        The least, over the presses, of what is reached again before the next press and within
        2 s [kPa].
    """
    t, held = _series(recording, "brake_vacuum_kPa")
    _, brake = _series(recording, "brake_pct")
    pressed = np.flatnonzero((brake[1:] > 1.0) & (brake[:-1] <= 1.0)) + 1
    if not pressed.size:
        raise InputError("the brake is never pressed", key="brake_pct")
    found = []
    for k, at in enumerate(pressed):
        end = float(t[pressed[k + 1]]) if k + 1 < pressed.size else math.inf
        inside = (t >= t[at] + 0.3) & (t < min(float(t[at]) + PRESS_EVERY, end))
        found.append(float(held[inside].max()))
    least = min(found)
    every = ", ".join(f"{v:.0f}" for v in found)
    return Judged(
        least,
        "kPa",
        LEAST_VACUUM / 1e3,
        least >= LEAST_VACUUM / 1e3,
        f"the booster has {every} kPa of vacuum again within {PRESS_EVERY:g} s of each of "
        f"{len(found)} presses",
    )


def torque_left(recording: Recording, car: Car, intent: Intent) -> Judged:
    """Judge the torque that is left half a second after the foot comes off, faults or not.

    Parameters
    ----------
    recording : Recording
        A run with a lift, and with faults or the key turned off after it.
    car : Car
        Its full torque.
    intent : Intent
        Not used.

    Returns
    -------
    Judged
        Largest torque from half a second after the lift to the end, of the full one at that speed
        [%]; what the key leaves is told.
    """
    lift = _lift(recording)
    t, torque = _series(recording, "torque_Nm")
    _, rpm = _series(recording, "engine_rpm")
    _, key = _series(recording, "key_1")
    inside = t >= lift + SHUT_OFF_S
    grid = np.linspace(max(0.9 * float(rpm[inside].min()), 800.0), float(rpm.max()), 12)
    full, _ = full_torque(car, grid * math.pi / 30.0)
    share = 100.0 * torque[inside] / np.interp(rpm[inside], grid, full)
    most = float(share.max())
    off = np.flatnonzero(inside & (key < 0.5))
    tail = ""
    if off.size:
        last = t >= t[off[0]] + SHUT_OFF_S
        tail = f"; half a second after the key {float(torque[last].max()):.0f} N m"
    return Judged(
        most,
        "%",
        100.0 * MOST_TORQUE,
        most <= 100.0 * MOST_TORQUE,
        f"with the foot off the engine gives at most {most:.1f} % of its full torque{tail}",
    )


FIGURES: dict[str, RoleFigure] = {
    "anti_lag_shaft": shaft,
    "anti_lag_exhaust": exhaust,
    "anti_lag_vacuum": vacuum,
    "anti_lag_torque_left": torque_left,
}
"""By name."""
