"""Rules over one row at a time: reasons, whether it can act, jumps, sensors, numbers, reactions."""

from __future__ import annotations

import math
import re
from collections.abc import Iterator

import numpy as np

from throttlewright.calibration.calibration import Calibration
from throttlewright.calibration.defaults import DEFAULTS, NO_LIMIT
from throttlewright.calibration.limits import OUTPUT_TOP, OUTPUT_UNIT, Limit, conditions
from throttlewright.calibration.lint_parts import (
    Finding,
    Known,
    Rule,
    demands,
    free_bound,
    number_of,
    reach,
    table_bounds,
    unit_of,
    window,
)
from throttlewright.calibration.pack import pack_calibration
from throttlewright.foundation.errors import InputError

__all__ = ["ROW_RULES", "span_of"]

_EMPTY = re.compile(
    r"(unknown|none|n/?a|not known|nothing|tb[acd]|to[ -]?do|later|test\w*|reason|source|row|text|"
    r"xx*|foo|bar|as pasted|pasted|[-.?_*/ ]+|.{1,2})",
    re.IGNORECASE,
)
"""Words that stand where a reason should."""
_JUMP = 30.0
_FASTEST = 200.0
"""Rise above which a ceiling that opens is a jump of torque [%/s]; common practice, no source."""
_OFF = 20.0
"""Factor between a number and its typical value that is worth a look [-]; tool default."""
_TYPICAL_ONLY = ("boost_ambient_kPa", "rev_limit_rpm", "plate_fall_pct_s")
_MOST_RETARD = 25.0
"""Retard at which exhaust and catalyst grow very hot within seconds [deg]; from memory."""
_LASTING_RETARD = 15.0
"""Retard that may stay on [deg]; 5 to 12 is common while idling, from memory."""
_LOST: dict[str, float] = {
    # what a controller reads from a sensor that has gone; as the faults of the scenarios
    "coolant_degC": -40.0,
    "oil_degC": -40.0,
    "intake_degC": -40.0,
    "exhaust_degC": 0.0,
    "map_kPa": 10.0,
    "pipe_kPa": 10.0,
    "ethanol_pct": -1.0,
    "speed_m_s": 0.0,
    "driven_m_s": 0.0,
    "slip_1": 0.0,
    "oil_kPa": 0.0,
    "fuel_pressure_pct": 0.0,
    "mixture_1": 1.0,
}


def span_of(limit: Limit, calibration: Calibration, known: Known) -> tuple[float, float] | None:
    """Return the least and most bound of a row while it acts.

    Parameters
    ----------
    limit : Limit
        The row.
    calibration : Calibration
        Its tables and numbers.
    known : Known
        The car.

    Returns
    -------
    tuple of float or None [unit of the output]
        None where a number is missing or a table does not fit.
    """
    if limit.law in ("table", "model"):
        return table_bounds(limit, calibration, known)
    if limit.law == "pi":
        low = number_of(calibration, f"{limit.name}.least", 0.0)
        high = number_of(calibration, f"{limit.name}.most", OUTPUT_TOP[limit.output])
    else:
        low = high = number_of(calibration, f"{limit.name}.to")
    return None if low is None or high is None else (low, high)


def _runs(calibration: Calibration, known: Known) -> Iterator[Finding]:
    has_demand = any(name.startswith("plate_over_pedal_") for name in calibration.tables)
    if not has_demand:
        yield Finding(
            "runs", "note", "tables", "", None, "",
            "no table plate_over_pedal_MODE: nothing follows the pedal, so the strategy cannot run "
            "on it",
            "fine for tables kept alone; to drive it, add a demand",
        )  # fmt: skip
        return
    try:
        pack_calibration(calibration)
    except InputError as error:
        yield Finding(
            "runs", "error", error.key or "calibration", "", None, "",
            f"the strategy does not take it: {error}",
            "correct what is named; no other figure of this row can be trusted before",
        )  # fmt: skip


def _reasons(calibration: Calibration, known: Known) -> Iterator[Finding]:
    for limit in calibration.limits:
        for key in ("reason", "source"):
            if _EMPTY.fullmatch(getattr(limit, key)):
                yield _said(f"row {limit.name}", key, getattr(limit, key), "error")
    for reaction in calibration.reactions:
        if _EMPTY.fullmatch(reaction.source):
            yield _said(f"reaction {reaction.fault}", "source", reaction.source, "error")
    for name, number in calibration.numbers.items():
        if _EMPTY.fullmatch(number.source):
            yield _said(f"number {name}", "source", number.source, "warning")


