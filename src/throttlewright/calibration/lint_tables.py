"""Rules over tables: the pedal map, ends of axes, cells that stand out, values out of range."""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

import numpy as np

from throttlewright.calibration.calibration import Calibration
from throttlewright.calibration.limits import OUTPUT_TOP, OUTPUT_UNIT, Limit, conditions
from throttlewright.calibration.lint_parts import (
    Finding,
    Known,
    Rule,
    demands,
    number_of,
    place,
    reach,
)
from throttlewright.calibration.pack import BY_NAME
from throttlewright.calibration.table import Axis, Table

__all__ = ["TABLE_RULES"]

_ROUNDING = 0.01
"""Fall that is rounding of a hand-over [%]."""
_SMALL_PEDAL = 10.0
_STEEPEST = 2.0
"""Plate percent for one pedal percent at small pedal; common practice, no source."""
_STEEPEST_SHARE = 5.0
"""Percent of torque for one percent of pedal at small pedal; common practice, no source."""
_OPEN = 99.5
_IDLE_MOST = 5.0
"""Plate above which no engine idles on [%], where the car is not known; from memory: idling needs
2 to 5 % of the travel."""
_FAR_SHARE = 0.1
"""Step at the end of an axis, of the output's range, that is worth a look; tool default."""
_STANDS_OUT = 10.0
"""Distance of a cell from the line through its neighbours, both ways, % of the table's range;
tool default."""
_WORDS_STEEP = ("steep", "small pedal")
_WORDS_SHORT = ("cap", "slope limit", "full pedal", "most torque")


def _at(table: Table, down: Axis | None, across: Axis, i: int, j: int) -> str:
    axes = [(across.name, across.unit, float(across.values[j]))]
    if down is not None:
        axes.insert(0, (down.name, down.unit, float(down.values[i])))
    return place(axes)


def _monotone(calibration: Calibration, known: Known) -> Iterator[Finding]:
    for table, down, across, plate in demands(calibration):
        step = np.diff(plate, axis=1)
        falls = int(np.sum(step < -_ROUNDING))
        if not falls:
            continue
        i, j = (int(k) for k in np.unravel_index(np.argmin(step), step.shape))
        yield Finding(
            "pedal_monotone", "error", f"table {table.name}", _at(table, down, across, i, j + 1),
            float(-step[i, j]), "%",
            f"the plate closes by {-step[i, j]:.3g} % while the pedal goes down, at {falls} of "
            f"{step.size} steps; this is the largest",
            "raise the cell to the one before it: more pedal must never give less plate",
        )  # fmt: skip


def _released(calibration: Calibration, known: Known) -> Iterator[Finding]:
    floors = [r for r in calibration.limits if r.output == "plate" and r.side == "floor"]
    need = known.idle_plate_pct
    if need is None and "idle_loop.base" in calibration.numbers:
        need = number_of(calibration, "idle_loop.base")
    allowed = _IDLE_MOST if need is None else need + 0.5
    for table, down, across, plate in demands(calibration):
        where = f"table {table.name}"
        if across.values[0] > 0.0:
            yield Finding(
                "pedal_released", "warning", where,
                f"{across.name} {across.values[0]:.4g} {across.unit}",
                float(across.values[0]), across.unit,
                "the pedal axis does not begin at 0: the first cell is held down to the released "
                "pedal",
                "add a column for pedal 0",
            )  # fmt: skip
        i = int(np.argmax(plate[:, 0]))
        first = float(plate[i, 0])
        if first > allowed:
            yield Finding(
                "pedal_released", "error", where, _at(table, down, across, i, 0), first, "%",
                f"the released pedal asks for {first:.3g} % of plate, more than the "
                f"{allowed:.3g} % that idling takes at most: the engine does not come down",
                "set the first column to 0 and leave idling to its floor",
            )  # fmt: skip
        elif first <= 0.0 and not floors:
            yield Finding(
                "pedal_released", "note", where, _at(table, down, across, i, 0), first, "%",
                "the released pedal shuts the plate and no floor gives the air to idle on",
                "add the rows of the idle role, or a plate for idling in the first column",
            )  # fmt: skip


