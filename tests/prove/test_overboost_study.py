"""Overboost with the plate alone: rise rates, the bound, the steady hold, the latch."""

from __future__ import annotations

import os
from functools import cache

import numpy as np
import pytest

from throttlewright.build.catalogue import load_example, load_example_intent
from throttlewright.build.intent import Intent
from throttlewright.calibration.calibration import Calibration, Number
from throttlewright.calibration.pack import Packed, pack_calibration
from throttlewright.calibration.table import Axis, Table
from throttlewright.car.motion import in_motion
from throttlewright.car.pack import Car, pack
from throttlewright.design.reactions import typical_reactions
from throttlewright.design.roles import all_rows
from throttlewright.drive.scenario import load_scenario
from throttlewright.drive.simulate import simulate
from throttlewright.prove.figures_overboost import FIGURES
from throttlewright.prove.overboost_study import (
    PEAK,
    closings,
    hold_at_speed,
    hold_bound,
    plate_alone,
    rise,
)

EFFORT = float(os.environ.get("THROTTLEWRIGHT_EFFORT", "1"))


@cache
def bench() -> tuple[Car, Intent, Calibration]:
    car = in_motion(pack(load_example("hillclimb_20t").build))
    intent = load_example_intent("hillclimb_20t").intent
    rows = all_rows(car, intent)
    meaning = "plate 0 closed stop, 100 open stop; pedal 0 released, 100 full"
    rpm = Axis("engine_rpm", "rpm", [800.0, 7000.0])
    pedal = Axis("pedal_pct", "%", [0.0, 50.0, 100.0])
    tables = {t.name: t for t in rows.tables}
    for mode in intent.mode:
        key = f"plate_over_pedal_{mode}"
        values = np.array([[1.0, 50.0, 100.0]] * 2)
        tables[key] = Table(key, "plate", "%", (rpm, pedal), values, percent_meaning=meaning)
    numbers = rows.numbers | {"rev_limit_rpm": Number(car.limit * 30.0 / np.pi, "rpm", "build")}
    return car, intent, Calibration(tables, numbers, rows.limits, typical_reactions(car, intent))


@cache
def alone() -> Packed:
    return plate_alone(bench()[2])


@pytest.mark.parametrize("bar_s", [1.0, 2.0, 3.0])
def test_usual_rise_rates_stay_under_the_peak(bar_s: float) -> None:
    car, intent, _ = bench()
    found = rise(car, alone(), intent, rate=bar_s * 1e5, rpm=4500.0)
    assert found.peak <= PEAK
    assert found.over_s <= 0.3


def test_the_bound_is_where_the_peak_passes() -> None:
    car, intent, _ = bench()
    bound = hold_bound(car, alone(), intent, rpm=4500.0)
    assert 3e5 < bound < 40e5
    assert rise(car, alone(), intent, rate=bound, rpm=4500.0).peak <= PEAK
    assert rise(car, alone(), intent, rate=1.2 * bound, rpm=4500.0).peak > PEAK


@pytest.mark.parametrize("rpm", [4500.0] if EFFORT <= 1 else [4000.0, 4500.0, 5500.0, 6500.0])
def test_the_plate_holds_the_limit_with_the_wastegate_stuck(rpm: float) -> None:
    car, intent, _ = bench()
    held = hold_at_speed(car, alone(), intent, rpm=rpm)
    assert held.error <= 3e3
    assert held.margin > 0.0
    assert held.pipe > 250e3  # the turbo runs on


def test_relief_valve_and_rate_make_the_margin() -> None:
    car, intent, _ = bench()
    with_valve, without = closings(car, intent), closings(car, intent, relief=False)
    assert max(c.margin for c in with_valve) > max(c.margin for c in without)
    assert all(c.relief_flow > 0.0 for c in with_valve)


def test_boost_stays_off_until_the_pedal_is_released() -> None:
    car, intent, calibration = bench()
    recording = simulate(car, pack_calibration(calibration), load_scenario("overboost_latched"))
    judged = FIGURES["overboost_latch"](recording, car, intent)
    assert judged.good, judged.text
    t = np.asarray(recording.channels["map_kPa"].t_s)
    pressure = np.asarray(recording.channels["map_kPa"].values)
    ambient = float(car.record["p_ambient"]) / 1e3
    # freed at 5.5 s it stays off until the lift at 6.5 s, and comes back after it
    assert pressure[(t > 5.5) & (t < 6.5)].max() < ambient + 3.0
    assert pressure[t > 8.0].max() > ambient + 20.0
    assert FIGURES["overboost_peak"](recording, car, intent).good
