from __future__ import annotations

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from throttlewright.physics import driveline

quick = settings(deadline=None, derandomize=True, max_examples=50)
ROAD = {"mass": 1000.0, "drag_area": 0.7, "rolling": 0.012, "density": 1.2}


@pytest.mark.parametrize(("ratio", "expected"), [(13.0, 2.780), (7.6, 4.390), (5.0, 6.501)])
def test_shuffle_frequency(ratio: float, expected: float) -> None:
    # Computed from the two-inertia formula: J_e .2, m 1300, r .3, k 8000 N m/rad.
    found = driveline.shuffle_frequency(8000.0, 0.2 * ratio**2, inertia_car=1300.0 * 0.3**2)
    assert found == pytest.approx(expected, rel=2e-4)


def test_shuffle_frequency_is_an_eigenvalue() -> None:
    numpy = pytest.importorskip("numpy")
    k, j1, j2 = 6000.0, 14.0, 110.0
    matrix = numpy.array([[k / j1, -k / j1], [-k / j2, k / j2]])
    largest = max(numpy.linalg.eigvals(matrix).real)
    assert driveline.shuffle_frequency(k, j1, inertia_car=j2) == pytest.approx(
        math.sqrt(largest) / (2.0 * math.pi), rel=1e-12
    )


def test_road_load_parts_by_hand() -> None:
    level = driveline.road_load_force(30.0, **ROAD, slope=0.0)
    # 0.5*1.2*0.7*900 = 378 N of air and 1000*9.80665*0.012 = 117.68 N of rolling.
    assert level == pytest.approx(378.0 + 117.6798, rel=1e-9)
    hill = driveline.road_load_force(0.0, **{**ROAD, "rolling": 0.0}, slope=math.atan(0.1))
    assert hill == pytest.approx(9806.65 * 0.1 / math.sqrt(1.01), rel=1e-12)


@quick
@given(st.floats(0.0, 80.0), st.floats(0.0, 80.0), st.floats(-0.2, 0.2))
def test_road_load_rises_with_speed(a: float, b: float, slope: float) -> None:
    low, high = sorted((a, b))
    loads = [driveline.road_load_force(v, **ROAD, slope=slope) for v in (low, high)]
    assert loads[0] <= loads[1]


@quick
@given(st.floats(-300.0, 600.0), st.floats(2.0, 16.0), st.floats(0.7, 1.0))
def test_wheel_force_never_creates_power(torque: float, ratio: float, eta: float) -> None:
    radius, speed = 0.3, 20.0
    force = driveline.wheel_force(torque, ratio, radius=radius, efficiency=eta)
    engine = driveline.engine_speed_from_vehicle(speed, ratio, radius=radius)
    given_by_engine, taken_by_car = torque * engine, force * speed
    assert taken_by_car <= given_by_engine + 1e-9 * abs(given_by_engine)
    smaller, larger = sorted((abs(given_by_engine), abs(taken_by_car)))
    assert smaller == pytest.approx(eta * larger, rel=1e-12)


def test_effective_mass_holds_the_energy_of_all_parts() -> None:
    mass, wheels, engine, ratio, radius, speed = 1300.0, 4.0, 0.2, 13.0, 0.3, 7.0
    found = driveline.effective_mass(
        mass, wheels, engine_inertia=engine, total_ratio=ratio, radius=radius
    )
    crank = driveline.engine_speed_from_vehicle(speed, ratio, radius=radius)
    energy = 0.5 * (mass * speed**2 + wheels * (speed / radius) ** 2 + engine * crank**2)
    assert 0.5 * found * speed**2 == pytest.approx(energy, rel=1e-12)


def test_acceleration_vanishes_when_forces_balance() -> None:
    assert driveline.longitudinal_acceleration(500.0, 500.0, effective_mass=1400.0) == 0.0
    assert driveline.longitudinal_acceleration(
        3300.0, 500.0, effective_mass=1400.0
    ) == pytest.approx(2.0, rel=1e-14)


@pytest.mark.parametrize(
    ("twist", "expected"), [(0.02, 80.0), (0.01, 0.0), (0.0, 0.0), (-0.01, 0.0), (-0.03, -160.0)]
)
def test_shaft_spring_by_hand(twist: float, expected: float) -> None:
    # 8000 N m/rad beyond half of a gap of 0.02 rad
    assert driveline.shaft_spring(twist, 0.02, stiffness=8000.0) == pytest.approx(expected)