def _said(where: str, key: str, text: str, severity: str) -> Finding:
    return Finding(
        "reason_and_source", "error" if severity == "error" else "warning", where, key, None, "",
        f"the {key} says {text!r}, which tells nothing",
        "write in one line why it is there" if key == "reason" else
        "write where the number comes from: a file, a book, a measurement, or common practice",
    )  # fmt: skip


def _can_act(calibration: Calibration, known: Known) -> Iterator[Finding]:
    for limit in calibration.limits:
        where = f"row {limit.name}"
        shut = False
        for channel, (low, high) in window(
            conditions(limit.arm, limit.name), calibration, known
        ).items():
            if low <= high:
                continue
            shut = True
            top = reach(channel, calibration, known)
            sensor = channel in known.sensor_top and low > known.sensor_top[channel]
            yield Finding(
                "can_act", "error" if sensor and limit.side == "ceiling" else "warning", where,
                f"arm, {channel}", float(low), unit_of(channel),
                f"its condition {limit.arm!r} cannot hold: {channel} "
                + ("is read up to " if sensor else "runs from ")
                + ("" if sensor else f"{top[0]:g} to ") + f"{top[1]:g} {unit_of(channel)}".rstrip(),
                "correct the condition, fit a sensor with a wider range, or take the row out",
            )  # fmt: skip
        span = None if shut else span_of(limit, calibration, known)
        if span is None:
            continue
        free = free_bound(limit)
        # the best that the row can do in its own direction
        best = span[0] if limit.side == "ceiling" else span[1]
        idle = best >= free - 1e-6 if limit.side == "ceiling" else best <= 1e-6
        if idle:
            yield Finding(
                "can_act", "warning", where, f"table {limit.table}" if limit.table else "", best,
                OUTPUT_UNIT[limit.output],
                f"it never bounds anything: its {'lowest' if best else 'highest'} value is "
                f"{best:g}, where it stands free",
                "correct its table or number, or take the row out",
            )  # fmt: skip
        if span[0] < -1e-6 or span[1] > OUTPUT_TOP[limit.output] + 1e-6:
            worst = span[0] if span[0] < -1e-6 else span[1]
            yield Finding(
                "row_range", "error" if limit.law != "table" else "warning", where, "", worst,
                OUTPUT_UNIT[limit.output],
                f"it asks for {worst:g}, outside 0 to {OUTPUT_TOP[limit.output]:g}",
                "correct the number or the scale",
            )  # fmt: skip


def _setpoints(calibration: Calibration, known: Known) -> Iterator[Finding]:
    for limit in calibration.limits:
        if limit.law != "pi":
            continue
        low, high = reach(limit.x, calibration, known)
        name = f"{limit.name}.setpoint"
        if limit.table:
            values = calibration.tables[limit.table].values
            wanted = (float(values.min()), float(values.max()))
        else:
            single = number_of(calibration, name)
            if single is None:
                continue
            wanted = (single, single)
        for value in wanted:
            if not low <= value <= high:
                yield Finding(
                    "setpoint", "warning", f"row {limit.name}", name, value, unit_of(limit.x),
                    f"it holds {limit.x} at {value:g}, but that runs from {low:g} to {high:g}",
                    "correct the setpoint or its scale",
                )  # fmt: skip
                break


def _jumps(calibration: Calibration, known: Known) -> Iterator[Finding]:
    for limit in calibration.limits:
        if limit.output != "plate" or limit.rise_rate <= _FASTEST:
            continue
        span = span_of(limit, calibration, known)
        if span is None:
            continue
        if limit.side == "ceiling":
            # a row with a condition opens to the top when it lets go
            opens = (100.0 if limit.arm or limit.law != "table" else span[1]) - span[0]
            text = "torque comes back in one jump when it opens"
        else:
            opens = span[1]
            text = "the plate is thrown open when it begins to act"
        if opens < _JUMP:
            continue
        rate = "without bound" if math.isinf(limit.rise_rate) else f"at {limit.rise_rate:g} %/s"
        yield Finding(
            "jump", "warning", f"row {limit.name}", "rise_rate", opens, "%",
            f"the {limit.side} may rise by {opens:.3g} % {rate}: {text}",
            "give it a rise_rate; 10 to 100 %/s is common, no source",
        )  # fmt: skip


def _slow(calibration: Calibration, known: Known) -> Iterator[Finding]:
    for limit in calibration.limits:
        if limit.output != "plate" or limit.side != "ceiling" or limit.rise_rate >= 2.0:
            continue
        span = span_of(limit, calibration, known)
        low = span[0] if span else 0.0
        seconds = (100.0 - low) / limit.rise_rate
        yield Finding(
            "slow_give_back", "warning", f"row {limit.name}", "rise_rate", seconds, "s",
            f"once it has acted it takes {seconds:.3g} s to stand free again, long after its cause",
            "raise its rise_rate above 2 %/s, or say in its reason that this is meant",
        )  # fmt: skip


