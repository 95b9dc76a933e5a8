"""The Drive page: a car that runs against the wall clock, over a WebSocket."""

from __future__ import annotations

import asyncio
import functools
import json
import time
from typing import Annotated, Any

from anyio import CapacityLimiter, create_task_group
from anyio.to_thread import run_sync
from fastapi import APIRouter, Body, Depends, WebSocket, WebSocketDisconnect
from pydantic import BaseModel, Field, ValidationError
from starlette.requests import HTTPConnection
from starlette.websockets import WebSocketState

from throttlewright.foundation.errors import InputError, ThrottlewrightError
from throttlewright.web.bench import Bench, CarName, Held
from throttlewright.web.errors import NotFoundError, error_body
from throttlewright.web.registry import Page
from throttlewright.workshop.garage import Revision
from throttlewright.workshop.live import Drive, DriveKept, LiveInput, Pace, open_drive
from throttlewright.workshop.live_figures import (
    CompareDrives,
    DriveCompared,
    compare_drives,
    drives_of,
)

__all__ = ["PAGE", "router"]

PAGE = Page("drive", "Drive", 50, "What does this map feel like?")
router = APIRouter(prefix="/api/drive")

_FRAME_S = 1.0 / 60.0
_GRACE_S = 10.0
"""Time that a drive waits for its page to come back."""
_MOST = 8
_MOST_TEXT = 2000
_LOST = 1008


class RecordBody(BaseModel):
    """What to keep of a running drive."""

    session: str = Field(max_length=40)
    name: str = Field(max_length=80)
    who: str = Field("browser", max_length=80)
    why: str = Field("", max_length=300)


class DrivesLine(BaseModel):
    """Recordings of a car."""

    recordings: list[Revision]


class _Running:
    """Drives of one server. A drive without its socket stands still and is dropped in the end."""

    def __init__(self) -> None:
        self._held: dict[str, tuple[Drive, bool, float]] = {}
        self._opening = 0
        # Threads of their own, so that slow answers elsewhere never hold up a car.
        self.threads = CapacityLimiter(_MOST)

    def _drop_old(self) -> None:
        now = time.monotonic()
        for name, (_, connected, since) in list(self._held.items()):
            if not connected and now - since > _GRACE_S:
                del self._held[name]

    def resume(self, name: str, car: int) -> Drive | None:
        """Return a drive whose page was away for a moment."""
        self._drop_old()
        drive, connected, _ = self._held.get(name, (None, True, 0.0))
        if drive is None or connected or drive.car != car:
            return None
        self._held[name] = (drive, True, 0.0)
        return drive

    def reserve(self) -> None:
        """Make room for one more drive, or raise InputError."""
        self._drop_old()
        waiting = [(since, name) for name, (_, on, since) in self._held.items() if not on]
        if len(self._held) + self._opening >= _MOST and waiting:
            del self._held[min(waiting)[1]]
        if len(self._held) + self._opening >= _MOST:
            raise InputError(
                f"{_MOST} cars are being driven on this server",
                advice="close the Drive page in another window, then reload this one",
            )
        self._opening += 1

    def opened(self, drive: Drive | None) -> None:
        """Give the room back, or fill it."""
        self._opening -= 1
        if drive is not None:
            self._held[drive.about.session] = (drive, True, 0.0)

    def leave(self, drive: Drive) -> None:
        """The page is gone, perhaps for a moment only."""
        drive.give(LiveInput(pedal_pct=0.0, brake_pct=0.0))
        self._held[drive.about.session] = (drive, False, time.monotonic())

    def drive(self, name: str, car: int) -> Drive:
        """Return a drive by the name of its session, or raise NotFoundError."""
        self._drop_old()
        found = self._held.get(name)
        if found is None or found[0].car != car:
            raise NotFoundError(
                "this drive has ended", value=name, advice="open the Drive page again"
            )
        return found[0]


def _running(connection: HTTPConnection) -> _Running:
    state = connection.app.state
    if not hasattr(state, "drives"):
        state.drives = _Running()
    found: _Running = state.drives
    return found


Drives = Annotated[_Running, Depends(_running)]


