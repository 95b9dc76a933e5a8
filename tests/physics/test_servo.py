"""Plate servo against worked values of a published parameter set and against exact solutions.

LOH13 is Loh, Thanom, Pyko and Lee, Engineering 5 (2013) 587-600 (a laboratory-identified body, read
at second hand). The times were worked out from it by explicit Euler at 20 us, in other hands.
"""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from throttlewright.physics.servo import (
    BRIDGE_DRIVEN,
    BRIDGE_OPEN,
    BRIDGE_SHORTED,
    copper_resistance,
    friction_after_step,
    motor_current,
    servo_step,
    spring_torque,
)

REST = math.radians(6.0)
LOH13 = {
    "theta_open": math.radians(84.0),
    "theta_default": REST,
    "stiffness_above": 0.087,
    "preload_above": 0.396,
    "stiffness_below": 0.087,
    "preload_below": 0.396,
    "band": math.radians(0.25),
    "coulomb": 0.284,
    "breakaway": 0.284,
    "viscous": 0.0088,
    "inertia": 0.0021,
    "motor_constant": 0.383,
    "resistance": 1.5,
    "inductance": 1.5e-3,
}


def run(
    seconds: float,
    *,
    theta: float,
    voltage: float = 0.0,
    bridge: float = BRIDGE_DRIVEN,
    h: float = 2e-5,
    **change: float,
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    part = {**LOH13, **change}
    n = round(seconds / h)
    rows = np.empty((n + 1, 3))
    rows[0] = theta, 0.0, 0.0
    for k in range(n):
        rows[k + 1] = servo_step(
            rows[k, 0], rows[k, 1], current=rows[k, 2], voltage=voltage, bridge=bridge, load=0.0,
            h=h, **part,
        )  # fmt: skip
    return rows[:, 0], rows[:, 1], rows[:, 2]


def opening_time(volts: float, h: float = 2e-5) -> float:
    theta, _, _ = run(0.25, theta=REST, voltage=volts, h=h)
    level = REST + 0.9 * (LOH13["theta_open"] - REST)
    return float(np.argmax(theta >= level)) * h


def test_stalled_motor_draws_8_amperes_and_gives_3_newton_metres() -> None:
    _, _, current = run(0.03, theta=LOH13["theta_open"], voltage=12.0)
    assert current[-1] == pytest.approx(8.0, rel=1e-6)  # LOH13: 12 V / 1.5 ohm
    assert current[-1] * LOH13["motor_constant"] == pytest.approx(3.06, rel=2e-3)  # LOH13, worked


@pytest.mark.parametrize(("above_deg", "amperes"), [(1.0, 1.03), (78.0, 1.34)])
def test_holding_current(above_deg: float, amperes: float) -> None:
    """LOH13, worked: 1.03 A just above the rest position, 1.34 A at the open stop."""
    torque = spring_torque(
        REST + math.radians(above_deg),
        REST,
        **{k: LOH13[k] for k in (
            "stiffness_above", "preload_above", "stiffness_below", "preload_below", "band",
        )},
    )  # fmt: skip
    assert torque / LOH13["motor_constant"] == pytest.approx(amperes, rel=0.01)


@pytest.mark.parametrize(("volts", "milliseconds"), [(8, 118), (10, 90), (12, 75), (14, 65)])
def test_full_opening_time(volts: float, milliseconds: float) -> None:
    """LOH13, worked by explicit Euler at 20 us: to 90 % of the way from the rest position."""
    assert 1e3 * opening_time(volts) == pytest.approx(milliseconds, rel=0.015)


@pytest.mark.parametrize(
    ("bridge", "friction", "seconds"),
    [
        (BRIDGE_OPEN, 1.0, 0.18),
        (BRIDGE_SHORTED, 1.0, 0.82),
        (BRIDGE_OPEN, 1.25, 0.23),
        (BRIDGE_SHORTED, 1.25, 1.48),
    ],
)
def test_springs_alone_close_the_plate(bridge: float, friction: float, seconds: float) -> None:
    """LOH13, worked: open stop to 4.2 degrees above rest; a shorted winding brakes the springs."""
    tc = LOH13["coulomb"] * friction
    theta, _, _ = run(
        2.0, theta=LOH13["theta_open"], bridge=bridge, h=1e-4, coulomb=tc, breakaway=tc
    )
    reached = np.argmax(theta <= REST + math.radians(4.2)) * 1e-4
    assert reached == pytest.approx(seconds, abs=0.011, rel=0.02)


def test_hot_copper() -> None:
    """1.5 ohm at 20 degrees C is 2.09 ohm at 120 (copper, from memory)."""
    assert copper_resistance(1.5, 393.15) == pytest.approx(2.09, abs=0.005)


def test_current_is_the_exact_exponential() -> None:
    end, mean = motor_current(1.0, 12.0, back_emf=2.0, resistance=1.5, inductance=1.5e-3, h=1e-3)
    final = 10.0 / 1.5
    assert end == pytest.approx(final + (1.0 - final) * math.exp(-1.0), rel=1e-12)
    t = np.linspace(0.0, 1e-3, 20001)
    exact = np.trapezoid(final + (1.0 - final) * np.exp(-t / 1e-3), t) / 1e-3
    assert mean == pytest.approx(exact, rel=1e-8)


def test_step_converges_at_first_order() -> None:
    def end(h: float) -> float:
        return float(run(0.04, theta=REST, voltage=12.0, h=h)[0][-1])

    fine = end(1.25e-6)
    errors = [abs(end(h) - fine) for h in (8e-5, 4e-5, 2e-5)]
    orders = [math.log2(a / b) for a, b in pairwise(errors)]
    assert all(0.8 < order < 1.5 for order in orders), orders
    assert opening_time(12.0, 1e-4) == pytest.approx(opening_time(12.0, 5e-6), rel=0.01)


@given(
    theta=st.floats(0.02, 1.3),
    share=st.floats(-0.98, 0.98),
)
@settings(deadline=None, derandomize=True, max_examples=40)
def test_a_stuck_plate_does_not_creep(theta: float, share: float) -> None:
    """Within the friction band the plate stands still exactly, at any step."""
    spring = spring_torque(
        theta,
        REST,
        **{k: LOH13[k] for k in (
            "stiffness_above", "preload_above", "stiffness_below", "preload_below", "band",
        )},
    )  # fmt: skip
    torque = spring + share * LOH13["coulomb"]
    volts = torque / LOH13["motor_constant"] * LOH13["resistance"]
    part = {**LOH13, "inductance": 0.0}
    now = (theta, 0.0, 0.0)
    for _ in range(200):
        now = servo_step(
            now[0], now[1], current=now[2], voltage=volts, bridge=BRIDGE_DRIVEN, load=0.0,
            h=1e-4, **part,
        )  # fmt: skip
    assert now[0] == theta
    assert now[1] == 0.0


@given(omega=st.floats(-50.0, 50.0), coulomb=st.floats(0.0, 1.0))
@settings(deadline=None, derandomize=True, max_examples=60)
def test_friction_only_slows(omega: float, coulomb: float) -> None:
    after = friction_after_step(
        omega, False, coulomb=coulomb, breakaway=coulomb, inertia=2e-3, h=1e-4
    )
    assert abs(after) <= abs(omega)
    assert after * omega >= 0.0


def test_plate_stays_between_its_stops() -> None:
    for volts in (-14.0, 14.0):
        theta, _, _ = run(0.2, theta=0.5, voltage=volts, h=1e-4)
        assert theta.min() >= 0.0
        assert theta.max() <= LOH13["theta_open"]
        assert theta[-1] == (0.0 if volts < 0 else LOH13["theta_open"])
