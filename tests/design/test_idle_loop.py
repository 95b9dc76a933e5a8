"""Gains and reserve of idle: margins against python-control on the plants used."""

from __future__ import annotations

import math
import os

import control
import numpy as np
import pytest
from idle_bench import EXAMPLES, RPM, moving

from throttlewright.build.intent_roles import Idle
from throttlewright.design.idle import idle_design
from throttlewright.design.idle_air import idle_point
from throttlewright.design.idle_loop import air_plants, idle_plant, load_step, spark_plant
from throttlewright.design.margins import Controller, Plant, margins

FULL = os.environ.get("THROTTLEWRIGHT_EFFORT", "small") == "full"


@pytest.fixture(scope="module", params=EXAMPLES)
def made(request):
    car = moving(request.param)
    return car, idle_design(car, Idle())


def transfer(plant: Plant, law: Controller) -> control.FrequencyResponseData:
    s = control.TransferFunction.s
    loop = plant.gain * (law.kp + law.ki / s)
    for lag in plant.lags:
        loop = loop / (1.0 + lag * s)
    for natural, damping in plant.seconds:
        loop = loop / (1.0 + 2.0 * damping * s / natural + (s / natural) ** 2)
    if plant.integrates:
        loop = loop / s
    omega = np.geomspace(0.05, 60.0, 1500)
    answer = loop(1j * omega) * np.exp(-1j * omega * plant.delay)
    return control.FrequencyResponseData(answer, omega, smooth=True)


def test_margins_are_kept_and_are_those_of_another_program(made) -> None:
    _, design = made
    plants = air_plants(design.corners, spark_gain=design.spark_gain)
    assert len(plants) == 2 * len(design.corners) >= 16
    for plant in plants:
        own = margins(plant, design.gains)
        assert own.phase_deg >= 45.0
        assert own.gain_dB >= 6.0
    for plant in plants if FULL else (plants[0], plants[11]):
        own = margins(plant, design.gains)
        gain, phase, *_ = control.stability_margins(transfer(plant, design.gains))
        assert own.stable
        assert own.gain == pytest.approx(gain, rel=2e-3)
        assert own.phase_deg == pytest.approx(phase, abs=0.2)


def test_margins_catch_a_loop_that_is_too_fast(made) -> None:
    _, design = made
    quick = Controller(3.0 * design.gains.kp, 3.0 * design.gains.ki)
    plants = air_plants(design.corners, spark_gain=design.spark_gain)
    assert min(margins(plant, quick).gain_dB for plant in plants) < 0.0


def test_ignition_keeps_its_phase(made) -> None:
    car, design = made
    for plant in design.corners:
        found = margins(spark_plant(car, plant), Controller(design.spark_gain))
        assert found.phase_deg >= 60.0 - 0.1


def test_filling_is_that_of_a_manifold() -> None:
    # 4 pi V / (V_d eta w), choked plate and volumetric efficiency that does not change; the
    # residual gas of the model makes it slower at idle
    car = moving("hillclimb_20t")
    plant = idle_plant(car, idle_point(car, omega=car.idle), retard_deg=0.0)
    simple = 4.0 * math.pi * 3.5e-3 / (1.998e-3 * 0.87 * car.idle)
    assert 0.8 * simple < plant.filling < 1.3 * simple


def test_more_reserve_less_dip_more_air() -> None:
    car = moving("trackday_16")
    dips, air = [], []
    for retard in (6.0, 14.0, 22.0):
        before = idle_point(car, omega=car.idle, retard_deg=retard)
        after = idle_point(car, omega=car.idle, load=15.0, retard_deg=retard)
        plant = idle_plant(car, before, retard_deg=retard)
        found = load_step(
            car, plant, after, retard_deg=retard, spark_gain=0.15, gains=Controller(1e-3, 4e-3)
        )
        dips.append(found.dip)
        air.append(before.air_flow)
    assert dips[0] > dips[1] > dips[2]
    assert air[0] < air[1] < air[2]


def test_the_reserve_follows_what_is_asked() -> None:
    car = moving("trackday_16")
    hard = idle_design(car, Idle().model_copy(update={"dip": 90.0 / RPM}))
    easy = idle_design(car, Idle().model_copy(update={"dip": 300.0 / RPM}))
    assert hard.retard_deg > easy.retard_deg
    assert hard.air_price > easy.air_price
