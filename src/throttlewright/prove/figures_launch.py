"""Judging figures of launch: speed held, boost, exhaust with its band, and slip as the car goes."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from throttlewright.build.intent import Intent
from throttlewright.car.pack import Car
from throttlewright.foundation.errors import InputError
from throttlewright.physics.late_burn import EXHAUST_BAND
from throttlewright.prove.role_figure import Judged, RoleFigure
from throttlewright.recording.recording import Recording

__all__ = ["FIGURES", "HELD_RPM"]

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]

HELD_RPM = 100.0
"""Most off the held speed from 0.6 s after it is first reached [rpm]; tool default."""
_SETTLE_S = 0.6
_STANDS = 1.0
_FOOT_PCT = 90.0
_SLIDES = 0.5
_MOST_SLIDING_S = 0.5
_LEFT_RPM = 500.0


def _series(recording: Recording, name: str) -> tuple[Floats, Floats]:
    channel = recording.channels[name]
    return np.asarray(channel.t_s, dtype=float), np.asarray(channel.values, dtype=float)


def _hold(recording: Recording, intent: Intent) -> tuple[Floats, Floats, Flags, float]:
    """Times, engine speed, which samples are of the hold, and the wanted speed [rpm].

    The hold begins when the speed is first near, and ends with the pedal, as the car moves, or
    where a plate put back to idle lets the engine fall.
    """
    if intent.launch is None:
        raise InputError("no launch is asked for", key="launch")
    wanted = intent.launch.speed * 30.0 / math.pi
    t, rpm = _series(recording, "engine_rpm")
    _, foot = _series(recording, "pedal_pct")
    _, speed = _series(recording, "speed_m_s")
    on = (foot > _FOOT_PCT) & (speed < _STANDS)
    near = np.flatnonzero(on & (rpm > wanted - HELD_RPM))
    inside = np.zeros(t.size, dtype=bool)
    if near.size:
        inside = on & (t >= t[near[0]])
        # the foot is flat: a speed that falls far below is an end, not a hold
        fallen = np.flatnonzero(inside & (rpm < wanted - _LEFT_RPM))
        if fallen.size:
            inside &= t < t[fallen[0]] - 0.3
    return t, rpm, inside, wanted


def held_speed(recording: Recording, car: Car, intent: Intent) -> Judged:
    """Judge the engine speed at the line.

    Parameters
    ----------
    recording : Recording
        A run with a flat foot in a standing car.
    car : Car
        Not used.
    intent : Intent
        Its launch.

    Returns
    -------
    Judged
        Largest distance from the wanted speed [rpm], from 0.6 s after it is first reached.
    """
    t, rpm, inside, wanted = _hold(recording, intent)
    if not np.any(inside):
        return Judged(math.nan, "rpm", HELD_RPM, False, "the engine never reaches the held speed")
    settled = inside & (t > t[np.flatnonzero(inside)[0]] + _SETTLE_S)
    if not np.any(settled):
        return Judged(math.nan, "rpm", HELD_RPM, False, "the hold ends before it has settled")
    off = float(np.max(np.abs(rpm[settled] - wanted)))
    times = t[settled]
    return Judged(
        off,
        "rpm",
        HELD_RPM,
        off <= HELD_RPM,
        f"engine speed is within {off:.0f} rpm of {wanted:.0f} rpm for "
        f"{float(times[-1] - times[0]):.1f} s, and peaks {float(rpm[inside].max()) - wanted:+.0f} "
        "rpm from it",
    )


def boost(recording: Recording, car: Car, intent: Intent) -> Judged:
    """Tell the boost that is reached at the line, and when.

    Parameters
    ----------
    recording : Recording
        A run with a flat foot in a standing car.
    car : Car
        Its ambient pressure.
    intent : Intent
        Its launch.

    Returns
    -------
    Judged
        Highest boost while it holds [kPa]; no limit, for how much there is must be measured.
    """
    t, _, inside, _ = _hold(recording, intent)
    _, pipe = _series(recording, "pipe_kPa")
    ambient = float(car.record["p_ambient"]) / 1e3
    if not np.any(inside):
        return Judged(math.nan, "kPa", None, None, "the engine never reaches the held speed")
    gauge = pipe - ambient
    most = float(gauge[inside].max())
    _, foot = _series(recording, "pedal_pct")
    flat = float(t[np.flatnonzero(foot > _FOOT_PCT)[0]])
    first = float(t[np.flatnonzero(inside & (gauge >= 0.9 * most))[0]])
    asked = None if intent.launch is None else intent.launch.boost
    wanted = "" if asked is None else f" of {asked / 1e3:.0f} kPa wanted"
    return Judged(
        most,
        "kPa",
        None,
        None,
        f"boost reaches {most:.0f} kPa{wanted} while the car stands, nine tenths of it "
        f"{first - flat:.1f} s after the foot is flat; late burning is known to 30 % of torque",
    )


def exhaust(recording: Recording, car: Car, intent: Intent) -> Judged:
    """Judge the exhaust temperature at its sensor, with its band.

    Parameters
    ----------
    recording : Recording
        A run with a flat foot in a standing car.
    car : Car
        Not used.
    intent : Intent
        Its limit.

    Returns
    -------
    Judged
        Peak [degC]; good where it passes the limit by no more than 50 K, for the sensor goes on
        rising after the end.
    """
    if intent.launch is None:
        raise InputError("no launch is asked for", key="launch")
    t, hot = _series(recording, "exhaust_degC")
    limit = intent.launch.exhaust_limit - 273.15
    peak = float(hot.max())
    over = np.flatnonzero(hot > limit)
    when = f"; the limit is passed at {float(t[over[0]]):.1f} s" if over.size else ""
    return Judged(
        peak,
        "degC",
        limit + 50.0,
        peak <= limit + 50.0,
        f"the exhaust sensor peaks at {peak:.0f} degC ({peak - EXHAUST_BAND:.0f} to "
        f"{peak + EXHAUST_BAND:.0f} degC is what the model knows) against a limit of "
        f"{limit:.0f} degC{when}",
    )


def slip(recording: Recording, car: Car, intent: Intent) -> Judged:
    """Judge how long the driven wheels spin as the car is let go.

    Parameters
    ----------
    recording : Recording
        A launch that is let go.
    car : Car
        Not used.
    intent : Intent
        Not used.

    Returns
    -------
    Judged
        Time with a slip above 0.5 at more than 1 m/s [s].
    """
    t, slipping = _series(recording, "slip_1")
    _, speed = _series(recording, "speed_m_s")
    spins = (slipping > _SLIDES) & (speed > _STANDS)
    time = float(np.sum(np.diff(t)[spins[:-1]]))
    return Judged(
        time,
        "s",
        _MOST_SLIDING_S,
        time <= _MOST_SLIDING_S,
        f"the driven wheels slip by more than {_SLIDES:g} for {time:.2f} s, and the car is at "
        f"{3.6 * float(speed[-1]):.0f} km/h in the end",
    )


FIGURES: dict[str, RoleFigure] = {
    "launch_speed": held_speed,
    "launch_boost": boost,
    "launch_exhaust": exhaust,
    "launch_slip": slip,
}
"""By name."""
