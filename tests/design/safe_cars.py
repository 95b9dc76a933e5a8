"""Cars with a changed build, and calibrations of typical rows, for the fail-safe tests."""

from __future__ import annotations

from functools import cache
from typing import Any

import numpy as np

from throttlewright.build.catalogue import load_example, load_example_intent
from throttlewright.build.paths import with_value
from throttlewright.calibration.calibration import Calibration, Number
from throttlewright.calibration.table import Axis, Table
from throttlewright.car.pack import Car, pack
from throttlewright.design.reactions import typical_reactions
from throttlewright.design.roles import all_rows

BIG = "hillclimb_20t"
"""The example with a 90 mm plate."""


def car_with(name: str = BIG, **changes: Any) -> Car:
    """Keys are written with two underscores for the dot."""
    build = load_example(name).build
    for key, value in changes.items():
        build = with_value(build, key.replace("__", "."), value)
    return pack(build)


@cache
def typical(name: str = BIG) -> Calibration:
    car, intent = car_with(name), load_example_intent(name).intent
    return Calibration({}, all_rows(car, intent).numbers, (), typical_reactions(car, intent))


@cache
def driven(name: str = BIG) -> Calibration:
    """The whole calibration, every mode with the plate following the pedal one to one."""
    car, intent = car_with(name), load_example_intent(name).intent
    rows = all_rows(car, intent)
    rpm = Axis("engine_rpm", "rpm", [800.0, 7000.0])
    pedal = Axis("pedal_pct", "%", [0.0, 50.0, 100.0])
    meaning = "plate 0 closed stop, 100 open stop; pedal 0 released, 100 full"
    tables = {table.name: table for table in rows.tables}
    for mode in intent.mode:
        key = f"plate_over_pedal_{mode}"
        values = np.array([[1.0, 50.0, 100.0]] * 2)
        tables[key] = Table(key, "plate", "%", (rpm, pedal), values, percent_meaning=meaning)
    limit = Number(car.limit * 30.0 / np.pi, "rpm", "build")
    numbers = rows.numbers | {"rev_limit_rpm": limit}
    return Calibration(tables, numbers, rows.limits, typical_reactions(car, intent))
