"""Figures that judge boost held by plate and wastegate."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from throttlewright.build.intent import Intent
from throttlewright.car.pack import Car
from throttlewright.prove.measures import steady_end
from throttlewright.prove.role_figure import Judged, RoleFigure
from throttlewright.recording.recording import Recording

__all__ = ["FIGURES"]

_PEAK = 10.0
"""Manifold pressure over its target that is allowed [kPa]; the room to the overboost limit that the
role demands."""
_DROP = 5.0
"""Distance of the drop across the plate from the chosen one that is allowed [kPa]. Tool default."""
_HELD = 3.0
"""Distance of the manifold pressure from its target allowed when fed [kPa]. Tool default."""
_SWING = 3.0
"""Swing of the manifold pressure allowed when fed, to each side [kPa]. Tool default."""
_WINDOW = 1.5
_FED_WINDOW = 3.0
"""Time before the end in which the swing is judged [s]: longer than one swing of the turbo."""


def _values(recording: Recording, name: str) -> NDArray[np.float64]:
    return np.asarray(recording.channels[name].values, dtype=np.float64)


def _end(recording: Recording, name: str) -> float:
    channel = recording.channels[name]
    return steady_end(channel.t_s, channel.values, window_s=_WINDOW).mean


def _target(intent: Intent) -> float:
    wanted = intent.boost_by_throttle
    return wanted.target / 1e3 if wanted is not None else math.nan


def boost_over_target(recording: Recording, car: Car, intent: Intent) -> Judged:
    """Return the largest manifold pressure over the target.

    Parameters
    ----------
    recording : Recording
        With ``map_kPa``.
    car : Car
        The car.
    intent : Intent
        With a target.

    Returns
    -------
    Judged
        [kPa], negative below the target.
    """
    target, most = _target(intent), float(np.max(_values(recording, "map_kPa")))
    over = most - target
    return Judged(
        over,
        "kPa",
        _PEAK,
        bool(over <= _PEAK) if math.isfinite(over) else None,
        f"manifold pressure peaked at {most:.0f} kPa with a target of {target:.0f} kPa and was "
        f"{_end(recording, 'map_kPa'):.0f} kPa at the end",
    )


def plate_drop(recording: Recording, car: Car, intent: Intent) -> Judged:
    """Return the pressure drop across the plate at the end of a pull.

    Parameters
    ----------
    recording : Recording
        With ``map_kPa`` and ``pipe_kPa``.
    car : Car
        The car.
    intent : Intent
        With a drop.

    Returns
    -------
    Judged
        [kPa]; limit is the chosen drop.
    """
    drop = _end(recording, "pipe_kPa") - _end(recording, "map_kPa")
    wanted = intent.boost_by_throttle
    asked = wanted.drop / 1e3 if wanted is not None else math.nan
    good = bool(abs(drop - asked) <= _DROP) if math.isfinite(asked) else None
    return Judged(
        drop,
        "kPa",
        asked + _DROP if math.isfinite(asked) else None,
        good,
        f"the drop across the plate is {drop:.0f} kPa at the end, {asked:.0f} kPa were chosen, at "
        f"{_end(recording, 'plate_pct'):.0f} % plate",
    )


def boost_fed(recording: Recording, car: Car, intent: Intent) -> Judged:
    """Return what more boost from outside does to the manifold pressure.

    Parameters
    ----------
    recording : Recording
        With ``map_kPa``, ``pipe_kPa`` and ``plate_pct``.
    car : Car
        The car.
    intent : Intent
        With a target.

    Returns
    -------
    Judged
        Distance of the manifold pressure from its target at the end [kPa]; good only where it
        does not swing.
    """
    target = _target(intent)
    pressure, pipe = _end(recording, "map_kPa"), _end(recording, "pipe_kPa")
    plate = _end(recording, "plate_pct")
    off = pressure - target
    channel = recording.channels["map_kPa"]
    late = channel.values[channel.t_s >= channel.t_s[-1] - _FED_WINDOW]
    swing, most = 0.5 * float(np.ptp(late)), float(np.max(channel.values))
    eats = "the plate closes to eat it" if pipe - pressure > 2.0 * _HELD else "no plate eats it"
    return Judged(
        off,
        "kPa",
        _HELD,
        bool(abs(off) <= _HELD and swing <= _SWING) if math.isfinite(off) else None,
        f"fed from outside the pipe rises to {pipe:.0f} kPa and {eats}: plate at {plate:.0f} %, "
        f"manifold at {pressure:.0f} kPa with a target of {target:.0f} kPa, swinging by "
        f"{swing:.0f} kPa to each side, with a peak of {most:.0f} kPa",
    )


FIGURES: dict[str, RoleFigure] = {
    "boost_over_target": boost_over_target,
    "plate_drop": plate_drop,
    "boost_fed": boost_fed,
}
"""Figures by name."""
