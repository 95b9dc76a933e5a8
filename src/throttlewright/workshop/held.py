"""What the pages need of the garage: kept cars ready to compute, changes, undo and redo."""

from __future__ import annotations

import re
from dataclasses import asdict, dataclass
from pathlib import Path

from throttlewright.build.catalogue import list_sets
from throttlewright.build.load import BuildFile, IntentFile, parse_build, parse_intent
from throttlewright.build.write import to_toml
from throttlewright.calibration.calibration import Calibration
from throttlewright.car.pack import Car, pack
from throttlewright.foundation.errors import InputError
from throttlewright.garage.contents import calibration_of
from throttlewright.garage.errors import ConflictError, StaleWriteError
from throttlewright.garage.records import RevisionInfo
from throttlewright.garage.store import MAIN, Garage
from throttlewright.workshop.garage import Revision, SaveResult

__all__ = [
    "MAIN",
    "ConflictError",
    "Garage",
    "HeldCar",
    "LaidOut",
    "StaleWriteError",
    "Steps",
    "changes_since",
    "example_names",
    "held_build",
    "held_calibration",
    "held_car",
    "held_intent",
    "lay_out",
    "redo",
    "steps",
    "undo",
]


@dataclass(frozen=True)
class HeldCar:
    """A car of the garage, ready to compute."""

    revision: Revision
    """Of the build."""
    file: BuildFile
    car: Car


@dataclass(frozen=True)
class LaidOut:
    """Files of a car in a folder, for functions that read files."""

    build: Path
    intent: Path
    calibration: Path
    build_revision: int
    intent_revision: int
    calibration_revision: int
    calibration_name: str


def _revision(info: RevisionInfo) -> Revision:
    return Revision(**asdict(info))


def _text(garage: Garage, revision: int) -> str:
    content = garage.content(revision)
    if isinstance(content, bytes):
        raise InputError("is a recording, not a text", value=revision)
    return content


def held_build(garage: Garage, car: str | int, *, branch: str = MAIN) -> tuple[Revision, BuildFile]:
    """Return the newest checked build of a car.

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
    tuple of Revision and BuildFile
        Its revision and what it says.
    """
    head = garage.head(car, "build", "build", branch=branch, drafts=False)

    def beside(name: str) -> str:
        return _text(garage, garage.head(car, "beside", name, branch=branch).id)

    file = parse_build(_text(garage, head.id), file=f"{head.car}, build", beside=beside)
    return _revision(head), file


def held_car(garage: Garage, car: str | int, *, branch: str = MAIN) -> HeldCar:
    """Return a car of the garage, ready to compute; arguments as of ``held_build``."""
    revision, file = held_build(garage, car, branch=branch)
    return HeldCar(revision, file, pack(file.build))


def held_intent(
    garage: Garage, car: str | int, *, branch: str = MAIN
) -> tuple[Revision, IntentFile]:
    """Return the newest checked intent of a car; arguments as of ``held_build``."""
    head = garage.head(car, "intent", "intent", branch=branch, drafts=False)
    return _revision(head), parse_intent(_text(garage, head.id), file=f"{head.car}, intent")


def held_calibration(
    garage: Garage, car: str | int, name: str | None = None, *, branch: str = MAIN
) -> tuple[Revision, Calibration]:
    """Return a calibration of a car.

    Parameters
    ----------
    garage : Garage
        Where the car is.
    car : str or int
        Name or number.
    name : str, optional
        Its name; the one saved last when left out.
    branch : str
        Line of work.

    Returns
    -------
    tuple of Revision and Calibration
        Its revision and what it holds.

    Raises
    ------
    InputError
        If the car has none.
    """
    if name is None:
        have = [i for i in garage.items(car, branch=branch) if i.kind == "calibration"]
        if not have:
            raise InputError(
                "the car has no calibration yet",
                file=garage.car(car).name,
                advice="design one on the Pedal page, or save one into the garage",
            )
        name = max(have, key=lambda item: item.id).name
    head = garage.head(car, "calibration", name, branch=branch, drafts=False)
    return _revision(head), calibration_of(_text(garage, head.id))


def lay_out(
    garage: Garage,
    car: str | int,
    folder: Path,
    *,
    calibration: str | None = None,
    books: tuple[str, ...] | None = None,
    branch: str = MAIN,
) -> LaidOut:
    """Write build, intent and calibration of a car into a folder.

    Parameters
    ----------
    garage : Garage
        Where the car is.
    car : str or int
        Name or number.
    folder : Path
        An empty folder.
    calibration : str, optional
        Its name; the one saved last when left out.
    books : tuple of str, optional
        Rule books in place of the intent's own.
    branch : str
        Line of work.

    Returns
    -------
    LaidOut
        The files and the revisions they are of.
    """
    build, _ = held_build(garage, car, branch=branch)
    intent, intent_file = held_intent(garage, car, branch=branch)
    held, _ = held_calibration(garage, car, calibration, branch=branch)
    for item in garage.items(car, branch=branch):
        if item.kind == "beside":
            place = folder / item.name
            place.parent.mkdir(parents=True, exist_ok=True)
            place.write_text(_text(garage, item.id), encoding="utf-8", newline="\n")
    text = _text(garage, intent.id)
    if books is not None:
        wish = intent_file.intent
        rules = wish.rules.model_copy(update={"books": books})
        text = to_toml(wish.model_copy(update={"rules": rules}))
    build_path, intent_path = folder / "build.toml", folder / "intent.toml"
    held_path = folder / "car.calibration.json"
    for path, content in (
        (build_path, _text(garage, build.id)),
        (intent_path, text),
        (held_path, _text(garage, held.id)),
    ):
        path.write_text(content, encoding="utf-8", newline="\n")
    return LaidOut(
        build=build_path,
        intent=intent_path,
        calibration=held_path,
        build_revision=build.id,
        intent_revision=intent.id,
        calibration_revision=held.id,
        calibration_name=held.name,
    )