def _value_at(limit: Limit, calibration: Calibration, channel: str, at: float) -> float | None:
    """Most open bound of a row when a channel reads a value; None where it cannot be told."""
    for arm in conditions(limit.arm, limit.name):
        if arm.channel == channel:
            sign = 1.0 if arm.op.startswith(">") else -1.0
            over = sign * (at - arm.number)
            if over < 0.0 or (over == 0.0 and not arm.op.endswith("=")):
                return free_bound(limit)
    if limit.law in ("table", "model") and channel in (limit.x, limit.y):
        table = calibration.tables[limit.table]
        if len(table.axes) == 1:
            values = table.lookup(at)
        elif channel == limit.x:
            values = table.lookup(at, table.axes[1].values)
        else:
            values = table.lookup(table.axes[0].values, at)
        return float(np.max(values) if limit.side == "ceiling" else np.min(values))
    return None


def _lost(calibration: Calibration, known: Known) -> Iterator[Finding]:
    for limit in calibration.limits:
        if limit.side != "ceiling" and limit.output in ("plate", "wastegate"):
            continue
        used = {limit.x, limit.y, *(c.channel for c in conditions(limit.arm, limit.name))}
        span = span_of(limit, calibration, known)
        for channel in sorted(used & set(_LOST)):
            at = _LOST[channel]
            bound = _value_at(limit, calibration, channel, at)
            free = free_bound(limit)
            if bound is None or span is None or abs(bound - free) > 1e-6:
                continue
            if limit.side == "ceiling" and span[0] >= free - 1e-6:
                continue
            mates = [r for r in calibration.limits if r is not limit and r.side == limit.side]
            same = [
                r
                for r in mates
                if r.output == limit.output
                and (v := _value_at(r, calibration, channel, at)) is not None
                and abs(v - free_bound(r)) > 1e-6
            ]
            role = limit.name.split("_")[0]
            other = [
                r
                for r in calibration.limits
                if r is not limit and r.name.split("_")[0] == role and r.x and r.x != channel
            ]
            backed = [r.name for r in (*same, *other)]
            yield Finding(
                "sensor_lost", "note" if backed else "warning", f"row {limit.name}", channel, at,
                unit_of(channel),
                f"a lost sensor reads {at:g} and sets the limit free"
                + (f"; {', '.join(sorted(set(backed)))} still stands" if backed else ""),
                "nothing to do while the other row stands" if backed else
                "add a reaction or a row that acts on a reading that cannot be, or say in the "
                "reason why it does not matter",
            )  # fmt: skip


def _odd_numbers(calibration: Calibration, known: Known) -> Iterator[Finding]:
    for name, number in calibration.numbers.items():
        usual = DEFAULTS.get(name)
        if usual is None or name in _TYPICAL_ONLY or usual.value in (0.0, NO_LIMIT):
            continue
        # a voltage has a narrow range, a gain a wide one
        factor = (
            4.0 if usual.unit == "V" and "released" not in name and "closed" not in name else _OFF
        )
        ratio = abs(number.value) / abs(usual.value)
        if ratio > factor or (0.0 < ratio < 1.0 / factor):
            yield Finding(
                "odd_number", "warning", f"number {name}", "", number.value, usual.unit,
                f"{number.value:.4g} {usual.unit}".rstrip()
                + f" is far from the typical {usual.value:.4g}",
                "look for a slip of the pen or of the unit; where it is meant, its source says why",
            )  # fmt: skip
    for limit in calibration.limits:
        for part, most in (("hold_s", 10.0), ("lead_s", 1.0)):
            value = number_of(calibration, f"{limit.name}.{part}")
            if value is not None and value > most:
                yield Finding(
                    "odd_number", "warning", f"number {limit.name}.{part}", "", value, "s",
                    f"{value:.3g} s is longer than the {most:g} s that are usual at most",
                    "look for a slip of the pen or of the unit",
                )  # fmt: skip


def _charged(calibration: Calibration, known: Known) -> bool:
    boost = any(name.startswith("boost_target_") for name in calibration.tables)
    rows = any(r.name.startswith(("overboost", "boost")) for r in calibration.limits)
    return known.charged if known.charged is not None else boost or rows


