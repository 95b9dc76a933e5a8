"""The picture of the order of command: demand, floors, ceilings, and who was in charge when."""

from __future__ import annotations

import itertools
import textwrap
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from throttlewright.calibration.limits import OUTPUT_TOP
from throttlewright.design.roles import role_of_row
from throttlewright.drive.command import Command, CommandRow
from throttlewright.handover.pictures import (
    AFTER,
    BEFORE,
    INK,
    LINE,
    MUTE,
    PAPER,
    _mix,
    _style,
    _svg,
    spread_labels,
)
from throttlewright.handover.tables import BENCH_ONLY
from throttlewright.handover.trace_picture import _thin
from throttlewright.recording.recording import Event

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["command_picture", "row_words"]

_WIDTH = 10.6
_LEFT, _RIGHT = 0.7, 2.35
_PLATE = 3.4
_STRIP = 0.26
_FAULT = "#a1282c"
_WARN = "#8a5a00"
_ROLES = ("#5b3f9e", "#1f6fb2", "#7d8a1c", "#c2417b", "#b8860b", "#2e7d4f", "#7a4b2a", "#3f5f73",
          "#d05c2e", "#8c6bb1", "#4f9da6", "#99622e")  # fmt: skip
_DASHES: tuple[str | tuple[int, tuple[float, ...]], ...] = (
    "-", (0, (6, 2)), (0, (2, 1.5)), (0, (6, 1.5, 1.5, 1.5)),
)  # fmt: skip
_CHARACTER = 0.071
"""Width of a character of 9 points [inch], a little more than the mean of the font."""
_MOST_EVENTS = 8
_FREE = 1.0
"""A ceiling this near to fully open [%] bounds nothing that could be seen."""
_OWN = {
    "plate": "the foot",
    "retard": "nobody",
    "fuel_cut": "overrun or rev limit",
    "wastegate": "boost control",
}
_STRIPS = {
    "plate": "in charge of the plate",
    "retard": "ignition retard, and who asks for it",
    "fuel_cut": "fuel cut, and who asks for it",
    "wastegate": "wastegate pressure held back, and who asks for it",
}


def row_words(name: str) -> str:
    """Return a row in plain words: its role, and what part of it the row is.

    Parameters
    ----------
    name : str
        Name of a limit, such as ``cold_hold``.

    Returns
    -------
    str
        Such as ``Cold engine, hold``; the name without underscores for a row of no role.
    """
    role = role_of_row(name)
    if role is None:
        return name.replace("_", " ")
    part = name.removeprefix(role.name).strip("_").replace("_", " ")
    return f"{role.title}, {part}" if part else role.title


@dataclass(frozen=True)
class _Look:
    """How a row is drawn everywhere in one picture: colour by role, dashes by its part."""

    colour: str
    dashes: str | tuple[int, tuple[float, ...]]


def _top_of_range(command: Command) -> float:
    """Top of the plotted plate: all that was asked, given or held open, and some air."""
    most = [np.nanmax(values) for values in (command.demand, command.target, command.plate)]
    return float(min(max(1.35 * max(most), 15.0), 103.0))


def _seen(row: CommandRow, top: float) -> np.ndarray:
    """Where a bound of the plate is worth a line: within the range, off the end that is free."""
    with np.errstate(invalid="ignore"):
        if row.side == "ceiling":
            return np.asarray(row.active & (row.bound < min(top, 100.0 - _FREE)))
        return np.asarray(row.active & (row.bound > min(_FREE, 0.01 * top)))


def _looks(rows: Sequence[CommandRow]) -> dict[int, _Look]:
    roles: dict[str, list[CommandRow]] = {}
    for row in rows:
        role = role_of_row(row.name)
        roles.setdefault(row.name if role is None else role.name, []).append(row)
    looks = {}
    for k, parts in enumerate(roles.values()):
        for part, row in enumerate(parts):
            # parts of one role share its hue and differ in lightness
            colour = _mix(_ROLES[k % len(_ROLES)], PAPER, (0.0, 0.3, 0.45, 0.15)[part % 4])
            looks[row.code] = _Look(colour, _DASHES[part % len(_DASHES)])
    return looks


def _spans(code: np.ndarray) -> list[tuple[int, int, int]]:
    """First sample, sample after the last, and value, of each stretch of one value."""
    edges = np.concatenate(([0], np.flatnonzero(np.diff(code)) + 1, [code.size]))
    return [(int(a), int(b), int(code[a])) for a, b in itertools.pairwise(edges)]


def _wrapped(text: str, width: float) -> list[str]:
    return textwrap.wrap(text, max(int(width / _CHARACTER), 10))


