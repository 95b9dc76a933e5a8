"""The picture of one run: what the foot asked, what came of it, and who set the plate."""

from __future__ import annotations

import itertools
import textwrap
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

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
from throttlewright.handover.tables import BENCH_ONLY
from throttlewright.recording.recording import Recording

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["Charge", "charges", "trace_picture"]

_WIDTH = 9.6
_PANEL = 1.42
_GAP = 0.42
_MOST_POINTS = 1500
_MOST_EVENTS = 10

_PANELS: tuple[tuple[str, tuple[tuple[str, str, float, str, str], ...]], ...] = (
    (
        "pedal and plate / %",
        (
            ("pedal_pct", "pedal", 1.0, MUTE, ":"),
            ("plate_target_pct", "plate target", 1.0, BEFORE, "--"),
            ("plate_pct", "plate", 1.0, AFTER, "-"),
        ),
    ),
    (
        "pressure / kPa, absolute",
        (
            ("pipe_kPa", "before the plate", 1.0, BEFORE, "--"),
            ("map_kPa", "manifold", 1.0, AFTER, "-"),
        ),
    ),
    ("engine speed / rpm", (("engine_rpm", "engine", 1.0, AFTER, "-"),)),
    ("road speed / km/h", (("speed_m_s", "road", 3.6, AFTER, "-"),)),
    ("torque / N m", (("torque_Nm", "engine", 1.0, AFTER, "-"),)),
    ("acceleration / m/s²", (("acceleration_m_s2", "car", 1.0, AFTER, "-"),)),
    ("slip / %", (("slip_1", "driven tyres", 100.0, AFTER, "-"),)),
)


@dataclass(frozen=True)
class Charge:
    """Who sets an output from one time to another.

    Parameters
    ----------
    start_s, end_s : float [s]
        From and to.
    code : int
        0 the demand, n row n of the limits counted from 1, -k reaction row k.
    """

    start_s: float
    end_s: float
    code: int


def charges(recording: Recording, name: str = "in_charge_plate_1") -> tuple[Charge, ...]:
    """Return the spans in which one row was in charge, without gaps, in order of time.

    Parameters
    ----------
    recording : Recording
        A trace.
    name : str
        Channel that says who is in charge.

    Returns
    -------
    tuple of Charge
        Empty when the recording lacks the channel.
    """
    if name not in recording.channels or not len(recording.channels[name]):
        return ()
    channel = recording.channels[name]
    code = channel.values.astype(np.int64)
    starts = np.concatenate(([0], np.flatnonzero(np.diff(code)) + 1))
    t = channel.t_s
    # A sample stands for the time until the next, so the last one has none of its own.
    ends = np.append(t[starts[1:]], t[-1])
    return tuple(
        Charge(float(t[a]), float(b), int(code[a])) for a, b in zip(starts, ends, strict=True)
    )


