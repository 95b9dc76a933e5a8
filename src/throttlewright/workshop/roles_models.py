"""What the page of the roles asks and gets: request, cards, pairs of runs."""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from throttlewright.workshop.common import Model

__all__ = [
    "AxisLine",
    "Curve",
    "FindingLine",
    "JudgedLine",
    "NumberLine",
    "PairCard",
    "RoleCard",
    "RolesRequest",
    "RolesResult",
    "RowLine",
    "TableCard",
    "TypicalLine",
]


class RolesRequest(Model):
    """Build, intent, and where to write; without ``out`` nothing is written."""

    build: str
    intent: str
    role: str | None = None
    """One role only."""
    out: str | None = None
    """Folder for the page, its pictures and the result."""
    drive: bool = True
    """Whether the scenarios are driven; without it there are cards but no pairs."""
    seed: int = Field(0, ge=0, le=1_000_000)


class TypicalLine(Model):
    """Typical value of a key of the role's section of the intent."""

    key: str
    value: str
    source: str


class NumberLine(Model):
    """A number that the role adds to the calibration."""

    name: str
    value: float
    unit: str
    source: str


class RowLine(Model):
    """A limit that the role adds to the calibration."""

    name: str
    output: str
    side: str
    law: str
    reads: tuple[str, ...]
    """Channels of the law, without those of its condition."""
    arm: str
    """Condition under which it acts; empty for always."""
    table: str
    reason: str
    source: str
    text: str
    """The row in one plain sentence."""
    numbers: tuple[NumberLine, ...] = ()


class AxisLine(Model):
    """One axis of a table."""

    name: str
    unit: str
    values: tuple[float, ...]


class TableCard(Model):
    """A table that the role adds to the calibration."""

    name: str
    quantity: str
    unit: str
    axes: tuple[AxisLine, ...]
    values: list[float] | list[list[float]]
    """Over the first axis, or over the first (outer) and the second (inner)."""
    note: str
    percent_meaning: str


class JudgedLine(Model):
    """The judging figure of one run; ``value`` is None where the figure could not be found."""

    value: float | None
    unit: str
    limit: float | None
    good: bool | None
    """None where there is no limit to keep to."""
    text: str


class Curve(Model):
    """A channel of both runs of a pair, thinned so that no peak is lost."""

    channel: str
    title: str
    unit: str
    t_with_s: list[float]
    y_with: list[float]
    t_without_s: list[float]
    y_without: list[float]


class PairCard(Model):
    """One scenario driven with the role and without it.

    ``skipped`` says in one sentence why it was not driven; everything after it is then empty.
    """

    scenario: str
    title: str
    caution: str
    figure: str
    skipped: str = ""
    with_role: JudgedLine | None = None
    without_role: JudgedLine | None = None
    in_charge_s: float = 0.0
    """How long rows of the role set an output in the run with it [s]."""
    duration_s: float = 0.0
    curves: tuple[Curve, ...] = ()
    picture: str | None = None
    """SVG element, both runs overlaid."""


class FindingLine(Model):
    """A finding of the check of the calibration that names a row or table of the role."""

    level: str
    subject: str
    text: str


RoleState = Literal["gives", "not asked", "refused", "nothing"]


class RoleCard(Model):
    """One role of the plate: what it does, what it adds here, and what that changes."""

    name: str
    title: str
    text: str
    section: str
    """Its section of the intent; empty where it needs none."""
    only: str
    """"competition" or "track" where it is confined to that use, else empty."""
    asked: bool
    """Whether the intent has its section, or it needs none."""
    state: RoleState
    """gives: it adds rows; refused: it was asked for and cannot be had; nothing: it is not needed
    on this car, or adds no rows."""
    reason: str
    """Why it adds nothing; empty where it does."""
    refused: str
    rows: tuple[RowLine, ...] = ()
    tables: tuple[TableCard, ...] = ()
    numbers: tuple[NumberLine, ...] = ()
    """Numbers that belong to no row."""
    reactions: tuple[str, ...] = ()
    typical: tuple[TypicalLine, ...] = ()
    pairs: tuple[PairCard, ...] = ()
    findings: tuple[FindingLine, ...] = ()
    notes: tuple[str, ...] = ()
    caution: str = ""


class RolesResult(Model):
    """Cards of the roles, in order of rank."""

    name: str
    use: str
    bench_only: bool
    roles: tuple[RoleCard, ...]
    notes: tuple[str, ...] = ()
    written: tuple[str, ...] = ()

    @property
    def exit_code(self) -> int:
        """1 when a figure of a run with its role misses its limit or cannot be found, else 0."""
        with_role = (pair.with_role for card in self.roles for pair in card.pairs)
        judged = [one for one in with_role if one is not None]
        return 1 if any(one.good is False or one.value is None for one in judged) else 0
