"""What the rules of the lint share: findings, what is known of the car, and places in tables."""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from typing import Literal, TypeAlias

import numpy as np
from numpy.typing import NDArray

from throttlewright.calibration.calibration import Calibration
from throttlewright.calibration.defaults import DEFAULTS
from throttlewright.calibration.limits import OUTPUT_TOP, Condition, Limit, conditions
from throttlewright.calibration.signals import CHANNEL_NAMES, CHANNELS
from throttlewright.calibration.table import Axis, Table

__all__ = [
    "Finding",
    "Known",
    "Rule",
    "Severity",
    "demands",
    "free_bound",
    "number_of",
    "overlap",
    "pairs",
    "place",
    "reach",
    "table_bounds",
    "unit_of",
    "window",
]

Severity = Literal["error", "warning", "note"]


@dataclass(frozen=True)
class Finding:
    """One thing that a rule found.

    ``where`` names the table or row, ``at`` the cell or the place on its axes; ``figure`` is in
    ``unit``, None where there is no number to show. ``text`` is one sentence, ``advice`` what to
    do.
    """

    rule: str
    severity: Severity
    where: str
    at: str
    figure: float | None
    unit: str
    text: str
    advice: str


@dataclass(frozen=True)
class Known:
    """What is known of the car beside the calibration; None and empty where nothing is.

    ``idle_plate_pct`` is the plate that holds warm idle, ``sensor_top`` the most that a channel
    can read, ``share`` torque share over engine speed [rpm] and plate [%], ``capped`` the modes
    whose wish ends below full torque.
    """

    idle_rpm: float | None = None
    limit_rpm: float | None = None
    idle_plate_pct: float | None = None
    ambient_kPa: float = 101.325
    charged: bool | None = None
    sensor_top: dict[str, float] = field(default_factory=dict)
    share: Callable[[NDArray[np.float64], NDArray[np.float64]], NDArray[np.float64]] | None = None
    capped: tuple[str, ...] = ()


Found: TypeAlias = Iterable[Finding]


@dataclass(frozen=True)
class Rule:
    """One rule: its name, what it asks for in one sentence, and the search."""

    name: str
    text: str
    find: Callable[[Calibration, Known], Found]


_PLAUSIBLE: dict[str, tuple[float, float]] = {
    # from memory, road and track cars; what an engine meets while nothing is broken
    "pedal_pct": (0.0, 100.0),
    "plate_pct": (0.0, 100.0),
    "plate_target_pct": (0.0, 100.0),
    "map_kPa": (20.0, 300.0),
    "map_slope_kPa_s": (-2000.0, 2000.0),
    "pipe_kPa": (60.0, 320.0),
    "pipe_slope_kPa_s": (-1000.0, 1000.0),
    "coolant_degC": (-30.0, 120.0),
    "speed_m_s": (0.0, 90.0),
    "slip_1": (-1.0, 5.0),
    "gear_1": (0.0, 8.0),
    "mode_1": (0.0, 15.0),
    "since_start_s": (0.0, 3600.0),
    "brake_1": (0.0, 1.0),
    "clutch_1": (0.0, 1.0),
    "battery_V": (6.0, 16.0),
    "released_s": (0.0, 3600.0),
    "engine_slope_rpm_s": (-20000.0, 20000.0),
    "oil_degC": (-30.0, 160.0),
    "oil_kPa": (0.0, 800.0),
    "intake_degC": (-20.0, 120.0),
    "exhaust_degC": (0.0, 1100.0),
    "mixture_1": (0.6, 1.6),
    "fuel_pressure_pct": (0.0, 120.0),
    "ethanol_pct": (0.0, 100.0),
    "pit_1": (0.0, 1.0),
    "arm_1": (0.0, 1.0),
    "shift_1": (-1.0, 1.0),
    "driven_m_s": (0.0, 100.0),
}


def number_of(calibration: Calibration, name: str, usual: float | None = None) -> float | None:
    """Return a number of the calibration, or the usual one.

    Parameters
    ----------
    calibration : Calibration
        The calibration.
    name : str
        Name of the number.
    usual : float, optional [its own]
        Where the calibration lacks it; None for the typical value of the strategy.

    Returns
    -------
    float or None [its own]
        The number.
    """
    given = calibration.numbers.get(name)
    if given is not None:
        return float(given.value)
    if usual is None and name in DEFAULTS:
        return float(DEFAULTS[name].value)
    return usual


def reach(channel: str, calibration: Calibration, known: Known) -> tuple[float, float]:
    """Return the range that a channel plausibly has on this car.

    Parameters
    ----------
    channel : str
        Name of the channel.
    calibration : Calibration
        Its rev limit is the end of engine speed where the car is not known.
    known : Known
        The car.

    Returns
    -------
    tuple of float [unit of the channel]
        Least and most; from memory.
    """
    if channel == "engine_rpm":
        top = known.limit_rpm or number_of(calibration, "rev_limit_rpm") or 6500.0
        return 0.0, float(top)
    low, high = _PLAUSIBLE.get(channel, (-math.inf, math.inf))
    return low, min(high, known.sensor_top.get(channel, high))


