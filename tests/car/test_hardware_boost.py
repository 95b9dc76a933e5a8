"""Highest pressure before the plate that the hardware reaches."""

from __future__ import annotations

import math

import numpy as np
import pytest

from throttlewright.build.catalogue import load_example
from throttlewright.car.hardware_boost import hardware_pressure
from throttlewright.car.motion import in_motion
from throttlewright.car.pack import Car, pack, with_variation

RPM = math.pi / 30.0
SPEEDS = np.linspace(1500.0, 7000.0, 8) * RPM


@pytest.fixture(scope="module")
def turbo() -> Car:
    return pack(load_example("hillclimb_20t").build)


def test_a_stuck_wastegate_goes_beyond_the_wanted_boost(turbo) -> None:
    found = hardware_pressure(turbo, SPEEDS)
    wanted = turbo.full_boost(SPEEDS)
    assert np.all(found >= wanted - 1.0)
    # 4500 rpm: far past the spring's hold
    assert hardware_pressure(turbo, np.array([4500.0 * RPM]))[0] > 1.2 * float(wanted.max())


def test_it_never_passes_twice_the_knee_of_the_law_of_reach(turbo) -> None:
    rec = in_motion(turbo).record
    most = float(rec["p_ambient"]) * (1.0 + 2.0 * float(rec["reach_knee"]))
    assert np.all(hardware_pressure(turbo, SPEEDS) < most)


def test_below_boost_it_is_near_ambient(turbo) -> None:
    low = hardware_pressure(turbo, np.array([1000.0 * RPM]))[0]
    assert float(turbo.record["p_ambient"]) <= low < 1.1 * float(turbo.record["p_ambient"])


def test_it_is_the_same_for_a_car_in_motion_and_follows_the_car(turbo) -> None:
    found = hardware_pressure(turbo, SPEEDS)
    np.testing.assert_allclose(hardware_pressure(in_motion(turbo), SPEEDS), found, rtol=1e-6)
    poor = hardware_pressure(with_variation(turbo, ve=0.8), SPEEDS)
    assert poor[2] < found[2]


@pytest.mark.parametrize("name", ["trackday_16", "v8_48_itb"])
def test_without_a_compressor_it_is_ambient(name: str) -> None:
    car = pack(load_example(name).build)
    assert hardware_pressure(car, SPEEDS) == pytest.approx(float(car.record["p_ambient"]))