def _bare(axes: Axes) -> None:
    axes.set_facecolor(PAPER)
    for spine in axes.spines.values():
        spine.set_visible(False)
    axes.tick_params(length=0, labelcolor=MUTE, pad=4)


def _bounds(
    axes: Axes,
    command: Command,
    rows: Sequence[CommandRow],
    looks: dict[int, _Look],
    top: float,
) -> list[tuple[float, str, str]]:
    """Draw the bounds while they bound something; return where each would like its label."""
    wanted = []
    t = command.t_s
    for row in rows:
        look = looks[row.code]
        active = _seen(row, top)
        if not active.any():
            continue
        shut = row.side == "ceiling"
        first = True
        for a, b, on in _spans(active.astype(np.int64)):
            if not on:
                continue
            x, y = _thin(t[a:b], row.bound[a:b])
            axes.plot(x, y, color=look.colour, linestyle=look.dashes, linewidth=1.6, zorder=3)
            low, high = (y, y + 0.018 * top) if shut else (y - 0.018 * top, y)
            axes.fill_between(x, low, high, color=look.colour, alpha=0.16, linewidth=0, zorder=2)
            # a few arrows tell which way it bounds, those of the rows set apart from each other
            count = max(1, round(8.0 * (x[-1] - x[0]) / max(t[-1] - t[0], 1e-9)))
            offset = 0.5 + 0.09 * ((row.code % 5) - 2)
            at = x[0] + (np.arange(count) + offset) / count * (x[-1] - x[0])
            axes.plot(
                at,
                np.interp(at, x, y),
                linestyle="none",
                marker="v" if shut else "^",
                color=look.colour,
                markersize=5.0 if first or count > 1 else 4.0,
                zorder=4,
            )
            first = False
        last = int(np.flatnonzero(active)[-1])
        mark = "▼" if shut else "▲"
        wanted.append((float(row.bound[last]), f"{mark} {row_words(row.name)}", look.colour))
    return wanted


def _labels(axes: Axes, wanted: Sequence[tuple[float, str, str]], width: float) -> None:
    low, high = axes.get_ylim()
    longest = int(width / _CHARACTER)
    places = spread_labels(
        [y for y, _, _ in wanted], gap=13.0 * (high - low) / (72.0 * _PLATE), low=low, high=high
    )
    for place, (y, text, colour) in zip(places, wanted, strict=True):
        axes.annotate(
            "",
            (1.0, y),
            xycoords=("axes fraction", "data"),
            xytext=(1.018, place),
            textcoords=("axes fraction", "data"),
            arrowprops={"arrowstyle": "-", "color": colour, "linewidth": 0.8, "shrinkA": 0,
                        "shrinkB": 0},
            annotation_clip=False,
        )  # fmt: skip
        axes.annotate(
            textwrap.shorten(text, longest, placeholder=" …"),
            (1.0, place),
            xycoords=("axes fraction", "data"),
            xytext=(15, 0),
            textcoords="offset points",
            color=colour,
            va="center",
            fontsize=9,
            annotation_clip=False,
        )


def _who(code: int, output: str, names: dict[int, str], rows: dict[int, CommandRow]) -> str:
    if code == 0:
        return _OWN[output]
    if code in rows:
        return row_words(rows[code].name)
    return f"reaction: {names.get(code, f'row {-code}')}"


def _strip(
    axes: Axes,
    command: Command,
    output: str,
    looks: dict[int, _Look],
    names: dict[int, str],
    wide: float,
) -> list[tuple[str, str, float]]:
    """Draw one strip; return its key: colour, words, share of the time."""
    code = command.in_charge[output]
    t = command.t_s
    rows = {row.code: row for row in command.rows}
    given = command.given[output]
    step = float(t[1] - t[0]) if t.size > 1 else 1e-3
    share: dict[int, float] = {}
    # held to a picture's fineness, or a row that alternates every millisecond makes a huge file
    least = (t[-1] - t[0]) / 1200.0
    begin, colours, segments = 0, {}, []
    for a, b, who in _spans(code):
        share[who] = share.get(who, 0.0) + (b - a) / code.size
        colours[who] = (
            (LINE if output == "plate" else MUTE)
            if who == 0
            else looks[who].colour
            if who in looks
            else _FAULT
        )
        begin = a
        end = min(b, t.size - 1)
        if output == "plate":
            segments.append((float(t[begin]), float(t[end]) + (step if b == t.size else 0.0), who))
            continue
        if not np.any(given[a:b] > 0.0):
            continue
        x, y = _thin(t[begin : end + 1], given[begin : end + 1] / _top(command, output))
        axes.fill_between(x, 0.0, y, color=colours[who], linewidth=0, step="post")
    if output != "plate":
        acts = {w for w in share if np.any(given[code == w] > 0.0)}
        on = {w: float(np.mean((code == w) & (given > 0.0))) for w in acts}
        return [(colours[w], _who(w, output, names, rows), on[w]) for w in sorted(on, key=on.get)]  # type: ignore[arg-type]
    merged: list[tuple[float, float, int]] = []
    for left, right, who in segments:
        if merged and (right - left < least or merged[-1][2] == who):
            merged[-1] = (merged[-1][0], right, merged[-1][2])
        else:
            merged.append((left, right, who))
    for left, right, who in merged:
        axes.axvspan(left, right, color=colours[who], linewidth=0)
        if left > t[0]:
            axes.axvline(left, color=PAPER, linewidth=1.0)
        words = _who(who, output, names, rows)
        room = (right - left) / (t[-1] - t[0]) * wide
        if room > _CHARACTER * (len(words) + 2):
            axes.annotate(
                words,
                (0.5 * (left + right), 0.46),
                color=INK if who == 0 else "white",
                fontsize=9,
                ha="center",
                va="center",
            )
    ranked = sorted(share, key=lambda w: share[w])
    return [(colours[w], _who(w, output, names, rows), share[w]) for w in ranked]


