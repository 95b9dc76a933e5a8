"""Rows against overboost on the examples: order, latch, closing rate, what they say."""

from __future__ import annotations

import math
from functools import cache

import numpy as np
import pytest

from throttlewright.build.catalogue import load_example, load_example_intent
from throttlewright.build.intent import Intent
from throttlewright.calibration.limits import Limit
from throttlewright.car.pack import Car, pack
from throttlewright.car.record import BoostState
from throttlewright.car.surface import evaluate
from throttlewright.design.overboost import ROLE, closing_starts, overboost, pressure_limits
from throttlewright.design.overboost_closing import (
    LEAST_MARGIN,
    RATES,
    Closing,
    best_closing,
    close_plate,
    moving_car,
)
from throttlewright.design.reactions import typical_reactions
from throttlewright.design.rows import Rows
from throttlewright.design.speed_limits import least_plate


@cache
def turbo() -> tuple[Car, Intent, Rows]:
    car = pack(load_example("hillclimb_20t").build)
    intent = load_example_intent("hillclimb_20t").intent
    return car, intent, overboost(car, intent)


def row(name: str) -> Limit:
    return next(limit for limit in turbo()[2].limits if limit.name == name)


@pytest.mark.parametrize("name", ["trackday_16", "v8_48_itb"])
def test_nothing_where_nothing_charges(name: str) -> None:
    rows = overboost(pack(load_example(name).build), load_example_intent(name).intent)
    assert (rows.limits, rows.tables, rows.notes) == ((), (), ())


def test_stages_come_in_order_and_fuel_last_whatever_the_plate_does() -> None:
    names = [limit.name for limit in turbo()[2].limits]
    assert names == [
        "overboost_ahead",
        "overboost_hold",
        "overboost_off",
        "overboost_fuel",
    ]
    fuel = row("overboost_fuel")
    assert (fuel.output, fuel.side, fuel.arm) == ("fuel_cut", "floor", "map_kPa > 260")
    assert turbo()[2].numbers["overboost_fuel.to"].value == 1.0  # all cylinders


@pytest.mark.parametrize("rpm", [2600.0, 4000.0, 6500.0])
@pytest.mark.parametrize("over", [15.0, 40.0, 90.0])
def test_the_ceiling_simulated_back_gives_the_limit(rpm: float, over: float) -> None:
    car, intent, rows = turbo()
    limits = pressure_limits(car, intent)
    assert limits is not None
    limit = limits[0]
    table = next(t for t in rows.tables if t.name == "overboost_plate")
    pipe = limit + 1e3 * over
    pct = float(table.lookup(pipe / 1e3, rpm))
    psi = car.psi_closed + pct / 100.0 * (car.psi_open - car.psi_closed)
    found, _ = evaluate(
        car,
        np.array([rpm * math.pi / 30.0]),
        np.array([[psi]]),
        state=BoostState.HELD,
        pressure=pipe,
    )
    assert float(found["map"][0, 0]) == pytest.approx(limit, abs=4e3)


@pytest.mark.parametrize("rpm", [2600.0, 4000.0, 6500.0])
@pytest.mark.parametrize("pipe", [130e3, 200e3, 320e3])
def test_the_off_plate_leaves_no_boost(rpm: float, pipe: float) -> None:
    car, _, rows = turbo()
    table = next(t for t in rows.tables if t.name == "overboost_off_plate")
    pct = float(table.lookup(pipe / 1e3, rpm))
    psi = car.psi_closed + pct / 100.0 * (car.psi_open - car.psi_closed)
    found, _ = evaluate(
        car,
        np.array([rpm * math.pi / 30.0]),
        np.array([[psi]]),
        state=BoostState.HELD,
        pressure=pipe,
    )
    ambient = float(car.record["p_ambient"])
    assert 0.85 * ambient < float(found["map"][0, 0]) <= 1.03 * ambient


