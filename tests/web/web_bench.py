"""What the tests of the server share: an app on a garage of its own, and all its addresses."""

from __future__ import annotations

import asyncio
import re
from collections.abc import Coroutine, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from pathlib import Path
from typing import Any, TypeVar

from fastapi import FastAPI
from fastapi.routing import APIRoute, APIWebSocketRoute
from starlette.testclient import TestClient

from throttlewright.web.app import create_app

T = TypeVar("T")

HERE = "http://127.0.0.1:8017"
TOKEN = "a-token-of-the-tests"


@contextmanager
def client(garage: Path, **options: Any) -> Iterator[TestClient]:
    """A browser on this machine, without redirects."""
    app = create_app(garage=garage, **options)
    with TestClient(
        app, base_url=HERE, follow_redirects=False, raise_server_exceptions=False
    ) as browser:
        yield browser


def all_routes(app: FastAPI) -> list[tuple[str, str]]:
    """Method and filled address of every route, included routers and sockets too."""
    found: list[tuple[str, str]] = []

    def walk(routes: list[Any]) -> None:
        for route in routes:
            inner = getattr(route, "original_router", None)
            if inner is not None:
                walk(inner.routes)
                continue
            path = re.sub(r"\{path:path\}", "index.html", route.path)
            path = re.sub(r"\{[^}]+\}", "1", path)
            if isinstance(route, APIWebSocketRoute):
                found.append(("WS", path))
            elif isinstance(route, APIRoute):
                found.extend((method, path) for method in sorted(route.methods))
            else:
                found.extend((method, path) for method in sorted(route.methods or {"GET"}))

    walk(list(app.routes))
    return found


def new_car(
    browser: TestClient, name: str = "Hill car", example: str = "trackday_16"
) -> dict[str, Any]:
    """Add a shipped car."""
    done = browser.post("/api/garage/cars", json={"name": name, "example": example, "who": "Ada"})
    assert done.status_code == 201, done.text
    return dict(done.json())


def run_apart(work: Coroutine[Any, Any, T]) -> T:
    """Run a coroutine on a loop of its own: a browser of other tests may hold this thread's."""
    with ThreadPoolExecutor(max_workers=1) as pool:
        return pool.submit(asyncio.run, work).result()
