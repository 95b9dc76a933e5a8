"""The step of the air: closed forms, another library's answer, order, and what moves besides."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from plant_bench import RPM, bare, healthy, held, moving, run, set_plate, started

from throttlewright.car.plant_air import air_rates, air_step
from throttlewright.car.plant_flows import plate_area_at
from throttlewright.car.state import (
    AIR_PLATE,
    FLOW_COMPRESSOR,
    FLOW_CYLINDERS,
    FLOW_LEAK,
    FLOW_PLATE,
    N_STATE,
    P_EXHAUST,
    P_MANIFOLD,
    P_PIPE,
    RELIEF,
    T_MANIFOLD,
    T_PIPE,
    TURBINE_HEAT,
    TURBO_SPEED,
    U_BLEED,
    U_LEAK,
    U_PAIR,
    U_WASTEGATE_STUCK,
    WASTEGATE,
)
from throttlewright.physics.gas import R_AIR, choked_flow_function, nozzle_flow_regular

PA, TA = 101325.0, 298.15
SHUT = {"area_table": 0.0, "ve_speed": 0.85, "p_ambient": PA, "T_ambient": TA}


def at_rest(p_manifold: float, T: float = TA) -> np.ndarray:
    x = np.zeros(N_STATE)
    x[P_PIPE] = x[P_EXHAUST] = PA
    x[P_MANIFOLD] = p_manifold
    x[T_PIPE] = x[T_MANIFOLD] = T
    x[TURBINE_HEAT] = x[TURBO_SPEED] = 1.0
    return x


def through(
    x: np.ndarray,
    car: np.void,
    *,
    rpm: float,
    time: float,
    steps: int,
    u: np.ndarray | None = None,
) -> np.ndarray:
    given = healthy() if u is None else u
    for _ in range(steps):
        air_step(
            x,
            given,
            opening_before=0.0,
            opening_after=0.0,
            omega=rpm * RPM,
            car=car,
            h=time / steps,
        )
    return x


def filling_time(car: np.void, rpm: float) -> float:
    # physics textbook form: tau = V_m 4 pi / (V_d eta w)
    return float(car["manifold_volume"] * 4.0 * math.pi / (car["displacement"] * 0.85 * rpm * RPM))


def test_a_shut_plate_lets_the_manifold_decay_by_e_in_one_filling_time() -> None:
    car = bare(**SHUT, manifold_volume=1.8e-3, displacement=1.953e-3)
    tau = filling_time(car, 2000.0)
    x = through(at_rest(1e5), car, rpm=2000.0, time=tau, steps=650)
    # closed form of the isothermal manifold: exp(-1)
    assert x[P_MANIFOLD] / 1e5 == pytest.approx(0.367879, rel=3e-6)
    assert x[T_MANIFOLD] == TA


def test_adiabatic_decay_goes_with_gamma_and_cools_the_charge() -> None:
    car = bare(**SHUT, manifold_volume=1.8e-3, displacement=1.953e-3, adiabatic=1.0)
    tau = filling_time(car, 2000.0)
    x = through(at_rest(1e5), car, rpm=2000.0, time=tau, steps=650)
    # closed form, flow ~ p / T: dp/dt = -gamma p / tau, so exp(-1.4), and T = T0 exp(-0.4)
    assert x[P_MANIFOLD] / 1e5 == pytest.approx(0.246597, rel=1e-5)
    assert x[T_MANIFOLD] == pytest.approx(TA * math.exp(-0.4), rel=1e-5)


@pytest.mark.parametrize(("rpm", "ms"), [(800.0, 162.6), (2000.0, 65.06), (6000.0, 21.69)])
def test_filling_time_of_a_1_8_litre_manifold(rpm: float, ms: float) -> None:
    # worked by hand from tau = V_m 4 pi / (V_d eta w) for 1.8 L on 1.953 L, 0.85
    car = bare(**SHUT, manifold_volume=1.8e-3, displacement=1.953e-3)
    x, dx = at_rest(6e4), np.zeros(N_STATE)
    air_rates(x, healthy(), opening=0.0, omega=rpm * RPM, car=car, dx=dx)
    assert -x[P_MANIFOLD] / dx[P_MANIFOLD] * 1e3 == pytest.approx(ms, rel=4e-4)


def test_choked_plate_fills_the_manifold_as_the_closed_form_says() -> None:
    given: dict[str, Any] = {**SHUT, "area_table": 60e-6}
    car = bare(**given, manifold_volume=4e-3, displacement=2e-3)
    tau = filling_time(car, 2000.0)
    assert tau == pytest.approx(0.14118, rel=1e-4)
    x = through(at_rest(3e4), car, rpm=2000.0, time=tau, steps=141)
    # closed form of a choked plate: 63.21 % of the way to 42 982 Pa after one filling time
    assert x[P_MANIFOLD] == pytest.approx(38206.0, rel=1e-4)
    x = through(x, car, rpm=2000.0, time=20.0 * tau, steps=2800)
    assert x[P_MANIFOLD] == pytest.approx(42982.0, rel=1e-4)
    assert x[FLOW_PLATE] == pytest.approx(14.230e-3, rel=1e-4)
    assert x[FLOW_CYLINDERS] == pytest.approx(x[FLOW_PLATE], rel=1e-6)


def test_manifold_filling_agrees_with_another_integrator() -> None:
    # a constant 10 g/s through a choked leak of just that size, from ambient at 300 K
    car = bare(
        area_table=0.0,
        ve_speed=0.85,
        p_ambient=PA,
        T_ambient=300.0,
        manifold_volume=4e-3,
        displacement=1.5e-3,
    )
    u = healthy()
    u[U_LEAK] = 0.010 * math.sqrt(R_AIR * 300.0) / (PA * choked_flow_function(1.4))
    x = through(at_rest(3e4, 300.0), car, rpm=2000.0, time=0.2, steps=200, u=u)
    assert x[FLOW_LEAK] == pytest.approx(0.010, rel=1e-12)
    # scikit-sundae 1.x CVODE on the same equation, R 287.05: 36887.4645 Pa
    assert x[P_MANIFOLD] == pytest.approx(36887.4645, rel=2e-5)


def test_a_closed_pipe_rises_by_what_the_compressor_puts_in() -> None:
    car = bare("hillclimb_20t", area_table=0.0, p_ambient=PA, T_ambient=TA, pipe_volume=8e-3)
    # no work asked of the wheel at any pressure: its flow is that of its speed alone
    car["compressor_k1"] = 0.0
    car["turbo_inertia"] = 1e12
    car["relief_area"] = 0.0
    x = at_rest(5e4, 330.0)
    x[P_PIPE] = 1.5e5
    x[TURBO_SPEED] = 1e4
    through(x, car, rpm=2000.0, time=1e-3, steps=1)
    x[TURBO_SPEED] = 1e4 * 0.15 / x[FLOW_COMPRESSOR]
    before = x[P_PIPE]
    through(x, car, rpm=2000.0, time=1e-3, steps=1)
    assert x[FLOW_COMPRESSOR] == pytest.approx(0.15, rel=1e-9)
    # R T m / V for 0.15 kg/s, 330 K, 8 L, worked by hand: 17.76 bar/s
    assert (x[P_PIPE] - before) / 1e-3 == pytest.approx(17.76e5, rel=3e-4)


def test_the_step_is_of_second_order_while_the_plate_moves() -> None:
    car = moving("trackday_16")
    travel = float(car.record["servo_travel"])
    first = started(car, 2500.0, 0.1)

    def end(steps: int) -> np.ndarray:
        x, u = first.copy(), healthy()
        h = 0.04 / steps
        for i in range(steps):
            a = 0.10 + 0.25 * i / steps
            b = 0.10 + 0.25 * (i + 1) / steps
            air_step(
                x,
                u,
                opening_before=a * travel,
                opening_after=b * travel,
                omega=2500.0 * RPM,
                car=car.record,
                h=h,
            )
        return x[[P_MANIFOLD, P_EXHAUST]]

    exact = end(2560)
    errors = [float(np.abs(end(n) - exact)[0]) for n in (20, 40, 80, 160)]
    orders = np.log2(np.array(errors[:-1]) / np.array(errors[1:]))
    assert np.all(orders > 1.7), orders
    assert errors[1] < 0.001 * 60e3


@pytest.mark.parametrize("area", [2e-3, 8e-3, 20e-3])
def test_a_wide_open_plate_of_any_size_stays_calm(area: float) -> None:
    # 8000 mm2 is a 100 mm plate: its time constant near equal pressures is far below the step
    car = bare(area_table=area, p_ambient=PA, T_ambient=TA)
    x, u = at_rest(0.7 * PA), healthy()
    seen = []
    for _ in range(100):
        air_step(x, u, opening_before=0.1, opening_after=0.1, omega=3000.0 * RPM, car=car, h=1e-3)
        seen.append(x[P_MANIFOLD])
    late = np.array(seen[50:])
    assert np.ptp(late) < 1.0
    assert 0.9 * PA < late[-1] < PA


def test_no_step_rests_where_the_flows_do_not_balance() -> None:
    # wide open at once: what the step calls the plate's flow must be the nozzle's at that state
    car = moving("hillclimb_20t")
    x, u = started(car, 3500.0, 0.12), held()
    u[U_BLEED] = 1.0
    run(x, u, car.record, 500)
    set_plate(x, car.record, 1.0)
    run(x, u, car.record, 250)
    flow = nozzle_flow_regular(
        float(x[P_PIPE]),
        float(x[P_MANIFOLD]),
        T_a=float(x[T_PIPE]),
        T_b=float(x[T_MANIFOLD]),
        area=plate_area_at(float(x[AIR_PLATE]), car=car.record),
        gamma=float(car.record["gamma"]),
        shape_gamma=float(car.record["shape_gamma"]),
        R=R_AIR,
        pr_lin=float(car.record["pr_linear"]),
    )
    assert x[FLOW_PLATE] == pytest.approx(flow, rel=0.02)


def test_part_of_the_plates_may_stay_shut() -> None:
    car = moving("trackday_16").record
    rates = []
    for share in (0.0, 0.5, 1.0):
        x, u, dx = at_rest(5e4), healthy(), np.zeros(N_STATE)
        u[U_PAIR] = share
        air_rates(x, u, opening=0.3, omega=300.0, car=car, dx=dx)
        rates.append(dx[P_MANIFOLD])
    assert rates[0] > rates[1] > rates[2]
    assert rates[1] == pytest.approx(0.5 * (rates[0] + rates[2]), rel=1e-9)
    shut = at_rest(5e4)
    still = np.zeros(N_STATE)
    air_rates(shut, healthy(), opening=0.0, omega=300.0, car=car, dx=still)
    assert rates[2] == pytest.approx(still[P_MANIFOLD], rel=1e-12)
    assert plate_area_at(0.0, car=car) > 0.0


def test_wastegate_follows_its_spring_its_bleed_or_its_fault() -> None:
    car = moving("hillclimb_20t").record

    def after(stuck: float, bleed: float, pipe: float) -> float:
        x, u = at_rest(8e4), healthy()
        u[U_WASTEGATE_STUCK], u[U_BLEED] = stuck, bleed
        x[TURBO_SPEED] = 1e4
        for _ in range(600):
            x[P_PIPE] = pipe
            air_step(x, u, opening_before=0.0, opening_after=0.0, omega=300.0, car=car, h=1e-3)
        return float(x[WASTEGATE])

    over = float(car["spring_pressure"]) + 1.2 * float(car["wastegate_band"])
    assert after(-1.0, 0.0, over) > 0.9
    assert after(-1.0, 1.0, over) == 0.0
    assert after(-1.0, 0.0, float(car["p_ambient"])) == 0.0
    assert after(0.0, 0.0, over) == 0.0
    assert after(1.0, 0.0, float(car["p_ambient"])) == 1.0


def test_valves_approach_their_targets_exactly_in_time() -> None:
    car = bare("hillclimb_20t", relief_lag=0.05)
    x, u = at_rest(4e4), healthy()
    # pipe above and manifold far below ambient: the target of the relief valve is fully open
    for _ in range(50):
        x[P_PIPE], x[P_MANIFOLD] = 1.3e5, 4e4
        air_step(x, u, opening_before=0.0, opening_after=0.0, omega=200.0, car=car, h=1e-3)
    assert x[RELIEF] == pytest.approx(1.0 - math.exp(-1.0), rel=1e-9)


def test_fault_free_steps_are_finite_from_wild_states() -> None:
    rng = np.random.default_rng(7)
    for name in ("hillclimb_20t", "trackday_16", "v8_48_itb"):
        car = moving(name).record
        for _ in range(200):
            x, u = at_rest(float(rng.uniform(1e4, 2.5e5))), healthy()
            x[P_PIPE] = rng.uniform(5e4, 2.8e5)
            x[P_EXHAUST] = rng.uniform(8e4, 4e5)
            x[TURBO_SPEED] = rng.uniform(1.0, 2e4)
            for _ in range(5):
                air_step(
                    x,
                    u,
                    opening_before=float(rng.uniform(0.0, 1.4)),
                    opening_after=float(rng.uniform(0.0, 1.4)),
                    omega=float(rng.uniform(10.0, 700.0)),
                    car=car,
                    h=1e-3,
                )
            assert np.all(np.isfinite(x[: FLOW_LEAK + 1]))
            assert 500.0 <= x[P_MANIFOLD] < 5e5
