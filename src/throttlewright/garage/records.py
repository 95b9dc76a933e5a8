"""What the garage answers with: plain facts, apart from how they are stored."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, get_args

__all__ = ["KINDS", "BranchInfo", "CarInfo", "Kind", "RevisionInfo", "Saved"]

Kind = Literal[
    "build", "intent", "beside", "calibration", "recording", "verdicts", "note", "layout"
]
KINDS: tuple[Kind, ...] = get_args(Kind)
"""What a car may have. ``beside`` is a file that a build names, such as a dyno curve."""


@dataclass(frozen=True)
class CarInfo:
    """A car in the garage."""

    id: int
    name: str
    created: str
    """UTC, as ISO 8601."""


@dataclass(frozen=True)
class BranchInfo:
    """A line of work on a car."""

    name: str
    started_from: str
    """Name of the branch it was started from; empty for the first."""
    who: str
    created: str


@dataclass(frozen=True)
class RevisionInfo:
    """One saved state of one thing."""

    id: int
    car: str
    branch: str
    kind: Kind
    name: str
    parent: int | None
    sha256: str
    who: str
    when: str
    """UTC, as ISO 8601."""
    why: str
    stale: bool
    """Made from a revision that was no longer the newest: kept, but not on the line."""
    draft: bool
    """Saved without a check."""
    removed: bool
    """Marks that the thing was removed; the content before it is still there."""


@dataclass(frozen=True)
class Saved:
    """A save that is on the disk."""

    revision: RevisionInfo
    changed: bool
    """False when the newest revision held the same content, so that none was added."""
