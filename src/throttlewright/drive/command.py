"""Order of command of a run: every floor and ceiling over time, and who was in charge.

A recording keeps what the controller gave, not the bounds it chose among. They come back by running
the same strategy over the same signals: each millisecond from the start of the run on, settling
included, so that every memory is what it was.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from throttlewright.calibration import places as p
from throttlewright.calibration import signals as s
from throttlewright.calibration.calibration import Calibration
from throttlewright.calibration.laws import LAW_TIMED
from throttlewright.calibration.limits import OUTPUT_TOP, OUTPUTS
from throttlewright.calibration.pack import Packed, pack_calibration
from throttlewright.calibration.strategy_kernel import control, restart_memory
from throttlewright.car.pack import Car
from throttlewright.drive.faults import F_CONTROLLER_RESET, TICK, InjectedFault
from throttlewright.drive.kernel import CAR, ROW_SIGNAL, ROW_WIDTH, T_TICK, advance, copied_state
from throttlewright.drive.scenario import Scenario
from throttlewright.drive.simulate import prepare, stride_of
from throttlewright.foundation.compiled import kernel

__all__ = ["Command", "CommandRow", "command_of"]

_CHUNK = 4096
"""Ticks whose signals are held at once, so that a long run needs no more memory than a short."""

# what is kept of a tick beside the bounds
_KEEP_LET_THROUGH = 0
_KEEP_TARGET = 1
_KEEP_DEMAND = 2
_KEEP_PLATE = 3
_KEEP_CHARGE = 4  # four outputs
_KEEP_VALUE = 8  # plate, retard, fuel, bleed as given
_KEEP = 12


@dataclass(frozen=True, eq=False)
class CommandRow:
    """One limit of the calibration over a run.

    Parameters
    ----------
    name, output, side, reason : str
        Of the limit.
    code : int
        How the channels ``in_charge_*`` name it: its place among the limits, from 1.
    bound : ndarray of shape (n,) [unit of the output]
        Its bound; not a number while the controller does not run.
    armed : ndarray of shape (n,)
        Whether its condition holds, or its time still runs.
    """

    name: str
    output: str
    side: str
    reason: str
    code: int
    bound: NDArray[np.float64]
    armed: NDArray[np.bool_]

    @property
    def active(self) -> NDArray[np.bool_]:
        """Whether it bounds anything: a ceiling under the top of its output, a floor above 0."""
        with np.errstate(invalid="ignore"):
            if self.side == "ceiling":
                return np.asarray(self.bound < OUTPUT_TOP[self.output])
            return np.asarray(self.bound > 0.0)


@dataclass(frozen=True, eq=False)
class Command:
    """Order of command of one run: ``plate = min(ceilings, max(demand, floors))`` over time.

    Parameters
    ----------
    t_s : ndarray of shape (n,) [s]
        Clock of all arrays, from 0.
    demand : ndarray of shape (n,) [%]
        Plate that the pedal asks for.
    let_through : ndarray of shape (n,) [%]
        The same after the tables that bound how fast it rises and falls: what the floors and
        ceilings are held against.
    target, plate : ndarray of shape (n,) [%]
        Plate that the servo is given, and plate as measured.
    rows : tuple of CommandRow
        Every limit, in order of rank.
    given : dict of str to ndarray of shape (n,) [unit of the output]
        What came out for each output.
    in_charge : dict of str to ndarray of shape (n,)
        Who set each output: 0 the demand or the strategy itself, n row n from 1, -k reaction row k.
    """

    t_s: NDArray[np.float64]
    demand: NDArray[np.float64]
    let_through: NDArray[np.float64]
    target: NDArray[np.float64]
    plate: NDArray[np.float64]
    rows: tuple[CommandRow, ...]
    given: dict[str, NDArray[np.float64]]
    in_charge: dict[str, NDArray[np.int64]]


@kernel
def _replay(
    rows: NDArray[np.float64],
    resets: NDArray[np.float64],
    cal: Packed,
    memory: NDArray[np.float64],
    out: NDArray[np.float64],
    first: float,
    stride: float,
    bounds: NDArray[np.float64],
    armed: NDArray[np.float64],
    kept: NDArray[np.float64],
) -> None:
    """Run the strategy over recorded signals; keep every ``stride`` th tick from ``first`` on."""
    n_rows = int(cal["limits"])
    for tick in range(rows.shape[0]):
        if resets[tick] > 0.0:
            restart_memory(memory)
            out[:] = 0.0
            out[s.OUT_FUEL_CUT] = 1.0
        else:
            control(rows[tick, ROW_SIGNAL : ROW_SIGNAL + s.N_SIGNALS], cal, memory, out)
        place = (tick - first) / stride
        if place < 0.0 or place != np.floor(place):
            continue
        at = int(place)
        if at >= bounds.shape[0]:
            continue
        asleep = memory[p.M_FRESH] > 0.5
        for row in range(n_rows):
            place_of = p.M_ROWS + row * p.K_WIDTH
            bounds[at, row] = np.nan if asleep else memory[place_of + p.K_BOUND]
            holds = (
                cal["limit_codes"][row, p.C_LAW] == LAW_TIMED and memory[place_of + p.K_HOLD] > 0.0
            )
            awake = not asleep and (memory[place_of + p.K_ARMED] > 0.5 or holds)
            armed[at, row] = 1.0 if awake else 0.0
        kept[at, _KEEP_LET_THROUGH] = np.nan if asleep else memory[p.M_SHAPED]
        kept[at, _KEEP_TARGET] = out[s.OUT_TARGET_PCT]
        kept[at, _KEEP_DEMAND] = out[s.OUT_DEMAND_PCT]
        kept[at, _KEEP_PLATE] = out[s.OUT_PLATE_PCT]
        kept[at, _KEEP_CHARGE] = out[s.OUT_CHARGE_PLATE]
        kept[at, _KEEP_CHARGE + 1] = out[s.OUT_CHARGE_RETARD]
        kept[at, _KEEP_CHARGE + 2] = out[s.OUT_CHARGE_FUEL]
        kept[at, _KEEP_CHARGE + 3] = out[s.OUT_CHARGE_WASTEGATE]
        kept[at, _KEEP_VALUE] = out[s.OUT_TARGET_PCT]
        kept[at, _KEEP_VALUE + 1] = out[s.OUT_RETARD]
        kept[at, _KEEP_VALUE + 2] = out[s.OUT_FUEL_CUT]
        kept[at, _KEEP_VALUE + 3] = out[s.OUT_BLEED]


def _resets(schedule: NDArray[np.float64], first: int, count: int) -> NDArray[np.float64]:
    """Whether the controller is held in reset, tick by tick, as the stepping kernel decides it."""
    tick = first + np.arange(count, dtype=np.float64)
    reset = np.zeros(count)
    for row in schedule:
        if int(row[0]) == F_CONTROLLER_RESET:
            reset = np.where((tick >= row[1]) & (tick <= row[2]), row[3], 0.0)
    return reset


def command_of(
    car: Car,
    calibration: Calibration,
    scenario: Scenario,
    *,
    faults: Sequence[InjectedFault] = (),
    seed: int = 0,
    variation: int = 0,
) -> Command:
    """Drive a scenario again and return every bound of every limit over it, bit for bit.

    Parameters
    ----------
    car : Car
        A car in motion.
    calibration : Calibration
        What it is driven with.
    scenario : Scenario
        One variant, without anything left to vary.
    faults : sequence of InjectedFault
        On top of those of the scenario.
    seed : int [-]
        Seed of the sensors' noise, from 0.
    variation : int [-]
        Number of the variation.

    Returns
    -------
    Command
        On the clock that ``simulate`` gives the same run.

    Notes
    -----
    The strategy runs a second time over the signals of the run, from its first tick. Its own
    definition is the only source; nothing is estimated.
    """
    packed = pack_calibration(calibration)
    stride = stride_of(scenario)
    prepared = prepare(car, packed, scenario, faults=faults, seed=seed, variation=variation)
    state = copied_state(prepared.state)
    memory = state["strategy"].copy()
    out = np.zeros(s.N_OUT)
    total = prepared.settle + prepared.ticks
    size = -(-prepared.ticks // stride)
    limits = calibration.limits
    bounds = np.full((size, len(limits)), np.nan)
    armed = np.zeros((size, len(limits)))
    kept = np.zeros((size, _KEEP))
    rows = np.empty((_CHUNK, ROW_WIDTH))
    while (begin := int(state["clock"][T_TICK])) < total:
        count = min(_CHUNK, total - begin)
        window = np.array([float(begin), 1.0])
        advance(
            CAR, car.record, packed, state, prepared.inputs._replace(window=window), count, rows
        )
        resets = _resets(prepared.inputs.faults, begin, count)
        first = float(prepared.settle - begin)
        _replay(
            rows[:count],
            resets,
            cal=packed,
            memory=memory,
            out=out,
            first=first,
            stride=float(stride),
            bounds=bounds,
            armed=armed,
            kept=kept,
        )
    if not np.array_equal(memory, state["strategy"], equal_nan=True):
        raise AssertionError("the replayed strategy left the one that drove")
    return Command(
        t_s=np.round(stride * TICK * np.arange(size), 10),
        demand=kept[:, _KEEP_DEMAND],
        let_through=kept[:, _KEEP_LET_THROUGH],
        target=kept[:, _KEEP_TARGET],
        plate=kept[:, _KEEP_PLATE],
        rows=tuple(
            CommandRow(
                limit.name,
                limit.output,
                limit.side,
                limit.reason,
                k + 1,
                bounds[:, k],
                armed[:, k] > 0.5,
            )
            for k, limit in enumerate(limits)
        ),
        given={name: kept[:, _KEEP_VALUE + k] for k, name in enumerate(OUTPUTS)},
        in_charge={
            name: kept[:, _KEEP_CHARGE + k].astype(np.int64) for k, name in enumerate(OUTPUTS)
        },
    )
