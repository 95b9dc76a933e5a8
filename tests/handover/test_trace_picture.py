"""Spans of who is in charge, and a picture that keeps peaks and says the same twice."""

from __future__ import annotations

import re

import numpy as np
import pytest

from throttlewright.handover.tables import BENCH_ONLY
from throttlewright.handover.trace_picture import Charge, _thin, charges, trace_picture
from throttlewright.recording.recording import Channel, Event, Recording

T = np.round(1e-3 * np.arange(5001), 10)


def recording(events: tuple[Event, ...] = ()) -> Recording:
    code = np.where(T < 1.0, 0.0, np.where(T < 2.5, 2.0, -1.0))
    channels = [Channel("in_charge_plate_1", "", T, code)]
    channels += [
        Channel(name, "%", T, 50.0 + 10.0 * np.sin(T))
        for name in ("pedal_pct", "plate_target_pct", "plate_pct")
    ]
    return Recording.of(channels, events)


def draw(source: Recording, *, bench_only: bool = True) -> str:
    names = {0: "demand", 2: "cold <limit>", -1: "stuck"}
    return trace_picture(
        source, title="A & B", names=names, bench_only=bench_only, caution="Hands off."
    )


def test_spans_are_those_of_the_channel() -> None:
    assert charges(recording()) == (
        Charge(0.0, 1.0, 0),
        Charge(1.0, 2.5, 2),
        Charge(2.5, 5.0, -1),
    )
    assert charges(Recording.of([])) == ()


def test_thinning_keeps_a_single_peak() -> None:
    values = np.zeros(50_000)
    values[31_234] = 7.0
    t, y = _thin(np.arange(50_000.0), values)
    assert t.size < 5000
    assert y.max() == pytest.approx(7.0, rel=0)
    assert t[np.argmax(y)] == 31_234.0
    assert np.all(np.diff(t) > 0.0)


def test_the_picture_names_what_happened() -> None:
    svg = draw(recording((Event(1.0, "fault", "plate_stuck sets in"),)))
    for part in (BENCH_ONLY, "plate_stuck sets in (1 s)", "Hands off.", "cold &lt;limit&gt;"):
        assert part in svg
    assert "A &amp; B" in svg
    assert BENCH_ONLY not in draw(recording(), bench_only=False)


def test_the_same_recording_gives_the_same_text() -> None:
    first, second = draw(recording()), draw(recording())
    assert first == second
    assert re.search(r"20\d\d-\d\d-\d\d", first) is None
    assert "<script" not in first
