"""Boost by throttle: what it refuses, and the pull on the turbo example."""

from __future__ import annotations

import pytest

from throttlewright.build.catalogue import load_example, load_example_intent
from throttlewright.build.intent_roles import BoostByThrottle
from throttlewright.car.pack import pack
from throttlewright.design.boost_by_throttle import boost_by_throttle


def rows(name: str, target: str | None):
    intent = load_example_intent(name).intent
    if target is not None:
        intent = intent.model_copy(update={"boost_by_throttle": BoostByThrottle(target=target)})
    return boost_by_throttle(pack(load_example(name).build), intent)


def test_plate_and_wastegate_each_get_a_row() -> None:
    found = rows("hillclimb_20t", "2.0 bar")
    assert {(r.output, r.side) for r in found.limits} == {
        ("plate", "ceiling"),
        ("wastegate", "ceiling"),
    }
    assert found.numbers["boost_by_throttle_wastegate.setpoint"].value == pytest.approx(210.0)
    assert not rows("hillclimb_20t", None).limits


@pytest.mark.parametrize(
    ("name", "target", "reason"),
    [
        ("trackday_16", "1.8 bar", "nothing raises"),
        ("hillclimb_20t", "0.9 bar", "not above ambient"),
        ("hillclimb_20t", "3.0 bar", "never reached"),
    ],
)
def test_what_cannot_be_held_is_refused(name: str, target: str, reason: str) -> None:
    found = rows(name, target)
    assert reason in found.refused
    assert not found.limits


def test_a_spring_that_makes_more_is_told() -> None:
    found = rows("hillclimb_20t", "1.3 bar")
    assert any("softer spring" in note for note in found.notes)
    assert all(r.output == "plate" for r in found.limits)
