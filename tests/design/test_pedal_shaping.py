"""Tables of pedal shaping on the example cars, and what they do to a tip-in."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from throttlewright.build.catalogue import load_example, load_example_intent
from throttlewright.build.intent import Intent
from throttlewright.build.intent_roles import PedalShaping
from throttlewright.calibration.table import Table
from throttlewright.car.pack import Car, pack
from throttlewright.car.record import BoostState
from throttlewright.car.surface import evaluate
from throttlewright.design.pedal_shaping import (
    MOST_CLOSING,
    closing_time,
    pedal_shaping,
    ramp_time,
)
from throttlewright.design.rows import Rows
from throttlewright.design.shuffle import shuffle

TYPICAL = PedalShaping()
EXAMPLES = ("hillclimb_20t", "trackday_16", "v8_48_itb")


@cache
def car(name: str) -> Car:
    return pack(load_example(name).build)


def intent(name: str, wanted: PedalShaping | None) -> Intent:
    return load_example_intent(name).intent.model_copy(update={"pedal_shaping": wanted})


@cache
def designed(name: str, wanted: PedalShaping | None = TYPICAL) -> Rows:
    return pedal_shaping(car(name), intent(name, wanted))


def tables(rows: Rows) -> dict[str, Table]:
    return {table.name: table for table in rows.tables}


def torque(name: str, rpm: float, plate_pct: float) -> float:
    it = car(name)
    psi = it.psi_closed + plate_pct / 100.0 * (it.psi_open - it.psi_closed)
    found, _ = evaluate(
        it, np.array([rpm * np.pi / 30.0]), np.array([[psi]]), state=BoostState.INSTANT
    )
    return float(found["torque"][0, 0])


def test_without_the_section_there_is_nothing() -> None:
    assert designed("trackday_16", None) == Rows()


@pytest.mark.parametrize("name", EXAMPLES)
def test_the_band_begins_where_the_engine_begins_to_pull(name) -> None:
    made = tables(designed(name))
    low, high = made["lash_low"], made["lash_high"]
    for rpm in low.axes[0].values[1::3]:
        full = torque(name, float(rpm), 100.0)
        # the band is read off a line between points of the surface
        assert abs(torque(name, float(rpm), float(low.lookup(rpm)))) < 0.01 * full
        assert 0.005 * full < torque(name, float(rpm), float(high.lookup(rpm))) < 0.2 * full


@pytest.mark.parametrize("name", EXAMPLES)
def test_torque_rises_evenly_over_the_time_of_the_gear(name) -> None:
    made = tables(designed(name))
    rpm = float(made["opening_rate"].axes[1].values[4])
    for gear in (1, 3):
        rate = float(made["opening_rate"].lookup(gear, rpm))
        plate = float(made["lash_high"].lookup(rpm))
        level = 0.85 * torque(name, rpm, 100.0)
        time, torques = 0.0, []
        while time < 5.0 and (not torques or torques[-1] < level):
            plate = min(100.0, plate + 0.005 * rate * float(made["rate_factor"].lookup(rpm, plate)))
            time += 0.005
            torques.append(torque(name, rpm, plate))
        # the factor is a table of few points: a quarter either way
        asked = ramp_time(car(name), PedalShaping(), gear)
        assert time == pytest.approx(0.85 * asked, rel=0.25)


@pytest.mark.parametrize("name", EXAMPLES)
def test_higher_gears_are_faster_and_neutral_is_free(name) -> None:
    made = tables(designed(name))
    opening, lash = made["opening_rate"].values, made["lash_rate"].values
    assert np.all(np.diff(lash[1:]) > 0.0)
    # in high gears the servo sets the time, not shuffle
    assert np.all(np.diff(opening[1:], axis=0) >= 0.0)
    assert np.all(opening[2] > opening[1])
    assert np.all(opening[0] == 1000.0)
    assert lash[0] == 1000.0


def test_opening_time_in_the_lowest_gear_wins_over_a_shorter_period() -> None:
    it = car("trackday_16")
    slow = PedalShaping(opening_time="1.9 s")
    assert ramp_time(it, slow, 1) == pytest.approx(1.9)
    share = shuffle(it, 3).period_s / shuffle(it, 1).period_s
    assert ramp_time(it, slow, 3) == pytest.approx(1.9 * share)
    assert ramp_time(it, PedalShaping(opening_time="0.12 s", lash="off"), 1) == pytest.approx(0.12)


def test_an_opening_time_of_nothing_leaves_the_band_alone() -> None:
    made = tables(designed("trackday_16", PedalShaping(opening_time="0.0 s")))
    assert set(made) == {"lash_rate", "lash_low", "lash_high"}
    assert not designed("trackday_16", PedalShaping(opening_time="0.0 s", lash="off")).tables


@pytest.mark.parametrize("name", EXAMPLES)
def test_closing_is_never_slower_than_the_criteria_allow(name) -> None:
    assert closing_time(car(name), PedalShaping()) < MOST_CLOSING
    late = designed(name, PedalShaping(closing_time="0.3 s", lash="off"))
    assert not late.tables
    assert "closing" in late.refused
    made = tables(designed(name, PedalShaping(closing_time="0.2 s", lash="off")))
    for rpm in (1500.0, 4000.0):
        plate, time = 100.0, 0.0
        while plate > 0.0:
            rate = float(made["closing_rate"].lookup(1, rpm))
            plate -= 0.001 * rate * float(made["rate_factor"].lookup(rpm, plate))
            time += 0.001
        assert time <= MOST_CLOSING


def test_closing_through_the_band_takes_what_was_counted() -> None:
    made = tables(designed("v8_48_itb"))
    width = made["lash_high"].values - made["lash_low"].values
    worst = float(np.max(width) / np.min(made["lash_rate"].values[1:]))
    assert worst == pytest.approx(closing_time(car("v8_48_itb"), PedalShaping()), rel=0.01)


def test_mode_changes_wait_for_the_released_pedal_when_asked() -> None:
    made = designed("trackday_16", PedalShaping(mode_change="released"))
    assert made.numbers["mode_change_released"].value == 1.0
    assert "mode_change_released" not in designed("trackday_16").numbers
