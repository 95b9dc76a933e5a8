"""Old garages stay readable, newer ones are refused, and the tables are those of the models."""

from __future__ import annotations

import shutil
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest
from alembic.autogenerate import compare_metadata
from alembic.config import Config
from alembic.migration import MigrationContext
from alembic.script import ScriptDirectory

from throttlewright.foundation.errors import InputError
from throttlewright.garage import migrations
from throttlewright.garage.models import Base
from throttlewright.garage.store import Garage

DATA = Path(__file__).parent / "data"

NEXT = """
import sqlalchemy as sa
from alembic import op

revision = "2"
down_revision = "1"


def upgrade():
    op.add_column("car", sa.Column("colour", sa.String()))
"""


@pytest.fixture
def old(tmp_path) -> Path:
    """The garage of version 1 that is kept as test data."""
    with closing(sqlite3.connect(tmp_path / "garage.sqlite")) as raw:
        raw.executescript((DATA / "garage_v1.sql").read_text("utf-8"))
    return tmp_path


@pytest.fixture
def next_version(tmp_path_factory, monkeypatch) -> None:
    """A program that knows one version more."""
    folder = tmp_path_factory.mktemp("next") / "migrations"
    shutil.copytree(migrations.FOLDER, folder, ignore=shutil.ignore_patterns("__pycache__"))
    (folder / "versions" / "version_2.py").write_text(NEXT, "utf-8")
    monkeypatch.setattr(migrations, "FOLDER", folder)
    monkeypatch.setattr(migrations, "NEWEST", "2")


def test_the_newest_version_is_the_last_step() -> None:
    config = Config()
    config.set_main_option("script_location", str(migrations.FOLDER))
    config.set_main_option("path_separator", "os")
    assert ScriptDirectory.from_config(config).get_heads() == [migrations.NEWEST]


def test_the_steps_make_the_tables_of_the_models(garage) -> None:
    with garage._engine.connect() as connection:
        assert compare_metadata(MigrationContext.configure(connection), Base.metadata) == []


def test_a_garage_of_version_1_is_read(old) -> None:
    with Garage.open(old) as garage:
        (car,) = garage.cars()
        assert car.name == "Kestrel"
        first, second = garage.history("Kestrel", "note", "dyno day")[::-1]
        assert (garage.content(first.id), garage.content(second.id)) == ("cold\n", "hot\n")
        assert (second.who, second.why, second.parent) == ("Bo", "corrected", first.id)


def test_an_upgrade_keeps_a_copy_and_all_that_was_saved(old, next_version) -> None:
    with Garage.open(old) as garage:
        assert garage.cars()[0].name == "Kestrel"
        garage.new_car("Heron", who="Bo")
    (copy,) = old.glob("garage-version-1-*.sqlite")
    for file, version, columns in ((copy, "1", 5), (old / "garage.sqlite", "2", 6)):
        with closing(sqlite3.connect(file)) as raw:
            assert raw.execute("SELECT version_num FROM alembic_version").fetchone() == (version,)
            assert len(raw.execute("PRAGMA table_info(car)").fetchall()) == columns
            assert raw.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    Garage.open(old).close()
    assert len(list(old.glob("garage-version-*"))) == 1


def test_an_upgrade_that_fails_leaves_the_old_state(old, next_version) -> None:
    broken = migrations.FOLDER / "versions" / "version_2.py"
    broken.write_text(NEXT + '    op.execute("no such words")\n', "utf-8")
    with pytest.raises(InputError, match="the database refused"):
        Garage.open(old)
    with closing(sqlite3.connect(old / "garage.sqlite")) as raw:
        assert raw.execute("SELECT version_num FROM alembic_version").fetchone() == ("1",)
        assert len(raw.execute("PRAGMA table_info(car)").fetchall()) == 5


def test_a_newer_garage_is_refused_and_left_alone(old) -> None:
    with closing(sqlite3.connect(old / "garage.sqlite")) as raw:
        raw.execute("UPDATE alembic_version SET version_num = '2'")
        raw.commit()
    with pytest.raises(InputError, match=r"newer version.*got 2; allowed: 1 to 1; update"):
        Garage.open(old)
    assert not list(old.glob("garage-version-*"))


@pytest.mark.parametrize(
    "sql",
    ["CREATE TABLE other (x)", "CREATE TABLE alembic_version (version_num TEXT)"],
)
def test_a_foreign_database_is_refused(tmp_path, sql) -> None:
    with closing(sqlite3.connect(tmp_path / "garage.sqlite")) as raw:
        raw.execute(sql)
        raw.commit()
    with pytest.raises(InputError, match="is a database, but not a garage"):
        Garage.open(tmp_path)
