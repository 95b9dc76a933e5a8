"""What differs between revisions."""

from __future__ import annotations

import dataclasses

import pytest
from garage_things import made_up_calibration, made_up_recording

from throttlewright.calibration.calibration import Number
from throttlewright.foundation.errors import InputError
from throttlewright.garage.compare import compare, compare_calibrations
from throttlewright.garage.contents import verdicts_to_json
from throttlewright.prove.verdict import Verdict


def two(garage, kind, a, b, name="x"):
    first = garage.save("Kestrel", kind, name, a, base_revision=None, who="Ada").revision
    second = garage.save("Kestrel", kind, name, b, base_revision=first.id, who="Ada").revision
    return compare(garage, first.id, second.id)


def test_texts_by_lines(garage, intent) -> None:
    found = two(garage, "intent", intent, intent.replace('"70 %"', '"60 %"', 1), "intent")
    changed = [line for line in found.lines if line[0] in "+-" and line[:3] not in ("+++", "---")]
    assert changed == ['-most_torque = "70 %"', '+most_torque = "60 %"']


def test_calibrations_by_cells_and_numbers(garage) -> None:
    found = two(
        garage,
        "calibration",
        made_up_calibration().to_json(),
        made_up_calibration(corner=95.5, idle=950.0).to_json(),
    )
    (table,) = found.tables
    assert (table.change, table.cells, table.cells_changed) == ("changed", 6, 1)
    assert table.largest == -4.5
    assert table.at == (("engine_rpm", 6000.0, "rpm"), ("pedal_pct", 100.0, "%"))
    (number,) = found.numbers
    assert (number.name, number.old, number.new) == ("idle_speed", 900.0, 950.0)
    assert found.rows == ()
    assert found.lines == ()


def test_parts_of_calibrations_that_come_and_go() -> None:
    old = made_up_calibration()
    table = old.tables["plate_over_pedal_dry"]
    other = dataclasses.replace(table, name="second")
    noted = dataclasses.replace(table, note="by hand")
    new = dataclasses.replace(
        old,
        tables={"plate_over_pedal_dry": noted, "second": other},
        numbers={"launch_speed": Number(4500.0, "rpm", "made up")},
        build_sha256="0" * 64,
    )
    tables, numbers, rows = compare_calibrations(old, new)
    assert [(t.name, t.change, t.cells_changed) for t in tables] == [
        ("plate_over_pedal_dry", "changed", 0),
        ("second", "added", 6),
    ]
    assert [(n.name, n.old, n.new) for n in numbers] == [
        ("idle_speed", 900.0, None),
        ("launch_speed", None, 4500.0),
    ]
    assert [r.part for r in rows] == ["build_sha256"]
    assert compare_calibrations(new, new) == ((), (), ())
    axes = tuple(dataclasses.replace(a, values=a.values + 1.0) for a in table.axes)
    moved = dataclasses.replace(old, tables={table.name: dataclasses.replace(table, axes=axes)})
    (only,), _, _ = compare_calibrations(old, moved)
    assert (only.change, only.largest) == ("other axes", None)


def test_verdicts_by_criterion(garage) -> None:
    def verdict(name: str, status, value: float) -> Verdict:
        return Verdict(name, status, value, 1.0, "s", "made up", "1", "text", "release", "")

    a = verdicts_to_json([verdict("closing", "pass", 0.5), verdict("idle", "pass", 0.1)])
    b = verdicts_to_json([verdict("closing", "fail", 1.5), verdict("idle", "pass", 0.1)])
    (change,) = two(garage, "verdicts", a, b).verdicts
    assert (change.criterion, change.old, change.new) == ("closing", "pass", "fail")
    assert (change.old_value, change.new_value, change.unit) == (0.5, 1.5, "s")


def test_recordings_by_channel(garage) -> None:
    found = two(garage, "recording", made_up_recording(), made_up_recording(last=4.0))
    assert [(c.name, c.change, c.old_samples, c.new_samples) for c in found.channels] == [
        ("pedal_pct", "changed", 3, 3)
    ]


def test_the_same_and_the_unlike(garage, intent, build) -> None:
    a = garage.save("Kestrel", "intent", "intent", intent, base_revision=None, who="A").revision
    b = garage.save("Kestrel", "build", "build", build, base_revision=None, who="A").revision
    assert compare(garage, a.id, a.id).same
    with pytest.raises(InputError, match="compare two of one kind"):
        compare(garage, a.id, b.id)
