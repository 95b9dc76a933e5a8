"""Flows of the plant: their slopes, and that they are the steady laws of the car turned round."""

from __future__ import annotations

import math
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from plant_bench import BLOWN, RPM, bare, healthy, moving

from throttlewright.build.load import load_build
from throttlewright.car.flows import back_pressure, over_speed, plate_area_of
from throttlewright.car.motion import in_motion
from throttlewright.car.pack import Car, pack
from throttlewright.car.plant_flows import (
    all_flows,
    compressor_head,
    plate_area_at,
    relief_target,
    turbo_flow,
    turbo_power,
    wastegate_target,
)
from throttlewright.car.record import copied
from throttlewright.car.state import U_BLEED
from throttlewright.physics.cylinders import cylinder_flow_residual
from throttlewright.physics.gas import R_AIR, nozzle_flow_regular

quick = settings(deadline=None, derandomize=True, max_examples=50)
NAMES = ("c", "c_1", "c_2", "r", "r_1", "p", "p_1", "p_2", "p_3", "v", "v_2", "e", "e_1", "e_2",
         "e_3", "o", "o_1", "o_3")  # fmt: skip
SLOPES = ("c_1", "c_2", "r_1", "p_1", "p_2", "p_3", "v_2", "e_1", "e_2", "e_3", "o_1", "o_3")
# every slope that all_flows leaves out because it is taken as zero
ABSENT = ("c_3", "r_2", "r_3", "v_1", "v_3", "o_2")


@cache
def blown() -> Car:
    """An invented car with a supercharger and its bypass."""
    import tempfile

    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "build.toml"
        path.write_text(BLOWN, encoding="utf-8")
        return in_motion(pack(load_build(path).build))


def record_of(name: str) -> np.void:
    """A car without losses in the filter, which the slopes leave out by design."""
    car = copied((blown() if name == "blown" else moving(name)).record)
    car["filter_resistance"] = 0.0
    return car


def flows(p: list[float], car: np.void, **more: float) -> dict[str, float]:
    given_ = {
        "area": 4e-4,
        "relief": 0.0,
        "leak": 0.0,
        "T1": 320.0,
        "T2": 330.0,
        "turbo_speed": 9e3,
        "omega": 300.0,
        **more,
    }
    ve = over_speed(car["ve_speed"], given_["omega"], omega_step=float(car["omega_step"]))
    values = all_flows(p[0], p[1], p3=p[2], ve=ve, car=car, **given_)
    return dict(zip(NAMES, values, strict=True))


@given(
    name=st.sampled_from(["trackday_16", "hillclimb_20t", "v8_48_itb", "blown"]),
    p1=st.floats(0.6e5, 2.5e5),
    p2=st.floats(0.15e5, 2.5e5),
    p3=st.floats(0.9e5, 4e5),
    area=st.floats(5e-6, 5e-3),
    relief=st.floats(0.0, 1.0),
    leak=st.floats(0.0, 2e-4),
    turbo_speed=st.floats(2e3, 1.6e4),
    omega=st.floats(60.0, 700.0),
)
@quick
def test_every_slope_is_the_derivative_of_its_flow(
    name: str,
    p1: float,
    p2: float,
    p3: float,
    area: float,
    relief: float,
    leak: float,
    turbo_speed: float,
    omega: float,
) -> None:
    car = record_of(name)
    ambient = float(car["p_ambient"])
    # away from the corners of the laws: equal pressures, ambient, edges of the bypass
    corners = [p1 - p2, p1 - ambient, p2 - ambient, p2 - ambient + float(car["bypass_band"])]
    assume(min(abs(d) for d in corners) > 300.0)
    base = float(ambient + car["exhaust_rise"])
    if name == "hillclimb_20t" and p1 > ambient:
        base += float(car["turbine_pressure_share"]) * (p1 - ambient)
    assume(abs(p3 - base) > 300.0)
    more = {
        "area": area,
        "relief": relief,
        "leak": leak,
        "turbo_speed": turbo_speed,
        "omega": omega,
    }
    p = [p1, p2, p3]
    at = flows(p, car, **more)
    d = 2.0
    for axis in range(3):
        up, down = p.copy(), p.copy()
        up[axis] += d
        down[axis] -= d
        high, low = flows(up, car, **more), flows(down, car, **more)
        for flow in ("c", "r", "p", "v", "e", "o"):
            slope = f"{flow}_{axis + 1}"
            measured = (high[flow] - low[flow]) / (2.0 * d)
            claimed = at[slope] if slope in SLOPES else 0.0
            # slopes that matter are 1e-8 to 1e-5; a stalled wheel's is all rounding
            scale = max(abs(claimed), abs(at[flow]) / p[axis], 5e-9)
            allowed = 2e-4 * scale
            if slope == "c_1":
                # it leaves out how the filter's loss bends the speed line: turbo_flow says so
                allowed += 0.05 * abs(claimed)
            assert measured == pytest.approx(claimed, abs=allowed), (slope, p)


