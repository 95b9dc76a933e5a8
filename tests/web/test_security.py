"""Who may talk to the server, and with what headers it answers."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from fastapi import FastAPI, WebSocket
from starlette.requests import Request
from starlette.testclient import TestClient
from starlette.websockets import WebSocketDisconnect
from web_bench import HERE, TOKEN, all_routes, client, run_apart

from throttlewright.web.app import create_app, static_files
from throttlewright.web.security import (
    BODY_LIMIT,
    COOKIE,
    UPLOAD_LIMIT,
    Guard,
    WrongTokens,
    host_name,
    session_value,
)

ROUTES = all_routes(create_app(garage=None))
BEARER = {"authorization": f"Bearer {TOKEN}"}
FOREIGN = [
    {"origin": "https://elsewhere.example"},
    {"origin": "http://127.0.0.1:9999"},
    {"origin": "https://127.0.0.1:8017"},
    {"origin": "http://127.0.0.1.elsewhere.example:8017"},
    {"origin": "null"},
    {"host": "elsewhere.example"},
    {"host": "elsewhere.example:8017"},
    {"host": "127.0.0.1.elsewhere.example"},
    {"host": "localhost@elsewhere.example"},
    {"sec-fetch-site": "cross-site"},
    {"sec-fetch-site": "same-site"},
]


def _ask(browser: TestClient, method: str, path: str, headers: dict[str, str]) -> int:
    """Status; a refused socket counts as 403, one that opens as 200."""
    if method != "WS":
        return browser.request(method, path, headers=headers).status_code
    try:
        with browser.websocket_connect(f"ws://127.0.0.1:8017{path}", headers=headers):
            return 200
    except WebSocketDisconnect as closed:
        return 403 if closed.code == 1008 else closed.code


def test_the_scan_sees_every_documented_route() -> None:
    documented = create_app(garage=None).openapi()["paths"]
    scanned = {path for _, path in ROUTES}
    import re

    assert {re.sub(r"\{[^}]+\}", "1", path) for path in documented} <= scanned
    assert len(ROUTES) > 25


@pytest.fixture(scope="module")
def locked(tmp_path_factory: pytest.TempPathFactory) -> Any:
    with client(
        tmp_path_factory.mktemp("locked"), token=TOKEN, wrong=WrongTokens(most=10**6)
    ) as browser:
        yield browser


@pytest.fixture(scope="module")
def loopback(tmp_path_factory: pytest.TempPathFactory) -> Any:
    folder = tmp_path_factory.mktemp("open")
    with client(folder / "garage", static=folder / "not built") as browser:
        yield browser


@pytest.mark.parametrize(("method", "path"), ROUTES)
def test_no_route_answers_without_the_token(locked: TestClient, method: str, path: str) -> None:
    refused = 403 if method == "WS" else 401
    for headers in (
        {},
        {"authorization": "Bearer wrong"},
        {"authorization": f"Basic {TOKEN}"},
        {"cookie": f"{COOKIE}={TOKEN}"},
        {"cookie": f"{COOKIE}="},
    ):
        assert _ask(locked, method, path, headers) == refused, headers
    assert _ask(locked, method, f"{path}?token={TOKEN}", {}) == refused


@pytest.mark.parametrize(("method", "path"), ROUTES)
def test_no_route_answers_a_foreign_page(loopback: TestClient, method: str, path: str) -> None:
    for headers in FOREIGN:
        assert _ask(loopback, method, path, headers) == 403, headers


def test_own_page_is_answered(loopback: TestClient) -> None:
    for headers in (
        {},
        {"origin": HERE},
        {"host": "localhost:8017", "origin": "http://localhost:8017"},
        {"host": "[::1]:8017"},
        {"sec-fetch-site": "same-origin", "sec-fetch-mode": "cors"},
        {"sec-fetch-site": "none"},
    ):
        assert loopback.get("/api/pages", headers=headers).status_code == 200, headers


def test_a_link_elsewhere_may_open_the_page_but_no_data(tmp_path: Path) -> None:
    (tmp_path / "static").mkdir()
    (tmp_path / "static" / "index.html").write_text("<!doctype html>")
    link = {
        "sec-fetch-site": "cross-site",
        "sec-fetch-mode": "navigate",
        "sec-fetch-dest": "document",
    }
    with client(tmp_path / "garage", static=tmp_path / "static") as browser:
        assert browser.get("/", headers=link).status_code == 200
        assert browser.get("/api/pages", headers=link).status_code == 403
        frame = link | {"sec-fetch-dest": "iframe"}
        assert browser.get("/", headers=frame).status_code == 403


def test_a_socket_is_guarded_like_the_rest() -> None:
    app = FastAPI()
    app.add_middleware(Guard, token=TOKEN)

    @app.websocket("/live")
    async def live(socket: WebSocket) -> None:
        await socket.accept()
        await socket.send_text("open")
        await socket.close()

    browser = TestClient(app, base_url=HERE)
    address = "ws://127.0.0.1:8017/live"
    cookie = {"cookie": f"{COOKIE}={session_value(TOKEN)}"}
    with browser.websocket_connect(address, headers=cookie) as socket:
        assert socket.receive_text() == "open"
    for headers in (
        {},
        cookie | {"origin": "https://elsewhere.example"},
        {"cookie": f"{COOKIE}=x"},
    ):
        with (
            pytest.raises(WebSocketDisconnect) as refused,
            browser.websocket_connect(address, headers=headers),
        ):
            pass
        assert refused.value.code == 1008


def test_every_answer_carries_the_headers(loopback: TestClient, locked: TestClient) -> None:
    answers = [
        loopback.get("/api/pages"),
        loopback.get("/"),
        loopback.get("/nothing"),
        loopback.get("/api/garage/cars/none"),
        loopback.post("/api/garage/cars", json={}),
        loopback.get("/api/pages", headers={"host": "elsewhere.example"}),
        locked.get("/api/pages"),
        locked.get("/", headers={"accept": "text/html"}),
    ]
    assert [a.status_code for a in answers] == [200, 503, 404, 404, 422, 403, 401, 401]
    for answer in answers:
        policy = dict(
            part.strip().split(" ", 1)
            for part in answer.headers["content-security-policy"].split(";")
        )
        assert policy["script-src"] == "'self'"
        assert policy["default-src"] == "'self'"
        assert policy["frame-ancestors"] == "'none'"
        assert "unsafe" not in answer.headers["content-security-policy"]
        assert answer.headers["x-content-type-options"] == "nosniff"
        assert answer.headers["referrer-policy"] == "no-referrer"
        assert "access-control-allow-origin" not in answer.headers
        if answer.request.url.path.startswith("/api"):
            assert answer.headers["cache-control"] == "no-store"


def test_an_unforeseen_failure_is_a_sentence_with_headers() -> None:
    app = FastAPI()
    app.add_middleware(Guard)

    @app.get("/api/broken")
    def broken() -> None:
        raise ZeroDivisionError("secret")

    browser = TestClient(app, base_url=HERE, raise_server_exceptions=False)
    answer = browser.get("/api/broken")
    assert answer.status_code == 500
    assert "secret" not in answer.text
    assert "content-security-policy" in answer.headers


# --- login ----------------------------------------------------------------------------------------


def test_login_sets_a_cookie_that_scripts_cannot_read(tmp_path: Path) -> None:
    with client(tmp_path, token=TOKEN) as browser:
        done = browser.post("/api/login", json={"token": TOKEN})
        assert done.status_code == 200
        cookie = done.headers["set-cookie"]
        assert "HttpOnly" in cookie
        assert "SameSite=Strict" in cookie
        assert TOKEN not in cookie
        assert browser.get("/api/pages").status_code == 200


def test_login_form_works_without_a_script(tmp_path: Path) -> None:
    with client(tmp_path, token=TOKEN) as browser:
        html = {"accept": "text/html"}
        page = browser.get("/", headers=html)
        assert page.status_code == 401
        assert "<form" in page.text
        assert "<script" not in page.text
        done = browser.post("/api/login", data={"token": TOKEN}, headers=html)
        assert done.status_code == 303
        assert done.headers["location"] == "/"
        assert browser.get("/api/pages").status_code == 200


def test_login_without_a_token_to_check_is_open(tmp_path: Path) -> None:
    with client(tmp_path) as browser:
        assert browser.post("/api/login", json={"token": "any"}).json() == {"ok": True}


@pytest.mark.parametrize(
    "body", [b"", b"[]", b"{", b'{"token": 1}', b'{"token": ""}', b"[" * 4000, b"x" * 5000]
)
def test_login_with_anything_else_is_refused(tmp_path: Path, body: bytes) -> None:
    with client(tmp_path, token=TOKEN) as browser:
        headers = {"content-type": "application/json"}
        assert browser.post("/api/login", content=body, headers=headers).status_code == 401


def test_login_form_with_too_many_fields_is_refused(tmp_path: Path) -> None:
    with client(tmp_path, token=TOKEN) as browser:
        data = {f"field{n}": "1" for n in range(9)} | {"token": TOKEN}
        assert browser.post("/api/login", data=data).status_code == 401


def test_wrong_tokens_have_to_wait(tmp_path: Path) -> None:
    now = [0.0]
    wrong = WrongTokens(most=3, window_s=60.0, clock=lambda: now[0])
    with client(tmp_path, token=TOKEN, wrong=wrong) as browser:
        for _ in range(3):
            assert browser.post("/api/login", json={"token": "guess"}).status_code == 401
        late = browser.post("/api/login", json={"token": "guess"})
        assert late.status_code == 429
        assert int(late.headers["retry-after"]) == 61
        assert browser.get("/api/pages", headers=BEARER).status_code == 429
        # Asking without any token is no guess.
        assert browser.get("/api/pages").status_code == 401
        now[0] = 60.5
        assert browser.get("/api/pages", headers=BEARER).status_code == 200


def test_one_network_of_the_long_addresses_counts_as_one() -> None:
    wrong = WrongTokens(most=2, clock=lambda: 0.0)
    wrong.add("2001:db8::1")
    wrong.add("2001:db8::2")
    assert wrong.wait_s("2001:db8::3") == 60.0
    assert wrong.wait_s("2001:db8:1::3") == 0.0
    assert wrong.wait_s("192.0.2.1") == 0.0


def test_the_count_of_wrong_tokens_does_not_grow_without_end() -> None:
    wrong = WrongTokens()
    for n in range(3000):
        wrong.add(f"client {n}")
    assert len(wrong._times) == 1024


# --- hosts ----------------------------------------------------------------------------------------


def test_host_names() -> None:
    assert host_name("LOCALHOST:80") == "localhost"
    assert host_name("[::1]:8017") == "::1"
    assert host_name("bench.local.") == "bench.local"
    for bad in ("", "a b", "a/b", "user@host", "[::1", "host:x", "host:123456", "a,b"):
        assert host_name(bad) is None, bad


def test_given_hosts_are_known_and_no_others(tmp_path: Path) -> None:
    with client(tmp_path, token=TOKEN, hosts=("192.0.2.7",)) as browser:
        assert browser.get("/api/pages", headers=BEARER | {"host": "192.0.2.7"}).is_success
        for host in ("192.0.2.8", "elsewhere.example"):
            answer = browser.get("/api/pages", headers=BEARER | {"host": host})
            assert answer.status_code == 403


def test_all_addresses_means_numbers_not_names(tmp_path: Path) -> None:
    with client(tmp_path, token=TOKEN, hosts=("0.0.0.0",)) as browser:
        for host in ("192.0.2.8:8017", "[2001:db8::1]:8017"):
            assert browser.get("/api/pages", headers=BEARER | {"host": host}).is_success
        answer = browser.get("/api/pages", headers=BEARER | {"host": "elsewhere.example"})
        assert answer.status_code == 403


def test_an_empty_token_is_no_token() -> None:
    with pytest.raises(ValueError, match="empty"):
        Guard(FastAPI(), token="")


# --- sizes ----------------------------------------------------------------------------------------


def test_a_large_body_is_refused_by_its_length(loopback: TestClient) -> None:
    headers = {"content-type": "application/json", "content-length": str(BODY_LIMIT + 1)}
    answer = loopback.post("/api/garage/cars", content=b"x", headers=headers)
    assert answer.status_code == 413
    for length in ("-1", "1e9", "99999999999999999999999"):
        headers["content-length"] = length
        answer = loopback.post("/api/garage/cars", content=b"x", headers=headers)
        assert answer.status_code in (400, 413), length


def test_a_large_body_is_refused_while_it_comes(loopback: TestClient) -> None:
    def parts() -> Any:
        for _ in range(BODY_LIMIT // 1_000_000 + 2):
            yield b" " * 1_000_000

    headers = {"content-type": "application/json"}
    answer = loopback.post("/api/garage/cars", content=parts(), headers=headers)
    assert answer.status_code == 413
    assert "MB" in answer.json()["error"]


def test_only_a_recording_may_be_larger() -> None:
    async def run(method: str, path: str, length: int) -> int:
        async def app(scope: Any, receive: Any, send: Any) -> None:
            await send({"type": "http.response.start", "status": 204, "headers": []})
            await send({"type": "http.response.body", "body": b""})

        status = 0

        async def send(message: Any) -> None:
            nonlocal status
            status = message.get("status", status)

        async def receive() -> Any:
            return {"type": "http.request", "body": b""}

        headers = [(b"host", b"localhost"), (b"content-length", str(length).encode())]
        scope = {"type": "http", "method": method, "path": path, "headers": headers}
        await Guard(app)(scope, receive, send)
        return status

    recording = "/api/garage/cars/3/recording"
    assert run_apart(run("PUT", recording, BODY_LIMIT + 1)) == 204
    assert run_apart(run("PUT", recording, UPLOAD_LIMIT + 1)) == 413
    assert run_apart(run("POST", recording, BODY_LIMIT + 1)) == 413
    assert run_apart(run("PUT", "/api/garage/cars/3/save", BODY_LIMIT + 1)) == 413


# --- files ----------------------------------------------------------------------------------------


def test_only_listed_files_are_served(tmp_path: Path) -> None:
    static = tmp_path / "static"
    (static / "assets").mkdir(parents=True)
    (static / "index.html").write_text("<!doctype html><title>shell</title>")
    (static / "assets" / "app-1234.js").write_text("export {}")
    (static / ".hidden").write_text("secret")
    (tmp_path / "secret.txt").write_text("secret")
    (static / "link.txt").symlink_to(tmp_path / "secret.txt")
    assert set(static_files(static)) == {"/index.html", "/assets/app-1234.js"}
    with client(tmp_path / "garage", static=static) as browser:
        assert "shell" in browser.get("/").text
        script = browser.get("/assets/app-1234.js")
        assert script.headers["content-type"].startswith("text/javascript")
        assert "immutable" in script.headers["cache-control"]
        assert browser.get("/").headers["cache-control"] == "no-cache"
        for path in (
            "/../secret.txt",
            "/%2e%2e/secret.txt",
            "/..%2fsecret.txt",
            "/assets/..%2f..%2fsecret.txt",
            "/assets/%2e%2e/%2e%2e/secret.txt",
            f"{HERE}//secret.txt",
            f"/{tmp_path}/secret.txt",
            "/%00",
            "/.hidden",
            "/link.txt",
            "/assets",
            "/assets/",
            "/secret.txt",
            "/..\\secret.txt",
        ):
            answer = browser.get(path)
            assert answer.status_code == 404, path
            assert "secret" not in answer.text


def test_the_guard_sees_the_request_before_any_route() -> None:
    """A route that would answer everybody does not: the order of the layers."""
    app = create_app(garage=None, token=TOKEN)

    @app.get("/api/late")
    def late(request: Request) -> str:
        return "open"

    assert TestClient(app, base_url=HERE).get("/api/late").status_code == 401
