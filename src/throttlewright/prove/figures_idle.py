"""Judging figures of the idling engine: its dip, its band, its return from the overrun."""

from __future__ import annotations

import math

import numpy as np

from throttlewright.build.intent import Intent
from throttlewright.build.intent_roles import Idle
from throttlewright.car.pack import Car
from throttlewright.design.idle import after_start_target
from throttlewright.prove.role_figure import Judged, RoleFigure
from throttlewright.prove.run import series
from throttlewright.recording.recording import Recording

__all__ = ["FIGURES", "idle_band", "idle_load_dip", "idle_return"]

_RPM = 30.0 / math.pi
_BAND = 25.0
"""Band about the target in which idle is to stay [rpm]. 25 to 50, from memory."""
_SETTLED = 5.0
"""Time after the start from which the band counts [s]."""
_RETURN_DIP = 150.0
"""Dip below idle as the engine comes back from the overrun [rpm]. 100 to 150, from memory."""
_STALLED = 300.0


def idle_load_dip(recording: Recording, car: Car, intent: Intent) -> Judged:
    """Dip of the speed when a load comes, and how close it holds before.

    Parameters
    ----------
    recording : Recording
        A run at idle in which ``load_Nm`` rises.
    car : Car
        The car that was driven.
    intent : Intent
        With the dip that may be.

    Returns
    -------
    Judged
        Warm idle speed less the least speed from the load on [rpm].
    """
    limit = (intent.idle or Idle()).dip * _RPM
    t_s, rpm, load = series(recording, "engine_rpm", "load_Nm")
    rises = np.flatnonzero(np.diff(load) > 0.5)
    if not rises.size:
        return Judged(0.0, "rpm", None, None, "no load comes in this run")
    target = car.idle * _RPM
    at = int(rises[0]) + 1
    after = rpm[at:]
    value = max(float(target - after.min()), 0.0)
    away = np.flatnonzero(load[at:] < 0.5 * float(load.max()))
    span = slice(at, at + int(away[0]) if away.size else rpm.size)
    outside = np.flatnonzero(np.abs(rpm[span] - target) > _BAND)
    back = float(t_s[span][outside[-1]] - t_s[at]) if outside.size else 0.0
    if float(after.min()) < _STALLED:
        text = f"the engine stalls under {load.max():.0f} N*m"
    else:
        before = np.abs(rpm[max(at - 1000, 0) : at] - target).max()
        text = (
            f"{load.max():.0f} N*m cost {value:.0f} rpm, {limit:.0f} may be; back within "
            f"{_BAND:g} rpm after {back:.1f} s, held within {before:.0f} rpm before"
        )
    return Judged(value, "rpm", limit, value <= limit, text)


def idle_band(recording: Recording, car: Car, intent: Intent) -> Judged:
    """Largest distance of the speed from its target, five seconds after the start and later.

    Parameters
    ----------
    recording : Recording
        A run that idles, from the start on.
    car : Car
        The car that was driven.
    intent : Intent
        With the raise after the start.

    Returns
    -------
    Judged
        Largest distance [rpm] against 25.
    """
    wanted = intent.idle or Idle()
    t_s, rpm, coolant, pedal = series(recording, "engine_rpm", "coolant_degC", "pedal_pct")
    runs = np.flatnonzero(rpm > 400.0)
    if not runs.size or rpm[-1] < _STALLED:
        return Judged(
            float(car.idle * _RPM), "rpm", _BAND, False, "the engine does not keep running"
        )
    since = t_s - t_s[runs[0]]
    counts = (since > _SETTLED) & (pedal < 1.0)
    if not counts.any():
        return Judged(0.0, "rpm", None, None, "the engine does not idle for five seconds")
    off = np.abs(rpm - after_start_target(car, wanted, coolant, since))
    value = float(off[counts].max())
    text = (
        f"runs after {t_s[runs[0]]:.1f} s, {rpm.max():.0f} rpm at most, and stays within "
        f"{value:.0f} rpm of its target, {_BAND:g} may be"
    )
    return Judged(value, "rpm", _BAND, value <= _BAND, text)


def idle_return(recording: Recording, car: Car, intent: Intent) -> Judged:
    """Dip below idle as the engine comes back from the overrun.

    Parameters
    ----------
    recording : Recording
        A run that ends at idle after an overrun.
    car : Car
        The car that was driven.
    intent : Intent
        Not used.

    Returns
    -------
    Judged
        Warm idle speed less the least speed after it came near [rpm] against 150.
    """
    t_s, rpm = series(recording, "engine_rpm")
    target = car.idle * _RPM
    fast = np.flatnonzero(rpm > target + 300.0)
    if not fast.size or fast[-1] >= rpm.size - 2:
        return Judged(0.0, "rpm", None, None, "the engine does not come back to idle in this run")
    later = rpm[int(fast[-1]) :]
    value = max(float(target - later.min()), 0.0)
    near = np.abs(later - target) > _BAND
    last = int(np.flatnonzero(near)[-1]) if near.any() else 0
    back = float(t_s[int(fast[-1]) + last] - t_s[int(fast[-1])])
    text = (
        "the engine stalls on its return"
        if float(later.min()) < _STALLED
        else f"dips {value:.0f} rpm under idle on its return, within {_BAND:g} rpm "
        f"after {back:.1f} s"
    )
    return Judged(value, "rpm", _RETURN_DIP, value <= _RETURN_DIP, text)


FIGURES: dict[str, RoleFigure] = {
    "idle_load_dip": idle_load_dip,
    "idle_band": idle_band,
    "idle_return": idle_return,
}
"""Figures of this area."""
