"""Anti-lag: bound of its torque by air, vacuum, what ends it, refusals."""

from __future__ import annotations

import math
from functools import cache

import numpy as np
import pytest

from throttlewright.build.catalogue import load_example, load_example_intent
from throttlewright.build.intent import Intent
from throttlewright.build.intent_roles import AntiLag
from throttlewright.calibration.limits import Limit
from throttlewright.car.pack import Car, pack
from throttlewright.design.anti_lag import (
    LEAST_VACUUM,
    MOST_TORQUE,
    ROLE,
    anti_lag,
    full_torque,
    let_in,
    vacuum_left,
)
from throttlewright.design.rows import Rows


@cache
def turbo() -> tuple[Car, Intent, Rows]:
    car = pack(load_example("hillclimb_20t").build)
    intent = load_example_intent("hillclimb_20t").intent
    intent = intent.model_copy(update={"anti_lag": AntiLag()})
    return car, intent, anti_lag(car, intent)


def row(name: str) -> Limit:
    return next(limit for limit in turbo()[2].limits if limit.name == name)


def test_nothing_where_it_is_not_asked_for() -> None:
    car, intent, _ = turbo()
    assert anti_lag(car, intent.model_copy(update={"anti_lag": None})) == Rows()


def test_every_row_needs_the_switch_and_a_released_pedal() -> None:
    assert len(turbo()[2].limits) == 6
    for limit in turbo()[2].limits:
        assert "released_s > 0 and arm_1 > 0.5" in limit.arm


def test_ceilings_end_it_and_time_does() -> None:
    _, _, rows = turbo()
    for name, first in (
        ("anti_lag_hot", "exhaust_degC > 950"),
        ("anti_lag_cold", "coolant_degC < 60"),
        ("anti_lag_slow", "speed_m_s < 5"),
    ):
        assert (row(name).output, row(name).side) == ("plate", "ceiling")
        assert row(name).arm.startswith(first)
    assert rows.numbers["anti_lag_plate.within_s"].value == 5.0


def test_retard_and_fuel_let_go_when_the_plate_is_back_at_idle() -> None:
    _, _, rows = turbo()
    for name in ("anti_lag_retard", "anti_lag_fuel"):
        opens = float(row(name).arm.split(" ")[2])
        table = next(t for t in rows.tables if t.name == "anti_lag_plate")
        assert rows.numbers["anti_lag_hot.to"].value < opens < float(table.values[0].min())


@pytest.mark.parametrize("share", [0.12, 0.25])
def test_the_air_alone_bounds_the_torque(share: float) -> None:
    car = turbo()[0]
    omega = np.array([3000.0, 4500.0, 7000.0]) * math.pi / 30.0
    pipe = np.array([95e3, 160e3, 230e3])
    full, _ = full_torque(car, omega)
    _, _, pull = let_in(car, AntiLag(air_share=f"{100 * share:g} %"), omega=omega, pipe=pipe)
    assert np.all(pull <= (MOST_TORQUE + 1e-6) * full)
    if share > 0.2:
        # the bound binds somewhere: without it this air would pull harder
        assert np.any(pull > 0.99 * MOST_TORQUE * full)


def test_vacuum_by_hand() -> None:
    car = turbo()[0]
    ambient = float(car.record["p_ambient"])
    # a quarter is used and all but exp(-2 / 0.15) of it comes back
    assert vacuum_left(car, 40e3) == pytest.approx(np.full(3, ambient - 40e3), rel=1e-4)
    assert float(vacuum_left(car, 60e3).min()) < LEAST_VACUUM


def test_refusals_say_why() -> None:
    car, intent, _ = turbo()
    build = load_example("hillclimb_20t").build
    track = pack(build.model_copy(update={"use": "track"}))
    assert "competition only" in anti_lag(track, intent).refused
    bare = pack(load_example("v8_48_itb").build)
    assert "no turbine" in anti_lag(bare, intent).refused
    much = intent.model_copy(update={"anti_lag": AntiLag(air_share="40 %")})
    found = anti_lag(car, much)
    assert "vacuum" in found.refused or any("torque it could give" in n for n in found.notes)
    late = intent.model_copy(update={"anti_lag": AntiLag(from_speed="7300 rpm")})
    assert "no range" in anti_lag(car, late).refused


def test_too_little_vacuum_is_refused() -> None:
    # high up there is less to draw against
    build = load_example("hillclimb_20t").build
    site = build.site.model_copy(update={"altitude": 3500.0})
    _, intent, _ = turbo()
    found = anti_lag(pack(build.model_copy(update={"site": site})), intent)
    assert "kPa of vacuum 2 s after a press" in found.refused


def test_the_role_warns_and_is_for_competition_only() -> None:
    assert ROLE.only == "competition"
    assert "explode" in ROLE.caution
    assert {t.key for t in ROLE.typical} == set(AntiLag.model_fields)
