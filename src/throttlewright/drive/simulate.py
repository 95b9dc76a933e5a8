"""One run: a car with its calibration through a scenario, to a recording."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from throttlewright.calibration.pack import Packed
from throttlewright.car.motion import start_state
from throttlewright.car.pack import Car
from throttlewright.car.state import P_MANIFOLD, P_PIPE
from throttlewright.drive.channels import IN_HELD_SPEED
from throttlewright.drive.driver import (
    DRIVER_WIDTH,
    P_ACTIVE,
    P_DELAY,
    P_FROM,
    P_GAIN,
    P_SLIP,
    P_STEP,
)
from throttlewright.drive.faults import TICK, InjectedFault, fault_schedule
from throttlewright.drive.kernel import (
    CAR,
    ROW_WIDTH,
    T_KEY,
    T_STARTER,
    Inputs,
    State,
    advance,
    copied_state,
    new_state,
)
from throttlewright.drive.recorder import to_recording
from throttlewright.drive.scenario import Scenario, input_table, tick_count
from throttlewright.drive.scenario_parts import Driver
from throttlewright.drive.sensors import M_MAP, M_PIPE
from throttlewright.recording.recording import Recording

__all__ = ["MOST_ROWS", "Prepared", "prepare", "run_rows", "simulate", "stride_of"]

_VARIATIONS = 1 << 24

MOST_ROWS = 600_000
"""Rows kept of one run: ten minutes of every millisecond; a longer run keeps fewer of them."""


@dataclass(frozen=True)
class Prepared:
    """A run ready to go: where it starts, what comes from outside, how long it takes.

    ``settle`` ticks at held speed come before the ``ticks`` that are recorded.
    """

    state: State
    inputs: Inputs
    settle: int
    ticks: int
    faults: tuple[InjectedFault, ...]


def _driver_of(driver: Driver | None, travel: float) -> np.ndarray:
    row = np.zeros(DRIVER_WIDTH)
    if driver is None:
        return row
    row[P_ACTIVE] = 1.0
    row[P_SLIP] = driver.slip_target
    row[P_GAIN] = driver.gain
    row[P_FROM] = driver.start_speed
    if not driver.perfect:
        row[P_DELAY] = round(driver.reaction_delay / TICK)
        row[P_STEP] = 100.0 * driver.pedal_resolution / travel
    return row


def prepare(
    car: Car,
    packed: Packed,
    scenario: Scenario,
    *,
    faults: Sequence[InjectedFault] = (),
    seed: int = 0,
    variation: int = 0,
    stride: int = 1,
) -> Prepared:
    """Make a run ready.

    Parameters
    ----------
    car : Car
        A car in motion.
    packed : Packed
        The calibration.
    scenario : Scenario
        One variant, without anything left to vary.
    faults : sequence of InjectedFault
        On top of those of the scenario.
    seed : int [-]
        Seed of the sensors' noise, from 0.
    variation : int [-]
        Number of the variation, which moves the noise as well.
    stride : int [-]
        Ticks from one recorded row to the next.

    Returns
    -------
    Prepared
        State and inputs.
    """
    rec = car.record
    start = scenario.start
    ticks = tick_count(scenario)
    off = start.engine == "off"
    settle = 0 if off else round(start.settle / TICK)
    everything = (*scenario.fault, *faults)
    table = input_table(scenario, ticks)
    schedule = fault_schedule(everything, ticks)
    if settle:
        before = np.repeat(table[:1], settle, axis=0)
        before[:, IN_HELD_SPEED] = 1.0
        table = np.concatenate((before, table))
        schedule[:, 1:3] += settle
    omega = 0.0
    if start.engine == "idle":
        omega = car.idle
    elif start.speed is not None:
        omega = start.speed.speed(idle_speed=car.idle, limit_speed=car.limit)
    gear = min(start.gear, int(rec["gears"]))
    ratio = float(rec["ratios"][gear - 1] * rec["final_drive"]) if gear else 0.0
    x = start_state(
        car,
        omega=omega,
        speed=0.0,
        ratio=ratio if start.rolling else 0.0,
        opening=float(rec["default_opening"]),
        coolant=start.coolant,
        oil=start.oil,
    )
    state = new_state(packed)
    state["x"] = x
    state["sensors"][M_MAP], state["sensors"][M_PIPE] = x[P_MANIFOLD], x[P_PIPE]
    state["clock"][T_KEY] = float(seed * _VARIATIONS + variation)
    state["clock"][T_STARTER] = 1.0 if off else 0.0
    driver = _driver_of(scenario.driver, car.build.pedal.travel)
    window = np.array([float(settle), float(stride)])
    return Prepared(state, Inputs(table, schedule, driver, window), settle, ticks, everything)


def stride_of(scenario: Scenario) -> int:
    """Return how many ticks lie between two rows that are kept.

    Parameters
    ----------
    scenario : Scenario
        Perhaps a variant.

    Returns
    -------
    int
        1 up to ``MOST_ROWS`` ticks, and then as many as keep the rows under that.
    """
    return -(-tick_count(scenario) // MOST_ROWS)


def run_rows(
    car: Car,
    packed: Packed,
    prepared: Prepared,
    *,
    rows: np.ndarray | None = None,
    substeps: int = 1,
) -> np.ndarray:
    """Run what was prepared and return the rows of the kernel.

    Parameters
    ----------
    car : Car
        A car in motion.
    packed : Packed
        The calibration.
    prepared : Prepared
        Its state is left as it is.
    rows : ndarray, optional [SI]
        Where to put the rows, shape (n, ROW_WIDTH), to be used again and again.
    substeps : int [-]
        Steps of the plant in each tick.

    Returns
    -------
    ndarray [SI]
        The rows.
    """
    stride = int(prepared.inputs.window[1])
    if rows is None:
        rows = np.empty((-(-prepared.ticks // stride), ROW_WIDTH))
    state = copied_state(prepared.state)
    total = prepared.settle + prepared.ticks
    advance(CAR, car.record, packed, state, prepared.inputs, total, rows, substeps=substeps)
    return rows


def simulate(
    car: Car,
    packed: Packed,
    scenario: Scenario,
    *,
    faults: Sequence[InjectedFault] = (),
    seed: int = 0,
    variation: int = 0,
    substeps: int = 1,
) -> Recording:
    """Drive a scenario and return its recording, at 1 kHz up to ten minutes.

    Parameters
    ----------
    car : Car
        A car in motion.
    packed : Packed
        The calibration.
    scenario : Scenario
        One variant, without anything left to vary.
    faults : sequence of InjectedFault
        On top of those of the scenario.
    seed : int [-]
        Seed of the sensors' noise.
    variation : int [-]
        Number of the variation.
    substeps : int [-]
        Steps of the plant in each tick.

    Returns
    -------
    Recording
        Channels of ``drive.recorder.TRACE``; a longer run keeps every ``stride`` th millisecond
        and says so in its meta, so that its rows stay at ``MOST_ROWS``.
    """
    stride = stride_of(scenario)
    prepared = prepare(
        car, packed, scenario, faults=faults, seed=seed, variation=variation, stride=stride
    )
    rows = run_rows(car, packed, prepared, substeps=substeps)
    meta: dict[str, object] = {
        "kind": "trace",
        "car": car.build.name,
        "scenario": scenario.name,
        "faults": [f.kind for f in prepared.faults],
        "seed": seed,
        "variation": variation,
    }
    if stride > 1:
        meta["stride"] = stride
        meta["note"] = f"one row in {stride} milliseconds is kept; peaks between them go unseen"
    return to_recording(car, rows, step_s=stride * TICK, faults=prepared.faults, meta=meta)
