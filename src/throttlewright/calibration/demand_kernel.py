"""From the pedal to the plate and the boost it asks for."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from throttlewright.calibration import places as p
from throttlewright.calibration import signals as s
from throttlewright.calibration.lookup import remembered
from throttlewright.calibration.pack import Packed
from throttlewright.foundation.compiled import kernel

__all__ = ["shaped_demand", "wastegate_bleed"]

UNBOUNDED = 1e30


@kernel
def _asked(signals: NDArray[np.float64], cal: Packed, memory: NDArray[np.float64]) -> float:
    """Return the plate that the pedal asks for; a new mode is blended in, never switched."""
    asked = float(min(max(int(signals[s.SIG_MODE] + 0.5), 0), int(cal["modes"]) - 1))
    if cal["numbers"][p.N_MODE_CHANGE_RELEASED] > 0.5 and memory[p.M_PEDAL_UP] < 0.5:
        # the new mode waits for the foot to come off
        asked = memory[p.M_MODE]
    if memory[p.M_FRESH] > 0.5:
        asked = float(min(max(int(signals[s.SIG_MODE] + 0.5), 0), int(cal["modes"]) - 1))
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
def shaped_demand(
    signals: NDArray[np.float64], cal: Packed, memory: NDArray[np.float64]
) -> tuple[float, float]:
    """Return the plate that the pedal asks for, and as it is let through.

    Tables of rates over gear and engine speed bound how fast it opens and closes, times a factor
    over engine speed and plate, where a percent carries less torque; through the band
    of plate in which the torque of the driveline turns over, a slower rate lets lash close softly.

    Parameters
    ----------
    signals : ndarray of shape (N_SIGNALS,) [each its own]
        What the controller measures, by ``SIG_*``; finite.
    cal : Packed
        The packed calibration.
    memory : ndarray of shape (memory_size(cal),) [each its own]
        All that is remembered; written.

    Returns
    -------
    tuple of float [%, %]
        Plate as asked, and as let through.

    Notes
    -----
    Definition of this program's strategy; no source.
    """
    asked = _asked(signals, cal, memory)
    numbers = cal["numbers"]
    before = memory[p.M_SHAPED]
    # where a reaction has taken the pedal away nothing may hold the plate open
    limited = memory[p.M_PEDAL_CAP] < 100.0
    if asked == before or memory[p.M_FRESH] > 0.5 or (limited and asked < before):
        memory[p.M_SHAPED] = asked
        return asked, asked
    engine = signals[s.SIG_ENGINE_RPM]
    gear = signals[s.SIG_GEAR]
    if signals[s.SIG_CLUTCH] < 0.5:
        gear = 0.0
    opens = asked > before
    rate = UNBOUNDED
    table = int(numbers[p.N_OPENING_TABLE if opens else p.N_CLOSING_TABLE])
    if table >= 0:
        rate = remembered(gear, engine, table, cal, memory, p.M_SHAPE_I)
        table = int(numbers[p.N_RATE_FACTOR_TABLE])
        if table >= 0:
            # a percent of a wide open plate carries less torque than one of a nearly shut one
            rate *= remembered(engine, before, table, cal, memory, p.M_FACTOR_I)
    step = rate * s.TICK_S
    after = min(asked, before + step) if opens else max(asked, before - step)
    table = int(numbers[p.N_LASH_RATE_TABLE])
    if table >= 0 and gear > 0.5:
        low = remembered(engine, 0.0, int(numbers[p.N_LASH_LOW_TABLE]), cal, memory, p.M_LASH_I)
        high = remembered(engine, 0.0, int(numbers[p.N_LASH_HIGH_TABLE]), cal, memory, p.M_LASH_I)
        slow = remembered(gear, 0.0, table, cal, memory, p.M_LASH_GEAR_I) * s.TICK_S
        if opens and before < high and after > low:
            after = min(after, max(before, low) + slow)
        elif not opens and before > low and after < high:
            after = max(after, min(before, high) - slow)
    memory[p.M_SHAPED] = after
    return asked, after


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
def wastegate_bleed(
    signals: NDArray[np.float64], cal: Packed, memory: NDArray[np.float64]
) -> float:
    """Return the share of the pressure signal to keep from the wastegate.

    ``bleed = 100 (1 - spring / gauge) + kp error + integral``, with ``error`` the target less the
    pressure before the plate, ahead along its slope, and ``gauge`` the target over ambient; 0 where
    the spring alone holds the target.

    Parameters
    ----------
    signals : ndarray of shape (N_SIGNALS,) [each its own]
        What the controller measures, by ``SIG_*``; finite.
    cal : Packed
        The packed calibration.
    memory : ndarray of shape (memory_size(cal),) [each its own]
        All that is remembered; written.

    Returns
    -------
    float [%]
        The share, from 0 to 100.

    Notes
    -----
    Definition of this program's strategy; no source.
    """
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
