"""The role idle driven: band, dip, hand-over, dashpot, braking and leak on the example cars."""

from __future__ import annotations

import os

import numpy as np
import pytest
from idle_bench import (
    EXAMPLES,
    RPM,
    calibrated,
    changed,
    driven,
    idling,
    moving,
    rows_of,
    values,
    wanted,
    with_gap,
)

from throttlewright.build.intent_roles import Idle
from throttlewright.calibration.reactions import ACTIONS
from throttlewright.car.motion import in_motion
from throttlewright.car.pack import with_site, with_variation
from throttlewright.design.idle import after_start_target, idle
from throttlewright.design.idle_drag import overrun_opening
from throttlewright.design.servo import least_target
from throttlewright.drive.faults import InjectedFault
from throttlewright.drive.scenario import load_scenario

FULL = os.environ.get("THROTTLEWRIGHT_EFFORT", "small") == "full"
LEAK = "leak behind the plate or a dirty stop"
BAND, DIP = 25.0, 120.0


def _varied(name: str):
    car = moving(name)
    yield "as built", car
    yield "inertia -20 %", changed(car, engine_inertia=0.8)
    yield "leak +30 %", changed(car, leak_area=1.3)
    if not FULL:
        return
    yield "VE -10 %", with_variation(car, ve=0.9)
    yield "VE +10 %", with_variation(car, ve=1.1)
    yield "inertia +20 %", changed(car, engine_inertia=1.2)
    yield "leak -30 %", changed(car, leak_area=0.7)
    yield "at 2000 m", in_motion(with_site(car, altitude=2000.0, temperature=280.0, humidity=0.3))


@pytest.mark.parametrize("name", EXAMPLES)
def test_holds_its_band_and_a_known_load(name: str) -> None:
    for case, car in _varied(name):
        t, rpm = values(driven(name, "idle_known_load", car), "engine_rpm")
        off = rpm - moving(name).idle * RPM
        assert np.abs(off[(t > 2.0) & (t < 3.0)]).max() <= BAND, case
        assert np.abs(off[(t > 7.0) & (t < 9.0)]).max() <= BAND, case
        assert np.abs(off[t > 13.0]).max() <= BAND, case
        assert -off[(t > 3.0) & (t < 9.0)].min() <= DIP, case


def test_a_load_that_says_nothing_costs_more_but_does_not_stall() -> None:
    name = "trackday_16"
    silent = idling(12.0, load_Nm=((0.0, 3.0), (0.0, 15.0)))
    t, rpm = values(driven(name, silent), "engine_rpm")
    off = rpm - moving(name).idle * RPM
    # filling and delay alone cost more than the reserve of ignition gives back
    assert DIP < -off.min() < 300.0
    assert np.abs(off[t > 10.0]).max() <= BAND


@pytest.mark.parametrize("name", EXAMPLES)
def test_raised_after_a_cool_start(name: str) -> None:
    car = moving(name)
    run = driven(name, "idle_after_start")
    t, rpm, coolant = values(run, "engine_rpm", "coolant_degC")
    since = t - t[np.flatnonzero(rpm > 400.0)[0]]
    target = after_start_target(car, Idle(), coolant, since)
    assert target[int(np.searchsorted(since, 5.0))] > target[-1] + 30.0
    assert np.abs(rpm - target)[since > 5.0].max() <= BAND
    assert rpm.max() < target.max() + 250.0


@pytest.mark.parametrize("name", EXAMPLES)
def test_hand_over_to_and_from_the_pedal_without_a_step(name: str) -> None:
    foot = idling(9.0, pedal_pct=((0.0, 3.0, 4.0, 5.0, 6.0), (0.0, 0.0, 6.0, 6.0, 0.0)))
    run = driven(name, foot)
    t, target, demand, rpm = values(run, "plate_target_pct", "demand_pct", "engine_rpm")
    mine = target > demand + 0.02
    both = mine[1:] & mine[:-1] & (t[1:] > 1.0)
    step = np.abs(np.diff(target))
    # the target moves where the demand's own steps, of the pedal's converter, do not move it
    assert both.any()
    assert step[both].max() <= 0.05
    over = np.diff(mine.astype(int)) != 0
    own = np.abs(np.diff(demand))
    assert np.all(step[over & (t[1:] > 1.0)] <= own[over & (t[1:] > 1.0)] + 0.05)
    assert moving(name).idle * RPM - rpm[t > 3.0].min() < 100.0
    assert np.abs(rpm[-500:] - moving(name).idle * RPM).max() < BAND


@pytest.mark.parametrize("name", EXAMPLES)
def test_overrun_and_back_without_a_stall(name: str) -> None:
    t, rpm, cut = values(driven(name, "overrun_return"), "engine_rpm", "fuel_cut_1")
    assert cut[(t > 1.5) & (t < 5.0)].min() == 1.0
    assert cut[t > 9.0].max() == 0.0
    assert moving(name).idle * RPM - rpm.min() < 100.0


