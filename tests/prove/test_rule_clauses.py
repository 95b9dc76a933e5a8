"""Each numeric clause of the rule books, judged on cases made by hand just inside and outside.

Numbers in this file are written from the notes on the public copies, not read from the book files.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import pytest
from made_up_runs import CAR, clock, falling_plate, make

from throttlewright.prove.rulebook import judge_book, load_book
from throttlewright.prove.run import CarFacts, Run

FS, FSAE, FMVSS = "Formula Student", "Formula SAE 2026", "FMVSS 124"


@dataclass(frozen=True)
class Row:
    detection: str
    limit: float
    time_s: float
    reaction: str


def status(book: str, rule: str, *, rows: tuple[Row, ...] = (), runs: tuple[Run, ...] = ()) -> str:
    for verdict in judge_book(load_book(book), reactions=rows, runs=runs):
        if verdict.criterion.partition(".")[2] == rule:
            return verdict.status
    raise AssertionError(f"{book} has no rule {rule}")


# book, rule, detection, action, largest bound (nan: any), longest time
# Formula SAE 2026: IC.4.4.2-4, IC.4.7.1-3, T.4.2.4-5, T.4.2.10; Formula Student, UK-style edition:
# CV1.6.5, CV1.6.6, CV1.6.9, T11.8.8-9, T11.9.2. All read in public copies.
CLAUSES = [
    (FS, "unpowered_reaction", "not_at_rest", "fuel_off", 5.0, 1.0),
    (FS, "plate_disagree", "plate_disagree", "cut", 10.0, 0.1),
    (FS, "tracking", "tracking", "cut", 10.0, 0.5),
    (FS, "pedal_disagree", "pedal_disagree", "release_pedal", 10.0, 0.1),
    (FS, "pedal_1_range", "pedal_1_range", "other_track", math.nan, 0.1),
    (FS, "pedal_2_range", "pedal_2_range", "other_track", math.nan, 0.1),
    (FS, "plate_1_range", "plate_1_range", "cut", math.nan, 0.1),
    (FS, "plate_2_range", "plate_2_range", "cut", math.nan, 0.1),
    (FSAE, "unpowered_reaction", "not_at_rest", "fuel_off", 10.0, 1.0),
    (FSAE, "plate_disagree", "plate_disagree", "cut", 10.0, 0.1),
    (FSAE, "tracking", "tracking", "cut", 10.0, 1.0),
    (FSAE, "pedal_disagree", "pedal_disagree", "release_pedal", 10.0, 0.1),
    (FSAE, "pedal_1_range", "pedal_1_range", "other_track", math.nan, 0.1),
    (FSAE, "pedal_2_range", "pedal_2_range", "other_track", math.nan, 0.1),
    (FSAE, "plate_1_range", "plate_1_range", "cut", math.nan, 0.1),
    (FSAE, "plate_2_range", "plate_2_range", "cut", math.nan, 0.1),
    (FSAE, "brake_with_plate", "brake_with_pedal", "cut", 100.0, 1.0),
]


@pytest.mark.parametrize(("book", "rule", "detection", "action", "limit", "time_s"), CLAUSES)
def test_a_row_on_the_bound_passes_and_one_beyond_fails(
    book: str, rule: str, detection: str, action: str, limit: float, time_s: float
) -> None:
    bound = 0.3 if math.isnan(limit) else limit
    row = Row(detection, bound, time_s, action)
    assert status(book, rule, rows=(row,)) == "pass"
    assert status(book, rule, rows=(replace(row, time_s=1.02 * time_s),)) == "fail"
    if not math.isnan(limit):
        assert status(book, rule, rows=(replace(row, limit=1.01 * limit),)) == "fail"
    assert status(book, rule, rows=(replace(row, reaction="note"),)) == "fail"
    assert status(book, rule, rows=(replace(row, detection="supply_low"),)) == "fail"


def test_every_clause_on_reactions_is_in_the_table() -> None:
    for book in (FS, FSAE):
        kinds = ("reaction", "present")
        rules = {rule.id for rule in load_book(book).rules if rule.judge in kinds}
        assert rules == {rule for name, rule, *_ in CLAUSES if name == book}


def test_bus_time_is_at_most_half_a_second_in_all() -> None:
    # Formula Student T11.9.4: at most 500 ms of delay
    assert status(FS, "bus", rows=(Row("bus_timeout", 0.4, 0.1, "release_pedal"),)) == "pass"
    assert status(FS, "bus", rows=(Row("bus_timeout", 0.4, 0.11, "release_pedal"),)) == "fail"


def key_off(reached_s: float) -> Run:
    """Plate from 80 % towards 3 %, at idle +-5 % (12 %: it rests at 7) after so long."""
    t = clock(3.0)
    tau = reached_s / math.log(77.0 / 9.0)
    return make(
        "key_off_full_open", t, plate_pct=falling_plate(t, at=1.0, tau=tau),
        key_1=np.where(t < 1.0, 1.0, 0.0), bridge_1=0.0, fuel_cut_1=0.0,
    )  # fmt: skip


@pytest.mark.parametrize("book", [FS, FSAE])
def test_unpowered_plate_is_back_within_one_second(book: str) -> None:
    # Formula Student CV1.6.5, Formula SAE 2026 IC.4.7.1b
    assert status(book, "unpowered", runs=(key_off(0.97),)) == "pass"
    assert status(book, "unpowered", runs=(key_off(1.03),)) == "fail"


def released(reached_s: float, fault: str = "", car: CarFacts = CAR) -> Run:
    """Plate at idle (3 %; 7 % where it rests after a fault) within 2 points after so long."""
    t = clock(6.0)
    idle = 7.0 if fault else 3.0
    tau = reached_s / math.log(77.0 / (idle + 2.0 - 3.0))
    return make(
        "pedal_release", t, car=car, fault=fault, plate_pct=falling_plate(t, at=1.0, tau=tau),
        pedal_pct=np.where(t < 1.0, 80.0, 0.0),
    )  # fmt: skip


# 49 CFR 571.124 S5.3, from memory: 1 s up to 4536 kg, 2 s above, 3 s from -18 to -40 degC
@pytest.mark.parametrize(
    ("mass_kg", "ambient_degC", "limit_s"),
    [
        (1600.0, 20.0, 1.0),
        (4536.0, 20.0, 1.0),
        (4537.0, 20.0, 2.0),
        (1600.0, -17.0, 1.0),
        (1600.0, -18.0, 3.0),
        (8000.0, -40.0, 3.0),
    ],
)
def test_return_time_follows_mass_and_cold(
    mass_kg: float, ambient_degC: float, limit_s: float
) -> None:
    car = replace(CAR, gross_mass_kg=mass_kg, ambient_degC=ambient_degC)
    assert status(FMVSS, "return_time", runs=(released(0.97 * limit_s, car=car),)) == "pass"
    assert status(FMVSS, "return_time", runs=(released(1.03 * limit_s, car=car),)) == "fail"


# S5.1 and S5.2: the same time with one source failed, or any one component severed
@pytest.mark.parametrize("rule", ["two_sources", "severance"])
def test_return_with_one_thing_broken(rule: str) -> None:
    faults = next(r.faults for r in load_book(FMVSS).rules if r.id == rule)
    good = tuple(released(0.97, fault) for fault in faults)
    assert status(FMVSS, rule, runs=good) == "pass"
    for k, fault in enumerate(faults):
        bad = (*good[:k], released(1.03, fault), *good[k + 1 :])
        assert status(FMVSS, rule, runs=bad) == "fail", fault
