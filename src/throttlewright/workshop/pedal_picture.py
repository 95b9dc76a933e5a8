"""Pictures and figures of the Pedal page: fan, boost target, handles, figures, cautions."""

from __future__ import annotations

import math

import numpy as np

from throttlewright.build.intent import Intent, Mode
from throttlewright.car.record import BoostState
from throttlewright.car.surface import AUTHORITY_SHARE
from throttlewright.design.feel import FREE_REV_FROM, shape_of, torque_wish
from throttlewright.design.figures import (
    DEFAULT_RPM,
    MOST_UNEVEN,
    MapFigures,
    map_figures,
    torque_band,
    torque_curves,
)
from throttlewright.design.old_plate import old_plate_share
from throttlewright.design.pedal import PedalMap
from throttlewright.foundation.events import Cancelled, never
from throttlewright.workshop.common import round_list, rpm
from throttlewright.workshop.held import HeldCar
from throttlewright.workshop.modes import map_speeds
from throttlewright.workshop.pedal_models import (
    BoostView,
    FanView,
    FigureLine,
    Handle,
    Handles,
)
from throttlewright.workshop.pedal_parts import plain_figures, promised, surfaces

__all__ = [
    "boost_view",
    "compared",
    "fan_speeds",
    "fan_view",
    "figure_lines",
    "handles",
    "map_cautions",
    "uneven",
]

_HANDLES = (0.0, 0.12, 0.25, 0.4, 0.6, 0.8, 1.0)
_LEAST_STEP = 1e-4
_MAP_SPEEDS = 12
_FALL_PCT = 0.05
"""Fall of plate over pedal that is rounding and not an edit [%]."""


def fan_speeds(held: HeldCar) -> np.ndarray:
    """Return the engine speeds of the curves [rad/s]: the usual ones within the car's range."""
    low, high = 0.8 * held.car.idle * rpm, held.car.limit * rpm
    kept = [n for n in DEFAULT_RPM if low <= n <= high]
    if len(kept) < 2:
        kept = [float(n) for n in np.round(np.linspace(max(low, 1.2 * low), high, 4) / 50) * 50]
    return np.array(kept) / rpm


def fan_view(
    held: HeldCar,
    after: PedalMap,
    state: BoostState,
    *,
    before: PedalMap | None = None,
    band: bool = False,
    points: int = 101,
    cancelled: Cancelled = never,
) -> FanView:
    """Return torque over pedal of a map and of what it is compared with.

    Parameters
    ----------
    held : HeldCar
        The car.
    after : PedalMap
        The map.
    state : BoostState
        Which pressure stands before the plate.
    before : PedalMap, optional
        What it is compared with.
    band : bool
        Whether to work out what uncertain numbers leave.
    points : int
        Pedal positions of each curve.
    cancelled : callable
        Asked between variations.

    Returns
    -------
    FanView
        In newton metres.
    """
    car, omega = held.car, fan_speeds(held)
    pedal = np.linspace(0.0, 100.0, points)
    curves = torque_curves(car, after, omega, state=state, pedal_pct=pedal)
    low = high = None
    if band:
        low, high, _ = torque_band(car, after, omega, state=state, cancelled=cancelled)
    other = None
    if before is not None:
        other = torque_curves(car, before, omega, state=state, pedal_pct=pedal).torque
    return FanView(
        boost_state="instant" if state is BoostState.INSTANT else "settled",
        rpm=round_list(omega * rpm, 6),
        pedal_pct=round_list(pedal, 6),
        after_Nm=round_list(curves.torque, 5),
        before_Nm=None if other is None else round_list(other, 5),
        low_Nm=None if low is None else round_list(low, 5),
        high_Nm=None if high is None else round_list(high, 5),
    )


def boost_view(held: HeldCar, made: PedalMap, intent: Intent) -> BoostView | None:
    """Return the boost target over pedal at the speeds of the fan; None without one."""
    omega, pedal = fan_speeds(held), np.linspace(0.0, 100.0, 51)
    target = made.boost_at(omega, pedal)
    if target is None:
        return None
    limit = intent.overboost
    return BoostView(
        rpm=round_list(omega * rpm, 6),
        pedal_pct=round_list(pedal, 6),
        target_kPa=round_list(target / 1e3, 5),
        spring_kPa=round(float(held.car.record["spring_pressure"]) / 1e3, 1),
        limit_kPa=None if limit is None else round(limit.limit / 1e3, 1),
    )


