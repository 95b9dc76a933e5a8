"""The torque monitor: what it permits, what it finds, and that a healthy car never trips it."""

from __future__ import annotations

import os
from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from throttlewright.build.catalogue import load_example, load_example_intent
from throttlewright.build.intent import Intent
from throttlewright.build.intent_roles import TorqueMonitor
from throttlewright.calibration.calibration import Calibration
from throttlewright.calibration.pack import pack_calibration
from throttlewright.calibration.table import Axis, Table
from throttlewright.car.motion import in_motion
from throttlewright.car.pack import Car, pack
from throttlewright.car.record import BoostState
from throttlewright.car.surface import evaluate
from throttlewright.design.roles import all_rows
from throttlewright.design.rows import Rows
from throttlewright.design.torque_monitor import torque_monitor
from throttlewright.drive.scenario import expand, load_scenario
from throttlewright.drive.simulate import simulate
from throttlewright.prove.campaign import applies_to
from throttlewright.prove.figures_monitor import torque_above_permitted

TURBO, PLAIN, SEVERAL = "hillclimb_20t", "trackday_16", "v8_48_itb"
WHOLE = os.environ.get("THROTTLEWRIGHT_EFFORT") == "full"
RPM = np.pi / 30.0


@cache
def moving(name: str) -> Car:
    return in_motion(pack(load_example(name).build))


def wanted(name: str, monitor: TorqueMonitor | None) -> Intent:
    return load_example_intent(name).intent.model_copy(update={"torque_monitor": monitor})


@cache
def rows(name: str) -> Rows:
    return torque_monitor(moving(name), wanted(name, TorqueMonitor()))


def table(name: str, which: str) -> Table:
    return next(t for t in rows(name).tables if t.name == which)


@cache
def calibration(name: str) -> Calibration:
    """Rows of the car with the monitor's reactions alone; the plate goes with permitted torque."""
    car = moving(name)
    made = all_rows(car, wanted(name, TorqueMonitor()))
    tables = {t.name: t for t in made.tables}
    # plate over pedal by the role's own maps: the plate whose torque is the permitted one
    asked, given = tables["torque_over_pedal"], tables["torque_over_plate"]
    fine = np.linspace(0.0, 100.0, 401)
    speeds = asked.axes[0].values[1:]
    plate = np.empty((speeds.size, asked.axes[1].values.size))
    for i, speed in enumerate(speeds):
        at = given.lookup(np.full(fine.shape, speed), fine)
        reached = np.searchsorted(at, asked.values[i + 1] - 1e-6)
        plate[i] = np.where(reached > 0, fine[np.minimum(reached, 400)], 0.0)
    plate = np.maximum.accumulate(plate, axis=1)
    for mode in load_example_intent(name).intent.mode:
        key = f"plate_over_pedal_{mode}"
        tables[key] = Table(
            key, "plate", "%", (Axis("engine_rpm", "rpm", speeds), asked.axes[1]), plate,
            percent_meaning="plate 0 closed, 100 open; pedal 0 released, 100 full",
        )  # fmt: skip
    return Calibration(tables, made.numbers, made.limits, rows(name).reactions)


def test_nothing_unless_asked_for() -> None:
    assert torque_monitor(moving(TURBO), wanted(TURBO, None)) == Rows()


def test_individual_plates_are_refused_with_the_reason() -> None:
    found = rows(SEVERAL)
    assert "no signal of load" in found.refused
    assert not found.tables
    assert not found.reactions


def test_it_says_what_it_is() -> None:
    assert any("simulation aid" in note for note in rows(TURBO).notes)


def test_tolerance_and_time_follow_the_intent() -> None:
    tight = TorqueMonitor().model_copy(update={"tolerance": 0.05, "confirm": 0.1})
    found = torque_monitor(moving(PLAIN), wanted(PLAIN, tight)).reactions
    usual = rows(PLAIN).reactions
    assert [r.reaction for r in found] == ["cut", "fuel_speed"]
    assert found[0].limit == pytest.approx(usual[0].limit / 3.0, abs=0.1)
    assert {r.time_s for r in found} == {0.1}


