"""The Roles page's part of the server."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Query
from pydantic import BaseModel, Field

from throttlewright.web.bench import Bench, Branch, CarName, CarTitle, Held
from throttlewright.web.errors import needed
from throttlewright.web.registry import Page
from throttlewright.workshop.garage_requests import person
from throttlewright.workshop.held import MAIN
from throttlewright.workshop.roles_page import (
    command_view,
    pairs_held,
    roles_view,
    save_section,
    step,
)
from throttlewright.workshop.roles_page_models import (
    CommandView,
    HeldPairsRequest,
    RolesView,
    SectionRequest,
    StepBack,
)

__all__ = ["PAGE", "router"]

PAGE = Page("roles", "Roles", 55, "What does the plate take over, and who is in charge?")

router = APIRouter(prefix="/api/roles")

_Name = Annotated[str, Field(max_length=80)]


class Asked(BaseModel):
    """Which role is to be driven."""

    role: _Name
    branch: _Name = MAIN
    who: str = Field(default_factory=person, max_length=500)


class Started(BaseModel):
    """A job that began."""

    job: str


def _state(held: Bench, car: str, branch: str) -> tuple[int, ...]:
    with needed():
        items = held.garage.items(held.number(car), branch=branch)
    kinds = ("build", "beside", "intent", "calibration")
    return tuple(i.id for i in items if i.kind in kinds)


@router.get("/{car}")
def view(car: CarName, held: Held, branch: Branch = MAIN) -> RolesView:
    """Return every role in order of rank, with what it adds to this car."""
    key = ("roles", car, branch, _state(held, car, branch))
    return held.keep(key, lambda: roles_view(held.garage, held.car(car, branch), branch=branch))


@router.get("/{car}/command")
def command(
    car: CarName,
    held: Held,
    scenario: Annotated[str, Query(max_length=80)],
    branch: Branch = MAIN,
) -> CommandView:
    """Return demand, floors and ceilings over a scenario, and who was in charge."""
    key = ("command", car, branch, _state(held, car, branch), scenario)
    return held.keep(
        key,
        lambda: command_view(held.garage, held.car(car, branch), scenario=scenario, branch=branch),
    )


@router.post("/{car}/section")
def section(car: CarName, held: Held, request: SectionRequest) -> RolesView:
    """Save what is asked of a role; 409 with both revisions if somebody else saved meanwhile."""
    return save_section(held.garage, held.car(car, request.branch), request)


@router.post("/{car}/undo")
def step_back(car: CarName, held: Held, request: StepBack) -> RolesView:
    """Undo the last change of calibration and intent."""
    return step(held.garage, held.car(car, request.branch), request, back=True)


@router.post("/{car}/redo")
def step_forward(car: CarName, held: Held, request: StepBack) -> RolesView:
    """Redo the change that was undone last."""
    return step(held.garage, held.car(car, request.branch), request, back=False)


@router.post("/{car}/drive")
def drive(car: CarTitle, held: Held, asked: Asked) -> Started:
    """Drive a role with it and without it; the job ends with both traces and their figures."""
    request = HeldPairsRequest(garage=held.folder, car=car, **asked.model_dump())
    return Started(job=held.jobs.start(pairs_held, request, title=f"{asked.role} of {car}"))
