"""The build of a kept car, field by field: show it, check a value while it is typed, save it."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import asdict

from pydantic import Field

from throttlewright.build.load import BuildFile, parse_build
from throttlewright.car.pack import pack
from throttlewright.design.ledger import rank_ledger
from throttlewright.foundation.errors import InputError
from throttlewright.foundation.events import Cancelled, OnEvent, ignore, never
from throttlewright.garage.records import RevisionInfo
from throttlewright.workshop.build_edit import FieldValue, edited
from throttlewright.workshop.build_fields import (
    ColumnLine,
    FieldLine,
    SectionLine,
    UnitLine,
    field_lines,
    title_of,
)
from throttlewright.workshop.build_specs import spec_of
from throttlewright.workshop.check import LedgerLine, ledger_lines
from throttlewright.workshop.common import Model
from throttlewright.workshop.garage import Revision, SaveResult
from throttlewright.workshop.held import MAIN, Garage, HeldCar

__all__ = [
    "BuildPage",
    "ColumnLine",
    "FieldCheck",
    "FieldLine",
    "FieldValue",
    "LedgerPage",
    "SectionLine",
    "UnitLine",
    "build_ledger",
    "build_page",
    "check_field",
    "check_text",
    "save_fields",
    "save_text",
]


class BuildPage(Model):
    """A build with each number's origin."""

    revision: int
    """To be given back as ``base_revision``."""
    name: str
    who: str
    when: str
    draft: bool
    problem: str
    """Why the newest text, a draft, cannot be used; the fields are then those before it."""
    counts: dict[str, int]
    """Number of fields by origin."""
    sections: list[SectionLine]
    absent: list[SectionLine]
    text: str
    """The newest text."""


class FieldCheck(Model):
    """Whether a value can be used; ``error`` is the loader's own sentence."""

    ok: bool
    error: str = ""
    key: str | None = None
    """Where the error lies, which may be another field that contradicts this one."""
    allowed: str | None = None
    advice: str | None = None
    text: str = ""
    """The value in words once it can be used."""
    units: list[UnitLine] = Field(default_factory=list)


class LedgerPage(Model):
    """What each uncertain number costs in certainty, largest first."""

    revision: int
    ledger: list[LedgerLine]
    labels: dict[str, str]
    """Words for each key."""
    surest_next: list[str]
    """The cheapest measurements that would help most, in order."""


def _read(garage: Garage, car: str | int, text: str, branch: str) -> BuildFile:
    def beside(name: str) -> str:
        return str(garage.content(garage.head(car, "beside", name, branch=branch).id))

    return parse_build(text, file="build", beside=beside)


def _head(garage: Garage, car: str | int, branch: str) -> RevisionInfo:
    return garage.head(car, "build", "build", branch=branch)


def _base(garage: Garage, car: str | int, revision: int) -> str:
    info = garage.revision(revision)
    if info.kind != "build" or info.car != garage.car(car).name:
        raise InputError(
            "is no revision of a build of this car", key="base_revision", value=revision
        )
    return str(garage.content(revision))


def build_page(garage: Garage, car: str | int, *, branch: str = MAIN) -> BuildPage:
    """Show the newest build of a kept car.

    Parameters
    ----------
    garage : Garage
        Where the car is.
    car : str or int
        Name or number.
    branch : str
        Line of work.

    Returns
    -------
    BuildPage
        Sections and fields; after a draft that cannot be read, those of the last checked one.
    """
    head = _head(garage, car, branch)
    newest = text = str(garage.content(head.id))
    problem = ""
    try:
        file = _read(garage, car, text, branch)
    except InputError as error:
        if not head.draft:
            raise
        problem = str(error)
        good = garage.head(car, "build", "build", branch=branch, drafts=False)
        text = str(garage.content(good.id))
        file = _read(garage, car, text, branch)
    there, absent = field_lines(file, tomllib.loads(text))
    counts = dict.fromkeys(("given", "assumed", "fitted", "derived", "left out"), 0)
    for section in there:
        for line in section.fields:
            counts[line.origin] += 1
    return BuildPage(
        revision=head.id,
        name=file.build.name,
        who=head.who,
        when=head.when,
        draft=head.draft,
        problem=problem,
        counts=counts,
        sections=there,
        absent=absent,
        text=newest,
    )


# --- check and save -------------------------------------------------------------------------------


def _refusal(error: InputError) -> FieldCheck:
    # Without the name of the file: the person looks at the field.
    shown = InputError(
        error.message,
        key=error.key,
        value=error.value,
        allowed=error.allowed,
        advice=error.advice,
    )
    return FieldCheck(
        ok=False,
        error=str(shown),
        key=error.key,
        allowed=error.allowed,
        advice=error.advice,
    )


