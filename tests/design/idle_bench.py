"""Cars that idle, with the calibration of the idle role alone, and short runs of it."""

from __future__ import annotations

import math
from functools import cache

import numpy as np

from throttlewright.build.catalogue import load_example, load_example_intent
from throttlewright.build.intent import Intent
from throttlewright.build.intent_roles import Idle
from throttlewright.calibration.calibration import Calibration
from throttlewright.calibration.pack import pack_calibration
from throttlewright.calibration.table import Axis, Table
from throttlewright.car.motion import in_motion
from throttlewright.car.pack import Car, pack
from throttlewright.car.record import copied
from throttlewright.design import idle, reactions, servo
from throttlewright.design.rows import Rows, merged
from throttlewright.drive.scenario import Input, Scenario, load_scenario
from throttlewright.drive.simulate import simulate
from throttlewright.recording.recording import Recording

EXAMPLES = ("hillclimb_20t", "trackday_16", "v8_48_itb")
RPM = 30.0 / math.pi


@cache
def moving(name: str) -> Car:
    return in_motion(pack(load_example(name).build))


@cache
def wanted(name: str, **more: float) -> Intent:
    return load_example_intent(name).intent.model_copy(
        update={"idle": Idle().model_copy(update=more)}
    )


def with_gap(name: str, gap: float) -> Car:
    build = load_example(name).build
    plate = build.plate.model_copy(update={"gap": gap})
    car = pack(build.model_copy(update={"plate": plate}))
    rec = copied(car.record)
    # the loaded build has its leakage from its own gap: it grows as the gap does
    rec["leak_area"] = copied(pack(build).record)["leak_area"] * gap / build.plate.gap
    return Car(car.build, rec)


def changed(car: Car, **factors: float) -> Car:
    rec = copied(car.record)
    for key, factor in factors.items():
        rec[key] *= factor
    return in_motion(Car(car.build, rec))


@cache
def rows_of(name: str, **more: float) -> Rows:
    return idle.idle(moving(name), wanted(name, **more))


@cache
def calibrated(name: str, **more: float) -> Calibration:
    car, intent = moving(name), wanted(name, **more)
    rows = merged(
        [servo.ROLE.design(car, intent), reactions.ROLE.design(car, intent), rows_of(name, **more)]
    )
    demand = Table(
        "plate_over_pedal_dry",
        "plate opening",
        "%",
        (
            Axis("engine_rpm", "rpm", np.array([800.0, 7000.0])),
            Axis("pedal_pct", "%", np.array([0.0, 100.0])),
        ),
        np.array([[0.0, 100.0], [0.0, 100.0]]),
        percent_meaning="plate from stop to stop, pedal from released to full",
    )
    return Calibration(
        tables={t.name: t for t in rows.tables} | {demand.name: demand},
        numbers=rows.numbers,
        limits=rows.limits,
        reactions=(*reactions.typical_reactions(car, intent), *rows_of(name, **more).reactions),
    )


def driven(name: str, scenario: Scenario | str, car: Car | None = None, **more: float) -> Recording:
    what = load_scenario(scenario) if isinstance(scenario, str) else scenario
    return simulate(car or moving(name), pack_calibration(calibrated(name, **more)), what)


def idling(duration: float, **inputs: tuple[tuple[float, ...], tuple[float, ...]]) -> Scenario:
    return load_scenario("idle_known_load").model_copy(
        update={
            "duration": duration,
            "input": tuple(Input(channel=k, t_s=t, value=v) for k, (t, v) in inputs.items()),
        }
    )


def values(run: Recording, *names: str) -> tuple[np.ndarray, ...]:
    return (run.channel(names[0]).t_s, *(run.channel(n).values for n in names))
