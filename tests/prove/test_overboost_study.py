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
from throttlewright.foundation.errors import InputError
from throttlewright.prove.figures_overboost import FIGURES
from throttlewright.prove.overboost_study import (
    PEAK,
    Risen,
    at_rate,
    closings,
    hold_at_speed,
    hold_bound,
    plate_alone,
    rises,
    shape_cost,
    without_overboost,
)

FULL = os.environ.get("THROTTLEWRIGHT_EFFORT", "small") == "full"


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


@cache
def risen(rpm: float, whole: bool) -> tuple[Risen, ...]:
    car, intent, calibration = bench()
    tried = pack_calibration(calibration) if whole else alone()
    return rises(car, tried, without_overboost(calibration), intent, rpm=rpm)


@pytest.mark.parametrize("whole", [False, True])
@pytest.mark.parametrize("bar_s", [1.0, 2.0, 3.0])
@pytest.mark.parametrize("rpm", [4500.0, 6500.0])
def test_usual_rise_rates_stay_under_the_peak(rpm: float, bar_s: float, whole: bool) -> None:
    found = at_rate(risen(rpm, whole), bar_s * 1e5)
    assert 0.0 < found.peak <= 0.6 * PEAK
    # a slow rise at a low speed ends where the turbo only just reaches the limit: the loop's own
    # integral is slower still
    assert found.over_s <= (0.6 if rpm < 5000.0 and bar_s < 2.0 else 0.2)


def test_nothing_stays_under_the_peak_where_no_row_acts() -> None:
    car, intent, calibration = bench()
    bare = without_overboost(calibration)
    found = rises(car, bare, bare, intent, rpm=4500.0, factors=(1.0,))
    assert found[0].peak > 2.0 * PEAK
    # the turbo of the example itself crosses the limit faster than the usual 1 to 3 bar/s
    assert found[0].rate > 3e5


def test_the_bound_is_where_the_peak_passes() -> None:
    slow, fast = hold_bound(risen(4500.0, False)), hold_bound(risen(6500.0, False))
    assert not slow.within
    assert slow.rate > 5e5
    assert "within the range tried, up to" in slow.text
    assert not fast.within
    assert fast.rate > 8e5
    line = [Risen(1e5, 0.0, 0.5 * PEAK, 0.0), Risen(2e5, 0.0, 1.5 * PEAK, 0.0)]
    assert hold_bound(line).rate == pytest.approx(1.5e5)
    assert at_rate(line, 1.25e5).peak == pytest.approx(0.75 * PEAK)
    with pytest.raises(InputError, match="both sides"):
        at_rate(line, 3e5)


SPEEDS = [4500.0, 5000.0, 5500.0, 6000.0, 6500.0] if FULL else [4500.0, 6500.0]


@pytest.mark.parametrize("rpm", SPEEDS)
def test_the_plate_holds_the_limit_with_the_wastegate_stuck(rpm: float) -> None:
    car, intent, _ = bench()
    held = hold_at_speed(car, alone(), intent, rpm=rpm)
    assert abs(held.mean) <= 1e3
    assert held.swing <= 1.5e3
    assert held.error <= 3e3
    assert held.peak <= PEAK
    assert held.margin > 0.0
    assert held.pipe > 250e3  # the turbo runs on


def test_the_closing_rate_costs_no_peak_and_gains_margin() -> None:
    car, intent, calibration = bench()
    shaped, slammed = shape_cost(car, calibration, intent, rpm=3800.0)
    assert shaped.peak == pytest.approx(slammed.peak, abs=100.0)
    assert shaped.margin > slammed.margin + 0.1
    assert slammed.off_s < shaped.off_s < 0.6


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
    # freed at 8 s it stays off until the pedal is released at 9 s, and comes back after it
    assert pressure[(t > 8.0) & (t < 9.0)].max() < ambient + 3.0
    assert pressure[t > 11.0].min() > ambient + 50.0
    assert FIGURES["overboost_peak"](recording, car, intent).good
