"""Ledger: what each uncertain number does, and how the list is ordered."""

from __future__ import annotations

import math
from functools import cache

import numpy as np
import pytest

from throttlewright.build.catalogue import load_example
from throttlewright.build.load import BuildFile
from throttlewright.car.pack import pack, with_variation
from throttlewright.car.record import BoostState
from throttlewright.car.surface import evaluate
from throttlewright.design.ledger import LEDGER_PEDALS, LedgerEntry, rank_ledger
from throttlewright.foundation.provenance import Origin, Provenance


@cache
def example() -> BuildFile:
    return load_example("hillclimb_20t")


def assumed(spread: float, *, relative: bool = True) -> Provenance:
    return Provenance(Origin.ASSUMED, "common practice, no source", spread, relative, "measure it")


def ranked(provenance: dict[str, Provenance]) -> tuple[LedgerEntry, ...]:
    return rank_ledger(example().build, provenance)


def test_no_spread_no_effect() -> None:
    (entry,) = ranked({"engine.volumetric_efficiency": assumed(0.0)})
    assert entry.torque_effect is None
    assert entry.idle_effect is None
    assert entry.weight == 0.0


def test_effect_is_the_change_of_torque() -> None:
    # an engine without a turbo: a turbo's spool is refitted to the boost measured when VE moves
    build = load_example("guzzella_onder").build
    (entry,) = rank_ledger(build, {"engine.volumetric_efficiency": assumed(0.1)})
    car = pack(build)
    omega = np.array([2000.0, 4000.0]) * math.pi / 30.0
    pct = np.array([*LEDGER_PEDALS, 100.0])
    psi = np.broadcast_to(
        car.psi_closed + pct / 100.0 * (car.psi_open - car.psi_closed), (2, pct.size)
    )
    base, less, more = (
        evaluate(with_variation(car, ve=f), omega, psi, state=BoostState.INSTANT)[0]["torque"]
        for f in (1.0, 0.9, 1.1)
    )
    changes = [(np.abs(t - base)[:, :-1] / base[:, -1:]).mean(axis=0) for t in (less, more)]
    assert entry.torque_effect == pytest.approx(np.maximum(*changes), rel=1e-6)
    assert entry.torque_effect is not None
    assert all(effect > 0.0 for effect in entry.torque_effect)


def test_larger_spread_larger_effect_and_never_negative() -> None:
    weights = []
    for spread in (0.02, 0.05, 0.1):
        (entry,) = ranked({"plate.discharge": assumed(spread)})
        assert entry.torque_effect is not None
        assert min(entry.torque_effect) >= 0.0
        weights.append(entry.weight)
    assert 0.0 < weights[0] < weights[1] < weights[2]


def test_order_is_by_weight_then_name() -> None:
    entries = ranked(
        {
            "plate.shaft": assumed(0.0),
            "engine.inertia": assumed(0.2),
            "engine.volumetric_efficiency": assumed(0.02),
            "vehicle.mass": assumed(0.3),
            "plate.closed": assumed(math.radians(0.5), relative=False),
        }
    )
    weights = [entry.weight for entry in entries]
    assert weights == sorted(weights, reverse=True)
    assert {entry.key for entry in entries[:2]} == {"plate.closed", "engine.volumetric_efficiency"}
    assert entries[1].weight > 0.0
    # nothing hangs on the last three: by name
    assert [entry.key for entry in entries[2:]] == ["engine.inertia", "plate.shaft", "vehicle.mass"]
    by_key = {entry.key: entry for entry in entries}
    assert by_key["vehicle.mass"].torque_effect is None
    assert by_key["engine.inertia"].weight == 0.0


def test_ledger_of_the_example_covers_every_number() -> None:
    entries = ranked(example().provenance)
    assert {entry.key for entry in entries} == set(example().provenance)
    weights = [round(entry.weight, 12) for entry in entries]
    assert weights == sorted(weights, reverse=True)
    assert weights[0] > 0.01
