"""Detections, counters, reactions and how they end; without its row nothing reacts."""

from __future__ import annotations

import dataclasses
import math

import pytest
from strategy_bench import MEANING, PEDAL, RPM, Bench, reaction, row

from throttlewright.calibration import signals as s
from throttlewright.calibration.calibration import Reaction
from throttlewright.calibration.reactions import (
    ACTION_TEXT,
    ACTIONS,
    DETECTION_TEXT,
    DETECTION_UNIT,
    DETECTIONS,
)
from throttlewright.calibration.table import Table
from throttlewright.foundation.errors import InputError

BIT = {name: float(2**k) for k, name in enumerate(ACTIONS)}


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"detection": "tracks"}, "detection: is not known"),
        ({"detection": "trackin"}, "did you mean 'tracking'"),
        ({"reaction": "stop"}, "allowed: note, other_track"),
        ({"recovery": "never"}, "allowed: self, release, key"),
        ({"limit": -1.0}, "out of range"),
        ({"limit": math.inf}, "out of range"),
        ({"time_s": math.nan}, "out of range"),
        ({"time_s": "1"}, "must be a number"),
        ({"source": ""}, "must not be empty"),
        ({"fault": ""}, "must not be empty"),
    ],
)
def test_bad_rows_are_refused(change: dict[str, object], said: str) -> None:
    good = reaction("tracking", 10.0, 0.5, "cut")
    with pytest.raises(InputError, match=said):
        dataclasses.replace(good, **change)  # type: ignore[arg-type]


def test_every_word_is_explained() -> None:
    assert set(DETECTIONS) == set(DETECTION_TEXT) == set(DETECTION_UNIT)
    assert set(ACTIONS) == set(ACTION_TEXT)
    assert Reaction("only a note", source="test").detection == "none"


def ticks_until_found(bench: Bench, most: int = 3000) -> int:
    for k in range(1, most + 1):
        if bench.run()[s.OUT_DETECTED] > 0.0:
            return k
    return -1


@pytest.mark.parametrize("every", [1.0, 10.0])
def test_confirmed_after_its_time(every: float) -> None:
    bench = Bench(
        reactions=(reaction("reference_supply", 0.2, 0.1, "note"),),
        numbers={"supervision_ticks": every},
    )
    bench.set(s.SIG_REFERENCE_V, 4.7)
    found = ticks_until_found(bench)
    # Counted every tenth tick, the first of them at tick 1: the tenth count falls on tick 91.
    assert found == (100 if every == 1.0 else 91)
    assert bench.out[s.OUT_ACTION] == BIT["note"]


def test_a_contact_that_comes_and_goes_is_found() -> None:
    bench = Bench(reactions=(reaction("reference_supply", 0.2, 0.1, "note"),))
    found = -1
    for k in range(2000):
        bad = k % 100 < 60  # never bad for 100 ticks on end
        bench.set(s.SIG_REFERENCE_V, 4.5 if bad else 5.0)
        if bench.run()[s.OUT_DETECTED] > 0.0:
            found = k
            break
    # +60 -5 a round: 55, then 100 at the 45th bad tick of the second round.
    assert found == 144


def test_a_short_glitch_is_not_found() -> None:
    bench = Bench(reactions=(reaction("reference_supply", 0.2, 0.1, "note"),))
    for k in range(2000):
        bench.set(s.SIG_REFERENCE_V, 4.5 if k % 400 < 30 else 5.0)
        bench.run()
    assert bench.out[s.OUT_DETECTED] == 0.0


def test_one_pedal_track_lost() -> None:
    rows = (reaction("pedal_1_range", 0.2, 0.1, "other_track"),)
    bench = Bench(reactions=rows)
    bench.pedal(80.0)
    bench.run(10)
    bench.set(s.SIG_PEDAL_1_V, 0.0)
    bench.run(50)
    assert bench.target == 80.0  # the track that left its range is left out at once
    bench.run(50 + 20)
    assert bench.out[s.OUT_ACTION] == BIT["other_track"]
    assert bench.target == 50.0
    assert bench.out[s.OUT_CHARGE_PLATE] == -1.0
    bench.run(1000)
    assert bench.target == 50.0
    bench.pedal(80.0)
    bench.run(500)
    assert bench.out[s.OUT_DETECTED] == 0.0
    bench.run(100)
    assert 60.0 < bench.target < 70.0  # authority comes back by degrees
    bench.run(300)
    assert bench.target == pytest.approx(80.0, rel=1e-9)
    without = Bench()
    without.pedal(80.0)
    without.set(s.SIG_PEDAL_1_V, 0.0)
    without.run(3000)
    assert without.out[s.OUT_ACTION] == 0.0
    assert without.target == 0.4


def test_both_pedal_tracks_lost_is_a_released_pedal() -> None:
    rows = (
        reaction("pedal_1_range", 0.2, 0.1, "other_track"),
        reaction("pedal_2_range", 0.2, 0.1, "other_track"),
    )
    bench = Bench(reactions=rows)
    bench.set(s.SIG_PEDAL_1_V, 5.0)
    bench.set(s.SIG_PEDAL_2_V, 5.0)
    bench.run(200)
    assert bench.out[s.OUT_PEDAL_PCT] == 0.0
    assert bench.out[s.OUT_DETECTED] == 2.0


