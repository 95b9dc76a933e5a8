"""Margins against python-control, whose delay goes through frequency response data."""

from __future__ import annotations

import math

import numpy as np
import pytest

from throttlewright.design.margins import (
    Controller,
    Margins,
    Plant,
    margins,
    open_loop,
    pi_for_margins,
    worst,
)
from throttlewright.foundation.errors import InputError

LOOPS = {
    "lag, servo, delay": (
        Plant(3.0, lags=(0.8, 0.03), seconds=((28.0, 0.8),), delay=0.02),
        Controller(1.2, 1.5),
    ),
    "integrator and delay": (
        Plant(0.9, lags=(0.06,), integrates=True, delay=0.05),
        Controller(2.0, 0.8),
    ),
    "light resonance": (
        Plant(0.4, lags=(6.0, 0.06), seconds=((25.0, 0.15),), delay=0.03),
        Controller(9.0, 1.5),
    ),
    "lead on a filtered slope": (
        Plant(500.0, lags=(0.06, 0.04), integrates=True, delay=0.01),
        Controller(0.004, 0.0, lead=0.1, lead_lag=0.02),
    ),
    "engine on a shaft": (
        Plant(
            12.0,
            lags=(0.03,),
            seconds=((26.7, 0.8), (38.0, 0.2)),
            zeros=((16.0, 0.1),),
            integrates=True,
            delay=0.012,
        ),
        Controller(0.2, 0.0, lead=0.09, lead_lag=0.02),
    ),
    "unstable": (Plant(3.0, lags=(0.5, 0.2), delay=0.2), Controller(4.0, 4.0)),
    "no delay": (Plant(5.0, lags=(0.4, 0.1, 0.02)), Controller(1.0, 2.0)),
}


def _by_control(plant: Plant, c: Controller) -> tuple[float, float, float]:
    control = pytest.importorskip("control")
    s = control.tf("s")
    system = control.tf([plant.gain], [1.0]) * (
        c.kp * (1.0 + c.lead * s / (1.0 + c.lead_lag * s)) + (c.ki / s if c.ki else 0.0)
    )
    for lag in plant.lags:
        system = system / (lag * s + 1.0)
    for w, z in plant.seconds:
        system = system * w**2 / (s**2 + 2.0 * z * w * s + w**2)
    for w, z in plant.zeros:
        system = system * (s**2 + 2.0 * z * w * s + w**2) / w**2
    if plant.integrates:
        system = system / s
    omega = np.logspace(-1, 2.5, 901)
    response = control.frequency_response(system, omega).complex
    response = np.squeeze(response) * np.exp(-1j * omega * plant.delay)
    data = control.frd(response, omega, smooth=True)
    gain, phase, edge = control.stability_margins(data)[:3]
    return float(gain), float(phase), float(edge)


@pytest.mark.parametrize("name", LOOPS)
def test_margins_equal_those_of_python_control(name: str) -> None:
    plant, c = LOOPS[name]
    found = margins(plant, c)
    gain, phase, edge = _by_control(plant, c)
    assert found.gain == pytest.approx(gain, rel=1e-3)
    assert found.phase_deg == pytest.approx(phase, rel=1e-3)
    assert 1.0 / found.peak == pytest.approx(edge, rel=1e-3)


def test_the_nyquist_count_knows_stable_from_unstable() -> None:
    for name, (plant, c) in LOOPS.items():
        found = margins(plant, c)
        assert found.stable == (name != "unstable"), name
        if plant.zeros:
            continue
        assert found.stable == _settles(plant, c), name


def _settles(plant: Plant, c: Controller) -> bool:
    """Step the closed loop in time: the oracle of the Nyquist count."""
    h = 1e-3
    delay = [0.0] * (round(plant.delay / h) + 1)
    states = [0.0] * len(plant.lags)
    pairs = [[0.0, 0.0] for _ in plant.seconds]
    integral = total = slow = y = 0.0
    seen = []
    for k in range(round(30.0 / h)):
        e = 1.0 - y
        slow += h / c.lead_lag * (e - slow) if c.lead_lag else 0.0
        rate = (e - slow) / c.lead_lag if c.lead_lag else 0.0
        integral += c.ki * e * h
        delay.append(plant.gain * (c.kp * (e + c.lead * rate) + integral))
        x = delay.pop(0)
        for i, lag in enumerate(plant.lags):
            states[i] += h / lag * (x - states[i])
            x = states[i]
        for i, (w, z) in enumerate(plant.seconds):
            pairs[i][1] += h * (w * w * (x - pairs[i][0]) - 2.0 * z * w * pairs[i][1])
            pairs[i][0] += h * pairs[i][1]
            x = pairs[i][0]
        total += x * h
        y = total if plant.integrates else x
        if not abs(y) < 1e6:
            return False
        if k * h > 27.0:
            seen.append(y)
    return max(seen) - min(seen) < 0.05


