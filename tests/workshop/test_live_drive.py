"""Driving a car of the garage: the wall clock, frames, inputs, what is kept and compared."""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from throttlewright.foundation.errors import InputError
from throttlewright.recording.recording import Channel, Recording
from throttlewright.workshop.garage import NewCarRequest, new_car
from throttlewright.workshop.held import Garage
from throttlewright.workshop.live import HEADER, LIVE, Drive, LiveInput, Pace, open_drive
from throttlewright.workshop.live_figures import (
    CompareDrives,
    compare_drives,
    drive_figures,
    drives_of,
)


@given(st.lists(st.floats(0.0, 1.9), min_size=1, max_size=60))
@settings(deadline=None, derandomize=True, database=None, max_examples=50)
def test_the_pace_never_drifts(waits: list[float]) -> None:
    now = 1000.0
    pace = Pace(now)
    for wait in waits:
        now += wait
        pace.due(now)
        assert pace.done == math.floor((now - 1000.0) * 1e3 + 1e-6)
    assert pace.lost_s == 0.0


def test_a_minute_of_frames_is_a_minute_of_ticks() -> None:
    pace = Pace(5.0)
    for n in range(1, 3601):
        pace.due(5.0 + n / 60.0)
    assert pace.done == 60_000


def test_a_sleep_of_the_computer_is_left_out_and_told() -> None:
    pace = Pace(0.0)
    pace.due(1.0)
    assert pace.due(3601.0) == 0
    assert pace.lost_s == pytest.approx(3600.0)
    assert pace.due(3601.5) == 500
    assert pace.due(3601.4) == 0


@pytest.fixture(scope="module")
def garage(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Garage]:
    folder = tmp_path_factory.mktemp("garage")
    new_car(NewCarRequest(garage=str(folder), name="Hill car", example="trackday_16", who="Ada"))
    with Garage.open(folder) as opened:
        yield opened


@pytest.fixture(scope="module")
def drive(garage: Garage) -> Drive:
    return open_drive(garage, "Hill car")


def rows_of(frame: bytes) -> tuple[dict[str, float], np.ndarray]:
    values = np.frombuffer(frame, "<f4")
    head = dict(zip(HEADER, values[: len(HEADER)].tolist(), strict=True))
    return head, values[len(HEADER) :].reshape(int(head["rows"]), int(head["channels"]))


def test_a_car_without_a_calibration_drives_on_one_designed_from_its_intent(drive: Drive) -> None:
    about = drive.about
    assert about.calibration_revision is None
    assert about.notes
    assert about.modes[-1].name == "one to one"
    assert len(about.modes) >= 2
    kinds = {fault.kind for fault in about.faults}
    assert "plate_stuck" in kinds
    # a car without a turbo has no wastegate to break
    assert "wastegate_stuck_shut" not in kinds
    assert about.in_charge[0] == "demand"


def test_frames_carry_time_echo_and_rows(drive: Drive) -> None:
    drive.give(LiveInput(reset=True))
    head, rows = rows_of(drive.step(1017))
    assert (head["t_whole_s"], head["rows"]) == (1.0, 1017.0)
    assert head["t_part_s"] == pytest.approx(0.017, abs=1e-6)
    drive.give(LiveInput(stamp=4711, pedal_pct=40.0))
    head, rows = rows_of(drive.step(17, late_ms=3.0, lost_s=1.5))
    assert (head["echo"], head["late_ms"], head["lost_s"]) == (4711.0, 3.0, 1.5)
    assert rows[-1, LIVE.index("pedal_pct")] == 40.0


def test_a_fault_closes_the_plate(drive: Drive) -> None:
    drive.give(LiveInput(reset=True, gear=2, pedal_pct=100.0))
    _, rows = rows_of(drive.step(2500))
    plate = LIVE.index("plate_pct")
    assert rows[:, plate].max() > 50.0
    drive.give(LiveInput(inject="plate_both_lost"))
    _, rows = rows_of(drive.step(1500))
    assert rows[-1, plate] < 15.0
    assert drive.broken() == ("plate_both_lost",)
    drive.give(LiveInput(clear="all"))
    drive.step(1)
    assert drive.broken() == ()


