"""The order of command is the one that drove: bounds, target and who was in charge, bit for bit."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
from drive_bench import TURBO, moving, scenario

from throttlewright.build.catalogue import load_example_intent
from throttlewright.calibration import places as p
from throttlewright.calibration.calibration import Calibration, Number
from throttlewright.calibration.limits import Limit
from throttlewright.calibration.pack import pack_calibration
from throttlewright.calibration.table import Axis, Table
from throttlewright.design.reactions import typical_reactions
from throttlewright.design.roles import all_rows
from throttlewright.drive import command
from throttlewright.drive.command import Command, command_of
from throttlewright.drive.faults import InjectedFault
from throttlewright.drive.kernel import CAR, ROW_WIDTH, advance, copied_state
from throttlewright.drive.scenario import Scenario
from throttlewright.drive.simulate import prepare, simulate


@cache
def held() -> Calibration:
    car, intent = moving(), load_example_intent(TURBO).intent
    rows = all_rows(car, intent)
    rpm = Axis("engine_rpm", "rpm", [800.0, 7000.0])
    pedal = Axis("pedal_pct", "%", [0.0, 50.0, 100.0])
    meaning = "plate 0 closed stop, 100 open stop; pedal 0 released, 100 full"
    tables = {t.name: t for t in rows.tables}
    for mode in intent.mode:
        name = f"plate_over_pedal_{mode}"
        values = np.array([[1.0, 50.0, 100.0]] * 2)
        tables[name] = Table(name, "plate", "%", (rpm, pedal), values, percent_meaning=meaning)
    # a row that moves the ignition, with a time of its own
    later = Limit(
        "later", "retard", "floor", "timed", arm="pedal_pct > 40", rise_rate=40.0, fall_rate=20.0,
        reason="test", source="test",
    )  # fmt: skip
    numbers = rows.numbers | {
        "rev_limit_rpm": Number(car.limit * 30.0 / np.pi, "rpm", "build"),
        "later.to": Number(8.0, "deg", "test"),
        "later.hold_s": Number(0.4, "s", "test"),
    }
    return Calibration(tables, numbers, (*rows.limits, later), typical_reactions(car, intent))


def short(name: str, duration: float) -> Scenario:
    return scenario(name).model_copy(update={"duration": duration})


def fault(kind: str, at: str, severity: float) -> InjectedFault:
    return InjectedFault.model_validate({"kind": kind, "at": at, "severity": severity})


@cache
def overboost() -> Command:
    return command_of(moving(), held(), short("overboost_stuck_wastegate", 4.0))


CASES = {
    "overboost": ("overboost_stuck_wastegate", 4.0, ()),
    "engine off and settled by nobody": ("cold_drive_off", 3.0, ()),
    "restart": ("overrun_return", 3.0, (fault("controller_reset", "1 s", 0.2),)),
    "key off": ("key_off_full_open", 3.0, ()),
}


@pytest.mark.parametrize("case", CASES)
def test_replay_gives_what_the_run_gave(case: str) -> None:
    name, duration, faults = CASES[case]
    what = short(name, duration)
    run = simulate(moving(), pack_calibration(held()), what, faults=faults)
    got = command_of(moving(), held(), what, faults=faults)
    for channel, values in (
        ("plate_target_pct", got.target),
        ("demand_pct", got.demand),
        ("plate_measured_pct", got.plate),
        ("in_charge_plate_1", got.in_charge["plate"].astype(float)),
        ("in_charge_retard_1", got.in_charge["retard"].astype(float)),
        ("in_charge_fuel_1", got.in_charge["fuel_cut"].astype(float)),
        ("in_charge_wastegate_1", got.in_charge["wastegate"].astype(float)),
        ("retard_deg", got.given["retard"]),
        ("fuel_cut_1", got.given["fuel_cut"]),
        ("bleed_pct", got.given["wastegate"]),
    ):
        assert np.array_equal(run.channel(channel).values, values), channel
    assert np.array_equal(run.channel("demand_pct").t_s, got.t_s)


def test_bounds_are_those_of_a_live_controller() -> None:
    """Stopped at any tick, the memory of the controller that drives holds the same bounds."""
    what = short("overboost_stuck_wastegate", 4.0)
    packed = pack_calibration(held())
    prepared = prepare(moving(), packed, what)
    state = copied_state(prepared.state)
    nothing = np.empty((0, ROW_WIDTH))
    done, seen = 0, 0
    for tick in (0, 1, 637, 1203, 2411, 2750, 3999):
        ahead = prepared.settle + tick + 1 - done
        advance(CAR, moving().record, packed, state, prepared.inputs, ahead, nothing)
        done += ahead
        for k, row in enumerate(overboost().rows):
            at = p.M_ROWS + k * p.K_WIDTH
            assert state["strategy"][at + p.K_BOUND] == row.bound[tick], (row.name, tick)
            live = state["strategy"][at + p.K_ARMED] > 0.5 or (
                row.name == "later" and state["strategy"][at + p.K_HOLD] > 0.0
            )
            assert live == row.armed[tick], (row.name, tick)
            seen += bool(row.active[tick])
    assert seen > 10


def _wanted(got: Command, output: str, own: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    value, by = own.copy(), np.zeros(own.size, dtype=np.int64)
    for side, better in (("floor", np.greater), ("ceiling", np.less)):
        for row in got.rows:
            if row.output == output and row.side == side:
                wins = better(row.bound, value)
                value = np.where(wins, row.bound, value)
                by = np.where(wins, row.code, by)
    return value, by


def test_target_is_the_least_ceiling_over_the_greatest_floor() -> None:
    got = overboost()
    wanted, by = _wanted(got, "plate", got.let_through)
    rise = held().numbers.get("plate_rise_pct_s")
    assert rise is None or rise.value > 0.0
    still = np.concatenate(([False], np.abs(np.diff(got.target)) < 0.2))
    exact = np.mean(got.target[still] == np.clip(wanted[still], 0.0, 100.0))
    assert exact > 0.99, exact
    assert np.array_equal(by, got.in_charge["plate"])
    assert {row.name for row in got.rows if np.any(by == row.code)} >= {"overboost_ahead"}
    retard, who = _wanted(got, "retard", np.zeros(got.t_s.size))
    assert np.array_equal(retard, got.given["retard"])
    assert np.array_equal(who, got.in_charge["retard"])
    assert retard.max() > 0.0


def test_a_timed_row_is_armed_while_its_time_runs() -> None:
    row = next(r for r in overboost().rows if r.name == "later")
    on = np.flatnonzero(row.armed)
    assert on[0] > 0
    assert row.bound[on[0] - 1] == 0.0
    assert row.active[on[0]]


def test_nothing_is_bounded_while_the_controller_sleeps() -> None:
    name, duration, faults = CASES["restart"]
    got = command_of(moving(), held(), short(name, duration), faults=faults)
    asleep = (got.t_s >= 1.0) & (got.t_s < 1.2)
    for row in got.rows:
        assert np.all(np.isnan(row.bound[asleep]))
        assert not row.active[asleep].any()
        assert np.all(np.isfinite(row.bound[~asleep]))


def test_a_forgotten_restart_does_not_pass(monkeypatch) -> None:
    name, duration, faults = CASES["restart"]
    monkeypatch.setattr(command, "_resets", lambda schedule, first, count: np.zeros(count))
    with pytest.raises(AssertionError, match="replayed"):
        command_of(moving(), held(), short(name, duration), faults=faults)


def test_chunks_leave_no_seam(monkeypatch) -> None:
    monkeypatch.setattr(command, "_CHUNK", 331)
    again = command_of(moving(), held(), short("overboost_stuck_wastegate", 4.0))
    for one, other in zip(again.rows, overboost().rows, strict=True):
        assert np.array_equal(one.bound, other.bound, equal_nan=True)
