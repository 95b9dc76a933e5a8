"""Which plate and which pressure give a share of an engine's torque, and the share of a plate."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from throttlewright.car.pack import Car
from throttlewright.car.surface import compute_surface, evaluate

__all__ = [
    "angle_for_torque",
    "fixed_percentage_share",
    "plate_for_share",
    "points_at_share",
    "pressure_for_share",
    "torque_of_share",
]

_HALVINGS = 24
_HEADROOM = 5e3
"""Pressure before the plate over the least that gives a share [Pa]: the plate, which is quick and
exact, stays the part that limits, and the wastegate, which is neither, only stands near. Tool
default."""


def torque_of_share(car: Car, omega: np.ndarray, share: np.ndarray) -> np.ndarray:
    """Torque that a share stands for, boost settled.

    T_closed + share (T_full - T_closed)

    Parameters
    ----------
    car : Car
        The car.
    omega : ndarray [rad/s]
        Engine speeds, shape (n,).
    share : ndarray [-]
        Torque shares, shape (m,) or (n, m), 0 to 1.

    Returns
    -------
    ndarray [N m]
        Brake torque, shape (n, m).
    """
    ends = np.array([car.psi_closed, car.psi_open])
    surface = compute_surface(car, speeds=omega, psi=ends).require_solved()
    return np.asarray(
        surface.closed[:, None] + share * (surface.full - surface.closed)[:, None], dtype=float
    )


def angle_for_torque(
    torque: Callable[[np.ndarray], np.ndarray], wanted: np.ndarray, *, low: float, high: float
) -> np.ndarray:
    """Largest found plate angle whose torque stays under what is wanted.

    Parameters
    ----------
    torque : function
        From plate angles [rad], shape (n, m), to torque [N m], shape (n, m), rising with the angle.
    wanted : ndarray [N m]
        Torque, shape (n, m).
    low : float [rad]
        Closed stop.
    high : float [rad]
        Open stop, which is the answer where no angle gives the torque.

    Returns
    -------
    ndarray [rad]
        Plate angles, shape (n, m), from below.

    Notes
    -----
    Bisection on the plant itself, whoever's it is: no table stands between. Where the torque of a
    spooling turbo jumps, the answer is the angle before the jump.
    """
    below = np.full(wanted.shape, low)
    above = np.full(wanted.shape, high)
    for _ in range(_HALVINGS):
        middle = 0.5 * (below + above)
        less = torque(middle) < wanted
        below, above = np.where(less, middle, below), np.where(less, above, middle)
    return below


def points_at_share(
    car: Car, omega: np.ndarray, share: np.ndarray, *, pressure: np.ndarray | None = None
) -> tuple[np.ndarray, dict[str, np.ndarray]]:
    """Plate that gives a torque share, and the operating point there.

    Parameters
    ----------
    car : Car
        The car.
    omega : ndarray [rad/s]
        Engine speeds, shape (n,).
    share : ndarray [-]
        Torque shares, shape (m,), 0 to 1, of the torque with the plate open and boost settled.
    pressure : ndarray [Pa]
        Boost target that stands while the share is asked for, absolute, shape (n, m); full boost
        when left out.

    Returns
    -------
    tuple of ndarray [%] and dict of str to ndarray [SI]
        Plate opening, shape (n, m), the open stop where the pressure does not give the share; and
        the points of ``evaluate`` there.
    """
    omega = np.asarray(omega, dtype=float)
    wanted = torque_of_share(car, omega, share)

    def torque(psi: np.ndarray) -> np.ndarray:
        return evaluate(car, omega, psi, pressure=pressure)[0]["torque"]

    low = angle_for_torque(torque, wanted, low=car.psi_closed, high=car.psi_open)
    points, _ = evaluate(car, omega, low, pressure=pressure)
    plate = car.plate_pct(low)
    return np.asarray(plate), points


def plate_for_share(
    car: Car, omega: np.ndarray, share: np.ndarray, *, pressure: np.ndarray | None = None
) -> np.ndarray:
    """Plate that gives a torque share, boost settled.

    Parameters
    ----------
    car : Car
        The car.
    omega : ndarray [rad/s]
        Engine speeds, shape (n,).
    share : ndarray [-]
        Torque shares, shape (m,), 0 to 1.
    pressure : ndarray [Pa]
        As in ``points_at_share``.

    Returns
    -------
    ndarray [%]
        Plate opening, shape (n, m).

    Notes
    -----
    Settled boost gives the most torque at a plate that stands, so the share is not exceeded while
    boost gathers. Friction of the cold engine takes the same off every torque at one speed and
    drops out of the share.
    """
    return points_at_share(car, omega, share, pressure=pressure)[0]


def pressure_for_share(car: Car, omega: np.ndarray, share: np.ndarray) -> np.ndarray:
    """Least boost target under which a torque share can be had, with a little in hand.

    Parameters
    ----------
    car : Car
        A car whose boost the controller commands.
    omega : ndarray [rad/s]
        Engine speeds, shape (n,).
    share : ndarray [-]
        Torque shares, shape (m,), 0 to 1.

    Returns
    -------
    ndarray [Pa]
        Absolute pressure before the plate, shape (n, m): that of the wastegate spring where it is
        enough, never above full boost or, where the spring alone holds more, the spring.
    """
    omega = np.asarray(omega, dtype=float)
    wanted = torque_of_share(car, omega, share)
    spring = float(car.record["spring_pressure"])
    top = np.broadcast_to(np.maximum(car.full_boost(omega), spring)[:, None], wanted.shape)
    low, high = np.full(wanted.shape, spring), top.copy()
    wide = np.full(wanted.shape, car.psi_open)
    least = evaluate(car, omega, wide, pressure=low)[0]["torque"]
    most = evaluate(car, omega, wide, pressure=top)[0]["torque"]
    # under the spring the wastegate cannot go: how far the need lies under it, by the mean slope
    slope = np.maximum(most - least, 1e-6) / np.maximum(top - spring, 1.0)
    under = np.maximum(spring, spring + _HEADROOM - (least - wanted) / slope)
    for _ in range(_HALVINGS):
        middle = 0.5 * (low + high)
        below = evaluate(car, omega, wide, pressure=middle)[0]["torque"] < wanted
        low, high = np.where(below, middle, low), np.where(below, high, middle)
    return np.asarray(np.minimum(np.where(least >= wanted, under, high + _HEADROOM), top))


def fixed_percentage_share(car: Car, plate_pct: float, omega: np.ndarray) -> np.ndarray:
    """Share of the full torque that one fixed opening of the plate lets through.

    Parameters
    ----------
    car : Car
        The car.
    plate_pct : float [%]
        Opening of the plate, 0 to 100.
    omega : ndarray [rad/s]
        Engine speeds, shape (n,).

    Returns
    -------
    ndarray [-]
        Torque share, boost settled, shape (n,).

    Notes
    -----
    Computed on the torque surface. A limit that is one percentage lets the engine have this share,
    whatever share was meant.
    """
    omega = np.asarray(omega, dtype=float)
    psi = car.psi_closed + plate_pct / 100.0 * (car.psi_open - car.psi_closed)
    angles = np.array([car.psi_closed, psi, car.psi_open])
    surface = compute_surface(car, speeds=omega, psi=angles).require_solved()
    return np.asarray(surface.share[:, 1])
