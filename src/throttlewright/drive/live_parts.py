"""What a car driven by hand needs beside itself: a map to compare with, and the last rows."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from throttlewright.calibration.calibration import Calibration
from throttlewright.calibration.pack import MOST_MODES, mode_names
from throttlewright.calibration.table import Axis
from throttlewright.foundation.errors import InputError

__all__ = ["ONE_TO_ONE", "Ring", "with_one_to_one"]

ONE_TO_ONE = "one_to_one"
"""Name of the mode in which the plate follows the pedal as a cable would have it."""


def with_one_to_one(calibration: Calibration) -> Calibration:
    """Add a mode in which the plate follows the pedal one to one.

    Parameters
    ----------
    calibration : Calibration
        Left as it is.

    Returns
    -------
    Calibration
        With one more mode, the last; its boost target is that of the first mode, so that the two
        differ in the plate alone.

    Raises
    ------
    InputError
        If there is no room for a further mode, or the name is taken.
    """
    names = mode_names(calibration)
    if not names or len(names) >= MOST_MODES:
        raise InputError(
            "leaves no room for a mode to compare with",
            key="modes",
            value=len(names),
            allowed=f"1 to {MOST_MODES - 1}",
        )
    if ONE_TO_ONE in names:
        raise InputError("the calibration has a mode of this name", value=ONE_TO_ONE)
    tables = dict(calibration.tables)
    first = tables[f"plate_over_pedal_{names[0]}"]
    speed = first.axes[0]
    pedal = Axis("pedal_pct", "%", np.array([0.0, 100.0]))
    straight = np.tile([0.0, 100.0], (len(speed.values), 1))
    name = f"plate_over_pedal_{ONE_TO_ONE}"
    tables[name] = replace(
        first, name=name, axes=(speed, pedal), values=straight, note="the plate follows the pedal"
    )
    boost = tables.get(f"boost_target_{names[0]}")
    if boost is not None:
        name = f"boost_target_{ONE_TO_ONE}"
        tables[name] = replace(boost, name=name)
    # The modes of a calibration are numbered; one without a number comes after them.
    return replace(calibration, tables=tables)


class Ring:
    """The last rows, in a place that does not grow.

    Parameters
    ----------
    rows, width : int
        How many are kept, and numbers in each.
    """

    def __init__(self, rows: int, width: int) -> None:
        self._rows = np.zeros((rows, width), np.float32)
        self.count = 0

    def add(self, rows: NDArray[np.float64]) -> None:
        """Keep rows, in place of the oldest."""
        room = self._rows.shape[0]
        at = self.count % room
        head = min(len(rows), room - at)
        self._rows[at : at + head] = rows[:head]
        self._rows[: len(rows) - head] = rows[head:]
        self.count += len(rows)

    @property
    def first(self) -> int:
        """Number of the oldest row that is kept."""
        return max(0, self.count - self._rows.shape[0])

    def part(self, first: int, last: int) -> NDArray[np.float32]:
        """Rows from number ``first`` up to but without ``last``."""
        places = np.arange(first, last) % self._rows.shape[0]
        return self._rows[places]
