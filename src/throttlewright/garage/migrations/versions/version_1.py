"""Version 1: cars, branches, contents, revisions, heads."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

__all__ = ["down_revision", "revision", "upgrade"]

revision = "1"
down_revision: str | None = None


def upgrade() -> None:
    """Make the tables."""
    op.create_table(
        "car",
        sa.Column("id", sa.Integer(), primary_key=True),
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("name_key", sa.String(), nullable=False),
        sa.Column("created", sa.String(), nullable=False),
        sa.Column("removed", sa.String()),
    )
    op.create_index(
        "car_live_name", "car", ["name_key"], unique=True, sqlite_where=sa.text("removed IS NULL")
    )
    op.create_table(
        "branch",
        sa.Column("id", sa.Integer(), primary_key=True),
        sa.Column("car_id", sa.Integer(), sa.ForeignKey("car.id"), nullable=False),
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("name_key", sa.String(), nullable=False),
        sa.Column("started_from", sa.String(), nullable=False),
        sa.Column("who", sa.String(), nullable=False),
        sa.Column("created", sa.String(), nullable=False),
        sa.UniqueConstraint("car_id", "name_key", name="branch_name"),
    )
    op.create_table(
        "content",
        sa.Column("sha256", sa.String(), primary_key=True),
        sa.Column("text", sa.String()),
        sa.Column("size", sa.Integer(), nullable=False),
    )
    op.create_table(
        "revision",
        sa.Column("id", sa.Integer(), primary_key=True),
        sa.Column("car_id", sa.Integer(), sa.ForeignKey("car.id"), nullable=False),
        sa.Column("branch_id", sa.Integer(), sa.ForeignKey("branch.id"), nullable=False),
        sa.Column("kind", sa.String(), nullable=False),
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("parent_id", sa.Integer(), sa.ForeignKey("revision.id")),
        sa.Column("sha256", sa.String(), sa.ForeignKey("content.sha256"), nullable=False),
        sa.Column("who", sa.String(), nullable=False),
        sa.Column("saved", sa.String(), nullable=False),
        sa.Column("why", sa.String(), nullable=False),
        sa.Column("stale", sa.Boolean(), nullable=False),
        sa.Column("draft", sa.Boolean(), nullable=False),
        sa.Column("removed", sa.Boolean(), nullable=False),
    )
    op.create_index("revision_thing", "revision", ["car_id", "kind", "name"])
    op.create_table(
        "head",
        sa.Column("branch_id", sa.Integer(), sa.ForeignKey("branch.id"), primary_key=True),
        sa.Column("kind", sa.String(), primary_key=True),
        sa.Column("name_key", sa.String(), primary_key=True),
        sa.Column("revision_id", sa.Integer(), sa.ForeignKey("revision.id"), nullable=False),
    )
