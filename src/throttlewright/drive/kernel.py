"""The stepping kernel: controller and car, tick by tick."""

from __future__ import annotations

import functools
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, NamedTuple, TypeAlias

import numpy as np

from throttlewright.calibration.pack import MOST_MEMORY, Packed
from throttlewright.calibration.signals import (
    BRIDGE_OFF,
    N_OUT,
    N_SIGNALS,
    OUT_BRIDGE,
    OUT_FUEL_CUT,
)
from throttlewright.calibration.strategy_kernel import control, restart_memory, start_memory
from throttlewright.car.plant import TICK, car_sample, car_step
from throttlewright.car.record import CarRecord
from throttlewright.car.state import DELAY_AT, N_INPUT, N_STATE, OMEGA, U_LOAD
from throttlewright.drive.channels import IN_KEY, N_CHANNELS
from throttlewright.drive.coupling import to_car
from throttlewright.drive.driver import N_DRIVER_MEMORY, P_ACTIVE, drive_on, driver_memory
from throttlewright.drive.faults import F_CONTROLLER_RESET, N_FAULTS
from throttlewright.drive.sensors import N_SENSOR_MEMORY, sense
from throttlewright.foundation.compiled import kernel, kernel_with

__all__ = [
    "CAR",
    "N_CLOCK",
    "ROW_INPUT",
    "ROW_OUT",
    "ROW_SIGNAL",
    "ROW_WIDTH",
    "STATE_DTYPE",
    "T_KEY",
    "T_STARTER",
    "T_TICK",
    "Inputs",
    "Plant",
    "State",
    "advance",
    "copied_state",
    "new_state",
]

# the clock
T_TICK = 0  # ticks done
T_KEY = 1  # key of the noise, from seed and variation
T_STARTER = 2  # 1 while the starter turns the engine
N_CLOCK = 3

# one row of a recording
ROW_SIGNAL = DELAY_AT
ROW_OUT = ROW_SIGNAL + N_SIGNALS
ROW_INPUT = ROW_OUT + N_OUT
ROW_WIDTH = ROW_INPUT + N_CHANNELS

_STARTER_TORQUE = 55e3
_STARTER_SPEED = 35.0
"""Starter: torque at rest, at the crank, over displacement [N m/m3], and speed at which it gives
none [rad/s]; common practice, no source."""
_STARTED = 60.0


STATE_DTYPE = np.dtype(
    [
        ("clock", "f8", (N_CLOCK,)),
        ("x", "f8", (N_STATE,)),
        ("sensors", "f8", (N_SENSOR_MEMORY,)),
        ("strategy", "f8", (MOST_MEMORY,)),
        ("driver", "f8", (N_DRIVER_MEMORY,)),
        # of the last tick, each set anew before it is read
        ("row", "f8", (N_CHANNELS,)),
        ("faults", "f8", (N_FAULTS,)),
        ("signals", "f8", (N_SIGNALS,)),
        ("out", "f8", (N_OUT,)),
        ("u", "f8", (N_INPUT,)),
    ]
)
"""All that is remembered between ticks, and what the last one read and gave.

A record, not a tuple of arrays: compiled code counts references to arrays at every call, which
cost as much as the car itself. An array of them is a batch.
"""

State: TypeAlias = Any
"""A scalar of ``STATE_DTYPE``; its fields are typed by that dtype, not by Python annotations."""


def new_state(packed: Packed | None) -> State:
    """Return a state in which nothing has happened yet.

    Parameters
    ----------
    packed : Packed or None
        The calibration whose controller is to start; None for a bare plant.

    Returns
    -------
    State
        Zeros, and fresh memories of controller and driver.
    """
    state = np.zeros(1, STATE_DTYPE)[0]
    if packed is not None:
        memory = start_memory(packed)
        state["strategy"][: memory.size] = memory
    state["driver"] = driver_memory()
    return state


def copied_state(state: State) -> State:
    """Return a state of its own; indexing and ``np.array`` give views that write through.

    Parameters
    ----------
    state : State
        Left as it is.

    Returns
    -------
    State
        The copy.
    """
    fresh = np.zeros(1, STATE_DTYPE)
    fresh[0] = state
    return fresh[0]


class Inputs(NamedTuple):
    """What comes from outside: input table, fault schedule, driver, and what to record.

    ``table`` has one row a tick and holds its last row for ever; ``window`` is the first tick to
    record and the number of ticks from one recorded row to the next.
    """

    table: np.ndarray
    faults: np.ndarray
    driver: np.ndarray
    window: np.ndarray


@dataclass(frozen=True)
class Plant:
    """Something that can be stepped: ``sample(x, u, car)`` each tick, ``step(x, u, car, h)``.

    ``bare`` plants have neither sensors nor controller: a row of the input table is their input.
    """

    name: str
    sample: Callable[..., None]
    step: Callable[..., None]
    bare: bool = False


CAR = Plant("car", car_sample, car_step)
"""The car of this package."""

plant_sample = car_sample
plant_step = car_step


