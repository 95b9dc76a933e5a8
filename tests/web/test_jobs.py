"""Long jobs: progress, result, cancel, failure, and nothing left behind."""

from __future__ import annotations

import json
import threading
import time
from pathlib import Path
from typing import Any

import pytest
from web_bench import client

from throttlewright.foundation.errors import InputError, NoSolutionError
from throttlewright.foundation.events import Event, check_cancelled
from throttlewright.web.errors import NotFoundError
from throttlewright.web.jobs import Jobs, JobState, sse


def count(request: Any, *, on_event: Any, cancelled: Any) -> dict[str, Any]:
    for n in range(request):
        check_cancelled(cancelled)
        on_event(Event("counting", n + 1, request, f"{n + 1}"))
        time.sleep(0.02)
    return {"sum": sum(range(request))}


def fail(request: Any, *, on_event: Any, cancelled: Any) -> dict[str, Any]:
    raise request


def wait(
    jobs: Jobs, job: str, *, until: tuple[str, ...] = ("done", "failed", "cancelled")
) -> JobState:
    end = time.monotonic() + 10.0
    while time.monotonic() < end:
        state = jobs.look(job)[1]
        if state.state in until:
            return state
        time.sleep(0.005)
    raise TimeoutError(state)


def job_threads() -> list[threading.Thread]:
    return [t for t in threading.enumerate() if t.name.startswith("throttlewright-job")]


def test_a_job_ends_with_its_result() -> None:
    jobs = Jobs()
    try:
        state = wait(jobs, jobs.start(count, 5))
        assert (state.state, state.result, state.done, state.total) == ("done", {"sum": 10}, 5, 5)
    finally:
        jobs.close()


def test_a_job_can_be_cancelled_running_and_waiting() -> None:
    jobs = Jobs(workers=1)
    try:
        first, second = jobs.start(count, 10_000), jobs.start(count, 3)
        wait(jobs, first, until=("running",))
        assert jobs.cancel(second).state == "cancelled"
        jobs.cancel(first)
        state = wait(jobs, first)
        assert state.state == "cancelled"
        assert state.result is None
        third = jobs.start(count, 1)
        assert wait(jobs, third).state == "done"
        assert jobs.look(second)[1].state == "cancelled"
    finally:
        jobs.close()


@pytest.mark.parametrize(
    ("error", "says"),
    [
        (InputError("is wrong", key="bore", value=3.0, allowed="more"), "bore: is wrong"),
        (NoSolutionError("no answer"), "no answer"),
        (ZeroDivisionError("inner"), "the program failed here"),
    ],
)
def test_a_job_that_fails_says_why(error: Exception, says: str) -> None:
    jobs = Jobs()
    try:
        state = wait(jobs, jobs.start(fail, error))
        assert state.state == "failed"
        assert state.error is not None
        assert says in state.error["error"]
        assert "inner" not in state.error["error"]
    finally:
        jobs.close()


def test_no_thread_outlives_the_server_and_nothing_starts_after() -> None:
    before = len(job_threads())
    jobs = Jobs()
    running = [jobs.start(count, 100_000) for _ in range(2)]
    waiting = jobs.start(count, 1)
    wait(jobs, running[0], until=("running",))
    assert len(job_threads()) > before
    jobs.close()
    assert len(job_threads()) == before
    assert {jobs.look(j)[1].state for j in (*running, waiting)} == {"cancelled"}
    with pytest.raises(InputError, match="stopping"):
        jobs.start(count, 1)


def test_too_many_open_jobs_are_refused_and_old_ones_forgotten() -> None:
    jobs = Jobs(workers=1)
    try:
        for _ in range(16):
            jobs.start(count, 100_000)
        with pytest.raises(InputError, match="too many"):
            jobs.start(count, 1)
    finally:
        jobs.close()
    jobs = Jobs()
    try:
        ids = []
        for _ in range(80):
            ids.append(jobs.start(count, 0))
            wait(jobs, ids[-1])
        with pytest.raises(NotFoundError):
            jobs.look(ids[0])
        assert jobs.look(ids[-1])[1].state == "done"
    finally:
        jobs.close()


def events(text: str) -> list[tuple[str, dict[str, Any]]]:
    found = []
    for block in text.strip().split("\n\n"):
        rows = dict(line.split(": ", 1) for line in block.split("\n") if not line.startswith(":"))
        if rows:
            found.append((rows["event"], json.loads(rows["data"])))
    return found


def test_an_event_is_one_line_of_data() -> None:
    assert (
        sse("note", {"text": "a\nb"}, number=3) == 'id: 3\nevent: note\ndata: {"text": "a\\nb"}\n\n'
    )


def test_progress_comes_as_events_and_ends(tmp_path: Path) -> None:
    with client(tmp_path) as browser:
        jobs = browser.app.state.bench.jobs  # type: ignore[attr-defined]
        job = jobs.start(count, 30)
        answer = browser.get(f"/api/jobs/{job}/events")
        assert answer.headers["content-type"].startswith("text/event-stream")
        assert answer.headers["cache-control"] == "no-store"
        found = events(answer.text)
        assert found[-1][0] == "end"
        assert found[-1][1]["state"] == "done"
        steps = [data["done"] for _, data in found]
        assert steps == sorted(steps)
        assert len(steps) >= 3
        assert browser.get(f"/api/jobs/{job}").json()["result"] == {"sum": 435}


def test_cancel_over_the_wire_and_unknown_jobs(tmp_path: Path) -> None:
    with client(tmp_path) as browser:
        jobs = browser.app.state.bench.jobs  # type: ignore[attr-defined]
        job = jobs.start(count, 100_000)
        assert browser.delete(f"/api/jobs/{job}").status_code == 200
        assert events(browser.get(f"/api/jobs/{job}/events").text)[-1][1]["state"] == "cancelled"
        for answer in (
            browser.get("/api/jobs/none"),
            browser.delete("/api/jobs/none"),
            browser.get("/api/jobs/none/events"),
        ):
            assert answer.status_code == 404
            assert "no such job" in answer.json()["error"]
        jobs.start(count, 100_000)
    assert job_threads() == []
