"""The database file: opened safely, brought to the newest version, its faults in plain words."""

from __future__ import annotations

import sqlite3
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from sqlalchemy import URL, Connection, Engine, create_engine, event
from sqlalchemy.exc import DatabaseError
from sqlalchemy.orm import Session

from throttlewright.foundation.errors import InputError
from throttlewright.garage import migrations

__all__ = ["FILE", "open_engine", "plain_faults", "reading", "writing"]

FILE = "garage.sqlite"
_BUSY_S = 10.0
"""How long a save waits for another program's save."""

_SENTENCES = {
    "SQLITE_FULL": ("the disk is full", "make room; what was saved before is still there"),
    "SQLITE_IOERR": (
        "the disk did not take the data",
        "check that it has room and is in order; what was saved before is still there",
    ),
    "SQLITE_READONLY": ("cannot be written", "allow writing in the folder or choose another"),
    "SQLITE_CANTOPEN": ("cannot be opened", "allow writing in the folder or choose another"),
    "SQLITE_NOTADB": ("is not a garage", "choose another folder"),
    "SQLITE_CORRUPT": ("is damaged", "go back to a copy of the folder"),
    "SQLITE_BUSY": ("is held by another program", "try again"),
    "SQLITE_LOCKED": ("is held by another program", "try again"),
    "SQLITE_PERM": ("cannot be opened", "allow reading and writing in the folder"),
}


@contextmanager
def plain_faults(file: Path) -> Iterator[None]:
    """Turn what the database and the disk report into one sentence."""
    try:
        yield
    except DatabaseError as error:
        raise _sentence(error.orig, file) from None
    except sqlite3.DatabaseError as error:
        raise _sentence(error, file) from None
    except OSError as error:
        raise InputError(
            f"cannot be read or written ({error.strerror or error})",
            file=error.filename or file,
            advice="check the folder and the room on the disk",
        ) from None


def _sentence(error: BaseException | None, file: Path) -> InputError:
    name = str(getattr(error, "sqlite_errorname", ""))
    for code, (message, advice) in _SENTENCES.items():
        if name.startswith(code):
            return InputError(f"{message} ({error})", file=file, advice=advice)
    return InputError(f"the database refused ({error})", file=file)


def _on_connect(raw: Any, record: object) -> None:
    # The driver would open transactions by its own rules; here each begins where writing() says.
    raw.isolation_level = None
    raw.execute(f"PRAGMA busy_timeout = {int(_BUSY_S * 1000)}")
    _write_ahead(raw)
    raw.execute("PRAGMA synchronous = FULL")
    raw.execute("PRAGMA foreign_keys = ON")


def _write_ahead(raw: Any) -> None:
    # Two programs that open a new file at once: the switch does not wait for the other's lock.
    end = time.monotonic() + _BUSY_S
    while True:
        try:
            raw.execute("PRAGMA journal_mode = WAL")
            return
        except sqlite3.OperationalError as error:
            busy = error.sqlite_errorname.startswith(("SQLITE_BUSY", "SQLITE_LOCKED"))
            if not busy or time.monotonic() > end:
                raise
            time.sleep(0.02)


def _on_begin(connection: Connection) -> None:
    # A write takes its lock before it reads: what it compares with cannot change underneath.
    write = connection.get_execution_options().get("throttlewright_write", False)
    connection.exec_driver_sql("BEGIN IMMEDIATE" if write else "BEGIN")


def open_engine(folder: Path) -> Engine:
    """Open the database in a folder, making or upgrading it where needed.

    Parameters
    ----------
    folder : Path
        Folder of the garage; made when it is not there.

    Returns
    -------
    Engine
        Ready for ``reading`` and ``writing``.

    Raises
    ------
    InputError
        If the folder cannot be used, or the file is no garage, damaged or of a newer version.
    """
    file = folder / FILE
    with plain_faults(file):
        folder.mkdir(parents=True, exist_ok=True)
        engine = create_engine(URL.create("sqlite+pysqlite", database=str(file)))
        event.listen(engine, "connect", _on_connect)
        event.listen(engine, "begin", _on_begin)
        try:
            with engine.connect() as connection:
                current = _version(connection, file)
            if current != migrations.NEWEST:
                _bring_up(engine, file)
        except BaseException:
            engine.dispose()
            raise
    return engine


def _version(connection: Connection, file: Path) -> str | None:
    names = {
        str(row[0])
        for row in connection.exec_driver_sql("SELECT name FROM sqlite_master WHERE type = 'table'")
    }
    if not names:
        return None
    if "alembic_version" not in names or "revision" not in names:
        raise InputError("is a database, but not a garage", file=file, advice="choose another one")
    row = connection.exec_driver_sql("SELECT version_num FROM alembic_version").first()
    version = "" if row is None else str(row[0])
    if not (version.isascii() and version.isdigit() and 0 < len(version) < 10):
        raise InputError("is a database, but not a garage", file=file, advice="choose another one")
    if int(version) > int(migrations.NEWEST):
        raise InputError(
            "the garage was written by a newer version of this program",
            file=file,
            key="version",
            value=int(version),
            allowed=f"1 to {migrations.NEWEST}",
            advice="update throttlewright",
        )
    return version


def _bring_up(engine: Engine, file: Path) -> None:
    from alembic.config import Config
    from alembic.runtime.environment import EnvironmentContext
    from alembic.script import ScriptDirectory

    config = Config()
    config.set_main_option("script_location", str(migrations.FOLDER).replace("%", "%%"))
    config.set_main_option("path_separator", "os")
    script = ScriptDirectory.from_config(config)

    def steps(current: Any, context: Any) -> Any:
        return script._upgrade_revs(migrations.NEWEST, current)

    with engine.execution_options(throttlewright_write=True).begin() as connection:
        # Looked at again under the lock: another program may have been faster.
        current = _version(connection, file)
        if current == migrations.NEWEST:
            return
        if current is not None:
            _keep_copy(file, current)
        with EnvironmentContext(config, script, fn=steps) as environment:
            environment.configure(connection=connection)
            environment.run_migrations()


def _keep_copy(file: Path, version: str) -> None:
    day = datetime.now(UTC).strftime("%Y%m%dT%H%M%SZ")
    target = file.with_name(f"{file.stem}-version-{version}-{day}.sqlite")
    with closing(sqlite3.connect(file)) as source, closing(sqlite3.connect(target)) as copy:
        source.backup(copy)


@contextmanager
def reading(engine: Engine, file: Path) -> Iterator[Session]:
    """Read from one state of the database."""
    with plain_faults(file), Session(engine) as session, session.begin():
        yield session


@contextmanager
def writing(engine: Engine, file: Path) -> Iterator[Session]:
    """Write all or nothing; on return it is on the disk."""
    held = engine.execution_options(throttlewright_write=True)
    with plain_faults(file), Session(held, expire_on_commit=False) as session, session.begin():
        yield session
