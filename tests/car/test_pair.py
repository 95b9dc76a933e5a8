"""Plate and boost target as a pair: one torque, two numbers that give it back."""

from __future__ import annotations

import math
from functools import cache

import numpy as np
import pytest

from throttlewright.build.catalogue import load_example
from throttlewright.car.pack import Car, pack
from throttlewright.car.pair import PAIR_FIELDS, solve_pairs
from throttlewright.car.surface import evaluate

RPM = math.pi / 30.0
MARGIN = 15e3


@cache
def car() -> Car:
    return pack(load_example("hillclimb_20t").build)


@cache
def pairs() -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    omega = np.array([2000.0, 3000.0, 4500.0, 6500.0]) * RPM
    stops = np.array([[car().psi_closed, car().psi_open]])
    ends, _ = evaluate(car(), omega, np.broadcast_to(stops, (4, 2)))
    closed, full = ends["torque"][:, :1], ends["torque"][:, 1:]
    torque = np.ascontiguousarray(closed + np.linspace(0.05, 0.97, 15) * (full - closed))
    out = np.empty((*torque.shape, len(PAIR_FIELDS)))
    solve_pairs(omega, torque, margin=MARGIN, cold=1.0, car=car().record, out=out)
    return omega, torque, out


def test_pairs_reach_what_is_asked() -> None:
    _, torque, out = pairs()
    assert out[..., 5] == pytest.approx(torque, rel=1e-6, abs=1e-4)


def test_car_gives_the_torque_at_its_pair() -> None:
    omega, torque, out = pairs()
    values, status = evaluate(car(), omega, out[..., 0], pressure=out[..., 1])
    assert (status == 0).all()
    assert values["torque"] == pytest.approx(torque, rel=5e-3, abs=0.005 * torque.max())
    assert np.median(np.abs(values["torque"] - torque)) < 1e-3 * torque.max()


def test_target_stays_between_spring_and_full_boost() -> None:
    omega, _, out = pairs()
    spring = float(car().record["spring_pressure"])
    full = np.maximum(car().full_boost(omega), spring)[:, None]
    target, manifold = out[..., 1], out[..., 2]
    assert (target >= spring - 1e-6).all()
    assert (target <= full + 1e-6).all()
    # in between it keeps the margin over the manifold exactly
    free = (target > spring + 1.0) & (target < full - 1.0)
    assert free.any()
    assert (target - manifold)[free] == pytest.approx(MARGIN, rel=1e-9)
    assert (np.diff(target, axis=1) >= -1e-6).all()


def test_plate_opens_with_torque_and_stays_between_the_stops() -> None:
    _, _, out = pairs()
    psi = out[..., 0]
    assert (psi >= car().psi_closed).all()
    assert (psi <= car().psi_open).all()
    assert (out[..., 4] > 0.0).all()
    # below the spring the pipe is what the turbo makes, and the plate alone raises torque
    spring = out[..., 1] <= float(car().record["spring_pressure"]) + 1e-6
    for row, low in zip(psi, spring, strict=True):
        assert (np.diff(row[low]) > 0.0).all()


def test_more_than_the_engine_has_gives_the_open_stop() -> None:
    omega = np.array([4500.0 * RPM])
    out = np.empty((1, 1, len(PAIR_FIELDS)))
    solve_pairs(omega, np.array([[2000.0]]), margin=MARGIN, cold=1.0, car=car().record, out=out)
    assert out[0, 0, 0] == pytest.approx(car().psi_open, rel=1e-12)
    assert out[0, 0, 5] < 2000.0
