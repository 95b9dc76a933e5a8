"""What one asks of the garage and what it answers, both ways for terminal and pages."""

from __future__ import annotations

import getpass
from typing import Literal

from pydantic import Field

from throttlewright.garage.store import MAIN
from throttlewright.workshop.common import Model

__all__ = [
    "BranchRequest",
    "BranchResult",
    "CarLine",
    "ChannelLine",
    "CompareRequest",
    "CompareResult",
    "ExportRequest",
    "ExportResult",
    "GarageRequest",
    "HistoryRequest",
    "HistoryResult",
    "ImportRequest",
    "ImportResult",
    "ListResult",
    "NewCarRequest",
    "NewCarResult",
    "NumberLine",
    "RemoveRequest",
    "RemoveResult",
    "RenameRequest",
    "RestoreRequest",
    "Revision",
    "RowLine",
    "SaveRequest",
    "SaveResult",
    "ShowRequest",
    "ShowResult",
    "TableLine",
    "VerdictLine",
    "person",
]


def person() -> str:
    """Return the name under which the system knows the person, for the history."""
    try:
        return getpass.getuser() or "unknown"
    except (OSError, KeyError, ImportError):
        return "unknown"


class Revision(Model):
    """One saved state of one thing."""

    id: int
    car: str
    branch: str
    kind: str
    name: str
    parent: int | None
    sha256: str
    who: str
    when: str
    why: str
    stale: bool
    """Made from a revision that was no longer the newest; kept beside the line."""
    draft: bool
    removed: bool


class GarageRequest(Model):
    """Which garage; the person's own when left out."""

    garage: str | None = None


class CarLine(Model):
    """A car in the list."""

    id: int
    name: str
    created: str


class ListResult(Model):
    """The cars."""

    folder: str
    cars: list[CarLine]


class NewCarRequest(GarageRequest):
    """What one can say of a car without measuring; all else is assumed and marked so."""

    name: str
    example: str | None = None
    """Shipped car to start from; the answers below then stay out."""
    displacement: str | None = None
    cylinders: int | None = None
    revs: str | None = None
    bore: str | None = None
    plates: int | None = None
    boost: str | None = None
    """Peak boost, gauge; a turbocharger is meant unless ``charging`` says otherwise."""
    charging: Literal["turbo", "supercharger", "centrifugal"] | None = None
    blower: str | None = None
    """Displacement of the supercharger for one turn of it."""
    blower_ratio: float | None = None
    """Turns of the supercharger for one turn of the crank."""
    ratios: tuple[float, ...] | None = None
    """Gear ratios from first upward."""
    final_drive: float | None = None
    use: str | None = None
    who: str = Field(default_factory=person)


class NewCarResult(Model):
    """The car and its first revisions."""

    car: CarLine
    revisions: list[Revision]


class ShowRequest(GarageRequest):
    """Which car."""

    car: str
    branch: str = MAIN


class ShowResult(Model):
    """What a car has: the newest of each thing, its branches, how its verdicts stand."""

    car: CarLine
    branch: str
    branches: list[str]
    items: list[Revision]
    verdicts: dict[str, dict[str, int]]
    """Number of verdicts by status, for each kept list of verdicts."""


class SaveRequest(GarageRequest):
    """What to save: a file, or a text as the page sends it."""

    car: str
    kind: str | None = None
    name: str | None = None
    file: str | None = None
    text: str | None = None
    base_revision: int | None = None
    newest: bool = False
    """Take the newest revision as the base, whatever it is."""
    who: str = Field(default_factory=person)
    why: str = ""
    branch: str = MAIN
    draft: bool = False


class SaveResult(Model):
    """The revision that is on the disk now."""

    revision: Revision
    changed: bool


class HistoryRequest(GarageRequest):
    """Whose history; of the whole branch when kind is left out."""

    car: str
    kind: str | None = None
    name: str | None = None
    branch: str = MAIN


class HistoryResult(Model):
    """Revisions, newest first."""

    revisions: list[Revision]


class CompareRequest(GarageRequest):
    """Two revisions by number."""

    old: int
    new: int


class TableLine(Model):
    """A table that differs."""

    name: str
    change: str
    unit: str
    cells: int
    cells_changed: int
    largest: float | None
    at: list[tuple[str, float, str]]


class NumberLine(Model):
    """A number that differs."""

    name: str
    unit: str
    old: float | None
    new: float | None


class RowLine(Model):
    """Another part of a calibration that differs."""

    part: str
    name: str
    change: str


class VerdictLine(Model):
    """A verdict that differs."""

    criterion: str
    scenario: str
    fault: str
    old: str | None
    new: str | None
    old_value: float | None
    new_value: float | None
    unit: str


class ChannelLine(Model):
    """A channel that differs."""

    name: str
    change: str
    old_samples: int
    new_samples: int


class CompareResult(Model):
    """What differs, in the terms of the kind."""

    old: Revision
    new: Revision
    same: bool
    lines: list[str]
    tables: list[TableLine]
    numbers: list[NumberLine]
    rows: list[RowLine]
    verdicts: list[VerdictLine]
    channels: list[ChannelLine]


class RestoreRequest(GarageRequest):
    """Which revision becomes the newest again."""

    revision: int
    branch: str | None = None
    who: str = Field(default_factory=person)
    why: str = ""


class BranchRequest(GarageRequest):
    """A new branch."""

    car: str
    name: str
    start: str = MAIN
    who: str = Field(default_factory=person)


class BranchResult(Model):
    """The branch."""

    car: str
    name: str
    started_from: str


class ExportRequest(GarageRequest):
    """Where to."""

    car: str
    folder: str
    branch: str = MAIN


class ExportResult(Model):
    """Files written."""

    folder: str
    files: list[str]


class ImportRequest(GarageRequest):
    """Where from; a car that is not there yet is added."""

    car: str
    folder: str
    branch: str = MAIN
    who: str = Field(default_factory=person)
    why: str = ""


class ImportResult(Model):
    """What was saved."""

    car: CarLine
    saved: list[SaveResult]


class RenameRequest(GarageRequest):
    """Another name for a car."""

    car: str
    name: str


class RemoveRequest(GarageRequest):
    """Take a car out of the list, or put it back by its number."""

    car: str
    undo: bool = False


class RemoveResult(Model):
    """The car."""

    car: CarLine
    removed: bool
