"""Cars in motion and short runs of the plant alone, for its tests."""

from __future__ import annotations

import math
from functools import cache
from typing import Any

import numpy as np

from throttlewright.build.catalogue import load_example
from throttlewright.car.motion import in_motion, start_state
from throttlewright.car.pack import Car, pack
from throttlewright.car.plant import car_sample, car_step
from throttlewright.car.plant_turbo import pack_stepping
from throttlewright.car.record import copied
from throttlewright.car.state import (
    AIR_PLATE,
    N_INPUT,
    PLATE,
    U_BRIDGE,
    U_CLOSING_SPRING,
    U_CLUTCH,
    U_FRICTION,
    U_FUEL,
    U_GRIP,
    U_HELD_SPEED,
    U_MOTOR,
    U_OPENING_SPRING,
    U_STUCK,
    U_WASTEGATE_STUCK,
    U_WINDING,
)
from throttlewright.physics.servo import BRIDGE_OPEN

RPM = math.pi / 30.0
WARM = 363.15
BLOWN = """format = "throttlewright.build"
format_version = 1
name = "Blown two litre"
[engine]
displacement = "2.0 L"
cylinders = 4
rev_limit = "7000 rpm"
[plate]
bore = "70 mm"
[supercharger]
displacement = "1.0 L"
drive_ratio = 2.0
bypass = true
boost = { rpm = [1500, 7000], gauge = "bar", value = [0.5, 0.6] }
"""


@cache
def moving(name: str) -> Car:
    """A shipped example, set in motion; the caller must not change its record."""
    return in_motion(pack(load_example(name).build))


def bare(name: str = "trackday_16", **fields: Any) -> np.void:
    """A record of an example whose plate is ideal air and whose cylinders keep no residual.

    With a compression ratio of 1e9 the residual takes 1e-9 of the charge, so filling is the
    constant volumetric efficiency that the closed forms assume.
    """
    record = copied(moving(name).record)
    record["compression_ratio"] = 1e9
    record["shape_gamma"] = record["gamma"] = 1.4
    record["charge_temperature_rise"] = 0.0
    record["filter_resistance"] = 0.0
    pack_stepping(record)
    for field, value in fields.items():
        record[field] = value
    return record


def healthy() -> np.ndarray:
    """Inputs of a healthy car: warm, all cylinders firing, bridge open, clutch engaged."""
    u = np.zeros(N_INPUT)
    for place in (
        U_FUEL,
        U_CLUTCH,
        U_GRIP,
        U_FRICTION,
        U_CLOSING_SPRING,
        U_OPENING_SPRING,
        U_MOTOR,
        U_WINDING,
    ):
        u[place] = 1.0
    u[U_BRIDGE] = BRIDGE_OPEN
    u[U_WASTEGATE_STUCK] = -1.0
    return u


def held() -> np.ndarray:
    """The same with a dyno that holds the speed and a plate that stays where it is."""
    u = healthy()
    u[U_HELD_SPEED] = 1.0
    u[U_STUCK] = 1.0
    return u


def started(car: Car, rpm: float, share: float, ratio: float = 0.0) -> np.ndarray:
    """State at a speed and a share of plate travel."""
    return start_state(
        car,
        omega=rpm * RPM,
        speed=0.0,
        ratio=ratio,
        opening=share * float(car.record["servo_travel"]),
        coolant=WARM,
    )


def set_plate(x: np.ndarray, car: np.void, share: float) -> None:
    x[PLATE] = x[AIR_PLATE] = share * float(car["servo_travel"])


def run(x: np.ndarray, u: np.ndarray, car: np.void, ticks: int, substeps: int = 1) -> None:
    """Step in place, as the kernel does."""
    h = 1e-3 / substeps
    for _ in range(ticks):
        car_sample(x, u, car=car)
        for _ in range(substeps):
            car_step(x, u, car=car, h=h)