def _thin(t: np.ndarray, values: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Least and largest of each stretch, so that no peak is lost."""
    if t.size <= 2 * _MOST_POINTS:
        return t, values
    edges = np.linspace(0, t.size, _MOST_POINTS + 1).astype(int)
    keep = [0, t.size - 1]
    for a, b in itertools.pairwise(edges):
        part = values[a:b]
        keep += [a + int(np.argmin(part)), a + int(np.argmax(part))]
    index = np.unique(keep)
    return t[index], values[index]


def _name_ends(axes: Axes, ends: Sequence[tuple[float, str, str]], points: float) -> None:
    """Name each curve at its right end."""
    low, high = axes.get_ylim()
    gap = 12.0 * (high - low) / points
    places = spread_labels([y for y, _, _ in ends], gap=gap, low=low, high=high)
    for place, (_, text, colour) in zip(places, ends, strict=True):
        axes.annotate(
            text,
            (1.0, place),
            xycoords=("axes fraction", "data"),
            xytext=(8, 0),
            textcoords="offset points",
            color=colour,
            va="center",
            annotation_clip=False,
        )


def _strip(axes: Axes, spans: Sequence[Charge], names: dict[int, str]) -> None:
    shades = ("#0b6670", "#b4562a", "#6ca5ab", "#8a5a00", "#d8a48a", "#5d6268")
    codes = [c for c in dict.fromkeys(s.code for s in spans) if c]
    colour = {code: shades[k % len(shades)] for k, code in enumerate(codes)} | {0: LINE}
    for span in spans:
        axes.axvspan(span.start_s, span.end_s, color=colour[span.code], linewidth=0)
    total: dict[int, float] = {}
    for span in spans:
        total[span.code] = total.get(span.code, 0.0) + span.end_s - span.start_s
    x = 0.0
    shown = sorted(total, key=lambda code: -total[code])
    for code in shown:
        name = names.get(code, f"row {code}")
        axes.annotate(
            "■ ",
            (x, -0.75),
            xycoords="axes fraction",
            color=colour[code],
            va="center",
            annotation_clip=False,
        )
        axes.annotate(
            name,
            (x + 0.018, -0.75),
            xycoords="axes fraction",
            color=INK,
            va="center",
            fontsize=9,
            annotation_clip=False,
        )
        x += 0.045 + 0.0105 * len(name)
        if x > 0.95:
            break


def trace_picture(
    recording: Recording,
    *,
    title: str,
    names: dict[int, str],
    bench_only: bool,
    caution: str | None = None,
) -> str:
    """Draw one run.

    Parameters
    ----------
    recording : Recording
        A trace.
    title : str
        Car and scenario.
    names : dict of int to str
        Names of the rows that may be in charge of the plate.
    bench_only : bool
        Whether the calibration may not leave the bench.
    caution : str, optional
        What can hurt when this is done on a real car.

    Returns
    -------
    str
        One ``svg`` element; the same recording gives the same text.
    """
    from matplotlib.figure import Figure

    panels = [p for p in _PANELS if all(c[0] in recording.channels for c in p[1])]
    below = 0.95 + (0.17 * (1 + len(caution) // 118) if caution else 0.0)
    height = 0.95 + 0.55 + len(panels) * (_PANEL + _GAP) + below
    start, end = recording.span()
    with _style():
        figure = Figure(figsize=(_WIDTH, height), facecolor=PAPER)
        left, wide = 0.7, _WIDTH - 0.7 - 1.55
        head = f"{title}"
        figure.text(0.25 / _WIDTH, 1 - 0.34 / height, head, color=INK, fontsize=13, weight="bold")
        if bench_only:
            figure.text(
                0.25 / _WIDTH, 1 - 0.58 / height, BENCH_ONLY, color="#8a5a00", weight="bold"
            )
        top = height - 0.95
        events = _events(recording)
        for number, (name, curves) in enumerate(panels):
            bottom = top - _PANEL
            axes = figure.add_axes((left / _WIDTH, bottom / height, wide / _WIDTH, _PANEL / height))
            axes.set_facecolor(PAPER)
            axes.grid(True, color=LINE, linewidth=0.7)
            axes.set_axisbelow(True)
            for spine in axes.spines.values():
                spine.set_visible(False)
            axes.tick_params(length=0, labelcolor=MUTE, pad=4)
            axes.set_xlim(start, end)
            ends = []
            for channel, label, scale, colour, style in curves:
                data = recording.channels[channel]
                t, y = _thin(data.t_s, scale * data.values)
                axes.plot(t, y, color=colour, linestyle=style, linewidth=1.4)
                ends.append((float(y[-1]), label, colour))
            _room(axes)
            for place, event in enumerate(events, 1):
                axes.axvline(event[0], color="#a1282c", linewidth=0.8, alpha=0.75)
                if number == 0:
                    axes.annotate(
                        str(place),
                        (event[0], 0.0),
                        xycoords=("data", "axes fraction"),
                        xytext=(0, -3),
                        textcoords="offset points",
                        color="#a1282c",
                        fontsize=8,
                        ha="center",
                        va="top",
                    )
            _name_ends(axes, ends, 72.0 * _PANEL)
            axes.annotate(
                name,
                (0.0, 1.0),
                xycoords="axes fraction",
                xytext=(-30, 5),
                textcoords="offset points",
                color=INK,
            )
            axes.tick_params(labelbottom=number == len(panels) - 1)
            top = bottom - _GAP
        figure.text(
            (left + wide) / _WIDTH, (top + 0.06) / height, "time / s", color=INK, ha="right"
        )
        axes = figure.add_axes((left / _WIDTH, (top - 0.42) / height, wide / _WIDTH, 0.2 / height))
        axes.set_xlim(start, end)
        axes.set_ylim(0.0, 1.0)
        axes.axis("off")
        axes.annotate(
            "who sets the plate", (0.0, 1.0), xycoords="axes fraction", xytext=(-30, 5),
            textcoords="offset points", color=INK,
        )  # fmt: skip
        _strip(axes, charges(recording), names)
        at = top - 0.86
        if events:
            text = "   ".join(f"{n} {e[1]} ({e[0]:g} s)" for n, e in enumerate(events, 1))
            lines = textwrap.wrap(text, 125)[:2]
            figure.text(0.25 / _WIDTH, at / height, "\n".join(lines), color="#a1282c", fontsize=8.5,
                        va="top")  # fmt: skip
            at -= 0.18 * len(lines)
        if caution:
            text = "\n".join(textwrap.wrap(caution, 118))
            figure.text(0.25 / _WIDTH, at / height, text, color="#8a5a00", fontsize=9, va="top")
        return _svg(figure, "trace", f"{title}: pedal, plate, pressure, speed over time")


def _room(axes: Axes) -> None:
    """Leave a curve that stands still in the middle, and no offset text at the axis."""
    low, high = axes.get_ylim()
    least = 0.02 * max(abs(low), abs(high), 1.0)
    if high - low < least:
        axes.set_ylim(0.5 * (low + high - least), 0.5 * (low + high + least))
    axes.ticklabel_format(axis="y", useOffset=False, style="plain")


def _events(recording: Recording) -> list[tuple[float, str]]:
    found: list[tuple[float, str]] = []
    for event in sorted(recording.events, key=lambda e: e.t_s):
        text = event.text or event.name
        if found and abs(found[-1][0] - event.t_s) < 1e-9:
            found[-1] = (event.t_s, f"{found[-1][1]}, {text}")
        else:
            found.append((event.t_s, text))
    return found[:_MOST_EVENTS]
