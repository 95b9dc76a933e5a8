"""Relations of two tracks, what their comparison sees, and limits of their range."""

from __future__ import annotations

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from throttlewright.design.track_pair import (
    Line,
    classify,
    pair_clauses,
    range_limit,
    views,
)

HALF = (Line(0.75, 4.5), Line(0.375, 2.25))
# One road car's service manual: 0.8 V between parallel tracks.
OFFSET = (Line(0.8, 4.0), Line(1.6, 4.8))
MIRROR = (Line(0.6, 4.4), Line(4.4, 0.6))


@pytest.mark.parametrize(
    ("pair", "name"),
    [
        (HALF, "half"),
        (HALF[::-1], "half"),
        (OFFSET, "offset"),
        (MIRROR, "mirror"),
        ((Line(0.6, 4.4), Line(4.0, 1.5)), "opposite"),
        ((Line(0.5, 4.5), Line(1.5, 3.5)), "unlike"),
        ((Line(0.75, 4.5), Line(0.75, 4.5)), "identical"),
        ((Line(0.75, 4.5), Line(0.95, 4.6)), "identical"),
    ],
)
def test_relations(pair: tuple[Line, Line], name: str) -> None:
    found = classify(*pair)
    assert found.topology == name
    assert bool(found.refused) == (name == "identical")


def seen(pair: tuple[Line, Line], fault: str, tolerance: float = 10.0) -> object:
    return next(v for v in views(classify(*pair), tolerance_pct=tolerance) if fault in v.fault)


def test_half_tracks_shorted_together() -> None:
    # Track 2 the stronger reads 0.375 V released: track 1 then shows -10 %, and the difference
    # grows with travel. By hand: (v / 2 - r) / s for track 1, x for track 2.
    view = seen(HALF, "shorted", 9.9)
    assert view.least_pct == pytest.approx(10.0, abs=1e-9)
    assert view.blind == ()
    assert seen(HALF, "shorted", 10.5).blind[0][0] == 0.0


def test_offset_tracks_shorted_together_are_seen_everywhere() -> None:
    # 0.8 V of 3.2 V, whichever source wins: by hand 25 points
    view = seen(OFFSET, "shorted")
    assert view.least_pct == pytest.approx(25.0)
    assert view.found_pct == 100.0


def test_mirrored_tracks_shorted_together_can_settle_at_half_travel() -> None:
    view = seen(MIRROR, "shorted")
    assert view.blind == ((0.0, 100.0),)
    # both then read 2.5 V, which is 50 % on each: a released pedal reads half
    assert view.rises_pct == pytest.approx(50.0)


def test_what_is_shared_cancels_in_the_ratio_and_shows_in_the_mirror() -> None:
    assert seen(HALF, "supply").least_pct == pytest.approx(0.0, abs=1e-9)
    # mirror: 0.1 * 5 V over 3.8 V = 13.2 points at any travel, by hand
    assert seen(MIRROR, "supply").least_pct == pytest.approx(0.5 / 3.8 * 100.0)
    assert seen(OFFSET, "ground").blind == ((0.0, 100.0),)
    # 0.25 V of a span of 3.75 V and of 1.875 V: 6.7 points apart
    assert seen(HALF, "ground").least_pct == pytest.approx(0.25 / 3.75 * 100.0)


def test_a_stuck_track_is_found_once_the_pedal_has_left_it() -> None:
    view = seen(HALF, "stuck", 10.0)
    assert view.blind == ((0.0, 10.0),)


@given(
    st.floats(0.3, 1.2), st.floats(1.5, 3.2), st.floats(0.3, 1.2), st.floats(1.5, 3.2),
    st.booleans(), st.floats(1.0, 20.0),
)  # fmt: skip
@settings(deadline=None, derandomize=True, max_examples=50)
def test_a_wider_tolerance_never_sees_more(
    a: float, b: float, c: float, d: float, turned: bool, tolerance: float
) -> None:
    second = Line(c + d, c) if turned else Line(c, c + d)
    pair = classify(Line(a, a + b), second)
    tight = views(pair, tolerance_pct=tolerance)
    wide = views(pair, tolerance_pct=1.5 * tolerance)
    for one, two in zip(tight, wide, strict=True):
        assert two.found_pct <= one.found_pct + 1e-9
        assert one.least_pct == pytest.approx(two.least_pct)


def test_range_limits_lie_between_open_wire_and_healthy_end() -> None:
    limit = range_limit(HALF[1], noise_V=0.003, pull_ohm=1e5)
    # 100 kohm times 1 uA; end 0.375 V less drift 0.05 V; by hand half of 0.1 + 0.325
    assert limit.open_V == pytest.approx(0.1)
    assert limit.margin_V == pytest.approx(0.2125)
    assert limit.pull == "down"
    # 0.5 V and 4.5 V are the example of Formula SAE 2026 IC.4.4.8
    wide = range_limit(Line(1.5, 3.5), noise_V=0.003, pull_ohm=1e5)
    assert (wide.low_V, wide.high_V) == (0.5, 4.5)
    assert range_limit(MIRROR[1], noise_V=0.003, pull_ohm=1e5).pull == "up"


def test_no_range_limit_is_made_up_where_none_fits() -> None:
    limit = range_limit(Line(0.2, 4.0), noise_V=0.003, pull_ohm=3e5)
    assert math.isnan(limit.margin_V)
    assert "no limit fits" in limit.text
    assert math.isfinite(range_limit(Line(0.2, 4.0), noise_V=0.003, pull_ohm=2e4).margin_V)


def test_clauses_of_rule_books_on_the_pair() -> None:
    # servo_safety: Formula SAE 2026 T.4.2 forbids opposite slopes and asks for 10 %; Formula
    # Student T11.8 for curves that do not intersect; both read in public copies
    books = ("Formula SAE 2026", "Formula Student", "FMVSS 124")

    def verdicts(pair: tuple[Line, Line], pedal: bool = True) -> list[bool]:
        return [c.passed for c in pair_clauses(classify(*pair), books, pedal=pedal)]

    assert verdicts(OFFSET) == [True, True, True]
    assert verdicts(MIRROR) == [False, False, False]
    # 0.4 V apart is 8 % of the supply
    assert verdicts((Line(0.8, 4.0), Line(1.2, 4.4))) == [True, False, True]
    assert verdicts(MIRROR, pedal=False) == []