def test_the_latch_follows_the_intent() -> None:
    car, intent, rows = turbo()
    assert rows.numbers["overboost_off.after_s"].value == 1.0
    assert rows.numbers["overboost_off.until_released"].value == 1.0
    assert intent.overboost is not None
    longer = intent.overboost.model_copy(update={"latch_after": 2.5})
    made = overboost(car, intent.model_copy(update={"overboost": longer}))
    assert made.numbers["overboost_off.after_s"].value == 2.5


def test_the_pipe_may_rise_behind_a_holding_plate_before_a_reaction_acts() -> None:
    car, intent, _ = turbo()
    found = {r.detection: r for r in typical_reactions(car, intent)}
    assert found["overboost"].limit == pytest.approx(245.0 + 60.0)
    assert found["map_high"].limit == pytest.approx(270.0)


@cache
def closing(rate: float, relief: bool) -> Closing:
    car, intent, _ = turbo()
    limits = pressure_limits(car, intent)
    assert limits is not None
    start, off = closing_starts(moving_car(car), limits[0])[0]
    return close_plate(start, off, rate_pct_s=rate, relief=relief)


def test_the_closing_rate_is_the_best_that_the_relief_valve_allows() -> None:
    chosen = row("overboost_off").fall_rate
    assert chosen in RATES
    least = closing(chosen, True).margin
    others = [closing(rate, True).margin for rate in RATES]
    if least >= LEAST_MARGIN:
        assert all(m < LEAST_MARGIN for r, m in zip(RATES, others, strict=True) if r > chosen)
    else:
        assert least == pytest.approx(max(others))
    # a plate that slams shut comes nearer to surge
    assert closing(RATES[0], True).margin < least


def test_without_a_relief_valve_no_rate_spares_the_turbo() -> None:
    assert max(closing(rate, False).margin for rate in RATES) < 0.0
    assert closing(RATES[0], False).surge_s > 10.0 * closing(RATES[0], True).surge_s
    assert closing(RATES[0], False).relief_flow == 0.0
    _, intent, _ = turbo()
    bare = load_example("hillclimb_20t").build
    assert bare.turbo is not None
    bare = bare.model_copy(update={"turbo": bare.turbo.model_copy(update={"relief_valve": False})})
    notes = " ".join(overboost(pack(bare), intent).notes)
    assert "no closing rate of the plate that protects the engine protects the turbo" in notes
    assert "without it the margin falls" not in notes
    assert best_closing(()) is None


def test_the_note_gives_the_figures_of_the_closing() -> None:
    chosen = closing(row("overboost_off").fall_rate, True)
    note = next(n for n in turbo()[2].notes if n.startswith("boost off"))
    assert f"{chosen.margin_before:.2f} while the plate holds, {chosen.margin:.2f} at least" in note
    assert f"({closing(RATES[0], True).margin:.2f} at" in note
    assert f"{100 * chosen.relief_most:.0f} % open {chosen.relief_open_s:.2g} s after" in note
    assert f"up to {1e3 * chosen.relief_flow:.0f} g/s" in note
    bare = closing(chosen.rate_pct_s, False)
    assert f"without it the margin falls to {bare.margin:.2f}" in note
    assert "never" not in note
    assert math.isnan(bare.relief_open_s)
    # a valve never opens faster than its lag lets it: 0.05 s to 63 % of what is asked
    assert all(closing(rate, True).relief_open_s >= 0.05 for rate in RATES)


def test_the_loop_leaves_the_air_to_idle_on() -> None:
    car, _, rows = turbo()
    assert rows.numbers["overboost_hold.least"].value >= round(least_plate(car), 3) > 0.0


def test_it_says_what_the_plate_cannot_do() -> None:
    assert "the plate saves the engine" in turbo()[2].notes[0]
    assert "not the turbo" in ROLE.text
    assert "never by blocking" in ROLE.caution
    assert {t.key for t in ROLE.typical} == {"limit", "fuel_cut", "latch_after"}
