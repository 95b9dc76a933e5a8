"""The strategy tick by tick: laws by hand, arbitration, modes, servo, memory."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from strategy_bench import COOLANT, PEDAL, RPM, Bench, even, reaction, row, table

from throttlewright.calibration import signals as s
from throttlewright.calibration.lookup import bilinear, linear, remembered
from throttlewright.calibration.strategy_kernel import control, start_memory

CAP = table("cap", "%", (COOLANT,), [30.0, 80.0])


def test_demand_is_the_table_at_the_pedal() -> None:
    bench = Bench()
    bench.pedal(40.0)
    bench.run()
    assert bench.out[s.OUT_PEDAL_PCT] == pytest.approx(40.0, rel=1e-12)
    assert bench.out[s.OUT_DEMAND_PCT] == pytest.approx(40.0, rel=1e-12)
    assert bench.target == pytest.approx(40.0, rel=1e-12)
    assert bench.out[s.OUT_RELAY] == 1.0
    assert bench.out[s.OUT_CHARGE_PLATE] == 0.0


def test_law_table_and_rise_rate() -> None:
    bench = Bench(
        (row("cold", "plate", "ceiling", "table", "coolant_degC", table="cap", rise_rate=10.0),),
        tables=(CAP,),
    )
    bench.pedal(100.0)
    bench.set(s.SIG_COOLANT_DEGC, 25.0)
    bench.run()
    assert bench.target == pytest.approx(55.0, rel=1e-12)  # half-way from 30 to 80
    assert bench.out[s.OUT_CHARGE_PLATE] == 1.0
    bench.set(s.SIG_COOLANT_DEGC, 50.0)
    bench.run(100)
    assert bench.target == pytest.approx(56.0, rel=1e-9)  # 0.1 s at 10 %/s
    bench.set(s.SIG_COOLANT_DEGC, 0.0)
    bench.run()
    assert bench.target == pytest.approx(30.0, rel=1e-12)


def test_arming_hysteresis_and_letting_go_at_the_rate() -> None:
    limit = row(
        "cold", "plate", "ceiling", "table", "coolant_degC", table="cap",
        arm="map_kPa > 150 and gear_1 >= 2", hysteresis=10.0, rise_rate=1000.0,
    )  # fmt: skip
    bench = Bench((limit,), tables=(CAP,))
    bench.pedal(100.0)
    bench.set(s.SIG_COOLANT_DEGC, 0.0)
    bench.set(s.SIG_GEAR, 2.0)
    bench.set(s.SIG_MAP_KPA, 150.0)
    bench.run()
    assert bench.target == 100.0  # not above 150
    bench.set(s.SIG_MAP_KPA, 151.0)
    bench.run()
    assert bench.target == 30.0
    bench.set(s.SIG_MAP_KPA, 141.0)
    bench.run()
    assert bench.target == 30.0  # inside the band of 10
    bench.set(s.SIG_MAP_KPA, 139.0)
    bench.run(20)
    assert bench.target == pytest.approx(50.0, rel=1e-9)  # 20 ticks of 1 %
    bench.set(s.SIG_MAP_KPA, 160.0)
    bench.set(s.SIG_GEAR, 1.0)
    bench.run(200)
    assert bench.target == 100.0  # the second condition fails


def test_law_model_leads_by_the_slope() -> None:
    over = table("ahead", "%", (table_axis("map_kPa", "kPa", [100.0, 200.0]),), [100.0, 0.0])
    bench = Bench(
        (row("over", "plate", "ceiling", "model", "map_kPa", table="ahead"),),
        numbers={"over.lead_s": 0.05, "slope_filter_s": 0.0},
        tables=(over,),
    )
    bench.pedal(100.0)
    bench.set(s.SIG_MAP_KPA, 120.0)
    bench.run()
    assert bench.target == pytest.approx(80.0, rel=1e-12)
    bench.set(s.SIG_MAP_KPA, 121.0)  # 1000 kPa/s: 50 kPa ahead, 171 kPa
    bench.run()
    assert bench.target == pytest.approx(29.0, rel=1e-9)


def table_axis(name: str, unit: str, values: list[float]) -> Any:
    from throttlewright.calibration.table import Axis

    return Axis(name, unit, values)


def test_law_pi_ceiling_takes_over_without_a_jump() -> None:
    limit = row("over", "plate", "ceiling", "pi", "map_kPa", arm="map_kPa > 180", hysteresis=50.0)
    bench = Bench((limit,), numbers={"over.setpoint": 190.0, "over.kp": 0.5, "over.ki": 100.0})
    bench.pedal(70.0)
    bench.run()
    bench.set(s.SIG_MAP_KPA, 200.0)
    bench.run()
    # Armed at the target of now, 70 %: integral = 70 - 0.5 * (190 - 200) = 75.
    assert bench.target == pytest.approx(70.0, rel=1e-12)
    bench.run()
    # integral 75 + 100 * (-10) * 0.001 = 74; 74 - 5 = 69.
    assert bench.target == pytest.approx(69.0, rel=1e-12)
    bench.run(9)
    assert bench.target == pytest.approx(60.0, rel=1e-9)


def test_law_pi_does_not_wind_up() -> None:
    limit = row("over", "plate", "ceiling", "pi", "map_kPa")
    numbers = {"over.setpoint": 190.0, "over.kp": 0.5, "over.ki": 100.0, "over.least": 20.0}
    bench = Bench((limit,), numbers=numbers)
    bench.pedal(100.0)
    bench.set(s.SIG_MAP_KPA, 230.0)
    bench.run(5000)
    assert bench.target == 20.0
    bench.set(s.SIG_MAP_KPA, 189.0)
    bench.run()
    # It took over from a target of 0: 0 - kp e = 20 stands in the integral and went no further down
    # in five seconds at the end of the range; 20 + 0.1 + 0.5 = 20.6.
    assert bench.target == pytest.approx(20.6, rel=1e-9)


def test_law_pi_floor_with_setpoint_from_a_table() -> None:
    speeds = table("idle_speed", "rpm", (COOLANT,), [1200.0, 900.0])
    limit = row(
        "idle", "plate", "floor", "pi", "engine_rpm", y="coolant_degC", table="idle_speed",
        arm="pedal_pct < 2",
    )  # fmt: skip
    bench = Bench(
        (limit,),
        numbers={"idle.kp": 0.01, "idle.ki": 0.1, "idle.base": 3.0, "idle.most": 12.0},
        tables=(speeds,),
    )
    bench.set(s.SIG_COOLANT_DEGC, 25.0)
    bench.set(s.SIG_ENGINE_RPM, 1000.0)
    bench.run()
    assert bench.target == pytest.approx(3.5, rel=1e-12)  # 3 + 0.01 * 50
    bench.run(10)
    assert bench.target == pytest.approx(3.55, rel=1e-9)  # + 0.1 * 50 * 0.01 s
    bench.set(s.SIG_ENGINE_RPM, 0.0)
    bench.run(1000)
    assert bench.target == 12.0
    bench.pedal(5.0)
    bench.run()
    assert bench.target == pytest.approx(5.0, rel=1e-12)  # let go: 0, and the demand rules


def test_law_ramp() -> None:
    limit = row(
        "launch", "plate", "ceiling", "ramp", arm="clutch_1 < 0.5", fall_rate=200.0,
        rise_rate=400.0,
    )  # fmt: skip
    bench = Bench((limit,), numbers={"launch.to": 40.0})
    bench.pedal(100.0)
    bench.run()
    bench.set(s.SIG_CLUTCH, 0.0)
    bench.run(100)
    assert bench.target == pytest.approx(80.0, rel=1e-9)
    bench.run(400)
    assert bench.target == 40.0
    bench.set(s.SIG_CLUTCH, 1.0)
    bench.run(50)
    assert bench.target == pytest.approx(60.0, rel=1e-9)


def test_law_timed_holds_its_time_once() -> None:
    limit = row("blip", "plate", "floor", "timed", arm="clutch_1 < 0.5")
    bench = Bench((limit,), numbers={"blip.to": 25.0, "blip.hold_s": 0.03})
    bench.run()
    bench.set(s.SIG_CLUTCH, 0.0)
    held = sum(bench.run()[s.OUT_TARGET_PCT] == 25.0 for _ in range(200))
    assert held == 30


def test_other_outputs() -> None:
    limits = (
        row("cut", "fuel_cut", "floor", "ramp", arm="map_kPa > 210", hysteresis=10.0),
        row("late", "retard", "floor", "ramp", arm="slip_1 > 0.1"),
        row("late_most", "retard", "ceiling", "ramp"),
    )
    bench = Bench(limits, numbers={"cut.to": 1.0, "late.to": 25.0, "late_most.to": 20.0})
    bench.run(2)
    assert bench.out[s.OUT_FUEL_CUT] == 0.0
    bench.set(s.SIG_MAP_KPA, 215.0)
    bench.set(s.SIG_FREE_M_S, 10.0)
    bench.set(s.SIG_DRIVEN_M_S, 12.0)
    bench.run()
    assert bench.out[s.OUT_FUEL_CUT] == 1.0
    assert bench.out[s.OUT_CHARGE_FUEL] == 1.0
    assert bench.out[s.OUT_RETARD] == 20.0  # the ceiling beats the floor of 25
    assert bench.out[s.OUT_CHARGE_RETARD] == 3.0


@given(
    pedal=st.floats(0.0, 100.0),
    floors=st.lists(st.floats(0.5, 100.0), max_size=3),
    ceilings=st.lists(st.floats(0.5, 100.0), max_size=3),
)
@settings(deadline=None, derandomize=True, max_examples=50, database=None)
def test_a_ceiling_always_beats_a_floor(
    pedal: float, floors: list[float], ceilings: list[float]
) -> None:
    limits = []
    numbers = {}
    for side, bounds in (("floor", floors), ("ceiling", ceilings)):
        for k, bound in enumerate(bounds):
            limits.append(row(f"{side}_{k}", "plate", side, "ramp"))
            numbers[f"{side}_{k}.to"] = float(f"{bound:.6g}")
    bench = Bench(tuple(limits), numbers=numbers)
    bench.pedal(pedal)
    bench.run(2)
    low = [numbers[k] for k in numbers if k.startswith("floor")]
    high = [numbers[k] for k in numbers if k.startswith("ceiling")]
    expected = min([*high, max([pedal, *low])])
    assert bench.target == pytest.approx(max(expected, 0.4), rel=1e-9)
    by = int(bench.out[s.OUT_CHARGE_PLATE])
    assert by == 0 or numbers[f"{limits[by - 1].name}.to"] == pytest.approx(expected, rel=1e-9)


def test_a_mode_blends_and_never_jumps() -> None:
    bench = Bench(tables=(even("sport", 0.5),), numbers={"mode.road": 0.0, "mode.sport": 1.0})
    bench.pedal(80.0)
    bench.run()
    bench.set(s.SIG_MODE, 1.0)
    bench.run(250)
    assert bench.target == pytest.approx(60.0, rel=1e-9)  # half-way from 80 to 40
    bench.set(s.SIG_MODE, 0.0)
    seen = [bench.target]
    for _ in range(250):
        seen.append(float(bench.run()[s.OUT_TARGET_PCT]))
    assert np.max(np.abs(np.diff(seen))) <= 40.0 / 500.0 + 1e-9
    assert bench.target == pytest.approx(80.0, rel=1e-9)
    bench.set(s.SIG_MODE, 1.0)
    bench.run(100)
    bench.pedal(0.0)
    bench.run()
    assert bench.target == 0.4  # a released pedal is a released pedal, blending or not


def test_rate_limit_of_the_target_and_least_target() -> None:
    bench = Bench(numbers={"plate_rise_pct_s": 1000.0, "plate_fall_pct_s": 2000.0})
    bench.run()
    assert bench.target == 0.4
    bench.pedal(100.0)
    bench.run(10)
    assert bench.target == pytest.approx(10.4, rel=1e-9)
    bench.run(200)
    bench.pedal(0.0)
    bench.run(10)
    assert bench.target == pytest.approx(80.0, rel=1e-9)


def test_servo_duty_by_hand() -> None:
    numbers = {
        "servo_kp": 0.01, "servo_ki": 0.0, "servo_kd": 0.0, "servo_friction_duty": 0.05,
        "servo_friction_band_pct": 0.5, "servo_spring_duty_above": 0.1,
        "servo_spring_slope_duty_per_pct": 0.001, "servo_default_pct": 10.0,
        "servo_spring_duty_below": 0.12, "servo_slope_below": 0.002,
    }  # fmt: skip
    bench = Bench(numbers=numbers)
    bench.pedal(50.0)
    bench.plate(48.0)
    bench.run()
    # spring 0.1 + 0.001 * 40, friction 0.05, 0.01 * 2
    assert bench.out[s.OUT_PWM] == pytest.approx(0.14 + 0.05 + 0.02, rel=1e-9)
    bench.set(s.SIG_BATTERY_V, 8.0)
    bench.run()
    assert bench.out[s.OUT_PWM] == pytest.approx(0.21 * 12.0 / 8.0, rel=1e-9)
    bench.set(s.SIG_BATTERY_V, 12.0)
    bench.pedal(5.0)
    bench.plate(5.0)
    bench.run()
    assert bench.out[s.OUT_PWM] == pytest.approx(-0.12 - 0.002 * 5.0, rel=1e-9)


def test_servo_integral_does_not_wind_up_against_a_full_duty() -> None:
    numbers = {"servo_kp": 0.3, "servo_ki": 5.0, "servo_kd": 0.0, "servo_most_duty": 0.9}
    bench = Bench(numbers=numbers)
    bench.pedal(50.0)
    bench.plate(46.0)
    bench.run(3000)
    assert bench.out[s.OUT_PWM] == 0.9
    bench.plate(50.0)
    bench.run()
    # Nothing was gathered: only the spring's share is left.
    assert bench.out[s.OUT_PWM] == pytest.approx(0.13 + 0.0004 * 43.0, rel=1e-6)


def test_fuel_rev_limit_and_overrun() -> None:
    bench = Bench(
        numbers={
            "rev_limit_rpm": 6000.0, "rev_hysteresis_rpm": 200.0,
            "overrun_fuel_cut_above_rpm": 1800.0, "resume_rpm": 1300.0, "overrun_delay_s": 0.1,
        }
    )  # fmt: skip
    bench.pedal(50.0)
    cuts = []
    for rpm in (5900.0, 6001.0, 5850.0, 5799.0):
        bench.set(s.SIG_ENGINE_RPM, rpm)
        cuts.append(float(bench.run()[s.OUT_FUEL_CUT]))
    assert cuts == [0.0, 1.0, 1.0, 0.0]
    bench.set(s.SIG_ENGINE_RPM, 2500.0)
    bench.pedal(0.0)
    assert bench.run(50)[s.OUT_FUEL_CUT] == 0.0
    assert bench.run(60)[s.OUT_FUEL_CUT] == 1.0
    bench.set(s.SIG_ENGINE_RPM, 1400.0)
    assert bench.run()[s.OUT_FUEL_CUT] == 1.0
    bench.set(s.SIG_ENGINE_RPM, 1250.0)
    assert bench.run()[s.OUT_FUEL_CUT] == 0.0


def test_boost_bleed_by_hand() -> None:
    boost = table("boost_target_road", "kPa", (RPM, PEDAL), [[100.0, 150.0, 201.325]] * 2)
    numbers = {"boost_spring_kPa": 50.0, "boost.kp": 0.5, "boost.ki": 10.0}
    bench = Bench(tables=(boost,), numbers=numbers)
    bench.run()
    assert bench.out[s.OUT_BLEED] == 0.0
    bench.pedal(100.0)
    bench.set(s.SIG_PIPE_KPA, 161.325)
    bench.run(100)
    # Target 100 kPa over ambient: 100 (1 - 50/100) + 0.5 * 40; too far off to integrate.
    assert bench.out[s.OUT_BLEED] == pytest.approx(70.0, rel=1e-9)
    bench.set(s.SIG_PIPE_KPA, 191.325)
    bench.run(100)
    assert bench.out[s.OUT_BLEED] == pytest.approx(50.0 + 5.0 + 10.0 * 10.0 * 0.1, rel=1e-9)
    bench.set(s.SIG_PIPE_KPA, 196.325)
    bench.run(5000)
    assert bench.out[s.OUT_BLEED] == 100.0
    bench.set(s.SIG_PIPE_KPA, 206.325)
    bench.run(1)
    assert bench.out[s.OUT_BLEED] == pytest.approx(100.0 - 5.0 - 0.05, abs=1e-6)


def test_key_off_opens_the_bridge_and_forgets() -> None:
    bench = Bench()
    bench.pedal(50.0)
    bench.run(10)
    bench.set(s.SIG_KEY, 0.0)
    bench.run()
    assert bench.out[s.OUT_BRIDGE] == 1.0
    assert bench.out[s.OUT_RELAY] == 0.0
    assert bench.out[s.OUT_PWM] == 0.0
    assert bench.out[s.OUT_FUEL_CUT] == 1.0
    assert np.array_equal(bench.memory, start_memory(bench.cal))


def test_n_and_m_ticks_are_n_plus_m_ticks_bit_for_bit() -> None:
    def bench() -> Bench:
        return Bench(
            (
                row("cold", "plate", "ceiling", "table", "coolant_degC", table="cap"),
                row("idle", "plate", "floor", "pi", "engine_rpm", arm="pedal_pct < 2"),
            ),
            (reaction("pedal_disagree", 5.0, 0.02, "limit_pedal"),),
            {"idle.setpoint": 900.0, "idle.kp": 0.01, "idle.ki": 0.1, "supervision_ticks": 10.0},
            (CAP, even("wild", 1.0)),
        )

    def drive(b: Bench, first: int, last: int, memory: np.ndarray) -> np.ndarray:
        rng = np.random.default_rng(5).normal(size=(400, s.N_SIGNALS))
        for k in range(first, last):
            b.pedal(50.0 + 20.0 * rng[k, 0])
            b.set(s.SIG_PEDAL_2_V, b.signals[s.SIG_PEDAL_2_V] + 0.05 * rng[k, 1])
            b.set(s.SIG_ENGINE_RPM, 2000.0 + 300.0 * rng[k, 2])
            b.set(s.SIG_COOLANT_DEGC, 25.0 + 10.0 * rng[k, 3])
            b.set(s.SIG_MODE, float(k // 100 % 2))
            control(b.signals, b.cal, memory=memory, out=b.out)
        return b.out.copy()

    whole = bench()
    once = drive(whole, 0, 400, whole.memory)
    halves = bench()
    drive(halves, 0, 173, halves.memory)
    other = bench()
    carried = halves.memory.copy()
    twice = drive(other, 173, 400, carried)
    assert np.array_equal(once, twice)
    assert np.array_equal(whole.memory, carried)
    assert once[s.OUT_DETECTED] + whole.memory.sum() != 0.0


@given(x=st.floats(-1e3, 9e3), y=st.floats(-50.0, 150.0), i=st.integers(0, 2), j=st.integers(0, 3))
@settings(deadline=None, derandomize=True, max_examples=50, database=None)
def test_remembered_places_change_no_value(x: float, y: float, i: int, j: int) -> None:
    xs = np.array([500.0, 800.0, 2000.0, 7000.0])
    ys = np.array([0.0, 10.0, 50.0, 80.0, 100.0])
    values = np.arange(20.0).reshape(4, 5) ** 2
    bench = Bench(
        tables=(
            table(
                "plate_over_pedal_other", "%",
                (table_axis("engine_rpm", "rpm", list(xs)), table_axis("pedal_pct", "%", list(ys))),
                values,
            ),
            table("line", "%", (table_axis("engine_rpm", "rpm", list(xs)),), values[:, 1]),
        ),
        limits=(row("line", "plate", "ceiling", "table", "engine_rpm", table="line"),),
    )  # fmt: skip
    memory = np.array([float(i), float(j)])
    # Tables stand in the packed calibration in the order in which they were given.
    got = remembered(x, y, table=1, cal=bench.cal, memory=memory, at=0)
    assert got == pytest.approx(bilinear(x, y, xs=xs, ys=ys, values=values), rel=1e-12, abs=1e-12)
    got = remembered(x, y, table=2, cal=bench.cal, memory=memory, at=0)
    line = values[:, 1].copy()
    assert got == pytest.approx(linear(x, xs, values=line), rel=1e-12, abs=1e-12)
