"""Launch on the examples: what it holds, by what it ends, what it refuses; late burning's bands."""

from __future__ import annotations

import math
from functools import cache

import numpy as np
import pytest

from throttlewright.build.catalogue import load_example, load_example_intent
from throttlewright.build.intent import Intent
from throttlewright.build.intent_roles import Launch
from throttlewright.calibration.limits import Limit
from throttlewright.car.pack import Car, pack
from throttlewright.car.record import BoostState
from throttlewright.car.surface import evaluate
from throttlewright.design.idle_floor import idle_floor
from throttlewright.design.late_ignition import (
    NOT_KNOWN,
    known_late,
    late_point,
    latest_known,
    plate_of,
    point_of_torque,
)
from throttlewright.design.launch import ROLE, launch
from throttlewright.design.launch_hold import (
    cut_level,
    grip_torque,
    hold_loop,
    hold_plants,
    wanted_retard,
)
from throttlewright.design.margins import margins
from throttlewright.design.rows import Rows


@cache
def turbo() -> tuple[Car, Intent, Rows]:
    car = pack(load_example("hillclimb_20t").build)
    intent = load_example_intent("hillclimb_20t").intent
    return car, intent, launch(car, intent)


def row(name: str) -> Limit:
    return next(limit for limit in turbo()[2].limits if limit.name == name)


def test_nothing_where_it_is_not_asked_for() -> None:
    car, intent, _ = turbo()
    assert launch(car, intent.model_copy(update={"launch": None})) == Rows()


def test_every_row_of_the_hold_needs_the_switch_and_a_standing_car() -> None:
    for limit in turbo()[2].limits:
        assert "arm_1 > 0.5" in limit.arm
        if limit.name != "launch_grip":
            assert "speed_m_s < 1" in limit.arm
    assert all(limit.name.startswith("launch_") for limit in turbo()[2].limits)


def test_time_heat_and_cold_put_the_plate_back_to_idle() -> None:
    _, intent, rows = turbo()
    assert intent.launch is not None
    for name in ("launch_cold", "launch_hot", "launch_over"):
        assert (row(name).output, row(name).side) == ("plate", "ceiling")
        # what a cold engine idles on, and no more
        assert 1.0 < rows.numbers[f"{name}.to"].value < 1.1 * idle_floor(turbo()[0], intent)
    assert row("launch_hot").arm.startswith("exhaust_degC > 950 ")
    assert rows.numbers["launch_over.after_s"].value == intent.launch.time_limit
    for name in ("launch_hot", "launch_over"):
        assert rows.numbers[f"{name}.until_released"].value == 1.0
    for name in ("launch_retard", "launch_fuel"):
        assert rows.numbers[f"{name}.within_s"].value == intent.launch.time_limit


def test_the_plate_of_the_hold_gives_no_torque_at_the_held_speed() -> None:
    car, _, rows = turbo()
    table = next(t for t in rows.tables if t.name == "launch_plate")
    omega = 4500.0 * math.pi / 30.0
    for i, pipe in enumerate(table.axes[0].values[:3]):
        point = point_of_torque(
            car, 0.0, pipe=1e3 * pipe, omega=omega, retard=math.radians(60.0), cut=0.25
        )
        assert point.torque == pytest.approx(0.0, abs=0.5)
        plate = plate_of(car, point, pipe=1e3 * pipe, omega=omega)
        assert table.values[i] == pytest.approx(plate, abs=0.05)


def test_the_torque_of_a_late_point_agrees_with_the_surface_without_retard() -> None:
    car, _, _ = turbo()
    omega = 4500.0 * math.pi / 30.0
    point = late_point(car, 60e3, pipe=float(car.record["p_ambient"]), omega=omega)
    plate = plate_of(car, point, pipe=float(car.record["p_ambient"]), omega=omega)
    psi = car.psi_closed + 0.01 * plate * (car.psi_open - car.psi_closed)
    found, _ = evaluate(
        car,
        np.array([omega]),
        np.array([[psi]]),
        state=BoostState.HELD,
        pressure=float(car.record["p_ambient"]),
    )
    assert point.torque == pytest.approx(float(found["torque"][0, 0]), rel=0.06)