def _small_pedal(calibration: Calibration, known: Known) -> Iterator[Finding]:
    for table, down, across, plate in demands(calibration):
        pedal = across.values
        small = pedal[:-1] < _SMALL_PEDAL
        if pedal.size < 2 or not small.any():
            continue
        why = any(word in table.note.lower() for word in _WORDS_STEEP)
        rise = (np.diff(plate, axis=1) / np.diff(pedal))[:, small]
        i, j = (int(k) for k in np.unravel_index(np.argmax(rise), rise.shape))
        if rise[i, j] > _STEEPEST and not why:
            yield Finding(
                "small_pedal", "warning", f"table {table.name}", _at(table, down, across, i, j),
                float(rise[i, j]), "%/%",
                f"the plate opens by {rise[i, j]:.3g} % for each percent of pedal near the "
                f"released pedal, above {_STEEPEST:g} %: the car jerks at creep",
                "lower the cells under 10 % pedal, or say in the table's note why it is steep",
            )  # fmt: skip
        if known.share is None or down is None:
            continue
        moving = down.values >= 1.2 * (known.idle_rpm or 800.0)
        if not moving.any():
            continue
        share = 100.0 * known.share(down.values[moving], plate[moving])
        gain = (np.diff(share, axis=1) / np.diff(pedal))[:, small]
        i, j = (int(k) for k in np.unravel_index(np.argmax(gain), gain.shape))
        if gain[i, j] > _STEEPEST_SHARE and not why:
            i = int(np.flatnonzero(moving)[i])
            yield Finding(
                "small_pedal", "warning", f"table {table.name}", _at(table, down, across, i, j),
                float(gain.max()), "%/%",
                f"one percent of pedal brings {gain.max():.3g} % of the engine's torque on this "
                f"car, above {_STEEPEST_SHARE:g} %",
                "lower the cells under 10 % pedal, or say in the table's note why it is steep",
            )  # fmt: skip


def _open_stop(calibration: Calibration, known: Known) -> Iterator[Finding]:
    for table, down, across, plate in demands(calibration):
        where = f"table {table.name}"
        if across.unit == "%" and across.values[-1] < 100.0:
            yield Finding(
                "open_stop", "warning", where, f"{across.name} {across.values[-1]:.4g} %",
                float(across.values[-1]), "%",
                f"the pedal axis ends at {across.values[-1]:.4g} %: the last cell is held over the "
                "rest of the travel",
                "add a column for pedal 100",
            )  # fmt: skip
        i = int(np.argmin(plate[:, -1]))
        least = float(plate[i, -1])
        if least >= _OPEN:
            continue
        said = any(word in table.note.lower() for word in _WORDS_SHORT)
        mode = table.name.removeprefix("plate_over_pedal_")
        yield Finding(
            "open_stop", "note" if said or mode in known.capped else "warning", where,
            _at(table, down, across, i, plate.shape[1] - 1), least, "%",
            f"full pedal opens the plate to {least:.3g} % only"
            + (", as its note or the intent says" if said or mode in known.capped else ""),
            "open it to 100 %, or say in the table's note what caps it",
        )  # fmt: skip


def _range(calibration: Calibration, known: Known) -> Iterator[Finding]:
    asked = {id(table): "plate" for table, *_ in demands(calibration)}
    for limit in calibration.limits:
        if limit.table and limit.law in ("table", "model"):
            asked[id(calibration.tables[limit.table])] = limit.output
    for table in calibration.tables.values():
        output = asked.get(id(table))
        if output is None:
            continue
        top = OUTPUT_TOP[output]
        over = np.maximum(table.values - top, -table.values)
        if over.max() <= _ROUNDING:
            continue
        cell = np.unravel_index(int(np.argmax(over)), over.shape)
        value = float(table.values[cell])
        axes = [(a.name, a.unit, float(a.values[k])) for a, k in zip(table.axes, cell, strict=True)]
        yield Finding(
            "value_range", "error", f"table {table.name}", place(axes), value, OUTPUT_UNIT[output],
            f"{int(np.sum(over > _ROUNDING))} cells are outside 0 to {top:g}, the range of "
            f"{output.replace('_', ' ')}; the worst is {value:.4g}",
            "correct the cells, or the scale in which the table was pasted",
        )  # fmt: skip


