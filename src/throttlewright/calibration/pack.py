"""The packed calibration: everything the strategy reads, as arrays, checked once."""

from __future__ import annotations

import math
from typing import Any, TypeAlias

import numpy as np
from numpy.typing import NDArray

from throttlewright.calibration import places as p
from throttlewright.calibration.calibration import Calibration
from throttlewright.calibration.defaults import DEFAULTS
from throttlewright.calibration.limits import (
    LAWS,
    OUTPUT_TOP,
    OUTPUT_UNIT,
    OUTPUTS,
    Limit,
    check_channel,
    conditions,
)
from throttlewright.calibration.reactions import ACTIONS, DETECTIONS, RECOVERIES, Reaction
from throttlewright.calibration.signals import CHANNEL_NAMES, CHANNELS, TICK_S
from throttlewright.calibration.table import Table
from throttlewright.foundation.errors import InputError, nearest

__all__ = [
    "AIRFLOW_TABLE",
    "MOST_LIMITS",
    "MOST_MEMORY",
    "MOST_MODES",
    "MOST_POINTS",
    "MOST_REACTIONS",
    "MOST_TABLES",
    "PACKED_DTYPE",
    "Packed",
    "mode_names",
    "pack_calibration",
]

MOST_LIMITS = 96
MOST_REACTIONS = 96
MOST_TABLES = 128
MOST_MODES = 16
MOST_POINTS = 16384
"""Room in a packed calibration, one size for all so that the strategy compiles once; numbers in
all tables together, axes included."""

MOST_MEMORY = p.M_ROWS + p.K_WIDTH * MOST_LIMITS + p.K_REACTION_WIDTH * MOST_REACTIONS
"""Most numbers that the strategy can have to remember."""

Packed: TypeAlias = Any
"""A scalar of ``PACKED_DTYPE``; its fields are typed by that dtype, not by Python annotations."""

# A record, not a tuple of arrays: compiled code counts references to arrays at every call, which
# cost several times as much as the strategy itself.
PACKED_DTYPE = np.dtype(
    [
        ("limits", "i8"),  # how many rows of each are in use
        ("reactions", "i8"),
        ("modes", "i8"),
        ("numbers", "f8", (p.N_NUMBERS,)),
        ("table_rows", "i8", (MOST_TABLES, p.T_WIDTH)),
        ("limit_codes", "i8", (MOST_LIMITS, p.C_WIDTH)),
        ("limit_values", "f8", (MOST_LIMITS, p.L_WIDTH)),
        ("reaction_rows", "f8", (MOST_REACTIONS, p.R_WIDTH)),
        ("mode_rows", "i8", (MOST_MODES, p.MODE_WIDTH)),
        ("tables", "f8", (MOST_POINTS,)),
    ]
)

AIRFLOW_TABLE = "map_over_plate"
"""Most manifold pressure [kPa] over engine speed [rpm] and plate [%], for the airflow check."""

BY_NAME: dict[str, tuple[int, str, tuple[str, ...]]] = {
    AIRFLOW_TABLE: (p.N_AIRFLOW_TABLE, "kPa", ("rpm", "%")),
    # how fast the demand may rise and fall, and through the band without torque
    "opening_rate": (p.N_OPENING_TABLE, "%/s", ("", "rpm")),
    "closing_rate": (p.N_CLOSING_TABLE, "%/s", ("", "rpm")),
    "rate_factor": (p.N_RATE_FACTOR_TABLE, "", ("rpm", "%")),
    "lash_rate": (p.N_LASH_RATE_TABLE, "%/s", ("",)),
    "lash_low": (p.N_LASH_LOW_TABLE, "%", ("rpm",)),
    "lash_high": (p.N_LASH_HIGH_TABLE, "%", ("rpm",)),
    # torque monitor: estimated over pressure, permitted over pedal, and what a floor gives
    "torque_over_pressure": (p.N_MONITOR_PRESSURE_TABLE, "N*m", ("rpm", "kPa")),
    "torque_over_pedal": (p.N_MONITOR_PEDAL_TABLE, "N*m", ("rpm", "%")),
    "torque_over_plate": (p.N_MONITOR_PLATE_TABLE, "N*m", ("rpm", "%")),
}
"""Tables that the strategy reads by name: place, unit, units of the axes."""

