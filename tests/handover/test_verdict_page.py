"""The page of a proof: what fails stands first, nothing is left out, nothing is fetched."""

from __future__ import annotations

import math
from dataclasses import replace

from throttlewright.handover.cautions import CAUTIONS, NO_CERTIFICATE
from throttlewright.handover.tables import BENCH_ONLY
from throttlewright.handover.verdict_page import FaultLine, VerdictData, verdict_page
from throttlewright.prove.verdict import Status, Verdict


def verdict(status: Status, text: str) -> Verdict:
    value = math.nan if status in ("not_applicable", "not_proven") else 1.25
    return Verdict("no_stall", status, value, 2.0, "s", "a <source>", "2026", text, "tip_in")


def line(fault: str, on: str, off: str, need: str) -> FaultLine:
    return FaultLine(fault, "it breaks", "tip_in", on, off, need, "worst on", "worst off", "wrong")


DATA = VerdictData(
    car_name="Tom & Co",
    status="fail",
    runs=7,
    healthy=(
        verdict("pass", "it is good"),
        verdict("fail", "it is bad"),
        verdict("not_proven", "nobody knows"),
        verdict("not_applicable", "not about this"),
    ),
    faults=(
        line("plate_stuck", "pass", "fail", "needed"),
        line("low_battery", "pass", "pass", "not needed here"),
        line("motor_open", "fail", "fail", "not shown"),
    ),
    books=(verdict("not_applicable", "to be shown on the car itself"),),
    notes=("Mind this.",),
)


def test_what_fails_stands_first() -> None:
    page = verdict_page(DATA)
    assert page.index("it is bad") < page.index("nobody knows") < page.index("it is good")
    assert page.index("motor_open") < page.index("plate_stuck") < page.index("low_battery")


def test_counts_are_those_of_the_data() -> None:
    page = verdict_page(DATA)
    assert "1 fail, 1 not proven, 1 pass. 1 more do not apply" in page
    assert "3 faults, one after another: 1 would hurt" in page
    assert "7 simulated runs, no car was driven." in page


def test_text_is_escaped_and_nothing_is_fetched() -> None:
    page = verdict_page(DATA)
    assert "Tom &amp; Co" in page
    assert "a &lt;source&gt; (2026)" in page
    for word in ("<script", "http://", "https://", "src=", "@import"):
        assert word not in page


def test_cautions_and_the_mark_are_there() -> None:
    page = verdict_page(DATA)
    assert all(caution.topic in page for caution in CAUTIONS)
    assert NO_CERTIFICATE in page
    assert BENCH_ONLY in page
    assert BENCH_ONLY not in verdict_page(replace(DATA, bench_only=False))
    assert page == verdict_page(DATA)
