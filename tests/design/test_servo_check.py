"""The servo's controller in its corners, and its margins against another program."""

from __future__ import annotations

import dataclasses
import math

import pytest
from test_servo_numbers import INTENT, body

from throttlewright.calibration.calibration import Number
from throttlewright.design.servo import most_duty, servo
from throttlewright.design.servo_check import CORNERS, check_servo, loop_transfer, margins
from throttlewright.foundation.errors import InputError


@pytest.fixture(scope="module")
def found():
    return check_servo(body(), servo(body(), INTENT).numbers)


def test_steps_at_usual_conditions(found) -> None:
    # judgement from published servo figures: 100 ms, 150 ms, 0.3 deg, larger of 2 % and 0.3 deg
    usual = [m for m in found.moves if m.condition.nominal]
    assert len(usual) == 18
    for m in usual:
        assert m.rise <= 0.100, m
        assert m.settle <= 0.150, m
        assert m.static <= 0.3, m
        assert m.overshoot <= max(0.02 * abs(m.end - m.start), 0.3), m


def test_large_steps_in_corners(found) -> None:
    corners = [m for m in found.moves if not m.condition.nominal and abs(m.end - m.start) > 5.0]
    assert len(corners) == 8 * 5
    assert all(m.ok for m in corners), [m for m in corners if not m.ok]


def test_a_servo_with_half_the_motor_fails_the_check() -> None:
    weak = check_servo(
        body(motor_constant=0.15), servo(body(), INTENT).numbers, corners=CORNERS[:1]
    )
    assert not weak.ok


def test_stick_slip_lag_and_hold(found) -> None:
    # suggested acceptance 0.5 deg on a ramp of 10 %/s and 20 ms at 2 Hz; judgement
    usual = [r for r in found.ramps if r.condition.nominal]
    assert all(r.stick_slip <= 0.5 for r in found.ramps)
    assert all(0.0 < r.lag <= 0.020 for r in usual)
    # by hand: (0.396 + 0.087 * 78 deg) / 0.383 = 1.343 A; with the loss of a winding in balance
    hold = found.holds[0]
    assert hold.current == pytest.approx((0.396 + 0.087 * math.radians(78.0)) / 0.383, rel=1e-9)
    heat = (hold.T_winding - 293.15) / 8.0
    warm = 1.5 * (1.0 + 0.00393 * (hold.T_winding - 293.15))
    assert heat == pytest.approx(hold.current**2 * warm, rel=0.03)


@pytest.mark.parametrize("below", [False, True])
@pytest.mark.parametrize("delay", [0.0, 1.5e-3, 4e-3])
def test_margins_equal_python_control(below, delay) -> None:
    control = pytest.importorskip("control")
    car = body(spring_below=2.0)
    num, den = loop_transfer(car, servo(car, INTENT).numbers, below=below, delay=delay)
    gain, phase, at_gain, at_phase = control.margin(control.tf(num, den))
    mine = margins(num, den)
    assert mine.phase == pytest.approx(phase, rel=1e-6)
    assert mine.omega_phase == pytest.approx(at_phase, rel=1e-6)
    assert mine.gain == pytest.approx(gain, rel=1e-6)
    if math.isfinite(gain):
        assert mine.omega_gain == pytest.approx(at_gain, rel=1e-6)


def test_below_rest_the_gain_allows_for_the_opening_spring() -> None:
    soft, stiff = (servo(body(spring_below=k), INTENT).numbers for k in (0.087, 2.0))
    assert soft["servo_kp_below_share"].value == pytest.approx(1.0)
    assert stiff["servo_kp_below_share"].value < 1.0


def test_current_limit_by_hand() -> None:
    # stall of a winding at -20 degC: 1.5 (1 - 0.00393 * 40) ohm at 15 V
    cold = 1.5 * (1.0 - 0.00393 * 40.0)
    assert most_duty(body(), most_current=6.0) == pytest.approx(6.0 * cold / 15.0, rel=1e-6)
    assert most_duty(body(), most_current=50.0) == 1.0
    with pytest.raises(InputError, match="cannot open the plate"):
        most_duty(body(), most_current=1.0)


def test_temperature_scaling_speeds_up_a_hot_servo() -> None:
    hot = [dataclasses.replace(CORNERS[0], T_body=393.15)]
    numbers = dict(servo(body(), INTENT).numbers)
    scaled = check_servo(body(), numbers, corners=hot).moves[0]
    numbers["servo_warm_per_K"] = Number(0.0, "1/K", "off")
    plain = check_servo(body(), numbers, corners=hot).moves[0]
    assert scaled.rise < plain.rise
