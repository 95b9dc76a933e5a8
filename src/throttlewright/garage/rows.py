"""Rows of the database as they are written; each function runs within a transaction."""

from __future__ import annotations

from datetime import UTC, datetime

from sqlalchemy.orm import Session

from throttlewright.garage.contents import check_kind
from throttlewright.garage.models import Branch, Content, Head, Revision
from throttlewright.garage.records import Kind

__all__ = ["new_branch", "new_revision", "now", "put_content", "set_head", "tombstone"]


def now() -> str:
    """Return the time, UTC, as ISO 8601."""
    return datetime.now(UTC).isoformat(timespec="milliseconds")


def new_branch(car_id: int, name: str, started_from: str, who: str) -> Branch:
    """Return a branch, made now."""
    return Branch(
        car_id=car_id,
        name=name,
        name_key=name.casefold(),
        started_from=started_from,
        who=who,
        created=now(),
    )


def new_revision(
    line: Branch,
    kind: Kind,
    name: str,
    sha256: str,
    who: str,
    why: str,
    *,
    parent: int | None,
    draft: bool = False,
    stale: bool = False,
    removed: bool = False,
) -> Revision:
    """Return a revision, made now; the caller adds it."""
    return Revision(
        car=line.car,
        branch=line,
        kind=kind,
        name=name,
        parent_id=parent,
        sha256=sha256,
        who=who,
        when=now(),
        why=why,
        stale=stale,
        draft=draft,
        removed=removed,
    )


def tombstone(line: Branch, old: Revision, who: str, why: str) -> Revision:
    """Return the revision that marks the removal of a thing."""
    kind = check_kind(old.kind)
    return new_revision(line, kind, old.name, old.sha256, who, why, parent=old.id, removed=True)


def put_content(session: Session, sha256: str, content: str | bytes) -> None:
    """Keep a text; of bytes, which are a file by now, only that they are there."""
    if session.get(Content, sha256) is None:
        size = len(content if isinstance(content, bytes) else content.encode())
        text = content if isinstance(content, str) else None
        session.add(Content(sha256=sha256, text=text, size=size))
        session.flush()


def set_head(session: Session, line: Branch, head: Head | None, row: Revision) -> None:
    """Make a revision the newest of its thing on a branch."""
    if head is not None and head.name_key == row.name.casefold():
        head.revision_id = row.id
    else:
        session.add(
            Head(
                branch_id=line.id,
                kind=row.kind,
                name_key=row.name.casefold(),
                revision_id=row.id,
            )
        )
    session.flush()
