"""Long jobs: started, watched, cancelled, and gone when the server goes."""

from __future__ import annotations

import asyncio
import json
import logging
import secrets
import threading
from collections.abc import AsyncIterator, Callable
from concurrent.futures import ThreadPoolExecutor
from typing import Any, Literal, Protocol

from fastapi import APIRouter, Request
from fastapi.responses import StreamingResponse
from pydantic import BaseModel

from throttlewright.foundation.errors import CancelledError, InputError, ThrottlewrightError
from throttlewright.foundation.events import Cancelled, Event, OnEvent
from throttlewright.web.errors import NotFoundError, error_body

__all__ = ["JobState", "Jobs", "Work", "router", "sse"]

State = Literal["waiting", "running", "done", "failed", "cancelled"]
_ENDED = ("done", "failed", "cancelled")
_MOST_OPEN = 16
_MOST_KEPT = 64
_POLL_S = 0.1
_BEAT_S = 10.0
_log = logging.getLogger("throttlewright.web")


class Work(Protocol):
    """A workshop function with its request."""

    def __call__(
        self, request: Any, /, *, on_event: OnEvent, cancelled: Cancelled
    ) -> BaseModel | dict[str, Any]:
        """Do the work."""
        ...


class JobState(BaseModel):
    """Where a job stands."""

    id: str
    title: str
    state: State
    step: str
    """What is being done."""
    done: int
    total: int
    text: str
    error: dict[str, Any] | None = None
    result: Any = None


class _Job:
    def __init__(self, title: str) -> None:
        self.id = secrets.token_urlsafe(12)
        self.title = title
        self.stop = threading.Event()
        self._lock = threading.Lock()
        self._version = 0
        self._now = JobState(
            id=self.id, title=title, state="waiting", step="", done=0, total=0, text=""
        )

    def change(self, **parts: Any) -> None:
        with self._lock:
            if self._now.state in _ENDED:
                return
            self._now = self._now.model_copy(update=parts)
            self._version += 1

    def look(self) -> tuple[int, JobState]:
        with self._lock:
            return self._version, self._now


class Jobs:
    """Jobs of one server, on a few threads; compiled code lets go of the lock.

    Parameters
    ----------
    workers : int
        Threads.
    """

    def __init__(self, workers: int = 2) -> None:
        self._pool = ThreadPoolExecutor(workers, thread_name_prefix="throttlewright-job")
        self._jobs: dict[str, _Job] = {}
        self._lock = threading.Lock()
        self.closing = threading.Event()
        """Set when the server stops; streams end when they see it."""

    def start(self, function: Work, request: object, *, title: str = "") -> str:
        """Start a job.

        Parameters
        ----------
        function : Work
            Called with the request, ``on_event`` and ``cancelled``.
        request : object
            Its request.
        title : str
            For the person.

        Returns
        -------
        str
            Identifier of the job.

        Raises
        ------
        InputError
            If too many jobs are waiting, or the server is stopping.
        """
        job = _Job(title)
        with self._lock:
            if self.closing.is_set():
                raise InputError("the server is stopping", advice="start it again")
            is_open = [j for j in self._jobs.values() if j.look()[1].state not in _ENDED]
            if len(is_open) >= _MOST_OPEN:
                raise InputError("too many jobs are open", advice="wait for one, or cancel one")
            ended = [j.id for j in self._jobs.values() if j.look()[1].state in _ENDED]
            for old in ended[: max(0, len(self._jobs) + 1 - _MOST_KEPT)]:
                del self._jobs[old]
            self._jobs[job.id] = job
            self._pool.submit(_run, job, function, request)
        return job.id

    def _job(self, job: str) -> _Job:
        with self._lock:
            found = self._jobs.get(job)
        if found is None:
            raise NotFoundError("there is no such job", value=job, advice="start it again")
        return found

    def look(self, job: str) -> tuple[int, JobState]:
        """Return a counter of changes and where a job stands."""
        return self._job(job).look()

    def cancel(self, job: str) -> JobState:
        """Ask a job to stop; one that did not begin has stopped at once."""
        found = self._job(job)
        found.stop.set()
        if found.look()[1].state == "waiting":
            found.change(state="cancelled", text="stopped; nothing was written")
        return found.look()[1]

    def close(self) -> None:
        """Stop all jobs and wait for their threads."""
        with self._lock:
            self.closing.set()
            jobs = list(self._jobs.values())
        for job in jobs:
            job.stop.set()
        self._pool.shutdown(wait=True, cancel_futures=True)
        for job in jobs:
            job.change(state="cancelled", text="the server stopped")


def _run(job: _Job, function: Callable[..., Any], request: object) -> None:
    if job.stop.is_set():
        job.change(state="cancelled", text="stopped; nothing was written")
        return
    job.change(state="running")

    def on_event(event: Event) -> None:
        job.change(step=event.name, done=event.done, total=event.total, text=event.text)

    try:
        result = function(request, on_event=on_event, cancelled=job.stop.is_set)
    except CancelledError as error:
        job.change(state="cancelled", text=str(error))
    except ThrottlewrightError as error:
        job.change(state="failed", text=str(error), error=error_body(error))
    except Exception:
        _log.exception("job %s failed", job.title or job.id)
        sentence = "the program failed here; the terminal says more"
        job.change(state="failed", text=sentence, error={"error": sentence})
    else:
        plain = result.model_dump(mode="json") if isinstance(result, BaseModel) else result
        job.change(state="done", result=plain)


def sse(name: str, data: object, *, number: int | None = None) -> str:
    """Return one server-sent event.

    Parameters
    ----------
    name : str
        Kind of event.
    data : object
        What JSON can hold.
    number : int, optional
        Where to go on after a lost connection.

    Returns
    -------
    str
        Text with its closing empty line.
    """
    head = "" if number is None else f"id: {number}\n"
    return f"{head}event: {name}\ndata: {json.dumps(data, ensure_ascii=False)}\n\n"


router = APIRouter(prefix="/api/jobs", tags=["jobs"])


def _jobs(request: Request) -> Jobs:
    jobs: Jobs = request.app.state.bench.jobs
    return jobs


@router.get("/{job}")
def look(job: str, request: Request) -> JobState:
    """Return where a job stands, with its result when it is done."""
    return _jobs(request).look(job)[1]


@router.delete("/{job}")
def cancel(job: str, request: Request) -> JobState:
    """Ask a job to stop."""
    return _jobs(request).cancel(job)


async def _stream(jobs: Jobs, job: str, request: Request) -> AsyncIterator[str]:
    seen, quiet = -1, 0.0
    while not jobs.closing.is_set():
        version, state = jobs.look(job)
        ended = state.state in _ENDED
        if version != seen:
            seen, quiet = version, 0.0
            # The result may be large; the page asks for it once.
            body = state.model_dump(mode="json", exclude={"result"})
            yield sse("end" if ended else "progress", body, number=version)
        if ended or await request.is_disconnected():
            return
        quiet += _POLL_S
        if quiet >= _BEAT_S:
            quiet = 0.0
            yield ": still here\n\n"
        await asyncio.sleep(_POLL_S)


@router.get("/{job}/events", response_class=StreamingResponse)
async def events(job: str, request: Request) -> StreamingResponse:
    """Send progress as it happens; the last event is called ``end``."""
    jobs = _jobs(request)
    jobs.look(job)
    return StreamingResponse(
        _stream(jobs, job, request),
        media_type="text/event-stream",
        headers={"x-accel-buffering": "no"},
    )
