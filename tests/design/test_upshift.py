"""Cut on an upshift: what takes the torque, when, and how it comes back."""

from __future__ import annotations

import math

import numpy as np
import pytest

from throttlewright.build.catalogue import load_example, load_example_intent
from throttlewright.build.intent_roles import Upshift
from throttlewright.car.pack import pack
from throttlewright.design.rows import Rows
from throttlewright.design.upshift import has_catalyst, return_time, upshift


def designed(use: str = "track", *, catalyst: bool | None = None, by: str = "auto") -> Rows:
    build = load_example("trackday_16").build
    engine = build.engine.model_copy(update={"catalyst": catalyst})
    car = pack(build.model_copy(update={"use": use, "engine": engine}))
    intent = load_example_intent("trackday_16").intent
    return upshift(car, intent.model_copy(update={"upshift": Upshift(by=by)}))


@pytest.mark.parametrize(
    ("use", "catalyst", "by", "output"),
    [
        ("track", None, "auto", "fuel_cut"),
        ("track", True, "auto", "retard"),
        ("road", None, "auto", "retard"),
        ("road", False, "auto", "fuel_cut"),
        ("road", None, "fuel", "fuel_cut"),
        ("competition", None, "ignition", "retard"),
    ],
)
def test_fuel_where_no_catalyst_suffers(use, catalyst, by, output) -> None:
    assert {row.output for row in designed(use, catalyst=catalyst, by=by).limits} == {output}


def test_on_the_road_only_with_the_pedal_lifted() -> None:
    assert all("pedal_pct" in row.arm for row in designed("road").limits)
    assert not any("pedal_pct" in row.arm for row in designed("track").limits)


def test_with_a_catalyst_no_cylinder_comes_back_before_the_others() -> None:
    assert all(math.isinf(row.fall_rate) for row in designed("road", by="fuel").limits)


def test_torque_comes_back_within_one_swing_of_the_shafts() -> None:
    car = pack(load_example("v8_48_itb").build)
    rec = car.record
    ratio = float(rec["ratios"][1] * rec["final_drive"])
    engine = float(rec["engine_inertia"] + rec["gearbox_inertia"]) * ratio**2
    body = float(rec["mass"]) * float(rec["tyre_radius"]) ** 2
    stiffness = float(rec["shaft_stiffness"])
    period = 2.0 * math.pi * math.sqrt(engine * body / (engine + body) / stiffness)
    assert return_time(car) == pytest.approx(period, rel=1e-6)
    rows = upshift(
        car, load_example_intent("v8_48_itb").intent.model_copy(update={"upshift": Upshift()})
    )
    assert rows.limits[0].fall_rate == pytest.approx(1.0 / period, rel=1e-6)


def test_late_ignition_leaves_three_tenths_of_the_torque() -> None:
    rows = designed("road")
    build = load_example("trackday_16").build
    share = np.asarray(pack(build).record["late_torque"])
    retard = rows.numbers["upshift.to"].value
    assert 0.2 < float(np.interp(retard, 5.0 * np.arange(share.size), share)) <= 0.3
    assert retard <= 70.0


def test_the_time_is_the_one_wanted_and_a_wish_is_needed() -> None:
    assert designed().numbers["upshift.hold_s"].value == pytest.approx(0.08)
    car = pack(load_example("trackday_16").build)
    assert not has_catalyst(car)
    assert upshift(car, load_example_intent("trackday_16").intent) == Rows()