def test_the_loop_keeps_its_margins_at_every_boost() -> None:
    car, intent, _ = turbo()
    loop = hold_loop(car, intent)
    for plant in hold_plants(car, intent):
        kept = margins(plant, loop)
        assert kept.phase_deg >= 54.9
        assert kept.gain >= 2.99


def test_late_until_the_boost_is_there() -> None:
    assert math.degrees(wanted_retard(150e3, 174e3)) == pytest.approx(60.0)
    assert math.degrees(wanted_retard(174e3, 174e3)) == pytest.approx(37.5)
    assert math.degrees(wanted_retard(200e3, 174e3)) == pytest.approx(15.0)


def test_what_is_known_of_late_ignition_has_an_end_and_no_curve_beyond_it() -> None:
    car, _, _ = turbo()
    inside = known_late(car, latest_known())
    assert inside.share is not None
    assert inside.exhaust is not None
    assert inside.share.low == pytest.approx(0.7 * inside.share.value)
    assert inside.share.high == pytest.approx(1.3 * inside.share.value)
    assert inside.exhaust.high - inside.exhaust.value == pytest.approx(100.0)
    beyond = known_late(car, latest_known() + 0.02)
    assert beyond.share is None
    assert beyond.exhaust is None
    assert NOT_KNOWN in beyond.text
    assert any(NOT_KNOWN in note for note in turbo()[2].notes)


def test_no_cylinder_is_cut_alone_with_a_catalyst() -> None:
    build = load_example("hillclimb_20t").build
    assert cut_level(pack(build)) == 0.25
    engine = build.engine.model_copy(update={"catalyst": True})
    assert cut_level(pack(build.model_copy(update={"engine": engine}))) == 0.0


def test_grip_by_hand() -> None:
    # 980 kg, 46 % on the front axle, 0.46 m high, 2.45 m long, grip 1.35; rear wheels driven
    accel = 1.35 * 9.80665 * 0.54 / (1.0 - 1.35 * 0.46 / 2.45)
    car = turbo()[0]
    efficiency = float(car.record["driveline_efficiency"])
    by_hand = 980.0 * accel * 0.298 / (2.92 * 4.10 * efficiency)
    assert grip_torque(car) == pytest.approx(by_hand, rel=1e-3)


@pytest.mark.parametrize("name", ["trackday_16", "v8_48_itb"])
def test_without_a_turbo_the_plate_alone_holds(name: str) -> None:
    car = pack(load_example(name).build)
    intent = load_example_intent(name).intent
    wanted = Launch(speed="4000 rpm")
    rows = launch(car, intent.model_copy(update={"launch": wanted}))
    assert not rows.refused
    assert {limit.output for limit in rows.limits} == {"plate", "fuel_cut"}
    table = next(t for t in rows.tables if t.name == "launch_plate")
    assert 0.0 < float(table.values.max()) < 20.0


def test_refusals_say_why() -> None:
    car, intent, _ = turbo()

    def refused(rpm: float) -> str:
        wanted = Launch(speed=f"{rpm:g} rpm")
        return launch(car, intent.model_copy(update={"launch": wanted})).refused

    assert "rev limit" in refused(7500.0)
    assert "not above idle" in refused(1200.0)
    itb = load_example("v8_48_itb").build
    hot = load_example("hillclimb_20t").build
    both = hot.model_copy(update={"plate": itb.plate})
    wanted = Launch(speed="4000 rpm", boost="0.5 bar")
    made = launch(pack(both), intent.model_copy(update={"launch": wanted}))
    assert "individual plates" in made.refused


def test_the_role_warns() -> None:
    assert "Nobody stands in line" in ROLE.caution
    assert "beforehand" in ROLE.caution
    assert {t.key for t in ROLE.typical} == set(Launch.model_fields)
