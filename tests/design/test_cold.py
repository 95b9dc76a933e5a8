"""Cold engine: ceilings of plate, boost and MAP, and what a cold car then does."""

from __future__ import annotations

import math
import os
from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from throttlewright.build.catalogue import load_example, load_example_intent
from throttlewright.build.intent import Intent
from throttlewright.calibration.calibration import Calibration, Number
from throttlewright.calibration.pack import pack_calibration
from throttlewright.calibration.table import Axis, Table
from throttlewright.car.motion import in_motion
from throttlewright.car.pack import Car, pack, with_variation
from throttlewright.design import brake_override, idle, overboost, servo
from throttlewright.design.cold import cold, fixed_percentage_share
from throttlewright.design.reactions import typical_reactions
from throttlewright.design.role import without
from throttlewright.design.rows import merged
from throttlewright.design.torque_share import plate_for_share, pressure_for_share
from throttlewright.drive.scenario import expand, load_scenario
from throttlewright.drive.simulate import simulate
from throttlewright.prove.figures_cold import FIGURES, share_while_cold

FULL = os.environ.get("THROTTLEWRIGHT_EFFORT") == "full"
TURBO, NA, ITB = "hillclimb_20t", "trackday_16", "v8_48_itb"
EXAMPLES = (NA, TURBO, ITB)
RPM = math.pi / 30.0
BUILDS = ({}, {"ve": 0.9}, {"cd": 1.15}, {"ve": 1.1}, {"cd": 0.85})


@cache
def known(name: str) -> tuple[Car, Intent]:
    intent = load_example_intent(name).intent
    assert intent.cold_engine is not None
    # the hold after the start is a limit of its own and would hide this one
    bare = intent.cold_engine.model_copy(update={"hold_after_start": 0.0})
    return pack(load_example(name).build), intent.model_copy(update={"cold_engine": bare})


@cache
def calibrated(name: str) -> Calibration:
    """All that a cold pull needs, the plate following the pedal one to one."""
    car, intent = known(name)
    roles = (servo.ROLE, brake_override.ROLE, idle.ROLE, overboost.ROLE)
    rows = merged([*(role.design(car, intent) for role in roles), cold(car, intent)])
    rpm = np.linspace(800.0, 7500.0, 12)
    axes = (Axis("engine_rpm", "rpm", rpm), Axis("pedal_pct", "%", [0.0, 100.0]))
    tables = {t.name: t for t in rows.tables}
    for mode in intent.mode:
        key = f"plate_over_pedal_{mode}"
        plate = np.array([[1.0, 100.0]] * rpm.size)
        tables[key] = Table(key, "plate", "%", axes, plate, percent_meaning="stop to stop")
        if car.controllable:
            key = f"boost_target_{mode}"
            boost = np.repeat(car.full_boost(rpm * RPM)[:, None] / 1e3, 2, axis=1)
            tables[key] = Table(key, "pressure", "kPa", axes, boost, percent_meaning="pedal")
    numbers = rows.numbers | {
        "rev_limit_rpm": Number(car.limit / RPM, "rpm", "build"),
        "idle_speed_rpm": Number(car.idle / RPM, "rpm", "build"),
    }
    return Calibration(tables, numbers, rows.limits, typical_reactions(car, intent))


def pulled(name: str, gear: int, build: dict[str, float], *, role: bool = True):
    car, intent = known(name)
    varied = with_variation(car, **build)
    made = calibrated(name)
    if not role:
        made = without(made, cold(car, intent))
    variants = expand(load_scenario("cold_pull"))
    chosen = next(v for v in variants if v.start.gear == gear)
    if not FULL:
        chosen = chosen.model_copy(update={"duration": 6.0})
    recording = simulate(in_motion(varied), pack_calibration(made), chosen)
    return recording, varied, intent


@pytest.mark.parametrize("name", EXAMPLES)
@pytest.mark.parametrize("gear", range(1, 7) if FULL else (1, 3))
@pytest.mark.parametrize("build", BUILDS if FULL else BUILDS[:3], ids=str)
def test_a_cold_pull_keeps_the_allowed_share(name: str, gear: int, build) -> None:
    if gear > int(known(name)[0].record["gears"]):
        pytest.skip("the car has no such gear")
    if not FULL and gear == 3 and build == {"ve": 0.9}:
        pytest.skip("with THROTTLEWRIGHT_EFFORT=full")
    found = FIGURES["cold_share"](*pulled(name, gear, build))
    # asked: 5 % of the allowed share as built, 10 % with 10 % less filling or 15 % more flow
    assert found.value <= (10.0 if build else 5.0), found.text
    assert found.value > -35.0, found.text