def _stands_out(calibration: Calibration, known: Known) -> Iterator[Finding]:
    # computed pressures and bleeds may have edges; plates and what nobody knows should be even
    plates = {table.name for table, *_ in demands(calibration)}
    plates |= {r.table for r in calibration.limits if r.output == "plate" and r.law != "pi"}
    plates |= {f.where.removeprefix("table ") for f in _unread(calibration, known)}
    for table in calibration.tables.values():
        if table.name not in plates or len(table.axes) != 2 or min(table.values.shape) < 3:
            continue
        span = float(np.ptp(table.values))
        if span <= 0.0:
            continue
        off = []
        for axis, turned in ((0, table.values), (1, table.values.T)):
            x = table.axes[axis].values
            u = ((x[1:-1] - x[:-2]) / (x[2:] - x[:-2]))[:, None]
            line = (1.0 - u) * turned[:-2] + u * turned[2:]
            off.append(turned[1:-1] - line)
        down, across = off[0][:, 1:-1], off[1].T[1:-1, :]
        same = np.where(down * across > 0.0, np.minimum(np.abs(down), np.abs(across)), 0.0)
        # a cell is alone where it stands out from both lines, and its neighbours do not
        i, j = (int(k) for k in np.unravel_index(np.argmax(same), same.shape))
        worst = 100.0 * float(same[i, j]) / span
        if worst < _STANDS_OUT:
            continue
        axes = [
            (a.name, a.unit, float(a.values[k + 1]))
            for a, k in zip(table.axes, (i, j), strict=True)
        ]
        yield Finding(
            "cell_stands_out", "warning", f"table {table.name}", place(axes), worst, "%",
            f"one cell of {table.values[i + 1, j + 1]:.4g} is off the line through its neighbours, "
            f"both ways, by {worst:.3g} % of the table's range",
            "look whether it is a slip of the pen",
        )  # fmt: skip


class _Reader(NamedTuple):
    """A table that something looks up: channels of its axes, and the range of its values."""

    table: Table
    channels: tuple[str, ...]
    low: float
    high: float
    name: str
    pressed: bool
    """Whether it acts on pressure, and so not at low engine speed."""


def _readers(calibration: Calibration, known: Known) -> Iterator[_Reader]:
    for limit in calibration.limits:
        if not limit.table:
            continue
        table = calibration.tables[limit.table]
        pi = limit.law == "pi"
        channels = tuple(c for c in ((limit.y, limit.z) if pi else (limit.x, limit.y)) if c)
        low, high = reach(limit.x, calibration, known) if pi else (0.0, OUTPUT_TOP[limit.output])
        used = {limit.x, limit.y, *(a.channel for a in conditions(limit.arm, limit.name))}
        if len(channels) == len(table.axes):
            pressed = bool(used & {"map_kPa", "pipe_kPa"})
            yield _Reader(table, channels, low, high, f"row {limit.name}", pressed)
    for table, down, across, _plate in demands(calibration):
        names = {"engine_rpm": "engine_rpm", "rpm": "engine_rpm", across.name: "pedal_pct"}
        turned = tuple(names.get(a.name, "") for a in table.axes)
        if down is not None and all(turned):
            yield _Reader(table, turned, 0.0, 100.0, "the demand", False)


