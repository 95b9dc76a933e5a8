"""A car driven by hand: pieces of time, gears, maps, faults, what is kept."""

from __future__ import annotations

import numpy as np
import pytest
from drive_bench import moving
from live_bench import whole_calibration

from throttlewright.calibration.pack import mode_names
from throttlewright.drive.live import FINE_ROWS, LIVE, Live
from throttlewright.drive.live_parts import ONE_TO_ONE, Ring, with_one_to_one
from throttlewright.foundation.errors import InputError


def begun() -> Live:
    return Live(moving(), with_one_to_one(whole_calibration()))


def column(rows: np.ndarray, name: str) -> np.ndarray:
    return rows[:, LIVE.index(name)]


def test_it_idles_in_neutral_and_goes_on_doing_so() -> None:
    live = begun()
    rpm = column(live.step(5000), "engine_rpm")
    idle = moving().idle * 30.0 / np.pi
    assert np.all(np.abs(rpm / idle - 1.0) < 0.12)
    assert live.ticks == 5000
    assert live.gear == 0
    assert live.running


def test_pieces_of_time_give_what_the_whole_gives() -> None:
    whole, parts = begun(), begun()
    for live in (whole, parts):
        live.shift(1)
        live.set("pedal_pct", 55.0)
    once = whole.step(1500)
    pieces = np.concatenate([parts.step(n) for n in (1, 2, 17, 480, 1000)])
    assert np.array_equal(once, pieces)


def test_the_clutch_by_itself_drives_off_and_shifts_without_stalling() -> None:
    live = begun()
    live.shift(1)
    live.set("pedal_pct", 45.0)
    live.step(4000)
    live.shift(2)
    rows = live.step(2500)
    assert column(rows, "gear_1")[-1] == 2.0
    assert column(rows, "clutch_pct")[-1] == 100.0
    assert column(rows, "clutch_pct").min() == 0.0
    assert column(rows, "speed_m_s")[-1] > 5.0
    # the foot that works the clutch lets the pedal go, and the record says so
    assert column(rows, "pedal_pct").min() == 0.0
    live.set("pedal_pct", 0.0)
    live.set("brake_pct", 60.0)
    rows = live.step(6000)
    assert column(rows, "speed_m_s")[-1] < 0.1
    assert live.running


def test_a_clutch_by_hand_can_stall_the_engine_and_the_starter_brings_it_back() -> None:
    live = begun()
    live.auto_clutch = False
    live.shift(live.gears)
    live.step(1500)
    assert not live.running
    live.shift(0)
    live.start_engine()
    live.step(3000)
    assert live.running


def test_one_to_one_is_the_last_map_and_differs_in_the_plate_alone() -> None:
    own = whole_calibration()
    both = with_one_to_one(own)
    names = mode_names(both)
    assert names == (*mode_names(own), ONE_TO_ONE)
    live = begun()
    live.set("pedal_pct", 50.0)
    before = column(live.step(1500), "demand_pct")[-1]
    live.set("mode_1", float(len(names) - 1))
    after = column(live.step(1500), "demand_pct")[-1]
    assert before == pytest.approx(6.0, abs=0.3)
    assert after == pytest.approx(50.0, abs=0.3)
    with pytest.raises(InputError, match="a mode of this name"):
        with_one_to_one(both)


def test_a_fault_closes_the_plate_and_mending_with_the_key_opens_it_again() -> None:
    live = begun()
    live.shift(2)
    live.set("pedal_pct", 100.0)
    rows = live.step(3000)
    assert column(rows, "plate_pct").max() > 60.0
    live.inject("plate_both_lost")
    rows = live.step(1500)
    rest = (
        100.0 * float(moving().record["default_opening"]) / float(moving().record["servo_travel"])
    )
    assert column(rows, "plate_pct")[-1] < rest + 3.0
    assert column(rows, "detected_1")[-1] >= 1.0
    assert live.broken == ("plate_both_lost",)
    live.clear()
    assert live.broken == ()
    live.set("pedal_pct", 0.0)
    live.step(1000)
    live.set("key_1", 0.0)
    live.step(1000)
    live.set("key_1", 1.0)
    live.start_engine()
    live.step(2000)
    live.set("pedal_pct", 100.0)
    # the key alone brings power back, at the rate of a controller that starts afresh
    assert column(live.step(6000), "plate_pct").max() > 60.0


