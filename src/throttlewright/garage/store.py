"""The garage: every save is one transaction, every revision stays."""

from __future__ import annotations

import hashlib

from sqlalchemy import select
from sqlalchemy.orm import Session

from throttlewright.foundation.errors import InputError
from throttlewright.garage import blobs, find
from throttlewright.garage.cars import ENVIRONMENT, MAIN, Cars, default_folder
from throttlewright.garage.contents import (
    check_content,
    check_item_name,
    check_kind,
    check_line,
    recording_bytes,
)
from throttlewright.garage.database import plain_faults, reading, writing
from throttlewright.garage.errors import ConflictError, StaleWriteError
from throttlewright.garage.models import Branch, Revision
from throttlewright.garage.records import Kind, RevisionInfo, Saved
from throttlewright.garage.rows import new_revision, put_content, set_head, tombstone
from throttlewright.recording.recording import Recording

__all__ = ["ENVIRONMENT", "MAIN", "Garage", "default_folder"]

_DRAFT_KINDS = ("build", "intent", "calibration", "layout")


class Garage(Cars):
    """Cars and what belongs to them. Safe to share between threads and programs.

    Made by ``Garage.open``; closed by ``close`` or at the end of a ``with`` block.
    """

    # --- things -------------------------------------------------------------------------------

    def items(self, car: str | int, *, branch: str = MAIN) -> list[RevisionInfo]:
        """Return the newest revision of each thing on a branch, by kind and name."""
        with reading(self._engine, self._file) as session:
            line = find.branch(session, find.car(session, car), branch)
            return find.items(session, line)

    def head(
        self, car: str | int, kind: str, name: str, *, branch: str = MAIN, drafts: bool = True
    ) -> RevisionInfo:
        """Return the newest revision of a thing.

        Parameters
        ----------
        car : str or int
            Name or number.
        kind, name : str
            The thing.
        branch : str
            Line of work.
        drafts : bool
            False skips drafts: the newest revision that was checked.

        Returns
        -------
        RevisionInfo
            The revision.

        Raises
        ------
        InputError
            If the car has no such thing there.
        """
        with reading(self._engine, self._file) as session:
            line = find.branch(session, find.car(session, car), branch)
            row = find.needed_head(session, line, check_kind(kind), name).revision
            while row.draft and not drafts:
                parent = None if row.parent_id is None else session.get(Revision, row.parent_id)
                if parent is None:
                    raise InputError(
                        "was never saved as more than a draft", file=name, advice="finish it first"
                    )
                row = parent
            return find.revision_info(row)

    def revision(self, revision: int) -> RevisionInfo:
        """Return the facts of a revision by its number."""
        with reading(self._engine, self._file) as session:
            return find.revision_info(find.revision(session, revision))

    def content(self, revision: int) -> str | bytes:
        """Return what a revision holds: text, or for a recording the bytes of its file."""
        with reading(self._engine, self._file) as session:
            row = find.revision(session, revision)
            text = find.text_of(session, row.sha256)
            sha256 = row.sha256
        if text is not None:
            return text
        with plain_faults(blobs.blob_path(self.folder, sha256)):
            return blobs.read_blob(self.folder, sha256)

    def history(
        self, car: str | int, kind: str, name: str, *, branch: str = MAIN
    ) -> list[RevisionInfo]:
        """Return all revisions of a thing, newest first, with those kept beside the line."""
        with reading(self._engine, self._file) as session:
            line = find.branch(session, find.car(session, car), branch)
            return find.history(session, line, check_kind(kind), name)

    def changes(self, car: str | int, *, since: int = 0) -> list[RevisionInfo]:
        """Return the revisions of a car with a number above ``since``, oldest first."""
        with reading(self._engine, self._file) as session:
            rows = session.scalars(
                select(Revision)
                .where(Revision.car_id == find.car(session, car).id, Revision.id > since)
                .order_by(Revision.id)
            )
            return [find.revision_info(row) for row in rows]

    def save(
        self,
        car: str | int,
        kind: str,
        name: str,
        content: str | bytes | Recording,
        *,
        base_revision: int | None,
        who: str,
        why: str = "",
        branch: str = MAIN,
        draft: bool = False,
    ) -> Saved:
        """Save a content; when this returns, it is on the disk.

        Parameters
        ----------
        car : str or int
            Name or number.
        kind, name : str
            The thing.
        content : str, bytes or Recording
            Text; for a recording the object or the bytes of its file.
        base_revision : int, optional
            Revision the content was made from; None for a thing that is not there yet.
        who, why : str
            For the history.
        branch : str
            Line of work.
        draft : bool
            Keep a half-typed text without checking it.

        Returns
        -------
        Saved
            The revision; ``changed`` is False when the newest one held the same.

        Raises
        ------
        StaleWriteError
            If the base is no longer the newest; the content is kept beside the line.
        InputError
            If the content is not good, in the words of its loader, or cannot be written.
        """
        known = check_kind(kind)
        check_item_name(known, name)
        who, why = check_line(who, "who", needed=True), check_line(why, "why", needed=False)
        if draft and known not in _DRAFT_KINDS:
            raise InputError("cannot be a draft", value=kind, allowed=", ".join(_DRAFT_KINDS))
        if isinstance(content, Recording):
            with plain_faults(self.folder):
                content = recording_bytes(content)
        if not draft:
            self._check(car, known, name, content, branch)
        elif not isinstance(content, str):
            raise InputError("must be text", file=name)
        sha256 = self._put_blob(content)
        with writing(self._engine, self._file) as session:
            line = find.branch(session, find.car(session, car), branch)
            head = find.head(session, line, known, name)
            self._check_base(session, base_revision, line, known)
            newest = None if head is None or head.revision.removed else head.revision
            if newest is not None and newest.name != name:
                raise ConflictError(
                    f"the car has a {known} that differs only in capitals",
                    value=name,
                    allowed=newest.name,
                )
            if newest and newest.sha256 == sha256 and newest.draft == draft:
                return Saved(find.revision_info(newest), changed=False)
            # A thing that was removed may be begun anew, from nothing or from its removal.
            stale = base_revision != (head.revision_id if head else None) and not (
                base_revision is None and newest is None
            )
            put_content(session, sha256, content)
            row = new_revision(
                line, known, name, sha256, who, why, parent=base_revision, draft=draft, stale=stale
            )
            if head is not None and not stale:
                row.parent_id = head.revision_id
            session.add(row)
            session.flush()
            if not stale:
                set_head(session, line, head, row)
            info = find.revision_info(row)
            latest = newest.id if newest else 0
        if stale:
            yours = f"yours was made from {base_revision or 'nothing'} and is kept as {info.id}"
            now = f"revision {latest} is the newest" if latest else "it was removed"
            raise StaleWriteError(
                f"{known} {name} was changed meanwhile: {now}, {yours}",
                kept=info.id,
                newest=latest,
                file=info.car,
                advice=(
                    f"compare {latest} with {info.id}, then restore the one that is right"
                    if latest
                    else f"restore {info.id} to bring it back"
                ),
            )
        return Saved(info, changed=True)

    def restore(
        self, revision: int, *, who: str, why: str = "", branch: str | None = None
    ) -> Saved:
        """Make the content of an old revision, or of one beside the line, the newest again.

        Parameters
        ----------
        revision : int
            Number of the revision.
        who, why : str
            For the history.
        branch : str, optional
            Line to put it on; the revision's own when left out.

        Returns
        -------
        Saved
            A new revision; nothing is taken out of the history.
        """
        who, why = check_line(who, "who", needed=True), check_line(why, "why", needed=False)
        with writing(self._engine, self._file) as session:
            old = find.revision(session, revision)
            if old.removed:
                raise InputError("this revision only marks a removal", value=revision)
            line = old.branch if branch is None else find.branch(session, old.car, branch)
            kind = check_kind(old.kind)
            head = find.head(session, line, kind, old.name)
            now = head.revision if head else None
            if now and not now.removed and now.sha256 == old.sha256 and now.draft == old.draft:
                return Saved(find.revision_info(now), changed=False)
            row = new_revision(
                line,
                kind,
                old.name,
                old.sha256,
                who,
                why or f"restored from {old.id}",
                parent=now.id if now else None,
                draft=old.draft,
            )
            session.add(row)
            session.flush()
            set_head(session, line, head, row)
            return Saved(find.revision_info(row), changed=True)

    def remove_item(
        self, car: str | int, kind: str, name: str, *, who: str, why: str = "", branch: str = MAIN
    ) -> RevisionInfo:
        """Take a thing off a branch; its revisions stay and ``restore`` brings it back."""
        who, why = check_line(who, "who", needed=True), check_line(why, "why", needed=False)
        with writing(self._engine, self._file) as session:
            line = find.branch(session, find.car(session, car), branch)
            head = find.needed_head(session, line, check_kind(kind), name)
            row = tombstone(line, head.revision, who, why)
            session.add(row)
            session.flush()
            set_head(session, line, head, row)
            return find.revision_info(row)

    def rename_item(
        self, car: str | int, kind: str, name: str, new: str, *, who: str, branch: str = MAIN
    ) -> RevisionInfo:
        """Give a thing another name; its history goes with it."""
        known = check_kind(kind)
        check_item_name(known, new)
        who = check_line(who, "who", needed=True)
        with writing(self._engine, self._file) as session:
            line = find.branch(session, find.car(session, car), branch)
            head = find.needed_head(session, line, known, name)
            old = head.revision
            target = find.head(session, line, known, new)
            if target is not None and target is not head and not target.revision.removed:
                raise ConflictError(
                    f"the car has a {known} of this name", value=new, advice="choose another name"
                )
            row = new_revision(
                line,
                known,
                new,
                old.sha256,
                who,
                f"renamed from {old.name}",
                parent=old.id,
                draft=old.draft,
            )
            session.add(row)
            session.flush()
            if target is not head:
                gone = tombstone(line, old, who, f"renamed to {new}")
                session.add(gone)
                session.flush()
                set_head(session, line, head, gone)
            set_head(session, line, target, row)
            return find.revision_info(row)

    # --- parts of a save ----------------------------------------------------------------------

    def _check(
        self, car: str | int, kind: Kind, name: str, content: str | bytes, branch: str
    ) -> None:
        with reading(self._engine, self._file) as session:
            owner = find.car(session, car)
            line = find.branch(session, owner, branch)

            def beside(other: str) -> str:
                head = find.head(session, line, "beside", other)
                text = None if head is None else find.text_of(session, head.revision.sha256)
                if head is None or head.revision.removed or text is None:
                    raise InputError(
                        f"the build names {other}, which this car does not have in the garage",
                        file=f"{owner.name}, {kind} {name}",
                        advice="save that file first, as kind beside",
                    )
                return text

            check_content(kind, content, label=f"{owner.name}, {kind} {name}", beside=beside)

    def _put_blob(self, content: str | bytes) -> str:
        if isinstance(content, bytes):
            # Before the row: a row never names a file that is not there.
            with plain_faults(self.folder / blobs.FOLDER):
                return blobs.write_blob(self.folder, content)
        try:
            return hashlib.sha256(content.encode()).hexdigest()
        except UnicodeEncodeError:
            raise InputError("holds characters that cannot be written as UTF-8") from None

    @staticmethod
    def _check_base(session: Session, base: int | None, line: Branch, kind: Kind) -> None:
        if base is None:
            return
        row = session.get(Revision, base)
        if row is None or row.car_id != line.car_id or row.kind != kind:
            raise InputError(
                f"is no revision of a {kind} of this car", key="base_revision", value=base
            )