def _shape_points(held: HeldCar, mode: Mode) -> tuple[np.ndarray, np.ndarray]:
    if mode.feel == "points" and mode.points is not None:
        return np.array(mode.points.pedal), np.array(mode.points.share)
    u = np.array(_HANDLES)
    if mode.feel != "old plate":
        return u, shape_of(mode, u)
    # The share of the old plate differs from speed to speed; the handles start from its mean.
    share = old_plate_share(held.car, fan_speeds(held), 100.0 * u * mode.opens_to_stop_from)
    s = np.mean(share, axis=0)
    s = (s - s[0]) / (s[-1] - s[0])
    for j in range(1, s.size):
        s[j] = max(s[j], s[j - 1] + _LEAST_STEP)
    return u, s / s[-1]


def handles(held: HeldCar, mode: Mode) -> Handles:
    """Return the points of a mode's curve where they lie in the picture.

    They sit on the curve of the speed with the widest range of torque. A basis bends the mode's
    curve from speed to speed, so the place in pedal is where the asked torque has the point's
    share, and torque is exactly linear in share: dragging up and down needs no search.
    """
    state = promised(held, mode)
    surface = surfaces(held)[state]
    speeds = fan_speeds(held)
    closed = np.interp(speeds, surface.omega, surface.closed)
    full = np.interp(speeds, surface.omega, surface.full)
    best = int(np.argmax(full - closed))
    omega = speeds[best : best + 1]
    fine = np.linspace(0.0, 1.0, 401)
    top = min(AUTHORITY_SHARE if mode.opens_to_stop_from < 1.0 else 1.0, mode.most_torque)
    zero, span = float(closed[best]), float(top * (full[best] - closed[best]))
    u, s = _shape_points(held, mode)
    if mode.feel == "old plate":
        places = u * mode.opens_to_stop_from
    else:
        # What a basis asks at one speed depends on others too: power and acceleration on all of
        # them, a blend on the low end of its zero-torque line alone.
        others = (
            np.array([held.car.idle, min(FREE_REV_FROM, held.car.limit)])
            if mode.basis == "blend"
            else map_speeds(held.car, _MAP_SPEEDS)
        )
        axis = np.unique(np.append(others, omega))
        wish = torque_wish(mode, surface, axis, fine)
        share = (wish.torque[int(np.searchsorted(axis, omega[0]))] - zero) / span
        before = fine <= mode.opens_to_stop_from + 1e-12
        rising = np.maximum.accumulate(share[before]) + 1e-9 * np.arange(int(before.sum()))
        places = np.interp(s, rising, fine[before])
    last = u.size - 1
    return Handles(
        rpm=round(float(omega[0]) * rpm, 1),
        zero_Nm=round(zero, 3),
        span_Nm=round(span, 3),
        points=[
            Handle(
                pedal_pct=round(100.0 * float(places[k]), 3),
                torque_Nm=round(zero + span * float(s[k]), 3),
                point_pedal_pct=round(100.0 * float(u[k]), 4),
                point_share_pct=round(100.0 * float(s[k]), 4),
                fixed=k in (0, last),
            )
            for k in range(u.size)
        ],
    )


def _at(figures: MapFigures, values: np.ndarray, speed: float) -> float | None:
    value = float(np.interp(speed, figures.rpm, values))
    return None if math.isnan(value) else value


def _most(values: np.ndarray) -> float | None:
    return float(np.max(values)) if values.size and not np.isnan(values).any() else None


