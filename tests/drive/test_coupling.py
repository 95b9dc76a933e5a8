"""From outputs, inputs and faults to what the car receives."""

from __future__ import annotations

import math

import numpy as np
import pytest
from drive_bench import moving

from throttlewright.calibration import signals as s
from throttlewright.car import state as c
from throttlewright.drive import channels as i
from throttlewright.drive import faults as f
from throttlewright.drive.coupling import to_car
from throttlewright.physics.servo import BRIDGE_DRIVEN, BRIDGE_OPEN, BRIDGE_SHORTED


def outputs(**more: float) -> np.ndarray:
    out = np.zeros(s.N_OUT)
    out[s.OUT_PWM], out[s.OUT_RELAY] = 0.5, 1.0
    for name, value in more.items():
        out[getattr(s, name)] = value
    return out


def inputs(**more: float) -> np.ndarray:
    row = np.array([channel.default for channel in i.CHANNELS])
    row[i.IN_BATTERY] = 12.0
    for name, value in more.items():
        row[getattr(i, name)] = value
    return row


def received(
    out: np.ndarray, row: np.ndarray, kind: int | None = None, severity: float = 1.0
) -> np.ndarray:
    faults = np.zeros(f.N_FAULTS)
    if kind is not None:
        faults[kind] = severity
    u = np.full(c.N_INPUT, np.nan)
    to_car(out, row, faults=faults, car=moving().record, u=u)
    return u


def test_every_input_is_set_anew_each_tick() -> None:
    assert np.all(np.isfinite(received(outputs(), inputs())))


def test_a_healthy_car_gets_what_controller_and_driver_give() -> None:
    car = moving().record
    u = received(
        outputs(OUT_RETARD=12.0, OUT_FUEL_CUT=0.25, OUT_BLEED=40.0),
        inputs(IN_GEAR=3.0, IN_CLUTCH=60.0, IN_BRAKE=30.0, IN_LOAD=8.0, IN_GRIP=0.7, IN_GRADE=10.0),
    )
    assert u[c.U_BRIDGE] == BRIDGE_DRIVEN
    assert u[c.U_VOLTAGE] == 6.0
    assert u[c.U_RETARD] == pytest.approx(math.radians(12.0))
    assert (u[c.U_FUEL], u[c.U_BLEED]) == (0.75, pytest.approx(0.4))
    assert u[c.U_RATIO] == pytest.approx(float(car["ratios"][2] * car["final_drive"]))
    assert (u[c.U_CLUTCH], u[c.U_BRAKE]) == (pytest.approx(0.6), pytest.approx(0.3))
    assert (u[c.U_LOAD], u[c.U_GRIP]) == (8.0, 0.7)
    assert u[c.U_GRADE] == pytest.approx(math.atan(0.1))
    assert list(u[[c.U_FRICTION, c.U_CLOSING_SPRING, c.U_OPENING_SPRING, c.U_MOTOR]]) == [1.0] * 4
    assert (u[c.U_WINDING], u[c.U_WASTEGATE_STUCK]) == (1.0, -1.0)
    assert list(u[[c.U_LEAK, c.U_STUCK, c.U_LINK, c.U_PAIR, c.U_HELD_SPEED]]) == [0.0] * 5


def test_neutral_has_no_ratio_and_a_gear_too_many_is_the_last() -> None:
    car = moving().record
    assert received(outputs(), inputs(IN_GEAR=0.0))[c.U_RATIO] == 0.0
    last = float(car["ratios"][int(car["gears"]) - 1] * car["final_drive"])
    assert received(outputs(), inputs(IN_GEAR=10.0))[c.U_RATIO] == pytest.approx(last)


@pytest.mark.parametrize(
    ("out", "row"),
    [
        (outputs(OUT_RELAY=0.0), inputs()),
        (outputs(OUT_BRIDGE=s.BRIDGE_OFF), inputs()),
        (outputs(), inputs(IN_KEY=0.0)),
    ],
)
def test_either_switch_and_the_key_take_the_voltage_away(out: np.ndarray, row: np.ndarray) -> None:
    u = received(out, row)
    assert (u[c.U_BRIDGE], u[c.U_VOLTAGE]) == (BRIDGE_OPEN, 0.0)
    u = received(out, row, f.F_BRIDGE_BRAKES)
    assert (u[c.U_BRIDGE], u[c.U_VOLTAGE]) == (BRIDGE_SHORTED, 0.0)


def test_no_fuel_without_the_key() -> None:
    assert received(outputs(), inputs(IN_KEY=0.0))[c.U_FUEL] == 0.0


