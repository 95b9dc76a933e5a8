"""Feel: shapes over pedal, and what the bases hold constant over engine speed."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.interpolate import PchipInterpolator

from throttlewright.build.intent import Mode, Points
from throttlewright.car.surface import TorqueSurface
from throttlewright.design.feel import FREE_REV_SPAN, shape_of, torque_wish
from throttlewright.foundation.errors import InputError

RPM = math.pi / 30.0
OMEGA = np.linspace(1500.0, 6500.0, 11) * RPM
PEDAL = np.linspace(0.0, 1.0, 101)


def surface() -> TorqueSurface:
    """An engine on paper: full torque peaks in the middle, drag grows with speed."""
    omega = np.linspace(1000.0, 7000.0, 25) * RPM
    x = (omega - omega[0]) / (omega[-1] - omega[0])
    full = 150.0 + 90.0 * np.sin(math.pi * x)
    closed = -15.0 - 25.0 * x
    share = np.linspace(0.0, 1.0, 41) ** 0.5
    torque = closed[:, None] + share * (full - closed)[:, None]
    return TorqueSurface(
        omega, np.linspace(0.1, 1.5, 41), torque, {}, np.zeros(torque.shape), "settled"
    )


def spans() -> tuple[np.ndarray, np.ndarray]:
    got = surface()
    closed = np.interp(OMEGA, got.omega, got.closed)
    return closed[:, None], (np.interp(OMEGA, got.omega, got.full) - closed)[:, None]


@settings(deadline=None, derandomize=True, max_examples=50)
@given(
    feel=st.sampled_from(["even", "gentle", "points"]),
    start=st.floats(1.0, 4.0),
    middle=st.floats(0.1, 0.9),
)
def test_shapes_rise_from_nothing_to_all(feel: str, start: float, middle: float) -> None:
    points = Points(pedal=(0.0, 0.5, 1.0), share=(0.0, middle, 1.0)) if feel == "points" else None
    got = shape_of(Mode(feel=feel, start=start, points=points), PEDAL)
    assert got[0] == 0.0
    assert got[-1] == pytest.approx(1.0, rel=1e-12)
    assert (np.diff(got) >= 0.0).all()


def test_shapes_of_known_pedals() -> None:
    u = np.array([0.25, 0.5])
    assert shape_of(Mode(feel="even"), u).tolist() == [0.25, 0.5]
    assert shape_of(Mode(feel="gentle", start=2.0), u).tolist() == [0.0625, 0.25]
    # scipy 1.x, PchipInterpolator([0, 10, 30, 60, 100], [0, 4, 22, 60, 100])(45) = 40.687341
    points = Points(pedal=(0.0, 0.1, 0.3, 0.6, 1.0), share=(0.0, 0.04, 0.22, 0.6, 1.0))
    got = shape_of(Mode(feel="points", points=points), np.array([0.45]))
    assert got[0] == pytest.approx(0.40687341, rel=1e-7)
    direct = PchipInterpolator(points.pedal, points.share)(0.45)
    assert got[0] == pytest.approx(float(direct), rel=1e-12)


def test_old_plate_has_no_shape() -> None:
    with pytest.raises(InputError, match="previous plate"):
        shape_of(Mode(feel="old plate"), PEDAL)
    with pytest.raises(InputError, match="previous plate"):
        torque_wish(Mode(feel="old plate"), surface(), OMEGA, PEDAL)


def test_torque_basis_holds_the_share() -> None:
    wish = torque_wish(Mode(basis="torque"), surface(), OMEGA, PEDAL)
    closed, span = spans()
    share = (wish.torque - closed) / span
    # 0.97 of torque where the last part of travel begins, at 90 % of pedal
    wanted = 0.97 * np.minimum(PEDAL / 0.9, 1.0)
    assert share == pytest.approx(np.broadcast_to(wanted, share.shape), rel=1e-9, abs=1e-12)
    assert wish.opens_fully
    assert wish.stop_from == 0.9


def test_power_basis_holds_the_power() -> None:
    wish = torque_wish(Mode(basis="power"), surface(), OMEGA, PEDAL)
    closed, span = spans()
    above = wish.torque - closed
    free = above < 0.969 * span
    power = OMEGA[:, None] * above
    for j in (5, 15, 30):
        rows = free[:, j]
        assert rows.sum() >= 2
        assert power[rows, j] == pytest.approx(np.full(rows.sum(), power[rows, j][0]), rel=1e-9)
    assert (above <= 0.97 * span * (1.0 + 1e-12)).all()


def test_acceleration_basis_holds_the_torque_above_drag() -> None:
    wish = torque_wish(Mode(basis="acceleration"), surface(), OMEGA, PEDAL)
    closed, span = spans()
    above = wish.torque - closed
    for j in (5, 20, 40):
        assert above[:, j] == pytest.approx(np.full(OMEGA.size, above[0, j]), rel=1e-9)
    assert above[:, -1] == pytest.approx(0.97 * span[:, 0], rel=1e-9)


def test_blend_spreads_the_zero_torque_pedal_over_speed() -> None:
    def zero(basis: str) -> np.ndarray:
        wish = torque_wish(Mode(basis=basis), surface(), OMEGA, PEDAL)
        rows = [np.interp(0.0, row[:91], 100.0 * PEDAL[:91]) for row in wish.torque]
        return np.interp(np.array([1500.0, 4000.0]) * RPM, OMEGA, rows)

    low, high = zero("blend")
    # the design value of the package, less what the rounded joint takes
    assert high - low == pytest.approx(100.0 * FREE_REV_SPAN, abs=2.0)
    flat = zero("torque")
    assert flat[1] - flat[0] < 4.0


@settings(deadline=None, derandomize=True, max_examples=50)
@given(
    feel=st.sampled_from(["even", "gentle"]),
    basis=st.sampled_from(["torque", "power", "acceleration", "blend"]),
    most=st.floats(0.05, 1.0),
    stop=st.floats(0.5, 1.0),
)
def test_wish_is_monotone_and_inside_the_engine(
    feel: str, basis: str, most: float, stop: float
) -> None:
    mode = Mode(feel=feel, basis=basis, most_torque=most, opens_to_stop_from=stop)
    wish = torque_wish(mode, surface(), OMEGA, PEDAL)
    closed, span = spans()
    share = (wish.torque - closed) / span
    assert (np.diff(share, axis=1) >= -1e-12).all()
    assert share.min() >= -1e-12
    assert share.max() <= min(0.97, most) + 1e-12
    assert share[:, 0] == pytest.approx(0.0, abs=1e-9)
    assert share[:, -1].max() == pytest.approx(min(0.97, most), rel=1e-9)
    assert wish.opens_fully == (most >= 0.97)


def test_an_engine_without_torque_is_refused() -> None:
    flat = surface()
    flat.torque[:] = 5.0
    with pytest.raises(InputError, match="no more torque"):
        torque_wish(Mode(), flat, OMEGA, PEDAL)
