"""Pictures of a report: plain drawings from plain arrays, each as the text of one SVG element.

The same data give the same bytes: no date, a fixed salt for the names inside the drawing, no fonts
or files fetched. Text stays text, so that it can be searched, read aloud and printed crisply.
"""

from __future__ import annotations

import io
import re
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from html import escape
from typing import TYPE_CHECKING, Any

import numpy as np

from throttlewright.handover.report_data import (
    FanData,
    PlateRow,
    PlateStudyData,
    ReportTable,
    ResponseData,
    SurfaceData,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = [
    "AFTER",
    "BEFORE",
    "INK",
    "LINE",
    "MUTE",
    "PAPER",
    "SHADE_DARK",
    "SHADE_LIGHT",
    "boost_picture",
    "fan_picture",
    "plate_picture",
    "response_picture",
    "shade",
    "spread_labels",
    "surface_picture",
]

PAPER = "#fbfaf7"
INK = "#1d2125"
MUTE = "#5d6268"
LINE = "#dedbd2"
AFTER = "#0b6670"
BEFORE = "#b4562a"
SHADE_LIGHT = "#f4f8f8"
SHADE_DARK = "#6ca5ab"
"""Ends of the one lightness ramp; the dark end still carries ink at 4.5 to 1."""

AFTER_RAMP = ("#4a959d", "#063f46")
BEFORE_RAMP = ("#c8744b", "#86380f")
"""Low and high speed: both ends stand out from paper at 3 to 1 or better."""

_MOST_CURVES = 7
_FONT = 10.0
_GAP = 12.5  # points from one label's middle to the next
_RC: dict[Any, Any] = {
    "svg.fonttype": "none",
    "svg.hashsalt": "throttlewright",
    "font.family": "sans-serif",
    "font.sans-serif": ["DejaVu Sans", "Verdana", "Arial"],
    "font.size": _FONT,
    "axes.unicode_minus": True,
    "path.simplify": True,
    "text.parse_math": False,  # a name that a person wrote is never a formula
}


def spread_labels(
    wanted: Sequence[float], *, gap: float, low: float, high: float
) -> tuple[float, ...]:
    """Move labels apart by as little as possible: least squares with a least distance.

    Parameters
    ----------
    wanted : sequence of float
        Where each label would like to stand, in any order.
    gap : float
        Least distance between two labels, above 0, in the unit of ``wanted``.
    low, high : float
        Ends of the space. When the labels do not fit, they share the space evenly.

    Returns
    -------
    tuple of float
        Places in the order of ``wanted``; labels never change their order.
    """
    count = len(wanted)
    if count == 0:
        return ()
    order = sorted(range(count), key=lambda k: (wanted[k], k))
    if count > 1:
        gap = min(gap, (high - low) / (count - 1))
    # Without the gaps the order alone is left to keep: neighbours that violate it share a mean.
    blocks: list[tuple[float, int]] = []
    for rank, k in enumerate(order):
        mean, size = wanted[k] - rank * gap, 1
        while blocks and blocks[-1][0] > mean:
            other, more = blocks.pop()
            mean, size = (mean * size + other * more) / (size + more), size + more
        blocks.append((mean, size))
    flat = [mean for mean, size in blocks for _ in range(size)]
    top = high - (count - 1) * gap
    places = [0.0] * count
    for rank, k in enumerate(order):
        places[k] = min(max(flat[rank], low), max(top, low)) + rank * gap
    return tuple(places)


def _rgb(colour: str) -> tuple[int, int, int]:
    return int(colour[1:3], 16), int(colour[3:5], 16), int(colour[5:7], 16)


def _mix(light: str, dark: str, share: float) -> str:
    pairs = zip(_rgb(light), _rgb(dark), strict=True)
    return "#" + "".join(f"{round(a + (b - a) * share):02x}" for a, b in pairs)


def shade(share: float) -> str:
    """Colour of the lightness ramp for a share from 0 (light) to 1 (dark)."""
    return _mix(SHADE_LIGHT, SHADE_DARK, min(max(share, 0.0), 1.0))


def _steps(ramp: tuple[str, str], count: int) -> list[str]:
    return [_mix(*ramp, k / max(count - 1, 1)) for k in range(count)]


@contextmanager
def _style() -> Iterator[None]:
    """Drawing settings of this package alone, whatever settings file the machine has."""
    import matplotlib

    with matplotlib.rc_context():
        matplotlib.rcdefaults()
        matplotlib.rcParams.update(_RC)
        yield


def _figure(width: float, height: float) -> Figure:
    from matplotlib.figure import Figure

    return Figure(figsize=(width, height), facecolor=PAPER)


def _axes(figure: Figure, box: tuple[float, float, float, float], x: str, y: str) -> Axes:
    """Axes with margins in inches (left, bottom, right, top) and the y name above the axis."""
    width, height = figure.get_size_inches()
    left, bottom, right, top = box
    axes = figure.add_axes(
        (left / width, bottom / height, (right - left) / width, (top - bottom) / height)
    )
    axes.set_facecolor(PAPER)
    axes.grid(True, color=LINE, linewidth=0.8)
    axes.set_axisbelow(True)
    for spine in axes.spines.values():
        spine.set_visible(False)
    axes.tick_params(length=0, labelcolor=MUTE, pad=5)
    axes.set_xlabel(x, color=INK, labelpad=5)
    figure.text((left - 0.45) / width, (top + 0.14) / height, y, color=INK, va="bottom")
    return axes


def _svg(figure: Figure, name: str, label: str) -> str:
    """Return the figure as an ``svg`` element whose inner names begin with ``name``."""
    out = io.StringIO()
    empty = {"Date": None, "Creator": None, "Format": None, "Type": None}
    figure.savefig(out, format="svg", metadata=empty, facecolor=PAPER)
    text = out.getvalue()
    text = text[text.index("<svg") :]
    text = re.sub(r"\s*<metadata>.*?</metadata>", "", text, flags=re.DOTALL)
    text = re.sub(r"\s*<style type=\"text/css\">.*?</style>", "", text, flags=re.DOTALL)
    view = re.search(r'viewBox="[^"]*"', text)
    text = re.sub(
        r"<svg[^>]*>",
        f'<svg role="img" aria-label="{escape(label)}" {view[0] if view else ""}>',
        text,
        count=1,
    )
    text = text.replace("xlink:href", "href")
    # several drawings share one page, so their inner names must differ
    text = re.sub(r'\bid="', f'id="{name}-', text)
    text = re.sub(r'href="#', f'href="#{name}-', text)
    return text.replace("url(#", f"url(#{name}-").strip()


def _end_labels(
    axes: Axes,
    ends: Sequence[tuple[float, float]],
    texts: Sequence[str],
    colours: Sequence[str],
    *,
    head: str = "",
) -> None:
    """Write each curve's label beside its right end, spread, with a thin line back to the curve."""
    figure = axes.figure
    low, high = axes.get_ylim()
    left, right = axes.get_xlim()
    box = axes.get_position()
    points = 72.0 * figure.get_size_inches()[1] * box.height  # type: ignore[union-attr]
    wide = 72.0 * figure.get_size_inches()[0] * box.width  # type: ignore[union-attr]
    gap = _GAP * (high - low) / points
    step = (right - left) / wide
    order = sorted(range(len(ends)), key=lambda k: ends[k][0])
    groups: list[list[int]] = []
    for k in order:
        if groups and ends[k][0] - ends[groups[-1][0]][0] < 60.0 * step:
            groups[-1].append(k)
        else:
            groups.append([k])
    for group in groups:
        x = max(ends[k][0] for k in group)
        places = spread_labels([ends[k][1] for k in group], gap=gap, low=low, high=high)
        for k, place in zip(group, places, strict=True):
            moved = abs(place - ends[k][1]) > 0.2 * gap
            if moved or ends[k][0] < x:
                axes.plot(
                    [ends[k][0], x + 14 * step],
                    [ends[k][1], place],
                    color=MUTE,
                    linewidth=0.6,
                    clip_on=False,
                )
            offset = 16 if moved or ends[k][0] < x else 7
            axes.text(
                x + offset * step, place, texts[k], color=colours[k], va="center", clip_on=False
            )
    if head:
        axes.text(right + 7 * step, high + 0.9 * gap, head, color=MUTE, va="bottom", clip_on=False)


_Box = tuple[float, float, float, float]


def _name_curves(
    axes: Axes,
    text: str,
    x: np.ndarray,
    own: np.ndarray,
    others: np.ndarray,
    colour: str,
    *,
    taken: Sequence[_Box] = (),
) -> tuple[_Box, ...]:
    """Write a family's name beside its curves, where it covers the fewest other lines.

    Returns the boxes that names take (left, bottom, right, top), those taken before among them.
    """
    low, high = axes.get_ylim()
    left, right = axes.get_xlim()
    box = axes.get_position()
    inches = axes.figure.get_size_inches()  # type: ignore[union-attr]
    tall = 1.3 * _FONT * (high - low) / (72.0 * inches[1] * box.height)
    wide = 0.65 * _FONT * len(text) * (right - left) / (72.0 * inches[0] * box.width)
    fine = np.linspace(x[0], x[-1], 201)
    curves = [np.interp(fine, x, row) for row in (*own, *others)]
    best: tuple[float, float, float] | None = None
    for start in np.linspace(left + 0.08 * (right - left), right - wide, 25):
        inside = (fine >= start) & (fine <= start + wide)
        mine = np.array([row[inside] for row in curves[: len(own)]])
        for bottom in (mine.max() + 0.4 * tall, mine.min() - 1.4 * tall):
            if bottom < low or bottom + tall > high:
                continue
            end = float(start) + wide
            if any(
                start < b[2] and end > b[0] and bottom < b[3] and bottom + tall > b[1]
                for b in taken
            ):
                continue
            hits = sum(
                int(((row[inside] > bottom) & (row[inside] < bottom + tall)).sum())
                for row in curves
            )
            # at equal cost stay close to the curves: a flat stretch has its text beside it
            cost = hits + 0.01 * float(np.ptp(mine)) / tall
            if best is None or cost < best[0]:
                best = (cost, float(start), float(bottom))
    if best is None:
        return tuple(taken)
    axes.text(best[1], best[2], text, color=colour, va="bottom", fontweight="bold")
    return (*taken, (best[1], best[2], best[1] + wide, best[2] + tall))


def _chosen(count: int) -> list[int]:
    """Indices of at most ``_MOST_CURVES`` curves, first and last among them."""
    if count <= _MOST_CURVES:
        return list(range(count))
    return sorted({round(k) for k in np.linspace(0, count - 1, _MOST_CURVES)})


def fan_picture(fan: FanData, *, name: str = "fan") -> str:
    """Torque against pedal: before dashed, after solid with the band of the assumed numbers."""
    with _style():
        figure = _figure(7.0, 4.7)
        axes = _axes(figure, (0.62, 0.55, 6.25, 4.3), "pedal / %", "torque / N m")
        keep = _chosen(fan.rpm.size)
        before, after = fan.before[keep], fan.after[keep]
        drawn = [before, after]
        if fan.low is not None and fan.high is not None:
            drawn += [fan.low[keep], fan.high[keep]]
        least = min(float(np.nanmin(rows)) for rows in drawn)
        most = max(float(np.nanmax(rows)) for rows in drawn)
        pad = 0.10 * max(most - least, 1.0)
        axes.set_ylim(least - 0.5 * pad, most + pad)
        axes.set_xlim(float(fan.pedal_pct[0]), float(fan.pedal_pct[-1]))
        axes.axhline(0.0, color=MUTE, linewidth=0.9)
        dark, copper = _steps(AFTER_RAMP, len(keep)), _steps(BEFORE_RAMP, len(keep))
        if fan.low is not None and fan.high is not None:
            for k in keep:
                axes.fill_between(
                    fan.pedal_pct, fan.low[k], fan.high[k], color=AFTER, alpha=0.11, linewidth=0
                )
        for row, colour in zip(before, copper, strict=True):
            axes.plot(fan.pedal_pct, row, color=colour, linewidth=1.2, dashes=(3.2, 2.4))
        for row, colour in zip(after, dark, strict=True):
            axes.plot(fan.pedal_pct, row, color=colour, linewidth=1.8)
        right = float(fan.pedal_pct[-1])
        _end_labels(
            axes,
            [(right, float(row[-1])) for row in after],
            [f"{fan.rpm[k]:.0f}" for k in keep],
            [INK] * len(keep),
            head="rpm",
        )
        taken = _name_curves(axes, fan.name_before, fan.pedal_pct, before, after, BEFORE)
        _name_curves(axes, fan.name_after, fan.pedal_pct, after, before, AFTER, taken=taken)
        return _svg(figure, name, "Torque against pedal, before and after, at several speeds")


def plate_picture(study: PlateStudyData) -> str:
    """Power lost and idle fineness over plate bore; the car's own bore is marked."""
    with _style():
        figure = _figure(8.2, 3.4)
        panels = (
            ((0.62, 0.55, 3.55, 2.95), "power lost at rated speed / %", "power_loss_pct"),
            ((4.72, 0.55, 7.65, 2.95), "idle air per 0.1° of plate / %", "idle_step_pct"),
        )
        for box, name, field in panels:
            axes = _axes(figure, box, "bore / mm", name)
            _plate_panel(axes, study, field)
        return _svg(figure, "plate", "Power lost and idle air per step over plate bore")


def _plate_panel(axes: Axes, study: PlateStudyData, field: str) -> None:
    counts = sorted({row.count for row in study.rows})
    ends, texts = [], []
    shades = _steps(AFTER_RAMP, len(counts))
    known: list[tuple[PlateRow, float]] = []
    for count, colour in zip(counts, shades, strict=True):
        rows = sorted((r for r in study.rows if r.count == count), key=lambda r: r.bore_mm)
        points = [(r, v) for r in rows if (v := getattr(r, field)) is not None and np.isfinite(v)]
        if not points:
            continue
        known += points
        bores = [r.bore_mm for r, _ in points]
        axes.plot(bores, [v for _, v in points], color=colour, linewidth=1.8)
        for r, v in points:
            axes.plot(
                [r.bore_mm],
                [v],
                marker="o" if r.can_idle else "x",
                markersize=4.5,
                color=colour,
                linestyle="none",
            )
        ends.append((bores[-1], float(points[-1][1])))
        texts.append("1 plate" if count == 1 else f"{count} plates")
    if not known:
        axes.text(0.5, 0.5, "not computed", transform=axes.transAxes, ha="center", color=MUTE)
        return
    most = max(v for _, v in known)
    axes.set_ylim(0.0, 1.18 * most if most > 0.0 else 1.0)
    bores = [r.bore_mm for r, _ in known]
    span = max(max(bores) - min(bores), 1.0)
    axes.set_xlim(min(bores) - 0.04 * span, max(bores) + 0.04 * span)
    if len(counts) > 1:
        _end_labels(axes, ends, texts, [INK] * len(ends))
    for row, value in known:
        if row.is_car:
            axes.axvline(row.bore_mm, color=INK, linewidth=0.9, zorder=1)
            axes.plot([row.bore_mm], [value], "o", markersize=9, markerfacecolor="none", color=INK)
            late = row.bore_mm > min(bores) + 0.5 * span
            axes.annotate(
                f"this car, {row.bore_mm:g} mm",
                (row.bore_mm, axes.get_ylim()[1]),
                xytext=(-5 if late else 5, -4),
                textcoords="offset points",
                ha="right" if late else "left",
                va="top",
                color=INK,
            )


def surface_picture(surface: SurfaceData) -> str:
    """Torque over speed and plate opening, darker for more, with the authority end."""
    from matplotlib.ticker import MaxNLocator

    with _style():
        figure = _figure(8.2, 4.4)
        axes = _axes(figure, (0.62, 0.55, 6.85, 4.0), "engine speed / rpm", "plate opening / %")
        torque = np.ma.masked_invalid(surface.torque.T)
        levels = MaxNLocator(9).tick_values(float(torque.min()), float(torque.max()))
        colours = [shade(k / max(len(levels) - 2, 1)) for k in range(len(levels) - 1)]
        axes.contourf(surface.rpm, surface.plate_pct, torque, levels=levels, colors=colours)
        lines = axes.contour(
            surface.rpm,
            surface.plate_pct,
            torque,
            levels=levels,
            colors=[AFTER],
            linewidths=0.7,
            linestyles="solid",
        )
        axes.clabel(
            lines, fmt=lambda level: f"{level:.0f}".replace("-", "−"), colors=[INK], fontsize=8.5
        )
        end = surface.authority_end_pct
        axes.plot(surface.rpm, end, color=BEFORE, linewidth=2.2, dashes=(4, 2))
        axes.set_xlim(float(surface.rpm[0]), float(surface.rpm[-1]))
        axes.set_ylim(float(surface.plate_pct[0]), float(surface.plate_pct[-1]))
        if np.isfinite(end[-1]):
            _end_labels(
                axes, [(float(surface.rpm[-1]), float(end[-1]))], ["authority end"], [BEFORE]
            )
        return _svg(figure, "surface", "Torque over engine speed and plate opening")


def boost_picture(table: ReportTable, *, name: str = "boost") -> str:
    """Curves of a table over its x axis, one for each row."""
    with _style():
        figure = _figure(8.2, 3.6)
        x_name = f"{table.x.name} / {table.x.unit}"
        axes = _axes(
            figure, (0.62, 0.55, 7.35, 3.2), x_name, f"{table.title.lower()} / {table.unit}"
        )
        values = np.atleast_2d(table.values)
        keep = _chosen(len(values))
        colours = _steps(AFTER_RAMP, len(keep))
        for k, colour in zip(keep, colours, strict=True):
            axes.plot(table.x.values, values[k], color=colour, linewidth=1.8)
        axes.set_xlim(float(table.x.values[0]), float(table.x.values[-1]))
        axes.margins(y=0.1)
        if table.y is not None:
            _end_labels(
                axes,
                [(float(table.x.values[-1]), float(values[k, -1])) for k in keep],
                [f"{table.y.values[k]:g}" for k in keep],
                [INK] * len(keep),
                head=table.y.unit or table.y.name,
            )
        return _svg(figure, name, table.title)


def response_picture(response: ResponseData) -> str:
    """Torque over time while the pedal is held, one curve for each pedal position."""
    with _style():
        figure = _figure(8.2, 3.6)
        axes = _axes(
            figure, (0.62, 0.55, 7.35, 3.2), "time since the pedal moved / s", "torque / N m"
        )
        keep = _chosen(response.pedal_pct.size)
        for k, colour in zip(keep, _steps(AFTER_RAMP, len(keep)), strict=True):
            axes.plot(
                response.times_s,
                response.torque[:, k],
                color=colour,
                linewidth=1.8,
                marker="o",
                markersize=3.5,
            )
        axes.set_xlim(float(response.times_s[0]), float(response.times_s[-1]))
        axes.margins(y=0.1)
        _end_labels(
            axes,
            [(float(response.times_s[-1]), float(response.torque[-1, k])) for k in keep],
            [f"{response.pedal_pct[k]:g} %" for k in keep],
            [INK] * len(keep),
            head="pedal",
        )
        return _svg(figure, "response", "Torque over time while the pedal is held")
