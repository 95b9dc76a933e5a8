"""What differs between two revisions, in the terms of their kind."""

from __future__ import annotations

import difflib
import itertools
from dataclasses import dataclass
from typing import Literal

import numpy as np

from throttlewright.calibration.calibration import Calibration
from throttlewright.calibration.table import Table
from throttlewright.foundation.errors import InputError
from throttlewright.garage.contents import recording_of, verdicts_from_json
from throttlewright.garage.records import RevisionInfo
from throttlewright.garage.store import Garage

__all__ = [
    "ChannelChange",
    "Comparison",
    "NumberChange",
    "RowChange",
    "TableChange",
    "VerdictChange",
    "compare",
    "compare_calibrations",
]

Change = Literal["added", "removed", "changed", "other axes"]


@dataclass(frozen=True)
class TableChange:
    """A table of a calibration that differs."""

    name: str
    change: Change
    unit: str
    cells: int
    cells_changed: int
    largest: float | None
    """Largest change of a cell, new minus old, in the unit of the table; None for other axes."""
    at: tuple[tuple[str, float, str], ...]
    """Where it is: name, value and unit of each axis."""


@dataclass(frozen=True)
class NumberChange:
    """A number of a calibration that differs; None where it is not there."""

    name: str
    unit: str
    old: float | None
    new: float | None


@dataclass(frozen=True)
class RowChange:
    """A limit, a reaction or another part of a calibration that differs."""

    part: str
    name: str
    change: Change


@dataclass(frozen=True)
class VerdictChange:
    """A verdict that differs; None where it is not there."""

    criterion: str
    scenario: str
    fault: str
    old: str | None
    new: str | None
    old_value: float | None
    new_value: float | None
    unit: str


@dataclass(frozen=True)
class ChannelChange:
    """A channel of a recording that differs."""

    name: str
    change: Change
    old_samples: int
    new_samples: int


@dataclass(frozen=True)
class Comparison:
    """Two revisions and what differs."""

    old: RevisionInfo
    new: RevisionInfo
    same: bool
    lines: tuple[str, ...] = ()
    """Of texts: lines with + and - in front, and a few around them."""
    tables: tuple[TableChange, ...] = ()
    numbers: tuple[NumberChange, ...] = ()
    rows: tuple[RowChange, ...] = ()
    verdicts: tuple[VerdictChange, ...] = ()
    channels: tuple[ChannelChange, ...] = ()


def compare(garage: Garage, old: int, new: int) -> Comparison:
    """Compare two revisions of one kind.

    Parameters
    ----------
    garage : Garage
        Where they are.
    old, new : int
        Numbers of the revisions.

    Returns
    -------
    Comparison
        What differs, in the terms of the kind.

    Raises
    ------
    InputError
        If a revision is not there, or the two are of different kinds.
    """
    a, b = garage.revision(old), garage.revision(new)
    if a.kind != b.kind:
        raise InputError(
            f"revision {old} is a {a.kind} and revision {new} a {b.kind}",
            advice="compare two of one kind",
        )
    if a.sha256 == b.sha256:
        return Comparison(a, b, same=True)
    was, now = garage.content(old), garage.content(new)
    if isinstance(was, bytes) or isinstance(now, bytes):
        return Comparison(a, b, same=False, channels=_channels(was, now))
    if a.kind == "calibration" and not (a.draft or b.draft):
        tables, numbers, rows = compare_calibrations(
            Calibration.from_json(was), Calibration.from_json(now)
        )
        return Comparison(a, b, same=False, tables=tables, numbers=numbers, rows=rows)
    if a.kind == "verdicts":
        return Comparison(a, b, same=False, verdicts=_verdicts(was, now))
    lines = difflib.unified_diff(
        was.splitlines(), now.splitlines(), f"revision {old}", f"revision {new}", lineterm="", n=2
    )
    return Comparison(a, b, same=False, lines=tuple(lines))


