"""The Garage page's part of the server; what other pages save goes through here as well."""

from __future__ import annotations

import tempfile
import zipfile
from pathlib import Path
from typing import Annotated, Literal
from urllib.parse import quote

from fastapi import APIRouter, Query, Request
from fastapi import Path as PathPart
from fastapi.concurrency import run_in_threadpool
from fastapi.responses import FileResponse, Response
from pydantic import Field
from starlette.background import BackgroundTask

from throttlewright.foundation.errors import InputError
from throttlewright.web.bench import Bench, Branch, CarTitle, Held
from throttlewright.web.errors import NotFoundError, needed
from throttlewright.web.registry import Page
from throttlewright.workshop import garage as work
from throttlewright.workshop.common import Model
from throttlewright.workshop.garage_page import Overview, bring_back, look_over
from throttlewright.workshop.garage_requests import person
from throttlewright.workshop.held import MAIN, example_names, redo, steps, undo

__all__ = ["PAGE", "router"]

PAGE = Page("garage", "Garage", 10, "Which car?")

_DEFLATED = zipfile.ZIP_DEFLATED

router = APIRouter(prefix="/api/garage")

_Number = Annotated[int, Field(ge=0, le=2**62)]
_Name = Annotated[str, Field(max_length=120)]
_Who = Annotated[str, Field(default_factory=person, max_length=500)]
_Line = Annotated[str, Field(max_length=500)]
_Ratio = Annotated[float, Field(gt=0.0, le=100.0)]


class Answers(Model):
    """What a tuner can say of a car without measuring."""

    displacement: _Name | None = None
    cylinders: Annotated[int, Field(ge=1, le=16)] | None = None
    revs: _Name | None = None
    bore: _Name | None = None
    plates: Annotated[int, Field(ge=1, le=16)] | None = None
    boost: _Name | None = None
    charging: Literal["turbo", "supercharger", "centrifugal"] | None = None
    blower: _Name | None = None
    blower_ratio: Annotated[float, Field(gt=0.0, le=100.0)] | None = None
    ratios: Annotated[tuple[_Ratio, ...], Field(min_length=1, max_length=12)] | None = None
    final_drive: _Ratio | None = None
    use: _Name | None = None


class NewCar(Model):
    """A new car, from a shipped one or from answers."""

    name: _Name
    example: _Name | None = None
    answers: Answers = Answers()
    who: _Who


class Save(Model):
    """A text to save."""

    kind: _Name
    name: _Name
    content: str
    base_revision: _Number | None = None
    who: _Who
    why: _Line = ""
    draft: bool = False
    branch: _Name = MAIN


class Restore(Model):
    """A revision to bring back."""

    revision: _Number
    who: _Who
    why: _Line = ""
    branch: _Name | None = None


class Compare(Model):
    """Two revisions."""

    a: _Number
    b: _Number


class NewBranch(Model):
    """A branch to start, ``from`` another."""

    start: _Name = Field(MAIN, alias="from")
    to: _Name
    who: _Who


class Step(Model):
    """Undo or redo of one thing."""

    kind: _Name
    name: _Name
    base_revision: _Number
    who: _Who
    branch: _Name = MAIN


class Rename(Model):
    """Another name for a car."""

    name: _Name


class Content(Model):
    """A revision with its text, and where undo and redo lead."""

    revision: work.Revision
    content: str | None
    """None for a recording, which is fetched as a file."""
    undo: int | None
    redo: int | None


@router.get("/examples")
def examples() -> list[str]:
    """Return the names of the shipped cars."""
    return example_names()


@router.get("/cars")
def cars(held: Held) -> work.ListResult:
    """Return the cars."""
    return work.list_cars(work.GarageRequest(garage=held.folder))


@router.get("/overview")
def overview(held: Held) -> Overview:
    """Return the cars with their last change and how their last proof stands."""
    return look_over(held.garage)


@router.post("/removed/{number}/back")
def back(number: Annotated[int, PathPart(ge=0, le=2**62)], held: Held) -> work.CarLine:
    """Put a removed car back into the list."""
    return bring_back(held.garage, number)


@router.post("/cars", status_code=201)
def new_car(held: Held, asked: NewCar) -> work.NewCarResult:
    """Add a car."""
    return work.new_car(
        work.NewCarRequest(
            garage=held.folder,
            name=asked.name,
            example=asked.example,
            who=asked.who,
            **asked.answers.model_dump(),
        )
    )


@router.get("/cars/{car}")
def show(car: CarTitle, held: Held, branch: Branch = MAIN) -> work.ShowResult:
    """Return what a car has."""
    with needed():
        return work.show_car(work.ShowRequest(garage=held.folder, car=car, branch=branch))


@router.delete("/cars/{car}")
def remove(car: CarTitle, held: Held) -> work.RemoveResult:
    """Take a car out of the list; all it has is kept."""
    return work.remove_car(work.RemoveRequest(garage=held.folder, car=car))


@router.post("/cars/{car}/rename")
def rename(car: CarTitle, held: Held, asked: Rename) -> work.CarLine:
    """Give a car another name."""
    return work.rename_car(work.RenameRequest(garage=held.folder, car=car, name=asked.name))


def _of_car(held: Bench, car: str, revision: int) -> work.Revision:
    with needed():
        info = held.garage.revision(revision)
    if info.car != car:
        raise NotFoundError("is no revision of this car", file=car, value=revision)
    return work.Revision.model_validate(info, from_attributes=True)


