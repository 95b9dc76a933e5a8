"""Feel: the torque that each pedal position shall give at each engine speed."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.interpolate import PchipInterpolator

from throttlewright.build.intent import Mode
from throttlewright.car.surface import AUTHORITY_SHARE, TorqueSurface
from throttlewright.foundation.errors import InputError

__all__ = [
    "FREE_REV_FROM",
    "FREE_REV_SPAN",
    "FREE_REV_TO",
    "Wish",
    "shape_of",
    "torque_wish",
]

FREE_REV_FROM = 1500.0 * math.pi / 30.0
FREE_REV_TO = 4000.0 * math.pi / 30.0
FREE_REV_SPAN = 0.105
"""Share of pedal travel over which the unloaded engine goes from 1500 to 4000 rpm in a blend.

An even torque share alone puts the whole speed range of an unloaded engine within about 1 % of
pedal. More span costs evenness at the ends; 8 % is the least we accept, 10.5 % the default here."""

_MOST_GAIN = 1.18
"""Largest local gain over the mean that the free-rev span may cost."""
_ROUNDING = 0.04


@dataclass(frozen=True)
class Wish:
    """Torque asked of the engine over pedal and speed.

    ``pedal`` is a share of travel, ``torque`` has shape (speeds, pedals). ``stop_from`` is the
    pedal share from which the plate runs to its open stop, 1 when the mode never opens fully.
    """

    omega: np.ndarray
    pedal: np.ndarray
    torque: np.ndarray
    stop_from: float
    opens_fully: bool


def shape_of(mode: Mode, u: np.ndarray) -> np.ndarray:
    """Torque share over the part of travel before the opening to the stop.

    Parameters
    ----------
    mode : Mode
        Drive mode.
    u : ndarray [-]
        Pedal as a share of that part, 0 to 1.

    Returns
    -------
    ndarray [-]
        Share of the mode's torque, 0 at 0, 1 at 1, rising.

    Raises
    ------
    InputError
        If the feel needs something that the caller must supply in another way.
    """
    if mode.feel == "even":
        return u.copy()
    if mode.feel == "gentle":
        return np.asarray(u**mode.start)
    if mode.feel == "points" and mode.points is not None:
        x, y = np.array(mode.points.pedal), np.array(mode.points.share)
        return np.asarray(PchipInterpolator(x, y)(u))
    raise InputError(
        "needs the torque of a previous plate",
        key="mode.feel",
        value=mode.feel,
        advice="describe that plate in [previous_plate] of the build",
    )


def _two_slopes(u: np.ndarray, at: float, value: float) -> np.ndarray:
    """Rising curve from (0, 0) to (1, 1) through (at, value): two lines with a rounded joint."""
    left = value / at
    right = (1.0 - value) / (1.0 - at)
    mean, bend = 0.5 * (left + right), 0.5 * (right - left)

    def raw(x: np.ndarray) -> np.ndarray:
        return mean * (x - at) + bend * np.sqrt((x - at) ** 2 + _ROUNDING**2)

    ends = raw(np.array([0.0, 1.0]))
    return np.asarray((raw(u) - ends[0]) / (ends[1] - ends[0]))


def _free_rev_line(omega: np.ndarray, natural: np.ndarray, span: float) -> np.ndarray:
    """Pedal (share before the stop part) of zero torque for each speed.

    Starts where the shape itself would put it at the low end and rises evenly, so that a held
    pedal meets falling torque as the engine speeds up; bounded so that no gain exceeds
    ``_MOST_GAIN`` times the mean on either side of it.
    """
    first = float(np.interp(FREE_REV_FROM, omega, natural))
    rise = span / (FREE_REV_TO - FREE_REV_FROM)
    # above the band the line flattens: nobody holds 6000 rpm in neutral, and evenness counts there
    over = np.where(
        omega <= FREE_REV_TO,
        omega - FREE_REV_FROM,
        FREE_REV_TO - FREE_REV_FROM + 0.25 * (omega - FREE_REV_TO),
    )
    wanted = first + rise * over
    least = natural / _MOST_GAIN
    most = 1.0 - (1.0 - natural) / _MOST_GAIN
    return np.clip(wanted, least, np.maximum(most, least))


def torque_wish(
    mode: Mode,
    surface: TorqueSurface,
    omega: np.ndarray,
    pedal: np.ndarray,
    *,
    old_share: np.ndarray | None = None,
    free_rev_span: float = FREE_REV_SPAN,
) -> Wish:
    """Turn the feel of a mode into torque over pedal and speed.

    Parameters
    ----------
    mode : Mode
        Drive mode.
    surface : TorqueSurface
        Torque in the boost state that the feel is promised for.
    omega : ndarray [rad/s]
        Engine speeds, shape (n,).
    pedal : ndarray [-]
        Pedal as a share of travel, shape (m,), 0 to 1.
    old_share : ndarray [-]
        For the feel "old plate": torque share of the old plate, shape (n, m).
    free_rev_span : float [-]
        Pedal share from 1500 to 4000 rpm unloaded, for the basis "blend".

    Returns
    -------
    Wish
        Torque asked for.

    Notes
    -----
    Bases: "torque", the same share of torque at any speed; "acceleration", the same wheel force in
    one gear at any speed until the engine has no more; "power", the same power at any speed until
    then; "blend", torque above and a rising zero-torque pedal below, which steadies a held pedal.
    """
    closed = np.interp(omega, surface.omega, surface.closed)
    full = np.interp(omega, surface.omega, surface.full)
    span = full - closed
    if np.any(span <= 0.0):
        raise InputError(
            "gives no more torque open than closed at some speed", key="engine", value=None
        )
    stop = mode.opens_to_stop_from
    # with no travel left for the opening to the stop the shape itself has to end at full torque
    top = min(AUTHORITY_SHARE if stop < 1.0 else 1.0, mode.most_torque)
    u = np.clip(pedal / stop, 0.0, 1.0)
    if mode.feel == "old plate":
        if old_share is None:
            shape_of(mode, u)
            raise InputError("needs the torque of a previous plate", key="mode.feel")
        share = np.minimum(old_share, top)
    elif mode.basis == "blend":
        grid = np.linspace(0.0, 1.0, 401)
        natural = np.interp(np.clip(-closed / span / top, 0.0, 0.6), shape_of(mode, grid), grid)
        line = _free_rev_line(omega, natural, free_rev_span / stop)
        share = np.empty((omega.size, pedal.size))
        for i in range(omega.size):
            bent = u
            if natural[i] > 1e-6:
                bent = _two_slopes(u, float(line[i]), float(natural[i]))
            share[i] = top * shape_of(mode, np.clip(bent, 0.0, 1.0))
    else:
        share = top * np.broadcast_to(shape_of(mode, u), (omega.size, pedal.size))
        if mode.basis == "power":
            reference = np.max(omega * span) / omega
            share = np.minimum(share * (reference / span)[:, None], top)
        elif mode.basis == "acceleration":
            share = np.minimum(share * (np.max(span) / span)[:, None], top)
    torque = closed[:, None] + share * span[:, None]
    return Wish(
        omega=omega,
        pedal=pedal,
        torque=torque,
        stop_from=stop,
        opens_fully=mode.most_torque >= AUTHORITY_SHARE,
    )
