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
from throttlewright.calibration.laws import bound_now
from throttlewright.calibration.lookup import remembered
from throttlewright.calibration.pack import Packed
from throttlewright.calibration.servo_kernel import servo_duty
from throttlewright.calibration.supervision import judge_faults, rail_margin, take_measures
from throttlewright.foundation.compiled import kernel

__all__ = ["clear_memory", "control", "memory_size", "restart_memory", "start_memory"]

ENGINE_RUNS_RPM = 400.0
PEDAL_HYSTERESIS_PCT = 1.0
"""A released pedal counts as pressed again this far above its threshold: noise at the threshold
would switch fuel and faults on and off."""
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

    ``plate = min(ceilings, max(demand, floors))``; retard and fuel cut are the largest floor under
    the lowest ceiling.

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
    known = _plate(signals, cal, plate_1, plate_2, memory)
    plate = memory[p.M_PLATE]
    pedal = _pedal(signals, cal, plate_1, plate_2, known, memory)
    _channels(signals, cal, pedal, plate, memory)
    demand = _demand(signals, cal, memory)
    _rows(cal, fresh, memory)

    wanted, by = _arbitrated(demand, 0, memory)
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
    bleed, by_bleed = _arbitrated(_bleed(signals, cal, memory), 3, memory)
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
def _plate(
    signals: NDArray[np.float64],
    cal: Packed,
    plate_1: float,
    plate_2: float,
    memory: NDArray[np.float64],
) -> bool:
    """Find the plate from the tracks that can be trusted; return whether there is one.

    A track out of range is left out at once, not only when its fault is confirmed: in between,
    the mean of a good and a dead track would drive the plate to twice its target.
    """
    numbers = cal["numbers"]
    use_1 = (
        memory[p.M_PLATE_1_LOST] < 0.5
        and -rail_margin(signals[s.SIG_PLATE_1_V]) <= numbers[p.N_PLATE_1_BAD_V]
    )
    use_2 = (
        memory[p.M_PLATE_2_LOST] < 0.5
        and -rail_margin(signals[s.SIG_PLATE_2_V]) <= numbers[p.N_PLATE_2_BAD_V]
    )
    before = memory[p.M_PLATE]
    plate = before
    if use_1 and use_2:
        plate = 0.5 * (plate_1 + plate_2)
    elif use_1:
        plate = plate_1
    elif use_2:
        plate = plate_2
    if memory[p.M_FRESH] < 0.5:
        rate = (plate - before) / s.TICK_S
        memory[p.M_PLATE_RATE] += numbers[p.N_RATE_SHARE] * (rate - memory[p.M_PLATE_RATE])
    memory[p.M_PLATE] = plate
    return bool(use_1 or use_2)


@kernel
def _pedal(
    signals: NDArray[np.float64],
    cal: Packed,
    plate_1: float,
    plate_2: float,
    plate_known: bool,
    memory: NDArray[np.float64],
) -> float:
    """Watch for faults, set the pedal that is used, and return the pedal before reactions."""
    numbers = cal["numbers"]
    pedal_1 = (signals[s.SIG_PEDAL_1_V] - numbers[p.N_PEDAL_1_RELEASED_V]) * numbers[
        p.N_PEDAL_1_GAIN
    ]
    pedal_2 = (signals[s.SIG_PEDAL_2_V] - numbers[p.N_PEDAL_2_RELEASED_V]) * numbers[
        p.N_PEDAL_2_GAIN
    ]
    # a track that leaves its range is left out in that tick, not only once its fault is confirmed:
    # a contact that comes and goes would make the car buck
    out_1 = -rail_margin(signals[s.SIG_PEDAL_1_V]) > numbers[p.N_PEDAL_1_BAD_V]
    out_2 = -rail_margin(signals[s.SIG_PEDAL_2_V]) > numbers[p.N_PEDAL_2_BAD_V]
    pedal = _least_pedal(pedal_1, pedal_2, out_1, out_2, memory)
    edge = numbers[p.N_PEDAL_RELEASED_PCT]
    if pedal < edge:
        memory[p.M_PEDAL_UP] = 1.0
    elif pedal > edge + PEDAL_HYSTERESIS_PCT:
        memory[p.M_PEDAL_UP] = 0.0
    if memory[p.M_WAIT] < 0.5:
        memory[p.M_WAIT] = numbers[p.N_SUPERVISION_TICKS]
        take_measures(
            signals, cal,
            pedal_1, pedal_2, pedal, plate_1, plate_2, plate_known, memory,
        )  # fmt: skip
        released = memory[p.M_PEDAL_UP] > 0.5
        first = p.M_ROWS + p.K_WIDTH * int(cal["limits"])
        judge_faults(cal, released, first, memory)
        pedal = _least_pedal(pedal_1, pedal_2, out_1, out_2, memory)
    memory[p.M_PEDAL_ASKED] = pedal
    used = pedal
    limit = memory[p.M_PEDAL_LIMIT]
    cap = memory[p.M_PEDAL_CAP]
    if limit < 100.0 or cap < 100.0:
        step = numbers[p.N_LIMITED_RISE_PCT_S] * s.TICK_S
        cap = min(limit, cap + step)
        used = min(min(pedal, cap), memory[p.M_PEDAL_USED] + step)
        memory[p.M_PEDAL_CAP] = cap
    memory[p.M_PEDAL_USED] = used
    return pedal


