"""Corner exit: what a pedal map is worth in time to drivers of limited fineness."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from throttlewright.calibration.calibration import Calibration
from throttlewright.calibration.pack import Packed, pack_calibration
from throttlewright.calibration.table import Axis
from throttlewright.car.pack import Car
from throttlewright.car.state import DISTANCE, SLIP, SPEED
from throttlewright.design import traction
from throttlewright.design.role import without_rows
from throttlewright.design.roles import role_of_row
from throttlewright.drive.kernel import ROW_WIDTH
from throttlewright.drive.scenario import Scenario, load_scenario
from throttlewright.drive.simulate import prepare, run_rows
from throttlewright.foundation.errors import NoSolutionError
from throttlewright.foundation.events import (
    Cancelled,
    Event,
    OnEvent,
    check_cancelled,
    ignore,
    never,
)

__all__ = ["GAINS", "CornerRow", "Exit", "corner_table", "drive_exit", "one_to_one", "same_boost"]

GAINS = (0.5, 0.75, 1.0, 1.5, 2.0, 3.0, 4.0)
"""Briskness of the driver, relative rate of opening without slip [1/s]; each map is driven with
that of these which suits it best, so that no map loses for a driver who has not got used to it."""

_EVENT = 2.0
"""Slip over the slip sought from which it counts as an event; common practice, no source."""


@dataclass(frozen=True)
class Exit:
    """One drive out of the corner: time and speed at the end of the distance, slip events."""

    time_s: float
    speed_m_s: float
    slip_events: int
    gain: float


@dataclass(frozen=True)
class CornerRow:
    """The same driver on two maps."""

    delay_s: float
    resolution_mm: float
    designed: Exit
    one_to_one: Exit

    @property
    def lost_s(self) -> float:
        """Time that the one-to-one map loses [s]; negative where it wins."""
        return self.one_to_one.time_s - self.designed.time_s


def same_boost(calibration: Calibration) -> Calibration:
    """Ask for full boost at any pedal, so that two maps differ in the plate alone.

    Parameters
    ----------
    calibration : Calibration
        Left as it is.

    Returns
    -------
    Calibration
        With every boost target as at full pedal.
    """
    tables = dict(calibration.tables)
    for name, table in tables.items():
        if name.startswith("boost_target_"):
            values = np.asarray(table.values)
            flat = np.repeat(values[:, -1:], values.shape[1], axis=1)
            tables[name] = replace(table, values=flat)
    return replace(calibration, tables=tables)


def feet_only(calibration: Calibration) -> Calibration:
    """Calibration without traction control, so that the foot alone finds the grip.

    Parameters
    ----------
    calibration : Calibration
        The calibration.

    Returns
    -------
    Calibration
        A copy without the rows of that role and their numbers.
    """
    names = [row.name for row in calibration.limits]
    return without_rows(calibration, [n for n in names if role_of_row(n) is traction.ROLE])


def one_to_one(calibration: Calibration) -> Calibration:
    """Let the plate follow the pedal, as a cable does.

    Parameters
    ----------
    calibration : Calibration
        Left as it is.

    Returns
    -------
    Calibration
        With every pedal map replaced.
    """
    tables = dict(calibration.tables)
    for name, table in tables.items():
        if name.startswith("plate_over_pedal_"):
            speed = table.axes[0]
            pedal = Axis("pedal_pct", "%", np.array([0.0, 100.0]))
            straight = np.tile([0.0, 100.0], (len(speed.values), 1))
            tables[name] = replace(table, axes=(speed, pedal), values=straight)
    return replace(calibration, tables=tables)


def drive_exit(
    car: Car,
    packed: Packed,
    scenario: Scenario,
    *,
    delay_s: float,
    resolution_mm: float,
    gain: float,
    distance: float,
    rows: np.ndarray | None = None,
) -> Exit:
    """Drive one map out of the corner.

    Parameters
    ----------
    car : Car
        A car in motion.
    packed : Packed
        The calibration.
    scenario : Scenario
        With a driver.
    delay_s : float [s]
        From what the driver feels to what the foot does.
    resolution_mm : float [mm]
        Finest step of the foot at the pad; 0 for a perfect foot.
    gain : float [1/s]
        Briskness of the driver.
    distance : float [m]
        Length of the exit.
    rows : ndarray, optional
        Room for the rows of the kernel, to be used again.

    Returns
    -------
    Exit
        What it took.

    Raises
    ------
    NoSolutionError
        If the car does not cover the distance in the time of the scenario.
    """
    if scenario.driver is None:
        raise NoSolutionError(f"the scenario {scenario.name} has no driver")
    driver = scenario.driver.model_copy(
        update={
            "reaction_delay": delay_s,
            "pedal_resolution": 1e-3 * resolution_mm,
            "gain": gain,
        }
    )
    prepared = prepare(car, packed, scenario.model_copy(update={"driver": driver}))
    kept = run_rows(car, packed, prepared, rows=rows)
    gone = kept[:, DISTANCE] - kept[0, DISTANCE]
    end = int(np.searchsorted(gone, distance))
    if not 0 < end < gone.size:
        raise NoSolutionError(
            f"the exit of {distance:g} m is not reached in the time of the scenario: "
            f"the car came {gone[-1]:.0f} m far, ask for less"
        )
    part = (distance - gone[end - 1]) / (gone[end] - gone[end - 1])
    over = kept[:end, SLIP] > _EVENT * driver.slip_target
    events = int(np.count_nonzero(over[1:] & ~over[:-1])) + int(over[0])
    return Exit(1e-3 * (end - 1 + float(part)), float(kept[end, SPEED]), events, gain)


def corner_table(
    car: Car,
    calibration: Calibration,
    *,
    delays: Sequence[float] = (0.15, 0.25, 0.35),
    resolutions: Sequence[float] = (0.5, 1.0, 2.0),
    distance: float = 40.0,
    on_event: OnEvent = ignore,
    cancelled: Cancelled = never,
) -> tuple[CornerRow, ...]:
    """Drive the designed map and a one-to-one map with drivers of all kinds.

    Parameters
    ----------
    car : Car
        A car in motion.
    calibration : Calibration
        The designed one.
    delays : sequence of float [s]
        Reaction delays.
    resolutions : sequence of float [mm]
        Finest steps of the foot.
    distance : float [m]
        Length of the exit.
    on_event : callable
        Receives progress.
    cancelled : callable
        Asked between drivers.

    Returns
    -------
    tuple of CornerRow
        The perfect driver first (no delay, no step), then each delay with each step.

    Notes
    -----
    Both maps get the same boost target, and each the briskness that suits it best. The driver
    thinks in plate opening and knows the map by heart, so what is left is the foot: on a map that
    is steep where the plate works, one step of the foot is a large step of torque. A driver who
    has yet to learn the map would lose more.
    """
    scenario = load_scenario("corner_exit")
    boosted = same_boost(feet_only(calibration))
    maps = (pack_calibration(boosted), pack_calibration(one_to_one(boosted)))
    pairs = [(0.0, 0.0), *((d, r) for d in delays for r in resolutions)]
    rows = np.empty((round(scenario.duration * 1e3), ROW_WIDTH))
    found = []
    for n, (delay, step) in enumerate(pairs):
        check_cancelled(cancelled)
        on_event(Event("corner", n, len(pairs), f"{delay:g} s, {step:g} mm"))
        best = [
            min(
                (
                    drive_exit(
                        car,
                        packed,
                        scenario,
                        delay_s=delay,
                        resolution_mm=step,
                        gain=gain,
                        distance=distance,
                        rows=rows,
                    )
                    for gain in GAINS
                ),
                key=lambda exit_: exit_.time_s,
            )
            for packed in maps
        ]
        found.append(CornerRow(delay, step, best[0], best[1]))
    return tuple(found)
