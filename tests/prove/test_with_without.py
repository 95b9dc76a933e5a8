"""A role against its absence: both runs judged, reasons where there is nothing to drive."""

from __future__ import annotations

import math
from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from throttlewright.build.catalogue import load_example, load_example_intent
from throttlewright.build.intent import Intent
from throttlewright.calibration.calibration import Calibration, Number
from throttlewright.calibration.limits import Limit
from throttlewright.calibration.table import Axis, Table
from throttlewright.car.motion import in_motion
from throttlewright.car.pack import Car, pack
from throttlewright.design.role import Role, Shown
from throttlewright.design.roles import ROLES
from throttlewright.design.rows import Rows
from throttlewright.drive.scenario import load_scenario
from throttlewright.foundation.errors import InputError
from throttlewright.prove import with_without as module
from throttlewright.prove.role_figure import Judged
from throttlewright.prove.role_figures import ROLE_FIGURES, joined, role_figure
from throttlewright.prove.run import NotProvenError, series
from throttlewright.prove.with_without import empty_reason, with_without
from throttlewright.recording.recording import Recording

CAP = 20.0


@cache
def moving(name: str = "trackday_16") -> Car:
    return in_motion(pack(load_example(name).build))


def intent() -> Intent:
    return load_example_intent("trackday_16").intent


def capped(car: Car, wanted: Intent) -> Rows:
    """A plate that never opens beyond 20 %."""
    row = Limit("cap", "plate", "ceiling", "ramp", arm="engine_rpm > 0", fall_rate=2000.0,
                reason="test", source="test")  # fmt: skip
    return Rows((row,), numbers={"cap.to": Number(CAP, "%", "test")})


ROLE = Role("cap", "Cap", "Test.", capped, shown=(Shown("pull", "most_plate"),))


def calibration() -> Calibration:
    meaning = "plate 0 closed stop, 100 open stop; pedal 0 released, 100 full"
    rpm = Axis("engine_rpm", "rpm", [800.0, 7000.0])
    pedal = Axis("pedal_pct", "%", [0.0, 100.0])
    table = Table("plate_over_pedal_dry", "plate", "%", (rpm, pedal),
                  np.array([[2.0, 100.0]] * 2), percent_meaning=meaning)  # fmt: skip
    rows = capped(moving(), intent())
    numbers = rows.numbers | {"rev_limit_rpm": Number(7000.0, "rpm", "test")}
    return Calibration({table.name: table}, numbers, rows.limits)


def most_plate(recording: Recording, car: Car, wanted: Intent) -> Judged:
    _, plate = series(recording, "plate_pct")
    value = float(plate.max())
    return Judged(value, "%", 25.0, value <= 25.0, f"the plate opened to {value:.1f} %")


@pytest.fixture(autouse=True)
def figures(monkeypatch) -> None:
    monkeypatch.setitem(ROLE_FIGURES, "most_plate", most_plate)
    pull = load_scenario("tip_in").model_copy(update={"duration": 2.0, "vary": None, "fault": ()})
    real = load_scenario

    def load(name: str):
        return pull if name == "pull" else real(name)

    monkeypatch.setattr(module, "load_scenario", load)


def test_the_figure_tells_the_runs_apart() -> None:
    (pair,) = with_without(moving(), calibration(), intent(), ROLE)
    assert pair.skipped == ""
    assert pair.with_.good is True
    assert pair.without.good is False
    assert pair.with_.value < CAP + 3.0
    assert pair.without.value > pair.with_.value + 10.0
    assert pair.channels == ("plate_pct",)
    code = pair.recording_with.channel("in_charge_plate_1")
    # a sample stands for the time until the next, and row 1 is the only limit
    held = float(np.sum(np.diff(code.t_s)[code.values[:-1] == 1.0]))
    assert 0.2 < pair.in_charge_s == pytest.approx(held, abs=1e-9)
    assert not np.any(pair.recording_without.channel("in_charge_plate_1").values == 1.0)


def test_a_scenario_that_does_not_fit_says_why() -> None:
    role = replace(ROLE, shown=(Shown("overboost_stuck_wastegate", "most_plate"),))
    (pair,) = with_without(moving(), calibration(), intent(), role)
    assert "turbo" in pair.skipped
    assert pair.with_ is None
    assert pair.recording_with is None


def test_a_role_that_gives_nothing_has_a_reason() -> None:
    empty = replace(ROLE, design=lambda car, wanted: Rows(), section="hot_oil")
    assert with_without(moving(), calibration(), intent(), empty) == ()
    bare = intent().model_copy(update={"hot_oil": None})
    assert "[hot_oil]" in empty_reason(empty, Rows(), bare)
    assert empty_reason(empty, Rows(refused="no sensor"), bare) == "no sensor"
    assert empty_reason(replace(empty, section=""), Rows(), bare) == "this car has no use for it"
    assert empty_reason(ROLE, capped(moving(), bare), bare) == ""


def test_a_figure_that_cannot_tell_is_no_pass(monkeypatch) -> None:
    def lost(recording: Recording, car: Car, wanted: Intent) -> Judged:
        raise NotProvenError("no samples")

    monkeypatch.setitem(ROLE_FIGURES, "most_plate", lost)
    (pair,) = with_without(moving(), calibration(), intent(), ROLE)
    assert math.isnan(pair.with_.value)
    assert pair.with_.good is None
    assert "no samples" in pair.with_.text


def test_unknown_names_are_refused() -> None:
    with pytest.raises(InputError, match="most_plate"):
        role_figure("most_plat")
    role = replace(ROLE, shown=(Shown("tip_in@99rpm", "most_plate"),))
    with pytest.raises(InputError, match="variant"):
        with_without(moving(), calibration(), intent(), role)
    with pytest.raises(InputError, match="two figures"):
        joined(({"a": most_plate}, {"a": most_plate}))


@pytest.mark.parametrize("role", ROLES, ids=lambda role: role.name)
def test_every_role_is_shown_by_what_there_is(role: Role) -> None:
    for shown in role.shown:
        load_scenario(shown.scenario.partition("@")[0])
        role_figure(shown.figure)
