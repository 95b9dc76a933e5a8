"""Dirt in the bore over the life of a plate, and what idle makes of it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from throttlewright.car.flows import plate_area_of
from throttlewright.car.pack import Car
from throttlewright.design.idle_air import gap_of, idle_point
from throttlewright.foundation.errors import InputError

__all__ = ["IdleLife", "idle_over_life"]

_LAYER = 30e-6
"""Layer of dirt in the bore around a shut plate in the end [m]; from memory, unverified. A coked
bore that needs three times its air setting is a fault of one road car's service manual."""
_DISTANCE = 60e6
"""Distance after which 63 % of it is there [m]; from memory, unverified."""


@dataclass(frozen=True)
class IdleLife:
    """Idle over the distance driven.

    ``distance`` [m], ``layer`` [m] of dirt, ``plate_pct`` [%] that the warm engine needs, ``trim``
    [%] that the loop must add to its table, ``clean_air_share`` [-]: air that the opening of the
    clean plate still passes; arrays of shape (n,).
    """

    distance: NDArray[np.float64]
    layer: NDArray[np.float64]
    plate_pct: NDArray[np.float64]
    trim: NDArray[np.float64]
    clean_air_share: NDArray[np.float64]


def idle_over_life(car: Car, distance: ArrayLike, *, retard_deg: float = 0.0) -> IdleLife:
    """Opening that idle needs as the bore gets dirty.

    Parameters
    ----------
    car : Car
        The car, clean, with the gap of its build.
    distance : ndarray of shape (n,) [m]
        Distances driven, from 0.
    retard_deg : float [deg]
        Ignition behind best torque at idle.

    Returns
    -------
    IdleLife
        Layer, opening and trim.

    Raises
    ------
    InputError
        If a distance is below 0.

    Notes
    -----
    layer = 30 um (1 - exp(-distance / 60 000 km)), both from memory. It narrows the gap and the
    crescent of a barely open plate alike, by gap area times layer over gap. Dirt makes idle slow,
    never fast: a clean plate after a dirty one with its old trim idles fast until the loop has
    taken the trim back, which is why this design keeps none over a restart.
    """
    driven = np.asarray(distance, dtype=np.float64)
    if driven.ndim != 1 or np.any(driven < 0.0):
        raise InputError("must be a row of numbers from 0", key="distance")
    rec, span = car.record, (car.psi_closed, car.psi_open)
    point = idle_point(car, omega=car.idle, retard_deg=retard_deg)
    need = float(plate_area_of(point.psi, rec))
    layer = _LAYER * (1.0 - np.exp(-driven / _DISTANCE))
    leak = float(rec["plates"]) * float(rec["leak_area"])
    lost = leak * layer / gap_of(car)
    opening = np.empty(driven.shape)
    for i, less in enumerate(lost):
        low, high = span
        for _ in range(50):
            middle = 0.5 * (low + high)
            low, high = (
                (middle, high) if float(plate_area_of(middle, rec)) < need + less else (low, middle)
            )
        opening[i] = car.plate_pct(0.5 * (low + high))
    share = np.maximum(1.0 - lost / need, 0.0)
    return IdleLife(driven, layer, opening, opening - point.plate_pct, share)