def test_disagreement_uses_the_smaller_and_waits_for_release() -> None:
    bench = Bench(reactions=(reaction("pedal_disagree", 10.0, 0.1, "release_pedal", "release"),))
    bench.pedal(60.0)
    bench.set(s.SIG_PEDAL_2_V, 0.375 + 0.01875 * 40.0)
    bench.run(50)
    assert bench.target == pytest.approx(40.0, rel=1e-9)
    bench.run(100)
    assert bench.target == 0.4
    bench.pedal(60.0)
    bench.run(2000)
    assert bench.target == 0.4  # healthy again, but the foot has not been lifted
    bench.pedal(0.0)
    bench.run(2)
    bench.pedal(60.0)
    bench.run(1000)
    assert bench.target == pytest.approx(60.0, rel=1e-9)


def test_a_dead_plate_track_never_enters_the_mean() -> None:
    rows = (reaction("plate_1_range", 0.2, 0.1, "other_track"),)
    bench = Bench(reactions=rows)
    bench.pedal(40.0)
    bench.plate(40.0)
    bench.run(10)
    bench.set(s.SIG_PLATE_1_V, 0.0)
    for _ in range(150):
        assert bench.run()[s.OUT_PLATE_PCT] == pytest.approx(40.0, rel=1e-9)
    assert bench.out[s.OUT_ACTION] == BIT["other_track"]
    without = Bench()
    without.plate(40.0)
    without.set(s.SIG_PLATE_1_V, 0.0)
    assert without.run()[s.OUT_PLATE_PCT] < 15.0  # what the row guards against


def test_cut_latches_until_the_key() -> None:
    rows = (
        reaction("plate_disagree", 10.0, 0.1, "cut", "key"),
        reaction("not_at_rest", 5.0, 1.0, "fuel_off", "key"),
    )
    bench = Bench(reactions=rows)
    bench.pedal(60.0)
    bench.plate(60.0)
    bench.set(s.SIG_PLATE_2_V, 4.4 - 0.038 * 45.0)
    bench.run(99)
    assert bench.out[s.OUT_BRIDGE] == 0.0
    bench.run()
    assert bench.out[s.OUT_BRIDGE] == 1.0
    assert bench.out[s.OUT_RELAY] == 0.0
    assert bench.out[s.OUT_PWM] == 0.0
    assert bench.out[s.OUT_CHARGE_PLATE] == -1.0
    bench.plate(60.0)  # agrees again, but the plate has not gone to rest
    bench.run(999)
    assert bench.out[s.OUT_BRIDGE] == 1.0
    assert bench.out[s.OUT_FUEL_CUT] == 0.0
    bench.run(2)
    assert bench.out[s.OUT_FUEL_CUT] == 1.0
    assert bench.out[s.OUT_CHARGE_FUEL] == -2.0
    bench.set(s.SIG_KEY, 0.0)
    bench.run()
    bench.set(s.SIG_KEY, 1.0)
    bench.run()
    assert bench.out[s.OUT_BRIDGE] == 0.0
    assert bench.out[s.OUT_FUEL_CUT] == 0.0


def test_tracking_waits_for_the_battery() -> None:
    bench = Bench(reactions=(reaction("tracking", 10.0, 0.5, "cut", "key"),))
    bench.pedal(60.0)
    bench.set(s.SIG_BATTERY_V, 8.0)
    assert ticks_until_found(bench, 1000) == -1
    bench.set(s.SIG_BATTERY_V, 12.0)
    assert ticks_until_found(bench) == 500


def test_fuel_speed_holds_engine_speed_whatever_the_plate_does() -> None:
    bench = Bench(
        reactions=(reaction("plate_both_range", 0.2, 0.05, "fuel_speed", "key"),),
        numbers={"limp_rpm": 2500.0},
    )
    bench.set(s.SIG_PLATE_1_V, 0.0)
    bench.set(s.SIG_PLATE_2_V, 5.0)
    bench.pedal(50.0)
    bench.run(60)
    assert bench.out[s.OUT_FUEL_CUT] == 0.0
    cuts = []
    for rpm in (2501.0, 2450.0, 2399.0):
        bench.set(s.SIG_ENGINE_RPM, rpm)
        cuts.append(float(bench.run()[s.OUT_FUEL_CUT]))
    assert cuts == [1.0, 1.0, 0.0]
    # with the foot off no more than idle needs is left
    bench.pedal(0.0)
    cuts = []
    for rpm in (1301.0, 1250.0, 1099.0):
        bench.set(s.SIG_ENGINE_RPM, rpm)
        cuts.append(float(bench.run()[s.OUT_FUEL_CUT]))
    assert cuts == [1.0, 1.0, 0.0]


