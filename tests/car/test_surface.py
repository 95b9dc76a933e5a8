"""Torque surface: shares, inverses, reading between points, and points without a solution."""

from __future__ import annotations

import math
from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from throttlewright.build.catalogue import load_example
from throttlewright.car.operating import POINT_FIELDS
from throttlewright.car.pack import Car, pack
from throttlewright.car.record import BoostState
from throttlewright.car.surface import (
    TorqueSurface,
    compute_surface,
    default_speeds,
    evaluate,
    plate_axis,
)
from throttlewright.foundation.errors import NoSolutionError
from throttlewright.foundation.status import PointStatus

RPM = math.pi / 30.0


@cache
def car() -> Car:
    return pack(load_example("hillclimb_20t").build)


@cache
def surface(state: BoostState) -> TorqueSurface:
    return compute_surface(car(), state=state)


def toy() -> TorqueSurface:
    """Two speeds with a torque that is known everywhere: T = w + 10 psi up to psi = 0.8."""
    omega = np.array([100.0, 200.0])
    psi = np.linspace(0.0, 1.0, 11)
    torque = omega[:, None] + 10.0 * np.minimum(psi, 0.8)
    return TorqueSurface(omega, psi, torque, {"map": 2.0 * torque}, np.zeros((2, 11)), "settled")


def test_axes_span_the_range_of_the_car() -> None:
    omega = default_speeds(car(), count=40)
    assert omega[0] == pytest.approx(0.8 * car().idle, rel=1e-12)
    assert omega[-1] == pytest.approx(car().limit, rel=1e-12)
    psi = plate_axis(car(), count=60)
    assert psi[0] == pytest.approx(car().psi_closed, rel=1e-12)
    assert psi[-1] == pytest.approx(car().psi_open, rel=1e-12)
    assert (np.diff(psi) > 0.0).all()
    assert np.diff(psi)[0] < 0.5 * np.diff(psi)[-1]


@pytest.mark.parametrize("state", [BoostState.INSTANT, BoostState.SETTLED])
def test_share_runs_from_nothing_to_all(state: BoostState) -> None:
    got = surface(state)
    assert got.boost_state == state.name.lower()
    assert set(got.values) == set(POINT_FIELDS)
    assert got.share[:, 0] == pytest.approx(0.0, abs=1e-12)
    assert got.share[:, -1] == pytest.approx(1.0, rel=1e-12)
    assert got.authority == pytest.approx(1.0 - got.share, abs=1e-12)
    assert got.plate_pct[[0, -1]] == pytest.approx([0.0, 100.0], abs=1e-9)
    assert got.require_solved() is got


def test_plate_of_a_share_gives_that_share() -> None:
    got = surface(BoostState.INSTANT)
    wanted = np.linspace(0.02, 0.97, 12)
    psi = got.psi_at_share(np.broadcast_to(wanted, (got.omega.size, 12)))
    back = (got.torque_at(got.omega, psi) - got.closed[:, None]) / (got.full - got.closed)[:, None]
    assert back == pytest.approx(np.broadcast_to(wanted, back.shape), abs=1e-6)
    assert got.authority_end == pytest.approx(psi[:, -1], rel=1e-9)


def test_authority_ends_earlier_at_low_speed() -> None:
    end = np.degrees(surface(BoostState.INSTANT).authority_end)
    assert (np.diff(end) > 0.0).all()
    # a 90 mm plate has nothing left to give beyond a third of its travel at low speed
    assert end[0] < 6.0 + 78.0 / 3.0


def test_reading_between_points_is_linear() -> None:
    got = toy()
    value = got.torque_at(np.array([125.0, 180.0]), np.array([[0.05, 0.33], [0.71, 0.95]]))
    assert value == pytest.approx(np.array([[125.5, 128.3], [187.1, 188.0]]), rel=1e-12)
    other = got.value_at("map", np.array([125.0]), np.array([[0.05]]))
    assert other == pytest.approx(2.0 * 125.5, rel=1e-12)
    # outside it holds the edge
    edge = got.torque_at(np.array([50.0, 900.0]), np.array([[-1.0], [2.0]]))
    assert edge == pytest.approx(np.array([[100.0], [208.0]]), rel=1e-12)


def test_least_plate_is_the_answer_where_torque_is_flat() -> None:
    psi = toy().psi_at_torque(np.array([108.0, 208.0]))
    assert psi == pytest.approx(0.8, abs=1e-6)
    assert toy().psi_at_torque(np.array([0.0, 999.0])) == pytest.approx([0.0, 1.0], abs=1e-12)
    assert toy().authority_end == pytest.approx(0.97 * 0.8, rel=1e-6)


def test_surface_is_what_single_points_give() -> None:
    got = surface(BoostState.SETTLED)
    i, j = 17, 23
    values, _ = evaluate(car(), got.omega[i : i + 1], got.psi[None, j : j + 1])
    for name in POINT_FIELDS:
        # a row starts each search at the point before: the last digits of the solver may differ
        assert got.values[name][i, j] == pytest.approx(values[name][0, 0], rel=1e-9)


def test_settled_boost_adds_torque_and_pressure() -> None:
    instant, settled = surface(BoostState.INSTANT), surface(BoostState.SETTLED)
    # near the closed stop the turbine's back pressure costs a little more than the boost brings
    assert (settled.torque >= instant.torque - 0.1).all()
    pulling = instant.share > 0.2
    assert (settled.torque >= instant.torque)[pulling].all()
    fast = settled.omega > 3500.0 * RPM
    assert (settled.full[fast] > 1.6 * instant.full[fast]).all()
    ambient = float(car().record["p_ambient"])
    assert (instant.values["pipe_pressure"] <= ambient).all()
    # regulated: never above the boost of the build or the spring, reached within 3 % wide open
    boost = np.maximum(car().full_boost(settled.omega), float(car().record["spring_pressure"]))
    pipe = settled.values["pipe_pressure"][:, -1]
    assert (pipe <= boost + 1.0).all()
    assert pipe[fast] == pytest.approx(boost[fast], rel=0.03)


def test_surface_with_an_unsolved_point_is_refused() -> None:
    bad = compute_surface(
        car(),
        state=BoostState.HELD,
        speeds=np.array([2000.0, 4000.0]) * RPM,
        psi=np.array([0.2, 0.5, 1.0]),
        pressure=300.0,
    )
    assert (bad.status == PointStatus.NO_BRACKET).all()
    assert np.isnan(bad.torque).all()
    with pytest.raises(NoSolutionError, match="6 of 6 operating points"):
        bad.require_solved()
    one = surface(BoostState.SETTLED)
    status = one.status.copy()
    status[3, 4] = PointStatus.NO_BRACKET
    with pytest.raises(NoSolutionError, match="1 of 2400"):
        replace(one, status=status).require_solved()
