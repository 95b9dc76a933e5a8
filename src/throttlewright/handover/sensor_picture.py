"""The picture of two tracks: voltages over travel, and how far the tracks are apart."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from throttlewright.design.track_pair import Pair, RangeLimit
from throttlewright.handover.pictures import AFTER, BEFORE, INK, LINE, MUTE, PAPER, _style, _svg

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from throttlewright.logs.sweep import Sweep

__all__ = ["sensor_picture"]

_WIDTH = 9.6
_MOST_POINTS = 1500
_CAUTION = "#8a5a00"
_STOP = "#a1282c"


def _plain(axes: Axes, name: str) -> None:
    axes.set_facecolor(PAPER)
    axes.grid(True, color=LINE, linewidth=0.7)
    axes.set_axisbelow(True)
    for spine in axes.spines.values():
        spine.set_visible(False)
    axes.tick_params(length=0, labelcolor=MUTE, pad=4)
    axes.set_xlim(-2.0, 102.0)
    axes.annotate(name, (0.0, 1.0), xycoords="axes fraction", xytext=(-30, 6),
                  textcoords="offset points", color=INK)  # fmt: skip


def _name(axes: Axes, place: float, text: str, colour: str) -> None:
    axes.annotate(text, (1.0, place), xycoords=("axes fraction", "data"), xytext=(8, 0),
                  textcoords="offset points", color=colour, va="center",
                  annotation_clip=False)  # fmt: skip


def sensor_picture(
    pair: Pair,
    *,
    title: str,
    ranges: Sequence[RangeLimit],
    tolerance_pct: float,
    sweep: Sweep | None,
    caution: str,
) -> str:
    """Draw two tracks.

    Parameters
    ----------
    pair : Pair
        Their straight lines.
    title : str
        Car and sensor.
    ranges : sequence of RangeLimit
        Out-of-range limits of each track.
    tolerance_pct : float [points]
        Tolerance; NaN leaves it away.
    sweep : Sweep, optional
        What was recorded.
    caution : str
        What can hurt.

    Returns
    -------
    str
        One ``svg`` element; the same data give the same text.
    """
    from matplotlib.figure import Figure

    height = 6.4
    with _style():
        figure = Figure(figsize=(_WIDTH, height), facecolor=PAPER)
        figure.text(0.25 / _WIDTH, 1 - 0.36 / height, title, color=INK, fontsize=13, weight="bold")
        wide = (_WIDTH - 0.75 - 1.6) / _WIDTH
        volts = figure.add_axes((0.75 / _WIDTH, 3.2 / height, wide, 2.2 / height))
        apart = figure.add_axes((0.75 / _WIDTH, 1.15 / height, wide, 1.5 / height))
        _plain(volts, "voltage / V")
        _plain(apart, "track 1 less track 2 / points of travel")
        volts.set_ylim(0.0, 5.0)
        x = np.array([0.0, 100.0])
        colours = (AFTER, BEFORE)
        for k, line in enumerate((pair.first, pair.second)):
            y = line.released + line.span * x / 100.0
            volts.plot(x, y, color=colours[k], linewidth=1.0 if sweep else 1.6,
                       linestyle="--" if sweep else "-")  # fmt: skip
            _name(volts, float(y[-1]), f"track {k + 1}", colours[k])
            limit = ranges[k]
            for place in (limit.low_V, limit.high_V):
                if math.isfinite(place):
                    volts.axhline(place, color=colours[k], linewidth=0.8, linestyle=":")
        if sweep is not None:
            every = max(1, math.ceil(sweep.position_pct.size / _MOST_POINTS))
            s = np.clip(sweep.position_pct[::every], -2.0, 102.0)
            for k in (0, 1):
                volts.plot(s, sweep.volts[k][::every], ".", color=colours[k], markersize=2.0)
            moving = sweep.speed_pct_s[::every]
            difference = sweep.difference_pct[::every]
            for colour, mask in ((AFTER, moving >= 0.0), (BEFORE, moving < 0.0)):
                apart.plot(s[mask], difference[mask], ".", color=colour, markersize=2.0)
        else:
            apart.plot(x, [0.0, 0.0], color=INK, linewidth=1.2)
        if math.isfinite(tolerance_pct):
            for sign in (-1.0, 1.0):
                apart.axhline(sign * tolerance_pct, color=_STOP, linewidth=1.0)
            _name(apart, tolerance_pct, "tolerance", _STOP)
            apart.set_ylim(-1.6 * tolerance_pct, 1.6 * tolerance_pct)
        volts.tick_params(labelbottom=False)
        figure.text(0.75 / _WIDTH + wide, 0.82 / height, "travel / %", color=INK, ha="right")
        legend = "dotted: out of range"
        if sweep is not None:
            legend = f"dashed: straight lines between the ends; {legend}"
            figure.text(0.75 / _WIDTH, 0.82 / height, "press", color=AFTER)
            figure.text(1.25 / _WIDTH, 0.82 / height, "release", color=BEFORE)
        figure.text(0.25 / _WIDTH, 1 - 0.58 / height, legend, color=MUTE, fontsize=9)
        figure.text(0.25 / _WIDTH, 0.55 / height, "\n".join(textwrap.wrap(caution, 118)),
                    color=_CAUTION, fontsize=9, va="top")  # fmt: skip
        return _svg(figure, "tracks", f"{title}: voltages over travel and difference of the tracks")