def figure_lines(before: MapFigures, after: MapFigures) -> list[FigureLine]:
    """Return the figures that the page shows, of two maps in one boost state.

    Parameters
    ----------
    before, after : MapFigures
        The two.

    Returns
    -------
    list of FigureLine
        Those without a gear first, then for each gear.
    """
    speed = float(min(after.rpm, key=lambda n: abs(n - 2000.0)))
    at = f"at {speed:.0f} rpm"
    worst = f"at {after.rpm[int(np.argmax(after.gain_ratio))]:.0f} rpm"
    lines: list[FigureLine] = []

    def add(
        key: str,
        label: str,
        unit: str,
        decimals: int,
        values: tuple[float | None, float | None],
        *,
        where: str = "",
        gear: int | None = None,
    ) -> None:
        was, now = (None if v is None else float(f"{v:.6g}") for v in values)
        lines.append(
            FigureLine(
                key=key,
                label=label,
                unit=unit,
                decimals=decimals,
                before=was,
                after=now,
                at=where,
                gear=gear,
            )
        )

    both = (before, after)
    shares = tuple(_at(f, 100.0 * f.share_by_20, speed) for f in both)
    add("share_by_20", "torque by 20 %", "%", 0, (shares[0], shares[1]), where=at)
    gains = (_most(before.gain_ratio), _most(after.gain_ratio))
    add("gain_ratio", "steepest over mean", "", 1, gains, where=worst)
    dead = (100.0 * float(before.dead_travel.max()), 100.0 * float(after.dead_travel.max()))
    add("dead_travel", "dead travel, most", "%", 0, dead, where="largest over engine speed")
    steps = (float(before.noticeable_steps.max()), float(after.noticeable_steps.max()))
    add("noticeable_steps", "noticeable 1 % steps", "", 0, steps, where="largest over engine speed")
    zeros = tuple(_at(f, f.zero_torque_pedal, speed) for f in both)
    add("zero_torque", "zero torque at", "%", 1, (zeros[0], zeros[1]), where=at)
    spans = (before.free_rev_span, after.free_rev_span)
    add("free_rev_span", "free-rev span", "% of pedal", 1, spans, where="1500 to 4000 rpm, neutral")
    where = f"at {after.gear_rpm:.0f} rpm"
    for gear in after.mm_per_tenth_g:
        travel = (1e3 * before.mm_per_tenth_g[gear], 1e3 * after.mm_per_tenth_g[gear])
        add("mm_per_tenth_g", "0.1 g takes", "mm", 1, travel, where=where, gear=gear)
        grip = (before.grip_pedal[gear], after.grip_pedal[gear])
        add("grip_pedal", "grip ends at", "%", 0, grip, where=where, gear=gear)
    return lines


def compared(
    held: HeldCar, before: PedalMap | None, after: PedalMap, mode: Mode, state: BoostState
) -> list[FigureLine]:
    """Return the figure lines of two maps, worked out on the car; one to one when left out."""
    stop = mode.opens_to_stop_from
    if before is None:
        was = plain_figures(held, state, stop)
    else:
        was = map_figures(held.car, before, state=state, stop_from=stop)
    return figure_lines(was, map_figures(held.car, after, state=state, stop_from=stop))


def uneven(figures: MapFigures) -> str:
    """Return a sentence on evenness, as the report judges it."""
    ratio, share = float(figures.gain_ratio.max()), float(figures.share_by_20.max())
    text = f"Steepest place {ratio:.2f} times the mean ({figures.boost_state})"
    text += f", above {MOST_UNEVEN:g}: not even" if ratio > MOST_UNEVEN else ": even"
    return f"{text}; {100.0 * share:.0f} % of torque comes by 20 % of pedal."


def map_cautions(made: PedalMap, intent: Intent) -> list[str]:
    """Return what in a map can surprise the driver, as sentences; empty when nothing does.

    Parameters
    ----------
    made : PedalMap
        Designed, edited or pasted.
    intent : Intent
        For its overboost limit.

    Returns
    -------
    list of str
        Falling plate, plate open at released pedal, boost above the limit.
    """
    found = []
    fall = np.diff(made.plate_pct, axis=1)
    if float(fall.min()) < -_FALL_PCT:
        i, j = (int(k) for k in np.unravel_index(int(np.argmin(fall)), fall.shape))
        found.append(
            f"At {made.rpm[i]:.0f} rpm the plate closes from {made.plate_pct[i, j]:.1f} to "
            f"{made.plate_pct[i, j + 1]:.1f} % while the pedal goes down from "
            f"{made.pedal_pct[j]:.0f} to {made.pedal_pct[j + 1]:.0f} %: torque falls under a "
            "pressing foot and comes back under a lifting one."
        )
    released = made.pedal_pct <= 0.0
    open_at = made.plate_pct[:, released]
    if open_at.size and float(open_at.max()) > _FALL_PCT:
        i = int(np.argmax(open_at.max(axis=1)))
        found.append(
            f"At {made.rpm[i]:.0f} rpm the table holds the plate {open_at[i].max():.1f} % open "
            "with the pedal released: the engine pulls with no foot on it. Idle has its own table."
        )
    limit = intent.overboost
    if made.boost_target is not None and limit is not None:
        most = float(made.boost_target.max())
        if most > limit.limit + 50.0:
            found.append(
                f"The boost target reaches {most / 1e3:.0f} kPa, above the overboost limit of "
                f"{limit.limit / 1e3:.0f} kPa in the intent: the plate would close on it."
            )
    return found