def _fuel(calibration: Calibration, known: Known) -> Iterator[Finding]:
    charged = _charged(calibration, known)
    for limit in calibration.limits:
        if limit.output != "fuel_cut" or limit.side != "floor":
            continue
        span = span_of(limit, calibration, known)
        if span is None:
            continue
        part = next((v for v in span if 0.01 < v < 0.99), None)
        slow = math.isfinite(limit.rise_rate) or math.isfinite(limit.fall_rate)
        if limit.law == "pi" and part is None and span[1] > 0.5:
            part = 0.5
        if part is None and not slow:
            continue
        calm = window(conditions(limit.arm, limit.name), calibration, known)
        low_load = (
            calm.get("map_kPa", (0.0, 1e9))[1] <= known.ambient_kPa
            or calm.get("pedal_pct", (0.0, 1e9))[1] <= 10.0
        )
        # whole cylinders, each with its own mixture, are meant in some places, never by default
        boosted = charged and not low_load and "whole cylinders" not in limit.reason.lower()
        yield Finding(
            "partial_fuel_cut", "error" if boosted else "warning", f"row {limit.name}", "",
            part, "",
            "it takes fuel from some cylinders"
            + (" under boost: the others run lean or hot, and unburnt air burns in the exhaust"
               if boosted else ": the engine shakes, and a catalyst gets air to burn with"),
            "cut all cylinders or none, at once",
        )  # fmt: skip


def _retard(calibration: Calibration, known: Known) -> Iterator[Finding]:
    for limit in calibration.limits:
        if limit.output != "retard" or limit.side != "floor":
            continue
        span = span_of(limit, calibration, known)
        if span is None:
            continue
        lasting = limit.law != "timed" and not any(
            c.channel in ("shift_1", "slip_1", "arm_1") for c in conditions(limit.arm, limit.name)
        )
        most = _LASTING_RETARD if lasting else _MOST_RETARD
        reached = span[1]
        if lasting and limit.law == "pi" and reached <= _MOST_RETARD:
            # a loop is at its base most of the time
            reached = number_of(calibration, f"{limit.name}.base", 0.0) or 0.0
        if reached > most:
            yield Finding(
                "retard", "warning", f"row {limit.name}", "", reached, "deg",
                f"up to {reached:.3g} deg of retard " + ("for as long as it acts" if lasting else
                "while it acts") + f", above {most:g} deg: exhaust, valves and catalyst get hot",
                "lower it, or end it by time; the plate is the slow and cool way",
            )  # fmt: skip


def _cuts(calibration: Calibration, known: Known) -> Iterator[Finding]:
    backed = {
        r.detection for r in calibration.reactions if r.reaction in ("fuel_speed", "fuel_off")
    }
    for reaction in calibration.reactions:
        where = f"reaction {reaction.fault}"
        if reaction.reaction == "cut" and reaction.detection not in backed:
            yield Finding(
                "cut_alone", "warning", where, reaction.detection, None, "",
                "it takes the plate's power away and no row limits fuel on the same finding",
                "add a row with fuel_speed on the same detection: a plate at rest may still let an "
                "engine run fast",
            )  # fmt: skip
        if reaction.reaction == "cut" and reaction.time_s > 3.0:
            yield Finding(
                "cut_late", "warning", where, "time_s", reaction.time_s, "s",
                f"it waits {reaction.time_s:g} s before power is taken away",
                "shorten it: rule books ask for 0.1 to 1 s",
            )  # fmt: skip
    if demands(calibration) and calibration.limits and not calibration.reactions:
        yield Finding(
            "cut_alone", "warning", "reactions", "", None, "",
            "there is not one reaction to a fault",
            "add the reactions of the supervision role before a plate is powered",
        )  # fmt: skip


ROW_RULES: tuple[Rule, ...] = (
    Rule("runs", "The strategy takes the calibration.", _runs),
    Rule("reason_and_source", "Every row says why it is there and where its numbers come from.",
         _reasons),
    Rule("can_act", "Every row can act, within the range of what it sets.", _can_act),
    Rule("setpoint", "A loop holds its channel where that can be.", _setpoints),
    Rule("jump", "Nothing lets torque arrive in one jump.", _jumps),
    Rule("slow_give_back", "A ceiling gives back soon after its cause has gone.", _slow),
    Rule("sensor_lost", "A lost sensor does not set its limit free.", _lost),
    Rule("odd_number", "Numbers are of the size that is usual.", _odd_numbers),
    Rule("partial_fuel_cut", "Fuel is cut for all cylinders or none.", _fuel),
    Rule("retard", "Retard stays where the exhaust stands it.", _retard),
    Rule("cut_alone", "Power of the plate is taken away together with fuel, and soon.", _cuts),
)  # fmt: skip
"""Rules over one row each, in the order in which they report."""
