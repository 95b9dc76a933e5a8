"""Legal builds and modes that are out of the ordinary: a sane map or one clear sentence."""

from __future__ import annotations

import math

import numpy as np
import pytest

from throttlewright.build.catalogue import load_example
from throttlewright.build.intent import Mode, Points
from throttlewright.car.pack import Car, pack
from throttlewright.car.record import BoostState
from throttlewright.car.surface import compute_surface, evaluate
from throttlewright.design.figures import judged_claim, map_figures, torque_curves
from throttlewright.design.pedal import design_pedal_map

RPM = math.pi / 30.0
PEDAL = np.linspace(0.0, 100.0, 21)
OMEGA = np.linspace(900.0, 7600.0, 12) * RPM


def hillclimb(**engine_or_plate: object) -> Car:
    build = load_example("hillclimb_20t").build
    plate = build.plate.model_copy(update=engine_or_plate)
    return pack(build.model_copy(update={"plate": plate}))


def test_boost_at_a_standing_engine_is_passed_over() -> None:
    build = load_example("hillclimb_20t").build
    assert build.turbo is not None
    boost = build.turbo.boost
    odd = boost.model_copy(
        update={"rpm": (0.0, *boost.rpm), "value": (boost.value[0], *boost.value)}
    )
    turbo = build.turbo.model_copy(update={"boost": odd})
    car = pack(build.model_copy(update={"turbo": turbo}))
    speed = np.array(boost.speed)
    wide, _ = evaluate(car, speed, np.full((speed.size, 1), car.psi_open))
    gauge = wide["pipe_pressure"][:, 0] - float(car.record["p_ambient"])
    assert gauge == pytest.approx(boost.gauge_pressure, abs=1e3)


def test_a_nearly_shut_plate_asks_for_no_boost() -> None:
    car = hillclimb()
    surface = compute_surface(car, state=BoostState.INSTANT)
    made = design_pedal_map(surface, Mode(most_torque=0.05), pedal_pct=PEDAL, omega=OMEGA, car=car)
    assert made.boost_target is not None
    assert made.boost_target.max() == pytest.approx(float(car.record["spring_pressure"]), rel=1e-9)


def test_settled_feel_behind_individual_plates_gives_what_was_asked() -> None:
    car = hillclimb(
        count=4, bore=0.045, shaft=0.008, arrangement="individual runners", runner_volume=0.3e-3
    )
    surface = compute_surface(car)
    mode = Mode(basis="torque", boost_state="settled")
    made = design_pedal_map(surface, mode, pedal_pct=PEDAL, omega=OMEGA, car=car)
    assert made.asked is not None
    before = PEDAL <= 85.0
    full = np.broadcast_to(car.full_boost(OMEGA)[:, None], (OMEGA.size, int(before.sum())))
    psi = car.psi_closed + made.plate_pct[:, before] / 100.0 * (car.psi_open - car.psi_closed)
    got, _ = evaluate(car, OMEGA, psi, pressure=full)
    span = np.interp(OMEGA, surface.omega, surface.full - surface.closed)[:, None]
    off = np.abs(got["torque"] - made.asked.torque[:, before]) / span
    assert np.median(off) < 0.02


@pytest.mark.parametrize(
    ("pedal", "share"),
    [((0.0, 0.5), (0.0, 0.4)), ((0.0, 1.0), (0.5, 1.0)), ((0.2, 1.0), (0.0, 1.0))],
)
def test_points_must_run_from_0_to_100(pedal: tuple[float, ...], share: tuple[float, ...]) -> None:
    with pytest.raises(ValueError, match="does not run from 0 to 100 %"):
        Points(pedal=pedal, share=share)


def test_figures_stay_within_the_engine() -> None:
    build = load_example("hillclimb_20t").build
    engine = build.engine.model_copy(update={"rev_limit": 3500.0 * RPM})
    car = pack(build.model_copy(update={"engine": engine}))
    surface = compute_surface(car, state=BoostState.INSTANT)
    omega = np.linspace(900.0, 3500.0, 9) * RPM
    made = design_pedal_map(surface, Mode(), pedal_pct=PEDAL, omega=omega, car=car)
    figures = map_figures(car, made, state=BoostState.INSTANT)
    assert figures.rpm.max() == pytest.approx(3500.0)
    assert figures.free_rev_pedal[4000] is None
    assert figures.free_rev_span is None
    assert figures.gear_rpm == pytest.approx(2100.0)


def test_a_claim_says_what_was_reached() -> None:
    car = hillclimb()
    surface = compute_surface(car, state=BoostState.INSTANT)
    steep = Mode(feel="points", points=Points(pedal=(0.0, 0.01, 1.0), share=(0.0, 0.95, 1.0)))
    made = design_pedal_map(surface, steep, pedal_pct=np.linspace(0, 100, 101), omega=OMEGA)
    figures = map_figures(car, made, state=BoostState.INSTANT)
    assert "CAUTION: nearly all torque comes under a light foot" in judged_claim(
        "points", steep, [figures]
    )
    even = design_pedal_map(surface, Mode(), pedal_pct=PEDAL, omega=OMEGA, car=car)
    pair = [map_figures(car, even, state=s) for s in (BoostState.INSTANT, BoostState.SETTLED)]
    text = judged_claim("even", Mode(), pair)
    assert not text.startswith("NOT EVEN")
    assert "CAUTION" not in text
    assert judged_claim("even", Mode(), [figures]).startswith("NOT EVEN")


def test_without_a_last_part_the_shape_ends_at_full_torque() -> None:
    car = hillclimb()
    surface = compute_surface(car, state=BoostState.INSTANT)
    pedal = np.linspace(0.0, 100.0, 41)
    made = design_pedal_map(surface, Mode(opens_to_stop_from=1.0), pedal_pct=pedal, omega=OMEGA)
    curves = torque_curves(car, made, OMEGA, state=BoostState.INSTANT, pedal_pct=pedal)
    step = np.diff(curves.torque, axis=1) / (curves.torque[:, -1:] - curves.torque[:, :1])
    assert (made.plate_pct[:, -1] == 100.0).all()
    assert step[:, -1].max() < 2.0 / 40.0