def test_what_cannot_be_done_is_said_and_nothing_else_stops(drive: Drive) -> None:
    drive.give(LiveInput(gear=9))
    drive.give(LiveInput(inject="wastegate_stuck_shut"))
    drive.give(LiveInput(mode=14))
    drive.give(LiveInput(brake_pct=10.0))
    _, rows = rows_of(drive.step(20))
    said = drive.problems()
    assert [word in text for word, text in zip(("gear", "fault", "mode"), said, strict=True)] == [
        True
    ] * 3
    assert drive.problems() == []
    assert rows[-1, LIVE.index("brake_pct")] == 10.0


def test_a_drive_is_kept_and_set_beside_another(garage: Garage, drive: Drive) -> None:
    for n, name in enumerate(("first", "second")):
        drive.give(LiveInput(reset=True, gear=1, pedal_pct=0.0))
        drive.step(1000)
        drive.give(LiveInput(record=True, pedal_pct=50.0 + 50.0 * n))
        drive.step(6000)
        drive.give(LiveInput(record=False))
        drive.step(500)
        kept = drive.keep(garage, name=name, who="Ada")
        assert kept.step_ms == 1.0
    found = drives_of(garage, "Hill car")
    assert [row.name for row in found] == ["second", "first"]
    both = compare_drives(garage, "Hill car", CompareDrives(a=found[1].id, b=found[0].id))
    by_name = {figure.name: figure for figure in both.figures}
    assert by_name["time"].a == pytest.approx(5.999, abs=1e-6)
    speed = by_name["most speed"]
    assert speed.a is not None
    assert speed.b is not None
    assert speed.b > 1.1 * speed.a
    with pytest.raises(InputError, match="no recording of this car"):
        compare_drives(garage, "Hill car", CompareDrives(a=1, b=found[0].id))


def test_figures_of_a_drive_by_hand() -> None:
    t_s = np.arange(0.0, 10.0, 0.01)
    # stands for 2 s, then 5 m/s2: 50 km/h = 13.889 m/s after 2.78 s, 100 km/h after 5.56 s
    speed = np.maximum(t_s - 2.0, 0.0) * 5.0
    slip = np.where((t_s > 3.0) & (t_s < 3.5) | (t_s > 6.0) & (t_s < 6.2), 0.3, 0.02)
    flat = np.zeros_like(t_s)
    channels = {
        "speed_m_s": speed,
        "slip_1": slip,
        "in_charge_plate_1": np.where(t_s < 2.5, 2.0, 0.0),
        "acceleration_m_s2": np.where(t_s > 2.0, 5.0, 0.0),
        "distance_m": 7.0 + np.cumsum(speed) * 0.01,
        "torque_Nm": flat,
        "map_kPa": flat,
        "engine_rpm": flat,
    }
    recording = Recording.of([Channel(name, "", t_s, v) for name, v in channels.items()])
    found = {name: value for (name, _), value in drive_figures(recording).items()}
    assert found["from rest to 50 km/h"] == pytest.approx(50.0 / 3.6 / 5.0, abs=0.08)
    assert found["from rest to 100 km/h"] == pytest.approx(100.0 / 3.6 / 5.0, abs=0.08)
    assert found["slip events"] == 2.0
    assert found["longest spell of slip"] == pytest.approx(0.5, abs=0.02)
    assert found["plate not set by the pedal"] == pytest.approx(25.0, abs=0.2)
    assert found["distance"] == pytest.approx(0.5 * 5.0 * 8.0**2, rel=0.01)
    slow = Recording.of([Channel(n, "", t_s[:300], v[:300]) for n, v in channels.items()])
    assert drive_figures(slow)["from rest to 50 km/h", "s"] is None
