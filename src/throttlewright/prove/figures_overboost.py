"""Judging figures of overboost: peak, hold, surge margin and the latch to off-boost."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from throttlewright.build.intent import Intent
from throttlewright.car.pack import Car
from throttlewright.design.overboost import LATCH_OVER, pressure_limits
from throttlewright.foundation.errors import InputError
from throttlewright.prove.measures import longest_above, spans_above
from throttlewright.prove.role_figure import Judged, RoleFigure
from throttlewright.recording.recording import Recording

__all__ = ["FIGURES", "PEAK_KPA", "STEADY_KPA"]

Floats = NDArray[np.float64]

PEAK_KPA = 20.0
"""Most over the limit before anything has acted [kPa]; computed from servo and filling times."""
STEADY_KPA = 3.0
"""Most off the limit once the plate holds it [kPa]: about the error of a pressure sensor, from
memory."""
_OFF_KPA = 3.0
"""Over ambient that still counts as boost off [kPa]. Tool default."""
_SETTLE_S = 0.5
_RELEASED_PCT = 1.0


def _limit(car: Car, intent: Intent) -> float:
    limits = pressure_limits(car, intent)
    if limits is None:
        raise InputError("nothing charges this engine", key="overboost")
    return limits[0] / 1e3


def _series(recording: Recording, name: str) -> tuple[Floats, Floats]:
    channel = recording.channels[name]
    return np.asarray(channel.t_s, dtype=float), np.asarray(channel.values, dtype=float)


def peak(recording: Recording, car: Car, intent: Intent) -> Judged:
    """Judge the highest manifold pressure against the limit.

    Parameters
    ----------
    recording : Recording
        One run.
    car : Car
        The car that was driven.
    intent : Intent
        Its limit.

    Returns
    -------
    Judged
        Peak over the limit [kPa].
    """
    t, pressure = _series(recording, "map_kPa")
    limit = _limit(car, intent)
    over = float(pressure.max()) - limit
    span = longest_above(t, pressure, limit=limit)
    return Judged(
        over,
        "kPa",
        PEAK_KPA,
        over <= PEAK_KPA,
        f"manifold pressure peaks {over:+.1f} kPa from the limit of {limit:.0f} kPa and is over it "
        f"for {span:.2g} s at a time",
    )


def steady(recording: Recording, car: Car, intent: Intent) -> Judged:
    """Judge how far the held pressure is off the limit in the last half second.

    Parameters
    ----------
    recording : Recording
        A run that ends while the plate holds.
    car : Car
        The car that was driven.
    intent : Intent
        Its limit.

    Returns
    -------
    Judged
        Largest distance from the limit [kPa], of means over 50 ms.
    """
    t, pressure = _series(recording, "map_kPa")
    limit = _limit(car, intent)
    last = pressure[t >= t[-1] - _SETTLE_S]
    width = max(round(0.05 / float(t[1] - t[0])), 1)
    means = np.convolve(last, np.full(width, 1.0 / width), mode="valid")
    off = float(np.max(np.abs(means - limit)))
    return Judged(
        off,
        "kPa",
        STEADY_KPA,
        off <= STEADY_KPA,
        f"held manifold pressure is within {off:.1f} kPa of the limit of {limit:.0f} kPa",
    )


def surge(recording: Recording, car: Car, intent: Intent) -> Judged:
    """Judge the least surge margin.

    Parameters
    ----------
    recording : Recording
        One run.
    car : Car
        The car that was driven.
    intent : Intent
        Not used.

    Returns
    -------
    Judged
        Least margin [-].
    """
    t, margin = _series(recording, "surge_margin_1")
    _, pipe = _series(recording, "pipe_kPa")
    least = float(margin.min())
    return Judged(
        least,
        "",
        0.0,
        least >= 0.0,
        f"the compressor comes within {least:.2f} of surge at {float(t[int(margin.argmin())]):.2f} "
        f"s, the pipe to {float(pipe.max()):.0f} kPa",
    )


def _latch_due(t: Floats, pipe: Floats, *, limit: float, after: float) -> float | None:
    """First time at which the pipe has been over the limit for long enough, as the row sees it."""
    for begins, ends in spans_above(t, pipe, limit=limit, gap_s=0.1):
        inside = (t >= begins) & (t < ends) & (pipe > limit + LATCH_OVER)
        if np.any(inside) and ends - float(t[inside][0]) >= after:
            return float(t[inside][0]) + after
    return None


def latch(recording: Recording, car: Car, intent: Intent) -> Judged:
    """Judge the boost that is left once overboost has lasted, until the pedal is released.

    Parameters
    ----------
    recording : Recording
        A run in which the pressure before the plate stays over the limit.
    car : Car
        The car that was driven.
    intent : Intent
        Its limit and ``latch_after``.

    Returns
    -------
    Judged
        Manifold pressure over ambient [kPa] from half a second after the latch to the release.
    """
    t, pressure = _series(recording, "map_kPa")
    _, pipe = _series(recording, "pipe_kPa")
    _, pedal = _series(recording, "pedal_pct")
    limit = _limit(car, intent)
    after = 1.0 if intent.overboost is None else intent.overboost.latch_after
    ambient = float(car.record["p_ambient"]) / 1e3
    due = _latch_due(t, pipe, limit=limit, after=after)
    if due is None:
        most = float(pressure.max())
        text = (
            f"the pressure before the plate does not stay over the limit for {after:.2g} s: no "
            "case for the latch, or a reaction took the boost off; until then the manifold "
            f"reaches {most - ambient:+.1f} kPa from ambient, {most - limit:+.1f} from the limit"
        )
        return Judged(most - ambient, "kPa", None, None, text)
    begins = due + _SETTLE_S
    released = np.flatnonzero((t > begins) & (pedal < _RELEASED_PCT))
    ends = float(t[released[0]]) if released.size else float(t[-1])
    inside = (t >= begins) & (t < ends)
    if not np.any(inside):
        return Judged(0.0, "kPa", None, None, "the pedal is released before the latch")
    left = float(pressure[inside].max()) - ambient
    return Judged(
        left,
        "kPa",
        _OFF_KPA,
        left <= _OFF_KPA,
        f"from {begins:.1f} s to {ends:.1f} s manifold pressure is at most {left:+.1f} kPa from "
        "ambient",
    )


FIGURES: dict[str, RoleFigure] = {
    "overboost_peak": peak,
    "overboost_steady": steady,
    "overboost_surge": surge,
    "overboost_latch": latch,
}
"""By name."""