@router.get("/cars/{car}/content")
def content(
    car: CarTitle,
    held: Held,
    kind: Annotated[str, Query(max_length=120)],
    name: Annotated[str, Query(max_length=120)],
    revision: Annotated[int | None, Query(ge=0, le=2**62)] = None,
    branch: Branch = MAIN,
) -> Content:
    """Return the newest text of a thing, or that of a revision."""
    with needed():
        found = steps(held.garage, car, kind, name, branch=branch)
    number = found.head.id if revision is None else revision
    info = _of_car(held, car, number)
    if (info.kind, info.name.casefold()) != (found.head.kind, name.casefold()):
        raise NotFoundError("is no revision of this thing", file=name, value=number)
    text = None if info.kind == "recording" else held.garage.content(number)
    return Content(
        revision=info,
        content=text if isinstance(text, str) else None,
        undo=found.past[-1].id if found.past else None,
        redo=found.future[-1].id if found.future else None,
    )


@router.get("/cars/{car}/recording", response_class=Response)
def recording(
    car: CarTitle, held: Held, revision: Annotated[int, Query(ge=0, le=2**62)]
) -> Response:
    """Return the file of a recording."""
    info = _of_car(held, car, revision)
    body = held.garage.content(revision)
    if not isinstance(body, bytes):
        raise NotFoundError("is no recording", value=revision)
    return Response(body, headers=_attached(f"{info.name}.parquet"))


def _attached(name: str) -> dict[str, str]:
    return {"content-disposition": f"attachment; filename*=UTF-8''{quote(name, safe='')}"}


@router.put("/cars/{car}/recording", status_code=201)
async def upload(
    car: CarTitle,
    held: Held,
    request: Request,
    name: Annotated[str, Query(max_length=120)],
    base_revision: Annotated[int | None, Query(ge=0, le=2**62)] = None,
    who: Annotated[str | None, Query(max_length=500)] = None,
    why: Annotated[str, Query(max_length=500)] = "",
    branch: Branch = MAIN,
) -> work.SaveResult:
    """Save a recording; the body is the file itself."""
    with tempfile.TemporaryDirectory() as folder:
        place = Path(folder) / "upload.parquet"
        with place.open("wb") as stream:
            async for part in request.stream():
                await run_in_threadpool(stream.write, part)
        asked = work.SaveRequest(
            garage=held.folder,
            car=car,
            kind="recording",
            name=name,
            file=str(place),
            base_revision=base_revision,
            who=who or person(),
            why=why,
            branch=branch,
        )
        return await run_in_threadpool(work.save_item, asked)


@router.post("/cars/{car}/save")
def save(car: CarTitle, held: Held, asked: Save) -> work.SaveResult:
    """Save a text; 409 when somebody else saved meanwhile, with both versions kept."""
    if asked.kind == "recording":
        raise InputError("is uploaded as a file", key="kind", value=asked.kind)
    return work.save_item(
        work.SaveRequest(
            garage=held.folder,
            car=car,
            kind=asked.kind,
            name=asked.name,
            text=asked.content,
            base_revision=asked.base_revision,
            who=asked.who,
            why=asked.why,
            branch=asked.branch,
            draft=asked.draft,
        )
    )


@router.get("/cars/{car}/history")
def history(
    car: CarTitle,
    held: Held,
    kind: Annotated[str | None, Query(max_length=120)] = None,
    name: Annotated[str | None, Query(max_length=120)] = None,
    branch: Branch = MAIN,
) -> work.HistoryResult:
    """Return revisions, newest first."""
    with needed():
        return work.history(
            work.HistoryRequest(garage=held.folder, car=car, kind=kind, name=name, branch=branch)
        )


@router.post("/cars/{car}/restore")
def restore(car: CarTitle, held: Held, asked: Restore) -> work.SaveResult:
    """Make an old revision the newest again."""
    _of_car(held, car, asked.revision)
    return work.restore(work.RestoreRequest(garage=held.folder, **asked.model_dump()))


@router.post("/cars/{car}/compare")
def compare(car: CarTitle, held: Held, asked: Compare) -> work.CompareResult:
    """Say what differs between two revisions."""
    for number in (asked.a, asked.b):
        _of_car(held, car, number)
    return work.compare(work.CompareRequest(garage=held.folder, old=asked.a, new=asked.b))


@router.post("/cars/{car}/branch", status_code=201)
def branch(car: CarTitle, held: Held, asked: NewBranch) -> work.BranchResult:
    """Start a branch."""
    return work.branch(
        work.BranchRequest(
            garage=held.folder, car=car, name=asked.to, start=asked.start, who=asked.who
        )
    )


@router.post("/cars/{car}/undo")
def undo_one(car: CarTitle, held: Held, asked: Step) -> work.SaveResult:
    """Go one step back."""
    return undo(held.garage, car, **asked.model_dump())


@router.post("/cars/{car}/redo")
def redo_one(car: CarTitle, held: Held, asked: Step) -> work.SaveResult:
    """Go one step forward again."""
    return redo(held.garage, car, **asked.model_dump())


@router.get("/cars/{car}/export", response_class=FileResponse)
def export(car: CarTitle, held: Held, branch: Branch = MAIN) -> FileResponse:
    """Return a branch of a car as one archive."""
    with tempfile.TemporaryDirectory() as folder:
        out = Path(folder) / "out"
        done = work.export_car(
            work.ExportRequest(garage=held.folder, car=car, folder=str(out), branch=branch)
        )
        # It outlives this function: the answer is sent from it, then it goes.
        descriptor, archive_name = tempfile.mkstemp(suffix=".zip")
        place = Path(archive_name)
        with open(descriptor, "wb") as stream, zipfile.ZipFile(stream, "w", _DEFLATED) as archive:
            for name in done.files:
                archive.write(out / name, name)
    return FileResponse(
        place,
        media_type="application/zip",
        headers=_attached(f"{car}.zip"),
        background=BackgroundTask(place.unlink, missing_ok=True),
    )
