"""The closed laws by which a limit bounds its output, compiled."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from throttlewright.calibration import places as p
from throttlewright.calibration.lookup import remembered
from throttlewright.calibration.signals import TICK_S
from throttlewright.foundation.compiled import kernel

LAW_TABLE = 0
LAW_PI = 1
LAW_RAMP = 2
LAW_TIMED = 3
LAW_MODEL = 4


@kernel
def armed_now(
    row: int,
    was_armed: float,
    cal: Any,
    memory: NDArray[np.float64],
) -> bool:
    """Return whether all conditions of a row hold; the first lets go only beyond its hysteresis."""
    codes = cal["limit_codes"]
    values = cal["limit_values"]
    for k in range(codes[row, p.C_ARMS]):
        here = memory[p.M_CHANNELS + codes[row, p.C_ARM_CHANNEL + k]]
        over = values[row, p.L_ARM_SIGN + k] * here - values[row, p.L_ARM_AT + k]
        if k == 0 and was_armed > 0.5:
            over += values[row, p.L_HYSTERESIS]
        if not (over > 0.0 or (over == 0.0 and codes[row, p.C_ARM_EQUAL + k] == 1)):
            return False
    return True


@kernel
def _armed_lastingly(
    row: int,
    at: int,
    was_armed: float,
    cal: Any,
    memory: NDArray[np.float64],
) -> bool:
    """Return whether a row acts: its arm has held long enough, or the pedal was not released."""
    values = cal["limit_values"]
    after = values[row, p.L_AFTER_TICKS]
    held = was_armed
    if after > 0.0:
        held = memory[at + p.K_LASTED]
    elif values[row, p.L_WITHIN_TICKS] > 0.0:
        held = memory[at + p.K_ACTED]
    armed = armed_now(row, held, cal, memory)
    if after > 0.0:
        lasted = min(held + 1.0, after) if armed else 0.0
        memory[at + p.K_LASTED] = lasted
        armed = lasted >= after
    if was_armed > 0.5 and values[row, p.L_UNTIL_RELEASED] > 0.5:
        # the driver's own pedal: one that a reaction took away does not let go
        armed = armed or memory[p.M_PEDAL_UP] < 0.5
    within = values[row, p.L_WITHIN_TICKS]
    if within > 0.0:
        # it has to let go before it may act again
        acted = min(memory[at + p.K_ACTED] + 1.0, within + 1.0) if armed else 0.0
        memory[at + p.K_ACTED] = acted
        armed = armed and acted <= within
    return armed


@kernel
def bound_now(
    row: int,
    at: int,
    output_now: float,
    fresh: bool,
    cal: Any,
    memory: NDArray[np.float64],
) -> float:
    """Return the bound of a row in this tick, in the unit of its output; memory from ``at`` on."""
    channels = p.M_CHANNELS
    codes = cal["limit_codes"]
    values = cal["limit_values"]
    was_armed = memory[at + p.K_ARMED]
    armed = _armed_lastingly(row, at, was_armed, cal, memory)
    law = codes[row, p.C_LAW]
    free = values[row, p.L_FREE]
    table = codes[row, p.C_TABLE]
    x = 0.0
    if codes[row, p.C_X] >= 0:
        x = memory[channels + codes[row, p.C_X]]
    y = 0.0
    if codes[row, p.C_Y] >= 0:
        y = memory[channels + codes[row, p.C_Y]]
    raw = free
    if law == LAW_TABLE:
        if armed:
            raw = remembered(x, y, table, cal, memory, at + p.K_I)
    elif law == LAW_MODEL:
        # The slope is followed while the row sleeps too, so that it is ready on waking.
        slope = memory[at + p.K_SLOPE]
        if not fresh:
            slope += cal["numbers"][p.N_SLOPE_SHARE] * (
                (x - memory[at + p.K_X_BEFORE]) / TICK_S - slope
            )
        memory[at + p.K_X_BEFORE] = x
        memory[at + p.K_SLOPE] = slope
        if armed:
            ahead = x + values[row, p.L_LEAD_S] * slope
            raw = remembered(ahead, y, table, cal, memory, at + p.K_I)
    elif law == LAW_PI:
        if armed:
            setpoint = values[row, p.L_SETPOINT]
            if table >= 0:
                z = 0.0
                if codes[row, p.C_Z] >= 0:
                    z = memory[channels + codes[row, p.C_Z]]
                setpoint = remembered(y, z, table, cal, memory, at + p.K_I)
            raw = _pi(row, at, setpoint - x, output_now, was_armed, cal, memory)
    elif law == LAW_RAMP:
        if armed:
            raw = values[row, p.L_TO]
    else:
        if armed and was_armed < 0.5:
            memory[at + p.K_HOLD] = values[row, p.L_HOLD_TICKS]
        if memory[at + p.K_HOLD] > 0.0:
            memory[at + p.K_HOLD] -= 1.0
            raw = values[row, p.L_TO]
    memory[at + p.K_ARMED] = 1.0 if armed else 0.0
    if fresh:
        # A ramp starts from no bound; every other row knows its bound at once.
        bound = free if law == LAW_RAMP else raw
    else:
        before = memory[at + p.K_BOUND]
        latches = values[row, p.L_UNTIL_RELEASED] > 0.5
        if latches and armed and was_armed < 0.5 and codes[row, p.C_CEILING] == 1:
            # its falling rate counts from where the output is, not from no bound at all
            before = min(before, output_now)
        bound = min(max(raw, before - values[row, p.L_FALL]), before + values[row, p.L_RISE])
    memory[at + p.K_BOUND] = bound
    return float(bound)


@kernel
def _pi(
    row: int,
    at: int,
    error: float,
    output_now: float,
    was_armed: float,
    cal: Any,
    memory: NDArray[np.float64],
) -> float:
    """Return base + kp e + integral in its range; at an end the integral goes no further out."""
    codes = cal["limit_codes"]
    values = cal["limit_values"]
    least = values[row, p.L_LEAST]
    most = values[row, p.L_MOST]
    base = values[row, p.L_BASE]
    table = codes[row, p.C_BASE]
    if table >= 0:
        u = memory[p.M_CHANNELS + codes[row, p.C_BASE_X]]
        v = 0.0
        if codes[row, p.C_BASE_Y] >= 0:
            v = memory[p.M_CHANNELS + codes[row, p.C_BASE_Y]]
        base = remembered(u, v, table, cal, memory, at + p.K_BASE_I)
    steady = base + values[row, p.L_KP] * error
    if was_armed < 0.5:
        # A ceiling takes over from where the output is; a floor, and a ceiling that knows its base
        # from a table, acts from that.
        integral = output_now - steady if codes[row, p.C_CEILING] == 1 and table < 0 else 0.0
    else:
        integral = memory[at + p.K_INTEGRAL]
        step = values[row, p.L_KI] * error
        bound = steady + integral
        if (step > 0.0 and bound < most) or (step < 0.0 and bound > least):
            integral += step
    memory[at + p.K_INTEGRAL] = integral
    return float(min(max(steady + integral, least), most))