@pytest.mark.parametrize("name", [TURBO, PLAIN])
def test_torque_seen_is_that_of_the_engine(name: str) -> None:
    """At its own pressure a steady engine is seen to give its torque."""
    car = moving(name)
    seen = table(name, "torque_over_pressure")
    for rpm, plate in ((2000.0, 5.0), (3000.0, 20.0), (5000.0, 100.0)):
        psi = car.psi_closed + plate / 100.0 * (car.psi_open - car.psi_closed)
        at, _ = evaluate(car, np.array([rpm * RPM]), np.array([[psi]]), state=BoostState.SETTLED)
        torque, pressure = float(at["torque"][0, 0]), float(at["map"][0, 0]) / 1e3
        allowed = 0.25 * rows(name).reactions[0].limit  # far inside the tolerance
        assert float(seen.lookup(rpm, pressure)) == pytest.approx(torque, abs=allowed)
    if name == PLAIN:
        # with a turbo it may dip where boost begins and the turbine's back pressure with it
        assert np.all(np.diff(seen.values, axis=1) > 0.0)


@pytest.mark.parametrize("name", [TURBO, PLAIN])
def test_more_pedal_and_more_floor_permit_more(name: str) -> None:
    for which in ("torque_over_pedal", "torque_over_plate"):
        assert np.all(np.diff(table(name, which).values, axis=1) >= -1e-9)
    pedal = table(name, "torque_over_pedal")
    full = float(pedal.lookup(4000.0, 100.0))
    assert float(pedal.lookup(4000.0, 0.0)) < 0.0 < 0.9 * full
    # below idle, while an engine is started, everything is permitted
    assert float(pedal.lookup(250.0, 0.0)) >= float(
        table(name, "torque_over_pressure").lookup(250.0, 101.0)
    )


def test_the_plate_at_rest_is_always_permitted() -> None:
    rec = moving(PLAIN).record
    rest = 100.0 * float(rec["default_opening"]) / float(rec["servo_travel"])
    plate = table(PLAIN, "torque_over_plate")
    car, rpm = moving(PLAIN), float(plate.axes[0].values[3])
    psi = car.psi_closed + rest / 100.0 * (car.psi_open - car.psi_closed)
    at, _ = evaluate(car, np.array([rpm * RPM]), np.array([[psi]]))
    given = float(plate.lookup(rpm, 0.0))
    assert given == pytest.approx(float(at["torque"][0, 0]), abs=1.5)
    assert given < float(plate.lookup(rpm, 20.0))


def _lost(reactions: bool):
    car, made = moving(TURBO), calibration(TURBO)
    made = made if reactions else replace(made, reactions=())
    run = simulate(car, pack_calibration(made), load_scenario("monitor_plate_lost"))
    return run, torque_above_permitted(run, car, wanted(TURBO, TorqueMonitor()))


def test_a_plate_off_its_shaft_is_found_and_the_torque_goes() -> None:
    run, judged = _lost(True)
    assert judged.good
    begun = [e.t_s for e in run.events if "cut begins" in e.text or "cut begins" in e.name]
    assert begun
    assert 1.0 + TorqueMonitor().confirm <= begun[0] < 2.0
    _, without = _lost(False)
    assert without.good is False
    assert without.value > 2.0 * judged.value


HEALTHY = ("steady_cruise", "tip_out", "idle_load_steps", "pedal_release_neutral")


@pytest.mark.parametrize("name", [TURBO, PLAIN])
@pytest.mark.parametrize("scenario", HEALTHY)
def test_a_healthy_car_never_trips_it(name: str, scenario: str) -> None:
    car, packed = moving(name), pack_calibration(calibration(name))
    given = load_scenario(scenario)
    if not applies_to(given, car):
        pytest.skip("the car cannot drive it")
    variants = expand(given) if WHOLE else expand(given)[:1]
    for variant in variants:
        run = simulate(car, packed, variant)
        assert float(run.channel("detected_1").values.max()) == 0.0, variant.name
