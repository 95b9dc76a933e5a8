"""Figures of blip and upshift on made-up runs."""

from __future__ import annotations

import math

import numpy as np
import pytest

from throttlewright.build.catalogue import load_example, load_example_intent
from throttlewright.car.pack import pack
from throttlewright.prove.figures_shift import FIGURES
from throttlewright.recording.recording import Channel, Recording

T = np.arange(0.0, 1.0, 0.01)
INTENT = load_example_intent("trackday_16").intent
CAR = pack(load_example("trackday_16").build)


def judged(name: str, **channels: np.ndarray):
    given = {"engine_rpm": np.full(T.size, 3000.0), **channels}
    recording = Recording({n: Channel(n, "", T, v) for n, v in given.items()})
    return FIGURES[name](recording, CAR, INTENT)


GEAR = np.where(T < 0.495, 3.0, 2.0)
CLUTCH = np.where(T < 0.595, 0.0, 100.0)


@pytest.mark.parametrize(("over", "good"), [(150.0, True), (-250.0, False)])
def test_speeds_are_compared_as_the_clutch_closes(over: float, good: bool) -> None:
    rpm = 10.0 * 2.02 * 4.27 / 0.288 * 30.0 / math.pi
    engine = np.where(T < 0.595, rpm + over, 0.0)
    engine[60] = rpm + over
    found = judged(
        "blip_speed_error",
        engine_rpm=engine,
        gear_1=GEAR,
        clutch_pct=CLUTCH,
        speed_m_s=np.full(T.size, 10.0),
    )
    assert found.value == pytest.approx(over, abs=0.1)
    assert found.good is good


@pytest.mark.parametrize(("until", "good"), [(0.6, True), (0.9, False)])
def test_time_beyond_the_pedal(until: float, good: bool) -> None:
    target = 3.0 + np.where((T > 0.2) & (until > T), 10.0, 0.0)
    shift = np.where((T > 0.19) & (T < 0.95), -1.0, 0.0)
    found = judged(
        "over_demand_time", plate_target_pct=target, demand_pct=np.zeros(T.size), shift_1=shift
    )
    assert found.value == pytest.approx(until - 0.2, abs=0.021)
    assert found.good is good


def test_the_jolt_is_the_change_within_50_ms_after_the_gear_took_hold() -> None:
    a = np.where(T < 0.305, 0.0, 9.0) + np.where(T < 0.705, 0.0, -4.0)
    found = judged("blip_jolt", acceleration_m_s2=a, gear_1=GEAR, clutch_pct=CLUTCH)
    assert found.value == pytest.approx(4.0)


def test_the_flare_counts_until_the_gear_takes_hold() -> None:
    rpm = 3000.0 + 500.0 * T
    shift = np.where(T < 0.195, 0.0, 1.0)
    found = judged("upshift_flare", engine_rpm=rpm, shift_1=shift, gear_1=GEAR, clutch_pct=CLUTCH)
    assert found.value == pytest.approx(500.0 * 0.39, abs=6.0)


def test_a_run_without_a_shift_has_no_figure() -> None:
    still = judged("blip_jolt", gear_1=np.full(T.size, 3.0), clutch_pct=np.full(T.size, 100.0))
    assert math.isnan(still.value)
    assert still.good is None
