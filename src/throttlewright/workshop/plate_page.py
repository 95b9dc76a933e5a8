"""The Plate page: the own plate, an asked one, the study between, and torque over pedal."""

from __future__ import annotations

import math

import numpy as np
from pydantic import Field

from throttlewright.car.pack import Car
from throttlewright.car.record import BoostState
from throttlewright.car.surface import evaluate
from throttlewright.design.plate_study import plate_study, with_plate
from throttlewright.foundation.errors import InputError, NoSolutionError
from throttlewright.workshop.common import Model, rpm
from throttlewright.workshop.plate import PlateLine, PlateResult, plate_line, plate_result

__all__ = ["AskedPlate", "Fan", "PlatePage", "asked_plate", "plate_overview"]

_SMALLEST_MM, _LARGEST_MM = 20.0, 160.0
_BORES = 31
_PEDALS = 41
_SPEEDS = 7


class Fan(Model):
    """Torque over pedal where the plate follows the pedal one to one."""

    rpm: list[float]
    pedal_pct: list[float]
    torque_Nm: list[list[float | None]]
    """One row for each engine speed."""
    boost_state: str


class AskedPlate(Model):
    """A plate that the person asks about."""

    row: PlateLine
    fan: Fan
    notes: list[str]


class PlatePage(Model):
    """What the page shows."""

    revision: int = Field(ge=0)
    """Of the build."""
    study: PlateResult
    own_fan: Fan
    asked: AskedPlate | None


def _fan(car: Car) -> Fan:
    speeds = np.linspace(max(1.2 * car.idle, 0.2 * car.limit), car.limit, _SPEEDS)
    pedal = np.linspace(0.0, 100.0, _PEDALS)
    psi = car.psi_closed + pedal / 100.0 * (car.psi_open - car.psi_closed)
    values, status = evaluate(car, speeds, np.tile(psi, (speeds.size, 1)), state=BoostState.SETTLED)
    torque = np.where(status == 0, values["torque"], np.nan)
    return Fan(
        rpm=[round(float(w) * rpm) for w in speeds],
        pedal_pct=[float(p) for p in pedal],
        torque_Nm=[
            [float(f"{v:.5g}") if math.isfinite(v) else None for v in row] for row in torque
        ],
        boost_state="settled",
    )


def _checked(bore_mm: float, count: int) -> None:
    if not _SMALLEST_MM <= bore_mm <= _LARGEST_MM:
        raise InputError(
            "is outside the allowed range",
            key="bore_mm",
            value=bore_mm,
            allowed=f"{_SMALLEST_MM:g} to {_LARGEST_MM:g} mm",
        )
    if not 1 <= count <= 16:
        raise InputError(
            "is outside the allowed range", key="count", value=count, allowed="1 to 16"
        )


def plate_overview(car: Car, *, count: int | None = None) -> tuple[PlateResult, Fan]:
    """Study bores around the car's own plate.

    Parameters
    ----------
    car : Car
        The car.
    count : int, optional
        Number of plates; the car's own when left out.

    Returns
    -------
    tuple of PlateResult and Fan
        The study, and torque over pedal with the own plate.
    """
    plates = car.build.plate.count if count is None else count
    own = 1e3 * car.build.plate.bore * math.sqrt(car.build.plate.count / plates)
    _checked(_LARGEST_MM, plates)
    low, high = max(_SMALLEST_MM, 0.5 * own), min(_LARGEST_MM, 1.6 * own)
    study = plate_study(car, bores=np.linspace(low, high, _BORES) / 1e3, counts=(plates,))
    return plate_result(car.build.name, study), _fan(car)


def asked_plate(car: Car, *, bore_mm: float, count: int) -> AskedPlate:
    """Say what one plate size would cost, give and demand.

    Parameters
    ----------
    car : Car
        The car with its own plate.
    bore_mm : float [mm]
        Bore of one plate, 20 to 160.
    count : int
        Number of plates, 1 to 16.

    Returns
    -------
    AskedPlate
        Its row and its torque over pedal.

    Raises
    ------
    InputError
        If the size is out of range, or the engine cannot run on it.
    """
    _checked(bore_mm, count)
    try:
        study = plate_study(car, bores=np.array([bore_mm / 1e3]), counts=(count,))
    except NoSolutionError as error:
        raise InputError(str(error), key="bore_mm", value=bore_mm) from None
    fan = _fan(with_plate(car, bore=bore_mm / 1e3, count=count))
    return AskedPlate(row=plate_line(study.rows[0]), fan=fan, notes=list(study.notes))
