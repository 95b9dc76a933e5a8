"""What the Roles page asks and gets."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from throttlewright.workshop.common import Model
from throttlewright.workshop.garage_requests import person
from throttlewright.workshop.held import MAIN
from throttlewright.workshop.intent_fields import KeyLine, KeyValue
from throttlewright.workshop.roles_models import PairCard, RoleCard

__all__ = [
    "BoundLine",
    "ChargeLane",
    "ChargeSpan",
    "CommandView",
    "HeldPairs",
    "HeldPairsRequest",
    "Place",
    "RoleView",
    "RolesView",
    "ScenarioLine",
    "SectionRequest",
    "ShownLine",
    "StepBack",
]

Place = Literal["floor", "ceiling", "retard", "fuel_cut", "wastegate", "reaction", "strategy"]
"""Where a role acts: a floor or a ceiling of the plate, beside the plate, by a reaction to a
fault, or by tables and numbers that the strategy reads itself."""

_Name = Annotated[str, Field(max_length=80)]


class ShownLine(Model):
    """A scenario that shows what a role does."""

    scenario: str
    title: str
    caution: str


class RoleView(Model):
    """One role as the page shows it."""

    card: RoleCard
    keys: tuple[KeyLine, ...]
    """Of its section of the intent."""
    places: tuple[Place, ...]
    shown: tuple[ShownLine, ...]


class ScenarioLine(Model):
    """A scenario that this car can drive."""

    name: str
    title: str


class RolesView(Model):
    """All roles of a car, in order of rank."""

    name: str
    build_revision: int
    intent_revision: int
    calibration_revision: int | None
    """Of what is kept; None while nothing was saved."""
    behind: str
    """Why the kept calibration is not what build and intent give now; empty when it is."""
    can_undo: bool
    can_redo: bool
    roles: tuple[RoleView, ...]
    foreign: tuple[str, ...]
    """Rows of the kept calibration that belong to no role."""
    scenarios: tuple[ScenarioLine, ...]


class SectionRequest(Model):
    """Ask for a role, change what is asked of it, or no longer ask for it."""

    role: _Name
    values: Annotated[
        dict[_Name, Annotated[KeyValue, Field(union_mode="left_to_right")]], Field(max_length=40)
    ] = Field(default_factory=dict)
    """By key of its section, in the units of the page; None takes a key out."""
    remove: bool = False
    base_revision: int
    """Of the intent that the person saw."""
    calibration_revision: int | None = None
    """Of the calibration that the person saw."""
    who: Annotated[str, Field(min_length=1, max_length=80)] = "browser"
    branch: _Name = MAIN


class StepBack(Model):
    """Undo or redo the last change."""

    base_revision: int
    """Of the calibration that the person saw."""
    who: Annotated[str, Field(min_length=1, max_length=80)] = "browser"
    branch: _Name = MAIN


class HeldPairsRequest(Model):
    """Drive a role of a kept car with it and without it."""

    garage: str
    car: str
    role: _Name
    branch: _Name = MAIN
    who: str = Field(default_factory=person, max_length=500)


class HeldPairs(Model):
    """What the drives of a role gave."""

    role: str
    build_revision: int
    intent_revision: int
    calibration_revision: int | None
    pairs: tuple[PairCard, ...]


class ChargeSpan(Model):
    """A stretch of time in which one row, or nobody but the pedal, set an output."""

    from_s: float
    to_s: float
    name: str
    title: str
    """Title of its role, or of what else it is."""
    kind: Literal["demand", "row", "reaction"]


class ChargeLane(Model):
    """Who sets one output over time."""

    output: str
    spans: tuple[ChargeSpan, ...]


class BoundLine(Model):
    """A floor or ceiling of the plate over time; None where it does not act."""

    row: str
    title: str
    side: Literal["floor", "ceiling"]
    reason: str
    values: list[float | None]
    acts_s: float
    """How long it bounds at all [s]."""
    in_charge_s: float
    """How long it sets the plate [s]."""


class CommandView(Model):
    """The order of command in one scenario: what was asked, what bounded it, who won."""

    scenario: str
    title: str
    text: str
    caution: str
    saved: bool
    """Whether the kept calibration was driven; else the one that build and intent give now."""
    calibration_revision: int | None
    step_s: float
    """Time between the values that are shown."""
    t_s: list[float]
    demand_pct: list[float]
    target_pct: list[float]
    plate_pct: list[float]
    bounds: tuple[BoundLine, ...]
    lanes: tuple[ChargeLane, ...]
