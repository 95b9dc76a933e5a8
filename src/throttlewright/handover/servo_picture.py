"""The picture of a servo: steps in every corner, and the record beside its fit."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from throttlewright.design.servo_check import Move
from throttlewright.handover.pictures import AFTER, BEFORE, INK, MUTE, _axes, _figure, _style, _svg

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["servo_picture"]

_WIDTH = 9.6
_CAUTION = (
    "Plates shut on fingers. First moves with the engine off, fuel and ignition disabled, and an "
    "emergency stop in hand. A simulation, not a certification."
)


def _steps(axes: Axes, moves: Sequence[Move]) -> None:
    for move in moves:
        t = 1e-3 * (1.0 + np.arange(len(move.trace)))
        shown = t <= 0.3
        colour, wide = (AFTER, 1.6) if move.condition.nominal else (BEFORE, 0.7)
        axes.plot(t[shown], move.trace[shown], color=colour, linewidth=wide)
    axes.set_xlim(0.0, 0.3)


def servo_picture(
    moves: Sequence[Move],
    *,
    title: str,
    record: tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]] | None = None,
) -> str:
    """Draw the largest steps both ways, and a record with its fit where there is one.

    Parameters
    ----------
    moves : sequence of Move
        From ``check_servo``.
    title : str
        Name of the car.
    record : tuple of ndarray, optional
        Time [s], plate read [deg] and plate fitted [deg].

    Returns
    -------
    str
        One ``svg`` element; the same input gives the same text.
    """
    height = 4.3 if record is None else 7.4
    up = max(moves, key=lambda m: m.end - m.start)
    down = min(moves, key=lambda m: m.end - m.start)
    with _style():
        figure = _figure(_WIDTH, height)
        figure.text(0.25 / _WIDTH, 1 - 0.34 / height, title, color=INK, fontsize=13, weight="bold")
        top = height - 0.85
        for place, one in ((0.75, up), (5.45, down)):
            same = [m for m in moves if m.start == one.start and m.end == one.end]
            axes = _axes(
                figure,
                (place, top - 2.2, place + 3.8, top),
                "time / s",
                "plate / deg above the closed stop",
            )
            _steps(axes, same)
        figure.text(
            0.3 / _WIDTH, (top - 2.85) / height,
            "green: 12 to 14 V, 20 °C, usual friction; brown: corners of supply, heat and friction",
            color=MUTE,
        )  # fmt: skip
        if record is not None:
            axes = _axes(
                figure, (0.75, 0.95, 9.25, 3.05), "time / s", "record (points) and fit (line) / deg"
            )
            every = max(len(record[0]) // 1500, 1)
            axes.plot(record[0][::every], record[1][::every], ".", color=BEFORE, markersize=1.5)
            axes.plot(record[0][::every], record[2][::every], color=AFTER, linewidth=1.0)
        figure.text(0.25 / _WIDTH, 0.14 / height, _CAUTION, color="#8a5a00", fontsize=9)
        return _svg(figure, "servo", f"{title}: steps of the plate servo")
