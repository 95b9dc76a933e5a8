"""The Pedal page's part of the server."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Query

from throttlewright.web.bench import Branch, CarName, Held
from throttlewright.web.registry import Page
from throttlewright.workshop.held import MAIN
from throttlewright.workshop.pedal_models import (
    CellsRequest,
    CellsResult,
    DesignAnewRequest,
    IntentRequest,
    JudgeRequest,
    JudgeResult,
    PedalResult,
    PedalView,
    PreviewRequest,
    PreviewResult,
    State,
    StepRequest,
)
from throttlewright.workshop.pedal_page import (
    design_anew,
    edit_cells,
    judge_table,
    pedal_step,
    pedal_view,
    preview,
    save_intent,
)

__all__ = ["PAGE", "router"]

PAGE = Page("pedal", "Pedal", 40, "How does torque follow the pedal?")
router = APIRouter(prefix="/api/pedal")

_Mode = Annotated[str | None, Query(max_length=80)]


@router.get("/{car}")
def view(
    car: CarName,
    held: Held,
    mode: _Mode = None,
    state: State | None = None,
    branch: Branch = MAIN,
) -> PedalView:
    """Return all that the page shows of a mode."""
    return pedal_view(held.garage, held.car(car, branch), mode=mode, state=state, branch=branch)


@router.post("/{car}/preview")
def try_change(car: CarName, held: Held, request: PreviewRequest) -> PreviewResult:
    """Return the picture of a change that is being tried."""
    return preview(held.garage, held.car(car, request.branch), request)


@router.post("/{car}/intent")
def save_change(car: CarName, held: Held, request: IntentRequest) -> PedalResult:
    """Save a change of a mode and the map designed from it."""
    return save_intent(held.garage, held.car(car, request.branch), request)


@router.post("/{car}/design")
def save_design(car: CarName, held: Held, request: DesignAnewRequest) -> PedalResult:
    """Design all modes from the newest build and intent, and save."""
    return design_anew(held.garage, held.car(car, request.branch), request)


@router.post("/{car}/cells")
def save_cells(car: CarName, held: Held, request: CellsRequest) -> CellsResult:
    """Save cells of a table and show what they do to torque."""
    return edit_cells(held.garage, held.car(car, request.branch), request)


@router.post("/{car}/undo")
def step_back(car: CarName, held: Held, request: StepRequest) -> PedalResult:
    """Undo the last change of the map."""
    return pedal_step(held.garage, held.car(car, request.branch), request, back=True)


@router.post("/{car}/redo")
def step_forward(car: CarName, held: Held, request: StepRequest) -> PedalResult:
    """Redo the change of the map that was undone last."""
    return pedal_step(held.garage, held.car(car, request.branch), request, back=False)


@router.post("/{car}/judge")
def judge(car: CarName, held: Held, request: JudgeRequest) -> JudgeResult:
    """Judge a pasted table by the figures that ours is judged by."""
    return judge_table(held.garage, held.car(car, request.branch), request)
