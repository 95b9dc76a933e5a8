"""A calibration with the typical rows and reactions, its plate one to one, for a car by hand."""

from __future__ import annotations

from functools import cache

import numpy as np
from drive_bench import TURBO, moving

from throttlewright.build.catalogue import load_example_intent
from throttlewright.calibration.calibration import Calibration, Number
from throttlewright.calibration.table import Axis, Table
from throttlewright.design.reactions import typical_reactions
from throttlewright.design.roles import all_rows


@cache
def whole_calibration(name: str = TURBO) -> Calibration:
    car = moving(name)
    intent = load_example_intent(name).intent
    rows = all_rows(car, intent)
    meaning = "plate 0 closed stop, 100 open stop; pedal 0 released, 100 full"
    speed = Axis("engine_rpm", "rpm", [800.0, 7000.0])
    pedal = Axis("pedal_pct", "%", [0.0, 50.0, 100.0])
    tables = {t.name: t for t in rows.tables}
    for mode in intent.mode:
        key = f"plate_over_pedal_{mode}"
        values = np.array([[0.5, 6.0, 100.0]] * 2)
        tables[key] = Table(key, "plate", "%", (speed, pedal), values, percent_meaning=meaning)
    limit = Number(car.limit * 30.0 / np.pi, "rpm", "build")
    numbers = rows.numbers | {"rev_limit_rpm": limit}
    return Calibration(tables, numbers, rows.limits, typical_reactions(car, intent))
