"""Faults: the list, its codes, and when each acts."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import ValidationError

from throttlewright.drive import faults
from throttlewright.drive.faults import (
    F_CONTROLLER_RESET,
    F_PEDAL_STUCK,
    F_PLATE_STUCK,
    FAULTS,
    N_FAULTS,
    InjectedFault,
    fault_named,
    fault_schedule,
    tick_at,
)
from throttlewright.drive.scenario import load_scenario
from throttlewright.foundation.errors import InputError


def injected(kind: str, at: str, **more: object) -> InjectedFault:
    return InjectedFault.model_validate({"kind": kind, "at": at, **more})


def test_codes_are_places_and_constants_name_them() -> None:
    assert len(FAULTS) == N_FAULTS
    for place, kind in enumerate(FAULTS):
        assert kind.code == place
        assert getattr(faults, f"F_{kind.name.upper()}") == place
    constants = [n for n in vars(faults) if n.startswith("F_")]
    assert len(constants) == N_FAULTS
    assert len({kind.name for kind in FAULTS}) == N_FAULTS


@pytest.mark.parametrize("kind", FAULTS, ids=lambda k: k.name)
def test_each_kind_is_complete_and_proved_in_a_shipped_scenario(kind: faults.FaultKind) -> None:
    assert kind.low <= kind.default <= kind.high
    assert kind.default != 0.0
    assert 0 <= kind.row <= 29
    for words in (kind.text, kind.detection_hint, kind.expected_reaction, kind.goes_wrong):
        assert words
        assert not words.endswith(".")
    scenario = load_scenario(kind.proved_in)
    # There must be time left in which the car can go wrong.
    assert kind.proved_at_s + 1.0 < scenario.duration
    # A scenario that brings the fault itself would be its own healthy twin.
    assert kind.name not in {f.kind for f in scenario.fault}


def test_a_fault_before_a_release_is_injected_before_it() -> None:
    for kind in FAULTS:
        if kind.proved_in == "pedal_release" and kind.name != "polarity_swapped":
            assert kind.proved_at_s < 1.0


def test_rows_of_the_schedule() -> None:
    schedule = fault_schedule(
        [
            injected("plate_stuck", "1 s", until="1.5 s"),
            injected("pedal_stuck", "200 ms", severity=0.25),
        ],
        3000,
    )
    np.testing.assert_array_equal(
        schedule,
        [[F_PEDAL_STUCK, 200.0, 2999.0, 0.25], [F_PLATE_STUCK, 1000.0, 1499.0, 1.0]],
    )


def test_a_reset_lasts_as_long_as_its_severity() -> None:
    schedule = fault_schedule([injected("controller_reset", "1 s", severity=0.25)], 3000)
    np.testing.assert_array_equal(schedule, [[F_CONTROLLER_RESET, 1000.0, 1249.0, 0.25]])


def test_no_faults_and_late_faults_make_an_empty_schedule() -> None:
    assert fault_schedule([], 100).shape == (0, 4)
    assert fault_schedule([injected("plate_stuck", "1 s")], 1000).shape == (0, 4)
    assert fault_schedule([injected("plate_stuck", "1 s")], 1001).shape == (1, 4)


@settings(deadline=None, derandomize=True, max_examples=50)
@given(st.integers(min_value=0, max_value=3_600_000))
def test_a_time_in_milliseconds_is_its_own_tick(ms: int) -> None:
    assert tick_at(ms / 1000.0) == ms
    assert tick_at(ms * 1e-3) == ms


@pytest.mark.parametrize(
    ("data", "words"),
    [
        ({"kind": "pedal_stuk", "at": "1 s"}, 'nearest known kind is "pedal_stuck"'),
        ({"kind": "plate_stuck", "at": "1 s", "until": "1 s"}, "is not after at"),
        ({"kind": "plate_stuck", "at": "1 s", "severity": 0.0}, "0 to 1, not 0"),
        ({"kind": "pedal_stuck", "at": "1 s", "severity": 50}, "0.01 to 1"),
        ({"kind": "controller_reset", "at": "1 s", "until": "2 s"}, "give severity alone"),
        ({"kind": "plate_stuck", "at": 1}, "unit"),
        ({"kind": "plate_stuck", "at": "1 s", "when": "2 s"}, "Extra inputs"),
    ],
)
def test_what_is_wrong_is_refused(data: dict[str, object], words: str) -> None:
    with pytest.raises(ValidationError, match=words):
        InjectedFault.model_validate(data)


def test_unknown_name_tells_the_nearest() -> None:
    with pytest.raises(InputError, match='nearest known kind is "leak_after_plate"'):
        fault_named("leak_after_plat")
