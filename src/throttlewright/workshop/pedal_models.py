"""What the Pedal page asks and what it gets, both ways as JSON."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field, FiniteFloat

from throttlewright.garage.store import MAIN
from throttlewright.workshop.common import Model
from throttlewright.workshop.design import KnockOnLine
from throttlewright.workshop.garage_requests import person

__all__ = [
    "BoostView",
    "CellsRequest",
    "CellsResult",
    "DesignAnewRequest",
    "Edited",
    "FanView",
    "FigureLine",
    "Handle",
    "Handles",
    "IntentRequest",
    "JudgeRequest",
    "JudgeResult",
    "ModeChange",
    "ModeLine",
    "PedalResult",
    "PedalView",
    "PointsPct",
    "PreviewRequest",
    "PreviewResult",
    "State",
    "StepRequest",
    "TableView",
]

State = Literal["instant", "settled"]
_Who = Annotated[str, Field(default_factory=person, max_length=200)]
_Percent = Annotated[FiniteFloat, Field(ge=0.0, le=100.0)]
_Points = Annotated[list[_Percent], Field(min_length=2, max_length=33)]


class PointsPct(Model):
    """A mode's own curve: share of its torque over pedal before the opening to the stop."""

    pedal_pct: _Points
    share_pct: _Points


class ModeChange(Model):
    """What is to be different in a mode; what is left out stays as it is."""

    feel: Literal["even", "gentle", "old plate", "points"] | None = None
    basis: Literal["torque", "power", "acceleration", "blend"] | None = None
    boost_state: State | None = None
    start: FiniteFloat | None = None
    points: PointsPct | None = None
    """Makes the feel ``points``."""
    opens_to_stop_from_pct: FiniteFloat | None = None
    most_torque_pct: FiniteFloat | None = None


class ModeLine(Model):
    """A mode of the intent."""

    name: str
    feel: str
    basis: str
    boost_state: State
    start: float
    opens_to_stop_from_pct: float
    most_torque_pct: float
    slope_limit: float | None
    gears: list[int] | None
    """None for all gears."""


class FanView(Model):
    """Torque over pedal, one row for each engine speed."""

    boost_state: State
    rpm: list[float]
    pedal_pct: list[float]
    after_Nm: list[list[float]]
    before_Nm: list[list[float]] | None = None
    low_Nm: list[list[float]] | None = None
    high_Nm: list[list[float]] | None = None


class BoostView(Model):
    """Boost target over pedal, absolute, one row for each engine speed of the fan."""

    rpm: list[float]
    pedal_pct: list[float]
    target_kPa: list[list[float]]
    spring_kPa: float
    """What the wastegate spring alone holds: no target can be lower."""
    limit_kPa: float | None
    """Manifold pressure that the intent allows."""


class FigureLine(Model):
    """One figure of the map beside the same of what it is compared with."""

    key: str
    label: str
    unit: str
    decimals: int
    before: float | None
    after: float | None
    gear: int | None = None
    at: str = ""
    """Where it was read."""


class Handle(Model):
    """A point of the mode's curve where it lies in the picture."""

    pedal_pct: float
    torque_Nm: float
    point_pedal_pct: float
    point_share_pct: float
    fixed: bool


class Handles(Model):
    """Handles on the curve of one engine speed: torque = zero + share of span."""

    rpm: float
    zero_Nm: float
    span_Nm: float
    points: list[Handle]


class TableView(Model):
    """A table as the controller holds it."""

    name: str
    quantity: str
    unit: str
    rpm: list[float]
    pedal_pct: list[float]
    values: list[list[float]]
    decimals: int
    least: float
    most: float
    note: str
    edited: bool
    edited_cells: list[tuple[int, int]]
    """Row and column of cells that differ from the design, where that can be told."""
    meaning: str


class PedalView(Model):
    """Everything the page shows of one mode."""

    car: str
    gear_count: int
    mode: str
    modes: list[ModeLine]
    build_revision: int
    intent_revision: int
    calibration_revision: int | None
    """None while the map is designed but not saved."""
    calibration_name: str
    behind: str
    """What changed since the saved map was designed; empty when nothing did."""
    edited: bool
    """Whether a table of this mode was edited by hand."""
    can_undo: bool
    can_redo: bool
    states: list[State]
    fan: FanView
    boost: BoostView | None
    handles: Handles
    figures: list[FigureLine]
    plate_table: TableView
    boost_table: TableView | None
    claim: str
    cautions: list[str]
    notes: list[str]
    knock_on: list[KnockOnLine]


class PreviewRequest(Model):
    """A change of a mode that is being tried; nothing is saved."""

    mode: str
    change: ModeChange = ModeChange()
    state: State | None = None
    seq: int = 0
    """Comes back with the answer, so that the page knows which one it is."""
    intent_revision: int | None = None
    """Of the intent that the page shows; saves a look into the garage."""
    branch: str = MAIN


class PreviewResult(Model):
    """The picture of a change that is being tried, on a coarse grid."""

    seq: int
    fan: FanView
    boost: BoostView | None
    handles: Handles
    figures: list[FigureLine]


class IntentRequest(Model):
    """A change of a mode to be saved, with the map designed anew."""

    mode: str
    change: ModeChange
    base_revision: int
    """Of the intent."""
    calibration_revision: int | None = None
    """Of the calibration that the person saw."""
    replace_edited: bool = False
    """Whether tables edited by hand may give way; their revision stays in the history."""
    state: State | None = None
    who: _Who
    branch: str = MAIN


class DesignAnewRequest(Model):
    """Design the map of all modes from the newest build and intent, and save it."""

    mode: str | None = None
    calibration_revision: int | None = None
    replace_edited: bool = False
    state: State | None = None
    who: _Who
    branch: str = MAIN


class StepRequest(Model):
    """Undo or redo the last change of the map."""

    mode: str | None = None
    base_revision: int
    """Of the calibration."""
    state: State | None = None
    who: _Who
    branch: str = MAIN


class PedalResult(Model):
    """The page after a change, or what has to be asked before it."""

    asks: str = ""
    """Not empty: nothing was saved, the person has to agree first."""
    view: PedalView | None = None


class CellsRequest(Model):
    """Cells of a table that a person typed or pasted: row, column, value."""

    mode: str
    table: Literal["plate", "boost"]
    cells: Annotated[
        list[tuple[Annotated[int, Field(ge=0)], Annotated[int, Field(ge=0)], FiniteFloat]],
        Field(min_length=1, max_length=4000),
    ]
    base_revision: int | None
    """Of the calibration; None while the design is not saved."""
    state: State | None = None
    who: _Who
    why: Annotated[str, Field(max_length=200)] = ""
    branch: str = MAIN


class Edited(Model):
    """A table after an edit."""

    table: TableView
    calibration_revision: int
    can_undo: bool
    can_redo: bool


class CellsResult(Model):
    """An edit with its effect on torque."""

    edited: Edited
    fan: FanView
    boost: BoostView | None
    figures: list[FigureLine]
    cautions: list[str]


class JudgeRequest(Model):
    """A table of plate percent over rpm (down) and pedal percent (across), as text."""

    text: Annotated[str, Field(max_length=200_000)]
    mode: str | None = None
    state: State | None = None
    branch: str = MAIN


class JudgeResult(Model):
    """The pasted table judged by the same figures as ours."""

    fan: FanView
    """``after`` is the pasted table, ``before`` one to one."""
    figures: list[FigureLine]
    """``before`` is the pasted table, ``after`` the map of the mode."""
    verdict: list[str]
    rows: int
    columns: int
