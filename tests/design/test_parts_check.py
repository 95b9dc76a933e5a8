"""Parts against the controller."""

from __future__ import annotations

import math
from typing import Any

import pytest
from safe_cars import car_with

from throttlewright.build.plate import Lever
from throttlewright.build.vehicle import Track
from throttlewright.design.parts import (
    LEAST_BUDGET,
    PartVerdict,
    check_parts,
    lever_share,
    torque_budget,
)


def verdicts(**changes: Any) -> dict[str, PartVerdict]:
    return {v.name: v for v in check_parts(car_with(**changes), bits_needed=10)}


def track(a: float, b: float) -> Track:
    return Track.model_validate({"released": a, "full": b}, context={"si": True})


def test_torque_budget_is_the_textbook_sum() -> None:
    """Small plate, so that air hardly counts: K V / R against spring and friction, by hand.

    LOH13 (Engineering 5, 2013, after a second-hand copy): K 0.383, R 1.5 ohm, springs
    0.396 N m and 0.087 N m/rad, friction 0.284; copper 0.00393/K; loom 0.15 ohm assumed.
    """
    car = car_with(plate__bore=0.010, plate__leak_area=1e-8, plate__shaft=0.001)
    budget = torque_budget(car)
    hot = 1.5 * (1.0 + 0.00393 * 100.0)
    assert budget.available == pytest.approx(0.383 * 9.0 / (hot + 0.15), rel=1e-3)
    assert math.degrees(budget.opening) == pytest.approx(78.0, abs=0.1)
    needed = 0.396 + 0.087 * math.radians(72.0) + 1.15 * 0.284
    assert budget.spring + budget.friction == pytest.approx(needed, rel=1e-4)
    assert budget.air < 0.01 * needed


def test_a_weak_motor_fails_and_a_strong_one_passes() -> None:
    good = torque_budget(car_with())
    assert verdicts()["motor torque, 9 V and hot"].status == "pass"
    weak = 0.99 * 0.383 * LEAST_BUDGET / good.ratio
    assert verdicts(servo__motor_constant=weak)["motor torque, 9 V and hot"].status == "fail"


def test_a_linkage_takes_torque_where_it_moves_the_plate_fast() -> None:
    lever = Lever(motor_deg=(0.0, 30.0, 90.0), plate_deg=(6.0, 45.0, 84.0))
    car = car_with(plate__lever=lever)
    assert lever_share(car.build) == pytest.approx((30.0 / 39.0) / (90.0 / 78.0), rel=1e-12)
    assert torque_budget(car).available < torque_budget(car_with()).available


@pytest.mark.parametrize(
    ("name", "changes"),
    [
        ("pedal tracks", {"pedal__tracks": (track(0.75, 4.2),)}),
        ("pedal tracks", {"pedal__tracks": (track(0.75, 4.2), track(0.75, 4.2))}),
        ("pedal tracks", {"controller__track_pairs": ("mirror",)}),
        ("plate tracks", {"controller__track_pairs": ("half",)}),
        ("bridge current", {"controller__bridge_current": 2.0}),
        ("fuse", {"controller__fuse": 1.0}),
        ("fuse", {"controller__fuse": 60.0}),
        ("loom", {"servo__loom_resistance": 1.0}),
        ("return spring", {"servo__preload_above": 0.2}),
        ("shut-off routes", {"controller__shut_off": ("bridge", "relay")}),
        ("shut-off routes", {"controller__shut_off": ("fuel",)}),
        ("brake signal", {"controller__brake_signal": "none"}),
        ("converter", {"plate__sensor_bits": 8}),
        ("5 V supplies", {"controller__sensor_supplies": 1}),
    ],
)
def test_each_part_can_fail_and_names_its_fix(name: str, changes: dict[str, Any]) -> None:
    sound = verdicts(controller__sensor_supplies=2)
    assert sound[name].status == "pass"
    assert not sound[name].fix
    bad = verdicts(**changes)[name]
    assert bad.status == "fail"
    assert bad.fix


def test_what_passes_on_an_assumed_number_is_not_proven() -> None:
    found = {v.name: v for v in check_parts(car_with(), assumed={"controller.fuse"})}
    assert found["fuse"].status == "not_proven"
    assert "controller.fuse" in found["fuse"].text
    assert found["loom"].status == "pass"
