"""Judging figures of the cold engine on made-up runs with a known answer."""

from __future__ import annotations

import math

import numpy as np
import pytest

from throttlewright.build.catalogue import load_example, load_example_intent
from throttlewright.build.intent import Intent
from throttlewright.car.pack import Car, pack
from throttlewright.car.surface import compute_surface
from throttlewright.physics.friction import friction_over_warm
from throttlewright.prove.figures_cold import FIGURES, share_while_cold
from throttlewright.recording.recording import Channel, Recording

OMEGA = 3000.0 * math.pi / 30.0


@pytest.fixture(scope="module")
def pair() -> tuple[Car, Intent]:
    return pack(load_example("trackday_16").build), load_example_intent("trackday_16").intent


def run(car: Car, share: np.ndarray, *, coolant: float = 0.0, pedal: float = 100.0) -> Recording:
    """A run at 3000 rpm that gives a share of the warm torque less cold friction."""
    ends = np.array([car.psi_closed, car.psi_open])
    surface = compute_surface(car, speeds=np.array([OMEGA]), psi=ends)
    warm = surface.closed[0] + share * (surface.full[0] - surface.closed[0])
    hot = float(car.over_speed("friction", np.array([OMEGA]))[0])
    torque = warm - hot * (friction_over_warm(coolant + 273.15) - 1.0)
    t = 0.01 * np.arange(share.size)
    values = {
        "torque_Nm": torque,
        "engine_rpm": 3000.0,
        "coolant_degC": coolant,
        "oil_degC": coolant,
        "pedal_used_pct": pedal,
        "fuel_cut_1": 0.0,
    }
    return Recording.of(
        Channel(name, "", t, np.broadcast_to(np.asarray(x, float), t.shape))
        for name, x in values.items()
    )


def test_share_is_read_back_whatever_the_oil_drags(pair) -> None:
    car, intent = pair
    for coolant in (0.0, 40.0):
        _, given, allowed = share_while_cold(
            run(car, np.full(50, 0.45), coolant=coolant), car, intent
        )
        assert given == pytest.approx(np.full(50, 0.45), abs=2e-3)
        # the intent of the example: 45 % at 0 degC, 70 % at 40 degC
        assert allowed[0] == pytest.approx(0.45 if coolant == 0.0 else 0.70)


def test_the_excess_is_of_the_allowed_share(pair) -> None:
    car, intent = pair
    share = np.full(400, 0.44)
    share[300] = 0.54
    found = FIGURES["cold_share"](run(car, share), car, intent)
    assert found.value == pytest.approx(20.0, abs=0.6)
    assert found.good is False
    share[300] = 0.46
    fine = FIGURES["cold_share"](run(car, share), car, intent)
    assert fine.value == pytest.approx(2.2, abs=0.6)
    assert fine.good is True
    assert "at least -2." in fine.text


def test_nothing_is_judged_with_the_foot_up_or_without_the_role(pair) -> None:
    car, intent = pair
    idling = FIGURES["cold_share"](run(car, np.full(50, 0.9), pedal=0.0), car, intent)
    assert idling.good is None
    bare = intent.model_copy(update={"cold_engine": None})
    assert FIGURES["cold_share"](run(car, np.full(50, 0.9)), car, bare).good is None


def test_a_release_that_jumps_is_felt(pair) -> None:
    car, intent = pair
    rising = np.linspace(0.90, 1.0, 1000)
    smooth = FIGURES["cold_release_step"](run(car, rising, coolant=69.0), car, intent)
    assert smooth.good is True
    assert smooth.value < 1.0
    jump = np.where(np.arange(1000) < 600, 0.90, 1.0)
    sudden = FIGURES["cold_release_step"](run(car, jump, coolant=69.0), car, intent)
    assert sudden.good is False
    assert sudden.value > 5.4
