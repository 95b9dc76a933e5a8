"""Figures that judge pit-lane limit, speed cap and soft rev limit."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from throttlewright.build.intent import Intent
from throttlewright.car.pack import Car
from throttlewright.prove.role_figure import Judged, RoleFigure
from throttlewright.recording.recording import Recording

__all__ = ["FIGURES"]

_OVER = 2.0
"""Road speed over its limit that is allowed [km/h]; tool default, stewards measure to 1 km/h or
finer: ask for a speed that much lower. From memory."""
_CUT_SHARE = 0.02
"""Share of the time near the rev limit on the hard cut that counts as soft [-]. Tool default."""
_NEAR = 0.93
"""Share of the rev limit from which an engine counts as near to it [-]. Tool default."""


def _values(recording: Recording, name: str) -> NDArray[np.float64]:
    return np.asarray(recording.channels[name].values, dtype=np.float64)


def _over(recording: Recording, limit: float, counts: NDArray[np.bool_], what: str) -> Judged:
    speed = 3.6 * _values(recording, "speed_m_s")
    most = float(np.max(speed[counts])) if np.any(counts) else math.nan
    over = most - 3.6 * limit
    good = bool(over <= _OVER) if math.isfinite(over) else None
    if not math.isfinite(over):
        text = f"the {what} of {3.6 * limit:.0f} km/h was never in force in this run"
    elif over < -3.0:
        text = f"the car reached {most:.1f} km/h, less than the {what} of {3.6 * limit:.0f} km/h"
    else:
        text = (
            f"the car reached {most:.1f} km/h, {abs(over):.1f} km/h "
            f"{'above' if over >= 0.0 else 'below'} the {what} of {3.6 * limit:.0f} km/h"
        )
    return Judged(over, "km/h", _OVER, good, text)


def pit_speed_over(recording: Recording, car: Car, intent: Intent) -> Judged:
    """Return the largest road speed over the pit-lane limit while the switch is on.

    Parameters
    ----------
    recording : Recording
        With ``speed_m_s`` and ``pit_1``.
    car : Car
        The car.
    intent : Intent
        With a pit-lane speed.

    Returns
    -------
    Judged
        [km/h], negative below the limit.
    """
    limit = intent.pit_limit.speed if intent.pit_limit is not None else math.nan
    return _over(recording, limit, _values(recording, "pit_1") > 0.5, "pit-lane speed")


def cap_speed_over(recording: Recording, car: Car, intent: Intent) -> Judged:
    """Return the largest road speed over the cap.

    Parameters
    ----------
    recording : Recording
        With ``speed_m_s``.
    car : Car
        The car.
    intent : Intent
        With a cap.

    Returns
    -------
    Judged
        [km/h], negative below the cap.
    """
    limit = intent.speed_cap.speed if intent.speed_cap is not None else math.nan
    counts = np.full(_values(recording, "speed_m_s").shape, math.isfinite(limit))
    return _over(recording, limit, counts, "speed cap")


def hard_cut_share(recording: Recording, car: Car, intent: Intent) -> Judged:
    """Return the share of the time near the rev limit that the fuel is cut.

    Parameters
    ----------
    recording : Recording
        With ``engine_rpm`` and ``fuel_cut_1``.
    car : Car
        The car.
    intent : Intent
        Not used.

    Returns
    -------
    Judged
        Share [-] of the time from first coming near the limit to the end.
    """
    rpm, cut = _values(recording, "engine_rpm"), _values(recording, "fuel_cut_1") > 0.0
    limit = car.limit * 30.0 / math.pi
    near = np.flatnonzero(rpm > _NEAR * limit)
    if not near.size:
        share, peak = float(np.mean(cut)), float(np.max(rpm))
        return Judged(
            share,
            "",
            _CUT_SHARE,
            share <= _CUT_SHARE,
            f"the engine reached {peak:.0f} rpm and stayed clear of its hard limit at "
            f"{limit:.0f} rpm",
        )
    share = float(np.mean(cut[near[0] :]))
    peak = float(np.max(rpm))
    return Judged(
        share,
        "",
        _CUT_SHARE,
        share <= _CUT_SHARE,
        f"fuel was cut {100.0 * share:.1f} % of the time after coming near the limit, and the "
        f"engine reached {peak:.0f} rpm with a hard limit at {limit:.0f} rpm",
    )


FIGURES: dict[str, RoleFigure] = {
    "pit_speed_over": pit_speed_over,
    "cap_speed_over": cap_speed_over,
    "hard_cut_share": hard_cut_share,
}
"""Figures by name."""
