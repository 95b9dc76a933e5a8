"""A campaign: what is run, what is switched off, and what the whole says."""

from __future__ import annotations

import math
from functools import cache

import numpy as np
import pytest

from throttlewright.build.catalogue import load_example
from throttlewright.calibration.calibration import Calibration, Number
from throttlewright.calibration.limits import Limit
from throttlewright.calibration.reactions import Reaction
from throttlewright.calibration.table import Axis, Table
from throttlewright.car.pack import Car, pack
from throttlewright.drive.faults import FAULTS, fault_named
from throttlewright.foundation.errors import InputError
from throttlewright.prove.campaign import (
    FAULT_CRITERIA,
    Campaign,
    applicable_faults,
    plan_campaign,
    unarmed,
)
from throttlewright.prove.criteria import CRITERIA
from throttlewright.prove.matrix import FaultMatrix
from throttlewright.prove.rulebook import load_book
from throttlewright.prove.verdict import Status, Verdict


@cache
def car(name: str) -> Car:
    return pack(load_example(name).build)


def verdict(status: Status, **rest: str) -> Verdict:
    found = math.nan if status == "not_applicable" else 1.0
    return Verdict("no_stall", status, found, 1.0, "", "made up", "", "made up", **rest)


def test_a_faulty_car_is_judged_by_criteria_there_are() -> None:
    assert set(FAULT_CRITERIA) <= set(CRITERIA)


def test_each_fault_the_car_can_have_is_planned_once() -> None:
    for name in ("hillclimb_20t", "trackday_16", "v8_48_itb"):
        planned = [kind.name for task in plan_campaign(car(name)) for kind in task.faults]
        assert sorted(planned) == sorted(kind.name for kind in applicable_faults(car(name)))


def test_cars_without_a_turbo_have_no_wastegate_that_sticks() -> None:
    names = {kind.name for kind in applicable_faults(car("trackday_16"))}
    assert "wastegate_stuck_shut" not in names
    assert "one_plate_differs" not in names
    assert "one_plate_differs" in {k.name for k in applicable_faults(car("v8_48_itb"))}
    scenarios = {task.scenario.name for task in plan_campaign(car("trackday_16"))}
    assert "overboost_stuck_wastegate" not in scenarios
    with pytest.raises(InputError, match="turbo"):
        plan_campaign(car("trackday_16"), faults=["wastegate_stuck_shut"])
    with pytest.raises(InputError, match="turbo"):
        plan_campaign(car("trackday_16"), scenarios=["overboost_stuck_wastegate"])


def test_what_is_asked_for_by_name_is_all_that_runs() -> None:
    tasks = plan_campaign(car("hillclimb_20t"), scenarios=["tip_in"], faults=["plate_stuck"])
    healthy = [task.scenario.name for task in tasks if task.healthy]
    assert healthy == ["tip_in@1500rpm", "tip_in@2500rpm", "tip_in@4000rpm"]
    assert [(k.name, t.healthy) for t in tasks for k in t.faults] == [("plate_stuck", False)]


def test_a_rule_book_asks_for_its_own_runs() -> None:
    book = load_book("FMVSS 124")
    tasks = plan_campaign(car("hillclimb_20t"), faults=[], scenarios=[], books=[book])
    asked = {kind.name for task in tasks for kind in task.books_only}
    named = {fault for rule in book.rules for fault in rule.faults if fault}
    assert asked == {n for n in named if fault_named(n).proved_in != "pedal_release"}


def test_unarmed_takes_reactions_and_the_rows_that_answer() -> None:
    row = {"output": "plate", "side": "ceiling", "law": "table", "source": "made up"}
    row |= {"x": "engine_rpm", "table": "most"}
    speeds = Axis("engine_rpm", "rpm", np.array([1000.0, 6000.0]))
    most = Table("most", "flow", "g/s", (speeds,), np.array([10.0, 90.0]))
    stuck = Reaction("stuck", "tracking", 10.0, 0.5, "cut", "key", "made up")
    calibration = Calibration(
        tables={"most": most},
        numbers={
            "overboost_hold.ki": Number(1.0, "", "made up"),
            "limp_rpm": Number(2500.0, "rpm", "made up"),
        },
        limits=tuple(Limit(name=n, reason="made up", **row) for n in ("overboost_hold", "cold")),
        reactions=(stuck,),
    )
    without = unarmed(calibration, [fault_named("plate_stuck")])
    assert without.reactions == ()
    assert without.limits == calibration.limits
    boost = unarmed(calibration, [fault_named("wastegate_stuck_shut")])
    assert [limit.name for limit in boost.limits] == ["cold"]
    assert list(boost.numbers) == ["limp_rpm"]


def test_status_of_the_whole() -> None:
    good, bad = verdict("pass"), verdict("fail")
    faulty = {"scenario": "tip_in", "fault": "plate_stuck"}
    on, off = (verdict("pass", **faulty), True), (verdict("fail", **faulty), False)
    matrix = FaultMatrix.of([on, off])
    assert Campaign((good,), matrix).status == "pass"
    assert Campaign((good, bad), matrix).status == "fail"
    assert Campaign((good,), FaultMatrix.of([(verdict("fail", **faulty), True)])).status == "fail"
    assert Campaign((good,), matrix, (verdict("not_proven"),)).status == "not_proven"
    assert Campaign((good,), matrix, (verdict("not_applicable"),)).status == "pass"
    assert Campaign((), FaultMatrix(())).status == "not_proven"


def test_a_hidden_fault_is_another_one_that_there_is() -> None:
    names = {kind.name for kind in FAULTS}
    hidden = [kind for kind in FAULTS if kind.hidden_first]
    assert hidden
    assert all(k.hidden_first in names and k.hidden_first != k.name for k in hidden)
