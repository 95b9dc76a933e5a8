"""Figures of the roles that take torque away, on runs made up here and on simulated ones."""

from __future__ import annotations

import math
import sys
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "design"))
from reduction_cars import SECTIONS, calibrated, intent_of, moving, rows_of

from throttlewright.calibration.pack import pack_calibration
from throttlewright.car.surface import evaluate
from throttlewright.design.role import without
from throttlewright.design.roles import ROLES
from throttlewright.drive.faults import InjectedFault
from throttlewright.drive.scenario import load_scenario
from throttlewright.drive.simulate import simulate
from throttlewright.foundation.errors import InputError
from throttlewright.prove.campaign import applies_to
from throttlewright.prove.figures_reduction import FIGURES, allowed_share
from throttlewright.recording.recording import Channel, Recording

NAME = "trackday_16"
RPM = 4000.0
STUCK = InjectedFault(kind="wastegate_stuck_shut", at="0.2 s")
ROLE = {role.name: role for role in ROLES}


def _ends() -> tuple[float, float]:
    car = moving(NAME)
    psi = np.array([[car.psi_closed, car.psi_open]])
    closed, full = evaluate(car, np.array([RPM * math.pi / 30.0]), psi)[0]["torque"][0]
    return float(closed), float(full)


def _run(torque: np.ndarray, coolant: np.ndarray) -> Recording:
    t = np.arange(torque.size) * 0.01
    values = {"torque_Nm": torque, "coolant_degC": coolant, "engine_rpm": np.full(t.size, RPM)}
    return Recording.of([Channel(name, "", t, v) for name, v in values.items()])


def test_torque_over_what_is_allowed_is_a_share_of_full_torque() -> None:
    closed, full = _ends()
    intent = intent_of(NAME, hot_coolant=SECTIONS["hot_coolant"])
    half = 0.5 * (closed + full)
    coolant = np.where(np.arange(600) < 100, 95.0, 130.0)
    late = np.where(np.arange(600) < 150, full, half)
    judged = FIGURES["hot_coolant_torque"](_run(late, coolant), moving(NAME), intent)
    assert judged.value == pytest.approx(0.0, abs=1e-6)
    assert judged.good
    took = FIGURES["hot_coolant_time"](_run(late, coolant), moving(NAME), intent)
    assert took.value == pytest.approx(0.5, abs=0.06)
    more = FIGURES["hot_coolant_torque"](_run(late + 0.1 * full, coolant), moving(NAME), intent)
    assert more.value == pytest.approx(10.0, abs=0.01)
    assert more.good is False
    never = FIGURES["hot_coolant_time"](_run(late + 0.1 * full, coolant), moving(NAME), intent)
    assert never.value == math.inf


def test_a_sound_run_is_not_judged() -> None:
    _, full = _ends()
    intent = intent_of(NAME, hot_coolant=SECTIONS["hot_coolant"])
    run = _run(np.full(600, full), np.full(600, 95.0))
    for figure in ("hot_coolant_torque", "hot_coolant_time"):
        judged = FIGURES[figure](run, moving(NAME), intent)
        assert judged.good is None
        assert math.isnan(judged.value)


def test_an_intent_without_the_role_is_refused() -> None:
    run = _run(np.zeros(10), np.full(10, 95.0))
    with pytest.raises(InputError, match="does not ask"):
        allowed_share("hot_coolant", run, moving(NAME), intent_of(NAME, hot_coolant=None))


@pytest.mark.parametrize("name", ["hillclimb_20t", NAME])
@pytest.mark.parametrize("role", SECTIONS)
def test_with_the_role_torque_stays_under_what_is_allowed_and_without_it_does_not(
    role, name
) -> None:
    car, rows = moving(name), rows_of(name, role)
    if rows.refused:
        return
    intent = intent_of(name, **{role: SECTIONS[role]})
    made = calibrated(car, intent)
    armed, bare = pack_calibration(made), pack_calibration(without(made, rows))
    for shown in ROLE[role].shown:
        scenario = load_scenario(shown.scenario)
        if not applies_to(scenario, car):
            continue
        figure = FIGURES[shown.figure]
        faults = ((), (STUCK,)) if car.turbo and not scenario.fault else ((),)
        for broken in faults:
            own = figure(simulate(car, armed, scenario, faults=broken), car, intent)
            assert own.good is not False, own.text
        # with a stuck wastegate overboost takes the torque as well
        if shown.figure.endswith("_torque") and not scenario.fault:
            assert figure(simulate(car, bare, scenario), car, intent).good is False