def test_a_lag_alone_by_hand() -> None:
    """k / (T s + 1) with integral control k_i / s, T k k_i = 1/2: damping 0.7071."""
    found = margins(Plant(2.0, lags=(0.5,)), Controller(0.0, 0.5))
    # |L| = 1: w sqrt(1 + w^2/4) = 1 gives w^2 = 2 (sqrt 2 - 1)
    w = math.sqrt(2.0 * (math.sqrt(2.0) - 1.0))
    assert found.crossover == pytest.approx(w, rel=1e-9)
    assert found.phase_deg == pytest.approx(90.0 - math.degrees(math.atan(0.5 * w)), rel=1e-9)
    assert found.delay_s == pytest.approx(math.radians(found.phase_deg) / w, rel=1e-9)
    assert math.isinf(found.gain)


def test_an_added_delay_uses_up_the_delay_margin() -> None:
    plant, c = LOOPS["lag, servo, delay"]
    spare = margins(plant, c).delay_s
    for share, stable in ((0.98, True), (1.02, False)):
        later = Plant(plant.gain, plant.lags, plant.seconds, delay=plant.delay + share * spare)
        assert margins(later, c).stable is stable


def test_the_gain_margin_is_where_the_loop_turns_unstable() -> None:
    plant, c = LOOPS["light resonance"]
    most = margins(plant, c).gain
    assert margins(plant, Controller(0.99 * most * c.kp, 0.99 * most * c.ki)).stable
    assert not margins(plant, Controller(1.01 * most * c.kp, 1.01 * most * c.ki)).stable


@pytest.mark.parametrize("name", ["lag, servo, delay", "integrator and delay", "light resonance"])
@pytest.mark.parametrize(("phase", "gain"), [(45.0, 2.0), (60.0, 3.0)])
def test_tuned_gains_keep_their_margins_and_give_nothing_away(name, phase, gain) -> None:
    plant, _ = LOOPS[name]
    c = pi_for_margins(plant, phase, gain)
    found = margins(plant, c)
    assert found.stable
    assert found.phase_deg >= phase
    assert found.gain >= gain
    faster = margins(plant, Controller(1.15 * c.kp, 1.15 * c.ki))
    assert faster.phase_deg < phase or faster.gain < gain


def test_gains_shared_by_several_plants_keep_the_margins_on_each() -> None:
    plants = [Plant(k, lags=(t, 0.06), delay=0.02) for k, t in ((1.0, 2.0), (3.0, 0.7))]
    c = pi_for_margins(plants, 45.0, 2.0)
    found = worst(plants, c)
    assert found.phase_deg >= 45.0
    assert found.gain >= 2.0
    assert found == Margins(
        min(margins(p, c).gain for p in plants),
        min(margins(p, c).phase_deg for p in plants),
        min(margins(p, c).delay_s for p in plants),
        min(margins(p, c).crossover for p in plants),
        max(margins(p, c).peak for p in plants),
        True,
    )


def test_the_phase_runs_on_without_a_wrap() -> None:
    plant, c = LOOPS["lag, servo, delay"]
    omega = np.linspace(0.01, 2000.0, 200001)
    _, phase = open_loop(plant, c, omega)
    assert np.max(np.abs(np.diff(phase))) < 0.1
    assert phase[-1] < -12.0 * math.pi


@pytest.mark.parametrize(
    ("plant", "c"),
    [
        (Plant(0.0), Controller(1.0)),
        (Plant(1.0, lags=(-0.1,)), Controller(1.0)),
        (Plant(1.0, seconds=((10.0, 0.0),)), Controller(1.0)),
        (Plant(1.0), Controller(0.0, 0.0)),
    ],
)
def test_what_cannot_be_is_refused(plant: Plant, c: Controller) -> None:
    with pytest.raises(InputError):
        margins(plant, c)


def test_a_margin_that_cannot_be_kept_is_refused() -> None:
    # two lags of one second and an integral time of a tenth: no gain has 80 degrees
    with pytest.raises(InputError, match="no gain keeps"):
        pi_for_margins(Plant(1.0, integrates=True, lags=(1.0,)), 80.0, 2.0, integral_time=0.1)
    with pytest.raises(InputError, match="out of range"):
        pi_for_margins(Plant(1.0), 10.0)
