"""Figures of pit-lane limit and speed cap on made-up runs."""

from __future__ import annotations

import numpy as np
import pytest

from throttlewright.build.catalogue import load_example, load_example_intent
from throttlewright.build.intent_roles import PitLimit
from throttlewright.car.pack import pack
from throttlewright.prove.figures_speed import FIGURES
from throttlewright.recording.recording import Channel, Recording


@pytest.mark.parametrize(("peak", "good"), [(61.5, True), (62.5, False)])
def test_only_the_time_with_the_switch_on_counts(peak: float, good: bool) -> None:
    t = np.arange(4) * 1.0
    speed = np.array([50.0, peak, 59.0, 90.0]) / 3.6
    pit = np.array([1.0, 1.0, 1.0, 0.0])
    channels = {
        "speed_m_s": Channel("speed_m_s", "m/s", t, speed),
        "pit_1": Channel("pit_1", "", t, pit),
    }
    intent = load_example_intent("trackday_16").intent
    intent = intent.model_copy(update={"pit_limit": PitLimit()})
    car = pack(load_example("trackday_16").build)
    found = FIGURES["pit_speed_over"](Recording(channels), car, intent)
    assert found.value == pytest.approx(peak - 60.0)
    assert found.good is good
