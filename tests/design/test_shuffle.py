"""Shuffle of the driveline: two inertias by hand, and the cars' own gears."""

from __future__ import annotations

import itertools
import math
from functools import cache

import pytest

from throttlewright.build.catalogue import load_example
from throttlewright.car.pack import Car, pack
from throttlewright.design.shuffle import shuffle, two_inertias
from throttlewright.foundation.errors import InputError


@cache
def car(name: str) -> Car:
    return pack(load_example(name).build)


# calculated by hand from f = sqrt(k (1/J1 + 1/J2)) / (2 pi), J_e 0.2, m 1300, r 0.3, k 8000
@pytest.mark.parametrize(("ratio", "hertz"), [(13.0, 2.780), (7.6, 4.390), (5.0, 6.501)])
def test_frequencies_of_the_reference_driveline(ratio, hertz) -> None:
    found = two_inertias(8000.0, engine_inertia=0.2, total_ratio=ratio, mass=1300.0, radius=0.3)
    assert found.frequency_Hz == pytest.approx(hertz, abs=5e-4)
    assert found.damping_1 == 0.0
    assert found.period_s == pytest.approx(1.0 / hertz, rel=2e-4)


def test_a_tyre_as_stiff_as_the_shafts_takes_a_root_of_two() -> None:
    known = {"engine_inertia": 0.2, "total_ratio": 5.0, "mass": 1300.0, "radius": 0.3}
    hard = two_inertias(8000.0, **known)
    soft = two_inertias(8000.0, tyre_stiffness=8000.0, **known)
    assert soft.frequency_Hz == pytest.approx(hard.frequency_Hz / math.sqrt(2.0))


def test_damping_is_that_of_a_damped_oscillator() -> None:
    # c / (2 sqrt(k J)) with J the two inertias in series, by hand
    engine, body = 0.2 * 25.0, 1300.0 * 0.09
    series = engine * body / (engine + body)
    found = two_inertias(
        8000.0, engine_inertia=0.2, total_ratio=5.0, mass=1300.0, radius=0.3, damping=60.0
    )
    assert found.damping_1 == pytest.approx(60.0 / (2.0 * math.sqrt(8000.0 * series)))


@pytest.mark.parametrize("name", ["hillclimb_20t", "trackday_16", "v8_48_itb"])
def test_shuffle_rises_with_the_gear_and_rolling_tyres_damp_it(name) -> None:
    gears = range(1, int(car(name).record["gears"]) + 1)
    found = [shuffle(car(name), gear) for gear in gears]
    assert all(a.frequency_Hz < b.frequency_Hz for a, b in itertools.pairwise(found))
    # real cars: 2 to 8 Hz in the lower gears, from memory
    assert 2.0 < found[0].frequency_Hz < 5.0
    slow, fast = shuffle(car(name), 1, omega=150.0), shuffle(car(name), 1, omega=600.0)
    assert found[0].damping_1 < slow.damping_1 < fast.damping_1 < 1.0
    assert slow.frequency_Hz == pytest.approx(found[0].frequency_Hz, rel=0.05)


def test_a_gear_that_is_not_there_is_refused() -> None:
    with pytest.raises(InputError, match="gear"):
        shuffle(car("trackday_16"), 9)
