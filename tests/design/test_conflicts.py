"""Two rows at one output: the strategy itself must decide as the table of conflicts says."""

from __future__ import annotations

import numpy as np
import pytest

from throttlewright.build.catalogue import load_example, load_example_intent
from throttlewright.build.intent_roles import Blip, PitLimit
from throttlewright.calibration import signals as s
from throttlewright.calibration.calibration import Calibration, Number
from throttlewright.calibration.limits import Limit
from throttlewright.calibration.pack import pack_calibration
from throttlewright.calibration.strategy_kernel import control, start_memory
from throttlewright.calibration.table import Axis, Table
from throttlewright.car.pack import pack
from throttlewright.design.blip import blip
from throttlewright.design.conflicts import CONFLICTS, decided, outputs_shared
from throttlewright.design.pit_limit import pit_limit


def in_charge(rows: tuple[Limit, ...], bounds: tuple[float, ...]) -> str:
    demand = Table(
        "plate_over_pedal_dry",
        "plate opening",
        "%",
        (Axis("engine_rpm", "rpm", [800.0, 7000.0]), Axis("pedal_pct", "%", [0.0, 100.0])),
        [[0.0, 100.0], [0.0, 100.0]],
        percent_meaning="plate from stop to stop, pedal from released to full",
    )
    numbers = {f"{r.name}.to": Number(b, "%", "here") for r, b in zip(rows, bounds, strict=True)}
    packed = pack_calibration(Calibration({demand.name: demand}, numbers, rows, ()))
    memory, out = start_memory(packed), np.zeros(s.N_OUT)
    signals = np.zeros(s.N_SIGNALS)
    signals[s.SIG_REFERENCE_V], signals[s.SIG_BATTERY_V], signals[s.SIG_KEY] = 5.0, 12.0, 1.0
    signals[s.SIG_ENGINE_RPM] = 3000.0
    signals[s.SIG_PEDAL_1_V], signals[s.SIG_PEDAL_2_V] = 0.75, 0.375
    signals[s.SIG_PLATE_1_V], signals[s.SIG_PLATE_2_V] = 0.6, 4.4
    for _ in range(20):
        control(signals, packed, memory=memory, out=out)
    code = int(out[s.OUT_CHARGE_PLATE])
    return rows[code - 1].name if code > 0 else ""


@pytest.mark.parametrize("sides", [("floor", "floor"), ("floor", "ceiling"), ("ceiling", "floor")])
@pytest.mark.parametrize("bounds", [(10.0, 30.0), (30.0, 10.0)])
def test_the_strategy_decides_as_the_rule_says(sides, bounds) -> None:
    rows = tuple(
        Limit(n, "plate", side, "ramp", reason="test", source="test")
        for n, side in zip(("one", "other"), sides, strict=True)
    )
    expected = decided(rows[0], bounds[0], rows[1], bounds[1])
    assert in_charge(rows, bounds) == expected.name


def test_every_conflict_names_one_of_its_two_roles() -> None:
    for row in CONFLICTS:
        assert row.wins in (row.one, row.other)
        assert row.why
    pairs = [frozenset((row.one, row.other, row.output)) for row in CONFLICTS]
    assert len(set(pairs)) == len(pairs)


def test_the_pit_limit_meets_the_blip_at_the_plate_and_lies_above_it() -> None:
    car = pack(load_example("trackday_16").build)
    intent = load_example_intent("trackday_16").intent
    intent = intent.model_copy(update={"blip": Blip(), "pit_limit": PitLimit()})
    one, other = blip(car, intent), pit_limit(car, intent)
    assert outputs_shared(one, other) == ("plate",)
    assert {r.side for r in one.limits if r.output == "plate"} == {"floor"}
    assert {r.side for r in other.limits} == {"ceiling"}
