"""The controller's watch over itself: measures, counters, and what active reactions add up to."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from throttlewright.calibration import places as p
from throttlewright.calibration import reactions as r
from throttlewright.calibration import signals as s
from throttlewright.calibration.lookup import remembered
from throttlewright.foundation.compiled import kernel

SUPPLY_V = 5.0
NOT_JUDGED = -1e200
FORGET = 0.125
"""Share of a tick that a good one takes off the count: a contact lost for a ninth of the time
trips."""
MOST_BLIP_TICKS = 1000.0
"""Longest request for a lower gear that explains an engine that speeds up: twice the longest
over-demand of a blip."""
LEAST_DUTY = 0.2
"""Duty above which a motor that works must draw current."""


@kernel
def rail_margin(voltage: float) -> float:
    """Return the distance of a track from the nearer of its rails, 0 V and 5 V."""
    return min(voltage, SUPPLY_V - voltage)


@kernel
def take_measures(
    signals: NDArray[np.float64],
    cal: Any,
    pedal_1: float,
    pedal_2: float,
    pedal: float,
    plate_1: float,
    plate_2: float,
    plate_known: bool,
    memory: NDArray[np.float64],
) -> None:
    """Write what each detection looks at; a reaction is bad where its measure exceeds its limit."""
    at = p.M_MEASURES
    numbers = cal["numbers"]
    pedal_margin_1 = rail_margin(signals[s.SIG_PEDAL_1_V])
    pedal_margin_2 = rail_margin(signals[s.SIG_PEDAL_2_V])
    plate_margin_1 = rail_margin(signals[s.SIG_PLATE_1_V])
    plate_margin_2 = rail_margin(signals[s.SIG_PLATE_2_V])
    memory[at + r.D_NONE] = NOT_JUDGED
    memory[at + r.D_PEDAL_1_RANGE] = -pedal_margin_1
    memory[at + r.D_PEDAL_2_RANGE] = -pedal_margin_2
    memory[at + r.D_PLATE_1_RANGE] = -plate_margin_1
    memory[at + r.D_PLATE_2_RANGE] = -plate_margin_2
    memory[at + r.D_PLATE_BOTH_RANGE] = -max(plate_margin_1, plate_margin_2)
    # Tracks are compared only while both are in range: the range rows judge the rest.
    pedals_in_range = (
        -pedal_margin_1 <= numbers[p.N_PEDAL_1_BAD_V]
        and -pedal_margin_2 <= numbers[p.N_PEDAL_2_BAD_V]
    )
    plates_in_range = (
        -plate_margin_1 <= numbers[p.N_PLATE_1_BAD_V]
        and -plate_margin_2 <= numbers[p.N_PLATE_2_BAD_V]
    )
    memory[at + r.D_PEDAL_DISAGREE] = abs(pedal_1 - pedal_2) if pedals_in_range else NOT_JUDGED
    memory[at + r.D_PLATE_DISAGREE] = abs(plate_1 - plate_2) if plates_in_range else NOT_JUDGED
    memory[at + r.D_REFERENCE_SUPPLY] = abs(signals[s.SIG_REFERENCE_V] - SUPPLY_V)
    cut = memory[p.M_CUT] > 0.5
    fresh = memory[p.M_FRESH] > 0.5
    battery = signals[s.SIG_BATTERY_V]
    plate = memory[p.M_PLATE]
    target = memory[p.M_TARGET]
    judged = plate_known and not cut and not fresh and battery >= numbers[p.N_TRACKING_LEAST_V]
    memory[at + r.D_TRACKING] = abs(target - plate) if judged else NOT_JUDGED
    duty = abs(memory[p.M_DUTY])
    current = abs(signals[s.SIG_CURRENT_A])
    memory[at + r.D_CURRENT_HIGH] = current
    memory[at + r.D_CURRENT_MISSING] = -current if duty > LEAST_DUTY else NOT_JUDGED
    memory[at + r.D_DUTY_HIGH] = 100.0 * duty
    above_rest = plate - numbers[p.N_SERVO_DEFAULT_PCT]
    memory[at + r.D_NOT_AT_REST] = above_rest if cut and plate_known else NOT_JUDGED
    engine = signals[s.SIG_ENGINE_RPM]
    pressure = signals[s.SIG_MAP_KPA]
    table = int(numbers[p.N_AIRFLOW_TABLE])
    memory[at + r.D_AIRFLOW] = NOT_JUDGED
    if table >= 0 and not cut:
        allowed = remembered(engine, target, table, cal, memory, p.M_AIRFLOW_I)
        memory[at + r.D_AIRFLOW] = pressure - allowed
    memory[at + r.D_TORQUE] = NOT_JUDGED
    if numbers[p.N_MONITOR_PRESSURE_TABLE] >= 0.0:
        memory[at + r.D_TORQUE] = _torque_over_permitted(engine, pressure, pedal, cal, memory)
    released = memory[p.M_PEDAL_UP] > 0.5
    # while fuel is cut the car may well push the engine: that is an overrun, and no fault
    firing = released and (memory[p.M_FUEL] < 0.5 or memory[p.M_FUEL_ACTION] > 0.5)
    # a blip between gears is meant; a request that hangs is not believed for longer
    if signals[s.SIG_SHIFT] < -0.5 and signals[s.SIG_CLUTCH] < 0.5:
        memory[p.M_SHIFT_TICKS] += numbers[p.N_SUPERVISION_TICKS]
    else:
        memory[p.M_SHIFT_TICKS] = 0.0
    blips = 0.0 < memory[p.M_SHIFT_TICKS] < MOST_BLIP_TICKS
    memory[at + r.D_OVERSPEED_RELEASED] = engine if firing and not blips else NOT_JUDGED
    moves = signals[s.SIG_FREE_M_S] > numbers[p.N_BRAKE_OVERRIDE_ABOVE_M_S]
    braking = signals[s.SIG_BRAKE] > 0.5
    # A brake that comes to a pedal that is down takes over; a pedal that comes to a brake does not:
    # a hill start and a stab while braking are meant.
    if not braking or pedal < numbers[p.N_PEDAL_RELEASED_PCT]:
        memory[p.M_BRAKE_CAME_LAST] = 0.0
    elif memory[p.M_BRAKED] < 0.5:
        memory[p.M_BRAKE_CAME_LAST] = 1.0
    memory[p.M_BRAKED] = 1.0 if braking else 0.0
    in_order = numbers[p.N_BRAKE_OVERRIDE_ORDER] < 0.5 or memory[p.M_BRAKE_CAME_LAST] > 0.5
    hard = signals[s.SIG_BRAKE_PCT] >= numbers[p.N_BRAKE_OVERRIDE_LEAST_PCT]
    braked = braking and moves and in_order and hard
    memory[at + r.D_BRAKE_WITH_PEDAL] = pedal if braked else NOT_JUDGED
    memory[at + r.D_SUPPLY_LOW] = -battery
    memory[at + r.D_OVERBOOST] = signals[s.SIG_PIPE_KPA]
    memory[at + r.D_MAP_HIGH] = pressure
    memory[at + r.D_BUS_TIMEOUT] = signals[s.SIG_BUS_AGE_S]
    memory[at + r.D_REQUEST_REFUSED] = signals[s.SIG_REQUEST_PCT]
    memory[at + r.D_WATCHDOG] = memory[p.M_RESTARTED]
    memory[p.M_RESTARTED] = 0.0


@kernel
def _torque_over_permitted(
    engine: float, pressure: float, pedal: float, cal: Any, memory: NDArray[np.float64]
) -> float:
    """Return by how much the torque seen in the pressure exceeds what pedal and floors permit, N m.

    It reads neither the plate nor its target, so that it does not share their faults.
    """
    numbers = cal["numbers"]
    seen = remembered(
        engine, pressure, int(numbers[p.N_MONITOR_PRESSURE_TABLE]), cal, memory, p.M_MONITOR_I
    )
    permitted = remembered(
        engine, pedal, int(numbers[p.N_MONITOR_PEDAL_TABLE]), cal, memory, p.M_MONITOR_I_2
    )
    floor = remembered(
        engine, memory[p.M_FLOOR], int(numbers[p.N_MONITOR_PLATE_TABLE]), cal, memory,
        p.M_MONITOR_I_3,
    )  # fmt: skip
    permitted = max(permitted, floor)
    before = memory[p.M_PERMITTED]
    if permitted < before and memory[p.M_FRESH] < 0.5:
        # supervision may look every few ticks only
        share = min(numbers[p.N_MONITOR_SHARE] * numbers[p.N_SUPERVISION_TICKS], 1.0)
        permitted = before + share * (permitted - before)
    memory[p.M_PERMITTED] = permitted
    return seen - permitted


@kernel
def judge_faults(
    cal: Any,
    released: bool,
    first: int,
    memory: NDArray[np.float64],
) -> None:
    """Count each fault up or down, start and end reactions, and add up the active ones."""
    numbers = cal["numbers"]
    rows = cal["reaction_rows"]
    ticks = numbers[p.N_SUPERVISION_TICKS]
    limit = 100.0
    limit_row = 0
    cut_row = 0
    fuel = 0.0
    fuel_row = 0
    actions = 0
    detected = 0.0
    lost_pedal_1 = 0.0
    lost_pedal_2 = 0.0
    lost_plate_1 = 0.0
    lost_plate_2 = 0.0
    for row in range(cal["reactions"]):
        at = first + row * p.K_REACTION_WIDTH
        code = int(rows[row, p.R_DETECTION])
        bad = memory[p.M_MEASURES + code] > rows[row, p.R_LIMIT]
        if memory[at + p.K_REACTION_ACTIVE] < 0.5:
            count = memory[at + p.K_REACTION_COUNT]
            if not bad:
                if count > 0.0:
                    memory[at + p.K_REACTION_COUNT] = max(count - FORGET * ticks, 0.0)
                continue
            count += ticks
            memory[at + p.K_REACTION_COUNT] = count
            if count < rows[row, p.R_TICKS]:
                continue
            memory[at + p.K_REACTION_ACTIVE] = 1.0
            memory[at + p.K_REACTION_GONE] = 0.0
        elif bad:
            memory[at + p.K_REACTION_GONE] = 0.0
        else:
            gone = memory[at + p.K_REACTION_GONE] + ticks
            memory[at + p.K_REACTION_GONE] = gone
            recovery = int(rows[row, p.R_RECOVERY])
            if (recovery == r.RECOVER_SELF and gone >= numbers[p.N_SELF_TICKS]) or (
                recovery == r.RECOVER_RELEASE and released
            ):
                memory[at + p.K_REACTION_ACTIVE] = 0.0
                memory[at + p.K_REACTION_COUNT] = 0.0
                continue
        detected += 1.0
        if code == r.D_OVERSPEED_RELEASED and not released:
            # a foot on the pedal asks for torque: what stands against it ends at once
            continue
        action = int(rows[row, p.R_ACTION])
        actions |= 1 << action
        most = 100.0
        if action == r.A_OTHER_TRACK:
            most = numbers[p.N_OTHER_TRACK_MOST_PCT]
        elif action == r.A_LIMIT_PEDAL:
            most = numbers[p.N_LIMP_PEDAL_PCT]
        elif action == r.A_RELEASE_PEDAL:
            most = 0.0
        elif action == r.A_CUT:
            # The pedal counts as released too, so that a cut that ends gives back by degrees.
            most = 0.0
            if cut_row == 0:
                cut_row = row + 1
        elif action == r.A_FUEL_SPEED and fuel < 1.0:
            fuel = 1.0
            fuel_row = row + 1
        elif action == r.A_FUEL_OFF and fuel < 2.0:
            fuel = 2.0
            fuel_row = row + 1
        if most < limit:
            limit = most
            limit_row = row + 1
        if action != r.A_NOTE:
            if code == r.D_PEDAL_1_RANGE:
                lost_pedal_1 = 1.0
            elif code == r.D_PEDAL_2_RANGE:
                lost_pedal_2 = 1.0
            elif code == r.D_PLATE_1_RANGE:
                lost_plate_1 = 1.0
            elif code == r.D_PLATE_2_RANGE:
                lost_plate_2 = 1.0
    memory[p.M_PEDAL_LIMIT] = limit
    if limit_row > 0:
        memory[p.M_PEDAL_ROW] = float(limit_row)
    memory[p.M_CUT_ROW] = float(cut_row)
    memory[p.M_FUEL_ACTION] = fuel
    memory[p.M_FUEL_ROW] = float(fuel_row)
    memory[p.M_ACTIONS] = float(actions)
    memory[p.M_DETECTED] = detected
    memory[p.M_PEDAL_1_LOST] = lost_pedal_1
    memory[p.M_PEDAL_2_LOST] = lost_pedal_2
    memory[p.M_PLATE_1_LOST] = lost_plate_1
    memory[p.M_PLATE_2_LOST] = lost_plate_2