def unit_of(channel: str) -> str:
    """Return the unit of a channel."""
    return CHANNELS[CHANNEL_NAMES.index(channel)].unit


def place(axes: Iterable[tuple[str, str, float]]) -> str:
    """Return a place such as ``engine_rpm 2000 rpm, pedal_pct 5 %``.

    Parameters
    ----------
    axes : iterable of (str, str, float)
        Name, unit and value of each axis; the value in that unit.

    Returns
    -------
    str
        The place.
    """
    return ", ".join(f"{name} {value:.6g} {unit}".rstrip() for name, unit, value in axes)


def demands(calibration: Calibration) -> list[tuple[Table, Axis | None, Axis, NDArray[np.float64]]]:
    """Return the tables of plate over pedal, turned so that the pedal runs across.

    A pasted table is taken by what it holds, whatever its name: plate in % over a pedal.

    Parameters
    ----------
    calibration : Calibration
        The calibration.

    Returns
    -------
    list of (Table, Axis or None, Axis, ndarray of shape (n, m) [%])
        Table, its axis of engine speed, its pedal axis and the plate.
    """
    found: list[tuple[Table, Axis | None, Axis, NDArray[np.float64]]] = []
    for table in calibration.tables.values():
        words = f"{table.name} {table.quantity}".lower()
        if table.unit != "%" or "share" in words or "torque" in words:
            continue
        pedals = [k for k, a in enumerate(table.axes) if "pedal" in a.name.lower()]
        if len(pedals) != 1:
            continue
        across = table.axes[pedals[0]]
        if len(table.axes) == 1:
            found.append((table, None, across, table.values[None, :]))
        elif pedals[0] == 1:
            found.append((table, table.axes[0], across, table.values))
        else:
            found.append((table, table.axes[1], across, table.values.T))
    return found


def free_bound(limit: Limit) -> float:
    """Return where a row stands that does not act [unit of its output]."""
    return OUTPUT_TOP[limit.output] if limit.side == "ceiling" else 0.0


def window(
    arms: Iterable[Condition], calibration: Calibration, known: Known, *, let_go: float = 0.0
) -> dict[str, tuple[float, float]]:
    """Return the range of each channel in which conditions hold; empty where low exceeds high.

    Parameters
    ----------
    arms : iterable of Condition
        Conditions, all of which must hold.
    calibration : Calibration
        As in ``reach``.
    known : Known
        As in ``reach``.
    let_go : float [unit of the first channel]
        Hysteresis that widens the first condition.

    Returns
    -------
    dict of str to tuple of float [unit of the channel]
        Least and most.
    """
    out: dict[str, tuple[float, float]] = {}
    for k, arm in enumerate(arms):
        low, high = out.get(arm.channel, reach(arm.channel, calibration, known))
        band = let_go if k == 0 else 0.0
        # a strict comparison leaves out its own number
        tiny = 0.0 if arm.op.endswith("=") else 1e-9 * max(1.0, abs(arm.number))
        if arm.op.startswith(">"):
            low = max(low, arm.number - band + tiny)
        else:
            high = min(high, arm.number + band - tiny)
        out[arm.channel] = (low, high)
    return out


def overlap(one: Limit, other: Limit, calibration: Calibration, known: Known) -> bool:
    """Return whether two rows can act at the same time, by their conditions alone."""
    arms = [*conditions(one.arm, one.name), *conditions(other.arm, other.name)]
    return all(low <= high for low, high in window(arms, calibration, known).values())


def table_bounds(
    limit: Limit, calibration: Calibration, known: Known, *, count: int = 25
) -> tuple[float, float] | None:
    """Return the least and the most that the table of a row gives over what can occur.

    Parameters
    ----------
    limit : Limit
        Row with the law ``table`` or ``model``.
    calibration : Calibration
        As in ``reach``.
    known : Known
        As in ``reach``.
    count : int [-]
        Points along each axis.

    Returns
    -------
    tuple of float or None [unit of the output]
        None where the row reads no table or its axes do not fit its channels.
    """
    if limit.law not in ("table", "model"):
        return None
    table = calibration.tables[limit.table]
    channels = [c for c in (limit.x, limit.y) if c]
    if len(channels) != len(table.axes):
        return None
    held = window(conditions(limit.arm, limit.name), calibration, known)
    lines = []
    for channel, axis in zip(channels, table.axes, strict=True):
        low, high = held.get(channel, reach(channel, calibration, known))
        if low > high:
            return None
        inside = axis.values[(axis.values > low) & (axis.values < high)]
        lines.append(np.unique(np.concatenate((np.linspace(low, high, count), inside))))
    grid = np.meshgrid(*lines, indexing="ij")
    values = table.lookup(*grid)
    return float(values.min()), float(values.max())


def pairs(limits: Iterable[Limit]) -> Iterable[tuple[Limit, Limit]]:
    """Return each pair of rows once."""
    return itertools.combinations(tuple(limits), 2)
