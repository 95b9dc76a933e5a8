"""The sheet's steps: expected values, order, and what measured values do to them."""

from __future__ import annotations

import math
from functools import cache

import pytest
from safe_cars import car_with, typical

from throttlewright.design.commission import (
    PHASES,
    Step,
    commission_steps,
    given_car,
    judge_steps,
)
from throttlewright.design.failsafe import gate, rest_speed
from throttlewright.foundation.errors import InputError


@cache
def steps(capped: bool = True) -> tuple[Step, ...]:
    from dataclasses import replace

    car, held = car_with(), typical()
    if not capped:
        kept = tuple(r for r in held.reactions if r.reaction != "fuel_speed")
        held = replace(held, reactions=kept)
    rest = rest_speed(car)
    return commission_steps(car, held, rest=rest, gate=gate(car, held, rest=rest))


def good(until: str = "") -> dict[str, float | bool]:
    filled: dict[str, float | bool] = {}
    for step in steps():
        if step.key == until:
            break
        filled[step.key] = True if step.expected is None else step.expected
    return filled


def test_expected_values_by_hand() -> None:
    by = {s.key: s for s in steps()}
    # hold current of LOH13 just above rest and 78 deg higher: 1.03 and 1.34 A in the reference
    # notes on servo and safety, 1.3; the example's travel ends 72 deg above rest
    assert by["hold_rest_A"].expected == pytest.approx(0.396 / 0.383, rel=1e-3)
    assert by["hold_open_A"].expected == pytest.approx(
        (0.396 + 0.087 * math.radians(72.0)) / 0.383, rel=1e-3
    )
    assert by["hold_rest_pct"].expected == pytest.approx(
        100.0 * 0.396 / 0.383 * 1.65 / 13.8, rel=1e-3
    )
    # tracks 0.75 to 4.25 V and back over 78 deg, resting at 6
    assert by["plate_1_default_V"].expected == pytest.approx(0.75 + 3.5 * 6.0 / 78.0, rel=1e-3)
    assert by["plate_2_default_V"].expected == pytest.approx(4.25 - 3.5 * 6.0 / 78.0, rel=1e-3)
    assert by["default_rpm"].expected == typical().numbers["limp_rpm"].value
    assert by["idle_rpm"].expected == pytest.approx(1050.0, rel=1e-9)


def test_order_is_fingers_air_fuel_drive() -> None:
    order = [list(PHASES).index(s.phase) for s in steps()]
    assert order == sorted(order)
    assert len({s.key for s in steps()}) == len(steps())
    for step in steps():
        assert step.stop
        assert step.then


def test_a_later_step_is_not_judged_before_the_earlier_ones_are_filled() -> None:
    early = judge_steps(steps(), {"idle_rpm": 1050.0})
    assert next(j for j in early if j.step.key == "idle_rpm").status == "locked"
    whole = judge_steps(steps(), good())
    assert {j.status for j in whole} == {"pass"}
    assert {j.origin for j in whole} == {"given"}
    holed = good() | {}
    del holed["plate_free"]
    states = [j.status for j in judge_steps(steps(), holed)]
    assert states[3] == "open"
    assert set(states[4:]) == {"locked"}


def test_a_failed_step_stops_the_work() -> None:
    bad = good() | {"closing_cold_s": 1.2}
    found = judge_steps(steps(), bad)
    at = next(i for i, j in enumerate(found) if j.step.key == "closing_cold_s")
    assert found[at].status == "fail"
    assert found[at].text == found[at].step.stop
    assert all(j.status == "locked" for j in found[at + 1 :])
    assert judge_steps(steps(), good() | {"direction": False})[12].status == "fail"


@pytest.mark.parametrize("key", [s.key for s in steps() if s.expected is not None])
def test_each_number_fails_outside_its_tolerance(key: str) -> None:
    step = next(s for s in steps() if s.key == key)
    for value in (step.low - 1e-3 * max(step.low, 1.0), step.high * 1.001):
        if math.isfinite(value) and value >= 0.0:
            filled = good(key) | {key: value}
            assert next(j for j in judge_steps(steps(), filled) if j.step.key == key).status == (
                "fail"
            )


def test_a_closed_gate_has_no_first_start() -> None:
    shut = steps(capped=False)
    filled: dict[str, float | bool] = {
        s.key: True if s.expected is None else s.expected for s in shut
    }
    found = {j.step.key: j for j in judge_steps(shut, filled)}
    assert found["gate_open"].status == "fail"
    assert "Do not start" in found["gate_open"].step.do
    assert found["idle_rpm"].status == "locked"


def test_measured_values_stand_in_for_the_build() -> None:
    car = car_with()
    assert given_car(car, {"idle_rpm": 1000.0}) is car
    real = given_car(
        car, {"motor_ohm": 1.7, "plate_1_closed_V": 0.8, "plate_1_open_V": 4.2,
              "pedal_2_released_V": 0.4},
    )  # fmt: skip
    assert real.build.servo.resistance == 1.7
    assert real.build.sensors.plate[0].closed == 0.8
    assert real.build.sensors.plate[1] == car.build.sensors.plate[1]
    assert real.build.pedal == car.build.pedal, "one end of a track says nothing of the other"


@pytest.mark.parametrize(
    ("filled", "said"),
    [
        ({"motor_ohms": 1.5}, "motor_ohm"),
        ({"motor_ohm": True}, "not a number"),
        ({"battery_off": 1.0}, "true or false"),
        ({"motor_ohm": math.nan}, "finite"),
    ],
)
def test_filled_values_that_cannot_be_used(filled: dict[str, float | bool], said: str) -> None:
    with pytest.raises(InputError, match=said):
        judge_steps(steps(), filled)
