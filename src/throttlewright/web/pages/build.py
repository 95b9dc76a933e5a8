"""The Build page: each number with where it comes from, checked while typed, saved by revision."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter
from pydantic import BaseModel, Field

from throttlewright.foundation.errors import InputError
from throttlewright.web.bench import Branch, CarName, Held
from throttlewright.web.registry import Page
from throttlewright.workshop.build_page import (
    BuildPage,
    FieldCheck,
    FieldValue,
    LedgerPage,
    build_ledger,
    build_page,
    check_field,
    check_text,
    save_fields,
    save_text,
)
from throttlewright.workshop.garage import SaveResult
from throttlewright.workshop.held import MAIN

__all__ = ["PAGE", "router"]

PAGE = Page("build", "Build", 20, "What is the car, and how sure are its numbers?")
router = APIRouter(prefix="/api/build")

Key = Annotated[str, Field(max_length=120)]
Text = Annotated[str, Field(max_length=1_000_000)]
Who = Annotated[str, Field(min_length=1, max_length=80)]


class CheckBody(BaseModel):
    """A value as far as it is typed, or the whole text."""

    key: Key | None = None
    value: FieldValue = None
    text: Text | None = None
    base_revision: int | None = None


class FieldBody(BaseModel):
    """A value to save, or several at once."""

    key: Key | None = None
    value: FieldValue = None
    values: Annotated[dict[Key, FieldValue], Field(max_length=50)] = {}
    base_revision: int
    who: Who = "browser"


class TextBody(BaseModel):
    """A whole text to save."""

    text: Text
    base_revision: int
    who: Who = "browser"


@router.get("/{car}")
def show(car: CarName, held: Held, branch: Branch = MAIN) -> BuildPage:
    """Return the build field by field, with its newest text."""
    return build_page(held.garage, car, branch=branch)


@router.post("/{car}/check")
def check(car: CarName, held: Held, body: CheckBody, branch: Branch = MAIN) -> FieldCheck:
    """Return whether a value, or a whole text, could be saved."""
    if (body.key is None) == (body.text is None):
        raise InputError("give either a key with a value, or a text", key="key")
    if body.text is not None:
        return check_text(held.garage, car, text=body.text, branch=branch)
    return check_field(
        held.garage,
        car,
        key=body.key or "",
        value=body.value,
        base_revision=body.base_revision,
        branch=branch,
    )


@router.post("/{car}/field")
def field(car: CarName, held: Held, body: FieldBody, branch: Branch = MAIN) -> SaveResult:
    """Save one value or several; 409 with both revisions if somebody else saved meanwhile."""
    values = dict(body.values)
    if body.key is not None:
        values[body.key] = body.value
    if not values:
        raise InputError("give a key with a value, or values by key", key="key")
    return save_fields(
        held.garage,
        car,
        values=values,
        base_revision=body.base_revision,
        who=body.who,
        branch=branch,
    )


@router.post("/{car}/text")
def text(car: CarName, held: Held, body: TextBody, branch: Branch = MAIN) -> SaveResult:
    """Save the whole text; 409 with both revisions if somebody else saved meanwhile."""
    return save_text(
        held.garage,
        car,
        text=body.text,
        base_revision=body.base_revision,
        who=body.who,
        branch=branch,
    )


@router.get("/{car}/ledger")
def ledger(car: CarName, held: Held, branch: Branch = MAIN) -> LedgerPage:
    """Return what each uncertain number costs in certainty, largest first."""
    found = held.car(car, branch)
    key = ("ledger", car, branch, found.revision.id, found.file.sha256)
    return held.keep(key, lambda: build_ledger(found))
