"""From signals to the plate, the pedal and the channels that rows read."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from throttlewright.calibration import places as p
from throttlewright.calibration import signals as s
from throttlewright.calibration.pack import Packed
from throttlewright.calibration.supervision import judge_faults, rail_margin, take_measures
from throttlewright.foundation.compiled import kernel

__all__ = ["read_pedal", "read_plate", "write_channels"]

ENGINE_RUNS_RPM = 400.0
PEDAL_HYSTERESIS_PCT = 1.0
"""A released pedal counts as pressed again this far above its threshold: noise at the threshold
would switch fuel and faults on and off."""


@kernel
def read_plate(
    signals: NDArray[np.float64],
    cal: Packed,
    plate_1: float,
    plate_2: float,
    memory: NDArray[np.float64],
) -> bool:
    """Find the plate from the tracks that can be trusted; return whether there is one.

    A track out of range is left out at once, not only when its fault is confirmed: in between,
    the mean of a good and a dead track would drive the plate to twice its target.

    Parameters
    ----------
    signals : ndarray of shape (N_SIGNALS,) [each its own]
        What the controller measures, by ``SIG_*``; finite.
    cal : Packed
        The packed calibration.
    plate_1, plate_2 : float [%]
        Plate by each track, as its voltage gives it.
    memory : ndarray of shape (memory_size(cal),) [each its own]
        All that is remembered; written.

    Returns
    -------
    bool
        False where no track can be trusted; the plate then stays where it was last known.

    Notes
    -----
    Definition of this program's strategy; no source.
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
def read_pedal(
    signals: NDArray[np.float64],
    cal: Packed,
    plate_1: float,
    plate_2: float,
    plate_known: bool,
    memory: NDArray[np.float64],
) -> float:
    """Watch for faults, set the pedal that is used, and return the pedal before reactions.

    Parameters
    ----------
    signals : ndarray of shape (N_SIGNALS,) [each its own]
        What the controller measures, by ``SIG_*``; finite.
    cal : Packed
        The packed calibration.
    plate_1, plate_2 : float [%]
        Plate by each track, as its voltage gives it.
    plate_known : bool
        Whether a track of the plate can be trusted.
    memory : ndarray of shape (memory_size(cal),) [each its own]
        All that is remembered; written.

    Returns
    -------
    float [%]
        The smaller of the tracks that can be trusted, from 0 to 100; 0 where none can.

    Notes
    -----
    Definition of this program's strategy; no source.
    """
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
def write_channels(
    signals: NDArray[np.float64],
    cal: Packed,
    pedal: float,
    plate: float,
    memory: NDArray[np.float64],
) -> None:
    """Write the channels that rows read.

    Parameters
    ----------
    signals : ndarray of shape (N_SIGNALS,) [each its own]
        What the controller measures, by ``SIG_*``; finite.
    cal : Packed
        The packed calibration.
    pedal : float [%]
        Pedal before reactions; the channel takes the pedal that is used, from ``memory``.
    plate : float [%]
        Plate between its stops.
    memory : ndarray of shape (memory_size(cal),) [each its own]
        All that is remembered; written.

    Notes
    -----
    Definition of this program's strategy; no source.
    """
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
    memory[at + s.CH_OIL_DEGC] = signals[s.SIG_OIL_DEGC]
    memory[at + s.CH_OIL_KPA] = signals[s.SIG_OIL_KPA]
    memory[at + s.CH_INTAKE_DEGC] = signals[s.SIG_INTAKE_DEGC]
    memory[at + s.CH_EXHAUST_DEGC] = signals[s.SIG_EXHAUST_DEGC]
    memory[at + s.CH_MIXTURE] = signals[s.SIG_MIXTURE]
    memory[at + s.CH_FUEL_PRESSURE_PCT] = signals[s.SIG_FUEL_PRESSURE_PCT]
    memory[at + s.CH_ETHANOL_PCT] = signals[s.SIG_ETHANOL_PCT]
    memory[at + s.CH_PIT] = signals[s.SIG_PIT]
    memory[at + s.CH_ARM] = signals[s.SIG_ARM]
    memory[at + s.CH_SHIFT] = signals[s.SIG_SHIFT]
    memory[at + s.CH_DRIVEN_M_S] = signals[s.SIG_DRIVEN_M_S]
    memory[at + s.CH_KNOWN_LOAD_NM] = signals[s.SIG_KNOWN_LOAD_NM]
    memory[at + s.CH_ENGINE_SLOPE] = _slope(engine, p.M_RPM, p.M_RPM_SLOPE, share, memory)