_TOGETHER = (
    ("lash_rate", "lash_low", "lash_high"),
    ("torque_over_pressure", "torque_over_pedal", "torque_over_plate"),
)

_DEMAND = "plate_over_pedal_"
_BOOST = "boost_target_"
_NEVER = 1e300
_ROW_NUMBERS = {
    "table": (),
    "model": ("lead_s",),
    "pi": ("setpoint", "kp", "ki", "base", "least", "most"),
    "ramp": ("to",),
    "timed": ("to", "hold_s"),
}
_ANY_ROW = ("after_s", "until_released", "within_s")
"""How long the arm must have held, whether the row then stays until the pedal is released, and how
long it acts at most each time."""
_FLIPPED = ("pedal_1_range", "pedal_2_range", "plate_1_range", "plate_2_range",
            "plate_both_range", "current_missing", "supply_low")  # fmt: skip
_POSITIVE = ("servo_battery_V", "plate_rise_pct_s", "plate_fall_pct_s", "limited_rise_pct_s",
             "slip_least_m_s", "servo_friction_band_pct", "servo_rest_band_pct",
             "boost_spring_kPa", "boost_ambient_kPa", "rev_limit_rpm", "limp_rpm")  # fmt: skip


def mode_names(calibration: Calibration) -> tuple[str, ...]:
    """Return the names of the modes, in the order of the signal ``SIG_MODE``.

    A number ``mode.<name>`` gives the place of a mode; modes without one follow in the order in
    which their tables appear.

    Parameters
    ----------
    calibration : Calibration
        The calibration.

    Returns
    -------
    tuple of str
        Names of the modes.
    """
    found = [name.removeprefix(_DEMAND) for name in calibration.tables if name.startswith(_DEMAND)]

    def place(name: str) -> float:
        number = calibration.numbers.get(f"mode.{name}")
        return math.inf if number is None else number.value

    return tuple(sorted(found, key=place))


def pack_calibration(calibration: Calibration) -> Packed:
    """Return the arrays that the strategy runs on.

    Parameters
    ----------
    calibration : Calibration
        The calibration.

    Returns
    -------
    scalar of PACKED_DTYPE
        Its numbers, tables, limits, reactions and modes.

    Raises
    ------
    InputError
        If a number is missing or out of range, a unit does not match, or there is no demand.
    """
    read = _tables_read(calibration)
    index = {name: row for row, name in enumerate(read)}
    for what, have, room in (
        ("limits", len(calibration.limits), MOST_LIMITS),
        ("reactions", len(calibration.reactions), MOST_REACTIONS),
        ("modes", len(mode_names(calibration)), MOST_MODES),
        ("tables", len(read), MOST_TABLES),
    ):
        if have > room:
            raise InputError("are too many", key=what, value=have, allowed=f"at most {room}")
    packed = np.zeros(1, PACKED_DTYPE)[0]
    packed["numbers"] = _numbers(calibration, index)
    _tables(calibration, read, packed["tables"], packed["table_rows"])
    for row, limit in enumerate(calibration.limits):
        _limit(limit, calibration, index, packed["limit_codes"][row], packed["limit_values"][row])
    judged = {
        name
        for name, place in (
            ("airflow", p.N_AIRFLOW_TABLE),
            ("torque", p.N_MONITOR_PRESSURE_TABLE),
        )
        if packed["numbers"][place] >= 0.0
    }
    for row, reaction in enumerate(calibration.reactions):
        packed["reaction_rows"][row] = _reaction(reaction, judged)
    modes = _modes(calibration, index)
    packed["mode_rows"][: len(modes)] = modes
    packed["limits"] = len(calibration.limits)
    packed["reactions"] = len(calibration.reactions)
    packed["modes"] = len(modes)
    return packed


