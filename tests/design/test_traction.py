"""Traction control: margins, what is blocked, what it does on the road, and a lost sensor."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from throttlewright.build.catalogue import load_example, load_example_intent
from throttlewright.build.intent_roles import Traction
from throttlewright.calibration.calibration import Calibration
from throttlewright.calibration.pack import pack_calibration
from throttlewright.calibration.table import Axis, Table
from throttlewright.car.motion import in_motion
from throttlewright.car.pack import pack
from throttlewright.design.margins import Controller
from throttlewright.design.rows import Rows, merged
from throttlewright.design.servo import ROLE as SERVO_ROLE
from throttlewright.design.slip_target import slip_target
from throttlewright.design.traction import engine_speeds, traction
from throttlewright.design.traction_fast import fuel_allowed
from throttlewright.design.traction_gains import loop_margins, slip_points, with_air
from throttlewright.drive.faults import InjectedFault
from throttlewright.drive.scenario import load_scenario
from throttlewright.drive.simulate import simulate
from throttlewright.prove.figures_traction import FIGURES


def asked(fast: str = "auto"):
    car = pack(load_example("trackday_16").build)
    intent = load_example_intent("trackday_16").intent
    return car, intent.model_copy(update={"traction": Traction(fast=fast)})


@pytest.fixture(scope="module")
def made():
    car, intent = asked()
    return in_motion(car), intent, traction(car, intent)


def packed(car, intent, rows: Rows):
    both = merged((SERVO_ROLE.design(car, intent), rows))
    demand = Table(
        "plate_over_pedal_dry",
        "plate opening",
        "%",
        (Axis("engine_rpm", "rpm", [800.0, 7000.0]), Axis("pedal_pct", "%", [0.0, 100.0])),
        [[2.0, 100.0], [2.0, 100.0]],
        percent_meaning="plate from stop to stop, pedal from released to full",
    )
    return pack_calibration(
        Calibration(
            tables={demand.name: demand, **{t.name: t for t in both.tables}},
            numbers=both.numbers,
            limits=both.limits,
        )
    )


def drive(made, rows: Rows, name: str, fault: InjectedFault | None = None):
    car, intent, _ = made
    scenario = load_scenario(name)
    if fault is not None:
        scenario = scenario.model_copy(update={"fault": (fault,)})
    return simulate(car, packed(car, intent, rows), scenario)


def only(rows: Rows, *keep: str) -> Rows:
    limits = tuple(r for r in rows.limits if r.name.startswith(keep))
    names = {r.name for r in limits}
    numbers = {k: v for k, v in rows.numbers.items() if k.split(".")[0] in names}
    return replace(rows, limits=limits, numbers=numbers)


def test_every_row_only_lowers_torque(made) -> None:
    assert {(r.output, r.side) for r in made[2].limits} == {
        ("plate", "ceiling"),
        ("retard", "floor"),
        ("fuel_cut", "floor"),
    }


def test_the_trimming_loop_keeps_its_margins_and_python_control_agrees(made) -> None:
    import control

    car, intent, rows = made
    numbers = rows.numbers
    points = slip_points(car, slip_target(car, intent), engine_speeds(car))
    high = [p for p in points if p.omega > 0.9 * engine_speeds(car)[-1]]
    gains = Controller(
        numbers["traction_hold_high.kp"].value, numbers["traction_hold_high.ki"].value
    )
    plants = [with_air(car, p) for p in high]
    found = loop_margins(plants, gains)
    assert found.stable
    assert found.phase_deg >= 45.0
    assert found.gain >= 2.0
    plant = plants[0]
    s = control.tf("s")
    loop = plant.gain * (gains.kp + gains.ki / s) / (s if plant.integrates else 1)
    for lag in plant.lags:
        loop = loop / (1 + lag * s)
    for w, z in plant.seconds:
        loop = loop / (1 + 2 * z * s / w + s * s / w**2)
    for w, z in plant.zeros:
        loop = loop * (1 + 2 * z * s / w + s * s / w**2)
    # the phase of the dead time is exact only on the frequency response
    omega = np.logspace(-1, 2.5, 20000)
    size, phase, _ = control.frequency_response(loop, omega)
    size, phase = np.squeeze(size), np.unwrap(np.squeeze(phase)) - plant.delay * omega
    phase += 2 * np.pi * np.round((-0.75 * np.pi - phase[0]) / (2 * np.pi))
    crosses = np.flatnonzero(np.diff(np.sign(size - 1.0)))
    margin = min(np.degrees(phase[crosses] + np.pi))
    mine = loop_margins([plant], gains)
    assert margin == pytest.approx(mine.phase_deg, abs=0.3)
    half = np.flatnonzero(phase <= -np.pi)[0]
    assert 1.0 / size[half] == pytest.approx(mine.gain, rel=0.01)


def test_no_single_cylinder_goes_without_fuel_on_a_catalyst() -> None:
    car, intent = asked("ignition and fuel")
    road = replace(car, build=car.build.model_copy(update={"use": "road"}))
    assert fuel_allowed(car)
    assert not fuel_allowed(road)
    rows = traction(road, intent)
    assert not any(r.output == "fuel_cut" for r in rows.limits)
    assert any("catalyst" in note for note in rows.notes)


def test_wet_patch_plate_alone_and_with_ignition(made) -> None:
    car, intent, rows = made
    spin = FIGURES["traction_spin_time"]
    name = "traction_wet_patch"
    none = spin(drive(made, Rows(), name), car, intent).value
    plate = spin(
        drive(made, only(rows, "traction_ahead", "traction_hold", "traction_start"), name),
        car,
        intent,
    ).value
    both = spin(drive(made, rows, name), car, intent).value
    assert plate < 0.9 * none
    assert both < 0.5 * plate


def test_a_lost_wheel_sensor_takes_no_power_at_speed_and_never_strands_the_car(made) -> None:
    lost = InjectedFault(kind="wheel_speed_lost", at="0 s")
    rolling = drive(made, made[2], "traction_wet_patch", lost)
    bare = drive(made, Rows(), "traction_wet_patch", lost)
    # over 4 s the start rows may act, and the plate comes back by itself
    assert rolling.channels["plate_target_pct"].values[-1] == pytest.approx(
        bare.channels["plate_target_pct"].values[-1], abs=1.0
    )
    start = drive(made, made[2], "traction_standing_start", lost)
    assert start.channels["speed_m_s"].values[-1] > 4.0