def test_the_plate_never_rests_on_its_stop() -> None:
    for name in EXAMPLES:
        run = driven(name, "overrun_return")
        _, target = values(run, "plate_target_pct")
        assert target.min() >= least_target(moving(name)) - 1e-9


def test_dashpot_shapes_the_last_opening_but_not_under_the_brake() -> None:
    name = "trackday_16"
    lift = load_scenario("overrun_return")
    free = tuple(i for i in lift.input if i.channel != "brake_pct")
    opening = {}
    for case, inputs, more in (
        ("with", free, {"dashpot": 1.0}),
        ("without", free, {"dashpot": 0.0}),
        ("braked", lift.input, {"dashpot": 3.0}),
        ("braked, none", lift.input, {"dashpot": 0.0}),
    ):
        run = driven(name, lift.model_copy(update={"input": inputs, "duration": 14.0}), **more)
        opening[case] = values(run, "plate_target_pct")
    t = opening["with"][0]
    early, late = (t > 0.8) & (t < 1.0), (t > 2.0) & (t < 4.0)
    assert opening["with"][1][early].min() > opening["without"][1][early].max() + 0.2
    assert opening["with"][1][late].max() == pytest.approx(opening["without"][1][late].max())
    braked = (t > 1.6) & (t < 4.0)
    assert opening["braked"][1][braked].max() == pytest.approx(
        opening["braked, none"][1][braked].max()
    )


def test_engine_braking_opens_less_than_drives_and_says_what_air_cannot() -> None:
    name = "hillclimb_20t"
    rows = rows_of(name, engine_braking=0.7)
    row = next(limit for limit in rows.limits if limit.name == "idle_braking")
    assert (row.x, row.y) == ("engine_rpm", "gear_1")
    table = next(t for t in rows.tables if t.name == "idle_braking_air")
    assert np.all(table.values[0] == 0.0)
    assert table.values[1:].min() > 0.0
    assert any("friction" in note for note in rows.notes)
    lift = load_scenario("overrun_return")
    lift = lift.model_copy(
        update={"input": tuple(i for i in lift.input if i.channel != "brake_pct")}
    )
    drag = []
    for share in (1.0, 0.7):
        t, torque, rpm = values(driven(name, lift, engine_braking=share), "torque_Nm", "engine_rpm")
        coasting = (t > 2.0) & (t < 4.0)
        assert torque[(t > 1.2) & (t < 5.9)].max() < 0.0
        assert moving(name).idle * RPM - rpm.min() < 100.0
        drag.append(-float(torque[coasting].mean()))
    assert 0.9 < drag[1] / drag[0] < 0.98
    # pumping at most: the unfuelled drag that is left, by the car model
    _, left = overrun_opening(moving(name), 3500.0 / RPM, 0.7)
    assert left > 0.9
    assert not any(limit.name == "idle_braking" for limit in rows_of(name).limits)


def _told(run, name: str) -> bool:
    """Whether the leak row alone was confirmed: a note, which leaves the fuel as it is."""
    _, detected = values(run, "detected_1")
    return bool(detected.max() > 0.0)


@pytest.mark.parametrize(("name", "mm2"), [("hillclimb_20t", 14.0), ("trackday_16", 10.0)])
def test_a_leak_is_told(name: str, mm2: float) -> None:
    scenario = load_scenario("idle_leak").model_copy(
        update={"fault": (InjectedFault(kind="leak_after_plate", at="3 s", severity=mm2),)}
    )
    faults = [r.fault for r in calibrated(name).reactions]
    assert faults[-1] == LEAK
    run = driven(name, scenario)
    t, rpm, action = values(run, "engine_rpm", "action_1")
    assert _told(run, name)
    # the check of air against plate may find it as well, and then bounds the speed by fuel
    caught = int(action.max()) == 1 << ACTIONS.index("fuel_speed")
    assert caught or int(action.max()) == 1
    assert caught or rpm[t > 8.0].max() > moving(name).idle * RPM + 300.0


HEALTHY = ("overrun_return", "idle_after_start", "idle_known_load", "cold_drive_off")


@pytest.mark.parametrize("scenario", HEALTHY if FULL else HEALTHY[:2])
@pytest.mark.parametrize("name", EXAMPLES)
def test_a_healthy_engine_has_no_leak(name: str, scenario: str) -> None:
    assert not _told(driven(name, scenario), name)


def test_rows_and_notes_of_a_plate_that_cannot() -> None:
    car = with_gap("hillclimb_20t", 120e-6)
    rows = idle(car, wanted("hillclimb_20t"))
    assert any("um or less" in note for note in rows.notes)
    assert not rows_of("hillclimb_20t").notes