def test_no_row_lifts_a_fuel_cut_of_a_reaction_or_of_the_rev_limit() -> None:
    bench = Bench(
        (row("never", "fuel_cut", "ceiling", "ramp"),),
        (reaction("supply_low", 9.0, 0.01, "fuel_off", "key"),),
        {"never.to": 0.0},
    )
    bench.set(s.SIG_ENGINE_RPM, 9000.0)
    assert bench.run(2)[s.OUT_FUEL_CUT] == 1.0
    bench.set(s.SIG_ENGINE_RPM, 2000.0)
    assert bench.run()[s.OUT_FUEL_CUT] == 0.0
    bench.set(s.SIG_BATTERY_V, 8.0)
    assert bench.run(20)[s.OUT_FUEL_CUT] == 1.0


def test_brake_with_a_stuck_pedal() -> None:
    bench = Bench(reactions=(reaction("brake_with_pedal", 25.0, 0.5, "release_pedal", "release"),))
    bench.pedal(50.0)
    bench.set(s.SIG_BRAKE, 1.0)
    bench.run(2000)
    assert bench.target == pytest.approx(50.0, rel=1e-9)  # the car stands
    bench.set(s.SIG_FREE_M_S, 20.0)
    assert ticks_until_found(bench) == 500
    assert bench.target == 0.4
    bench.set(s.SIG_BRAKE, 0.0)
    bench.run(1000)
    assert bench.target == 0.4


def test_airflow_against_the_target() -> None:
    most = Table(
        "map_over_plate", "most MAP", "kPa", (RPM, PEDAL), [[40.0, 80.0, 100.0]] * 2,
        percent_meaning=MEANING,
    )  # fmt: skip
    rows = (reaction("airflow", 15.0, 0.3, "fuel_speed", "key"),)
    bench = Bench(reactions=rows, tables=(most,))
    bench.pedal(25.0)
    bench.set(s.SIG_MAP_KPA, 74.0)
    assert ticks_until_found(bench, 1000) == -1  # 60 + 15 allowed
    bench.set(s.SIG_MAP_KPA, 76.0)
    assert ticks_until_found(bench) == 300
    off = Bench(reactions=rows)
    off.set(s.SIG_MAP_KPA, 200.0)
    assert ticks_until_found(off, 1000) == -1


@pytest.mark.parametrize(
    ("detection", "limit", "signal", "good", "bad"),
    [
        ("current_high", 8.0, s.SIG_CURRENT_A, -7.9, -8.1),
        ("supply_low", 9.0, s.SIG_BATTERY_V, 9.1, 8.9),
        ("overboost", 180.0, s.SIG_PIPE_KPA, 179.0, 181.0),
        ("map_high", 180.0, s.SIG_MAP_KPA, 179.0, 181.0),
        ("bus_timeout", 0.1, s.SIG_BUS_AGE_S, 0.09, 0.11),
        ("request_refused", 0.0, s.SIG_REQUEST_PCT, 0.0, 20.0),
        ("overspeed_released", 3000.0, s.SIG_ENGINE_RPM, 2990.0, 3010.0),
        ("reference_supply", 0.25, s.SIG_REFERENCE_V, 5.2, 5.3),
        ("pedal_2_range", 0.2, s.SIG_PEDAL_2_V, 0.21, 0.19),
        ("plate_2_range", 0.2, s.SIG_PLATE_2_V, 4.79, 4.81),
    ],
)
def test_each_limit(detection: str, limit: float, signal: int, good: float, bad: float) -> None:
    bench = Bench(reactions=(reaction(detection, limit, 0.01, "note"),))
    bench.set(signal, good)
    assert ticks_until_found(bench, 100) == -1
    bench.set(signal, bad)
    assert ticks_until_found(bench, 100) == 10
    bench.set(signal, good)
    bench.run(499)
    assert bench.out[s.OUT_DETECTED] == 1.0
    bench.run()
    assert bench.out[s.OUT_DETECTED] == 0.0


def test_duty_and_missing_current() -> None:
    rows = (
        reaction("duty_high", 95.0, 0.1, "note"),
        reaction("current_missing", 0.2, 0.05, "note"),
    )
    bench = Bench(reactions=rows)
    bench.pedal(90.0)  # the plate does not move: full duty
    bench.set(s.SIG_CURRENT_A, 3.0)
    assert ticks_until_found(bench) == 101  # judged on the duty of the tick before
    bench.set(s.SIG_CURRENT_A, 0.0)
    bench.run(60)
    assert bench.out[s.OUT_DETECTED] == 2.0


def test_an_external_raise_request_is_never_followed() -> None:
    bench = Bench()
    bench.pedal(10.0)
    bench.set(s.SIG_REQUEST_PCT, 80.0)
    bench.run(100)
    assert bench.target == pytest.approx(10.0, rel=1e-9)


def test_a_restart_is_found_in_its_first_tick() -> None:
    bench = Bench(reactions=(reaction("watchdog", 0.0, 0.5, "release_pedal", "release"),))
    bench.pedal(50.0)
    bench.run(5)
    assert bench.out[s.OUT_DETECTED] == 0.0
    bench.restart()
    bench.run(1000)
    assert bench.target == 0.4
    bench.pedal(0.0)
    bench.run(2)
    assert bench.out[s.OUT_DETECTED] == 0.0