def _tables_read(calibration: Calibration) -> list[str]:
    """Return the names of the tables that the strategy reads; a file holds others too."""
    used = {limit.table for limit in calibration.limits} | set(BY_NAME)
    used |= {limit.base for limit in calibration.limits}
    return [
        name for name in calibration.tables if name in used or name.startswith((_DEMAND, _BOOST))
    ]


def _numbers(calibration: Calibration, index: dict[str, int]) -> NDArray[np.float64]:
    _check_dotted(calibration)
    numbers = np.zeros(p.N_NUMBERS)
    for place, (name, usual) in enumerate(DEFAULTS.items()):
        given = calibration.numbers.get(name, usual)
        if given.unit != usual.unit:
            raise InputError(
                "is in another unit than the strategy reads",
                key=f"numbers, {name}, unit",
                value=given.unit,
                allowed=usual.unit or "empty",
            )
        strict = name in _POSITIVE
        if given.value < 0.0 or (strict and given.value == 0.0):
            raise InputError(
                "is out of range",
                key=f"numbers, {name}",
                value=given.value,
                allowed="> 0" if strict else ">= 0",
            )
        numbers[place] = given.value
    for track, low, high in (
        ("PEDAL_1", "pedal_1_released_V", "pedal_1_full_V"),
        ("PEDAL_2", "pedal_2_released_V", "pedal_2_full_V"),
        ("PLATE_1", "plate_1_closed_V", "plate_1_open_V"),
        ("PLATE_2", "plate_2_closed_V", "plate_2_open_V"),
    ):
        span = _named(calibration, high) - _named(calibration, low)
        if abs(span) < 0.1:
            raise InputError(
                f"the track must change by at least 0.1 V from {low}", key=f"numbers, {high}"
            )
        numbers[getattr(p, f"N_{track}_GAIN")] = 100.0 / span
        rows = [
            r.limit
            for r in calibration.reactions
            if r.detection == f"{track.lower()}_range" and r.reaction != "note"
        ]
        numbers[getattr(p, f"N_{track}_BAD_V")] = -max(rows) if rows else _NEVER
    numbers[p.N_SLOPE_SHARE] = TICK_S / (TICK_S + numbers[p.N_SLOPE_FILTER_S])
    numbers[p.N_RATE_SHARE] = TICK_S / (TICK_S + numbers[p.N_SERVO_KD_FILTER_S])
    numbers[p.N_BLEND_STEP] = TICK_S / max(TICK_S, numbers[p.N_MODE_BLEND_S])
    numbers[p.N_SELF_TICKS] = max(1.0, round(numbers[p.N_SELF_RECOVERY_S] / TICK_S))
    ticks = numbers[p.N_SUPERVISION_TICKS]
    if ticks != round(ticks) or not 1.0 <= ticks <= 100.0:
        raise InputError(
            "is out of range",
            key="numbers, supervision_ticks",
            value=ticks,
            allowed="a whole number from 1 to 100",
        )
    numbers[p.N_MONITOR_SHARE] = TICK_S / (TICK_S + numbers[p.N_MONITOR_LAG_S])
    for name, (place, unit, axes) in BY_NAME.items():
        numbers[place] = -1.0
        if name in index:
            _expect(calibration.tables[name], unit, axes)
            numbers[place] = float(index[name])
    for names in _TOGETHER:
        missing = [name for name in names if name not in index]
        if 0 < len(missing) < len(names):
            raise InputError(
                "is missing beside the tables it is read with",
                key=f"table {missing[0]}",
                allowed=f"all of {', '.join(names)}, or none",
            )
    return numbers


def _named(calibration: Calibration, name: str) -> float:
    return calibration.numbers.get(name, DEFAULTS[name]).value


