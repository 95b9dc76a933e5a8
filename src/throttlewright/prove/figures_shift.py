"""Figures that judge blip and upshift: how well the speeds meet, the jolt, the time opened."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from throttlewright.build.intent import Intent
from throttlewright.car.pack import Car
from throttlewright.prove.measures import longest_above
from throttlewright.prove.role_figure import Judged, RoleFigure
from throttlewright.recording.recording import Recording

__all__ = ["FIGURES"]

_MEETS = 200.0
"""Difference of speeds at which a clutch closes without a blow that is felt [rpm]. Tool default."""
_LONGEST = 0.5
"""Longest time in which the plate is opened beyond the pedal [s]; asked of every blip."""
_BEYOND = 2.0
"""Opening beyond the pedal that counts [%]: sensor and idle loop stay below. Tool default."""
_AFTER = 0.6
"""Time after the gear has taken hold in which the jolt is looked for [s]. Tool default."""
_WINDOW = 0.05
"""Time over which a change of acceleration counts as a jolt [s]. Tool default."""


def _values(recording: Recording, name: str) -> NDArray[np.float64]:
    return np.asarray(recording.channels[name].values, dtype=np.float64)


def _times(recording: Recording) -> NDArray[np.float64]:
    return np.asarray(recording.channels["engine_rpm"].t_s, dtype=np.float64)


def _taken(recording: Recording) -> int | None:
    """Return the sample at which the new gear takes hold: gear in, clutch beginning to close."""
    gear, clutch = _values(recording, "gear_1"), _values(recording, "clutch_pct")
    new = np.flatnonzero((gear > 0.5) & (gear != gear[0]))
    if not new.size:
        return None
    on = np.flatnonzero(clutch[new[0] :] > 5.0)
    return int(new[0] + on[0]) if on.size else None


def _none(unit: str, limit: float | None, what: str) -> Judged:
    return Judged(math.nan, unit, limit, None, f"{what}: no gear changed in this run")


def blip_speed_error(recording: Recording, car: Car, intent: Intent) -> Judged:
    """Return the engine speed over that of the lower gear as the clutch begins to close.

    Parameters
    ----------
    recording : Recording
        With a change of gear.
    car : Car
        The car.
    intent : Intent
        Not used.

    Returns
    -------
    Judged
        [rpm], negative where the engine is slower than the gear.
    """
    at = _taken(recording)
    if at is None:
        return _none("rpm", _MEETS, "speeds at the clutch")
    rec = car.record
    gear = int(_values(recording, "gear_1")[at])
    ratio = float(rec["ratios"][gear - 1] * rec["final_drive"])
    speed = float(_values(recording, "speed_m_s")[at])
    wanted = speed * ratio / float(rec["tyre_radius"]) * 30.0 / math.pi
    found = float(_values(recording, "engine_rpm")[at])
    error = found - wanted
    return Judged(
        error,
        "rpm",
        _MEETS,
        abs(error) <= _MEETS,
        f"the clutch closed at {found:.0f} rpm on a gear that turns at {wanted:.0f} rpm, "
        f"{abs(error):.0f} rpm too {'fast' if error > 0.0 else 'slow'}",
    )


def jolt(recording: Recording, car: Car, intent: Intent) -> Judged:
    """Return the largest change of acceleration within 50 ms after the new gear takes hold.

    Parameters
    ----------
    recording : Recording
        With a change of gear.
    car : Car
        Not used.
    intent : Intent
        Not used.

    Returns
    -------
    Judged
        [m/s^2], without a limit: no published one is known.
    """
    at = _taken(recording)
    if at is None:
        return _none("m/s^2", None, "jolt")
    t = _times(recording)
    a = _values(recording, "acceleration_m_s2")
    step = float(np.median(np.diff(t)))
    width = max(round(_WINDOW / step), 1)
    end = int(np.searchsorted(t, t[at] + _AFTER))
    piece = a[max(at - width, 0) : end]
    if piece.size <= width:
        return _none("m/s^2", None, "jolt")
    worst = float(np.max(np.abs(piece[width:] - piece[:-width])))
    return Judged(
        worst,
        "m/s^2",
        None,
        None,
        f"acceleration changed by {worst:.1f} m/s^2 within 50 ms as the gear took hold",
    )


def over_demand_time(recording: Recording, car: Car, intent: Intent) -> Judged:
    """Return the longest time in which the plate was opened beyond what the pedal asks.

    Parameters
    ----------
    recording : Recording
        With a downshift asked for.
    car : Car
        Not used.
    intent : Intent
        Not used.

    Returns
    -------
    Judged
        [s]; from the first request on, the level before it taken off.
    """
    t = _times(recording)
    over = _values(recording, "plate_target_pct") - _values(recording, "demand_pct")
    asked = np.flatnonzero(_values(recording, "shift_1") < -0.5)
    if not asked.size:
        return Judged(math.nan, "s", _LONGEST, None, "no downshift was asked for in this run")
    first = int(asked[0])
    beyond = over - over[max(first - 1, 0)]
    beyond[:first] = 0.0
    longest = longest_above(t, beyond, limit=_BEYOND)
    return Judged(
        longest,
        "s",
        _LONGEST,
        longest <= _LONGEST,
        f"the plate stood more than {_BEYOND:g} points beyond the pedal for {longest:.2f} s",
    )


def upshift_flare(recording: Recording, car: Car, intent: Intent) -> Judged:
    """Return how far the engine runs up between the request and the new gear.

    Parameters
    ----------
    recording : Recording
        With an upshift asked for.
    car : Car
        Not used.
    intent : Intent
        Not used.

    Returns
    -------
    Judged
        [rpm] above the speed at the request, without a limit.
    """
    rpm = _values(recording, "engine_rpm")
    asked = np.flatnonzero(_values(recording, "shift_1") > 0.5)
    if not asked.size:
        return Judged(math.nan, "rpm", None, None, "no upshift was asked for in this run")
    at = _taken(recording)
    first, last = int(asked[0]), rpm.size if at is None else max(at, int(asked[0]) + 1)
    flare = float(np.max(rpm[first:last]) - rpm[first])
    return Judged(
        flare, "rpm", None, None, f"the engine ran up by {flare:.0f} rpm while no gear held it"
    )


FIGURES: dict[str, RoleFigure] = {
    "blip_speed_error": blip_speed_error,
    "blip_jolt": jolt,
    "over_demand_time": over_demand_time,
    "upshift_flare": upshift_flare,
    "upshift_jolt": jolt,
}
"""Figures by name."""
