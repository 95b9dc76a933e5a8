"""Figures of launch and anti-lag on made-up runs."""

from __future__ import annotations

import math

import numpy as np
import pytest

from throttlewright.build.catalogue import load_example, load_example_intent
from throttlewright.build.intent import Intent
from throttlewright.build.intent_roles import AntiLag, Launch
from throttlewright.car.pack import Car, pack
from throttlewright.foundation.errors import InputError
from throttlewright.prove.figures_anti_lag import FIGURES as ANTI_LAG
from throttlewright.prove.figures_launch import FIGURES as LAUNCH
from throttlewright.recording.recording import Channel, Recording


def car_and_intent() -> tuple[Car, Intent]:
    intent = load_example_intent("hillclimb_20t").intent
    wanted = {"launch": Launch(speed="4500 rpm"), "anti_lag": AntiLag()}
    return pack(load_example("hillclimb_20t").build), intent.model_copy(update=wanted)


def run(t: np.ndarray, **values: np.ndarray | float) -> Recording:
    return Recording(
        {n: Channel(n, "", t, np.broadcast_to(v, t.shape).astype(float)) for n, v in values.items()}
    )


@pytest.mark.parametrize(("off", "good"), [(60.0, True), (140.0, False)])
def test_held_speed_counts_once_settled(off: float, good: bool) -> None:
    t = np.arange(0.0, 4.0, 0.01)
    rpm = np.where(t < 1.0, 1000.0 + 3500.0 * t, 4500.0 + np.where(t > 2.0, off, 300.0 * (t < 1.3)))
    found = LAUNCH["launch_speed"](
        run(t, engine_rpm=rpm, pedal_pct=100.0, speed_m_s=0.0), *car_and_intent()
    )
    assert found.value == pytest.approx(off)
    assert found.good is good


def test_an_engine_that_never_gets_there_is_not_good() -> None:
    t = np.arange(0.0, 2.0, 0.01)
    found = LAUNCH["launch_speed"](
        run(t, engine_rpm=3000.0, pedal_pct=100.0, speed_m_s=0.0), *car_and_intent()
    )
    assert found.good is False


def test_boost_and_its_time() -> None:
    car, intent = car_and_intent()
    t = np.arange(0.0, 4.0, 0.01)
    pipe = float(car.record["p_ambient"]) / 1e3 + np.clip(50.0 * (t - 1.0), 0.0, 50.0)
    foot = np.where(t < 0.5, 0.0, 100.0)
    made = run(t, engine_rpm=4500.0, pedal_pct=foot, speed_m_s=0.0, pipe_kPa=pipe)
    found = LAUNCH["launch_boost"](made, car, intent)
    assert found.value == pytest.approx(50.0)
    assert "1.4 s after the foot" in found.text


@pytest.mark.parametrize(("peak", "good"), [(990.0, True), (1010.0, False)])
def test_exhaust_tells_its_band(peak: float, good: bool) -> None:
    t = np.arange(0.0, 2.0, 0.01)
    found = LAUNCH["launch_exhaust"](run(t, exhaust_degC=peak), *car_and_intent())
    assert found.good is good
    assert f"{peak - 100:.0f} to {peak + 100:.0f} degC" in found.text


def test_slip_counts_the_moving_car_only() -> None:
    t = np.arange(0.0, 3.0, 0.01)
    speed = np.where(t < 1.0, 0.5, 5.0)
    made = run(t, slip_1=np.where(t < 1.8, 0.8, 0.1), speed_m_s=speed)
    found = LAUNCH["launch_slip"](made, *car_and_intent())
    assert found.value == pytest.approx(0.8, abs=0.02)
    assert found.good is False


def lifted(**more: np.ndarray | float) -> Recording:
    t = np.arange(0.0, 8.0, 0.01)
    values = {"pedal_pct": np.where(t < 1.0, 100.0, 0.0), **more}
    return run(t, **values)


def test_shaft_speed_kept() -> None:
    t = np.arange(0.0, 8.0, 0.01)
    turbo = 100e3 * np.exp(-np.maximum(t - 1.0, 0.0))
    found = ANTI_LAG["anti_lag_shaft"](lifted(turbo_rpm=turbo, map_kPa=30.0), *car_and_intent())
    assert found.value == pytest.approx(100.0 * math.exp(-2.0), rel=0.02)
    with pytest.raises(InputError, match="never down"):
        ANTI_LAG["anti_lag_shaft"](run(t, pedal_pct=0.0), *car_and_intent())


@pytest.mark.parametrize(("left", "good"), [(45.0, True), (38.0, False)])
def test_vacuum_is_the_least_of_the_presses(left: float, good: bool) -> None:
    t = np.arange(0.0, 8.0, 0.01)
    brake = np.where((t % 2.0 > 0.5) & (t % 2.0 < 0.7), 50.0, 0.0)
    held = np.where((t > 2.5) & (t < 4.6), left, 60.0)
    found = ANTI_LAG["anti_lag_vacuum"](
        lifted(brake_pct=brake, brake_vacuum_kPa=held), *car_and_intent()
    )
    assert found.value == pytest.approx(left)
    assert found.good is good


@pytest.mark.parametrize(("torque", "good"), [(5.0, True), (80.0, False)])
def test_torque_left_counts_from_half_a_second_after_the_lift(torque: float, good: bool) -> None:
    t = np.arange(0.0, 8.0, 0.01)
    made = lifted(
        torque_Nm=np.where(t < 1.4, 300.0, torque),
        engine_rpm=4500.0,
        key_1=np.where(t < 6.0, 1.0, 0.0),
    )
    found = ANTI_LAG["anti_lag_torque_left"](made, *car_and_intent())
    assert found.good is good
    assert "after the key" in found.text
