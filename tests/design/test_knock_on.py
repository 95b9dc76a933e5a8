"""Knock-on list: thresholds keep the foot or the torque they meant."""

from __future__ import annotations

import math
from functools import cache

import numpy as np
import pytest

from throttlewright.build import load
from throttlewright.build.assumptions import complete
from throttlewright.build.intent import Mode
from throttlewright.car.pack import Car, pack
from throttlewright.car.surface import TorqueSurface, compute_surface
from throttlewright.design.knock_on import KnockOn, knock_on
from throttlewright.design.pedal import PedalMap, design_pedal_map, one_to_one
from throttlewright.foundation.errors import InputError

PEDAL = np.linspace(0.0, 100.0, 21)


@cache
def bench(name: str) -> tuple[Car, TorqueSurface]:
    path = load.__file__.replace("load.py", f"sets/examples/{name}.toml")
    car = pack(complete(load.load_build(path).build)[0])
    return car, compute_surface(car)


def speeds(car: Car) -> np.ndarray:
    return np.linspace(car.idle, car.limit, 9)


@cache
def listed(name: str) -> dict[str, KnockOn]:
    car, surface = bench(name)
    rows = knock_on(one_to_one(speeds(car)), designed(name), surface, car)
    return {row.table: row for row in rows}


@cache
def designed(name: str, most: float = 1.0) -> PedalMap:
    car, surface = bench(name)
    mode = Mode(feel="even", basis="blend", most_torque=most)
    return design_pedal_map(surface, mode, pedal_pct=PEDAL, omega=speeds(car), car=car)


def torque(surface: TorqueSurface, omega: np.ndarray, pct: np.ndarray) -> np.ndarray:
    return surface.torque_at(
        omega, surface.psi[0] + pct / 100.0 * (surface.psi[-1] - surface.psi[0])
    )


@pytest.mark.parametrize("name", ["trackday_16", "v8_48_itb"])
def test_same_relation_leaves_foot_thresholds_and_rates_alone(name: str) -> None:
    car, surface = bench(name)
    cable = one_to_one(speeds(car))
    rows = {row.table: row for row in knock_on(cable, cable, surface, car)}
    for table in ("idle enable", "overrun fuel cut", "launch enable", "shift enable", "kickdown"):
        row = rows[table]
        assert row.use == "pedal"
        assert (row.low_pct, row.new_pct, row.high_pct) == pytest.approx([row.old_pct] * 3)
    rate = rows["transient fuel by opening rate"]
    assert (rate.low_pct, rate.high_pct) == pytest.approx([rate.old_pct] * 2)


def test_a_foot_threshold_read_through_an_old_map_goes_back_to_the_foot() -> None:
    car, surface = bench("trackday_16")
    omega = speeds(car)
    # a progressive lever: plate = pedal^2 / 100, so 50 % plate stood at sqrt(50 * 100) % pedal
    pedal = np.linspace(0.0, 100.0, 401)
    plate = np.broadcast_to(pedal**2 / 100.0, (omega.size, pedal.size)).copy()
    lever = PedalMap("lever", pedal, omega, plate)
    rows = {row.table: row for row in knock_on(lever, one_to_one(omega), surface, car)}
    assert rows["launch enable"].new_pct == pytest.approx(math.sqrt(5000.0), rel=1e-4)
    assert rows["overrun fuel cut"].new_pct == pytest.approx(math.sqrt(150.0), rel=1e-4)
    # the lever is quickest at its end, 2 % plate per % pedal; a cable gives 1
    rate = rows["transient fuel by opening rate"]
    assert rate.new_pct / rate.old_pct == pytest.approx(0.5, rel=3e-3)


@pytest.mark.parametrize("name", ["trackday_16", "hillclimb_20t", "v8_48_itb"])
def test_torque_thresholds_keep_the_torque_share(name: str) -> None:
    car, surface = bench(name)
    new, omega = designed(name), speeds(car)
    row = listed(name)["air-conditioning cut"]
    closed = torque(surface, omega, np.zeros((omega.size, 1)))[:, 0]
    full = torque(surface, omega, np.full((omega.size, 1), 100.0))[:, 0]
    old = torque(surface, omega, np.full((omega.size, 1), row.old_pct))[:, 0]
    wanted = (old - closed) / (full - closed)
    ends = []
    for pct in (row.low_pct, row.high_pct):
        plate = new.plate_at(omega, np.array([pct]))
        ends.append((torque(surface, omega, plate)[:, 0] - closed) / (full - closed))
    # at the least pedal some speed has just arrived, at the greatest every speed has
    assert np.max(ends[0] - wanted) > -0.006
    assert np.min(ends[1] - wanted) > -0.006
    assert np.min(ends[1] - wanted) < 0.006
    assert row.reached


