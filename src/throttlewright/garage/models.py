"""Tables of the garage's database."""

from __future__ import annotations

from sqlalchemy import ForeignKey, Index, String, UniqueConstraint, text
from sqlalchemy.orm import DeclarativeBase, Mapped, mapped_column, relationship

__all__ = ["Base", "Branch", "Car", "Content", "Head", "Revision"]


class Base(DeclarativeBase):
    """Base of all tables."""


class Car(Base):
    """A car. Removing one only marks it."""

    __tablename__ = "car"
    __table_args__ = (
        Index("car_live_name", "name_key", unique=True, sqlite_where=text("removed IS NULL")),
    )

    id: Mapped[int] = mapped_column(primary_key=True)
    name: Mapped[str] = mapped_column(String)
    name_key: Mapped[str] = mapped_column(String)
    """Name without capitals, so that no two live cars differ only in them."""
    created: Mapped[str] = mapped_column(String)
    removed: Mapped[str | None] = mapped_column(String)


class Branch(Base):
    """A line of work on a car."""

    __tablename__ = "branch"
    __table_args__ = (UniqueConstraint("car_id", "name_key", name="branch_name"),)

    id: Mapped[int] = mapped_column(primary_key=True)
    car_id: Mapped[int] = mapped_column(ForeignKey("car.id"))
    name: Mapped[str] = mapped_column(String)
    name_key: Mapped[str] = mapped_column(String)
    started_from: Mapped[str] = mapped_column(String)
    who: Mapped[str] = mapped_column(String)
    created: Mapped[str] = mapped_column(String)
    car: Mapped[Car] = relationship()


class Content(Base):
    """A content, once for all revisions that hold it."""

    __tablename__ = "content"

    sha256: Mapped[str] = mapped_column(String, primary_key=True)
    text: Mapped[str | None] = mapped_column(String)
    """None when the bytes are a file in the folder of blobs."""
    size: Mapped[int] = mapped_column()


class Revision(Base):
    """One saved state of one thing. Never changed, never deleted."""

    __tablename__ = "revision"
    __table_args__ = (Index("revision_thing", "car_id", "kind", "name"),)

    id: Mapped[int] = mapped_column(primary_key=True)
    car_id: Mapped[int] = mapped_column(ForeignKey("car.id"))
    branch_id: Mapped[int] = mapped_column(ForeignKey("branch.id"))
    kind: Mapped[str] = mapped_column(String)
    name: Mapped[str] = mapped_column(String)
    parent_id: Mapped[int | None] = mapped_column(ForeignKey("revision.id"))
    sha256: Mapped[str] = mapped_column(ForeignKey("content.sha256"))
    who: Mapped[str] = mapped_column(String)
    when: Mapped[str] = mapped_column("saved", String)
    why: Mapped[str] = mapped_column(String)
    stale: Mapped[bool] = mapped_column()
    draft: Mapped[bool] = mapped_column()
    removed: Mapped[bool] = mapped_column()
    car: Mapped[Car] = relationship()
    branch: Mapped[Branch] = relationship()


class Head(Base):
    """The newest revision of each thing on each branch."""

    __tablename__ = "head"

    branch_id: Mapped[int] = mapped_column(ForeignKey("branch.id"), primary_key=True)
    kind: Mapped[str] = mapped_column(String, primary_key=True)
    name_key: Mapped[str] = mapped_column(String, primary_key=True)
    revision_id: Mapped[int] = mapped_column(ForeignKey("revision.id"))
    revision: Mapped[Revision] = relationship()
