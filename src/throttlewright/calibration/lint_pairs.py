"""Rules over two rows at a time: ceilings under floors, loops that fight, rows that re-arm."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from throttlewright.calibration.calibration import Calibration
from throttlewright.calibration.limits import Condition, Limit, conditions
from throttlewright.calibration.lint_parts import (
    Finding,
    Known,
    Rule,
    Severity,
    number_of,
    overlap,
    pairs,
    place,
    reach,
    unit_of,
    window,
)

__all__ = ["PAIR_RULES"]

_MOST_PLACES = 60_000
_SLACK = 0.05
"""Ceiling under a floor that is rounding [%]."""
_STALLS = 0.05
"""Share of the floor's plate that an idling engine can miss without stalling; tool default: idle
loops have about this much in hand."""
_IDLE_BAND = 300.0
"""Engine speed over idle at which the engine still stalls when the plate shuts [rpm]; tool
default."""
_NOISE: dict[str, float] = {
    # least band of a channel that its noise and ripple do not cross; common practice, no source
    "engine_rpm": 20.0,
    "map_kPa": 1.0,
    "pipe_kPa": 1.0,
    "speed_m_s": 0.1,
    "driven_m_s": 0.1,
    "slip_1": 0.005,
    "coolant_degC": 0.5,
    "oil_degC": 0.5,
    "exhaust_degC": 5.0,
    "oil_kPa": 5.0,
    "fuel_pressure_pct": 2.0,
    "battery_V": 0.2,
    "mixture_1": 0.02,
    "plate_pct": 0.3,
    "map_slope_kPa_s": 5.0,
    "pipe_slope_kPa_s": 5.0,
    "engine_slope_rpm_s": 50.0,
}
_MOVED: dict[str, tuple[str, ...]] = {
    # what an output moves within a second
    "plate": ("engine_rpm", "map_kPa", "pipe_kPa", "speed_m_s", "driven_m_s", "slip_1",
              "plate_pct", "map_slope_kPa_s", "pipe_slope_kPa_s", "engine_slope_rpm_s"),
    "fuel_cut": ("engine_rpm", "map_kPa", "pipe_kPa", "speed_m_s", "driven_m_s", "slip_1",
                 "engine_slope_rpm_s", "mixture_1", "exhaust_degC"),
    "retard": ("engine_rpm", "slip_1", "driven_m_s", "engine_slope_rpm_s", "exhaust_degC"),
    "wastegate": ("map_kPa", "pipe_kPa", "map_slope_kPa_s", "pipe_slope_kPa_s"),
}  # fmt: skip
_BOOST = 1.15
"""Pressure over ambient above which an engine is in boost [-]; tool default."""
_IDLE_SIZED = 20.0
"""Floor up to which it is there for idling, warm or cold [%]; tool default."""
_MEANT = ("shuts the plate", "below the idle", "under the idle", "idle floor", "even below",
          "stalls", "beats the floor", "on purpose")  # fmt: skip
"""Words by which a row says that it may go under a floor."""


def _lines(
    channels: list[str], rows: tuple[Limit, ...], calibration: Calibration, known: Known
) -> list[NDArray[np.float64]]:
    """Places to look at along each channel: an even grid, points of the tables, and thresholds."""
    count = int(min(13, max(4, _MOST_PLACES ** (1.0 / max(len(channels), 1)) / 2)))
    lines = []
    for channel in channels:
        low, high = reach(channel, calibration, known)
        at = [np.linspace(low, high, count)]
        for row in rows:
            if row.law in ("table", "model"):
                for name, axis in zip(
                    (row.x, row.y), calibration.tables[row.table].axes, strict=False
                ):
                    if name == channel:
                        at.append(axis.values[:: max(1, axis.values.size // 6)])
            for arm in conditions(row.arm, row.name):
                if arm.channel == channel:
                    step = 1e-6 * max(1.0, abs(arm.number))
                    at.append(np.array([arm.number - step, arm.number, arm.number + step]))
        if channel == "engine_rpm" and known.idle_rpm:
            at.append(np.array([known.idle_rpm]))
        line = np.unique(np.concatenate(at))
        lines.append(line[(line >= low) & (line <= high)])
    return lines


def _acts(
    row: Limit, at: dict[str, NDArray[np.float64]], shape: tuple[int, ...]
) -> NDArray[np.bool_]:
    acts = np.ones(shape, dtype=bool)
    for arm in conditions(row.arm, row.name):
        here = at[arm.channel]
        acts &= {
            ">": here > arm.number, ">=": here >= arm.number,
            "<": here < arm.number, "<=": here <= arm.number,
        }[arm.op]  # fmt: skip
    return acts


def _bound(
    row: Limit, calibration: Calibration, at: dict[str, NDArray[np.float64]], shape: tuple[int, ...]
) -> NDArray[np.float64] | None:
    """What a row surely asks for; a loop by the end it can be at: a ceiling's least, a floor's."""
    if row.law in ("table", "model"):
        table = calibration.tables[row.table]
        channels = [c for c in (row.x, row.y) if c]
        if len(channels) != len(table.axes):
            return None
        return table.lookup(*(at[c] for c in channels))
    if row.law == "pi":
        ceiling = row.side == "ceiling"
        value = number_of(calibration, f"{row.name}.{'least' if ceiling else 'base'}", 0.0)
    else:
        value = number_of(calibration, f"{row.name}.to")
    return None if value is None else np.full(shape, value)


def _boosted(
    at: dict[str, NDArray[np.float64]], shape: tuple[int, ...], known: Known
) -> NDArray[np.bool_]:
    boosted = np.zeros(shape, dtype=bool)
    for channel in ("map_kPa", "pipe_kPa"):
        if channel in at:
            boosted |= at[channel] > _BOOST * known.ambient_kPa
    return boosted


def _plausible(
    at: dict[str, NDArray[np.float64]],
    shape: tuple[int, ...],
    calibration: Calibration,
    known: Known,
) -> NDArray[np.bool_]:
    """Leave out what no engine meets: boost, hot exhaust or full load at idle speed, and so on."""
    fine = np.ones(shape, dtype=bool)
    idle = known.idle_rpm or number_of(calibration, "idle_speed_rpm", 850.0) or 850.0
    rpm = at.get("engine_rpm")
    pedal = at.get("pedal_pct")
    boosted = _boosted(at, shape, known)
    if rpm is not None:
        fine &= ~(boosted & (rpm < 2.0 * idle))
    if pedal is not None:
        fine &= ~(boosted & (pedal < 10.0))
    if rpm is not None:
        fine &= rpm > 0.5 * idle
        if "speed_m_s" in at:
            fine &= ~((at["speed_m_s"] > 15.0) & (rpm < idle))
        if "exhaust_degC" in at:
            fine &= ~((at["exhaust_degC"] > 800.0) & (rpm < 2.0 * idle))
    return fine


def _under_floor(calibration: Calibration, known: Known) -> Iterator[Finding]:
    idle = known.idle_rpm or number_of(calibration, "idle_speed_rpm", 850.0) or 850.0
    plate = [r for r in calibration.limits if r.output == "plate"]
    for ceiling in (r for r in plate if r.side == "ceiling"):
        for floor in (r for r in plate if r.side == "floor"):
            rows = (ceiling, floor)
            used = [c for r in rows for c in (r.x, r.y) if c and r.law in ("table", "model")]
            used += [a.channel for r in rows for a in conditions(r.arm, r.name)]
            channels = list(dict.fromkeys(used))
            lines = _lines(channels, rows, calibration, known)
            if any(line.size == 0 for line in lines):
                continue
            while lines and np.prod([float(line.size) for line in lines]) > 4.0 * _MOST_PLACES:
                k = int(np.argmax([line.size for line in lines]))
                lines[k] = np.unique(np.append(lines[k][::2], lines[k][-1]))
            grid = np.meshgrid(*lines, indexing="ij") if lines else []
            shape = grid[0].shape if grid else (1,)
            at = dict(zip(channels, grid, strict=True))
            high, low = (_bound(row, calibration, at, shape) for row in rows)
            if high is None or low is None:
                continue
            both = _acts(ceiling, at, shape) & _acts(floor, at, shape)
            both &= _plausible(at, shape, calibration, known)
            boosted = _boosted(at, shape, known)
            # idle air is no one's need in boost; a floor of another size is
            both &= ~(boosted & (low <= _IDLE_SIZED))
            gap = np.where(both, low - high, -np.inf)
            worst = float(gap.max())
            if worst <= _SLACK:
                continue
            cell = np.unravel_index(int(np.argmax(gap)), shape)
            rpm = at.get("engine_rpm")
            pedal = at.get("pedal_pct")
            bad = gap > np.maximum(_SLACK, _STALLS * low)
            if rpm is not None:
                bad &= (rpm >= 0.8 * idle) & (rpm <= idle + _IDLE_BAND)
            if pedal is not None:
                bad &= pedal <= 2.0
            stalls = bool((bad & ~boosted).any())
            note = calibration.tables[ceiling.table].note if ceiling.table else ""
            said = any(w in f"{ceiling.reason} {note}".lower() for w in _MEANT)
            severity: Severity = "note" if said else "error" if stalls else "warning"
            yield Finding(
                "ceiling_under_floor", severity, f"rows {ceiling.name} and {floor.name}",
                place((c, unit_of(c), float(at[c][cell])) for c in channels), worst, "%",
                f"the ceiling allows {float(high[cell]):.3g} %, {worst:.3g} % less than the floor "
                f"of {float(low[cell]):.3g} % needs; a ceiling wins"
                + (", and the engine stalls" if stalls and not said else ""),
                "raise the ceiling there, or say in its reason that it goes under the idle floor",
            )  # fmt: skip


def _kp(limit: Limit, calibration: Calibration) -> float:
    return number_of(calibration, f"{limit.name}.kp", 0.0) or 0.0


def _wanted(limit: Limit, calibration: Calibration) -> tuple[float, float] | None:
    if limit.table:
        values = calibration.tables[limit.table].values
        return float(values.min()), float(values.max())
    value = number_of(calibration, f"{limit.name}.setpoint")
    return None if value is None else (value, value)


def _loops(calibration: Calibration, known: Known) -> Iterator[Finding]:
    loops = [r for r in calibration.limits if r.law == "pi"]
    for one, other in pairs(loops):
        if one.output != other.output or one.x != other.x:
            continue
        if not overlap(one, other, calibration, known):
            continue
        a, b = _wanted(one, calibration), _wanted(other, calibration)
        same_table = (
            bool(one.table) and one.table == other.table and (one.y, one.z) == (other.y, other.z)
        )
        if a is None or b is None or (same_table and a == b):
            continue
        unit = unit_of(one.x)
        if one.side != other.side:
            floor, ceiling = (one, other) if one.side == "floor" else (other, one)
            low, high = (a, b) if one.side == "floor" else (b, a)
            # a loop that opens to raise its channel wants at least; one that shuts wants at most
            fight = _kp(floor, calibration) > 0.0 and _kp(ceiling, calibration) > 0.0
            if not fight or low[1] <= high[0]:
                continue
            yield Finding(
                "two_loops", "error", f"rows {floor.name} and {ceiling.name}", one.x,
                low[1] - high[0], unit,
                f"the floor opens until {one.x} is {low[1]:g}, the ceiling shuts at {high[0]:g}: "
                "each winds up against the other",
                "set the ceiling's setpoint above the floor's, or let only one act at a time",
            )  # fmt: skip
        elif a != b and not same_table:
            roles = one.name.split("_")[0], other.name.split("_")[0]
            yield Finding(
                "two_loops", "warning" if roles[0] == roles[1] else "note",
                f"rows {one.name} and {other.name}", one.x,
                max(abs(a[0] - b[0]), abs(a[1] - b[1])), unit,
                f"two loops on the same side hold {one.x} at different values at the same time: "
                "the tighter one decides, the other runs to its end",
                "fine between roles where each has its own end; within one role give them "
                "conditions that exclude each other",
            )  # fmt: skip


def _hunting(calibration: Calibration, known: Known) -> Iterator[Finding]:
    for limit in calibration.limits:
        arms = conditions(limit.arm, limit.name)
        if not arms or limit.law == "timed":
            continue
        first = arms[0]
        for k, arm in enumerate(arms):
            least = _NOISE.get(arm.channel)
            band = limit.hysteresis if k == 0 else 0.0
            if least is None or band >= least or arm.channel not in _MOVED[limit.output]:
                continue
            pushes_back = (limit.side == "ceiling") == arm.op.startswith(">")
            if limit.output != "plate":
                pushes_back = (limit.side == "floor") == arm.op.startswith(">")
            # a loop or a table that begins where the output is does not kick
            soft = limit.law in ("pi", "model", "table") and limit.side == "ceiling"
            if not pushes_back or (soft and np.isfinite(limit.rise_rate)) or k > 0:
                continue
            yield Finding(
                "limit_cycle", "warning", f"row {limit.name}", f"arm, {first.channel}", band,
                unit_of(arm.channel),
                f"it lets go after {band:g} {unit_of(arm.channel)}".rstrip()
                + f" and by acting moves {arm.channel} itself: it switches on and off",
                f"give it a hysteresis of at least {least:g} {unit_of(arm.channel)}".rstrip(),
            )  # fmt: skip
    yield from _re_arming(calibration, known)


def _re_arming(calibration: Calibration, known: Known) -> Iterator[Finding]:
    for one, other in pairs(r for r in calibration.limits if r.arm):
        if one.output != other.output or one.side == other.side:
            continue
        a = conditions(one.arm, one.name)[0]
        b = conditions(other.arm, other.name)[0]
        if a.channel != b.channel or a.op[0] == b.op[0]:
            continue
        if a.channel not in _MOVED[one.output]:
            continue
        high, low, above, below = (one, other, a, b) if a.op[0] == ">" else (other, one, b, a)
        # only where acting drives the channel into the other's range
        drives = (high.side == "ceiling") == (high.output in ("plate", "wastegate"))
        rest = [c for r in (one, other) for c in conditions(r.arm, r.name)[1:]]
        room = low.hysteresis + high.hysteresis
        gap = above.number - high.hysteresis - below.number
        if not drives or gap > 0.0 or not _hold(rest, calibration, known):
            continue
        yield Finding(
            "limit_cycle", "warning", f"rows {high.name} and {low.name}", f"arm, {a.channel}",
            -gap, unit_of(a.channel),
            f"{high.name} lets go at {above.number - high.hysteresis:g}, where {low.name} already "
            f"acts from {below.number:g}: each by acting arms the other (bands of {room:g} in all)",
            "part the thresholds by more than both bands",
        )  # fmt: skip


def _hold(rest: list[Condition], calibration: Calibration, known: Known) -> bool:
    return all(low <= high for low, high in window(rest, calibration, known).values())


PAIR_RULES: tuple[Rule, ...] = (
    Rule("ceiling_under_floor", "No ceiling is under a floor without a reason shown.",
         _under_floor),
    Rule("two_loops", "No two loops fight over one output.", _loops),
    Rule("limit_cycle", "No row re-arms itself or another by acting.", _hunting),
)  # fmt: skip
"""Rules over pairs of rows, in the order in which they report."""
