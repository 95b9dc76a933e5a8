"""Two pages on one car: each hears of the other's saves, whatever program made them."""

from __future__ import annotations

import asyncio
import json
import subprocess
import sys
import time
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

from web_bench import client, new_car, run_apart

from throttlewright.web import changes
from throttlewright.web.bench import Bench

SAVE = """
import sys
from throttlewright.garage.store import Garage
with Garage.open(sys.argv[1]) as garage:
    garage.save("Hill car", "note", "second", "from elsewhere", base_revision=None, who="Bo")
"""


class Page:
    """A request that is there until it is told to go."""

    gone = False

    async def is_disconnected(self) -> bool:
        return self.gone


def parsed(text: str) -> tuple[str, dict[str, Any]]:
    rows = dict(line.split(": ", 1) for line in text.strip().split("\n"))
    return rows["event"], json.loads(rows["data"])


async def collect(stream: AsyncIterator[str], page: Page, number: int) -> list[Any]:
    found = []
    async for text in stream:
        if not text.startswith(":"):
            found.append(parsed(text))
        if len(found) == number:
            page.gone = True
    return found


def test_a_save_of_another_program_is_heard_within_a_second(tmp_path: Path) -> None:
    with client(tmp_path) as browser:
        car = new_car(browser)["car"]
        held: Bench = browser.app.state.bench  # type: ignore[attr-defined]
        garage = held.garage

        async def both() -> tuple[list[Any], float]:
            page = Page()
            stream = changes._stream(held, car["id"], None, page)  # type: ignore[arg-type]
            task = asyncio.create_task(collect(stream, page, 3))
            await asyncio.sleep(0.2)
            garage.save(car["id"], "note", "first", "a", base_revision=None, who="Ada", why="w")
            run = [sys.executable, "-c", SAVE, str(tmp_path)]
            await asyncio.to_thread(subprocess.run, run, check=True)
            start = time.monotonic()
            return await asyncio.wait_for(task, 10.0), time.monotonic() - start

        found, waited = run_apart(both())
        assert found[0][0] == "ready"
        assert [(kind, data["name"], data["who"]) for kind, data in found[1:]] == [
            ("change", "first", "Ada"),
            ("change", "second", "Bo"),
        ]
        assert found[2][1]["revision"] == found[1][1]["revision"] + 1
        assert waited < 2.0


def test_a_page_that_comes_back_misses_nothing_and_hears_only_its_car(tmp_path: Path) -> None:
    with client(tmp_path) as browser:
        car, other = new_car(browser)["car"], new_car(browser, "Other")["car"]
        held: Bench = browser.app.state.bench  # type: ignore[attr-defined]
        seen = held.garage.last_number()
        for owner in (car, other, car):
            name = f"note {held.garage.last_number()}"
            held.garage.save(owner["id"], "note", name, "x", base_revision=None, who="Ada")
        page = Page()
        stream = changes._stream(held, car["id"], seen, page)  # type: ignore[arg-type]
        found = run_apart(asyncio.wait_for(collect(stream, page, 3), 5.0))
        assert [data["revision"] for _, data in found] == [seen, seen + 1, seen + 3]


def test_the_stream_ends_with_the_server_and_knows_its_cars(tmp_path: Path) -> None:
    with client(tmp_path) as browser:
        new_car(browser)
        assert browser.get("/api/changes?car=none").status_code == 404
        browser.app.state.bench.jobs.closing.set()  # type: ignore[attr-defined]
        answer = browser.get("/api/changes?car=Hill car", headers={"last-event-id": "9" * 40})
        assert answer.status_code == 200
        assert parsed(answer.text)[0] == "ready"