def test_a_shorted_bridge_drives_open_until_the_relay_lets_go() -> None:
    u = received(outputs(OUT_PWM=-1.0), inputs(), f.F_BRIDGE_SHORTED)
    assert (u[c.U_BRIDGE], u[c.U_VOLTAGE]) == (BRIDGE_DRIVEN, 12.0)
    u = received(outputs(OUT_BRIDGE=s.BRIDGE_OFF), inputs(), f.F_BRIDGE_SHORTED)
    assert (u[c.U_BRIDGE], u[c.U_VOLTAGE]) == (BRIDGE_DRIVEN, 12.0)
    u = received(outputs(OUT_RELAY=0.0), inputs(), f.F_BRIDGE_SHORTED)
    assert (u[c.U_BRIDGE], u[c.U_VOLTAGE]) == (BRIDGE_OPEN, 0.0)


def test_a_welded_relay_feeds_the_bridge_even_without_the_key() -> None:
    u = received(outputs(OUT_RELAY=0.0), inputs(IN_KEY=0.0), f.F_RELAY_WELDED)
    assert (u[c.U_BRIDGE], u[c.U_VOLTAGE]) == (BRIDGE_DRIVEN, 6.0)
    # but an open bridge is still open
    u = received(outputs(OUT_RELAY=0.0, OUT_BRIDGE=s.BRIDGE_OFF), inputs(), f.F_RELAY_WELDED)
    assert u[c.U_BRIDGE] == BRIDGE_OPEN


def test_a_low_battery_lowers_the_voltage() -> None:
    assert received(outputs(), inputs(), f.F_LOW_BATTERY, 7.0)[c.U_VOLTAGE] == 3.5


@pytest.mark.parametrize(
    ("kind", "severity", "place", "value"),
    [
        (f.F_PLATE_STUCK, 1.0, c.U_STUCK, 1.0),
        (f.F_PLATE_STUCK, 0.01, c.U_STUCK, 1.0),
        (f.F_PLATE_FRICTION, 3.0, c.U_FRICTION, 4.0),
        (f.F_CLOSING_SPRING_BROKEN, 1.0, c.U_CLOSING_SPRING, 0.0),
        (f.F_CLOSING_SPRING_BROKEN, 0.3, c.U_CLOSING_SPRING, 0.7),
        (f.F_OPENING_SPRING_BROKEN, 1.0, c.U_OPENING_SPRING, 0.0),
        (f.F_OPENING_SPRING_BROKEN, 0.3, c.U_OPENING_SPRING, 0.7),
        (f.F_LINKAGE_LOST, 1.0, c.U_LINK, 1.0),
        (f.F_LINKAGE_LOST, 0.01, c.U_LINK, 1.0),
        (f.F_POLARITY_SWAPPED, 1.0, c.U_MOTOR, -1.0),
        (f.F_LEAK_AFTER_PLATE, 40.0, c.U_LEAK, 40e-6),
        (f.F_WASTEGATE_STUCK_SHUT, 1.0, c.U_WASTEGATE_STUCK, 0.0),
        (f.F_WASTEGATE_STUCK_OPEN, 1.0, c.U_WASTEGATE_STUCK, 1.0),
        (f.F_ONE_PLATE_DIFFERS, 0.5, c.U_PAIR, 0.5),
    ],
)
def test_a_fault_moves_its_own_input_alone(
    kind: int, severity: float, place: int, value: float
) -> None:
    healthy = received(outputs(), inputs())
    u = received(outputs(), inputs(), kind, severity)
    assert u[place] == pytest.approx(value)
    others = np.arange(c.N_INPUT) != place
    assert np.array_equal(u[others], healthy[others])


def test_an_open_winding_carries_next_to_nothing_and_a_shorted_one_pulls_little() -> None:
    assert received(outputs(), inputs(), f.F_MOTOR_OPEN)[c.U_WINDING] >= 1e3
    u = received(outputs(), inputs(), f.F_MOTOR_SHORT)
    assert u[c.U_WINDING] < 0.5
    # stall torque goes with constant over resistance: no more than the healthy motor's
    assert 0.0 < u[c.U_MOTOR] / u[c.U_WINDING] <= 1.0


def test_faults_of_sensors_leave_the_car_alone() -> None:
    healthy = received(outputs(), inputs())
    for kind in (f.F_PEDAL_1_LOW, f.F_PLATE_BOTH_LOST, f.F_BUS_LOSS, f.F_MAP_SENSOR_LOST):
        assert np.array_equal(received(outputs(), inputs(), kind), healthy)