def compare_calibrations(
    old: Calibration, new: Calibration
) -> tuple[tuple[TableChange, ...], tuple[NumberChange, ...], tuple[RowChange, ...]]:
    """Return what differs between two calibrations: tables, numbers, other parts.

    Parameters
    ----------
    old, new : Calibration
        The two.

    Returns
    -------
    tuple of three tuples
        Changes of tables, of numbers, and of limits, reactions, hashes and release.
    """
    tables = [
        _table(name, old.tables.get(name), new.tables.get(name))
        for name in sorted({*old.tables, *new.tables})
    ]
    numbers = []
    for name in sorted({*old.numbers, *new.numbers}):
        a, b = old.numbers.get(name), new.numbers.get(name)
        if a != b:
            unit = b.unit if b else a.unit if a else ""
            numbers.append(NumberChange(name, unit, a and a.value, b and b.value))
    rows = []
    for part, was, now in (
        ("limit", {x.name: x for x in old.limits}, {x.name: x for x in new.limits}),
        (
            "reaction",
            {f"{n}: {x.fault}": x for n, x in enumerate(old.reactions, 1)},
            {f"{n}: {x.fault}": x for n, x in enumerate(new.reactions, 1)},
        ),
    ):
        for name in dict.fromkeys([*was, *now]):
            if was.get(name) != now.get(name):
                rows.append(RowChange(part, name, _change(name in was, name in now)))
    if [x.name for x in old.limits] != [x.name for x in new.limits] and {
        x.name for x in old.limits
    } == {x.name for x in new.limits}:
        rows.append(RowChange("limits", "order of rank", "changed"))
    for part in ("build_sha256", "intent_sha256", "release", "bench_only"):
        if getattr(old, part) != getattr(new, part):
            rows.append(RowChange(part, "", "changed"))
    return tuple(t for t in tables if t is not None), tuple(numbers), tuple(rows)


def _change(before: bool, after: bool) -> Change:
    return "changed" if before and after else "removed" if before else "added"


def _table(name: str, old: Table | None, new: Table | None) -> TableChange | None:
    if old is None or new is None:
        one = new if old is None else old
        if one is None:
            return None
        change = _change(old is not None, new is not None)
        return TableChange(name, change, one.unit, one.values.size, one.values.size, None, ())
    same_axes = old.unit == new.unit and [
        (a.name, a.unit, a.values.tolist()) for a in old.axes
    ] == [(a.name, a.unit, a.values.tolist()) for a in new.axes]
    if not same_axes:
        size = new.values.size
        return TableChange(name, "other axes", new.unit, size, size, None, ())
    difference = new.values - old.values
    changed = int(np.count_nonzero(difference))
    if changed == 0:
        others = ("quantity", "percent_meaning", "note", "interpolation", "outside")
        if all(getattr(old, key) == getattr(new, key) for key in others):
            return None
        return TableChange(name, "changed", new.unit, new.values.size, 0, 0.0, ())
    place = np.unravel_index(int(np.argmax(np.abs(difference))), difference.shape)
    at = tuple(
        (axis.name, float(axis.values[i]), axis.unit)
        for axis, i in zip(new.axes, place, strict=True)
    )
    largest = float(difference[place])
    return TableChange(name, "changed", new.unit, new.values.size, changed, largest, at)


def _verdicts(old: str, new: str) -> tuple[VerdictChange, ...]:
    def by_place(text: str) -> dict[tuple[str, str, str, int], tuple[str, float | None, str]]:
        found: dict[tuple[str, str, str, int], tuple[str, float | None, str]] = {}
        for verdict in verdicts_from_json(text):
            for number in itertools.count():
                key = (verdict.criterion, verdict.scenario, verdict.fault, number)
                if key not in found:
                    value = verdict.to_dict()["value"]
                    found[key] = (verdict.status, value, verdict.unit)
                    break
        return found

    was, now = by_place(old), by_place(new)
    changes = []
    for key in dict.fromkeys([*was, *now]):
        a, b = was.get(key), now.get(key)
        if a != b:
            changes.append(
                VerdictChange(
                    *key[:3],
                    old=a[0] if a else None,
                    new=b[0] if b else None,
                    old_value=a[1] if a else None,
                    new_value=b[1] if b else None,
                    unit=(b or a or ("", None, ""))[2],
                )
            )
    return tuple(changes)


def _channels(old: str | bytes, new: str | bytes) -> tuple[ChannelChange, ...]:
    was, now = (recording_of(x).channels if isinstance(x, bytes) else {} for x in (old, new))
    changes = []
    for name in dict.fromkeys([*was, *now]):
        a, b = was.get(name), now.get(name)
        if a is None or b is None or a != b:
            change = _change(a is not None, b is not None)
            changes.append(ChannelChange(name, change, len(a or ()), len(b or ())))
    return tuple(changes)
