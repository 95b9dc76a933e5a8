"""Verdicts and the fault matrix."""

from __future__ import annotations

import json
import math

import pytest

from throttlewright.foundation.errors import InputError
from throttlewright.prove.matrix import FaultMatrix, MatrixRow
from throttlewright.prove.verdict import Status, Verdict, worst_status


def verdict(status: Status, fault: str = "plate_stuck", **rest: object) -> Verdict:
    known: dict[str, object] = {
        "criterion": "no_stall",
        "status": status,
        "value": 1.0,
        "limit": 2.0,
        "unit": "s",
        "source": "common practice, no source",
        "edition": "",
        "text": "One sentence",
        "scenario": "pedal_release",
        "fault": fault,
    }
    return Verdict(**{**known, **rest})  # type: ignore[arg-type]


@pytest.mark.parametrize(
    "change",
    [
        {"status": "good"},
        {"source": " "},
        {"text": ""},
        {"criterion": ""},
        {"value": math.nan},
        {"limit": math.inf},
    ],
)
def test_what_is_no_verdict(change: dict[str, object]) -> None:
    with pytest.raises(InputError):
        verdict(**{"status": "pass", **change})  # type: ignore[arg-type]


def test_a_verdict_as_json() -> None:
    data = verdict("not_proven", value=math.nan).to_dict()
    assert json.loads(json.dumps(data, allow_nan=False)) == data
    assert data["value"] is None
    assert verdict("pass").to_dict()["value"] == 1.0


def test_status_of_a_whole() -> None:
    good, bad = verdict("pass"), verdict("fail")
    unclear, beside = verdict("not_proven"), verdict("not_applicable")
    assert worst_status([good, beside]) == "pass"
    assert worst_status([good, unclear]) == "not_proven"
    assert worst_status([good, unclear, bad]) == "fail"
    assert worst_status([beside]) == "not_proven"
    assert worst_status([]) == "not_proven"


def test_matrix_counts_verdicts_with_reactions_only() -> None:
    matrix = FaultMatrix.of(
        [
            (verdict("pass"), True),
            (verdict("fail"), False),
            (verdict("pass", "motor_open"), True),
            (verdict("pass", "motor_open"), False),
        ]
    )
    both_fail = FaultMatrix.of([(verdict("fail"), True), (verdict("fail"), False)])
    assert [s.reaction_needed for s in both_fail.summary()] == [False]
    assert (matrix.status, matrix.exit_code) == ("pass", 0)
    stuck, motor = matrix.summary()
    assert (stuck.fault, stuck.reaction_needed) == ("plate_stuck", True)
    assert (motor.fault, motor.reaction_needed) == ("motor_open", False)
    data = matrix.to_dict()
    assert json.loads(json.dumps(data, allow_nan=False)) == data
    assert len(data["rows"]) == 4


@pytest.mark.parametrize(
    ("more", "status"),
    [("fail", "fail"), ("not_proven", "not_proven"), ("not_applicable", "not_proven")],
)
def test_matrix_is_as_good_as_its_worst_fault(more: Status, status: Status) -> None:
    matrix = FaultMatrix.of([(verdict("pass"), True), (verdict(more, "motor_open"), True)])
    assert (matrix.status, matrix.exit_code) == (status, 1)


def test_matrix_of_nothing_proves_nothing() -> None:
    assert (FaultMatrix(()).status, FaultMatrix(()).exit_code) == ("not_proven", 1)
    only_without = FaultMatrix.of([(verdict("pass"), False)])
    assert only_without.status == "not_proven"


def test_row_and_verdict_speak_of_the_same() -> None:
    with pytest.raises(InputError):
        MatrixRow("motor_open", "pedal_release", True, verdict("pass"))
    with pytest.raises(InputError):
        MatrixRow("plate_stuck", "tip_in", True, verdict("pass"))
    with pytest.raises(InputError):
        MatrixRow("", "pedal_release", True, verdict("pass", ""))
