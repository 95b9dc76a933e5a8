"""Each rule of the lint fires on what it is for, and stays silent beside it."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from throttlewright.calibration.calibration import Calibration, Number
from throttlewright.calibration.limits import Limit
from throttlewright.calibration.lint import RULES, Finding, Known, lint_calibration
from throttlewright.calibration.reactions import Reaction
from throttlewright.calibration.table import Axis, Table

RPM = [800.0, 3000.0, 6500.0]
PEDAL = [0.0, 5.0, 10.0, 50.0, 100.0]
GOOD = [[0.0, 2.0, 4.0, 40.0, 100.0]] * 3
MEANING = "plate 0 closed stop, 100 open stop; pedal 0 released, 100 full"


def table(name: str, unit: str, *axes: tuple[str, str, list[float]], values: Any) -> Table:
    made = tuple(Axis(n, u, v) for n, u, v in axes)
    return Table(name, "as made", unit, made, np.array(values, float), percent_meaning=MEANING)


def demand(values: Any = GOOD, *, pedal: list[float] = PEDAL, note: str = "") -> Table:
    made = table(
        "plate_over_pedal_dry", "%", ("engine_rpm", "rpm", RPM), ("pedal_pct", "%", pedal),
        values=values,
    )  # fmt: skip
    return replace(made, note=note)


def limit(name: str, **given: Any) -> Limit:
    usual = {
        "output": "plate", "side": "ceiling", "law": "ramp", "rise_rate": 50.0,
        "reason": "spares the engine", "source": "common practice, no source",
    }  # fmt: skip
    return Limit(name, **{**usual, **given})


def cal(*parts: Limit | Table | Reaction, **numbers: float) -> Calibration:
    """A calibration with a good demand, unless one is given."""
    tables = {t.name: t for t in parts if isinstance(t, Table)}
    if not any("pedal" in a.name for t in tables.values() for a in t.axes):
        tables["plate_over_pedal_dry"] = demand()
    return Calibration(
        tables,
        {
            name.replace("__", "."): Number(value, _unit(name), "computed for this test")
            for name, value in numbers.items()
        },
        tuple(p for p in parts if isinstance(p, Limit)),
        tuple(p for p in parts if isinstance(p, Reaction)),
    )


def _unit(name: str) -> str:
    return next((u for end, u in (("_rpm", "rpm"), ("_V", "V")) if name.endswith(end)), "")


def found(calibration: Calibration, rule: str, known: Known | None = None) -> list[Finding]:
    return [f for f in lint_calibration(calibration, known) if f.rule == rule]


def test_a_good_calibration_is_silent() -> None:
    cut = Reaction("plate", "tracking", 5.0, 0.3, "cut", "key", "a rule book")
    fuel = replace(cut, fault="plate, engine speed", reaction="fuel_speed")
    floor = limit("idle", side="floor")
    assert lint_calibration(cal(floor, cut, fuel, idle__to=3.0)) == ()


def test_every_finding_is_whole() -> None:
    bad = [[50.0, 40.0, 0.0, 120.0, 60.0]] * 3
    said = lint_calibration(cal(demand(bad), limit("a", reason="none", source="?"), a__to=100.0))
    assert len({f.rule for f in said}) >= 5
    for f in said:
        assert all((f.where, f.text, f.advice))
        assert f.severity in ("error", "warning", "note")
        assert not f.text.endswith(".")
    ranks = ["error", "warning", "note"]
    places = [ranks.index(f.severity) for f in said]
    assert places == sorted(places)
    assert len({rule.name for rule in RULES}) == len(RULES)


def test_pedal_monotone() -> None:
    bad = np.array(GOOD)
    bad[1, 3] = 3.0
    (f,) = found(cal(demand(bad)), "pedal_monotone")
    assert (f.severity, f.at, f.figure) == ("error", "engine_rpm 3000 rpm, pedal_pct 50 %", 1.0)
    flat = np.array(GOOD)
    flat[1, 3] = 4.0
    assert not found(cal(demand(flat)), "pedal_monotone")


def test_pedal_released() -> None:
    high = np.array(GOOD)
    high[2] += [8.0, 8.0, 8.0, 8.0, 0.0]
    (f,) = found(cal(demand(high)), "pedal_released")
    assert (f.severity, f.figure) == ("error", 8.0)
    idle = Known(idle_plate_pct=9.0)
    assert not found(cal(demand(high)), "pedal_released", idle)
    # nothing gives idle air: a note; with a floor there is none
    assert [f.severity for f in found(cal(), "pedal_released")] == ["note"]
    assert not found(cal(limit("idle", side="floor"), idle__to=3.0), "pedal_released")
    late = demand(pedal=[3.0, 5.0, 10.0, 50.0, 100.0])
    assert "warning" in [f.severity for f in found(cal(late), "pedal_released")]


def test_small_pedal() -> None:
    steep = [[0.0, 12.0, 20.0, 40.0, 100.0]] * 3
    (f,) = found(cal(demand(steep)), "small_pedal")
    assert f.figure == pytest.approx(2.4)
    assert not found(cal(demand(steep, note="steep on purpose: a cable feel")), "small_pedal")
    assert not found(cal(), "small_pedal")
    # torque counts as well, where the engine is known: a large plate gives all of it early
    early = Known(share=lambda rpm, plate: np.minimum(plate / 4.0, 1.0))
    (f,) = found(cal(), "small_pedal", early)
    assert f.figure == pytest.approx(100.0 * 2.0 / 4.0 / 5.0)
    late = Known(share=lambda rpm, plate: plate / 100.0)
    assert not found(cal(), "small_pedal", late)


def test_open_stop() -> None:
    short = [[*row[:-1], 60.0] for row in GOOD]
    (f,) = found(cal(demand(short)), "open_stop")
    assert (f.severity, f.figure) == ("warning", 60.0)
    assert found(cal(demand(short, note="cap of the wet mode")), "open_stop")[0].severity == "note"
    assert found(cal(demand(short)), "open_stop", Known(capped=("dry",)))[0].severity == "note"
    assert not found(cal(), "open_stop")
    ends = demand(pedal=[0.0, 5.0, 10.0, 50.0, 90.0])
    assert found(cal(ends), "open_stop")[0].figure == 90.0


def test_value_range() -> None:
    assert found(cal(demand([[-1.0, 2.0, 4.0, 40.0, 100.0]] * 3)), "value_range")[0].figure == -1.0
    assert found(cal(demand([[0.0, 2.0, 4.0, 40.0, 1000.0]] * 3)), "value_range")
    assert not found(cal(), "value_range")


def test_cell_stands_out() -> None:
    slip = np.array(GOOD)
    slip[1, 2] = 34.0
    (f,) = found(cal(demand(slip)), "cell_stands_out")
    assert f.at == "engine_rpm 3000 rpm, pedal_pct 10 %"
    assert not found(cal(), "cell_stands_out")


def cold(coolant: list[float], values: list[float]) -> tuple[Limit, Table]:
    row = limit("cold", law="table", x="coolant_degC", table="cold_plate")
    return row, table("cold_plate", "%", ("coolant_degC", "degC", coolant), values=values)


def test_axis_end() -> None:
    (f,) = found(cal(*cold([0.0, 30.0, 60.0], [30.0, 40.0, 60.0])), "axis_end")
    assert (f.figure, f.severity) == (40.0, "warning")  # 60 K further the slope would reach 100
    assert not found(cal(*cold([0.0, 30.0, 60.0], [30.0, 40.0, 40.0])), "axis_end")
    assert not found(cal(*cold([-30.0, 60.0, 120.0], [20.0, 40.0, 100.0])), "axis_end")


def test_never_free() -> None:
    assert found(cal(*cold([0.0, 80.0], [30.0, 90.0])), "never_free")[0].figure == 90.0
    assert not found(cal(*cold([0.0, 80.0], [30.0, 100.0])), "never_free")


def test_table_unread() -> None:
    spare = table("spare", "", ("x", "", [0.0, 1.0]), values=[0.0, 1.0])
    assert found(cal(spare), "table_unread")[0].where == "table spare"
    assert not found(cal(*cold([0.0, 80.0], [30.0, 100.0])), "table_unread")


def test_runs() -> None:
    row = limit("a")
    assert found(cal(row), "runs")[0].severity == "error"  # a ramp without its number
    assert not found(cal(row, a__to=10.0), "runs")
    alone = Calibration({"t": table("t", "", ("x", "", [0.0]), values=[1.0])})
    assert found(alone, "runs")[0].severity == "note"


@pytest.mark.parametrize("word", ["unknown", "N/A", "?", "--", "to do", "tbd", "x"])
def test_reason_and_source(word: str) -> None:
    assert found(cal(limit("a", reason=word), a__to=10.0), "reason_and_source")[0].at == "reason"
    assert found(cal(limit("a", source=word), a__to=10.0), "reason_and_source")[0].at == "source"
    react = Reaction("plate", "tracking", 5.0, 0.3, "note", "key", word)
    assert found(cal(react), "reason_and_source")
    number = replace(cal(), numbers={"limp_rpm": Number(2500.0, "rpm", word)})
    assert found(number, "reason_and_source")[0].severity == "warning"
    assert not found(cal(limit("a"), a__to=10.0), "reason_and_source")


def test_can_act() -> None:
    assert found(cal(limit("a"), a__to=100.0), "can_act")
    assert not found(cal(limit("a"), a__to=50.0), "can_act")
    hot = limit("a", arm="coolant_degC > 200")
    assert found(cal(hot, a__to=50.0), "can_act")[0].severity == "warning"
    assert found(cal(limit("a", arm="pedal_pct > 50 and pedal_pct < 40"), a__to=50.0), "can_act")
    boost = limit("a", arm="map_kPa > 245", hysteresis=3.0)
    assert not found(cal(boost, a__to=50.0), "can_act")
    blind = Known(sensor_top={"map_kPa": 240.0})
    assert found(cal(boost, a__to=50.0), "can_act", blind)[0].severity == "error"
    assert found(cal(limit("a"), a__to=150.0), "row_range")
    assert found(cal(*cold([0.0, 80.0], [100.0, 100.0])), "can_act")


def test_setpoint() -> None:
    row = limit("a", law="pi", x="map_kPa", arm="map_kPa > 200", hysteresis=3.0)
    given = {"a__kp": 0.5, "a__ki": 1.0}
    assert found(cal(row, a__setpoint=2.4, **given), "setpoint")  # bar, not kPa
    assert not found(cal(row, a__setpoint=240.0, **given), "setpoint")


def test_jump() -> None:
    row = limit("a", arm="coolant_degC < 20", rise_rate=math.inf)
    assert found(cal(row, a__to=20.0), "jump")[0].figure == 80.0
    assert not found(cal(replace(row, rise_rate=20.0), a__to=20.0), "jump")
    assert not found(cal(row, a__to=90.0), "jump")
    thrown = limit("b", side="floor", rise_rate=math.inf)
    assert found(cal(thrown, b__to=40.0), "jump")
    assert not found(cal(thrown, b__to=4.0), "jump")


def test_slow_give_back() -> None:
    assert found(cal(limit("a", rise_rate=1.0), a__to=20.0), "slow_give_back")[0].figure == 80.0
    assert not found(cal(limit("a", rise_rate=5.0), a__to=20.0), "slow_give_back")


def test_sensor_lost() -> None:
    """A lost coolant sensor reads -40 degC: a hot limit is then free, a cold one is not."""
    hot = limit("hot", law="table", x="coolant_degC", table="hot_plate")
    plate = table("hot_plate", "%", ("coolant_degC", "degC", [100.0, 120.0]), values=[100.0, 30.0])
    assert [f.severity for f in found(cal(hot, plate), "sensor_lost")] == ["warning"]
    backed = cal(hot, plate, *cold([0.0, 80.0], [30.0, 100.0]))
    assert [f.severity for f in found(backed, "sensor_lost")] == ["note"]
    assert not found(cal(*cold([0.0, 80.0], [30.0, 100.0])), "sensor_lost")
    fuel = limit("e", law="table", x="ethanol_pct", table="e_plate")
    careful = table("e_plate", "%", ("ethanol_pct", "%", [0.0, 85.0]), values=[70.0, 100.0])
    assert not found(cal(fuel, careful), "sensor_lost")
    trusting = table("e_plate", "%", ("ethanol_pct", "%", [0.0, 85.0]), values=[100.0, 70.0])
    assert found(cal(fuel, trusting), "sensor_lost")[0].figure == -1.0


def test_odd_number() -> None:
    assert found(cal(limp_rpm=250000.0), "odd_number")
    assert not found(cal(limp_rpm=3000.0), "odd_number")
    held = limit("a", law="timed", arm="brake_1 > 0")
    assert found(cal(held, a__to=50.0, a__hold_s=300.0), "odd_number")
    assert not found(cal(held, a__to=50.0, a__hold_s=0.3), "odd_number")


def test_partial_fuel_cut() -> None:
    row = limit("a", output="fuel_cut", side="floor", rise_rate=math.inf, arm="engine_rpm > 6000")
    row = replace(row, hysteresis=100.0)
    assert found(cal(row, a__to=0.5), "partial_fuel_cut")[0].severity == "warning"
    boost = Known(charged=True)
    assert found(cal(row, a__to=0.5), "partial_fuel_cut", boost)[0].severity == "error"
    calm = replace(row, arm="engine_rpm > 6000 and map_kPa < 60")
    assert found(cal(calm, a__to=0.5), "partial_fuel_cut", boost)[0].severity == "warning"
    assert not found(cal(row, a__to=1.0), "partial_fuel_cut", boost)


def test_retard() -> None:
    row = limit("a", output="retard", side="floor")
    assert found(cal(row, a__to=20.0), "retard")
    assert not found(cal(row, a__to=12.0), "retard")
    short = replace(row, law="timed", arm="shift_1 > 0")
    assert not found(cal(short, a__to=20.0, a__hold_s=0.1), "retard")
    assert found(cal(short, a__to=30.0, a__hold_s=0.1), "retard")


def test_cuts() -> None:
    cut = Reaction("plate", "tracking", 5.0, 0.3, "cut", "key", "a rule book")
    assert found(cal(cut), "cut_alone")
    assert not found(cal(cut, replace(cut, fault="b", reaction="fuel_off")), "cut_alone")
    assert found(cal(replace(cut, time_s=5.0)), "cut_late")
    assert not found(cal(cut), "cut_late")
    assert found(cal(limit("a"), a__to=50.0), "cut_alone")  # not one reaction


def test_ceiling_under_floor() -> None:
    air = table("air", "%", ("coolant_degC", "degC", [-20.0, 80.0]), values=[12.0, 3.0])
    floor = limit("idle", side="floor", law="table", x="coolant_degC", table="air")
    low = cold([-30.0, 80.0], [8.0, 100.0])
    (f,) = found(cal(floor, air, *low), "ceiling_under_floor")
    assert f.severity == "error"
    assert f.figure == pytest.approx(4.0)
    assert "coolant_degC -30 degC" in f.at
    fine = cold([-30.0, 80.0], [13.0, 100.0])
    assert not found(cal(floor, air, *fine), "ceiling_under_floor")
    said = replace(low[0], reason="goes below the idle floor: it must not run so cold")
    assert found(cal(floor, air, said, low[1]), "ceiling_under_floor")[0].severity == "note"
    # where both never act together there is nothing to say
    apart = cal(
        replace(floor, arm="pedal_pct < 2"), air, replace(low[0], arm="pedal_pct > 10"), low[1]
    )
    assert not found(apart, "ceiling_under_floor")
    # above idle speed it is no stall
    fast = cal(floor, air, replace(low[0], arm="engine_rpm > 4000"), low[1])
    assert found(fast, "ceiling_under_floor")[0].severity == "warning"


def test_boost_at_idle_speed_is_no_place_to_look_at() -> None:
    floor = limit("idle", side="floor", arm="engine_rpm < 1000", hysteresis=50.0)
    ceiling = limit("over", arm="map_kPa > 240", hysteresis=3.0)
    assert not found(cal(floor, ceiling, idle__to=5.0, over__to=2.0), "ceiling_under_floor")
    thin = replace(ceiling, arm="map_kPa > 60")
    assert found(cal(floor, thin, idle__to=5.0, over__to=2.0), "ceiling_under_floor")


def _loop(name: str, side: str, **more: Any) -> Limit:
    return limit(name, law="pi", side=side, x="engine_rpm", **more)


def test_two_loops() -> None:
    given = {"a__kp": 0.01, "a__ki": 0.02, "b__kp": 0.01, "b__ki": 0.02}
    fight = (_loop("a", "floor"), _loop("b", "ceiling"))
    (f,) = found(cal(*fight, a__setpoint=1200.0, b__setpoint=1000.0, **given), "two_loops")
    assert (f.severity, f.figure) == ("error", 200.0)
    assert not found(cal(*fight, a__setpoint=1200.0, b__setpoint=3000.0, **given), "two_loops")
    both = (_loop("a", "ceiling"), _loop("b", "ceiling"))
    assert found(cal(*both, a__setpoint=3000.0, b__setpoint=2500.0, **given), "two_loops")
    apart = (_loop("a", "ceiling", arm="pit_1 > 0.5"), _loop("b", "ceiling", arm="pit_1 < 0.5"))
    assert not found(cal(*apart, a__setpoint=3000.0, b__setpoint=2500.0, **given), "two_loops")


def test_limit_cycle_of_one_row() -> None:
    row = limit("a", output="fuel_cut", side="floor", rise_rate=math.inf, arm="map_kPa > 260")
    (f,) = found(cal(row, a__to=1.0), "limit_cycle")
    assert f.figure == 0.0
    assert not found(cal(replace(row, hysteresis=5.0), a__to=1.0), "limit_cycle")
    # coolant does not move while fuel is cut: no cycle
    slow = replace(row, arm="coolant_degC > 115")
    assert not found(cal(slow, a__to=1.0), "limit_cycle")


def test_limit_cycle_of_two_rows() -> None:
    shut = limit("shut", arm="engine_rpm > 3000", hysteresis=300.0)
    hold = limit("hold", side="floor", arm="engine_rpm < 2800", hysteresis=100.0)
    given = {"shut__to": 10.0, "hold__to": 20.0}
    (f,) = found(cal(shut, hold, **given), "limit_cycle")
    assert f.figure == pytest.approx(100.0)
    parted = replace(hold, arm="engine_rpm < 2500")
    assert not found(cal(shut, parted, **given), "limit_cycle")


@pytest.mark.parametrize("seed", range(20))
def test_foreign_tables_never_end_in_a_traceback(seed: int) -> None:
    """Random tables of any shape, names and axes, and rows that read them where they can."""
    rng = np.random.default_rng(seed)
    tables = []
    for k in range(6):
        axes = []
        for name, unit in (("pedal", "%"), ("rpm", "rpm"), ("x", ""), ("coolant_degC", "degC")):
            if rng.random() < 0.5 and len(axes) < 2:
                points = np.sort(rng.normal(50.0, 200.0, int(rng.integers(1, 5))))
                axes.append((name, unit, list(np.unique(points))))
        axes = axes or [("coolant_degC", "degC", [float(rng.normal())])]
        values = rng.normal(50.0, 400.0, [len(a[2]) for a in axes])
        tables.append(table(f"t_{k}", str(rng.choice(["%", "deg", ""])), *axes, values=values))
    rows = [
        limit(
            f"r_{k}", law=law, x=x, table="t_0" if law in ("table", "model") else "",
            side=str(rng.choice(["floor", "ceiling"])), arm=arm,
            output=str(rng.choice(["plate", "retard", "fuel_cut", "wastegate"])),
        )
        for k, (law, x, arm) in enumerate(
            [("table", "coolant_degC", ""), ("model", "engine_rpm", "map_kPa > 1e9"),
             ("pi", "slip_1", "gear_1 >= 2"), ("ramp", "", "pedal_pct < -5"), ("timed", "", "")]
        )
    ]  # fmt: skip
    for calibration in (
        Calibration({t.name: t for t in tables}),
        Calibration({t.name: t for t in tables}, limits=tuple(rows)),
        Calibration({}),
    ):
        said = lint_calibration(calibration)
        assert "runs" in {f.rule for f in said}
