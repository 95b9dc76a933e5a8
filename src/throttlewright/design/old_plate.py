"""Keep the feel of an old plate: its torque share over pedal, from its own bore and cam."""

from __future__ import annotations

import numpy as np

from throttlewright.build.plate import PreviousPlate
from throttlewright.car.pack import Car
from throttlewright.car.record import BoostState
from throttlewright.car.surface import evaluate
from throttlewright.design.plate_study import with_plate
from throttlewright.foundation.errors import InputError

__all__ = ["old_plate_share"]


def _old_car(car: Car, plate: PreviousPlate) -> Car:
    old = with_plate(car, bore=plate.bore, count=plate.count)
    old.record["shaft"] = plate.shaft
    old.record["psi_closed"] = plate.closed
    old.record["psi_open"] = plate.open
    return old


def old_plate_share(car: Car, omega: np.ndarray, pedal_pct: np.ndarray) -> np.ndarray:
    """Torque share that the previous plate gave over pedal, charge pipe at ambient.

    Parameters
    ----------
    car : Car
        The car, with ``[previous_plate]`` in its build.
    omega : ndarray [rad/s]
        Engine speeds, shape (n,).
    pedal_pct : ndarray [%]
        Pedal positions, shape (m,).

    Returns
    -------
    ndarray [-]
        Share of the old plate's own full torque, shape (n, m).

    Raises
    ------
    InputError
        If the build describes no previous plate.
    """
    plate = car.build.previous_plate
    if plate is None:
        raise InputError(
            'the feel "old plate" needs the old plate',
            key="previous_plate",
            advice="add a section [previous_plate] with bore and, for a cable, its cam",
        )
    old = _old_car(car, plate)
    opening = np.interp(pedal_pct / 100.0, plate.cam.pedal, plate.cam.opening)
    psi = plate.closed + np.append(opening, [0.0, 1.0]) * (plate.open - plate.closed)
    values, _ = evaluate(
        old, omega, np.broadcast_to(psi, (omega.size, psi.size)), state=BoostState.INSTANT
    )
    torque = values["torque"]
    closed, full = torque[:, -2:-1], torque[:, -1:]
    return np.asarray((torque[:, :-2] - closed) / (full - closed))
