"""The intake restrictor: its sonic flow, the steady car behind it, and the car in motion."""

from __future__ import annotations

import math
from functools import cache

import numpy as np
import pytest
from plant_bench import RPM, held, moving, run, started

from throttlewright.build.catalogue import load_example
from throttlewright.car.flows import restricted, unrestricted
from throttlewright.car.motion import in_motion
from throttlewright.car.pack import Car, pack
from throttlewright.car.record import copied
from throttlewright.car.state import FLOW_CYLINDERS
from throttlewright.car.surface import evaluate

FAST = 6500.0 * RPM


@cache
def behind(throat_mm: float | None) -> Car:
    """The track-day car behind a restrictor."""
    build = load_example("trackday_16").build
    throat = None if throat_mm is None else 1e-3 * throat_mm
    air = build.air_path.model_copy(update={"restrictor": throat})
    return pack(build.model_copy(update={"air_path": air}))


def wide_open(car: Car, omega: float) -> dict[str, float]:
    found, _ = evaluate(car, np.array([omega]), np.array([[car.psi_open]]))
    return {name: float(found[name][0, 0]) for name in ("air_flow", "torque")} | {
        "power": float(found["torque"][0, 0]) * omega
    }


@pytest.mark.parametrize(("temperature", "flow"), [(300.0, 0.07428), (288.15, 0.07579)])
def test_a_20_mm_throat_passes_the_known_sonic_flow(temperature: float, flow: float) -> None:
    # isentropic nozzle at 101325 Pa with gamma 1.4 and R 287 J/(kg K), by hand
    build = load_example("trackday_16").build
    air = build.air_path.model_copy(update={"restrictor": 0.020})
    site = build.site.model_copy(update={"altitude": 0.0, "temperature": temperature})
    packed = pack(build.model_copy(update={"air_path": air, "site": site}))
    assert float(packed.record["restrictor_flow"]) == pytest.approx(flow, rel=1e-3)
    area = 0.25 * math.pi * 0.020**2
    star = math.sqrt(1.4) * (2.0 / 2.4) ** (2.4 / 0.8)
    by_hand = area * 101325.0 / math.sqrt(287.05 * temperature) * star
    assert float(packed.record["restrictor_flow"]) == pytest.approx(by_hand, rel=1e-3)


def test_the_flow_with_it_is_the_inverse_of_the_flow_without() -> None:
    rec = behind(20.0).record
    choked = float(rec["restrictor_flow"])
    for share in (0.2, 0.6, 0.9, 1.0, 1.5):
        flow, slope = restricted(share * choked, rec)
        assert flow < choked
        assert unrestricted(flow, rec) == pytest.approx(share * choked, rel=1e-6)
        near, _ = restricted(share * choked * (1.0 + 1e-6), rec)
        assert (near - flow) / (share * choked * 1e-6) == pytest.approx(slope, rel=1e-3, abs=1e-6)


def test_far_below_the_sonic_flow_it_costs_nothing() -> None:
    rec = behind(20.0).record
    choked = float(rec["restrictor_flow"])
    assert restricted(0.5 * choked, rec)[0] == pytest.approx(0.5 * choked, rel=1e-3)
    free, held = behind(None), behind(20.0)
    omega = 2000.0 * RPM
    assert wide_open(free, omega)["air_flow"] < 0.5 * choked
    assert wide_open(held, omega)["torque"] == pytest.approx(
        wide_open(free, omega)["torque"], rel=0.01
    )


def test_its_power_is_capped() -> None:
    free, held = behind(None), behind(20.0)
    choked = float(held.record["restrictor_flow"])
    assert wide_open(free, FAST)["air_flow"] > 1.1 * choked
    found = wide_open(held, FAST)
    assert found["power"] < 0.9 * wide_open(free, FAST)["power"]
    # beyond choking more speed brings more friction and no more air
    powers = [wide_open(held, rpm * RPM)["power"] for rpm in (6000.0, 6500.0, 7000.0)]
    assert max(powers) < 1.03 * powers[0]


def test_the_record_of_a_car_without_one_holds_no_flow() -> None:
    assert float(moving("trackday_16").record["restrictor_flow"]) == 0.0
    rec = copied(moving("trackday_16").record)
    assert unrestricted(0.3, rec) == 0.3
    assert restricted(0.3, rec) == (0.3, 1.0)


def in_motion_flow(rpm: float) -> float:
    car = in_motion(behind(20.0))
    x = started(car, rpm, 1.0)
    run(x, held(), car.record, 1000)
    return float(x[FLOW_CYLINDERS])


def test_the_car_in_motion_settles_at_the_steady_flow_below_choking() -> None:
    steady = wide_open(behind(20.0), 3000.0 * RPM)["air_flow"]
    assert in_motion_flow(3000.0) == pytest.approx(steady, rel=0.02)


def test_the_car_in_motion_never_passes_the_sonic_flow() -> None:
    choked = float(behind(20.0).record["restrictor_flow"])
    assert 0.98 * choked < in_motion_flow(6500.0) <= 1.0001 * choked


def test_the_steady_flow_never_passes_the_sonic_flow() -> None:
    choked = float(behind(20.0).record["restrictor_flow"])
    assert wide_open(behind(20.0), FAST)["air_flow"] <= choked
