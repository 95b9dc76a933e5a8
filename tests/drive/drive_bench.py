"""Cars with an even pedal map and short runs of the stepping kernel, for its tests."""

from __future__ import annotations

from functools import cache

import numpy as np

from throttlewright.build.catalogue import load_example, load_example_intent
from throttlewright.calibration.calibration import Calibration, Number
from throttlewright.calibration.pack import Packed, pack_calibration
from throttlewright.calibration.table import Axis, Table
from throttlewright.car.motion import in_motion
from throttlewright.car.pack import Car, pack
from throttlewright.design.reactions import typical_reactions
from throttlewright.design.roles import all_rows
from throttlewright.drive.scenario import Scenario, load_scenario

TURBO = "hillclimb_20t"


@cache
def moving(name: str = TURBO) -> Car:
    return in_motion(pack(load_example(name).build))


@cache
def calibrated(name: str = TURBO) -> Packed:
    """The typical rows and reactions of a car, its plate following the pedal one to one."""
    car = moving(name)
    intent = load_example_intent(name).intent
    rows = all_rows(car, intent)
    meaning = "plate 0 closed stop, 100 open stop; pedal 0 released, 100 full"
    rpm = Axis("engine_rpm", "rpm", [800.0, 7000.0])
    pedal = Axis("pedal_pct", "%", [0.0, 50.0, 100.0])
    tables = {t.name: t for t in rows.tables}
    for mode in intent.mode:
        key = f"plate_over_pedal_{mode}"
        values = np.array([[1.0, 50.0, 100.0]] * 2)
        tables[key] = Table(key, "plate", "%", (rpm, pedal), values, percent_meaning=meaning)
    limit = Number(car.limit * 30.0 / np.pi, "rpm", "build")
    numbers = rows.numbers | {"rev_limit_rpm": limit}
    return pack_calibration(
        Calibration(tables, numbers, rows.limits, typical_reactions(car, intent))
    )


@cache
def scenario(name: str) -> Scenario:
    return load_scenario(name)
