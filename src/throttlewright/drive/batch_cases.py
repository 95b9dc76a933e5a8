"""Cases of a batch: the same run with the car's less certain numbers moved, drawn one by one."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from types import MappingProxyType
from typing import Literal

import numpy as np

from throttlewright.car.flows import plate_area_of
from throttlewright.car.pack import Car
from throttlewright.car.record import AREA_POINTS, CarRecord, copied
from throttlewright.drive.faults import TICK, InjectedFault
from throttlewright.drive.scenario import Scenario
from throttlewright.foundation.compiled import kernel
from throttlewright.foundation.errors import InputError, nearest

__all__ = ["VARIED", "Case", "Varied", "case_at", "variations", "varied_car", "varied_scenario"]


@dataclass(frozen=True)
class Varied:
    """A number that differs from car to car, or that nobody knows better.

    Parameters
    ----------
    name : str
        As written in a spread.
    how : str
        ``factor`` multiplies, ``offset`` is added.
    unit : str
        SI unit of an offset; 1 for a factor.
    half : float
        Usual half-width: drawn evenly from -half to +half around no change.
    fields : tuple of str
        Fields of the car's record that move together; none where the start moves instead.
    text : str
        What it is.
    """

    name: str
    how: Literal["factor", "offset"]
    unit: str
    half: float
    fields: tuple[str, ...]
    text: str


VARIED: tuple[Varied, ...] = (
    Varied("ve", "factor", "1", 0.04, ("ve_speed",), "filling"),
    Varied("cd", "factor", "1", 0.05, ("cd", "leak_area"), "discharge of the plate"),
    Varied("closed", "offset", "rad", math.radians(0.3), ("psi_closed",), "closed stop"),
    Varied("friction", "factor", "1", 0.15, ("friction",), "friction of the engine"),
    Varied(
        "plate_friction",
        "factor",
        "1",
        0.3,
        ("servo_coulomb", "servo_breakaway", "servo_viscous"),
        "friction of the plate",
    ),
    Varied(
        "springs",
        "factor",
        "1",
        0.1,
        ("spring_above", "preload_above", "spring_below", "preload_below"),
        "springs of the plate",
    ),
    Varied("motor", "factor", "1", 0.05, ("motor_constant",), "constant of the motor"),
    Varied(
        "winding",
        "factor",
        "1",
        0.1,
        ("motor_resistance", "loom_resistance"),
        "resistance of winding and loom",
    ),
    Varied("battery", "offset", "V", 1.0, ("battery",), "supply"),
    Varied("mass", "factor", "1", 0.05, ("mass",), "mass of the car"),
    Varied("grip", "factor", "1", 0.15, ("grip",), "grip of the tyres"),
    Varied("coolant", "offset", "K", 5.0, (), "coolant at the start"),
    Varied("turbo_inertia", "factor", "1", 0.15, ("turbo_inertia",), "inertia of the turbo"),
    Varied("wastegate", "factor", "1", 0.1, ("wastegate_band",), "spring of the wastegate"),
    Varied("surge", "factor", "1", 0.1, ("surge_flow",), "surge line of the compressor"),
)
"""What varies, and how far unless told otherwise; widths are common practice, no source.