def example_names() -> list[str]:
    """Return the names of the shipped cars that were invented for the purpose."""
    return [info.name for info in list_sets() if info.shelf == "examples"]


def changes_since(garage: Garage, car: str | int, number: int) -> list[Revision]:
    """Return what was saved for a car after a revision number, by whatever program.

    Parameters
    ----------
    garage : Garage
        Where the car is.
    car : str or int
        Name or number.
    number : int
        Number of a revision; 0 for all.

    Returns
    -------
    list of Revision
        Oldest first.
    """
    return [_revision(info) for info in garage.changes(car, since=number)]


# --- undo and redo --------------------------------------------------------------------------------

_MARK = re.compile(r"(undo|redo) to revision (\d+)")


@dataclass(frozen=True)
class Steps:
    """Where undo and redo lead: revisions, oldest first, the nearest one last."""

    head: RevisionInfo
    past: tuple[RevisionInfo, ...]
    future: tuple[RevisionInfo, ...]


def steps(garage: Garage, car: str | int, kind: str, name: str, *, branch: str = MAIN) -> Steps:
    """Return what can be undone and redone, read from the history, so that it outlives a restart.

    Parameters
    ----------
    garage : Garage
        Where the car is.
    car : str or int
        Name or number.
    kind, name : str
        The thing.
    branch : str
        Line of work.

    Returns
    -------
    Steps
        An undo is a save like any other; it is known by its words and by its content.
    """
    rows = {row.id: row for row in garage.history(car, kind, name, branch=branch)}
    line: list[RevisionInfo] = []
    head = garage.head(car, kind, name, branch=branch)
    at: RevisionInfo | None = head
    while at is not None:
        line.append(at)
        at = rows.get(at.parent) if at.parent is not None else None
    past: list[RevisionInfo] = []
    future: list[RevisionInfo] = []
    now: RevisionInfo | None = None
    for row in reversed(line):
        mark = _MARK.fullmatch(row.why)
        source = {"undo": past, "redo": future}[mark[1]] if mark else []
        if mark and source and source[-1].id == int(mark[2]) and source[-1].sha256 == row.sha256:
            other = future if mark[1] == "undo" else past
            if now is not None:
                other.append(now)
            now = source.pop()
            continue
        if now is not None:
            past.append(now)
        now, future = row, []
    return Steps(head, tuple(past), tuple(future))


def _step(
    garage: Garage,
    car: str | int,
    kind: str,
    name: str,
    word: str,
    base_revision: int,
    who: str,
    branch: str,
) -> SaveResult:
    found = steps(garage, car, kind, name, branch=branch)
    if found.head.id != base_revision:
        raise StaleWriteError(
            f"{kind} {name} was changed meanwhile: revision {found.head.id} is the newest, "
            f"not {base_revision}",
            newest=found.head.id,
            file=found.head.car,
            advice=f"look at it, then {word} again",
        )
    row = found.past if word == "undo" else found.future
    if not row or row[-1].removed:
        raise InputError(f"there is nothing to {word}", file=found.head.car, key=f"{kind} {name}")
    target = row[-1]
    saved = garage.save(
        car,
        kind,
        target.name,
        garage.content(target.id),
        base_revision=base_revision,
        who=who,
        why=f"{word} to revision {target.id}",
        branch=branch,
        draft=target.draft,
    )
    return SaveResult(revision=_revision(saved.revision), changed=saved.changed)


def undo(
    garage: Garage,
    car: str | int,
    kind: str,
    name: str,
    *,
    base_revision: int,
    who: str,
    branch: str = MAIN,
) -> SaveResult:
    """Go one step back; the step itself is a new revision.

    Parameters
    ----------
    garage : Garage
        Where the car is.
    car : str or int
        Name or number.
    kind, name : str
        The thing.
    base_revision : int
        The newest revision that the person saw.
    who : str
        For the history.
    branch : str
        Line of work.

    Returns
    -------
    SaveResult
        The new revision with the old content.

    Raises
    ------
    InputError
        If there is nothing to undo.
    StaleWriteError
        If somebody else saved meanwhile.
    """
    return _step(garage, car, kind, name, "undo", base_revision, who, branch)


def redo(
    garage: Garage,
    car: str | int,
    kind: str,
    name: str,
    *,
    base_revision: int,
    who: str,
    branch: str = MAIN,
) -> SaveResult:
    """Go one step forward again; arguments as of ``undo``."""
    return _step(garage, car, kind, name, "redo", base_revision, who, branch)
