"""Example cars and intents with the roles that take torque away, and their calibrations."""

from __future__ import annotations

import math
from functools import cache

import numpy as np

from throttlewright.build import intent_roles as asked
from throttlewright.build.catalogue import load_example, load_example_intent
from throttlewright.build.intent import Intent
from throttlewright.calibration.calibration import Calibration, Number
from throttlewright.calibration.table import Axis, Table
from throttlewright.car.motion import in_motion
from throttlewright.car.pack import Car, pack
from throttlewright.design.reactions import typical_reactions
from throttlewright.design.roles import ROLES, all_rows
from throttlewright.design.rows import Rows

EXAMPLES = ("hillclimb_20t", "trackday_16", "v8_48_itb")
SECTIONS = {
    "hot_coolant": asked.HotCoolant(),
    "hot_oil": asked.HotOil(),
    "hot_intake": asked.HotIntake(),
    "hot_exhaust": asked.HotExhaust(),
    "lean_mixture": asked.LeanMixture(),
    "low_fuel_pressure": asked.LowFuelPressure(),
    "low_oil_pressure": asked.LowOilPressure(),
    "low_battery": asked.LowBattery(),
    "ethanol": asked.Ethanol(),
}


@cache
def moving(name: str) -> Car:
    return in_motion(pack(load_example(name).build))


def intent_of(name: str, **sections: object) -> Intent:
    return load_example_intent(name).intent.model_copy(update=sections)


@cache
def rows_of(name: str, role: str) -> Rows:
    """Rows of one of these roles at its typical values."""
    found = next(r for r in ROLES if r.name == role)
    return found.design(moving(name), intent_of(name, **{role: SECTIONS[role]}))


def calibrated(car: Car, intent: Intent, more: Rows | None = None) -> Calibration:
    """All roles and reactions, the plate following the pedal one to one, full boost asked for."""
    rows = all_rows(car, intent)
    more = more or Rows()
    tables = {t.name: t for t in (*rows.tables, *more.tables)}
    rpm = Axis("engine_rpm", "rpm", [800.0, 7000.0])
    for mode in intent.mode:
        pedal = Axis("pedal_pct", "%", [0.0, 50.0, 100.0])
        key = f"plate_over_pedal_{mode}"
        meaning = "plate 0 closed stop, 100 open stop; pedal 0 released, 100 full"
        values = np.array([[1.0, 50.0, 100.0]] * 2)
        tables[key] = Table(key, "plate", "%", (rpm, pedal), values, percent_meaning=meaning)
        if car.controllable:
            key = f"boost_target_{mode}"
            top = float(np.max(car.record["boost"])) / 1e3
            values = np.array([[100.0, 150.0, top]] * 2)
            tables[key] = Table(key, "boost", "kPa", (rpm, pedal), values, percent_meaning=meaning)
    limit = Number(car.limit * 30.0 / math.pi, "rpm", "build")
    return Calibration(
        tables,
        rows.numbers | more.numbers | {"rev_limit_rpm": limit},
        rows.limits + more.limits,
        typical_reactions(car, intent),
    )
