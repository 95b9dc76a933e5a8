"""Figures of a drive, alone and beside another."""

from __future__ import annotations

from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from throttlewright.foundation.errors import InputError
from throttlewright.garage.contents import recording_of
from throttlewright.recording.recording import Recording
from throttlewright.workshop.common import Model
from throttlewright.workshop.garage import Revision
from throttlewright.workshop.held import MAIN, Garage

__all__ = [
    "CompareDrives",
    "DriveCompared",
    "DriveFigure",
    "compare_drives",
    "drive_figures",
    "drives_of",
    "side_by_side",
]

Figures: TypeAlias = dict[tuple[str, str], float | None]

_LIMIT_OF_SLIP = 0.15
"""Slip from which it counts as an event; common practice, no source."""
_MARKS = (50.0, 100.0)
_KMH = 3.6


class DriveFigure(Model):
    """One figure of one or two drives."""

    name: str
    unit: str
    a: float | None
    b: float | None = None


class CompareDrives(Model):
    """Two recordings of the car, by revision."""

    a: int
    b: int


class DriveCompared(Model):
    """Two drives beside each other; nothing is said of one that did not get there."""

    a: Revision
    b: Revision
    figures: tuple[DriveFigure, ...]


def drives_of(garage: Garage, car: str | int, *, branch: str = MAIN) -> list[Revision]:
    """Return the recordings of a car, newest first."""
    rows = [i for i in garage.items(car, branch=branch) if i.kind == "recording"]
    rows.sort(key=lambda row: -row.id)
    return [Revision.model_validate(row, from_attributes=True) for row in rows]


def _first_at(t_s: NDArray[np.float64], speed: NDArray[np.float64], mark: float) -> float | None:
    """Time from the last standstill before it until a road speed is reached [s]."""
    there = np.flatnonzero(speed >= mark / _KMH)
    if not there.size or there[0] == 0:
        return None
    still = np.flatnonzero(speed[: there[0]] <= 0.3)
    return float(t_s[there[0]] - t_s[still[-1]]) if still.size else None


def drive_figures(recording: Recording) -> Figures:
    """Return what a drive came to, by name and unit.

    Parameters
    ----------
    recording : Recording
        With the channels of a trace.

    Returns
    -------
    dict
        None for what did not happen in it.

    Raises
    ------
    InputError
        If a channel is missing.
    """

    def read(name: str) -> NDArray[np.float64]:
        return recording.channel(name).values

    t_s, speed = recording.channel("speed_m_s").t_s, read("speed_m_s")
    slips = np.abs(read("slip_1")) > _LIMIT_OF_SLIP
    charge = read("in_charge_plate_1")
    found: Figures = {("time", "s"): float(t_s[-1] - t_s[0])}
    for mark in _MARKS:
        found[f"from rest to {mark:.0f} km/h", "s"] = _first_at(t_s, speed, mark)
    found |= {
        ("most acceleration", "m/s2"): float(np.max(read("acceleration_m_s2"))),
        ("most speed", "m/s"): float(np.max(speed)),
        ("distance", "m"): float(read("distance_m")[-1] - read("distance_m")[0]),
        ("most torque", "N m"): float(np.max(read("torque_Nm"))),
        ("most manifold pressure", "kPa"): float(np.max(read("map_kPa"))),
        ("most engine speed", "rpm"): float(np.max(read("engine_rpm"))),
        ("slip events", ""): float(np.count_nonzero(np.diff(slips.astype(int), prepend=0) > 0)),
        ("longest spell of slip", "s"): _longest(t_s, slips),
        ("plate not set by the pedal", "%"): 100.0 * float(np.mean(charge != 0.0)),
    }
    return found


def _longest(t_s: NDArray[np.float64], on: NDArray[np.bool_]) -> float:
    edges = np.diff(np.concatenate(([0], on.astype(int), [0])))
    starts, ends = np.flatnonzero(edges > 0), np.flatnonzero(edges < 0)
    if not starts.size:
        return 0.0
    return float(np.max(ends - starts) * (t_s[1] - t_s[0]))


def _plain(value: float | None) -> float | None:
    return None if value is None else float(f"{value:.6g}")


def side_by_side(a: Figures, b: Figures | None) -> tuple[DriveFigure, ...]:
    """Return the figures of one drive, or of two beside each other."""
    return tuple(
        DriveFigure(
            name=key[0], unit=key[1], a=_plain(a[key]), b=_plain(b[key]) if b is not None else None
        )
        for key in a
    )


def compare_drives(garage: Garage, car: str | int, request: CompareDrives) -> DriveCompared:
    """Set two drives of one car beside each other.

    Parameters
    ----------
    garage : Garage
        Where the car is.
    car : str or int
        Name or number.
    request : CompareDrives
        Revisions of two recordings.

    Returns
    -------
    DriveCompared
        Figures of both.

    Raises
    ------
    InputError
        If a revision is no recording of this car.
    """
    number = garage.car(car).id
    rows, figures = [], []
    for revision in (request.a, request.b):
        info = garage.revision(revision)
        content = garage.content(revision) if info.kind == "recording" else ""
        if garage.car(info.car).id != number or not isinstance(content, bytes):
            raise InputError("is no recording of this car", value=revision)
        rows.append(Revision.model_validate(info, from_attributes=True))
        figures.append(drive_figures(recording_of(content)))
    return DriveCompared(a=rows[0], b=rows[1], figures=side_by_side(figures[0], figures[1]))
