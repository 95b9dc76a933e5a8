"""Blip: energy by hand, margins, gears that would over-rev, and the run it makes."""

from __future__ import annotations

import math
from functools import cache

import numpy as np
import pytest

from throttlewright.build.catalogue import load_example, load_example_intent
from throttlewright.build.intent import Intent
from throttlewright.build.intent_roles import Blip
from throttlewright.calibration.calibration import Calibration
from throttlewright.calibration.pack import pack_calibration
from throttlewright.calibration.table import Axis, Table
from throttlewright.car.motion import in_motion
from throttlewright.car.pack import Car, pack
from throttlewright.car.record import BoostState
from throttlewright.car.surface import evaluate
from throttlewright.design.blip import LONGEST, blip, blip_plants, highest_speed, step_torque
from throttlewright.design.idle import idle
from throttlewright.design.margins import Controller, worst
from throttlewright.design.rows import Rows, merged
from throttlewright.design.servo import servo
from throttlewright.drive.scenario import load_scenario
from throttlewright.drive.simulate import simulate
from throttlewright.prove.figures_shift import FIGURES
from throttlewright.recording.recording import Recording

EXAMPLES = ("hillclimb_20t", "trackday_16", "v8_48_itb")
RPM = math.pi / 30.0


@cache
def asked(name: str) -> tuple[Car, Intent, Rows]:
    car = in_motion(pack(load_example(name).build))
    intent = load_example_intent(name).intent.model_copy(update={"blip": Blip()})
    return car, intent, blip(car, intent)


@cache
def driven(name: str, with_role: bool) -> Recording:
    """The downshift, with servo and idle and no reactions: what the rows do, and nothing else."""
    car, intent, rows = asked(name)
    both = merged((servo(car, intent), idle(car, intent), *((rows,) if with_role else ())))
    demand = Table(
        "plate_over_pedal_dry",
        "plate opening",
        "%",
        (Axis("engine_rpm", "rpm", [800.0, 7000.0]), Axis("pedal_pct", "%", [0.0, 100.0])),
        [[0.0, 100.0], [0.0, 100.0]],
        percent_meaning="plate from stop to stop, pedal from released to full",
    )
    tables = {t.name: t for t in (*both.tables, demand)}
    made = Calibration(tables, both.numbers, both.limits, ())
    return simulate(car, pack_calibration(made), load_scenario("blip_downshift"))


def test_the_work_of_the_run_up_is_the_step_in_kinetic_energy() -> None:
    car, _, _ = asked("hillclimb_20t")
    before, after = 3500.0 * RPM, 5000.0 * RPM
    torque = step_torque(car, before, after, time=0.25)
    # the torque is what is left after friction, so the drag work is the engine's own besides
    inertia = float(car.record["engine_inertia"])
    energy = 0.5 * inertia * (after**2 - before**2)
    run = inertia * (after - before) / torque
    assert torque * 0.5 * (before + after) * run == pytest.approx(energy)
    assert energy == pytest.approx(0.5 * 0.14 * (523.599**2 - 366.519**2), rel=1e-4)
    assert run < 0.25 - 0.06
    w = 0.5 * (before + after)
    drag = float(car.over_speed("friction", np.array([w]))[0]) * w * run
    found = evaluate(car, np.array([w]), np.array([[car.psi_open]]), state=BoostState.INSTANT)[0]
    assert (energy + drag) / run > torque * w
    assert float(found["torque"][0, 0]) > 0.0


@pytest.mark.parametrize("name", EXAMPLES)
def test_the_loop_keeps_its_margins_at_every_speed(name: str) -> None:
    car, _, rows = asked(name)
    hold = next(t for t in rows.tables if t.name == "blip_plate").values
    slope = np.array([-20000.0, 20000.0])
    kp = rows.numbers["blip_hold.kp"].value
    lead = float((hold[0, 0] - hold[1, 0]) / (slope[1] - slope[0]) / kp)
    found = worst(blip_plants(car), Controller(kp, 0.0, lead, 0.02))
    assert found.stable
    assert found.phase_deg >= 45.0
    assert found.gain >= 2.0


@pytest.mark.parametrize("name", EXAMPLES)
def test_the_target_is_the_lower_gear_and_never_over_the_limit(name: str) -> None:
    car, _, rows = asked(name)
    table = next(t for t in rows.tables if t.name == "blip_speed")
    assert table.values.max() <= car.limit / RPM - 199.0
    speeds = np.asarray(table.axes[0].values)
    rec = car.record
    for gear in range(2, int(rec["gears"]) + 1):
        top = highest_speed(car, gear)
        ratio = float(rec["ratios"][gear - 2] * rec["final_drive"])
        wanted = 0.5 * top * ratio / float(rec["tyre_radius"]) / RPM
        assert np.interp(0.5 * top, speeds, table.values[:, gear]) == pytest.approx(
            wanted, rel=1e-3
        )
        assert np.interp(top + 0.1, speeds, table.values[:, gear]) == 0.0
    assert np.all(table.values[:, :2] == 0.0)


@pytest.mark.parametrize("name", EXAMPLES)
def test_the_speeds_meet_and_the_plate_is_not_open_for_long(name: str) -> None:
    car, intent, _ = asked(name)
    plain, helped = driven(name, False), driven(name, True)
    error = FIGURES["blip_speed_error"]
    assert error(plain, car, intent).value < -1000.0
    assert error(helped, car, intent).good
    assert FIGURES["over_demand_time"](helped, car, intent).value <= LONGEST
    jolt = FIGURES["blip_jolt"]
    assert jolt(helped, car, intent).value < 0.6 * jolt(plain, car, intent).value


def test_every_row_acts_for_half_a_second_at_most_and_only_with_the_clutch_open() -> None:
    _, _, rows = asked("trackday_16")
    for row in rows.limits:
        assert "clutch_1 < 0.5" in row.arm
        assert rows.numbers[f"{row.name}.within_s"].value <= LONGEST


def test_one_gear_is_refused_and_no_wish_gives_nothing() -> None:
    car, intent, _ = asked("trackday_16")
    assert blip(car, intent.model_copy(update={"blip": None})) == Rows()
    line = car.build.driveline.model_copy(update={"ratios": (1.0,)})
    single = pack(car.build.model_copy(update={"driveline": line}))
    assert "one gear" in blip(single, intent).refused
