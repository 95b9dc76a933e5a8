from __future__ import annotations

import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import pytest

sys.path.insert(0, str(Path(__file__).resolve().parent))

from workbench import FLAGS, LAPTOP, Server, build_pages, chromium


@pytest.fixture(scope="session")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Server]:
    """One served garage for all tests; each test makes or names the cars that it changes."""
    chromium()
    build_pages()
    running = Server(tmp_path_factory.mktemp("served") / "garage")
    try:
        yield running
    finally:
        running.stop()


@pytest.fixture(scope="session")
def turbo(server: Server) -> int:
    """A turbo car with its map, that tests look at and leave as it is."""
    return server.new_car("Hill climb", "hillclimb_20t")


@pytest.fixture(scope="session")
def browser_type_launch_args(browser_type_launch_args: dict[str, Any]) -> dict[str, Any]:
    return {**browser_type_launch_args, "executable_path": chromium(), "args": FLAGS}


@pytest.fixture(scope="session")
def browser_context_args(browser_context_args: dict[str, Any]) -> dict[str, Any]:
    return {**browser_context_args, "viewport": LAPTOP, "reduced_motion": "reduce"}


@pytest.fixture(autouse=True)
def at_home(request: pytest.FixtureRequest) -> Iterator[None]:
    """No request leaves this computer, no page ends in an error, in every test with a page."""
    if "page" not in request.fixturenames:
        yield
        return
    context = request.getfixturevalue("context")
    asked: list[str] = []
    broken: list[str] = []
    context.on("request", lambda one: asked.append(one.url))
    context.on("weberror", lambda one: broken.append(str(one.error)))
    yield
    hosts = {urlsplit(url).hostname for url in asked if urlsplit(url).scheme in ("http", "https")}
    assert hosts <= {"127.0.0.1"}
    assert broken == []
