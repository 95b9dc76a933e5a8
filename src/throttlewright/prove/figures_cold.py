"""Judging figures of the cold engine: its torque against the allowed share, and its release."""

from __future__ import annotations

import math

import numpy as np

from throttlewright.build.intent import Intent
from throttlewright.car.pack import Car
from throttlewright.car.surface import compute_surface
from throttlewright.physics.friction import friction_over_warm
from throttlewright.physics.perception import JND_ACCELERATION
from throttlewright.prove.role_figure import Judged, RoleFigure
from throttlewright.prove.run import series
from throttlewright.recording.recording import Recording

__all__ = ["FIGURES", "cold_release_step", "cold_share", "share_while_cold"]

_RPM = 30.0 / math.pi
_SPEEDS = 60
_KELVIN = 273.15
_PEDAL = 5.0
"""Pedal above which the driver asks for torque [%]: below it the engine idles."""
_FLAT = 95.0
_SETTLED = 2.0
"""Time with a flat foot after which the torque counts as settled [s]."""
_MOST_EXCESS = 5.0
"""Torque share over the allowed one, of it, for a car as built [%]: the aim of the role."""
_STEP = 0.2
"""What comes within this time is felt as one step [s]. Common practice, no source."""
_ALLOWED_LEAST = 0.05


def share_while_cold(
    recording: Recording, car: Car, intent: Intent
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Torque share that the engine gave and the share that it was allowed.

    Parameters
    ----------
    recording : Recording
        A run, with the true torque of the engine.
    car : Car
        The car that was driven: a varied car is held against its own full torque.
    intent : Intent
        With shares over coolant, and perhaps over oil.

    Returns
    -------
    tuple of ndarray [s, -, -]
        Times, share given, share allowed; all of shape (n,).

    Notes
    -----
    Share = (T + extra friction of the cold engine - T closed) / (T full - T closed) at the same
    speed, T closed and T full of the warm engine with boost settled at its full target: what the
    same engine could give. What the friction of the cold engine takes counts as given, because the
    pressure on pistons and bearings is that of the torque before it.
    """
    t_s, torque, rpm, coolant, oil = series(
        recording, "torque_Nm", "engine_rpm", "coolant_degC", "oil_degC"
    )
    omega = np.clip(rpm / _RPM, 0.5 * car.idle, 1.1 * car.limit)
    grid = np.linspace(float(omega.min()), float(omega.max()) + 1.0, _SPEEDS)
    ends = np.array([car.psi_closed, car.psi_open])
    surface = compute_surface(car, speeds=grid, psi=ends).require_solved()
    closed = np.interp(omega, grid, surface.closed)
    full = np.interp(omega, grid, surface.full)
    degrees = np.arange(-40.0, 141.0)
    factor = np.array([friction_over_warm(float(d) + _KELVIN) for d in degrees])
    extra = car.over_speed("friction", omega) * (np.interp(coolant, degrees, factor) - 1.0)
    given = (torque + extra - closed) / (full - closed)
    return t_s, given, _allowed(intent, coolant, oil)


def _allowed(intent: Intent, coolant: np.ndarray, oil: np.ndarray) -> np.ndarray:
    wanted = intent.cold_engine
    if wanted is None:
        return np.ones(coolant.shape)
    found = np.interp(coolant, np.array(wanted.coolant) - _KELVIN, wanted.torque_share)
    if wanted.oil is not None and wanted.oil_torque_share is not None:
        by_oil = np.interp(oil, np.array(wanted.oil) - _KELVIN, wanted.oil_torque_share)
        found = np.minimum(found, by_oil)
    return np.asarray(found)


def cold_share(recording: Recording, car: Car, intent: Intent) -> Judged:
    """Largest torque share over the allowed one while the engine is cold and the foot is down.

    Parameters
    ----------
    recording : Recording
        A run with a cold engine.
    car : Car
        The car that was driven.
    intent : Intent
        With shares over coolant.

    Returns
    -------
    Judged
        100 (share / allowed share - 1) [%] at its largest against 5 %; negative when the share is
        never reached. The sentence also says how far below it stays with a flat foot.

    Notes
    -----
    Counts while the pedal is above 5 %, fuel is given and less than the whole torque is allowed.
    """
    if intent.cold_engine is None:
        return Judged(0.0, "%", None, None, "no cold limit is asked for")
    t_s, given, allowed = share_while_cold(recording, car, intent)
    _, pedal, rpm, cut = series(recording, "pedal_used_pct", "engine_rpm", "fuel_cut_1")
    counts = (pedal > _PEDAL) & (cut < 0.01) & (allowed < 1.0) & (allowed > _ALLOWED_LEAST)
    counts &= rpm / _RPM > 0.6 * car.idle
    if not counts.any():
        return Judged(0.0, "%", None, None, "the foot was not down while the engine was cold")
    over = np.where(counts, 100.0 * (given / np.maximum(allowed, _ALLOWED_LEAST) - 1.0), -np.inf)
    k = int(np.argmax(over))
    value = float(over[k])
    text = (
        f"at most {value:+.1f} % over the allowed share, {100 * given[k]:.0f} % of the torque at "
        f"{rpm[k]:.0f} rpm where {100 * allowed[k]:.0f} % is allowed"
    )
    step = float(np.median(np.diff(t_s))) if t_s.size > 1 else 1.0
    flat = counts & (pedal > _FLAT)
    run = max(round(_SETTLED / step), 1)
    held = np.convolve(flat.astype(float), np.ones(run))[: flat.size] > run - 0.5
    if held.any():
        text += f"; with a flat foot at least {over[held].min():+.1f} %"
    return Judged(value, "%", _MOST_EXCESS, value <= _MOST_EXCESS, text)


def cold_release_step(recording: Recording, car: Car, intent: Intent) -> Judged:
    """Largest step of torque while a flat foot waits for the limit to end.

    Parameters
    ----------
    recording : Recording
        A run at one speed in which the coolant passes the temperature at which the limit ends.
    car : Car
        The car.
    intent : Intent
        With shares over coolant.

    Returns
    -------
    Judged
        Largest change of torque within 0.2 s, of the torque [%], against the just noticeable
        difference of acceleration; counts from two seconds after the foot is flat.

    Notes
    -----
    In one gear acceleration is proportional to the torque less the driving resistance, which a dyno
    does not have: on the road the share of acceleration is a little larger.
    """
    t_s, torque, pedal, cut = series(recording, "torque_Nm", "pedal_used_pct", "fuel_cut_1")
    step = float(np.median(np.diff(t_s))) if t_s.size > 1 else 1.0
    run = max(round(_SETTLED / step), 1)
    flat = (pedal > _FLAT) & (cut < 0.01)
    held = np.convolve(flat.astype(float), np.ones(run))[: flat.size] > run - 0.5
    ahead = max(round(_STEP / step), 1)
    both = held[:-ahead] & held[ahead:]
    limit = 100.0 * JND_ACCELERATION
    if not both.any():
        return Judged(0.0, "%", None, None, "no flat foot long enough")
    change = np.abs(torque[ahead:] - torque[:-ahead])
    base = np.maximum(np.maximum(np.abs(torque[ahead:]), np.abs(torque[:-ahead])), 1.0)
    value = float(100.0 * np.max((change / base)[both]))
    return Judged(
        value,
        "%",
        limit,
        value <= limit,
        f"torque changes by at most {value:.1f} % within {_STEP:g} s, {limit:.1f} % can be felt",
    )


FIGURES: dict[str, RoleFigure] = {
    "cold_share": cold_share,
    "cold_release_step": cold_release_step,
}
"""Figures of this area."""
