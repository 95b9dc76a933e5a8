"""The strategy: from signals and a packed calibration to plate, ignition, fuel and wastegate.

One tick is 1 ms. Nothing here knows a role by name: rows of the calibration bound the outputs, a
ceiling always beats a floor, and rows of reactions answer faults. All it remembers is in one
array, so that n and then m ticks equal n + m ticks bit for bit.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from throttlewright.calibration import places as p
from throttlewright.calibration import signals as s
from throttlewright.calibration.demand_kernel import shaped_demand, wastegate_bleed
from throttlewright.calibration.laws import bound_now
from throttlewright.calibration.pack import Packed
from throttlewright.calibration.readings_kernel import read_pedal, read_plate, write_channels
from throttlewright.calibration.servo_kernel import servo_duty
from throttlewright.foundation.compiled import kernel

__all__ = ["clear_memory", "control", "memory_size", "restart_memory", "start_memory"]

UNBOUNDED = 1e30


def memory_size(cal: Packed) -> int:
    """Return how many numbers the strategy remembers.

    Parameters
    ----------
    cal : Packed
        The packed calibration.

    Returns
    -------
    int
        Length of the memory array.
    """
    return p.M_ROWS + p.K_WIDTH * int(cal["limits"]) + p.K_REACTION_WIDTH * int(cal["reactions"])


def start_memory(cal: Packed) -> NDArray[np.float64]:
    """Return the memory of a controller whose key has just been turned on.

    Parameters
    ----------
    cal : Packed
        The packed calibration.

    Returns
    -------
    ndarray of shape (memory_size(cal),) [each its own]
        Fresh memory.
    """
    memory = np.zeros(memory_size(cal))
    clear_memory(memory)
    return memory


@kernel
def clear_memory(memory: NDArray[np.float64]) -> None:
    """Forget everything, as the key does.

    Parameters
    ----------
    memory : ndarray of shape (n,) [each its own]
        Memory of the strategy; written.

    Notes
    -----
    No equation and no source: a definition of this program.
    """
    memory[:] = 0.0
    memory[p.M_FRESH] = 1.0
    memory[p.M_PEDAL_CAP] = 100.0
    memory[p.M_PEDAL_LIMIT] = 100.0
    memory[p.M_MODE_SHARE] = 1.0


@kernel
def restart_memory(memory: NDArray[np.float64]) -> None:
    """Forget everything, as an unwanted restart does; the first tick finds that it happened.

    Parameters
    ----------
    memory : ndarray of shape (n,) [each its own]
        Memory of the strategy; written.

    Notes
    -----
    No equation and no source: a definition of this program. Controllers keep the cause of a
    restart in a register that survives it.
    """
    clear_memory(memory)
    memory[p.M_RESTARTED] = 1.0


@kernel
def control(
    signals: NDArray[np.float64],
    cal: Packed,
    memory: NDArray[np.float64],
    out: NDArray[np.float64],
) -> None:
    """Run one tick of 1 ms: read the signals, write the outputs.

    ``plate = min(ceilings, max(demand, floors))``, retard and wastegate alike; a ceiling of the
    fuel cut lifts only the cut on the overrun.

    Parameters
    ----------
    signals : ndarray of shape (N_SIGNALS,) [each its own]
        What the controller measures, by ``SIG_*``; finite.
    cal : Packed
        The packed calibration.
    memory : ndarray of shape (memory_size(cal),) [each its own]
        All that is remembered; written.
    out : ndarray of shape (N_OUT,) [each its own]
        Outputs by ``OUT_*``; written.

    Notes
    -----
    Definition of this program's strategy; no source.
    """
    numbers = cal["numbers"]
    plate_1 = (signals[s.SIG_PLATE_1_V] - numbers[p.N_PLATE_1_CLOSED_V]) * numbers[p.N_PLATE_1_GAIN]
    plate_2 = (signals[s.SIG_PLATE_2_V] - numbers[p.N_PLATE_2_CLOSED_V]) * numbers[p.N_PLATE_2_GAIN]
    if signals[s.SIG_KEY] < 0.5:
        if memory[p.M_FRESH] < 0.5:
            clear_memory(memory)
        out[:] = 0.0
        out[s.OUT_BRIDGE] = s.BRIDGE_OFF
        out[s.OUT_FUEL_CUT] = 1.0
        out[s.OUT_PLATE_PCT] = 0.5 * (plate_1 + plate_2)
        return
    fresh = memory[p.M_FRESH] > 0.5
    known = read_plate(signals, cal, plate_1, plate_2, memory)
    plate = memory[p.M_PLATE]
    pedal = read_pedal(signals, cal, plate_1, plate_2, known, memory)
    write_channels(signals, cal, pedal, plate, memory)
    demand, let_through = shaped_demand(signals, cal, memory)
    _rows(cal, fresh, memory)

    wanted, by = _arbitrated(let_through, 0, memory)
    if by == 0 and memory[p.M_PEDAL_CAP] < 100.0 and memory[p.M_PEDAL_USED] < pedal:
        by = -int(memory[p.M_PEDAL_ROW])
    cut = memory[p.M_CUT_ROW] > 0.5
    memory[p.M_CUT] = 1.0 if cut else 0.0
    if cut:
        # The target waits where the plate is, so that nothing jumps when the cut ends.
        target = min(max(plate, 0.0), 100.0)
        duty = 0.0
        memory[p.M_INTEGRAL] = 0.0
        by = -int(memory[p.M_CUT_ROW])
    else:
        before = min(max(plate, 0.0), 100.0) if fresh else memory[p.M_TARGET]
        rise = before + numbers[p.N_PLATE_RISE_PCT_S] * s.TICK_S
        fall = before - numbers[p.N_PLATE_FALL_PCT_S] * s.TICK_S
        target = min(min(max(wanted, fall), rise), memory[p.M_CEILING])
        target = min(max(target, numbers[p.N_LEAST_TARGET_PCT]), 100.0)
        rate = memory[p.M_PLATE_RATE]
        duty = servo_duty(target, plate, rate, signals[s.SIG_BATTERY_V], cal, memory)
    memory[p.M_TARGET] = target
    memory[p.M_DUTY] = duty

    retard, by_retard = _arbitrated(0.0, 1, memory)
    memory[p.M_RETARD] = retard
    by_fuel = _fuel(signals[s.SIG_ENGINE_RPM], cal, memory)
    bleed, by_bleed = _arbitrated(wastegate_bleed(signals, cal, memory), 3, memory)
    memory[p.M_BLEED] = bleed
    memory[p.M_FRESH] = 0.0
    memory[p.M_WAIT] -= 1.0

    out[s.OUT_PWM] = duty
    out[s.OUT_BRIDGE] = s.BRIDGE_OFF if cut else s.BRIDGE_DRIVEN
    out[s.OUT_RELAY] = 0.0 if cut else 1.0
    out[s.OUT_RETARD] = retard
    out[s.OUT_FUEL_CUT] = memory[p.M_FUEL]
    out[s.OUT_BLEED] = bleed
    out[s.OUT_DEMAND_PCT] = demand
    out[s.OUT_TARGET_PCT] = target
    out[s.OUT_PLATE_PCT] = plate
    out[s.OUT_PEDAL_PCT] = memory[p.M_PEDAL_USED]
    out[s.OUT_CHARGE_PLATE] = by
    out[s.OUT_CHARGE_RETARD] = by_retard
    out[s.OUT_CHARGE_FUEL] = by_fuel
    out[s.OUT_CHARGE_WASTEGATE] = by_bleed
    out[s.OUT_ACTION] = memory[p.M_ACTIONS]
    out[s.OUT_DETECTED] = memory[p.M_DETECTED]


@kernel
def _rows(cal: Packed, fresh: bool, memory: NDArray[np.float64]) -> None:
    """Find the highest floor and the lowest ceiling of each output, and whose they are."""
    for output in range(4):
        memory[p.M_FLOOR + output] = 0.0
        memory[p.M_FLOOR_ROW + output] = 0.0
        memory[p.M_CEILING + output] = UNBOUNDED
        memory[p.M_CEILING_ROW + output] = 0.0
    codes = cal["limit_codes"]
    for row in range(int(cal["limits"])):
        output = codes[row, p.C_OUTPUT]
        if output == 0:
            now = memory[p.M_TARGET]
        elif output == 1:
            now = memory[p.M_RETARD]
        elif output == 2:
            now = memory[p.M_FUEL]
        else:
            now = memory[p.M_BLEED]
        bound = bound_now(
            row, p.M_ROWS + row * p.K_WIDTH, now, fresh, cal, memory)  # fmt: skip
        if codes[row, p.C_CEILING] == 1:
            if bound < memory[p.M_CEILING + output]:
                memory[p.M_CEILING + output] = bound
                memory[p.M_CEILING_ROW + output] = row + 1.0
        elif bound > memory[p.M_FLOOR + output]:
            memory[p.M_FLOOR + output] = bound
            memory[p.M_FLOOR_ROW + output] = row + 1.0


@kernel
def _arbitrated(demand: float, output: int, memory: NDArray[np.float64]) -> tuple[float, int]:
    """Return min(ceiling, max(demand, floor)) and the row that decides, 0 for the demand."""
    value = demand
    by = 0
    if memory[p.M_FLOOR + output] > value:
        value = memory[p.M_FLOOR + output]
        by = int(memory[p.M_FLOOR_ROW + output])
    if memory[p.M_CEILING + output] < value:
        value = memory[p.M_CEILING + output]
        by = int(memory[p.M_CEILING_ROW + output])
    return value, by


@kernel
def _fuel(engine: float, cal: Packed, memory: NDArray[np.float64]) -> int:
    """Set the share of cylinders without fuel; return the row that decides."""
    numbers = cal["numbers"]
    band = numbers[p.N_REV_HYSTERESIS_RPM]
    most = numbers[p.N_REV_LIMIT_RPM]
    if engine > most:
        memory[p.M_REV_CUT] = 1.0
    elif engine < most - band:
        memory[p.M_REV_CUT] = 0.0
    above = numbers[p.N_OVERRUN_FUEL_CUT_ABOVE_RPM]
    released = memory[p.M_RELEASED_S]
    if released == 0.0 or engine < numbers[p.N_RESUME_RPM]:
        memory[p.M_OVERRUN_CUT] = 0.0
    elif above > 0.0 and engine > above and released >= numbers[p.N_OVERRUN_DELAY_S]:
        memory[p.M_OVERRUN_CUT] = 1.0
    # a ceiling of a row lifts the cut on the overrun, and no more: a cut that protects, the rev
    # limit and reactions do not give way to it
    fuel = max(memory[p.M_REV_CUT], memory[p.M_OVERRUN_CUT])
    by = 0
    if memory[p.M_CEILING + 2] < fuel:
        fuel = memory[p.M_CEILING + 2]
        by = int(memory[p.M_CEILING_ROW + 2])
    if memory[p.M_FLOOR + 2] > fuel:
        fuel = memory[p.M_FLOOR + 2]
        by = int(memory[p.M_FLOOR_ROW + 2])
    if memory[p.M_REV_CUT] > 0.5:
        fuel = 1.0
        by = 0
    # with the foot off, a fault leaves no more than idle needs
    limp = numbers[p.N_LIMP_RPM]
    if memory[p.M_PEDAL_UP] > 0.5:
        limp = min(limp, numbers[p.N_RESUME_RPM])
    if engine > limp:
        memory[p.M_FUEL_CUT_SPEED] = 1.0
    elif engine < limp - band:
        memory[p.M_FUEL_CUT_SPEED] = 0.0
    action = memory[p.M_FUEL_ACTION]
    if action > 1.5 or (action > 0.5 and memory[p.M_FUEL_CUT_SPEED] > 0.5):
        fuel = 1.0
        by = -int(memory[p.M_FUEL_ROW])
    memory[p.M_FUEL] = fuel
    return by