def test_an_even_map_moves_the_torque_thresholds_up_the_pedal() -> None:
    # a 60 mm plate on 1.6 L has given nearly all torque by 80 %: an even pedal asks it at its end
    row = listed("trackday_16")["air-conditioning cut"]
    assert row.low_pct > row.old_pct
    # and idle stays a matter of the foot
    assert listed("trackday_16")["idle enable"].new_pct == pytest.approx(2.5)


def test_individual_plates_read_the_plate_and_a_plenum_reads_map() -> None:
    for table in ("load-by-angle fuelling", "load-by-angle ignition"):
        row = listed("v8_48_itb")[table]
        assert row.use == "plate"
        assert row.new_pct == row.old_pct
        assert "MAP tells little" in row.why
        row = listed("trackday_16")[table]
        assert row.use == "MAP"
        car, surface = bench("trackday_16")
        omega = speeds(car)
        psi = np.full((omega.size, 1), 0.5 * (surface.psi[0] + surface.psi[-1]))
        level = 100.0 * surface.value_at("map", omega, psi) / float(car.record["p_ambient"])
        assert (row.low_pct, row.high_pct) == pytest.approx((level.min(), level.max()))


def test_boost_target_is_listed_where_there_is_boost() -> None:
    assert "boost target" not in listed("trackday_16")
    row = listed("hillclimb_20t")["boost target"]
    assert row.use == "pedal"
    assert designed("hillclimb_20t").boost_target is not None
    assert "own boost target" in row.note


def test_rate_ratio_is_that_of_the_steepest_places() -> None:
    car, surface = bench("trackday_16")
    omega = speeds(car)
    kink = np.interp(PEDAL, [0.0, 80.0, 100.0], [0.0, 40.0, 100.0])  # at most 3 % per %
    new = PedalMap("kink", PEDAL, omega, np.broadcast_to(kink, (omega.size, PEDAL.size)).copy())
    rows = {row.table: row for row in knock_on(one_to_one(omega), new, surface, car)}
    rate = rows["transient fuel by opening rate"]
    assert rate.use == "plate"
    assert rate.new_pct / rate.old_pct == pytest.approx(3.0, rel=1e-9)
    # some speeds have no authority left above 40 % plate: there the slow part, 0.5, is what counts
    assert surface.authority_end[0] < surface.psi[0] + 0.4 * (surface.psi[-1] - surface.psi[0])
    assert "0.50 to 3.00 times where it still changes torque" in rate.note


def test_a_capped_map_that_never_gets_there_says_so() -> None:
    car, surface = bench("trackday_16")
    capped = designed("trackday_16", most=0.5)
    rows = {row.table: row for row in knock_on(one_to_one(speeds(car)), capped, surface, car)}
    row = rows["air-conditioning cut"]
    assert not row.reached
    assert row.high_pct == 100.0
    assert "even with the pedal full" in row.note
    assert rows["kickdown"].reached


@pytest.mark.parametrize("name", ["trackday_16", "hillclimb_20t", "v8_48_itb"])
def test_every_row_is_complete(name: str) -> None:
    rows = listed(name)
    assert len(rows) == (10 if name == "hillclimb_20t" else 9)
    for row in rows.values():
        assert row.low_pct <= row.new_pct <= row.high_pct
        assert row.use in ("pedal", "plate", "MAP")
        for text in (row.meaning_before, row.why, row.note):
            assert len(text) > 20
            assert "nan" not in text.split()


def test_wrong_maps_raise() -> None:
    car, surface = bench("trackday_16")
    cable = one_to_one(speeds(car))
    with pytest.raises(InputError, match="between idle and the rev limit"):
        knock_on(cable, one_to_one(np.array([10.0, 20.0])), surface, car)
    still = PedalMap("still", PEDAL, cable.omega, np.zeros((cable.omega.size, PEDAL.size)))
    with pytest.raises(InputError, match="does not move"):
        knock_on(still, cable, surface, car)
