"""The Commission page's part of the server."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter
from pydantic import Field, StrictBool, StrictFloat, StrictInt

from throttlewright.web.bench import Branch, CarTitle, Held
from throttlewright.web.registry import Page
from throttlewright.workshop.commission_page_view import (
    SheetView,
    fill_step,
    sheet_view,
    start_anew,
)
from throttlewright.workshop.common import Model
from throttlewright.workshop.garage_requests import person
from throttlewright.workshop.held import MAIN

__all__ = ["PAGE", "router"]

PAGE = Page("commission", "Commission", 70, "May it be powered up, and what comes next?")

router = APIRouter(prefix="/api/commission")

_Name = Annotated[str, Field(max_length=80)]
_Number = Annotated[int, Field(ge=0, le=2**62)]
_Float = Annotated[StrictFloat, Field(allow_inf_nan=False, ge=-1e9, le=1e9)]
_Int = Annotated[StrictInt, Field(ge=-(10**9), le=10**9)]


class Filled(Model):
    """One step as it was measured; no value clears it."""

    key: _Name
    value: StrictBool | _Float | _Int | None
    base_revision: _Number | None = None
    who: str = Field(default_factory=person, max_length=500)
    branch: _Name = MAIN


class Anew(Model):
    """A sheet to begin again."""

    base_revision: _Number
    who: str = Field(default_factory=person, max_length=500)
    branch: _Name = MAIN


@router.get("/{car}")
def show(car: CarTitle, held: Held, branch: Branch = MAIN) -> SheetView:
    """Return the sheet, judged."""
    return sheet_view(held.garage, held.number(car), branch=branch)


@router.post("/{car}/value")
def fill(car: CarTitle, held: Held, asked: Filled) -> SheetView:
    """Fill in one step; 409 when somebody else did meanwhile."""
    return fill_step(held.garage, held.number(car), **asked.model_dump())


@router.post("/{car}/anew")
def anew(car: CarTitle, held: Held, asked: Anew) -> SheetView:
    """Clear the sheet; the history keeps it."""
    return start_anew(held.garage, held.number(car), **asked.model_dump())
