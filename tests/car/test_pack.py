"""Packing: what a build becomes, variations and other sites, and plates of their own."""

from __future__ import annotations

import math
from functools import cache

import numpy as np
import pytest

from throttlewright.build.catalogue import load_example
from throttlewright.car.pack import Car, pack, with_site, with_variation
from throttlewright.car.record import Charging
from throttlewright.car.surface import evaluate
from throttlewright.foundation.errors import InputError

RPM = math.pi / 30.0
NAMES = ["hillclimb_20t", "trackday_16", "v8_48_itb", "guzzella_onder", "turbo_20"]


@cache
def car_of(name: str) -> Car:
    return pack(load_example(name).build)


@pytest.mark.parametrize("name", NAMES)
def test_every_shipped_build_packs_to_finite_numbers(name: str) -> None:
    rec = car_of(name).record
    for field in rec.dtype.names:
        assert np.isfinite(rec[field]).all(), field
    assert rec["rated_flow"] > 0.0
    assert rec["psi_open"] > rec["psi_closed"]


def test_numbers_of_the_build_arrive_unchanged() -> None:
    car = car_of("hillclimb_20t")
    rec = car.record
    assert rec["displacement"] == pytest.approx(1998e-6, rel=1e-12)
    assert rec["bore"] == pytest.approx(0.090, rel=1e-12)
    assert rec["psi_closed"] == pytest.approx(math.radians(6.0), rel=1e-12)
    assert car.limit == pytest.approx(7600.0 * RPM, rel=1e-12)
    assert int(rec["charging"]) == Charging.TURBO
    assert car.turbo
    assert car.controllable
    # the tabled volumetric efficiency and gauge boost, at points of the table
    got = car.over_speed("ve_speed", np.array([2500.0, 4500.0]) * RPM)
    assert got == pytest.approx([0.92, 0.98], rel=1e-3)
    gauge = car.full_boost(np.array([3500.0, 6000.0]) * RPM) - float(rec["p_ambient"])
    assert gauge == pytest.approx([1.1e5, 1.3e5], rel=5e-3)


def test_leak_area_of_the_published_engine() -> None:
    # appendix B.2.3: 5.3 mm^2 behind a discharge coefficient of 0.7, choked flow of gamma 1.35
    # (0.676145) against that of gamma 1.4 (0.684731)
    rec = car_of("guzzella_onder").record
    assert rec["leak_area"] == pytest.approx(5.3e-6 * 0.7 * 0.676145 / 0.684731, rel=1e-5)


def test_variation_moves_a_copy_only() -> None:
    car = car_of("hillclimb_20t")
    before = car.record.tobytes()
    varied = with_variation(car, ve=1.1, cd=0.85, closed=math.radians(0.5), friction=1.3)
    assert car.record.tobytes() == before
    rec, new = car.record, varied.record
    assert new["ve_speed"] == pytest.approx(1.1 * rec["ve_speed"], rel=1e-12)
    assert new["cd"] == pytest.approx(0.85 * rec["cd"], rel=1e-12)
    assert new["leak_area"] == pytest.approx(0.85 * float(rec["leak_area"]), rel=1e-12)
    assert new["friction"] == pytest.approx(1.3 * rec["friction"], rel=1e-12)
    moved = float(new["psi_closed"]) - float(rec["psi_closed"])
    assert moved == pytest.approx(math.radians(0.5), rel=1e-9)
    same = {"ve_speed", "cd", "leak_area", "friction", "psi_closed"}
    for field in rec.dtype.names:
        if field not in same:
            assert np.array_equal(rec[field], new[field]), field


def test_no_variation_changes_nothing() -> None:
    car = car_of("hillclimb_20t")
    assert with_variation(car).record.tobytes() == car.record.tobytes()


def test_other_site_moves_a_copy_only() -> None:
    car = car_of("hillclimb_20t")
    before = car.record.tobytes()
    high = with_site(car, altitude=2000.0, temperature=288.15, humidity=0.0)
    assert car.record.tobytes() == before
    # ISO 2533: 79495.2 Pa at 2000 m
    assert float(high.record["p_ambient"]) == pytest.approx(79495.2, rel=2e-6)
    assert float(high.record["dry_share"]) == 1.0
    assert np.array_equal(high.record["ve_speed"], car.record["ve_speed"])
    # the turbo keeps its gauge boost
    gauge = high.full_boost(np.array([4500.0 * RPM])) - float(high.record["p_ambient"])
    own = car.full_boost(np.array([4500.0 * RPM])) - float(car.record["p_ambient"])
    assert gauge == pytest.approx(own, rel=1e-9)


def test_site_of_its_own_changes_nothing() -> None:
    for name in ("hillclimb_20t", "v8_48_itb"):
        car = car_of(name)
        site = car.build.site
        again = with_site(
            car, altitude=site.altitude, temperature=site.temperature, humidity=site.humidity
        )
        assert again.record.tobytes() == car.record.tobytes()


def test_individual_plates_fill_more_with_area_and_less_with_speed() -> None:
    rec = car_of("v8_48_itb").record
    share = rec["runner_share"]
    assert rec["individual"] == 1.0
    assert (np.diff(share, axis=1) >= 0.0).all()
    assert (share > 0.0).all()
    assert share[:, -1] == pytest.approx(1.0, rel=1e-12)
    # the same small area has less time to fill a faster engine
    assert (np.diff(share[:, 5]) < 0.0).all()
    pressure = rec["runner_pressure"]
    assert (pressure > 0.0).all()
    assert (pressure < 1.06).all()


def test_manifold_pressure_is_no_load_behind_individual_plates() -> None:
    eight = car_of("v8_48_itb")
    common = pack(
        eight.build.model_copy(
            update={"plate": eight.build.plate.model_copy(update={"arrangement": "common plenum"})}
        )
    )
    assert common.record["individual"] == 0.0
    omega = np.array([2000.0 * RPM])
    psi = np.linspace(eight.psi_closed, eight.psi_open, 400)[None]
    own, _ = evaluate(eight, omega, psi)
    plenum, _ = evaluate(common, omega, psi)

    def at_half(values: dict[str, np.ndarray]) -> float:
        """Mean manifold over ambient pressure where half of the full air flows."""
        load = values["air_flow"][0] / values["air_flow"][0, -1]
        return float(np.interp(0.5, load, values["map"][0] / values["map"][0, -1]))

    # behind a common plenum pressure follows load; behind its own plate the runner refills
    # between strokes (a crank-resolved filling of one runner gave 0.82 at half charge)
    assert at_half(plenum) < 0.62
    assert at_half(own) > 0.72
    # and more plate is needed for the same share of air
    shares = [
        float(np.interp(0.9, v["air_flow"][0] / v["air_flow"][0, -1], psi[0]))
        for v in (own, plenum)
    ]
    assert shares[0] > shares[1] + math.radians(2.0)


def test_a_plate_before_the_compressor_is_refused() -> None:
    build = load_example("hillclimb_20t").build
    plate = build.plate.model_copy(update={"upstream_of": "compressor"})
    with pytest.raises(InputError, match="before the compressor"):
        pack(build.model_copy(update={"plate": plate}))
