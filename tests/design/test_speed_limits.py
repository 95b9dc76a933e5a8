"""Pit-lane limit, speed cap and soft rev limit: margins, refusals, tables."""

from __future__ import annotations

import numpy as np
import pytest

from throttlewright.build.catalogue import load_example, load_example_intent
from throttlewright.build.intent_roles import PitLimit, SoftRevLimit, SpeedCap
from throttlewright.car.pack import pack
from throttlewright.design.margins import Controller, worst
from throttlewright.design.pit_limit import pit_limit
from throttlewright.design.soft_rev_limit import soft_rev_limit
from throttlewright.design.speed_cap import speed_cap
from throttlewright.design.speed_limits import gear_points, speed_rows


def asked(name: str, **sections):
    car = pack(load_example(name).build)
    return car, load_example_intent(name).intent.model_copy(update=sections)


def test_the_pit_loop_keeps_its_margins_in_every_gear() -> None:
    car, intent = asked("hillclimb_20t", pit_limit=PitLimit())
    numbers = pit_limit(car, intent).numbers
    c = Controller(numbers["pit_limit_hold.kp"].value, numbers["pit_limit_hold.ki"].value)
    found = worst([p.plant for p in gear_points(car, 60.0 / 3.6)], c)
    assert found.stable
    assert found.phase_deg >= 45.0
    assert found.gain >= 2.0


def test_speeds_that_cannot_be_held_are_refused() -> None:
    car, _ = asked("v8_48_itb")
    crawl = speed_rows(car, role="a", limit=1.0, arm="", what="speed", source="here")
    assert "idling engine" in crawl.refused
    fast = asked("trackday_16", speed_cap=SpeedCap(speed="390 km/h"))
    assert "never act" in speed_cap(*fast).refused


def test_soft_rev_table_closes_with_speed_and_earlier_when_free() -> None:
    car, intent = asked("trackday_16", soft_rev_limit=SoftRevLimit())
    plate = soft_rev_limit(car, intent).tables[0].values
    assert np.all(np.diff(plate, axis=0) <= 0.0)
    assert np.all(plate[:, 0] <= plate[:, -1] + 1e-6)
    assert plate[0, -1] == pytest.approx(100.0)
