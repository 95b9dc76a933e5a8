"""The server as a whole: pages, files, the described API under odd requests, the command."""

from __future__ import annotations

import os
import re
import signal
import socket
import subprocess
import sys
import urllib.error
import urllib.request
from collections.abc import Iterator
from pathlib import Path
from types import ModuleType
from typing import Any

import hypothesis
import pytest
import schemathesis
from fastapi import APIRouter
from schemathesis.checks import not_a_server_error
from schemathesis.specs.openapi.checks import content_type_conformance
from web_bench import HERE, client, new_car

from throttlewright.cli import serve as command
from throttlewright.foundation.errors import InputError
from throttlewright.web import registry
from throttlewright.web.app import BUILD_COMMAND, create_app
from throttlewright.web.registry import Page, find_pages

# --- pages ----------------------------------------------------------------------------------------


def test_pages_come_in_the_order_of_the_job(tmp_path: Path) -> None:
    with client(tmp_path) as desk:
        found = desk.get("/api/pages").json()
    ids = [page["id"] for page in found]
    job = ["garage", "build", "plate", "pedal", "drive", "prove"]
    assert [i for i in ids if i in job] == [i for i in job if i in ids]
    assert {"garage", "plate", "prove"} <= set(ids)
    assert all(page["question"].endswith("?") for page in found)


