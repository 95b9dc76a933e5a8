"""The Plate page's part of the server."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Query

from throttlewright.web.bench import Branch, CarName, Held
from throttlewright.web.registry import Page
from throttlewright.workshop.held import MAIN
from throttlewright.workshop.plate_page import PlatePage, asked_plate, plate_overview

__all__ = ["PAGE", "router"]

PAGE = Page("plate", "Plate", 30, "Which bore, and how many plates?")

router = APIRouter(prefix="/api/plate")


@router.get("/{car}")
def show(
    car: CarName,
    held: Held,
    bore_mm: Annotated[float | None, Query(allow_inf_nan=False)] = None,
    count: Annotated[int | None, Query(ge=1, le=16)] = None,
    branch: Branch = MAIN,
) -> PlatePage:
    """Return the study, the own plate and the asked one; a bore left out asks for none."""
    one = held.car(car, branch)
    key = (one.revision.id, one.file.sha256)
    plates = one.car.build.plate.count if count is None else count
    study, fan = held.keep(("study", *key, plates), lambda: plate_overview(one.car, count=plates))
    asked = None
    if bore_mm is not None:
        asked = asked_plate(one.car, bore_mm=bore_mm, count=plates)
    return PlatePage(revision=one.revision.id, study=study, own_fan=fan, asked=asked)