@kernel
def _driven(
    car: CarRecord,
    cal: Packed,
    state: State,
    inputs: Inputs,
    n_ticks: float,
    substeps: float,
    record: np.ndarray,
) -> None:
    clock = state.clock
    x = state.x
    sensors = state.sensors
    strategy = state.strategy
    foot = state.driver
    row = state.row
    faults = state.faults
    signals = state.signals
    out = state.out
    u = state.u
    table = inputs.table
    schedule = inputs.faults
    driver = inputs.driver
    last = table.shape[0] - 1
    steps = int(substeps)
    h = TICK / steps
    first = inputs.window[0]
    stride = inputs.window[1]
    for _ in range(int(n_ticks)):
        tick = clock[T_TICK]
        source = min(int(tick), last)
        for j in range(N_CHANNELS):
            row[j] = table[source, j]
        for k in range(schedule.shape[0]):
            acts = tick >= schedule[k, 1] and tick <= schedule[k, 2]
            faults[int(schedule[k, 0])] = schedule[k, 3] if acts else 0.0
        if driver[P_ACTIVE] > 0.5:
            drive_on(x, row, driver, cal, foot)
        sense(x, row, faults, clock[T_KEY], tick, sensors, car, signals)
        if faults[F_CONTROLLER_RESET] > 0.0:
            # nobody is at home: outputs fall to their resting state, and everything is forgotten
            restart_memory(strategy)
            out[:] = 0.0
            out[OUT_BRIDGE] = BRIDGE_OFF
            out[OUT_FUEL_CUT] = 1.0
        else:
            control(signals, cal, strategy, out)
        to_car(out, row, faults, car, u)
        if clock[T_STARTER] > 0.5:
            if x[OMEGA] > _STARTED:
                clock[T_STARTER] = 0.0
            elif row[IN_KEY] > 0.5:
                u[U_LOAD] -= (
                    _STARTER_TORQUE * car.displacement * max(1.0 - x[OMEGA] / _STARTER_SPEED, 0.0)
                )
        plant_sample(x, u, car)
        for _ in range(steps):
            plant_step(x, u, car, h)
        place = (tick - first) / stride
        if place >= 0.0 and place < record.shape[0] and place == np.floor(place):
            at = int(place)
            for j in range(ROW_SIGNAL):
                record[at, j] = x[j]
            for j in range(N_SIGNALS):
                record[at, ROW_SIGNAL + j] = signals[j]
            for j in range(N_OUT):
                record[at, ROW_OUT + j] = out[j]
            for j in range(N_CHANNELS):
                record[at, ROW_INPUT + j] = row[j]
        clock[T_TICK] = tick + 1.0


@kernel
def _bare(
    car: CarRecord,
    state: State,
    inputs: Inputs,
    n_ticks: float,
    substeps: float,
    record: np.ndarray,
) -> None:
    clock = state.clock
    x = state.x
    last = inputs.table.shape[0] - 1
    steps = int(substeps)
    h = TICK / steps
    for _ in range(int(n_ticks)):
        tick = clock[T_TICK]
        u = inputs.table[min(int(tick), last)]
        plant_sample(x, u, car)
        for _ in range(steps):
            plant_step(x, u, car, h)
        place = (tick - inputs.window[0]) / inputs.window[1]
        if place >= 0.0 and place < record.shape[0] and place == np.floor(place):
            for j in range(min(x.shape[0], record.shape[1])):
                record[int(place), j] = x[j]
        clock[T_TICK] = tick + 1.0


@functools.lru_cache(maxsize=8)
def _loop_of(plant: Plant) -> Callable[..., None]:
    if plant == CAR:
        return _driven
    loop = _bare if plant.bare else _driven
    return kernel_with(loop, plant_sample=plant.sample, plant_step=plant.step)


def advance(
    plant: Plant,
    car: Any,
    calibration: Packed | None,
    state: State,
    inputs: Inputs,
    n_ticks: int,
    record: np.ndarray,
    *,
    substeps: int = 1,
) -> None:
    """Advance a plant and its controller by a number of ticks of 1 ms.

    Parameters
    ----------
    plant : Plant
        ``CAR``, or another model with the same two calls.
    car : record [-]
        Numbers of the plant; a packed car in motion for ``CAR``.
    calibration : Packed or None
        What the controller holds; None for a bare plant.
    state : State
        Changed in place; ticks n and then m give bit for bit what n + m give.
    inputs : Inputs
        What comes from outside.
    n_ticks : int [-]
        Ticks to do, from 0.
    record : ndarray [SI]
        Receives rows of ``ROW_WIDTH`` numbers (of the state alone for a bare plant) as far as it
        is long enough; shape (0, ROW_WIDTH) records nothing.
    substeps : int [-]
        Steps of the plant in each tick, from 1.

    Raises
    ------
    ValueError
        If a plant with a controller gets no calibration.

    Notes
    -----
    Within a tick everything the controller gives is held. One step a tick is what the methods of
    ``car.plant`` are made for; more of them serve to see how far a result hangs on the step.
    """
    if calibration is None and not plant.bare:
        raise ValueError(f"the plant {plant.name} needs a calibration")
    loop = _loop_of(plant)
    if plant.bare:
        loop(car, state, inputs, float(n_ticks), float(substeps), record)
    else:
        loop(car, calibration, state, inputs, float(n_ticks), float(substeps), record)
