"""Looking things up within one transaction; each miss is one sentence."""

from __future__ import annotations

from sqlalchemy import select
from sqlalchemy.orm import Session

from throttlewright.foundation.errors import InputError, nearest
from throttlewright.garage.contents import check_kind
from throttlewright.garage.models import Branch, Car, Content, Head, Revision
from throttlewright.garage.records import KINDS, CarInfo, Kind, RevisionInfo

__all__ = [
    "branch",
    "car",
    "car_info",
    "head",
    "history",
    "items",
    "needed_head",
    "revision",
    "revision_info",
    "text_of",
]


def car_info(row: Car) -> CarInfo:
    """Return the facts of a car."""
    return CarInfo(row.id, row.name, row.created)


def revision_info(row: Revision) -> RevisionInfo:
    """Return the facts of a revision."""
    return RevisionInfo(
        id=row.id,
        car=row.car.name,
        branch=row.branch.name,
        kind=check_kind(row.kind),
        name=row.name,
        parent=row.parent_id,
        sha256=row.sha256,
        who=row.who,
        when=row.when,
        why=row.why,
        stale=row.stale,
        draft=row.draft,
        removed=row.removed,
    )


def car(session: Session, name_or_id: str | int) -> Car:
    """Return a live car by name, else by number, or raise InputError."""
    live = select(Car).where(Car.removed.is_(None))
    text = str(name_or_id)
    found = None
    if isinstance(name_or_id, str):
        found = session.scalar(live.where(Car.name_key == text.casefold()))
    if found is None and text.isascii() and text.isdigit() and len(text) < 10:
        found = session.scalar(live.where(Car.id == int(text)))
    if found is None:
        names = list(session.scalars(select(Car.name).where(Car.removed.is_(None))))
        close = nearest(text, names)
        raise InputError(
            "the garage has no such car",
            value=name_or_id,
            allowed=", ".join(sorted(names)[:8]) or "none yet",
            advice=f"did you mean {close!r}?" if close else None,
        )
    return found


def branch(session: Session, owner: Car, name: str) -> Branch:
    """Return a branch of a car or raise InputError."""
    rows = {
        row.name_key: row
        for row in session.scalars(select(Branch).where(Branch.car_id == owner.id))
    }
    if name.casefold() not in rows:
        raise InputError(
            "the car has no such branch",
            file=owner.name,
            value=name,
            allowed=", ".join(row.name for row in rows.values()),
        )
    return rows[name.casefold()]


def head(session: Session, line: Branch, kind: Kind, name: str) -> Head | None:
    """Return where a thing stands on a branch; it may stand on a removal."""
    return session.get(Head, (line.id, kind, name.casefold()))


def needed_head(session: Session, line: Branch, kind: Kind, name: str) -> Head:
    """Return where a thing stands on a branch, or raise InputError when it is not there."""
    found = head(session, line, kind, name)
    if found is None or found.revision.removed:
        names = [item.name for item in items(session, line) if item.kind == kind]
        raise InputError(
            f"the car has no such {kind} on branch {line.name}",
            file=line.car.name,
            value=name,
            allowed=", ".join(names) or "none yet",
        )
    return found


def items(session: Session, line: Branch) -> list[RevisionInfo]:
    """Return the newest revision of each thing that is there, by kind and name."""
    rows = [
        revision_info(found.revision)
        for found in session.scalars(select(Head).where(Head.branch_id == line.id))
        if not found.revision.removed
    ]
    return sorted(rows, key=lambda row: (KINDS.index(row.kind), row.name.casefold()))


def revision(session: Session, number: int) -> Revision:
    """Return a revision by number or raise InputError."""
    found = session.get(Revision, number)
    if found is None:
        raise InputError("there is no revision of this number", value=number)
    return found


def text_of(session: Session, sha256: str) -> str | None:
    """Return the text of a content, None when it is a file."""
    found = session.get(Content, sha256)
    return None if found is None else found.text


def history(session: Session, line: Branch, kind: Kind, name: str) -> list[RevisionInfo]:
    """Return the line of a thing back to its first revision, and what was kept beside it."""
    start = head(session, line, kind, name)
    rows = {
        row.id: row
        for row in session.scalars(
            select(Revision).where(Revision.car_id == line.car_id, Revision.kind == kind)
        )
    }
    found: dict[int, Revision] = {}
    place = None if start is None else start.revision_id
    while place is not None:
        found[place] = rows[place]
        place = rows[place].parent_id
    key = name.casefold()
    for row in rows.values():
        if row.stale and row.branch_id == line.id and row.name.casefold() == key:
            found[row.id] = row
    if not found:
        needed_head(session, line, kind, name)
    return [revision_info(found[number]) for number in sorted(found, reverse=True)]