def _top(command: Command, output: str) -> float:
    if output != "retard":
        return OUTPUT_TOP[output]
    return max(float(np.max(command.given[output])), 1e-9)


def _key(figure: Figure, entries: Sequence[tuple[str, str, float]], y: float, height: float,
         wide: float) -> float:  # fmt: skip
    """Write a key under a strip, wrapped; return the height that it took [inch]."""
    x, line = 0.0, 0
    for colour, words, share in reversed(entries):
        text = f"{words} {_percent(share)}"
        need = 0.17 + _CHARACTER * len(text) + 0.2
        if x > 0.0 and x + need > wide:
            x, line = 0.0, line + 1
        at = (y - 0.17 * line) / height
        figure.text((_LEFT + x) / _WIDTH, at, "■", color=colour, va="center", fontsize=9)
        figure.text((_LEFT + x + 0.14) / _WIDTH, at, text, color=INK, va="center", fontsize=9)
        x += need
    return 0.17 * (line + 1)


def _percent(share: float) -> str:
    pct = 100.0 * share
    return "under 0.1 %" if pct < 0.1 else f"{pct:.1f} %" if pct < 10.0 else f"{pct:.0f} %"


def _event_lines(axes: Axes, events: Sequence[tuple[float, str]], *, named: bool) -> None:
    for place, (time, _) in enumerate(events, 1):
        axes.axvline(time, color=_FAULT, linewidth=0.8, alpha=0.75)
        if named:
            axes.annotate(
                str(place),
                (time, 1.0),
                xycoords=("data", "axes fraction"),
                xytext=(0, 2),
                textcoords="offset points",
                color=_FAULT,
                fontsize=8,
                ha="center",
            )


def _joined(events: Sequence[Event]) -> list[tuple[float, str]]:
    found: list[tuple[float, str]] = []
    for event in sorted(events, key=lambda e: e.t_s):
        text = event.text or event.name
        if found and abs(found[-1][0] - event.t_s) < 1e-9:
            found[-1] = (event.t_s, f"{found[-1][1]}, {text}")
        else:
            found.append((event.t_s, text))
    return found[:_MOST_EVENTS]


def command_picture(
    command: Command,
    *,
    title: str,
    names: dict[int, str],
    events: Sequence[Event] = (),
    bench_only: bool,
    caution: str | None = None,
) -> str:
    """Draw demand, plate, every active floor and ceiling, and who was in charge.

    Parameters
    ----------
    command : Command
        Order of command of one run, at least two samples.
    title : str
        Car and scenario.
    names : dict of int to str
        Names of reactions, by the code that a trace records.
    events : sequence of Event
        What happened, for the lines that are numbered.
    bench_only : bool
        Whether the calibration may not leave the bench.
    caution : str, optional
        What can hurt when this is done on a real car.

    Returns
    -------
    str
        One ``svg`` element; the same run gives the same text.
    """
    with _style():
        return _svg(
            _drawn(command, title, names, _joined(events), bench_only, caution),
            "command",
            f"{title}: demand, floors and ceilings of the plate, and who was in charge over time",
        )


