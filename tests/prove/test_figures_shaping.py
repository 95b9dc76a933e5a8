"""Figures of pedal shaping, and what shaping does to the tip-in of the example cars."""

from __future__ import annotations

import math
import os
from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from throttlewright.build.catalogue import load_example, load_example_intent
from throttlewright.build.intent_roles import PedalShaping
from throttlewright.calibration.calibration import Calibration, Number
from throttlewright.calibration.pack import Packed, pack_calibration
from throttlewright.calibration.table import Axis, Table
from throttlewright.car.motion import in_motion
from throttlewright.car.pack import Car, pack
from throttlewright.design.cold import plate_for_share
from throttlewright.design.pedal_shaping import pedal_shaping
from throttlewright.design.reactions import typical_reactions
from throttlewright.design.roles import all_rows
from throttlewright.drive.faults import InjectedFault
from throttlewright.drive.scenario import Scenario, expand, load_scenario
from throttlewright.drive.simulate import simulate
from throttlewright.prove.feel import tip_in
from throttlewright.prove.figures_shaping import (
    fall_back,
    shuffle_amplitude,
    time_to_share,
    torque_delay,
)
from throttlewright.prove.run import series
from throttlewright.recording.recording import Recording

WHOLE = os.environ.get("THROTTLEWRIGHT_EFFORT") == "full"
EXAMPLES = ("hillclimb_20t", "trackday_16", "v8_48_itb")


def test_a_smooth_rise_does_not_fall_back_and_a_swing_does() -> None:
    t = np.linspace(0.0, 2.0, 2001)
    rise = 3.0 * (1.0 - np.exp(-t / 0.1))
    assert fall_back(rise) == 0.0
    swing = rise + np.where(t > 1.0, 0.4 * np.sin(2.0 * math.pi * 3.0 * (t - 1.0)), 0.0)
    assert fall_back(swing) == pytest.approx(0.8, rel=1e-3)


def test_the_time_to_a_share_of_the_way() -> None:
    t = np.linspace(0.0, 3.0, 3001)
    ramp = np.interp(t, [1.0, 1.5], [-20.0, 80.0])
    assert time_to_share(t, ramp, at_s=1.0) == pytest.approx(0.45, abs=2e-3)
    assert time_to_share(t, -ramp, at_s=1.0) == pytest.approx(0.45, abs=2e-3)
    assert math.isnan(time_to_share(t, 0.0 * t, at_s=1.0))


@cache
def car(name: str) -> Car:
    return in_motion(pack(load_example(name).build))


@cache
def packed(name: str, wanted: PedalShaping | None) -> Packed:
    """All typical rows, and a demand in which torque share follows the pedal."""
    it = car(name)
    intent = load_example_intent(name).intent.model_copy(update={"pedal_shaping": None})
    rows = all_rows(it, intent)
    rpm = np.array([1000.0, 1500.0, 2500.0, 4000.0, 6000.0])
    pedal = np.array([0.0, 5.0, 10.0, 20.0, 40.0, 60.0, 80.0, 100.0])
    plate = plate_for_share(it, rpm * math.pi / 30.0, 0.01 * pedal)
    meaning = "plate 0 closed stop, 100 open stop; pedal 0 released, 100 full"
    tables = {t.name: t for t in rows.tables}
    axes = (Axis("engine_rpm", "rpm", rpm), Axis("pedal_pct", "%", pedal))
    for mode in intent.mode:
        key = f"plate_over_pedal_{mode}"
        tables[key] = Table(key, "plate", "%", axes, plate, percent_meaning=meaning)
    limit = Number(it.limit * 30.0 / np.pi, "rpm", "build")
    made = Calibration(
        tables,
        rows.numbers | {"rev_limit_rpm": limit},
        rows.limits,
        typical_reactions(it, intent),
    )
    more = pedal_shaping(it, intent.model_copy(update={"pedal_shaping": wanted}))
    made = replace(
        made,
        tables={**made.tables, **{t.name: t for t in more.tables}},
        numbers={**made.numbers, **more.numbers},
    )
    return pack_calibration(made)


def in_gear(scenario: Scenario, gear: int) -> Scenario:
    start = scenario.start.model_copy(update={"gear": gear})
    return scenario.model_copy(update={"start": start})


def run(name: str, wanted: PedalShaping | None, scenario: Scenario, **more) -> Recording:
    return simulate(car(name), packed(name, wanted), scenario, **more)


@pytest.mark.parametrize("gear", [1, 2, 3])
@pytest.mark.parametrize("name", EXAMPLES)
def test_shaping_halves_the_shuffle_of_a_tip_in(name, gear) -> None:
    it, intent = car(name), load_example_intent(name).intent
    for variant in (
        expand(load_scenario("tip_in")) if WHOLE else expand(load_scenario("tip_in"))[1:]
    ):
        scenario = in_gear(variant, gear)
        before, after = (run(name, w, scenario) for w in (None, PedalShaping()))
        swing, shaped = (shuffle_amplitude(r, it, intent).value for r in (before, after))
        late = torque_delay(after, it, intent).value - torque_delay(before, it, intent).value
        assert shaped <= 0.5 * swing
        # delay cost: what the driver waits longer for 90 % of the torque
        assert 0.0 < late < {1: 0.45, 2: 0.25, 3: 0.25}[gear]


@pytest.mark.parametrize("name", EXAMPLES)
def test_a_shaped_tip_in_keeps_the_criteria_of_feel(name) -> None:
    made = run(name, PedalShaping(), expand(load_scenario("tip_in"))[1])
    t, acceleration = series(made, "acceleration_m_s2", "pedal_pct")[:2]
    found = tip_in(t, acceleration, step_at_s=1.0)
    # limits of the criteria tip_in_delay and tip_in_jerk
    assert found.delay_s < 0.3
    assert found.jerk_m_s3 < 40.0


@pytest.mark.parametrize(
    ("at", "shown"), [("1.05 s", 1.0), ("1.05 s", 5.0), ("1.05 s", 10.0), ("3 s", 1.0)]
)
def test_a_wrong_gear_signal_gives_no_step(at, shown) -> None:
    scenario = in_gear(expand(load_scenario("tip_in"))[1], 3)
    fault = InjectedFault(kind="gear_signal_wrong", at=at, severity=shown)
    healthy = run("trackday_16", PedalShaping(), scenario)
    wrong = run("trackday_16", PedalShaping(), scenario, faults=(fault,))
    target = wrong.channel("plate_target_pct").values
    still = healthy.channel("plate_target_pct").values
    # the wrong gear is followed at its own rate: never faster than the top gear's
    fifth = run("trackday_16", PedalShaping(), in_gear(scenario, 5))
    top = np.max(np.diff(fifth.channel("plate_target_pct").values))
    assert np.max(np.diff(target)) <= max(top, np.max(np.diff(still))) * 1.1
    if at == "3 s":
        # the demand only creeps with engine speed by then: the other rate is hardly seen
        assert target == pytest.approx(still, abs=0.1)
