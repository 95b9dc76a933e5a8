"""Can this plate idle this engine: yes, and no with what would fix it."""

from __future__ import annotations

import pytest
from idle_bench import EXAMPLES, RPM, moving, with_gap

from throttlewright.build.intent_roles import Idle
from throttlewright.car.flows import plate_area_of
from throttlewright.car.pack import Car
from throttlewright.car.record import copied
from throttlewright.design.idle import idle_design
from throttlewright.design.idle_air import idle_point, point_at
from throttlewright.design.idle_feasibility import MOST_RIPPLE, closed_speed, feasibility


@pytest.mark.parametrize("name", EXAMPLES)
def test_the_examples_idle_on_their_gap(name: str) -> None:
    car = moving(name)
    made = idle_design(car, Idle())
    found = feasibility(car, retard_deg=made.retard_deg, spark_gain=made.spark_gain)
    assert found.can, found.answer
    assert found.answer.startswith("yes")
    assert not found.fixes
    assert found.ripple < MOST_RIPPLE < found.ripple_alone


def test_a_90_mm_plate_with_a_common_gap_cannot() -> None:
    # 50 to 80 um are common on large bodies, from memory
    car = with_gap("hillclimb_20t", 60e-6)
    found = feasibility(car)
    assert not found.can
    assert found.leak > 1.0
    assert found.closed_rpm > car.idle * RPM
    text = " ".join(found.notes)
    for word in (
        "already passes more air",
        "um or less",
        "bypass valve",
        "30 deg of retard",
        "stop does",
    ):
        assert word in text
    # the named gap is one that does
    assert 10e-6 < found.gap < 60e-6
    fixed = feasibility(with_gap("hillclimb_20t", 0.98 * found.gap))
    assert fixed.leak * 1.3 < 1.0
    assert not any("um or less" in fix for fix in fixed.fixes)


def test_the_speed_on_the_shut_plate_is_a_balance() -> None:
    car = with_gap("hillclimb_20t", 80e-6)
    rpm = closed_speed(car)
    torque, _, _ = point_at(car, omega=rpm / RPM, psi=car.psi_closed)
    assert torque == pytest.approx(0.0, abs=0.02)


def test_ripple_is_one_step_of_the_converter() -> None:
    car = moving("hillclimb_20t")
    alone = feasibility(car)
    # by hand: one step of plate, its share of the air, and speed by what the model says of both
    rec = car.record
    volts = max(abs(rec["plate_at_open"][k] - rec["plate_at_closed"][k]) for k in (0, 1))
    step = float(rec["sensor_step"]) / float(volts) * (car.psi_open - car.psi_closed)
    point = idle_point(car, omega=car.idle)
    low, high = car.idle, 1.5 * car.idle
    for _ in range(40):
        middle = 0.5 * (low + high)
        torque, _, _ = point_at(car, omega=middle, psi=point.psi + step)
        low, high = (middle, high) if torque > 0.0 else (low, middle)
    assert alone.ripple_alone == pytest.approx((low - car.idle) * RPM, rel=0.25)
    finer = copied(rec)
    finer["sensor_step"] /= 4.0
    four = feasibility(Car(car.build, finer))
    assert four.ripple_alone == pytest.approx(alone.ripple_alone / 4.0)
    assert four.bits == pytest.approx(alone.bits + 2.0)
    assert "2 more bits" in " ".join(alone.fixes)
    assert not any("bits" in fix for fix in four.fixes)


def test_the_leak_is_a_share_of_the_need() -> None:
    car = moving("trackday_16")
    point = idle_point(car, omega=car.idle)
    closed, need = (float(plate_area_of(p, car.record)) for p in (car.psi_closed, point.psi))
    assert feasibility(car).leak == pytest.approx(closed / need)
