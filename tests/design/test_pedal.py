"""Pedal map: its ends, its order, its two-step form, and what altitude does to it."""

from __future__ import annotations

import math
from functools import cache

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from throttlewright.build.catalogue import load_example, load_example_intent
from throttlewright.build.intent import Mode
from throttlewright.car.pack import Car, pack, with_site
from throttlewright.car.record import BoostState
from throttlewright.car.surface import TorqueSurface, compute_surface, evaluate
from throttlewright.design.figures import torque_curves
from throttlewright.design.pedal import PedalMap, demand_form, design_pedal_map, one_to_one

RPM = math.pi / 30.0
OMEGA = np.arange(1500.0, 7501.0, 1000.0) * RPM
PEDAL = np.linspace(0.0, 100.0, 21)


@cache
def car(name: str = "hillclimb_20t") -> Car:
    return pack(load_example(name).build)


@cache
def surface(name: str = "hillclimb_20t", state: BoostState = BoostState.INSTANT) -> TorqueSurface:
    return compute_surface(car(name), state=state)


def test_one_to_one_is_the_pedal() -> None:
    made = one_to_one(OMEGA)
    pedal = np.array([0.0, 3.7, 50.0, 100.0])
    assert made.plate_at(OMEGA, pedal) == pytest.approx(np.broadcast_to(pedal, (7, 4)), abs=1e-9)
    assert made.boost_at(OMEGA, pedal) is None


def test_map_is_read_bilinear_and_held_outside() -> None:
    made = PedalMap(
        name="toy",
        pedal_pct=np.array([0.0, 50.0, 100.0]),
        omega=np.array([100.0, 300.0]),
        plate_pct=np.array([[0.0, 20.0, 100.0], [0.0, 60.0, 100.0]]),
    )
    got = made.plate_at(np.array([50.0, 150.0, 900.0]), np.array([25.0, 50.0, 75.0]))
    wanted = [[10.0, 20.0, 60.0], [15.0, 30.0, 65.0], [30.0, 60.0, 80.0]]
    assert got == pytest.approx(np.array(wanted), rel=1e-12)


@settings(deadline=None, derandomize=True, max_examples=50)
@given(
    feel=st.sampled_from(["even", "gentle"]),
    basis=st.sampled_from(["torque", "power", "acceleration", "blend"]),
    most=st.floats(0.05, 1.0),
    stop=st.floats(0.5, 1.0),
    slope=st.none() | st.floats(0.2, 20.0),
)
def test_map_is_zero_at_zero_full_at_full_and_monotone(
    feel: str, basis: str, most: float, stop: float, slope: float | None
) -> None:
    mode = Mode(
        feel=feel, basis=basis, most_torque=most, opens_to_stop_from=stop, slope_limit=slope
    )
    made = design_pedal_map(surface(), mode, pedal_pct=PEDAL, omega=OMEGA)
    plate = made.plate_pct
    assert (plate[:, 0] == 0.0).all()
    assert (np.diff(plate, axis=1) >= -1e-9).all()
    assert plate.min() >= 0.0
    assert plate.max() <= 100.0
    if most >= 0.97:
        if slope is None:
            assert (plate[:, -1] == 100.0).all()
        else:
            assert (plate[:, -1] < 99.95).any() == ("slope limit" in made.claim)
    else:
        # a capped mode never asks more than its share of full torque
        psi = surface().psi[0] + plate[:, -1] / 100.0 * np.ptp(surface().psi)
        torque = evaluate(car(), OMEGA, psi[:, None], state=BoostState.INSTANT)[0]["torque"][:, 0]
        closed = np.interp(OMEGA, surface().omega, surface().closed)
        full = np.interp(OMEGA, surface().omega, surface().full)
        assert ((torque - closed) / (full - closed) <= most + 0.01).all()
    if slope is not None:
        steps = np.diff(plate, axis=1) / np.diff(PEDAL)
        assert steps.max() <= slope + 1e-9


@pytest.mark.parametrize("limit", [0.6, 2.0])
def test_slope_limit_never_opens_earlier(limit: float) -> None:
    """A limit must not put a large opening under a light foot so as to reach full at the end."""
    free = design_pedal_map(surface(), Mode(), pedal_pct=PEDAL, omega=OMEGA)
    held = design_pedal_map(surface(), Mode(slope_limit=limit), pedal_pct=PEDAL, omega=OMEGA)
    assert (np.diff(free.plate_pct, axis=1) / np.diff(PEDAL)).max() > 2.5
    assert (np.diff(held.plate_pct, axis=1) / np.diff(PEDAL)).max() <= limit + 1e-9
    assert (held.plate_pct <= free.plate_pct + 1e-9).all()
    assert "slope limit ends full pedal at" in held.claim
    assert "slope limit" not in free.claim


