"""Steady dyno holds from a text table."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from throttlewright.foundation.errors import InputError
from throttlewright.recording.csv_table import read_table

__all__ = ["read_holds"]

_REQUIRED = {"rpm": "ratio", "plate": "ratio", "torque": "torque"}
_OPTIONAL = {"map": "pressure", "lambda": "ratio", "ignition": "angle"}
_RANGES = {
    "rpm": (100.0, 25000.0, "100 to 25000, a bare number in rpm"),
    "plate": (0.0, 1.0, "0 to 100 %, with the column named 'plate [%]'"),
    "torque": (-1000.0, 5000.0, "-1000 to 5000 N m"),
    "map": (1e3, 8e5, "1 to 800 kPa, absolute"),
    "lambda": (0.4, 2.0, "0.4 to 2.0"),
    "ignition": (-0.9, 1.4, "-50 to 80 deg before top dead centre"),
}


def read_holds(path: str | Path) -> dict[str, NDArray[np.float64]]:
    """Read steady holds: one line for each speed and plate held on the brake.

    Parameters
    ----------
    path : str or Path
        Table with the columns ``rpm``, ``plate [%]`` and ``torque [N m]``; ``map [kPa]``,
        ``lambda`` and ``ignition [deg]`` may follow, ``map`` absolute, ``ignition`` before top dead
        centre. Other columns are refused.

    Returns
    -------
    dict of str to ndarray of shape (n,) [rpm, %, SI]
        ``rpm``, ``plate_pct``, ``torque`` [N m] and what else was there: ``map`` [Pa],
        ``lambda`` [-], ``ignition`` [rad].

    Raises
    ------
    InputError
        If the file is no such table or a number is out of range.
    """
    table = read_table(path, required=_REQUIRED, optional=_OPTIONAL)
    for name, (low, high, allowed) in _RANGES.items():
        if name not in table:
            continue
        slack = 1e-9 * (high - low)
        wrong = np.flatnonzero((table[name] < low - slack) | (table[name] > high + slack))
        if wrong.size:
            raise InputError(
                "is out of range",
                file=path,
                key=f"hold {int(wrong[0]) + 1}, {name}",
                value=float(table[name][wrong[0]]),
                allowed=allowed,
            )
    pct = 100.0 * table.pop("plate")
    return {"rpm": table.pop("rpm"), "plate_pct": np.clip(pct, 0.0, 100.0), **table}