def test_without_the_role_a_cold_engine_gives_everything() -> None:
    found = FIGURES["cold_share"](*pulled(NA, 1, {}, role=False))
    assert found.good is False
    assert found.value > 80.0


def test_the_loop_on_map_takes_out_a_plate_that_passes_more() -> None:
    recording, car, intent = pulled(NA, 3, {"cd": 1.15})
    _, given, allowed = share_while_cold(recording, car, intent)
    held = (given / allowed)[3000:]
    plain = calibrated(NA)
    numbers = {**plain.numbers, "cold.kp": Number(0.0, "%/kPa", "no loop")}
    packed = pack_calibration(replace(plain, numbers=numbers))
    variant = next(v for v in expand(load_scenario("cold_pull")) if v.start.gear == 3)
    again = simulate(in_motion(car), packed, variant.model_copy(update={"duration": 6.0}))
    _, loose, allowed = share_while_cold(again, car, intent)
    assert np.abs(held[: loose.size] - 1.0).max() < 0.05
    excess = np.median((loose / allowed)[3000:]) - 1.0
    assert excess > 0.04
    # the loop has no integral: it takes out about half
    assert np.median(held) - 1.0 < 0.7 * excess


def test_one_fixed_percentage_does_not_protect() -> None:
    car, _ = known(TURBO)
    omega = np.array([2000.0, 7000.0]) * RPM
    low, high = fixed_percentage_share(car, 20.0, omega)
    # a fifth of the 90 mm plate: nearly all of the torque at 2000 rpm, little over half at 7000
    assert low > 0.85
    assert high < 0.65
    needed = plate_for_share(car, omega, np.array([0.4]))[:, 0]
    assert fixed_percentage_share(car, float(needed[1]), omega)[0] > 2.0 * 0.4


def test_boost_stays_at_the_spring_while_that_is_enough() -> None:
    car, intent = known(TURBO)
    table = next(t for t in cold(car, intent).tables if t.name == "cold_bleed")
    assert table.lookup(0.0, 4000.0) == 0.0
    assert 0.0 < table.lookup(68.0, 5000.0) < 60.0
    assert table.lookup(75.0, 5000.0) == 100.0
    omega = np.array([4500.0]) * RPM
    spring = float(car.record["spring_pressure"])
    target = pressure_for_share(car, omega, np.array([0.3, 0.99]))[0]
    assert target[0] == spring
    assert spring < target[1] <= float(car.full_boost(omega)[0])


def test_individual_plates_have_no_loop_and_allow_for_other_builds() -> None:
    car, intent = known(ITB)
    rows = cold(car, intent)
    assert [limit.name for limit in rows.limits] == ["cold"]
    omega = np.array([1500.0, 3000.0, 6000.0]) * RPM
    for build in ({"ve": 0.9}, {"cd": 1.15}):
        other = with_variation(car, **build)
        made = [rows.tables[0].lookup(0.0, w / RPM) for w in omega]
        share = [fixed_percentage_share(other, p, omega[[k]])[0] for k, p in enumerate(made)]
        assert max(share) < 1.10 * 0.45


def test_oil_has_rows_of_its_own() -> None:
    car, intent = known(TURBO)
    assert intent.cold_engine is not None
    by_oil = intent.cold_engine.model_copy(
        update={"oil": (273.15, 313.15, 333.15), "oil_torque_share": (0.4, 0.7, 1.0)}
    )
    rows = cold(car, intent.model_copy(update={"cold_engine": by_oil}))
    oil = {limit.name: limit for limit in rows.limits if limit.name.startswith("cold_oil")}
    assert set(oil) == {"cold_oil", "cold_oil_boost"}
    assert (oil["cold_oil"].x, oil["cold_oil"].y) == ("map_kPa", "oil_degC")
    table = next(t for t in rows.tables if t.name == oil["cold_oil"].base)
    wanted = plate_for_share(
        car,
        np.array([3000.0]) * RPM,
        np.array([0.4]),
        pressure=np.full((1, 1), float(car.record["spring_pressure"])),
    )
    assert table.lookup(0.0, 3000.0) == pytest.approx(float(wanted[0, 0]), rel=0.12)
    assert table.lookup(0.0, 3000.0) < wanted[0, 0]