@pytest.mark.parametrize("mode", ["dry", "wet", "pit"])
def test_car_gives_the_torque_that_was_asked(mode: str) -> None:
    wanted = load_example_intent("hillclimb_20t").intent.modes[mode]
    made = design_pedal_map(surface(), wanted, pedal_pct=PEDAL, omega=OMEGA, car=car())
    assert made.asked is not None
    before = 100.0 * wanted.opens_to_stop_from + 1e-9 >= PEDAL
    got = torque_curves(
        car(), made, OMEGA, state=BoostState.INSTANT, pedal_pct=PEDAL[before]
    ).torque
    span = np.interp(OMEGA, surface().omega, surface().full - surface().closed)[:, None]
    off = (got - made.asked.torque[:, before]) / span
    assert off.max() < 0.01
    if wanted.slope_limit is None:
        assert off.min() > -0.01


def test_settled_map_is_a_pair_that_gives_the_torque_asked() -> None:
    settled = surface(state=BoostState.SETTLED)
    mode = Mode(basis="torque", boost_state="settled")
    made = design_pedal_map(settled, mode, pedal_pct=PEDAL, omega=OMEGA, car=car())
    assert made.boost_target is not None
    assert made.asked is not None
    assert (np.diff(made.boost_target, axis=1) >= -1e-6).all()
    before = PEDAL <= 90.0
    got = torque_curves(car(), made, OMEGA, pedal_pct=PEDAL[before]).torque
    span = np.interp(OMEGA, settled.omega, settled.full - settled.closed)[:, None]
    assert np.abs((got - made.asked.torque[:, before]) / span).max() < 0.02
    # the same plates with full boost would not
    alone, _ = evaluate(
        car(),
        OMEGA,
        settled.psi[0] + made.plate_pct[:, before] / 100.0 * np.ptp(settled.psi),
    )
    assert np.abs((alone["torque"] - made.asked.torque[:, before]) / span).max() > 0.1


@pytest.mark.parametrize("name", ["hillclimb_20t", "trackday_16"])
def test_share_map_does_not_move_with_altitude(name: str) -> None:
    own = car(name)
    site = own.build.site
    high = with_site(own, altitude=2000.0, temperature=site.temperature, humidity=site.humidity)
    there = compute_surface(high, state=BoostState.INSTANT)
    mode = Mode(feel="even", basis="torque")
    omega = np.arange(1500.0, 6501.0, 1000.0) * RPM
    low_map = design_pedal_map(
        surface(name, BoostState.INSTANT), mode, pedal_pct=PEDAL, omega=omega
    )
    high_map = design_pedal_map(there, mode, pedal_pct=PEDAL, omega=omega)
    travel = math.degrees(own.psi_open - own.psi_closed)
    below = PEDAL <= 80.0
    moved = travel / 100.0 * np.abs(high_map.plate_pct - low_map.plate_pct)[:, below]
    assert moved.max() < 0.5
    # though the engine there gives less: the torque of 80 % pedal below needs more plate above
    at_low = surface(name, BoostState.INSTANT)
    column = int(np.argmax(PEDAL == 80.0))
    psi = at_low.psi[0] + low_map.plate_pct[:, column] / 100.0 * np.ptp(at_low.psi)
    torque = evaluate(own, omega, psi[:, None], state=BoostState.INSTANT)[0]["torque"][:, 0]
    more = np.interp(omega, there.omega, there.full) < torque
    for i in np.nonzero(~more)[0]:
        row = there.torque_at(omega[i : i + 1], there.psi[None])[0]
        more[i] = np.interp(torque[i], row, there.psi) > psi[i] + math.radians(1.0)
    assert more.all()


@pytest.mark.parametrize("mode", [Mode(), Mode(feel="gentle", most_torque=0.7)])
def test_two_step_form_gives_the_plate_back(mode: Mode) -> None:
    made = design_pedal_map(surface(), mode, pedal_pct=PEDAL, omega=OMEGA)

    def off(points: int) -> float:
        form = demand_form(made, surface(), share_points=points)
        assert form.plate_pct.shape == (OMEGA.size, points)
        assert (np.diff(form.plate_pct, axis=1) >= -1e-9).all()
        back = np.array(
            [
                np.interp(share, form.share_axis, plate)
                for share, plate in zip(form.share, form.plate_pct, strict=True)
            ]
        )
        # from the last breakpoint before the stop the plate runs away over a sliver of share
        counted = PEDAL <= 80.0
        return float(np.abs(back - made.plate_pct)[:, counted].max())

    coarse, fine = off(17), off(401)
    assert fine < 0.25
    assert coarse < 4.0
    assert fine < coarse


def test_two_step_form_of_a_map_from_elsewhere() -> None:
    form = demand_form(one_to_one(OMEGA), surface())
    assert form.share[:, 0] == pytest.approx(0.0, abs=1e-9)
    assert form.share[:, -1] == pytest.approx(1.0, rel=1e-9)
    # at 20 % pedal most of the torque is there at low speed
    assert form.share[0, 2] > 0.85
