"""Faults are found in their time, and a healthy car with noisy sensors raises no alarm."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from throttlewright.calibration.calibration import Calibration
from throttlewright.calibration.pack import Packed, pack_calibration
from throttlewright.car.motion import in_motion
from throttlewright.car.pack import Car
from throttlewright.car.record import copied
from throttlewright.design.limp import fault_reactions
from throttlewright.drive.faults import InjectedFault, fault_named
from throttlewright.drive.scenario import expand, list_scenarios, load_scenario
from throttlewright.drive.simulate import simulate
from throttlewright.prove.campaign import applies_to
from throttlewright.workshop.common import open_car
from throttlewright.workshop.demo import DemoRequest, demo

AT_ONCE = (
    "pedal_1_low", "pedal_1_high", "pedal_1_open", "pedal_2_low", "pedal_2_high", "pedal_2_open",
    "reference_shift", "plate_1_low", "plate_1_high", "plate_1_open", "plate_2_low",
    "plate_2_open", "plate_1_drift", "plate_both_lost", "plate_sensor_inverted", "bridge_shorted",
    "low_battery", "bus_loss", "wrong_raise_request",
)  # fmt: skip
"""Faults that show at once, whatever the car does; the others need a move or a pressure to show."""

STEP = 0.05
"""Allowance: the watch looks every 10 ms, and a wrong plate has to move before it is wrong [s]."""


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> tuple[Car, Calibration, Packed]:
    out = tmp_path_factory.mktemp("found") / "demo"
    written = demo(DemoRequest(out=str(out), example="hillclimb_20t")).written
    calibration = Calibration.read(next(p for p in written if p.endswith("calibration.json")))
    return in_motion(open_car("hillclimb_20t")[1]), calibration, pack_calibration(calibration)


@pytest.mark.parametrize("name", AT_ONCE)
def test_a_fault_that_shows_is_found_in_its_time(
    name: str, made: tuple[Car, Calibration, Packed]
) -> None:
    car, calibration, packed = made
    rows = fault_reactions(name, calibration.reactions)
    longest = min(row.time_s for row in rows)
    kind = fault_named(name)
    scenario = next(
        s for s in expand(load_scenario(kind.proved_in.split("@")[0])) if s.name == kind.proved_in
    )
    at = kind.proved_at_s
    fault = InjectedFault.model_validate({"kind": name, "at": f"{at} s"})
    trace = simulate(car, packed, scenario, faults=[fault])
    first = round(1e3 * at)
    before = trace.channel("detected_1").values[:first]
    found = np.flatnonzero(trace.channel("detected_1").values[first:] > 0.0)
    assert not before.any()
    assert found.size, f"{name} is never found"
    assert 1e-3 * found[0] <= longest + STEP, (name, 1e-3 * found[0], longest)


@cache
def healthy() -> tuple[str, ...]:
    return tuple(
        variant.name
        for name in list_scenarios()
        for variant in expand(load_scenario(name))
        if not variant.fault
    )


def test_a_healthy_car_with_noisy_sensors_raises_no_alarm(
    made: tuple[Car, Calibration, Packed],
) -> None:
    car, _, packed = made
    record = copied(car.record)
    record["sensor_noise"] *= 3.0
    noisy = Car(build=car.build, record=record)
    alarms = []
    for name in healthy():
        base, _, _ = name.partition("@")
        scenario = next(s for s in expand(load_scenario(base)) if s.name == name)
        # a foot on both pedals is what the brake override is for
        if not applies_to(scenario, car) or "brak" in name:
            continue
        trace = simulate(noisy, packed, scenario)
        if trace.channel("detected_1").values.any():
            alarms.append((name, [e.text for e in trace.events]))
    assert not alarms, alarms
