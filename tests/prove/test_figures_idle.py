"""Judging figures of idle on made-up speed traces and on a driven one."""

from __future__ import annotations

import math

import numpy as np
import pytest

from throttlewright.build.catalogue import load_example, load_example_intent
from throttlewright.car.pack import pack
from throttlewright.prove import figures_idle
from throttlewright.prove.figures_idle import FIGURES, idle_load_dip, idle_return

RPM = 30.0 / math.pi


@pytest.fixture(scope="module")
def car():
    return pack(load_example("trackday_16").build)


@pytest.fixture(scope="module")
def intent():
    return load_example_intent("trackday_16").intent


def _trace(monkeypatch, **channels) -> None:
    t = np.arange(0.0, 10.0, 0.01)
    monkeypatch.setattr(
        figures_idle, "series", lambda recording, *names: (t, *(channels[n](t) for n in names))
    )


@pytest.mark.parametrize(("dip", "good"), [(100.0, True), (140.0, False)])
def test_dip_of_a_load(monkeypatch, car, intent, dip: float, good: bool) -> None:
    idle = car.idle * RPM
    _trace(
        monkeypatch,
        engine_rpm=lambda t: idle - dip * ((t > 4.0) & (t < 4.5)),
        load_Nm=lambda t: 15.0 * (t > 3.9),
    )
    found = idle_load_dip(None, car, intent)
    assert found.value == pytest.approx(dip)
    assert found.good is good
    assert "15 N*m" in found.text


def test_no_load_is_no_verdict(monkeypatch, car, intent) -> None:
    _trace(monkeypatch, engine_rpm=lambda t: 900.0 + 0.0 * t, load_Nm=lambda t: 0.0 * t)
    assert idle_load_dip(None, car, intent).good is None


def test_a_stall_on_return_is_bad(monkeypatch, car, intent) -> None:
    _trace(monkeypatch, engine_rpm=lambda t: np.maximum(4000.0 - 1000.0 * t, 0.0))
    found = idle_return(None, car, intent)
    assert found.good is False
    assert "stalls" in found.text


def test_names() -> None:
    assert set(FIGURES) == {"idle_load_dip", "idle_band", "idle_return"}
