"""What is kept of each run of a batch: a few numbers, and the whole trace only when asked."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from typing import TypeAlias

import numpy as np

from throttlewright.car.pack import Car
from throttlewright.drive.recorder import TRACE
from throttlewright.foundation.compiled import kernel
from throttlewright.foundation.errors import InputError, nearest

__all__ = ["MEASURES", "Measure", "all_of", "column", "measure_named", "peaks", "plate_return"]

Measure: TypeAlias = Callable[[Car, np.ndarray, float], dict[str, float]]
"""From car, rows of the kernel and time between rows [s] to numbers by name: the same names for
every run. A function of a module, so that another process finds it."""

_PLACE = {channel.name: channel for channel in TRACE}
_RELEASED_PCT = 5.0
_RETURNED_PCT = 3.0
"""A plate this close to its rest position has come back; common practice, no source."""


@kernel
def _extremes(rows: np.ndarray, columns: np.ndarray, out: np.ndarray) -> None:
    for j in range(columns.shape[0]):
        out[0, j] = np.inf
        out[1, j] = -np.inf
    for i in range(rows.shape[0]):
        for j in range(columns.shape[0]):
            value = rows[i, int(columns[j])]
            # a value that is no number takes the place and keeps it
            if out[0, j] == out[0, j] and not value >= out[0, j]:
                out[0, j] = value
            if out[1, j] == out[1, j] and not value <= out[1, j]:
                out[1, j] = value


def column(car: Car, rows: np.ndarray, name: str) -> np.ndarray:
    """Return one channel of a trace from rows of the kernel.

    Parameters
    ----------
    car : Car
        The car that was driven.
    rows : ndarray [SI]
        Rows of the kernel, shape (n, ROW_WIDTH).
    name : str
        Channel of ``drive.recorder.TRACE`` whose scale does not hang on the car, or ``plate_pct``.

    Returns
    -------
    ndarray
        In the unit of the channel.
    """
    channel = _PLACE[name]
    if name == "plate_pct":
        return np.asarray(rows[:, channel.column] * (100.0 / float(car.record["servo_travel"])))
    return np.asarray(rows[:, channel.column] * channel.scale + channel.offset)


_PEAKS: tuple[tuple[str, str, int], ...] = (
    ("map_peak_kPa", "map_kPa", 1),
    ("engine_peak_rpm", "engine_rpm", 1),
    ("acceleration_peak_m_s2", "acceleration_m_s2", 1),
    ("slip_peak_1", "slip_1", 1),
    ("surge_margin_least_1", "surge_margin_1", 0),
    ("exhaust_peak_degC", "exhaust_degC", 1),
    ("turbo_peak_rpm", "turbo_rpm", 1),
    ("winding_peak_degC", "winding_degC", 1),
    ("detected_1", "detected_1", 1),
)
_COLUMNS = np.array([float(_PLACE[name].column) for _, name, _ in _PEAKS])


def peaks(car: Car, rows: np.ndarray, step_s: float) -> dict[str, float]:
    """Measure the extremes of a run: pressure, speed, slip, surge margin, heat, confirmed faults.

    Parameters
    ----------
    car : Car
        The car that was driven.
    rows : ndarray [SI]
        Rows of the kernel.
    step_s : float [s]
        Time between rows.

    Returns
    -------
    dict of str to float
        Largest value of each, of the surge margin the least; speed and way at the end.
    """
    out = np.empty((2, _COLUMNS.size))
    _extremes(rows, _COLUMNS, out=out)
    found = {
        name: float(out[which, j]) * _PLACE[channel].scale + _PLACE[channel].offset
        for j, (name, channel, which) in enumerate(_PEAKS)
    }
    found["end_speed_m_s"] = float(column(car, rows[-1:], "speed_m_s")[0])
    found["distance_m"] = float(column(car, rows[-1:], "distance_m")[0])
    return found


def plate_return(car: Car, rows: np.ndarray, step_s: float) -> dict[str, float]:
    """Measure how long the plate takes to come back after the foot has left the pedal.

    Parameters
    ----------
    car : Car
        The car that was driven.
    rows : ndarray [SI]
        Rows of the kernel.
    step_s : float [s]
        Time between rows.

    Returns
    -------
    dict of str to float
        ``return_s`` from the last time the pedal fell below 5 % until the plate stays within 3 %
        of travel above its rest position; infinite when it does not come back, NaN when the
        pedal is never released. ``plate_peak_pct``, the widest opening of the run.
    """
    pedal = column(car, rows, "pedal_pct")
    plate = column(car, rows, "plate_pct")
    down = pedal > _RELEASED_PCT
    falls = np.flatnonzero(down[:-1] & ~down[1:])
    answer = math.nan
    if falls.size and not down[-1]:
        rest = 100.0 * float(car.record["default_opening"] / car.record["servo_travel"])
        start = int(falls[-1]) + 1
        # "not below" keeps a plate that is no number from counting as one that came back
        open_still = np.flatnonzero(~(plate[start:] <= rest + _RETURNED_PCT))
        if open_still.size == 0:
            answer = 0.0
        elif open_still[-1] + 1 < plate.size - start:
            answer = float(open_still[-1] + 1) * step_s
        else:
            answer = math.inf
    return {"return_s": answer, "plate_peak_pct": float(np.max(plate))}


MEASURES: Mapping[str, Measure] = {"peaks": peaks, "return": plate_return}
"""Measures that a name stands for."""


def measure_named(measure: str | Measure) -> Measure:
    """Return a measure.

    Parameters
    ----------
    measure : str or function
        A name of ``MEASURES``, or a measure, which is returned as it is.

    Returns
    -------
    function
        The measure.

    Raises
    ------
    InputError
        If the name is unknown.
    """
    if not isinstance(measure, str):
        return measure
    if measure in MEASURES:
        return MEASURES[measure]
    close = nearest(measure, list(MEASURES))
    raise InputError(
        "is not a measure",
        value=measure,
        allowed=", ".join(MEASURES),
        advice=f'the nearest is "{close}"' if close else None,
    )


def all_of(
    measures: Sequence[str | Measure], car: Car, rows: np.ndarray, step_s: float
) -> dict[str, float]:
    """Take several measures of one run.

    Parameters
    ----------
    measures : sequence of str or function
        Names of ``MEASURES`` or measures; of two with a name in common the later one counts.
    car : Car
        The car that was driven.
    rows : ndarray [SI]
        Rows of the kernel.
    step_s : float [s]
        Time between rows.

    Returns
    -------
    dict of str to float
        All their numbers.
    """
    found: dict[str, float] = {}
    for measure in measures:
        found.update(measure_named(measure)(car, rows, step_s))
    return found