@kernel
def _least_pedal(
    pedal_1: float,
    pedal_2: float,
    out_1: bool,
    out_2: bool,
    memory: NDArray[np.float64],
) -> float:
    """Return the smaller of the tracks that are not lost, 0 to 100 %; 0 when both are."""
    use_1 = memory[p.M_PEDAL_1_LOST] < 0.5 and not out_1
    use_2 = memory[p.M_PEDAL_2_LOST] < 0.5 and not out_2
    pedal = 0.0
    if use_1 and use_2:
        pedal = min(pedal_1, pedal_2)
    elif use_1:
        pedal = pedal_1
    elif use_2:
        pedal = pedal_2
    return min(max(pedal, 0.0), 100.0)


@kernel
def _slope(
    value: float, before: int, slope: int, share: float, memory: NDArray[np.float64]
) -> float:
    """Return the filtered slope of a value, 0 in the first tick."""
    if memory[p.M_FRESH] < 0.5:
        memory[slope] += share * ((value - memory[before]) / s.TICK_S - memory[slope])
    memory[before] = value
    return float(memory[slope])


@kernel
def _channels(
    signals: NDArray[np.float64],
    cal: Packed,
    pedal: float,
    plate: float,
    memory: NDArray[np.float64],
) -> None:
    """Write the channels that rows read."""
    numbers = cal["numbers"]
    at = p.M_CHANNELS
    share = numbers[p.N_SLOPE_SHARE]
    engine = signals[s.SIG_ENGINE_RPM]
    if memory[p.M_SINCE_START_S] > 0.0 or engine > ENGINE_RUNS_RPM:
        memory[p.M_SINCE_START_S] += s.TICK_S
    used = memory[p.M_PEDAL_USED]
    edge = numbers[p.N_PEDAL_RELEASED_PCT]
    if memory[p.M_RELEASED_S] > 0.0:
        edge += PEDAL_HYSTERESIS_PCT
    if used < edge:
        memory[p.M_RELEASED_S] += s.TICK_S
    else:
        memory[p.M_RELEASED_S] = 0.0
    free = signals[s.SIG_FREE_M_S]
    pressure = signals[s.SIG_MAP_KPA]
    pipe = signals[s.SIG_PIPE_KPA]
    memory[at + s.CH_PEDAL_PCT] = used
    memory[at + s.CH_PLATE_PCT] = plate
    memory[at + s.CH_PLATE_TARGET_PCT] = memory[p.M_TARGET]
    memory[at + s.CH_ENGINE_RPM] = engine
    memory[at + s.CH_MAP_KPA] = pressure
    memory[at + s.CH_MAP_SLOPE] = _slope(pressure, p.M_MAP, p.M_MAP_SLOPE, share, memory)
    memory[at + s.CH_PIPE_KPA] = pipe
    memory[at + s.CH_PIPE_SLOPE] = _slope(pipe, p.M_PIPE, p.M_PIPE_SLOPE, share, memory)
    memory[at + s.CH_COOLANT_DEGC] = signals[s.SIG_COOLANT_DEGC]
    memory[at + s.CH_SPEED_M_S] = free
    least = numbers[p.N_SLIP_LEAST_M_S]
    memory[at + s.CH_SLIP] = (signals[s.SIG_DRIVEN_M_S] - free) / max(free, least)
    memory[at + s.CH_GEAR] = signals[s.SIG_GEAR]
    memory[at + s.CH_MODE] = signals[s.SIG_MODE]
    memory[at + s.CH_SINCE_START_S] = memory[p.M_SINCE_START_S]
    memory[at + s.CH_BRAKE] = signals[s.SIG_BRAKE]
    memory[at + s.CH_CLUTCH] = signals[s.SIG_CLUTCH]
    memory[at + s.CH_BATTERY_V] = signals[s.SIG_BATTERY_V]
    memory[at + s.CH_RELEASED_S] = memory[p.M_RELEASED_S]
    memory[at + s.CH_ENGINE_SLOPE] = _slope(engine, p.M_RPM, p.M_RPM_SLOPE, share, memory)


