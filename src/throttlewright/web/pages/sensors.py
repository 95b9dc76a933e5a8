"""The Sensors page's part of the server."""

from __future__ import annotations

import tempfile
from functools import partial
from pathlib import Path
from typing import Annotated, Literal

from fastapi import APIRouter, Query, Request
from fastapi.concurrency import run_in_threadpool

from throttlewright.web.bench import Bench, Branch, CarTitle, Held
from throttlewright.web.errors import needed
from throttlewright.web.registry import Page
from throttlewright.workshop.garage import SaveResult
from throttlewright.workshop.garage_requests import person
from throttlewright.workshop.held import MAIN
from throttlewright.workshop.sensors_page import (
    HeldRecording,
    ReactionsView,
    SensorsView,
    ServoView,
    held_recording,
    held_recordings,
    reactions_view,
    sensors_view,
    servo_view,
    take_in,
)

__all__ = ["PAGE", "router"]

PAGE = Page(
    "sensors", "Sensors", 45, "Can the pedal be believed, and does the plate go where it is told?"
)

router = APIRouter(prefix="/api/sensors")

_Name = Annotated[str | None, Query(max_length=120)]


def _state(held: Bench, car: str, branch: str) -> tuple[int, ...]:
    with needed():
        items = held.garage.items(held.number(car), branch=branch)
    return tuple(i.id for i in items if i.kind in ("build", "beside", "recording"))


@router.get("/{car}/recordings")
def recordings(car: CarTitle, held: Held, branch: Branch = MAIN) -> list[HeldRecording]:
    """Return the recordings of a car with their channels."""
    revisions = held_recordings(held.garage, held.number(car), branch=branch)
    return [
        held.keep(("recording", number), partial(held_recording, held.garage, number), most=96)
        for number in revisions
    ]


@router.put("/{car}/recording", status_code=201)
async def upload(
    car: CarTitle,
    held: Held,
    request: Request,
    name: Annotated[str, Query(max_length=120)],
    base_revision: Annotated[int | None, Query(ge=0, le=2**62)] = None,
    who: Annotated[str | None, Query(max_length=500)] = None,
    branch: Branch = MAIN,
) -> SaveResult:
    """Keep a logged file as a recording; the body is the file itself, text or Parquet."""
    with tempfile.TemporaryDirectory() as folder:
        place = Path(folder) / "upload"
        with place.open("wb") as stream:
            async for part in request.stream():
                await run_in_threadpool(stream.write, part)

        def keep() -> SaveResult:
            return take_in(
                held.garage,
                held.number(car),
                name,
                place,
                base_revision=base_revision,
                who=who or person(),
                branch=branch,
            )

        return await run_in_threadpool(keep)


@router.get("/{car}/tracks")
def tracks(
    car: CarTitle,
    held: Held,
    of: Literal["pedal", "plate"] = "pedal",
    recording: _Name = None,
    track1: _Name = None,
    track2: _Name = None,
    period_ms: Annotated[float, Query(gt=0.0, le=100.0)] = 10.0,
    skew_ms: Annotated[float, Query(ge=0.0, le=50.0)] = 1.0,
    found_ms: Annotated[float, Query(gt=0.0, le=2000.0)] = 100.0,
    false_per_1000_h: Annotated[float, Query(gt=0.0, le=1000.0)] = 0.1,
    pull_kohm: Annotated[float, Query(ge=0.5, le=1000.0)] = 100.0,
    branch: Branch = MAIN,
) -> SensorsView:
    """Return the tracks of pedal or plate, from the build or from a sweep."""
    return sensors_view(
        held.garage,
        held.number(car),
        of=of,
        recording=recording or None,
        track1=track1,
        track2=track2,
        period_ms=period_ms,
        skew_ms=skew_ms,
        found_ms=found_ms,
        false_per_1000_h=false_per_1000_h,
        pull_kohm=pull_kohm,
        branch=branch,
    )


@router.get("/{car}/servo")
def servo(
    car: CarTitle,
    held: Held,
    recording: Annotated[list[str] | None, Query(max_length=8)] = None,
    closed_stop: bool = True,
    branch: Branch = MAIN,
) -> ServoView:
    """Return the plate servo; its numbers are learned from the records that are named."""
    names = tuple(recording or ())
    number = held.number(car)
    key = ("servo", number, branch, _state(held, car, branch), names, closed_stop)
    return held.keep(
        key,
        lambda: servo_view(
            held.garage, number, recordings=names, closed_stop=closed_stop, branch=branch
        ),
    )


@router.get("/{car}/reactions")
def reactions(car: CarTitle, held: Held, branch: Branch = MAIN) -> ReactionsView:
    """Return what the calibration does about a fault, with the source of each row."""
    return reactions_view(held.garage, held.number(car), branch=branch)