def _drawn(
    command: Command,
    title: str,
    names: dict[int, str],
    events: Sequence[tuple[float, str]],
    bench_only: bool,
    caution: str | None,
) -> Figure:
    from matplotlib.figure import Figure

    t = command.t_s
    rows = [row for row in command.rows if row.active.any()]
    plate_rows = [row for row in rows if row.output == "plate"]
    looks = _looks(command.rows)
    acting = [name for name in ("retard", "fuel_cut", "wastegate")
              if np.any(command.given[name] > 0.0)]  # fmt: skip
    wide = _WIDTH - _LEFT - _RIGHT
    said = _wrapped(
        "   ".join(f"{n} {text} ({at:g} s)" for n, (at, text) in enumerate(events, 1)), 9.8
    )
    warned = _wrapped(caution or "", 9.8)
    # drawn once for its height, since keys wrap as they need
    below = 0.55 + sum(0.75 + 0.17 * 3 for _ in ("plate", *acting))
    height = 1.15 + _PLATE + below + 0.17 * (len(said) + len(warned)) + 0.25
    figure = Figure(figsize=(_WIDTH, height), facecolor=PAPER)

    def axes_at(bottom: float, tall: float) -> Axes:
        box = (_LEFT / _WIDTH, bottom / height, wide / _WIDTH, tall / height)
        axes = figure.add_axes(box)
        _bare(axes)
        axes.set_xlim(float(t[0]), float(t[-1]))
        return axes

    figure.text(0.25 / _WIDTH, 1 - 0.34 / height, title, color=INK, fontsize=13, weight="bold")
    if bench_only:
        figure.text(0.25 / _WIDTH, 1 - 0.58 / height, BENCH_ONLY, color=_WARN, weight="bold")
    top = height - 1.05
    axes = axes_at(top - _PLATE, _PLATE)
    axes.grid(True, color=LINE, linewidth=0.7)
    axes.set_axisbelow(True)
    most = _top_of_range(command)
    axes.set_ylim(-0.02 * most, most)
    wanted = _bounds(axes, command, plate_rows, looks, most)
    for values, label, colour, style, thick in (
        (command.demand, "demand of the foot", MUTE, ":", 1.8),
        (command.target, "target", BEFORE, "--", 1.4),
        (command.plate, "plate", AFTER, "-", 2.0),
    ):
        x, y = _thin(t, values)
        axes.plot(x, y, color=colour, linestyle=style, linewidth=thick, zorder=5)
        wanted.append((float(np.clip(y[-1], 0.0, 100.0)), label, colour))
    _labels(axes, wanted, _RIGHT - 0.3)
    _event_lines(axes, events, named=True)
    axes.annotate(
        "plate / %      ▲ floor: not less than this      ▼ ceiling: not more than this",
        (0.0, 1.0), xycoords="axes fraction", xytext=(-30, 14), textcoords="offset points",
        color=INK,
    )  # fmt: skip
    top -= _PLATE
    figure.text((_LEFT + wide) / _WIDTH, (top - 0.42) / height, "time / s", color=INK, ha="right")
    top -= 0.72
    for output in ("plate", *acting):
        figure.text((_LEFT - 0.42) / _WIDTH, top / height, _strip_name(command, output), color=INK)
        strip = axes_at(top - 0.06 - _STRIP, _STRIP)
        strip.set_ylim(0.0, 1.0)
        strip.set_xticks([])
        strip.set_yticks([])
        if output != "plate":
            strip.axhline(0.0, color=LINE, linewidth=1.0)
        entries = _strip(strip, command, output, looks, names, wide)
        _event_lines(strip, events, named=False)
        top -= _STRIP + 0.2
        top -= _key(figure, entries, top, height, _WIDTH - _LEFT - 0.25) + 0.2
    for lines, colour, size in ((said, _FAULT, 8.5), (warned, _WARN, 9.0)):
        if lines:
            figure.text(0.25 / _WIDTH, top / height, "\n".join(lines), color=colour, fontsize=size,
                        va="top")  # fmt: skip
            top -= 0.17 * len(lines) + 0.06
    _cropped(figure, top - 0.1)
    return figure


def _strip_name(command: Command, output: str) -> str:
    if output == "plate":
        return _STRIPS[output]
    top = _top(command, output)
    full = {"retard": f"{top:.3g} deg", "fuel_cut": "all cylinders", "wastegate": "100 %"}[output]
    return f"{_STRIPS[output]} (full height: {full})"


def _cropped(figure: Figure, spare: float) -> None:
    """Take away the height that the keys did not need [inch]."""
    wide, tall = figure.get_size_inches()
    new = tall - spare

    def moved(y: float) -> float:
        return float((y * tall - spare) / new)

    for axes in figure.axes:
        box = axes.get_position()
        axes.set_position((box.x0, moved(box.y0), box.width, box.height * tall / new))
    for text in figure.texts:
        x, y = text.get_position()
        text.set_position((x, moved(y)))
    figure.set_size_inches(wide, new)
