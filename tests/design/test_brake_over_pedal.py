"""Brake over pedal in the simulation: order, speed, pressure, release, and a broken switch."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from typing import Any

import numpy as np
import pytest
from safe_cars import car_with, driven, typical

from throttlewright.build.catalogue import load_example_intent
from throttlewright.build.intent import Intent
from throttlewright.calibration.calibration import Number
from throttlewright.calibration.defaults import DEFAULTS
from throttlewright.calibration.pack import Packed, pack_calibration
from throttlewright.calibration.reactions import ACTIONS
from throttlewright.car.motion import in_motion
from throttlewright.car.pack import Car
from throttlewright.design.brake_override import brake_override, override_reactions
from throttlewright.drive.faults import InjectedFault
from throttlewright.drive.scenario import load_scenario
from throttlewright.drive.simulate import simulate
from throttlewright.recording.recording import Recording

RELEASED = 1 << ACTIONS.index("release_pedal")


@cache
def moving() -> Car:
    return in_motion(car_with())


def intent(*books: str) -> Intent:
    found = load_example_intent("hillclimb_20t").intent
    rules = found.rules.model_copy(update={"books": books})
    return found.model_copy(update={"rules": rules})


@cache
def packed(signal: str = "one switch", **numbers: float) -> Packed:
    held = driven()
    own = brake_override(car_with(controller__brake_signal=signal), intent()).numbers
    changed = {name: Number(value, DEFAULTS[name].unit, "test") for name, value in numbers.items()}
    only = tuple(r for r in held.reactions if r.detection == "brake_with_pedal")
    assert len(only) == 1
    return pack_calibration(replace(held, numbers=held.numbers | own | changed, reactions=only))


def drive(name: str, cal: Packed, *faults: InjectedFault) -> Recording:
    return simulate(moving(), cal, load_scenario(name), faults=faults)


def acted(run: Recording) -> np.ndarray:
    return np.asarray(run.channel("action_1").values.astype(int) & RELEASED > 0)


def test_a_stuck_pedal_gives_way_to_the_brake_in_its_time() -> None:
    run = drive("brake_override", packed())
    hit = acted(run)
    first = float(run.channel("action_1").t_s[np.argmax(hit)])
    # brake from 1.4 s; 0.5 s of delay (Formula Student T11.6), looked at every 10 ms
    assert 1.9 <= first <= 1.94
    assert hit[-1], "the pedal is still stuck: nothing is given back"
    assert float(run.channel("pedal_used_pct").values[-1]) == 0.0


@pytest.mark.parametrize("name", ["heel_and_toe", "hill_start", "launch_arming", "downshift"])
def test_what_is_meant_is_let(name: str) -> None:
    run = drive(name, packed())
    assert not acted(run).any()
    braked = run.channel("brake_pct").values > 1.0
    assert (run.channel("pedal_pct").values[braked] > 25.0).any(), "nothing was tried"


def test_without_the_order_the_stab_counts_as_a_stuck_pedal() -> None:
    assert acted(drive("heel_and_toe", packed(brake_override_order=0.0))).any()


def test_the_speed_gate_lets_a_standing_car_arm_a_launch_whatever_the_order() -> None:
    assert not acted(drive("launch_arming", packed(brake_override_order=0.0))).any()
    # the gate does decide: the stuck pedal of a moving car is let pass when it lies too high
    assert not acted(drive("brake_override", packed(brake_override_above_m_s=100.0))).any()


def test_left_foot_braking_needs_a_pressure() -> None:
    assert acted(drive("left_foot_braking", packed("one switch"))).any()
    assert not acted(drive("left_foot_braking", packed("pressure"))).any()
    # the gate must not hide hard braking
    hard = load_scenario("brake_override")
    pressed = tuple(
        c.model_copy(update={"value": (0.0, 0.0, 60.0)}) if c.channel == "brake_pct" else c
        for c in hard.input
    )
    run = simulate(moving(), packed("pressure"), hard.model_copy(update={"input": pressed}))
    assert acted(run).any()


def test_a_broken_switch_raises_no_alarm_and_loses_the_override() -> None:
    """What the tool says of one switch: the loss is not noticed."""
    lost = InjectedFault(kind="brake_switch_lost", at="0.2 s")  # type: ignore[arg-type]
    assert not acted(drive("lift_and_brake", packed(), lost)).any()
    assert not acted(drive("brake_override", packed(), lost)).any()
    notes = brake_override(car_with(controller__brake_signal="one switch"), intent()).notes
    assert any("broken wire" in note for note in notes)


def test_the_pedal_is_given_back_only_when_released() -> None:
    scenario = load_scenario("brake_override")
    freed = scenario.fault[0].model_copy(update={"until": 3.0})
    inputs = tuple(
        c.model_copy(update={"t_s": (0.0, 1.5, 3.4), "value": (50.0, 0.0, 40.0)})
        if c.channel == "pedal_pct"
        else c.model_copy(update={"t_s": (0.0, 1.4, 1.6, 2.4, 2.5),
                                  "value": (0.0, 0.0, 20.0, 20.0, 0.0)})
        for c in scenario.input
    )  # fmt: skip
    run = simulate(
        moving(), packed(), scenario.model_copy(update={"fault": (freed,), "input": inputs})
    )
    t, hit = run.channel("action_1").t_s, acted(run)
    assert hit[(t > 2.6) & (t < 3.0)].all(), "the brake is off, but the pedal still stands"
    assert not hit[t > 3.1].any()
    used = run.channel("pedal_used_pct").values
    back = (t > 3.4) & (t < 3.5)
    # 150 %/s of authority: 0.1 s gives at most 15 points
    assert used[back].max() <= 15.5
    assert used[-1] == pytest.approx(40.0, abs=1.0)


def test_rows_follow_books_use_and_signal() -> None:
    def numbers(signal: str, *books: str, **changes: Any) -> dict[str, float]:
        car = car_with(controller__brake_signal=signal, **changes)
        return {k: n.value for k, n in brake_override(car, intent(*books)).numbers.items()}

    student = numbers("pressure", "Formula Student")
    assert student["brake_override_order"] == 0.0
    assert student["brake_override_above_m_s"] == 0.0
    assert student["brake_override_least_pct"] == 0.0
    assert numbers("pressure")["brake_override_least_pct"] > 0.0
    assert numbers("pressure", use="road")["brake_override_least_pct"] == 0.0
    assert numbers("none") == {}
    blind = override_reactions(car_with(controller__brake_signal="none"), typical().reactions)
    assert all(row.detection != "brake_with_pedal" for row in blind)
    assert len(blind) == len(typical().reactions)
