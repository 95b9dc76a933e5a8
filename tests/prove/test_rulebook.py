"""Rule books load, and judge reactions and runs."""

from __future__ import annotations

from dataclasses import dataclass, replace
from importlib.resources import files

import numpy as np
import pytest
from made_up_runs import clock, falling_plate, make

from throttlewright.foundation.errors import InputError
from throttlewright.prove.rulebook import judge_book, list_books, load_book, parse_book
from throttlewright.prove.run import Run
from throttlewright.prove.verdict import Verdict

T = clock(3.0)


@dataclass(frozen=True)
class Row:
    detection: str
    limit: float
    time_s: float
    reaction: str


GOOD = (
    Row("plate_disagree", 10.0, 0.1, "cut"),
    Row("tracking", 10.0, 0.5, "cut"),
    Row("not_at_rest", 5.0, 1.0, "fuel_off"),
    Row("pedal_disagree", 10.0, 0.1, "release_pedal"),
    Row("pedal_1_range", 0.0, 0.1, "other_track"),
    Row("pedal_2_range", 0.0, 0.1, "other_track"),
    Row("plate_1_range", 0.0, 0.1, "other_track"),
    Row("plate_2_range", 0.0, 0.1, "other_track"),
    Row("brake_with_pedal", 25.0, 0.5, "release_pedal"),
)


def key_off(tau: float) -> Run:
    return make(
        "key_off_full_open",
        T,
        plate_pct=falling_plate(T, at=1.0, tau=tau),
        key_1=np.where(T < 1.0, 1.0, 0.0),
        bridge_1=0.0,
        fuel_cut_1=0.0,
    )


def released(tau: float, fault: str = "") -> Run:
    return make(
        "pedal_release",
        T,
        fault=fault,
        plate_pct=falling_plate(T, at=1.0, tau=tau),
        pedal_pct=np.where(T < 1.0, 80.0, 0.0),
    )


def judged(name: str, rows: tuple[Row, ...], *runs: Run) -> dict[str, Verdict]:
    verdicts = judge_book(load_book(name), reactions=rows, runs=runs)
    return {v.criterion.partition(".")[2]: v for v in verdicts}


def test_shipped_books() -> None:
    assert [info.name for info in list_books()] == [
        "FMVSS 124",
        "Formula SAE 2026",
        "Formula Student",
    ]
    for info in list_books():
        book = load_book(info.name)
        assert book.edition
        for rule in book.rules:
            assert rule.source_mark
            assert rule.clause
            if rule.judge in ("reaction", "reaction_if_present", "present"):
                assert rule.actions


def test_the_name_of_a_book_is_read_with_some_grace() -> None:
    assert load_book("formula-student") is load_book("Formula Student")
    with pytest.raises(InputError, match="Formula SAE 2026"):
        load_book("Formula SAE 2025")


@pytest.mark.parametrize("name", ["Formula Student", "Formula SAE 2026"])
def test_a_calibration_within_the_clauses_passes(name: str) -> None:
    found = judged(name, GOOD, key_off(0.3))
    assert {v.status for v in found.values()} == {"pass", "not_applicable"}
    on_the_car = {key for key, v in found.items() if "shown on the car" in v.text}
    assert {"two_sources", "brake_device"} <= on_the_car


