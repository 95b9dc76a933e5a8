"""The Prove page's part of the server."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import APIRouter, Query
from fastapi.responses import Response
from pydantic import Field

from throttlewright.web.bench import Branch, CarTitle, Held
from throttlewright.web.registry import Page
from throttlewright.workshop.columns import columns
from throttlewright.workshop.common import Model
from throttlewright.workshop.garage_requests import person
from throttlewright.workshop.held import MAIN
from throttlewright.workshop.prove_page import (
    HeldProof,
    HeldProveRequest,
    choices,
    last_proof,
    prove_held,
    trace_held,
)

__all__ = ["PAGE", "router"]

PAGE = Page("prove", "Prove", 60, "Is it safe, and does it feel as intended?")

router = APIRouter(prefix="/api/prove")

_Name = Annotated[str, Field(max_length=80)]


class Asked(Model):
    """What of the proof is wanted; all of it where left out."""

    calibration: _Name | None = None
    scenarios: tuple[_Name, ...] | None = Field(None, max_length=200)
    faults: tuple[_Name, ...] | None = Field(None, max_length=200)
    books: tuple[_Name, ...] | None = Field(None, max_length=20)
    variations: int = Field(1, ge=1, le=20)
    branch: _Name = MAIN
    who: str = Field(default_factory=person, max_length=500)


class Started(Model):
    """A job that began."""

    job: str


class Last(Model):
    """The newest proof, if there is one."""

    proof: HeldProof | None


@router.get("/{car}/choices")
def ask(car: CarTitle, held: Held, branch: Branch = MAIN) -> dict[str, Any]:
    """Return the scenarios, faults and rule books that can be chosen."""
    return choices(held.garage, held.number(car), branch=branch)


@router.post("/{car}")
def start(car: CarTitle, held: Held, asked: Asked) -> Started:
    """Start a proof; its job tells of progress and ends with the verdicts."""
    request = HeldProveRequest(garage=held.folder, car=car, **asked.model_dump())
    return Started(job=held.jobs.start(prove_held, request, title=f"Proof of {car}"))


@router.get("/{car}/last")
def last(car: CarTitle, held: Held, branch: Branch = MAIN) -> Last:
    """Return the newest proof, and whether it is of the car as it stands."""
    return Last(proof=last_proof(held.garage, held.number(car), branch=branch))


@router.get("/{car}/trace", response_class=Response)
def trace(
    car: CarTitle,
    held: Held,
    scenario: Annotated[str, Query(max_length=80)],
    fault: Annotated[str | None, Query(max_length=80)] = None,
    reactions: bool = True,
    hidden: bool = False,
    calibration: Annotated[str | None, Query(max_length=80)] = None,
    branch: Branch = MAIN,
) -> Response:
    """Return one run as binary columns, with the limits to draw in the head."""
    head, recording = trace_held(
        held.garage,
        car,
        scenario=scenario,
        fault=fault or None,
        reactions=reactions,
        hidden=hidden,
        calibration=calibration,
        branch=branch,
    )
    body = columns(head.model_dump(mode="json"), recording)
    return Response(body, media_type="application/octet-stream")