A new number goes to the end: what is drawn for a number hangs on its place.
"""

_BY_NAME = {v.name: v for v in VARIED}
_OF_TURBO = ("turbo_inertia", "wastegate", "surge")
_AREA = ("cd", "closed")


@dataclass(frozen=True)
class Case:
    """One run of a batch.

    Parameters
    ----------
    index : int
        Its number, from 0, which is the number of the variation in ``simulate`` too.
    seed : int
        Seed of the batch.
    moved : mapping of str to float
        By name: factor, or what is added in SI units. What is not named stays.
    faults : tuple of InjectedFault
        What breaks, on top of what the scenario breaks.
    """

    index: int
    seed: int
    moved: Mapping[str, float] = field(default_factory=dict)
    faults: tuple[InjectedFault, ...] = ()

    def __getstate__(self) -> tuple[int, int, dict[str, float], tuple[InjectedFault, ...]]:
        return self.index, self.seed, dict(self.moved), self.faults

    def __setstate__(
        self, state: tuple[int, int, dict[str, float], tuple[InjectedFault, ...]]
    ) -> None:
        for name, value in zip(("index", "seed", "moved", "faults"), state, strict=True):
            object.__setattr__(self, name, value)


def _width(spread: Mapping[str, float] | None) -> dict[str, float]:
    if spread is None:
        return {v.name: v.half for v in VARIED}
    for name, half in spread.items():
        if name not in _BY_NAME:
            close = nearest(name, list(_BY_NAME))
            raise InputError(
                "is not a number that varies",
                value=name,
                allowed=", ".join(_BY_NAME),
                advice=f'the nearest is "{close}"' if close else None,
            )
        most = 0.9 if _BY_NAME[name].how == "factor" else math.inf
        if not 0.0 <= half <= most:
            raise InputError("is no half-width", key=name, value=half, allowed=f"0 to {most:g}")
    return dict(spread)


def case_at(
    car: Car,
    index: int,
    seed: int,
    *,
    spread: Mapping[str, float] | None = None,
    faults: Sequence[InjectedFault] = (),
    jitter: float = 0.0,
) -> Case:
    """Draw one case; the same whatever else is drawn, and in whatever order.

    Parameters
    ----------
    car : Car
        What it does not have does not vary.
    index : int [-]
        Number of the case, from 0.
    seed : int [-]
        Seed of the batch, from 0.
    spread : mapping of str to float, optional
        Half-widths by name of ``VARIED``; what is not named stays. Without it, all as usual.
    faults : sequence of InjectedFault
        What breaks in each case.
    jitter : float [s]
        Each fault sets in later by up to this, evenly drawn.

    Returns
    -------
    Case
        The case.

    Raises
    ------
    InputError
        If a name of the spread is unknown or a width is out of range.

    Notes
    -----
    Counter-based generator (Salmon et al. 2011, as ``numpy.random.Philox``) with the seed as key.
    The number of the case is the second word of the counter: the first one counts what a case
    draws, so that two cases never share a number.
    """
    draw = np.random.Generator(np.random.Philox(key=seed, counter=[0, index, 0, 0]))
    width = _width(spread)
    even = draw.uniform(-1.0, 1.0, size=len(VARIED))
    moved = {
        v.name: width[v.name] * float(e) + (1.0 if v.how == "factor" else 0.0)
        for v, e in zip(VARIED, even, strict=True)
        if width.get(v.name, 0.0) > 0.0 and (car.turbo or v.name not in _OF_TURBO)
    }
    late = np.round(draw.uniform(0.0, 1.0, size=len(faults)) * jitter / TICK) * TICK
    broken = tuple(
        f.model_copy(
            update={"at": f.at + float(s), "until": None if f.until is None else f.until + float(s)}
        )
        for f, s in zip(faults, late, strict=True)
    )
    return Case(index, seed, MappingProxyType(moved), broken)


def variations(
    car: Car,
    n: int,
    seed: int,
    *,
    spread: Mapping[str, float] | None = None,
    faults: Sequence[InjectedFault] = (),
    jitter: float = 0.0,
) -> Iterator[Case]:
    """Draw cases one after the other, as they are asked for.

    Parameters
    ----------
    car : Car
        What it does not have does not vary.
    n : int [-]
        Number of cases.
    seed : int [-]
        Seed of the batch, from 0.
    spread : mapping of str to float, optional
        Half-widths by name of ``VARIED``. Without it, all as usual.
    faults : sequence of InjectedFault
        What breaks in each case.
    jitter : float [s]
        Each fault sets in later by up to this.

    Yields
    ------
    Case
        Case i is ``case_at(car, i, seed, ...)``: it does not hang on n.
    """
    for index in range(n):
        yield case_at(car, index, seed, spread=spread, faults=faults, jitter=jitter)


@kernel
def _areas(openings: np.ndarray, car: CarRecord, areas: np.ndarray) -> None:
    for i in range(openings.shape[0]):
        areas[i] = plate_area_of(car.psi_closed + openings[i], car)


def varied_car(car: Car, case: Case) -> Car:
    """Return the car of a case.

    Parameters
    ----------
    car : Car
        The nominal car, in motion.
    case : Case
        What is moved.

    Returns
    -------
    Car
        A copy; the given car is unchanged.

    Notes
    -----
    The numbers move and the parts stay: wheel, wastegate and shaft of the turbo keep the size that
    the nominal car gives them, as a car that breathes worse than its build says still has the
    turbo it has. Setting the varied car in motion anew would fit another turbo to it.
    """
    rec = copied(car.record)
    for name, value in case.moved.items():
        varied = _BY_NAME[name]
        for key in varied.fields:
            if varied.how == "factor":
                rec[key] *= value
            else:
                rec[key] = max(float(rec[key]) + value, 0.0)
    if any(name in case.moved for name in _AREA):
        openings = np.linspace(0.0, float(rec["servo_travel"]), AREA_POINTS)
        areas = np.empty(AREA_POINTS)
        _areas(openings, rec, areas=areas)
        rec["area_table"] = areas
    return replace(car, record=rec)


def varied_scenario(scenario: Scenario, case: Case) -> Scenario:
    """Return the scenario of a case, with its start moved.

    Parameters
    ----------
    scenario : Scenario
        One variant.
    case : Case
        What is moved.

    Returns
    -------
    Scenario
        The same one where nothing of the start moves.
    """
    if "coolant" not in case.moved:
        return scenario
    start = scenario.start
    warmer = start.coolant + case.moved["coolant"]
    return scenario.model_copy(update={"start": start.model_copy(update={"coolant": warmer})})
