"""The picture of the order of command: what bounds is drawn, and named in words."""

from __future__ import annotations

import re

import numpy as np
import pytest

from throttlewright.drive.command import Command, CommandRow
from throttlewright.handover.command_picture import command_picture, row_words
from throttlewright.handover.tables import BENCH_ONLY
from throttlewright.recording.recording import Event

T = np.round(1e-3 * np.arange(4001), 10)


def row(name: str, output: str, side: str, code: int, bound: np.ndarray) -> CommandRow:
    return CommandRow(name, output, side, "test", code, bound, bound < 100.0)


def made(*, fuel: float = 1.0, ceiling: float = 40.0) -> Command:
    """The foot asks for 60 %; from 1 s to 3 s a ceiling holds the plate."""
    held = (T >= 1.0) & (T < 3.0)
    bound = np.where(held, ceiling, 100.0)
    demand = np.full(T.size, 60.0)
    plate = np.minimum(demand, bound)
    cut = np.where(T >= 3.5, fuel, 0.0)
    rows = (
        row("idle_base", "plate", "floor", 1, np.full(T.size, 3.0)),
        row("overboost_hold", "plate", "ceiling", 2, bound),
        row("cold", "plate", "ceiling", 3, np.full(T.size, 100.0)),
        row("overboost_fuel", "fuel_cut", "floor", 4, cut),
    )
    zero = np.zeros(T.size)
    none = np.zeros(T.size, dtype=np.int64)
    return Command(
        t_s=T, demand=demand, let_through=demand, target=plate, plate=plate, rows=rows,
        given={"plate": plate, "retard": zero, "fuel_cut": cut, "wastegate": zero},
        in_charge={
            "plate": np.where(held & (bound < demand), 2, 0),
            "retard": none,
            "fuel_cut": np.where(cut > 0.0, 4, 0),
            "wastegate": none,
        },
    )  # fmt: skip


def draw(command: Command, **more: object) -> str:
    given: dict = {"title": "A & B", "names": {-1: "plate does not follow"}, "bench_only": True}
    return command_picture(command, **(given | more))


def test_rows_are_named_in_words() -> None:
    assert row_words("overboost_hold") == "Overboost, hold"
    assert row_words("my_own_row") == "my own row"
    assert "_" not in row_words("overboost_fuel")


def test_what_bounds_is_drawn_and_what_does_not_is_not() -> None:
    svg = draw(made())
    assert "▼ Overboost, hold" in svg
    assert "▲ " + row_words("idle_base") in svg
    assert row_words("cold") not in svg, "a ceiling at 100 % bounds nothing"
    assert "fuel cut, and who asks for it" in svg
    assert "ignition retard" not in svg
    calm = draw(made(fuel=0.0, ceiling=100.0))
    assert "▼ " not in calm.replace("▼ ceiling", "")
    assert "fuel cut" not in calm


def test_the_key_says_how_long_each_was_in_charge() -> None:
    svg = draw(made())
    assert "Overboost, hold 50 %" in svg
    assert "the foot 50 %" in svg
    assert "Overboost, fuel 13 %" in svg


def test_a_reaction_is_named_by_its_fault() -> None:
    command = made()
    command.in_charge["plate"][500:900] = -1
    assert "reaction: plate does not follow" in draw(command)


def test_events_caution_and_mark() -> None:
    svg = draw(made(), events=(Event(2.0, "fault", "plate_stuck sets in"),), caution="Hands off.")
    for part in (BENCH_ONLY, "1 plate_stuck sets in (2 s)", "Hands off.", "A &amp; B"):
        assert part in svg
    assert BENCH_ONLY not in draw(made(), bench_only=False)


def test_labels_do_not_overlap() -> None:
    """Texts of one anchor side stand at least their height apart."""
    svg = draw(made(ceiling=59.0))
    found = re.finditer(r'text-anchor: start[^"]*" x="([\d.]+)" y="([\d.]+)"[^>]*>([^<]+)<', svg)
    places = [(float(m[1]), float(m[2]), m[3]) for m in found]
    labels = sorted(y for x, y, _ in places if x > 600.0 and y < 400.0)
    assert len(labels) >= 5
    gaps = np.diff(labels)
    assert gaps.min() > 9.0, gaps


def test_the_same_run_gives_the_same_text() -> None:
    first, second = draw(made()), draw(made())
    assert first == second
    assert "<script" not in first
    assert re.search(r"20\d\d-\d\d-\d\d", first) is None


@pytest.mark.parametrize("size", [2, 4001])
def test_short_and_long_runs_are_drawn(size: int) -> None:
    whole = made()
    rows = tuple(
        CommandRow(r.name, r.output, r.side, r.reason, r.code, r.bound[:size], r.armed[:size])
        for r in whole.rows
    )
    part = Command(
        whole.t_s[:size], whole.demand[:size], whole.let_through[:size], whole.target[:size],
        whole.plate[:size], rows, {k: v[:size] for k, v in whole.given.items()},
        {k: v[:size] for k, v in whole.in_charge.items()},
    )  # fmt: skip
    assert draw(part).startswith("<svg")
