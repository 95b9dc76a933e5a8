"""The picture of a pair: one scenario with a role and without it, its main channels overlaid."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from throttlewright.drive.recorder import TRACE
from throttlewright.handover.pictures import (
    AFTER,
    BEFORE,
    INK,
    LINE,
    MUTE,
    PAPER,
    _style,
    _svg,
    spread_labels,
)
from throttlewright.handover.trace_picture import _room, _thin
from throttlewright.recording.recording import Recording

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["PairCurve", "main_channels", "pair_curves", "pair_picture"]

_MOST_CHANNELS = 4
_SCALES = {"speed_m_s": (3.6, "km/h"), "slip_1": (100.0, "%"), "fuel_cut_1": (100.0, "%")}
_WIDTH, _PANEL, _GAP = 7.6, 1.15, 0.48
_LEFT, _RIGHT = 0.65, 0.85
_CANDIDATES = (
    "map_kPa",
    "engine_rpm",
    "torque_Nm",
    "speed_m_s",
    "acceleration_m_s2",
    "fuel_cut_1",
    "retard_deg",
    "wastegate_pct",
    "pipe_kPa",
    "exhaust_degC",
    "battery_V",
    "slip_1",
)
"""Channels beside the plate's that may show what a role changes, where its figure reads fewer."""
_NEVER = ("in_charge_", "action_", "detected_", "bridge_", "key_", "mode_", "gear_")
_LEAST = 0.03
"""Least difference of the runs, over the span of both, that is worth a panel."""


@dataclass(frozen=True, eq=False)
class PairCurve:
    """One channel of both runs, thinned so that no peak is lost.

    Parameters
    ----------
    channel, title, unit : str
        Name of the channel, what it is, and the unit of the values.
    t_with, y_with, t_without, y_without : ndarray of shape (n,) [s and the unit]
        Both runs.
    """

    channel: str
    title: str
    unit: str
    t_with: np.ndarray
    y_with: np.ndarray
    t_without: np.ndarray
    y_without: np.ndarray


def _difference(one: Recording, other: Recording, name: str) -> float:
    a, b = one.channel(name).values, other.channel(name).values
    size = min(a.size, b.size)
    span = max(float(max(a.max(), b.max()) - min(a.min(), b.min())), 1e-9)
    return float(np.sqrt(np.mean((a[:size] - b[:size]) ** 2))) / span


def main_channels(one: Recording, other: Recording, asked: tuple[str, ...]) -> tuple[str, ...]:
    """Return the channels that show best what a role changes.

    Parameters
    ----------
    one, other : Recording
        Both runs.
    asked : tuple of str
        Channels that the judging figure reads.

    Returns
    -------
    tuple of str
        The plate, then what the figure reads, then where the runs differ most; at most four.
    """
    chosen = ["plate_pct"]
    first = [n for n in asked if not n.startswith(_NEVER)]
    rest = sorted(_CANDIDATES, key=lambda n: -_difference(one, other, n))
    rest = [n for n in rest if _difference(one, other, n) >= _LEAST]
    for name in (*first, *rest):
        if name not in chosen and len(chosen) < _MOST_CHANNELS:
            chosen.append(name)
    return tuple(chosen)


def pair_curves(one: Recording, other: Recording, asked: tuple[str, ...]) -> tuple[PairCurve, ...]:
    """Return the curves of a pair.

    Parameters
    ----------
    one, other : Recording
        The run with the role and the run without it.
    asked : tuple of str
        Channels that the judging figure reads.

    Returns
    -------
    tuple of PairCurve
        At most four.
    """
    about = {channel.name: channel for channel in TRACE}
    curves = []
    for name in main_channels(one, other, asked):
        scale, unit = _SCALES.get(name, (1.0, one.channel(name).unit))
        ends = []
        for run in (one, other):
            channel = run.channel(name)
            ends += [*_thin(channel.t_s, scale * channel.values)]
        title = about[name].text if name in about else name
        curves.append(PairCurve(name, title.partition(",")[0], unit.replace("*", " "), *ends))
    return tuple(curves)


def _ends(axes: Axes, curve: PairCurve) -> None:
    low, high = axes.get_ylim()
    wanted = [float(curve.y_with[-1]), float(curve.y_without[-1])]
    places = spread_labels(wanted, gap=13.0 * (high - low) / (72.0 * _PANEL), low=low, high=high)
    for place, text, colour in zip(places, ("with", "without"), (AFTER, BEFORE), strict=True):
        axes.annotate(
            text, (1.0, place), xycoords=("axes fraction", "data"), xytext=(6, 0),
            textcoords="offset points", color=colour, va="center", annotation_clip=False,
        )  # fmt: skip


def pair_picture(
    curves: tuple[PairCurve, ...],
    *,
    name: str,
    title: str,
    limit: tuple[str, float] | None = None,
) -> str:
    """Draw both runs of a pair over each other.

    Parameters
    ----------
    curves : tuple of PairCurve
        At least one.
    name : str
        Beginning of the names inside the drawing, unique on its page.
    title : str
        What the picture shows, read aloud.
    limit : tuple of str and float, optional
        A channel, and the limit of the judging figure in its unit, drawn as a line.

    Returns
    -------
    str
        One ``svg`` element; the same curves give the same text.
    """
    from matplotlib.figure import Figure

    height = 0.34 + len(curves) * (_PANEL + _GAP) + 0.1
    wide = _WIDTH - _LEFT - _RIGHT
    with _style():
        figure = Figure(figsize=(_WIDTH, height), facecolor=PAPER)
        top = height - 0.34
        for number, curve in enumerate(curves):
            box = (_LEFT / _WIDTH, (top - _PANEL) / height, wide / _WIDTH, _PANEL / height)
            axes = figure.add_axes(box)
            axes.set_facecolor(PAPER)
            axes.grid(True, color=LINE, linewidth=0.7)
            axes.set_axisbelow(True)
            for spine in axes.spines.values():
                spine.set_visible(False)
            axes.tick_params(length=0, labelcolor=MUTE, pad=4)
            axes.plot(curve.t_without, curve.y_without, color=BEFORE, linestyle="--", linewidth=1.4)
            axes.plot(curve.t_with, curve.y_with, color=AFTER, linewidth=1.6)
            if limit is not None and limit[0] == curve.channel:
                axes.axhline(limit[1], color="#a1282c", linewidth=1.0, linestyle=":")
                axes.annotate(
                    "limit", (0.0, limit[1]), xycoords=("axes fraction", "data"), xytext=(3, 2),
                    textcoords="offset points", color="#a1282c", fontsize=8.5,
                )  # fmt: skip
            axes.set_xlim(float(curve.t_with[0]), float(curve.t_with[-1]))
            _room(axes)
            _ends(axes, curve)
            unit = f" / {curve.unit}" if curve.unit else ""
            axes.annotate(
                f"{curve.title}{unit}", (0.0, 1.0), xycoords="axes fraction", xytext=(-30, 5),
                textcoords="offset points", color=INK,
            )  # fmt: skip
            last = number == len(curves) - 1
            axes.tick_params(labelbottom=last)
            top -= _PANEL + _GAP
        figure.text(
            (_LEFT + wide) / _WIDTH, (top + 0.02) / height, "time / s", color=INK, ha="right"
        )
        return _svg(figure, name, title)