def test_slopes_and_absent_slopes_make_up_all_pairs() -> None:
    every = {f"{flow}_{axis}" for flow in "crpveo" for axis in (1, 2, 3)}
    assert every == set(SLOPES) | set(ABSENT)


def test_losses_in_the_filter_move_the_supply_slope_by_little() -> None:
    car = moving("hillclimb_20t").record
    slope = turbo_flow(1.5e5, 1.3e4, car=car)[1]
    high, low = (
        turbo_flow(1.5e5 + 5.0, 1.3e4, car=car)[0],
        turbo_flow(1.5e5 - 5.0, 1.3e4, car=car)[0],
    )
    assert slope == pytest.approx((high - low) / 10.0, rel=0.25)


@given(
    p1=st.floats(0.5e5, 2.5e5),
    p2=st.floats(0.1e5, 2.5e5),
    area=st.floats(1e-6, 8e-3),
    name=st.sampled_from(["trackday_16", "hillclimb_20t"]),
)
@quick
def test_plate_flow_is_the_nozzle_law(p1: float, p2: float, area: float, name: str) -> None:
    car = record_of(name)
    expected = nozzle_flow_regular(
        p1,
        p2,
        T_a=320.0,
        T_b=330.0,
        area=area,
        gamma=float(car["gamma"]),
        shape_gamma=float(car["shape_gamma"]),
        R=R_AIR,
        pr_lin=float(car["pr_linear"]),
    )
    got = flows([p1, p2, 1.2e5], car, area=area)["p"]
    assert got == pytest.approx(expected, rel=1e-9, abs=1e-15)


@given(p2=st.floats(0.15e5, 2.5e5), p3=st.floats(0.9e5, 4e5), omega=st.floats(50.0, 700.0))
@quick
def test_cylinders_take_what_the_residual_law_says(p2: float, p3: float, omega: float) -> None:
    car = record_of("trackday_16")
    expected = cylinder_flow_residual(
        p2,
        330.0,
        omega=omega,
        displacement=float(car["displacement"]),
        ve_speed=over_speed(car["ve_speed"], omega, omega_step=float(car["omega_step"])),
        p_exhaust=p3,
        compression_ratio=float(car["compression_ratio"]),
        k=float(car["residual_exponent"]),
    )
    assert flows([1e5, p2, p3], car, omega=omega)["e"] == pytest.approx(expected, rel=1e-12)


@given(
    name=st.sampled_from(["trackday_16", "hillclimb_20t", "v8_48_itb"]),
    p1=st.floats(0.8e5, 2.5e5),
    rise=st.floats(2e3, 1.5e5),
)
@quick
def test_outflow_turns_the_back_pressure_law_round(name: str, p1: float, rise: float) -> None:
    car = moving(name).record
    p3 = back_pressure(0.0, p1, car=car) + rise
    flow = flows([p1, 0.5e5, p3], car)["o"]
    # square root to straight line over 30 Pa: what is lost at this pressure difference
    lost = rise - rise**2 / math.hypot(rise, 30.0)
    assert back_pressure(flow, p1, car=car) == pytest.approx(p3 - lost, rel=1e-9)


def test_compressor_follows_the_published_ellipse() -> None:
    car = bare("hillclimb_20t", p_ambient=101300.0, T_ambient=293.15, compressor_diameter=0.0394)
    # k1 and k2 are those of the published 2.0 L turbo set; 15 000 rad/s, worked out by hand
    assert (float(car["compressor_k1"]), float(car["compressor_k2"])) == (0.31972, 18.1518)
    # the rounded end of the ellipse gives 0.2 % more at a ratio of 2
    for ratio, kg_s, share in ((1.3, 0.1943, 8e-4), (1.6, 0.1702, 8e-4), (2.0, 0.1117, 2.5e-3)):
        flow, slope = turbo_flow(ratio * 101300.0, 15000.0, car=car)
        assert flow == pytest.approx(kg_s, rel=share)
        assert slope < 0.0
    # the ellipse ends at a ratio of 2.258; the rounded end lets little more than nothing through
    assert turbo_flow(2.30 * 101300.0, 15000.0, car=car)[0] < 0.1 * 0.1117


@given(ratio=st.floats(1.0, 3.5), flow=st.floats(0.0, 0.25))
@quick
def test_head_takes_the_loss_of_the_filter_into_account(ratio: float, flow: float) -> None:
    car = moving("hillclimb_20t").record
    p = float(car["p_ambient"])
    inlet = p - float(car["filter_resistance"] * car["T_ambient"]) * flow**2 / p
    exact = (ratio * p / inlet) ** (0.4 / 1.4) - 1.0
    assert compressor_head(ratio * p, flow, car=car) == pytest.approx(exact, abs=1e-4)


