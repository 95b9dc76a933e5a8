"""A foot that rests near the released threshold must not cost fuel when it comes down again."""

from __future__ import annotations

import numpy as np
import pytest
from drive_bench import calibrated, moving

from throttlewright.drive.scenario import parse_scenario
from throttlewright.drive.simulate import simulate

SCENARIO = """
format = "throttlewright.scenario"
format_version = 1
name = "light_foot"
title = "A foot that hardly touches the pedal"
text = "The foot rests at a few percent and then comes down."
duration = "4 s"

[start]
engine = "speed"
speed = "3500 rpm"
gear = 3
pedal_pct = 30

[[input]]
channel = "pedal_pct"
t_s = [0, 0.2, 0.3, 2.2, 2.3]
value = [30, 30, {rest}, {rest}, 100]
"""


@pytest.mark.parametrize("rest", [0.0, 1.0, 1.9, 1.95, 2.0, 2.1, 2.9, 3.1, 5.0])
def test_full_pedal_after_a_light_foot_has_its_fuel(rest: float) -> None:
    scenario = parse_scenario(SCENARIO.format(rest=rest), "light_foot.toml")
    trace = simulate(moving(), calibrated(), scenario)
    after = trace.channel("fuel_cut_1").values[2350:]
    engine = trace.channel("engine_rpm").values[2350:]
    below_limit = engine < moving().limit * 30.0 / np.pi - 200.0
    assert below_limit.sum() > 500
    assert np.count_nonzero(after[below_limit] > 0.5) == 0