def check_field(
    garage: Garage,
    car: str | int,
    *,
    key: str,
    value: FieldValue,
    base_revision: int | None = None,
    branch: str = MAIN,
) -> FieldCheck:
    """Say whether a value could be saved; nothing is.

    Parameters
    ----------
    garage : Garage
        Where the car is.
    car : str or int
        Name or number.
    key : str
        Dotted key of the field.
    value : FieldValue
        As ``save_fields`` takes it.
    base_revision : int, optional
        Revision the person looks at; the newest when left out.
    branch : str
        Line of work.

    Returns
    -------
    FieldCheck
        Never an exception for what a person typed.
    """
    text = _base(garage, car, base_revision or _head(garage, car, branch).id)
    try:
        changed = edited(text, key, value)
        file = _read(garage, car, changed, branch)
    except InputError as error:
        return _refusal(error)
    for section in field_lines(file, tomllib.loads(changed))[0]:
        for line in section.fields:
            if line.key == key:
                return FieldCheck(ok=True, key=key, text=line.text, units=line.units)
    return FieldCheck(ok=True, key=key)


def check_text(garage: Garage, car: str | int, *, text: str, branch: str = MAIN) -> FieldCheck:
    """Say whether a whole text could be saved; arguments as of ``save_text``."""
    try:
        _read(garage, car, text, branch)
    except InputError as error:
        return _refusal(error)
    return FieldCheck(ok=True)


def _save(
    garage: Garage,
    car: str | int,
    text: str,
    *,
    base_revision: int,
    who: str,
    why: str,
    branch: str,
) -> SaveResult:
    try:
        # A build that loads and yet cannot be computed would stop every other page.
        pack(_read(garage, car, text, branch).build)
    except InputError as error:
        raise error.in_file("build") from None
    saved = garage.save(
        car,
        "build",
        "build",
        text,
        base_revision=base_revision,
        who=who,
        why=why,
        branch=branch,
    )
    return SaveResult(revision=Revision(**asdict(saved.revision)), changed=saved.changed)


def _words(key: str, value: FieldValue) -> str:
    spec = spec_of(key)
    section = title_of(key.partition(".")[0])
    label = f"{section}: {spec.words}" if spec and "." in key else key
    if value is None:
        return f"{label} left out"
    return f"{label} set" if isinstance(value, list | dict) else f"{label} {value}"[:200]


def save_fields(
    garage: Garage,
    car: str | int,
    *,
    values: Mapping[str, FieldValue],
    base_revision: int,
    who: str,
    branch: str = MAIN,
) -> SaveResult:
    """Put values into the build's text and save it once; comments and order stay.

    Parameters
    ----------
    garage : Garage
        Where the car is.
    car : str or int
        Name or number.
    values : mapping
        By dotted key: text with its unit, a number, columns by key; None leaves a field out again
        and takes an optional section off.
    base_revision : int
        Revision the person looked at.
    who : str
        For the history.
    branch : str
        Line of work.

    Returns
    -------
    SaveResult
        The new revision.

    Raises
    ------
    InputError
        In the loader's words, when a value cannot be used.
    StaleWriteError
        If somebody else saved meanwhile; both texts are kept.
    """
    text = _base(garage, car, base_revision)
    for key, value in values.items():
        text = edited(text, key, value)
    why = " ".join("; ".join(_words(k, v) for k, v in values.items()).split())[:400]
    return _save(garage, car, text, base_revision=base_revision, who=who, why=why, branch=branch)


def save_text(
    garage: Garage,
    car: str | int,
    *,
    text: str,
    base_revision: int,
    who: str,
    branch: str = MAIN,
) -> SaveResult:
    """Save the whole text of a build.

    Parameters
    ----------
    garage : Garage
        Where the car is.
    car : str or int
        Name or number.
    text : str
        TOML.
    base_revision : int
        Revision the person looked at.
    who : str
        For the history.
    branch : str
        Line of work.

    Returns
    -------
    SaveResult
        The new revision.

    Raises
    ------
    InputError
        In the loader's words, when the text cannot be used.
    StaleWriteError
        If somebody else saved meanwhile; both texts are kept.
    """
    _base(garage, car, base_revision)
    return _save(
        garage, car, text, base_revision=base_revision, who=who, why="edited as text", branch=branch
    )


def build_ledger(
    held: HeldCar, *, on_event: OnEvent = ignore, cancelled: Cancelled = never
) -> LedgerPage:
    """Rank what each uncertain number of a kept car costs in certainty.

    Parameters
    ----------
    held : HeldCar
        The car.
    on_event : callable
        Receives progress.
    cancelled : callable
        Asked between numbers.

    Returns
    -------
    LedgerPage
        Largest effect on torque or idle first.
    """
    entries = rank_ledger(
        held.file.build, held.file.provenance, on_event=on_event, cancelled=cancelled
    )
    measures: list[str] = []
    for entry in entries:
        if entry.measure and entry.weight > 0.002 and entry.measure not in measures:
            measures.append(entry.measure)
    labels: dict[str, str] = {}
    for entry in entries:
        spec = spec_of(entry.key)
        section, _, name = entry.key.partition(".")
        words = spec.words if spec else (name or section).replace("_", " ")
        labels[entry.key] = f"{title_of(section)}: {words}" if name else words
    return LedgerPage(
        revision=held.revision.id,
        ledger=ledger_lines(entries, held.file.build),
        labels=labels,
        surest_next=measures[:5],
    )