def _check_dotted(calibration: Calibration) -> None:
    """Refuse a number of a row that no row reads: a slip of the pen would pass unseen."""
    known = {name for name in DEFAULTS if "." in name}
    known |= {f"mode.{name}" for name in mode_names(calibration)}
    known |= {f"{row.name}.{part}" for row in calibration.limits for part in _parts(row)}
    for name in calibration.numbers:
        if "." in name and name not in known:
            close = nearest(name, sorted(known))
            raise InputError(
                "no row reads this number",
                key=f"numbers, {name}",
                advice=f"did you mean {close!r}?" if close else None,
            )


def _parts(limit: Limit) -> tuple[str, ...]:
    return _ROW_NUMBERS[limit.law] + (_ANY_ROW if limit.arm else ())


def _tables(
    calibration: Calibration,
    names: list[str],
    flat: NDArray[np.float64],
    rows: NDArray[np.int64],
) -> None:
    at = 0
    for k, name in enumerate(names):
        table = calibration.tables[name]
        need = table.values.size + sum(len(axis.values) for axis in table.axes)
        if at + need > len(flat):
            raise InputError(
                "the tables hold too many numbers for the strategy",
                key=f"table {name}",
                allowed=f"{len(flat)} in all tables together",
            )
        for column, axis in zip((p.T_X, p.T_Y), table.axes, strict=False):
            rows[k, column] = at
            rows[k, column + 1] = len(axis.values)
            flat[at : at + len(axis.values)] = axis.values
            at += len(axis.values)
        rows[k, p.T_V] = at
        flat[at : at + table.values.size] = table.values.ravel()
        at += table.values.size


def _expect(table: Table, unit: str, axes: tuple[str, ...]) -> None:
    have = tuple(axis.unit for axis in table.axes)
    if have != axes:
        raise InputError(
            "the units of the axes do not match the channels they are read on",
            key=f"table {table.name}",
            value=", ".join(have),
            allowed=", ".join(word or "none" for word in axes),
        )
    if table.unit != unit:
        raise InputError(
            "the unit does not match what the table is read for",
            key=f"table {table.name}, unit",
            value=table.unit,
            allowed=unit or "empty",
        )


def _unit_of(channel: str) -> str:
    return CHANNELS[CHANNEL_NAMES.index(channel)].unit