@given(flow=st.floats(0.02, 0.15), rpm=st.floats(1500.0, 6500.0))
@quick
def test_shaft_rests_where_the_steady_law_puts_the_pipe(flow: float, rpm: float) -> None:
    car = moving("hillclimb_20t").record
    omega = rpm * RPM
    p = float(car["p_ambient"])
    inlet = p - float(car["filter_resistance"] * car["T_ambient"]) * flow**2 / p
    factor = over_speed(car["spool_factor"], omega, omega_step=float(car["omega_step"]))
    rise = factor * flow ** float(car["spool_exponent"])
    assume(rise < float(car["reach_knee"]))  # beyond it the plant bends the law over
    pipe = inlet * (1.0 + rise)
    given_ = {"wastegate": 0.0, "omega": omega, "car": car}
    rest = turbo_power(pipe, flow, flow_out=flow, heat=1.0, **given_)
    pull = turbo_power(p, flow, flow_out=flow, heat=1.0, **given_)
    assert abs(rest) < 1e-2 * pull
    assert turbo_power(pipe, flow, flow_out=flow, heat=1.2, **given_) > 0.0
    given_["wastegate"] = 0.5
    assert turbo_power(pipe, flow, flow_out=flow, heat=1.0, **given_) < 0.0


def test_plate_table_is_the_plate_law() -> None:
    for name in ("trackday_16", "hillclimb_20t", "v8_48_itb"):
        car = moving(name).record
        closed, travel = float(car["psi_closed"]), float(car["servo_travel"])
        for share in np.linspace(0.0, 1.0, 301):
            exact = plate_area_of(closed + share * travel, car=car)
            got = plate_area_at(share * travel, car=car)
            assert got == pytest.approx(exact, rel=2e-3, abs=2e-8), (name, share)
        assert plate_area_at(-0.1, car=car) == plate_area_at(0.0, car=car)
        assert plate_area_at(travel + 0.1, car=car) == plate_area_at(travel, car=car)


def test_wastegate_opens_over_its_band_above_spring_and_bleed() -> None:
    car = moving("hillclimb_20t").record
    p, spring = float(car["p_ambient"]), float(car["spring_pressure"])
    band = float(car["wastegate_band"])
    u = healthy()

    def target(pipe: float, bleed: float) -> float:
        u[U_BLEED] = bleed
        return float(wastegate_target(pipe, 400.0, u=u, car=car))

    assert target(spring, 0.0) == 0.0
    assert target(spring + 0.5 * band, 0.0) == pytest.approx(0.5)
    assert target(spring + 2.0 * band, 0.0) == 1.0
    # half of the signal kept back: twice the gauge pressure for the same position
    doubled = p + 2.0 * (spring + 0.5 * band - p)
    assert target(doubled, 0.5) == pytest.approx(0.5)
    fixed = copied(car)
    fixed["controllable"] = 0.0
    held = over_speed(car["boost"], 400.0, omega_step=float(car["omega_step"]))
    assert held > spring
    assert wastegate_target(held, 400.0, u=u, car=fixed) == pytest.approx(0.5)


def test_relief_valve_is_pushed_open_by_the_pressure_across_the_plate() -> None:
    car = moving("hillclimb_20t").record
    p = float(car["p_ambient"])
    assert relief_target(p - 1.0, 3e3, car=car) == 0.0
    assert relief_target(1.5e5, 1.0e5, car=car) == 0.0
    assert relief_target(1.5e5, 0.8e5, car=car) == pytest.approx(0.5)
    assert relief_target(1.5e5, 3e4, car=car) == 1.0
    assert relief_target(1.5e5, 3e4, car=moving("trackday_16").record) == 0.0


def test_turbo_that_runs_away_does_not_reach_twice_its_knee() -> None:
    car = moving("hillclimb_20t").record
    omega, flow = 7000.0 * RPM, 1.5
    ratio = 1.0 + 2.0 * float(car["reach_knee"])
    pipe = ratio * float(car["p_ambient"])
    power = turbo_power(pipe, flow, flow_out=flow, wastegate=0.0, heat=1.0, omega=omega, car=car)
    assert power < 0.0


def test_bypass_unloads_the_blower() -> None:
    car = record_of("blown")
    p, band = float(car["p_ambient"]), float(car["bypass_band"])
    omega = 4000.0 * RPM
    boost = over_speed(car["boost"], omega, omega_step=float(car["omega_step"]))
    assert boost > 1.2 * p
    loaded = flows([boost, p, 1.2e5], car, omega=omega)
    assert loaded["c"] == pytest.approx(loaded["p"], rel=1e-9)
    idle = flows([p, p - 1.5 * band, 1.2e5], car, omega=omega)
    assert idle["c"] == pytest.approx(idle["p"], rel=1e-9)
    assert math.isclose(idle["c_2"], idle["p_2"], rel_tol=1e-9)