@kernel
def _demand(signals: NDArray[np.float64], cal: Packed, memory: NDArray[np.float64]) -> float:
    """Return the plate that the pedal asks for; a new mode is blended in, never switched."""
    asked = float(min(max(int(signals[s.SIG_MODE] + 0.5), 0), int(cal["modes"]) - 1))
    if memory[p.M_FRESH] > 0.5:
        memory[p.M_MODE] = asked
        memory[p.M_MODE_FROM] = asked
    share = memory[p.M_MODE_SHARE]
    if share >= 1.0:
        if asked != memory[p.M_MODE]:
            memory[p.M_MODE_FROM] = memory[p.M_MODE]
            memory[p.M_MODE] = asked
            share = 0.0
    elif asked == memory[p.M_MODE_FROM]:
        # Turned back half-way; a third mode waits until this blend is over.
        memory[p.M_MODE_FROM] = memory[p.M_MODE]
        memory[p.M_MODE] = asked
        share = 1.0 - share
    if share < 1.0:
        share = min(share + cal["numbers"][p.N_BLEND_STEP], 1.0)
        memory[p.M_MODE_SHARE] = share
    engine = signals[s.SIG_ENGINE_RPM]
    pedal = memory[p.M_PEDAL_USED]
    table = cal["mode_rows"][int(memory[p.M_MODE]), p.MODE_DEMAND]
    demand = remembered(engine, pedal, table, cal, memory, p.M_DEMAND_I)
    if share < 1.0:
        table = cal["mode_rows"][int(memory[p.M_MODE_FROM]), p.MODE_DEMAND]
        old = remembered(engine, pedal, table, cal, memory, p.M_DEMAND_FROM_I)
        demand = share * demand + (1.0 - share) * old
    return demand


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
    own = max(memory[p.M_REV_CUT], memory[p.M_OVERRUN_CUT])
    fuel, by = _arbitrated(own, 2, memory)
    # Neither the rev limit nor a reaction gives way to a ceiling of a row.
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


@kernel
def _target_boost(
    mode: int, at: int, signals: NDArray[np.float64], cal: Packed, memory: NDArray[np.float64]
) -> float:
    """Return the pressure a mode asks for before the plate, kPa; the spring's without a table."""
    spring: float = cal["numbers"][p.N_BOOST_AMBIENT_KPA] + cal["numbers"][p.N_BOOST_SPRING_KPA]
    table = cal["mode_rows"][mode, p.MODE_BOOST]
    if table < 0:
        return spring
    engine = signals[s.SIG_ENGINE_RPM]
    pedal = memory[p.M_PEDAL_USED]
    return remembered(engine, pedal, table, cal, memory, at)


@kernel
def _bleed(signals: NDArray[np.float64], cal: Packed, memory: NDArray[np.float64]) -> float:
    """Return the share of the pressure signal to keep from the wastegate, %."""
    numbers = cal["numbers"]
    mode = int(memory[p.M_MODE])
    share = memory[p.M_MODE_SHARE]
    if cal["mode_rows"][mode, p.MODE_BOOST] < 0 and share >= 1.0:
        memory[p.M_BOOST_INTEGRAL] = 0.0
        return 0.0
    target = _target_boost(mode, p.M_BOOST_I, signals, cal, memory)
    if share < 1.0:
        old = _target_boost(int(memory[p.M_MODE_FROM]), p.M_BOOST_FROM_I, signals, cal, memory)
        target = share * target + (1.0 - share) * old
    gauge = target - numbers[p.N_BOOST_AMBIENT_KPA]
    if gauge <= numbers[p.N_BOOST_SPRING_KPA]:
        memory[p.M_BOOST_INTEGRAL] = 0.0
        return 0.0
    # ahead along the slope by the time the valve takes
    pipe = signals[s.SIG_PIPE_KPA] + numbers[p.N_BOOST_LEAD_S] * memory[p.M_PIPE_SLOPE]
    error = target - pipe
    steady = 100.0 * (1.0 - numbers[p.N_BOOST_SPRING_KPA] / gauge) + numbers[p.N_BOOST_KP] * error
    integral = memory[p.M_BOOST_INTEGRAL]
    if abs(error) < numbers[p.N_BOOST_INTEGRAL_BAND_KPA]:
        # Far from the target, while the turbo still gathers speed, it would only wind up.
        integral += numbers[p.N_BOOST_KI] * error * s.TICK_S
        integral = min(max(integral, -steady), 100.0 - steady)
        memory[p.M_BOOST_INTEGRAL] = integral
    return float(min(max(steady + integral, 0.0), 100.0))