def _axis_ends(calibration: Calibration, known: Known) -> Iterator[Finding]:
    idle = known.idle_rpm or number_of(calibration, "idle_speed_rpm", 850.0) or 850.0
    for reader in _readers(calibration, known):
        table = reader.table
        for k, (channel, axis) in enumerate(zip(reader.channels, table.axes, strict=True)):
            if axis.values.size < 2:
                continue
            turned = table.values if k == 0 else table.values.T
            low, high = reach(channel, calibration, known)
            if channel == "engine_rpm":
                low = (2.0 if reader.pressed else 0.7) * idle
            for end, near, beyond in ((0, 1, low), (-1, -2, high)):
                gap = float(beyond - axis.values[end])
                if not np.isfinite(gap) or (gap >= 0.0) == (end == 0):
                    continue
                slope = (turned[end] - turned[near]) / (axis.values[end] - axis.values[near])
                # what the slope would give, but not past the ends of what it sets
                edge = np.clip(np.atleast_1d(turned[end]), reader.low, reader.high)
                pointed = np.clip(edge + slope * gap, reader.low, reader.high)
                worst = float(np.max(np.abs(pointed - edge)))
                if worst <= _FAR_SHARE * (reader.high - reader.low):
                    continue
                yield Finding(
                    "axis_end", "warning", f"table {table.name}",
                    place([(axis.name, axis.unit, float(axis.values[end]))]), worst, table.unit,
                    f"the axis ends here while {channel} goes on to {beyond:.4g} and the values "
                    f"still change: {reader.name} is held {worst:.3g} {table.unit} from where the "
                    "last step points",
                    "add a point at the end of the range, or level the table off before its end",
                )  # fmt: skip


_KEPT = ("torque_share_over_pedal_", "plate_over_torque_share_", "boost_target_")
_KEPT_ALONE = ("motor_over_plate",)


def _unread(calibration: Calibration, known: Known) -> Iterator[Finding]:
    used = {limit.table for limit in calibration.limits} | set(BY_NAME) | set(_KEPT_ALONE)
    used |= {limit.base for limit in calibration.limits}
    for name in calibration.tables:
        if name in used or name.startswith(("plate_over_pedal_", *_KEPT)):
            continue
        yield Finding(
            "table_unread", "note", f"table {name}", "", None, "",
            "no row and no part of the strategy reads this table",
            "give it to a row, name it plate_over_pedal_MODE where it is a demand, or take it out",
        )  # fmt: skip


def _never_free(calibration: Calibration, known: Known) -> Iterator[Finding]:
    for limit in calibration.limits:
        if not _lasting_ceiling(limit):
            continue
        table = calibration.tables[limit.table]
        most = float(table.values.max())
        if most >= _OPEN:
            continue
        yield Finding(
            "never_free", "warning", f"row {limit.name}", f"table {table.name}", most, "%",
            f"the ceiling acts always and its table ends at {most:.3g} %: the open plate is never "
            "reached",
            "add a point at which the table is at 100 %, or give the row a condition",
        )  # fmt: skip


def _lasting_ceiling(limit: Limit) -> bool:
    plate = limit.output == "plate" and limit.side == "ceiling"
    return plate and limit.law in ("table", "model") and not limit.arm


TABLE_RULES: tuple[Rule, ...] = (
    Rule("pedal_monotone", "More pedal never gives less plate.", _monotone),
    Rule("pedal_released", "The released pedal asks for no more than idling needs.", _released),
    Rule("small_pedal", "The plate does not jump open at small pedal without a reason.",
         _small_pedal),
    Rule("open_stop", "The end of the travel opens the plate, or the table says why not.",
         _open_stop),
    Rule("value_range", "Values are within the range of what they set.", _range),
    Rule("cell_stands_out", "No single cell stands out of its neighbours.", _stands_out),
    Rule("axis_end", "Tables level off before their axes end, or cover what occurs.", _axis_ends),
    Rule("never_free", "A ceiling that acts always opens wholly somewhere.", _never_free),
    Rule("table_unread", "Every table is read by something.", _unread),
)  # fmt: skip
"""Rules over tables, in the order in which they report."""