def _limit(
    limit: Limit,
    calibration: Calibration,
    index: dict[str, int],
    codes: NDArray[np.int64],
    values: NDArray[np.float64],
) -> None:
    ceiling = limit.side == "ceiling"
    top = OUTPUT_TOP[limit.output]
    codes[p.C_OUTPUT] = OUTPUTS.index(limit.output)
    codes[p.C_CEILING] = int(ceiling)
    codes[p.C_LAW] = LAWS.index(limit.law)
    codes[p.C_X] = CHANNEL_NAMES.index(limit.x) if limit.x else -1
    codes[p.C_Y] = CHANNEL_NAMES.index(limit.y) if limit.y else -1
    codes[p.C_Z] = CHANNEL_NAMES.index(limit.z) if limit.z else -1
    codes[p.C_TABLE] = -1
    if limit.table and limit.law in ("table", "model", "pi"):
        codes[p.C_TABLE] = index[limit.table]
        table = calibration.tables[limit.table]
        read = (limit.y, limit.z) if limit.law == "pi" else (limit.x, limit.y)
        unit = _unit_of(limit.x) if limit.law == "pi" else OUTPUT_UNIT[limit.output]
        _expect(table, unit, tuple(_unit_of(channel) for channel in read if channel))
    codes[p.C_BASE] = codes[p.C_BASE_X] = codes[p.C_BASE_Y] = -1
    if limit.base:
        codes[p.C_BASE] = index[limit.base]
        table = calibration.tables[limit.base]
        for axis in table.axes:
            check_channel(axis.name, f"table {table.name}, axis")
        _expect(table, OUTPUT_UNIT[limit.output], tuple(_unit_of(a.name) for a in table.axes))
        for place, axis in zip((p.C_BASE_X, p.C_BASE_Y), table.axes, strict=False):
            codes[place] = CHANNEL_NAMES.index(axis.name)
    arms = conditions(limit.arm, f"limit {limit.name}, arm")
    codes[p.C_ARMS] = len(arms)
    for k, arm in enumerate(arms):
        sign = 1.0 if arm.op.startswith(">") else -1.0
        codes[p.C_ARM_CHANNEL + k] = CHANNEL_NAMES.index(arm.channel)
        codes[p.C_ARM_EQUAL + k] = int(arm.op.endswith("="))
        values[p.L_ARM_SIGN + k] = sign
        values[p.L_ARM_AT + k] = sign * arm.number
    values[p.L_HYSTERESIS] = limit.hysteresis
    values[p.L_RISE] = min(limit.rise_rate * TICK_S, _NEVER)
    values[p.L_FALL] = min(limit.fall_rate * TICK_S, _NEVER)
    values[p.L_FREE] = top if ceiling else 0.0

    def number(part: str, usual: float | None = None) -> float:
        if (given := calibration.numbers.get(f"{limit.name}.{part}")) is not None:
            return given.value
        if usual is None:
            raise InputError(
                f"the law {limit.law!r} needs this number", key=f"numbers, {limit.name}.{part}"
            )
        return usual

    values[p.L_AFTER_TICKS] = round(number("after_s", 0.0) / TICK_S)
    values[p.L_WITHIN_TICKS] = round(number("within_s", 0.0) / TICK_S)
    values[p.L_UNTIL_RELEASED] = number("until_released", 0.0)
    if limit.law == "model":
        values[p.L_LEAD_S] = number("lead_s")
    elif limit.law == "pi":
        values[p.L_KP] = number("kp")
        values[p.L_KI] = number("ki") * TICK_S
        values[p.L_BASE] = number("base", 0.0)
        values[p.L_LEAST] = number("least", 0.0)
        values[p.L_MOST] = number("most", top)
        values[p.L_SETPOINT] = number("setpoint", 0.0 if limit.table else None)
        if values[p.L_LEAST] > values[p.L_MOST]:
            raise InputError("is above the most", key=f"numbers, {limit.name}.least")
    elif limit.law in ("ramp", "timed"):
        values[p.L_TO] = number("to")
        if limit.law == "timed":
            values[p.L_HOLD_TICKS] = max(0.0, round(number("hold_s") / TICK_S))


def _reaction(reaction: Reaction, judged: set[str]) -> tuple[float, ...]:
    limit = reaction.limit
    ticks = float(max(1, round(reaction.time_s / TICK_S)))
    if reaction.detection in _FLIPPED:
        limit = -limit
    elif reaction.detection == "duty_high":
        limit -= 1e-9
    elif reaction.detection == "watchdog":
        limit, ticks = 0.5, 1.0
    elif reaction.detection == "none" or (
        reaction.detection in ("airflow", "torque") and reaction.detection not in judged
    ):
        limit = _NEVER
    return (
        float(DETECTIONS.index(reaction.detection)),
        float(ACTIONS.index(reaction.reaction)),
        float(RECOVERIES.index(reaction.recovery)),
        limit,
        ticks,
    )


def _modes(calibration: Calibration, index: dict[str, int]) -> NDArray[np.int64]:
    names = mode_names(calibration)
    if not names:
        raise InputError(
            "there is no demand to run on",
            key="tables",
            allowed=f"a table {_DEMAND}MODE over engine speed and pedal",
        )
    modes = np.full((len(names), p.MODE_WIDTH), -1, dtype=np.int64)
    for row, name in enumerate(names):
        _expect(calibration.tables[_DEMAND + name], "%", ("rpm", "%"))
        modes[row, p.MODE_DEMAND] = index[_DEMAND + name]
        if _BOOST + name in index:
            _expect(calibration.tables[_BOOST + name], "kPa", ("rpm", "%"))
            modes[row, p.MODE_BOOST] = index[_BOOST + name]
    for name in calibration.tables:
        if name.startswith(_BOOST) and name.removeprefix(_BOOST) not in names:
            raise InputError("there is no mode of that name", key=f"table {name}")
    return modes