def test_a_fault_that_was_never_mended_stays_and_one_with_a_length_ends() -> None:
    live = begun()
    live.inject("controller_reset", 0.2)
    live.step(100)
    assert live.broken == ("controller_reset",)
    live.step(150)
    assert live.broken == ()
    with pytest.raises(InputError, match="is not a kind of fault"):
        live.inject("plate_stukc")
    with pytest.raises(InputError, match="outside the allowed range"):
        live.inject("plate_1_drift", 99.0)


@pytest.mark.parametrize(
    ("channel", "value"),
    [("pedal_pct", 101.0), ("pedal_pct", float("nan")), ("mode_1", 15.0), ("gear_1", 1.0)],
)
def test_inputs_out_of_range_are_refused(channel: str, value: float) -> None:
    with pytest.raises(InputError):
        begun().set(channel, value)


def test_a_recording_holds_what_was_driven_with_its_faults() -> None:
    live = begun()
    live.step(700)
    live.set("pedal_pct", 30.0)
    shown = live.step(800)
    live.inject("pedal_1_low")
    live.step(300)
    live.clear("pedal_1_low")
    live.step(200)
    rec = live.recording(700, 2000)
    assert len(rec.channel("map_kPa")) == 1300
    assert rec.channel("map_kPa").values[:800] == pytest.approx(column(shown, "map_kPa"), rel=1e-6)
    faults = [(e.t_s, e.text) for e in rec.events if e.name == "fault"]
    assert faults == [(0.8, "pedal_1_low sets in"), (1.1, "pedal_1_low is gone")]
    # what was broken and mended before is not told
    later = live.recording(1900, 2000)
    assert [e for e in later.events if e.name == "fault"] == []


def test_a_long_drive_is_kept_at_a_hundred_a_second_in_the_same_room() -> None:
    live = begun()
    size = live._fine._rows.nbytes + live._coarse._rows.nbytes
    for n in range(10):
        live.set("pedal_pct", 3.0 * n)
        live.step(7000)
    assert live._fine._rows.nbytes + live._coarse._rows.nbytes == size < 4e7
    rec = live.recording(5, live.ticks)
    t_s = rec.channel("pedal_pct").t_s
    assert np.allclose(np.diff(t_s), 0.01)
    assert t_s[0] == 0.0
    assert t_s[-1] == pytest.approx(70.0, abs=0.03)
    assert rec.channel("pedal_pct").values[-1] == 27.0
    fine = live.recording(live.ticks - FINE_ROWS + 100, live.ticks)
    assert np.allclose(np.diff(fine.channel("pedal_pct").t_s), 0.001)
    # both keep the same car: the coarse rows are every tenth of the fine ones
    coarse = rec.channel("engine_rpm").values[-500:]
    assert np.array_equal(coarse, fine.channel("engine_rpm").values[::-1][9:5000:10][::-1])


def test_a_reset_begins_anew() -> None:
    live, fresh = begun(), begun()
    live.shift(1)
    live.set("pedal_pct", 80.0)
    live.inject("pedal_2_low")
    live.step(3000)
    live.reset()
    assert live.ticks == 0
    assert live.broken == ()
    assert live.gear == 0
    assert np.array_equal(live.step(300), fresh.step(300))
    with pytest.raises(InputError, match="nothing to keep"):
        live.recording(300, 310)


def test_the_ring_gives_back_its_last_rows() -> None:
    ring = Ring(10, 1)
    for start, count in ((0, 4), (4, 5), (9, 7)):
        ring.add(np.arange(start, start + count, dtype=float)[:, None])
    assert (ring.first, ring.count) == (6, 16)
    assert ring.part(6, 16)[:, 0].tolist() == list(range(6, 16))
