"""The cars of a garage and their branches."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Self

from sqlalchemy import Engine, func, select
from sqlalchemy.orm import Session

from throttlewright.foundation.errors import InputError
from throttlewright.garage import blobs, find
from throttlewright.garage.contents import check_label, check_line
from throttlewright.garage.database import FILE, open_engine, plain_faults, reading, writing
from throttlewright.garage.errors import ConflictError
from throttlewright.garage.models import Branch, Car, Head, Revision
from throttlewright.garage.records import BranchInfo, CarInfo
from throttlewright.garage.rows import new_branch, now

__all__ = ["ENVIRONMENT", "MAIN", "Cars", "default_folder"]

ENVIRONMENT = "THROTTLEWRIGHT_GARAGE"
"""Environment variable that names the folder of the garage."""

MAIN = "main"
"""Name of the first branch of each car."""


def default_folder() -> Path:
    """Return the folder of the garage when none is given: the variable's, else the user's."""
    given = os.environ.get(ENVIRONMENT)
    if given:
        return Path(given)
    from platformdirs import user_data_path

    return user_data_path("throttlewright", appauthor=False) / "garage"


class Cars:
    """A garage opened for its cars; ``Garage`` adds what belongs to them."""

    def __init__(self, folder: Path, engine: Engine) -> None:
        self.folder = folder
        self._engine = engine
        self._file = folder / FILE

    @classmethod
    def open(cls, path: str | Path | None = None) -> Self:
        """Open a garage, making or upgrading it where needed.

        Parameters
        ----------
        path : str or Path, optional
            Folder; ``default_folder()`` when left out.

        Returns
        -------
        Garage
            Ready; ``close`` it, or use it in a ``with`` block.

        Raises
        ------
        InputError
            If the folder cannot be used, or a newer version of the program wrote it.
        """
        folder = (default_folder() if path is None else Path(path)).absolute()
        garage = cls(folder, open_engine(folder))
        with plain_faults(folder):
            blobs.sweep(folder)
        return garage

    def close(self) -> None:
        """Let go of the file."""
        self._engine.dispose()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    # --- cars ---------------------------------------------------------------------------------

    def cars(self) -> list[CarInfo]:
        """Return the cars by name."""
        with reading(self._engine, self._file) as session:
            rows = session.scalars(select(Car).where(Car.removed.is_(None)).order_by(Car.name_key))
            return [find.car_info(row) for row in rows]

    def car(self, name_or_id: str | int) -> CarInfo:
        """Return a car by name, whatever its capitals, or by number."""
        with reading(self._engine, self._file) as session:
            return find.car_info(find.car(session, name_or_id))

    def new_car(self, name: str, *, who: str) -> CarInfo:
        """Add a car with an empty branch ``main``.

        Raises
        ------
        ConflictError
            If there is a car of this name.
        """
        check_label(name, "a car")
        who = check_line(who, "who", needed=True)
        with writing(self._engine, self._file) as session:
            self._check_free(session, name)
            row = Car(name=name, name_key=name.casefold(), created=now(), removed=None)
            session.add(row)
            session.flush()
            session.add(new_branch(row.id, MAIN, "", who))
            session.flush()
            return find.car_info(row)

    def rename(self, car: str | int, name: str) -> CarInfo:
        """Give a car another name."""
        check_label(name, "a car")
        with writing(self._engine, self._file) as session:
            row = find.car(session, car)
            self._check_free(session, name, but=row.id)
            row.name, row.name_key = name, name.casefold()
            return find.car_info(row)

    def remove(self, car: str | int) -> None:
        """Take a car out of the list; all it holds stays, and ``bring_back`` undoes it."""
        with writing(self._engine, self._file) as session:
            find.car(session, car).removed = now()

    def removed_cars(self) -> list[CarInfo]:
        """Return the cars that were removed, newest first."""
        with reading(self._engine, self._file) as session:
            rows = select(Car).where(Car.removed.is_not(None)).order_by(Car.removed.desc())
            return [find.car_info(row) for row in session.scalars(rows)]

    def bring_back(self, car_id: int) -> CarInfo:
        """Put a removed car back into the list."""
        with writing(self._engine, self._file) as session:
            row = session.get(Car, car_id)
            if row is None:
                raise InputError("there is no car of this number", value=car_id)
            self._check_free(session, row.name, but=row.id)
            row.removed = None
            return find.car_info(row)

    @staticmethod
    def _check_free(session: Session, name: str, but: int = 0) -> None:
        taken = session.scalar(
            select(Car).where(Car.name_key == name.casefold(), Car.removed.is_(None), Car.id != but)
        )
        if taken is not None:
            raise ConflictError(
                "a car of this name is in the garage", value=name, advice="choose another name"
            )

    # --- branches -----------------------------------------------------------------------------

    def branches(self, car: str | int) -> list[BranchInfo]:
        """Return the branches of a car, oldest first."""
        with reading(self._engine, self._file) as session:
            rows = session.scalars(
                select(Branch).where(Branch.car_id == find.car(session, car).id).order_by(Branch.id)
            )
            return [BranchInfo(r.name, r.started_from, r.who, r.created) for r in rows]

    def branch(self, car: str | int, start: str, name: str, *, who: str) -> BranchInfo:
        """Start a branch: everything as it stands on another one, then on its own.

        Parameters
        ----------
        car : str or int
            Name or number.
        start, name : str
            Branch to start from, and the name of the new one.
        who : str
            Who does it.

        Returns
        -------
        BranchInfo
            The new branch.
        """
        check_label(name, "a branch")
        who = check_line(who, "who", needed=True)
        with writing(self._engine, self._file) as session:
            owner = find.car(session, car)
            source = find.branch(session, owner, start)
            known = session.scalar(
                select(Branch).where(Branch.car_id == owner.id, Branch.name_key == name.casefold())
            )
            if known is not None:
                raise ConflictError(
                    "the car has a branch of this name", value=name, advice="choose another name"
                )
            row = new_branch(owner.id, name, source.name, who)
            session.add(row)
            session.flush()
            for head in session.scalars(select(Head).where(Head.branch_id == source.id)).all():
                session.add(
                    Head(
                        branch_id=row.id,
                        kind=head.kind,
                        name_key=head.name_key,
                        revision_id=head.revision_id,
                    )
                )
            return BranchInfo(row.name, row.started_from, row.who, row.created)

    def last_number(self) -> int:
        """Return the number of the newest revision in the garage, 0 when there is none."""
        with reading(self._engine, self._file) as session:
            return session.scalar(select(func.max(Revision.id))) or 0