# Limits from the books, read in public copies: 10 points and 100 ms for sensors that differ
# (Formula Student CV1.6.6 and T11.8.8, Formula SAE IC.4.4 and T.4.2), 10 % for 500 ms
# (CV1.6.9) or 1 s (IC.4.7.2) for a plate off its target.
@pytest.mark.parametrize(
    ("name", "detection", "change", "rule", "status"),
    [
        ("Formula Student", "plate_disagree", {"limit": 10.1}, "plate_disagree", "fail"),
        ("Formula Student", "plate_disagree", {"time_s": 0.101}, "plate_disagree", "fail"),
        ("Formula Student", "plate_disagree", {"reaction": "note"}, "plate_disagree", "fail"),
        ("Formula Student", "tracking", {"time_s": 0.6}, "tracking", "fail"),
        ("Formula SAE 2026", "tracking", {"time_s": 0.6}, "tracking", "pass"),
        ("Formula SAE 2026", "tracking", {"time_s": 1.1}, "tracking", "fail"),
        ("Formula SAE 2026", "tracking", {"limit": 11.0}, "tracking", "fail"),
        ("Formula Student", "pedal_disagree", {"time_s": 0.2}, "pedal_disagree", "fail"),
        ("Formula SAE 2026", "pedal_1_range", {"time_s": 0.2}, "pedal_1_range", "fail"),
        ("Formula SAE 2026", "brake_with_pedal", {"time_s": 1.2}, "brake_with_plate", "fail"),
        ("Formula Student", "not_at_rest", {"limit": 6.0}, "unpowered_reaction", "fail"),
    ],
)
def test_one_row_outside_a_clause(
    name: str, detection: str, change: dict[str, object], rule: str, status: str
) -> None:
    rows = tuple(replace(r, **change) if r.detection == detection else r for r in GOOD)
    assert judged(name, rows, key_off(0.3))[rule].status == status


@pytest.mark.parametrize("name", ["Formula Student", "Formula SAE 2026"])
def test_without_reactions_every_clause_on_them_fails(name: str) -> None:
    found = judged(name, (), key_off(0.3))
    rules = [r for r in load_book(name).rules if r.judge in ("reaction", "present")]
    assert rules
    for rule in rules:
        assert found[rule.id].status == "fail", rule.id


def test_the_better_of_two_rows_counts() -> None:
    rows = (*GOOD, Row("plate_disagree", 25.0, 0.1, "cut"))
    assert judged("Formula Student", rows)["plate_disagree"].status == "pass"


def test_bus_clause_needs_no_row_without_a_bus() -> None:
    assert judged("Formula Student", GOOD)["bus"].status == "not_applicable"
    late = (*GOOD, Row("bus_timeout", 0.6, 0.0, "release_pedal"))
    assert judged("Formula Student", late)["bus"].status == "fail"
    both = (*GOOD, Row("bus_timeout", 0.4, 0.2, "release_pedal"))
    assert judged("Formula Student", both)["bus"].status == "fail"
    soon = (*GOOD, Row("bus_timeout", 0.1, 0.0, "release_pedal"))
    assert judged("Formula Student", soon)["bus"].status == "pass"


def test_clauses_on_runs_take_the_worst_run() -> None:
    assert judged("Formula Student", GOOD)["unpowered"].status == "not_proven"
    found = judged("Formula Student", GOOD, key_off(0.3), key_off(0.6))["unpowered"]
    assert found.status == "fail"
    assert found.value > 1.0
    assert found.scenario == "key_off_full_open"


def test_severance_is_proven_only_with_every_fault_of_the_clause() -> None:
    book = load_book("FMVSS 124")
    faults = next(rule.faults for rule in book.rules if rule.id == "severance")
    runs = [released(0.2, fault) for fault in faults]
    assert judged("FMVSS 124", (), *runs)["severance"].status == "pass"
    partly = judged("FMVSS 124", (), *runs[:-1])["severance"]
    assert partly.status == "not_proven"
    assert faults[-1] in partly.text
    bad = [released(0.2, fault) for fault in faults[:3]] + [released(0.8, faults[3])]
    assert judged("FMVSS 124", (), *bad)["severance"].status == "fail"
    healthy = judged("FMVSS 124", (), released(0.2))
    assert healthy["return_time"].status == "pass"
    assert healthy["two_sources"].status == "not_proven"


def test_data_of_a_book_is_checked() -> None:
    text = files("throttlewright.prove.rules").joinpath("fmvss_124.toml").read_text("utf-8")
    for old, new, said in (
        ('source_mark = "from memory: unverified"', 'source_mark = ""', "source_mark"),
        ('edition = "', 'editon = "', "edition"),
        ('judge = "run"', 'judge = "guess"', "no way to judge"),
        ('"return_to_idle"', '"return_home"', "names no criterion"),
        ('id = "severance"', 'id = "return_time"', "own id"),
        ('clause = "S5.1"', 'claus = "S5.1"', "is not a key"),
    ):
        assert old in text
        with pytest.raises(InputError, match=said):
            parse_book(text.replace(old, new, 1), file="x")