@pytest.mark.parametrize(
    ("parts", "says"),
    [
        ({"PAGE": Page("x", "X", 1, "Why?")}, "router"),
        ({"router": APIRouter(prefix="/api/x")}, "PAGE"),
        ({"PAGE": Page("x", "X", 1, "Why?"), "router": APIRouter(prefix="/api/y")}, "/api/x"),
    ],
)
def test_a_page_that_is_not_whole_is_named(
    parts: dict[str, Any], says: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    module = ModuleType("throttlewright.web.pages.odd")
    for name, value in parts.items():
        setattr(module, name, value)
    monkeypatch.setattr(registry, "import_module", lambda name: module)
    with pytest.raises((TypeError, ValueError), match=says):
        find_pages()


def test_no_page_of_the_framework_loads_from_elsewhere(tmp_path: Path) -> None:
    with client(tmp_path) as desk:
        for path in ("/docs", "/redoc", "/openapi.json"):
            assert desk.get(path).status_code == 404
        assert desk.get("/api/openapi.json").status_code == 200


def test_pages_that_are_not_built_name_the_command(tmp_path: Path) -> None:
    with client(tmp_path / "garage", static=tmp_path / "none") as desk:
        answer = desk.get("/")
        assert answer.status_code == 503
        assert BUILD_COMMAND in answer.text


def test_a_wrong_address_or_method_is_a_sentence(tmp_path: Path) -> None:
    with client(tmp_path) as desk:
        for answer, status in (
            (desk.get("/api/none"), 404),
            (desk.post("/api/pages"), 405),
            (desk.put("/"), 405),
        ):
            assert answer.status_code == status
            assert answer.json()["error"]


# --- odd requests ---------------------------------------------------------------------------------

_QUICK = ("/api/garage", "/api/pages", "/api/jobs", "/api/changes", "/api/login")


@pytest.fixture(scope="module")
def described(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    app = create_app(garage=tmp_path_factory.mktemp("odd"))
    from starlette.testclient import TestClient

    with TestClient(app, base_url=HERE) as desk:
        new_car(desk, "1")
        # Streams end at once, so that a request for one comes back.
        app.state.bench.jobs.closing.set()
        schema = schemathesis.openapi.from_asgi(
            "/api/openapi.json", app, headers={"host": "127.0.0.1:8017"}
        )
        yield schema


def _operations() -> list[str]:
    paths = create_app(garage=None).openapi()["paths"]
    wanted = ((m.upper(), p) for p, item in paths.items() for m in item if p.startswith(_QUICK))
    return [f"{method} {path}" for method, path in wanted]


@pytest.mark.parametrize("label", _operations())
def test_no_request_breaks_the_server(described: Any, label: str) -> None:
    method, path = label.split(" ", 1)
    seen: set[int] = set()

    @hypothesis.settings(
        max_examples=8,
        deadline=None,
        derandomize=True,
        database=None,
        suppress_health_check=list(hypothesis.HealthCheck),
    )
    @hypothesis.given(case=described[path][method].as_strategy())
    def run(case: Any) -> None:
        case.headers = {**(case.headers or {}), "host": "127.0.0.1:8017"}
        answer = case.call()
        seen.add(answer.status_code)
        case.validate_response(answer, checks=[not_a_server_error, content_type_conformance])

    run()
    # The guard alone would refuse everything with 403, and this test would show nothing.
    assert 403 not in seen


# --- the command ----------------------------------------------------------------------------------


def start(garage: Path, *options: str) -> tuple[subprocess.Popen[str], str, list[str]]:
    code = (
        "import typer; from throttlewright.cli.serve import serve\n"
        "app = typer.Typer(); app.command()(serve); app()"
    )
    run = [sys.executable, "-c", code, "--garage", str(garage), "--port", "0", "--no-browser"]
    server = subprocess.Popen(
        [*run, *options], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env=os.environ
    )
    assert server.stdout is not None
    lines = [server.stdout.readline()]
    if "--host" in options:
        lines.append(server.stdout.readline())
    found = re.search(r"http://\S+/", lines[0])
    assert found, (lines, server.poll())
    return server, found[0], lines


def ask(address: str, headers: dict[str, str] | None = None) -> int:
    request = urllib.request.Request(address, headers=headers or {})
    try:
        with urllib.request.urlopen(request, timeout=20) as answer:
            return int(answer.status)
    except urllib.error.HTTPError as error:
        return error.code


def test_serve_answers_this_machine_and_stops_when_told(tmp_path: Path) -> None:
    server, address, _ = start(tmp_path)
    try:
        assert address.startswith("http://127.0.0.1:")
        assert ask(f"{address}api/pages") == 200
        assert ask(f"{address}api/pages", {"Host": "elsewhere.example"}) == 403
        assert ask(f"{address}api/pages", {"Origin": "https://elsewhere.example"}) == 403
        # A path as it is sent, not as a library tidies it up.
        port = int(address.rstrip("/").rpartition(":")[2])
        with socket.create_connection(("127.0.0.1", port), timeout=20) as raw:
            raw.sendall(b"GET /../../pyproject.toml HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n")
            assert b" 404 " in raw.recv(64)
        # An open stream must not hold the server back.
        new = urllib.request.Request(
            f"{address}api/garage/cars",
            data=b'{"name": "Hill car", "example": "trackday_16", "who": "Ada"}',
            headers={"content-type": "application/json"},
        )
        urllib.request.urlopen(new, timeout=20).close()
        stream = urllib.request.urlopen(f"{address}api/changes?car=Hill%20car", timeout=20)
        assert stream.readline().startswith(b"id: ")
        server.send_signal(signal.SIGINT)
        assert server.wait(timeout=10) == 0
    finally:
        server.kill()
        server.communicate()


def test_serve_for_other_machines_shows_a_token_and_wants_it(tmp_path: Path) -> None:
    server, address, lines = start(tmp_path, "--host", "127.0.0.1")
    try:
        token = lines[1].removeprefix("Token: ").strip()
        assert len(token) >= 32
        assert token not in address
        assert ask(f"{address}api/pages") == 401
        assert ask(address) == 401
        assert ask(f"{address}api/pages", {"Authorization": f"Bearer {token}"}) == 200
        server.send_signal(signal.SIGTERM)
        server.wait(timeout=10)
        out, err = server.communicate()
        assert token not in out + err
    finally:
        server.kill()
        server.communicate()


def test_a_port_that_is_taken_is_one_sentence(tmp_path: Path) -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        with pytest.raises(InputError, match="cannot listen") as refused:
            command.serve(garage=str(tmp_path), port=taken.getsockname()[1], no_browser=True)
        assert "--port" in str(refused.value)


def test_a_garage_that_cannot_be_opened_is_one_sentence(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("x")
    with pytest.raises(InputError):
        command.serve(garage=str(tmp_path / "file"), port=0, no_browser=True)
