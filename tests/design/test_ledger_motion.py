"""Numbers that act on the car in motion only do not move steady torque, and the ledger knows."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from throttlewright.build.catalogue import load_example
from throttlewright.build.load import BuildFile
from throttlewright.build.paths import value_at, with_value
from throttlewright.car.pack import pack
from throttlewright.design.ledger import _INERT_KEYS, _probe, rank_ledger


@cache
def example() -> BuildFile:
    return load_example("turbo_20")


@cache
def nominal() -> tuple[np.ndarray, float]:
    return _probe(pack(example().build))


@pytest.mark.parametrize("key", sorted(_INERT_KEYS))
def test_a_key_called_inert_moves_no_steady_torque(key: str) -> None:
    moved = with_value(example().build, key, 0.6 * value_at(example().build, key))
    torque, air = _probe(pack(moved))
    assert np.array_equal(torque, nominal()[0])
    assert air == nominal()[1]


def test_inert_numbers_are_listed_without_effect() -> None:
    keys = {*_INERT_KEYS, "servo.inertia", "sensors.noise"}
    rows = rank_ledger(example().build, {key: example().provenance[key] for key in keys})
    assert {row.key for row in rows} == keys
    assert all(row.torque_effect is None and row.measure for row in rows)
