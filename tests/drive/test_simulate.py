"""One run from a scenario to a recording."""

from __future__ import annotations

import math

import numpy as np
import pytest
from drive_bench import calibrated, moving, scenario

from throttlewright.car.state import COOLANT, OMEGA, SPEED
from throttlewright.drive import simulate as simulation
from throttlewright.drive.channels import IN_HELD_SPEED
from throttlewright.drive.driver import P_ACTIVE, P_DELAY, P_STEP
from throttlewright.drive.faults import F_PLATE_STUCK, InjectedFault
from throttlewright.drive.kernel import ROW_WIDTH, T_KEY
from throttlewright.drive.simulate import prepare, run_rows, simulate, stride_of

TIP_IN = "tip_in@2500rpm"
STUCK = InjectedFault(kind="plate_stuck", at="1.05 s")


def test_settling_comes_before_the_recording_and_holds_the_speed() -> None:
    made = prepare(moving(), calibrated(), scenario(TIP_IN), faults=[STUCK])
    start = scenario(TIP_IN).start
    assert made.settle == round(start.settle * 1e3)
    assert made.ticks == round(scenario(TIP_IN).duration * 1e3)
    table = made.inputs.table
    assert table.shape[0] == made.settle + made.ticks
    assert np.all(table[: made.settle, IN_HELD_SPEED] == 1.0)
    assert np.all(table[made.settle :, IN_HELD_SPEED] == 0.0)
    # the fault sets in by the clock of the recording
    assert made.inputs.faults[0].tolist() == [F_PLATE_STUCK, made.settle + 1050.0,
                                              made.settle + made.ticks - 1.0, 1.0]  # fmt: skip
    assert made.inputs.window.tolist() == [made.settle, 1.0]


def test_a_long_run_keeps_fewer_rows_and_says_so(monkeypatch: pytest.MonkeyPatch) -> None:
    long = scenario(TIP_IN).model_copy(update={"duration": 600.001, "fault": ()})
    assert stride_of(long) == 2
    assert stride_of(long.model_copy(update={"duration": 600.0})) == 1
    assert stride_of(long.model_copy(update={"duration": 3600.0})) == 6
    short = scenario(TIP_IN).model_copy(update={"duration": 3.0})
    whole = simulate(moving(), calibrated(), short)
    assert "stride" not in whole.meta
    monkeypatch.setattr(simulation, "MOST_ROWS", 1000)
    thin = simulate(moving(), calibrated(), short)
    assert thin.meta["stride"] == 3
    assert "one row in 3" in str(thin.meta["note"])
    for name in ("engine_rpm", "plate_pct"):
        kept, every = thin.channel(name), whole.channel(name)
        assert kept.values.size == 1000
        assert np.array_equal(kept.t_s, every.t_s[::3])
        assert np.array_equal(kept.values, every.values[::3])


def test_start_is_that_of_the_scenario() -> None:
    made = prepare(moving(), calibrated(), scenario(TIP_IN))
    x, car = made.state["x"], moving().record
    assert x[OMEGA] == pytest.approx(2500.0 * math.pi / 30.0, rel=1e-9)
    ratio = float(car["ratios"][2] * car["final_drive"])
    assert x[SPEED] == pytest.approx(x[OMEGA] / ratio * float(car["tyre_radius"]), rel=1e-9)
    assert x[COOLANT] == scenario(TIP_IN).start.coolant


def test_the_driver_of_the_scenario_is_packed_in_ticks_and_percent() -> None:
    made = prepare(moving(), calibrated(), scenario("corner_exit"))
    driver = scenario("corner_exit").driver
    assert driver is not None
    assert made.inputs.driver[P_ACTIVE] == 1.0
    assert made.inputs.driver[P_DELAY] == round(driver.reaction_delay * 1e3)
    travel = moving().build.pedal.travel
    share = driver.pedal_resolution / travel
    assert made.inputs.driver[P_STEP] == pytest.approx(100.0 * share)
    # a millimetre of 40 to 60 mm of travel
    assert 0.5 < made.inputs.driver[P_STEP] < 5.0


def test_key_of_the_noise_tells_seed_and_variation_apart() -> None:
    def key(seed: int, variation: int) -> float:
        made = prepare(moving(), calibrated(), scenario(TIP_IN), seed=seed, variation=variation)
        return float(made.state["clock"][T_KEY])

    assert len({key(0, 0), key(0, 1), key(1, 0), key(1, 1)}) == 4


def test_a_run_leaves_what_was_prepared_alone_and_repeats_itself() -> None:
    made = prepare(moving(), calibrated(), scenario(TIP_IN))
    before = made.state.tobytes()
    one = run_rows(moving(), calibrated(), made)
    rows = np.full_like(one, np.nan)
    two = run_rows(moving(), calibrated(), made, rows=rows)
    assert two is rows
    assert one.tobytes() == two.tobytes()
    assert one.shape == (made.ticks, ROW_WIDTH)
    assert made.state.tobytes() == before


def test_stride_thins_the_rows() -> None:
    full = run_rows(moving(), calibrated(), prepare(moving(), calibrated(), scenario(TIP_IN)))
    made = prepare(moving(), calibrated(), scenario(TIP_IN), stride=7)
    thin = run_rows(moving(), calibrated(), made)
    assert thin.tobytes() == np.ascontiguousarray(full[::7]).tobytes()


def test_a_foot_going_down_opens_the_plate_and_pushes_the_car() -> None:
    rec = simulate(moving(), calibrated(), scenario(TIP_IN))
    value = {name: channel.values for name, channel in rec.channels.items()}
    assert value["pedal_pct"][900] == pytest.approx(5.0)
    assert value["pedal_pct"][1500] == pytest.approx(60.0)
    assert value["plate_pct"][900] < 12.0
    assert value["plate_pct"][2000] == pytest.approx(value["plate_target_pct"][2000], abs=2.0)
    assert value["map_kPa"][1500] > value["map_kPa"][900] + 20.0
    assert value["acceleration_m_s2"][1500:].mean() > value["acceleration_m_s2"][:900].mean() + 0.5
    assert value["speed_m_s"][-1] > value["speed_m_s"][900]
    assert rec.meta["scenario"] == TIP_IN
    assert rec.meta["faults"] == []


def test_an_injected_fault_shows_from_its_tick_on() -> None:
    healthy = simulate(moving(), calibrated(), scenario(TIP_IN))
    stuck = simulate(moving(), calibrated(), scenario(TIP_IN), faults=[STUCK])
    a, b = (rec.channels["plate_pct"].values for rec in (healthy, stuck))
    assert np.array_equal(a[:1050], b[:1050])
    assert np.ptp(b[1051:]) < 1e-9
    assert a[1500] > b[1500] + 10.0
    assert stuck.meta["faults"] == ["plate_stuck"]
    assert next(e for e in stuck.events if e.name == "fault").t_s == pytest.approx(1.05)