@router.get("/{car}")
def drives(car: CarName, held: Held) -> DrivesLine:
    """Return the drives that were kept."""
    return DrivesLine(recordings=drives_of(held.garage, int(car)))


@router.post("/{car}/record")
def record(
    car: CarName, held: Held, running: Drives, body: Annotated[RecordBody, Body()]
) -> DriveKept:
    """Keep what was recorded of a running drive."""
    drive = running.drive(body.session, int(car))
    return drive.keep(held.garage, name=body.name, who=body.who, why=body.why)


@router.post("/{car}/compare")
def compare(car: CarName, held: Held, body: Annotated[CompareDrives, Body()]) -> DriveCompared:
    """Set two drives beside each other."""
    return compare_drives(held.garage, int(car), body)


async def _say(socket: WebSocket, kind: str, content: Any) -> None:
    await socket.send_text(json.dumps({kind: content}))


async def _ready(
    socket: WebSocket, held: Bench, running: _Running, car: str, session: str
) -> Drive:
    """Return the drive of a socket: one that waits for it, or a new one."""
    number = held.garage.car(car).id
    known = running.resume(session, number) if session else None
    if known is not None:
        return known
    running.reserve()
    drive = None
    loop = asyncio.get_running_loop()

    def tell(text: str) -> None:
        asyncio.run_coroutine_threadsafe(_say(socket, "step", text), loop)

    def make() -> Drive:
        ready = held.car(str(number))
        return open_drive(held.garage, number, held=ready, on_step=tell)

    try:
        drive = await run_sync(make, limiter=running.threads)
    finally:
        running.opened(drive)
    return drive


async def _listen(socket: WebSocket, drive: Drive) -> None:
    while True:
        message = await socket.receive()
        if message["type"] == "websocket.disconnect":
            return
        text = message.get("text")
        try:
            if not isinstance(text, str) or len(text) > _MOST_TEXT:
                raise InputError("a message of the page must be a short text")
            drive.give(LiveInput.model_validate_json(text))
        except ValidationError as error:
            first = error.errors()[0]
            key = ".".join(str(part) for part in first["loc"])
            await _say(socket, "problem", f"{key}: {first['msg']}.")
        except InputError as error:
            await _say(socket, "problem", str(error))


async def _go(socket: WebSocket, drive: Drive, running: _Running) -> None:
    pace = Pace(time.monotonic())
    planned = time.monotonic()
    broken: tuple[str, ...] | None = None
    while True:
        now = time.monotonic()
        late_ms = 1e3 * max(now - planned, 0.0)
        ticks = pace.due(now)
        step = functools.partial(drive.step, ticks, late_ms=late_ms, lost_s=pace.lost_s)
        await socket.send_bytes(await run_sync(step, limiter=running.threads))
        for problem in drive.problems():
            await _say(socket, "problem", problem)
        acting = drive.broken()
        if acting != broken:
            broken = acting
            await _say(socket, "broken", broken)
        # A picture that comes too late is left out; the ticks of the car never are.
        planned = max(planned + _FRAME_S, time.monotonic() - _FRAME_S)
        await asyncio.sleep(max(planned - time.monotonic(), 0.0))


@router.websocket("/{car}/live")
async def live(socket: WebSocket, car: str, held: Held, running: Drives, session: str = "") -> None:
    """Drive: inputs as JSON texts come in, frames of Float32 go out sixty times a second."""
    await socket.accept()
    try:
        drive = await _ready(socket, held, running, car[:80], session[:40])
    except ThrottlewrightError as error:
        await _say(socket, "failed", error_body(error))
        await socket.close(_LOST)
        return
    try:
        async with create_task_group() as group:

            async def until_gone() -> None:
                await _listen(socket, drive)
                group.cancel_scope.cancel()

            group.start_soon(until_gone)
            try:
                await _say(socket, "about", drive.about.model_dump(mode="json"))
                await _go(socket, drive, running)
            except (WebSocketDisconnect, RuntimeError):
                # The page may close while a frame is on its way.
                if socket.client_state == WebSocketState.CONNECTED:
                    raise
            group.cancel_scope.cancel()
    finally:
        running.leave(drive)
