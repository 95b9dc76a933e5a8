"""Tells the pages of a car when something of it was saved, by whoever and whatever program."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator

from fastapi import APIRouter, Header, Query, Request
from fastapi.concurrency import run_in_threadpool
from fastapi.responses import StreamingResponse
from pydantic import BaseModel

from throttlewright.foundation.errors import InputError
from throttlewright.web.bench import Bench, Held
from throttlewright.web.errors import error_body
from throttlewright.web.jobs import sse
from throttlewright.workshop.garage import Revision
from throttlewright.workshop.held import changes_since

__all__ = ["ChangeLine", "router"]

_POLL_S = 0.5
_BEAT_S = 10.0
_LARGEST = 2**62

router = APIRouter(prefix="/api/changes", tags=["changes"])


class ChangeLine(BaseModel):
    """One save."""

    kind: str
    name: str
    revision: int
    who: str
    branch: str
    why: str
    when: str
    stale: bool
    removed: bool


def _line(row: Revision) -> dict[str, object]:
    keys = set(ChangeLine.model_fields) - {"revision"}
    return ChangeLine(revision=row.id, **row.model_dump(include=keys)).model_dump(mode="json")


async def _stream(held: Bench, car: int, since: int | None, request: Request) -> AsyncIterator[str]:
    garage = held.garage
    seen = await run_in_threadpool(garage.last_number)
    # A page that comes back after a lost connection names the last one it saw.
    read = seen if since is None else min(since, seen)
    looked = None if read < seen else seen
    yield sse("ready", {"revision": read}, number=read)
    quiet = 0.0
    while not held.jobs.closing.is_set() and not await request.is_disconnected():
        try:
            last = await run_in_threadpool(garage.last_number)
            if last != looked:
                for row in await run_in_threadpool(changes_since, garage, car, read):
                    read, quiet = row.id, 0.0
                    yield sse("change", _line(row), number=row.id)
                looked, read = last, max(read, last)
        except InputError as error:
            yield sse("gone", error_body(error))
            return
        quiet += _POLL_S
        if quiet >= _BEAT_S:
            quiet = 0.0
            yield ": still here\n\n"
        await asyncio.sleep(_POLL_S)


@router.get("", response_class=StreamingResponse)
async def changes(
    held: Held,
    request: Request,
    car: str = Query(max_length=80),
    since: int | None = Query(None, ge=0, le=_LARGEST),
    last_event_id: str | None = Header(None),
) -> StreamingResponse:
    """Send ``change`` for each revision saved from now on, or from a revision number on."""
    number = await run_in_threadpool(held.number, car)
    # A number of 19 digits may still be too large for the database.
    if last_event_id and last_event_id.isascii() and last_event_id.isdigit():
        since = min(int(last_event_id[:19]), _LARGEST)
    return StreamingResponse(
        _stream(held, number, since, request),
        media_type="text/event-stream",
        headers={"x-accel-buffering": "no"},
    )
