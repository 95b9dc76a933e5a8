"""Who may talk to the server: names, origins, token, sizes, and the headers of every answer."""

from __future__ import annotations

import hashlib
import hmac
import html
import ipaddress
import json
import logging
import re
import socket
import time
from base64 import b64encode
from collections.abc import Callable, Iterable, Mapping
from urllib.parse import parse_qs

from starlette.exceptions import HTTPException
from starlette.types import ASGIApp, Message, Receive, Scope, Send

__all__ = [
    "BODY_LIMIT",
    "COOKIE",
    "LOGIN",
    "UPLOAD_LIMIT",
    "Guard",
    "WrongTokens",
    "host_name",
    "session_value",
]

LOGIN = "/api/login"
COOKIE = "throttlewright_session"
BODY_LIMIT = 8_000_000
"""Bytes of a request."""
UPLOAD_LIMIT = 512_000_000
"""Bytes of an uploaded recording."""

_UPLOAD = re.compile(r"/api/(garage/cars|sensors)/[^/]+/recording")
_LOOPBACK = frozenset({"localhost", "127.0.0.1", "::1"})
_ANY = frozenset({"0.0.0.0", "::"})
_LONGEST_TOKEN = 512
_log = logging.getLogger("throttlewright.web")

_STYLE = (
    "body{font:16px/1.5 system-ui,sans-serif;max-width:28rem;margin:4rem auto;padding:0 1rem;"
    "color-scheme:light dark}input,button{font:inherit;padding:.4rem;width:100%;"
    "box-sizing:border-box;margin-top:.5rem}"
)
_STYLE_HASH = hashlib.sha256(_STYLE.encode()).digest()


def _policy(style: str = "'self'") -> str:
    return (
        f"default-src 'self'; script-src 'self'; style-src {style}; img-src 'self' data: blob:; "
        "connect-src 'self'; object-src 'none'; base-uri 'none'; form-action 'self'; "
        "frame-ancestors 'none'"
    )


_HEADERS = {
    "content-security-policy": _policy(),
    "x-content-type-options": "nosniff",
    "referrer-policy": "no-referrer",
    "x-frame-options": "DENY",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
}


def host_name(host: str) -> str | None:
    """Return the name in a Host header, without its port, in small letters.

    Parameters
    ----------
    host : str
        Such as ``localhost:8017`` or ``[::1]:8017``.

    Returns
    -------
    str or None
        None when it is no host.
    """
    match = re.fullmatch(r"(?:\[([0-9a-f:.]+)\]|([a-z0-9._-]+))(?::\d{1,5})?", host.lower())
    return None if match is None else (match[1] or match[2]).rstrip(".")


def _is_address(name: str) -> bool:
    try:
        ipaddress.ip_address(name)
    except ValueError:
        return False
    return True


def session_value(token: str) -> str:
    """Return what the cookie holds: made from the token, so that the token itself is not kept.

    Parameters
    ----------
    token : str
        The token.

    Returns
    -------
    str
        Hexadecimal.
    """
    return hmac.new(token.encode(), b"throttlewright session", hashlib.sha256).hexdigest()


def _same(given: str, right: str) -> bool:
    if len(given) > _LONGEST_TOKEN:
        return False
    return hmac.compare_digest(given.encode("utf-8", "replace"), right.encode())


class WrongTokens:
    """Counts wrong tokens by client; too many, and the client has to wait.

    Parameters
    ----------
    most : int
        Wrong ones within the window.
    window_s : float
        Length of the window.
    clock : callable
        Monotonic seconds.
    """

    def __init__(
        self,
        most: int = 8,
        window_s: float = 60.0,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self._most, self._window, self._clock = most, window_s, clock
        self._times: dict[str, list[float]] = {}

    @staticmethod
    def _who(client: str) -> str:
        try:
            address = ipaddress.ip_address(client)
        except ValueError:
            return client
        if address.version == 6:
            # One machine may use all addresses of its network.
            return str(ipaddress.ip_network((address, 64), strict=False))
        return client

    def wait_s(self, client: str) -> float:
        """Return how long a client has to wait [s]; 0 when it may try."""
        now = self._clock()
        times = [t for t in self._times.get(self._who(client), ()) if now - t < self._window]
        return max(0.0, times[-self._most] + self._window - now) if len(times) >= self._most else 0

    def add(self, client: str) -> None:
        """Count a wrong token."""
        who, now = self._who(client), self._clock()
        times = [t for t in self._times.pop(who, ()) if now - t < self._window]
        self._times[who] = [*times, now][-self._most :]
        while len(self._times) > 1024:
            self._times.pop(next(iter(self._times)))


class Guard:
    """ASGI middleware before everything else, for HTTP and WebSocket alike.

    Parameters
    ----------
    app : ASGIApp
        What is guarded.
    token : str, optional
        Needed by every request when given, except the login.
    hosts : iterable of str
        Names that a browser may use for this server besides those of the loopback.
    body_limit, upload_limit : int
        Most bytes of a request, and of an uploaded recording.
    wrong : WrongTokens, optional
        Rate limit.
    """

    def __init__(
        self,
        app: ASGIApp,
        *,
        token: str | None = None,
        hosts: Iterable[str] = (),
        body_limit: int = BODY_LIMIT,
        upload_limit: int = UPLOAD_LIMIT,
        wrong: WrongTokens | None = None,
    ) -> None:
        if token is not None and not token:
            raise ValueError("a token must not be empty")
        self._app = app
        self._token = token
        self._session = None if token is None else session_value(token)
        given = {host.lower() for host in hosts}
        self._addresses = bool(given & _ANY)
        if self._addresses:
            own = socket.gethostname().lower()
            given |= {own, own.partition(".")[0], own.partition(".")[0] + ".local"}
        self._names = _LOOPBACK | (given - _ANY)
        self._body_limit, self._upload_limit = body_limit, upload_limit
        self._wrong = WrongTokens() if wrong is None else wrong

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer, or hand on."""
        if scope["type"] == "lifespan":
            await self._app(scope, receive, send)
            return
        if scope["type"] not in ("http", "websocket"):
            raise RuntimeError(f"no such connection: {scope['type']}")
        answer = _Answer(scope, send)
        headers = _headers(scope)
        refused = self._refused_place(scope, headers)
        if refused is not None:
            await answer.refuse(403, refused)
            return
        if self._token is not None and not await self._let_in(scope, headers, receive, answer):
            return
        if scope["type"] == "websocket":
            await self._app(scope, receive, send)
            return
        upload = scope["method"] == "PUT" and _UPLOAD.fullmatch(scope["path"])
        limit = self._upload_limit if upload else self._body_limit
        length = _one(headers, "content-length")
        if length is not None and not (length.isascii() and length.isdigit()):
            await answer.refuse(400, "the length of the request cannot be read")
            return
        if length is not None and int(length) > limit:
            await answer.refuse(413, _too_large(limit))
            return
        try:
            await self._app(scope, _limited(receive, limit), answer.send)
        except Exception:
            _log.exception("%s %s failed", scope["method"], scope["path"])
            if not answer.started:
                await answer.refuse(
                    500, "the program failed here; nothing was saved; the terminal says more"
                )

    # --- where from ---------------------------------------------------------------------------

    def _refused_place(self, scope: Scope, headers: Mapping[str, list[str]]) -> str | None:
        host = _one(headers, "host")
        name = None if host is None else host_name(host)
        if host is None or name is None or not self._known(name):
            return "this name of the server is not known; use the address that the terminal shows"
        secure = scope.get("scheme") in ("https", "wss")
        origins = headers.get("origin", [])
        own = f"{'https' if secure else 'http'}://{host.lower()}"
        if any(_without_default_port(o.lower()) != _without_default_port(own) for o in origins):
            return "another web page may not talk to this server"
        site = _one(headers, "sec-fetch-site")
        if site in (None, "same-origin", "none"):
            return None
        # A link from elsewhere may open the page itself, nothing more.
        opens = (
            scope["type"] == "http"
            and scope["method"] == "GET"
            and not scope["path"].startswith("/api")
            and _one(headers, "sec-fetch-mode") == "navigate"
            and _one(headers, "sec-fetch-dest") == "document"
        )
        return None if opens else "another web page may not talk to this server"

    def _known(self, name: str) -> bool:
        # A number cannot be made to point elsewhere by whoever owns a domain; a name can.
        return name in self._names or (self._addresses and _is_address(name))

    # --- token --------------------------------------------------------------------------------

    async def _let_in(
        self,
        scope: Scope,
        headers: Mapping[str, list[str]],
        receive: Receive,
        answer: _Answer,
    ) -> bool:
        client = str((scope.get("client") or ("unknown", 0))[0])
        login = scope["type"] == "http" and scope["path"] == LOGIN and scope["method"] == "POST"
        given = await _login_token(headers, receive) if login else None
        session = _cookie(headers)
        bearer = _bearer(headers)
        if given is None and bearer is None and session is None:
            await answer.ask_for_token(
                "a token is needed; the terminal that started the server shows it"
            )
            return False
        wait = self._wrong.wait_s(client)
        if wait > 0.0:
            await answer.refuse(
                429, "too many wrong tokens; wait a minute", {"retry-after": str(int(wait) + 1)}
            )
            return False
        token, right_session = self._token or "", self._session or ""
        right = False
        if login:
            right = given is not None and _same(given, token)
        elif bearer is not None:
            right = _same(bearer, token)
        elif session is not None:
            right = _same(session, right_session)
        if not right:
            self._wrong.add(client)
            await answer.ask_for_token("this token is not right")
            return False
        if login:
            await answer.log_in(right_session, secure=scope.get("scheme") == "https")
            return False
        return True


def _headers(scope: Scope) -> dict[str, list[str]]:
    found: dict[str, list[str]] = {}
    for name, value in scope["headers"]:
        found.setdefault(name.decode("latin-1").lower(), []).append(value.decode("latin-1"))
    return found


def _one(headers: Mapping[str, list[str]], name: str) -> str | None:
    values = headers.get(name, [])
    return values[0].strip() if len(values) == 1 else None


def _without_default_port(origin: str) -> str:
    scheme, _, place = origin.partition("://")
    ending = {"http": ":80", "https": ":443"}.get(scheme, "")
    return origin.removesuffix(ending) if ending and place else origin


def _bearer(headers: Mapping[str, list[str]]) -> str | None:
    value = _one(headers, "authorization")
    if value is None:
        return None
    scheme, _, token = value.partition(" ")
    return token.strip() if scheme.lower() == "bearer" else ""


def _cookie(headers: Mapping[str, list[str]]) -> str | None:
    for part in "; ".join(headers.get("cookie", [])).split(";"):
        name, _, value = part.strip().partition("=")
        if name == COOKIE:
            return value.strip('"')
    return None


async def _login_token(headers: Mapping[str, list[str]], receive: Receive) -> str:
    body = b""
    while True:
        message = await receive()
        if message["type"] != "http.request":
            return ""
        body += message.get("body", b"")
        if len(body) > 4096:
            return ""
        if not message.get("more_body", False):
            break
    text = body.decode("utf-8", "replace")
    form = (_one(headers, "content-type") or "").startswith("application/x-www-form-urlencoded")
    token: object = None
    try:
        if form:
            token = parse_qs(text, max_num_fields=4).get("token", [""])[0]
        else:
            data = json.loads(text)
            token = data.get("token") if isinstance(data, dict) else None
    except (ValueError, RecursionError):
        return ""
    return token.strip() if isinstance(token, str) else ""


def _too_large(limit: int) -> str:
    return f"the request is larger than {limit / 1e6:g} MB"


def _limited(receive: Receive, limit: int) -> Receive:
    seen = 0

    async def counted() -> Message:
        nonlocal seen
        message = await receive()
        if message["type"] == "http.request":
            seen += len(message.get("body", b""))
            if seen > limit:
                raise HTTPException(413, _too_large(limit))
        return message

    return counted


class _Answer:
    """Sends answers with the headers that each of them carries."""

    def __init__(self, scope: Scope, send: Send) -> None:
        self._scope, self._send = scope, send
        self.started = False

    async def send(self, message: Message) -> None:
        if message["type"] == "http.response.start":
            self.started = True
            have = {name.lower() for name, _ in message.get("headers", ())}
            more = [
                (name.encode(), value.encode())
                for name, value in _HEADERS.items()
                if name.encode() not in have
            ]
            if self._scope["path"].startswith("/api") and b"cache-control" not in have:
                more.append((b"cache-control", b"no-store"))
            message = {**message, "headers": [*message.get("headers", ()), *more]}
        await self._send(message)

    async def refuse(
        self, status: int, sentence: str, headers: Mapping[str, str] | None = None
    ) -> None:
        if self._scope["type"] == "websocket":
            await self._send({"type": "websocket.close", "code": 1008, "reason": sentence[:120]})
            return
        body = json.dumps({"error": sentence}).encode()
        await self._whole(status, body, "application/json", headers or {})

    async def ask_for_token(self, sentence: str) -> None:
        wanted = dict(self._scope["headers"]).get(b"accept", b"")
        if self._scope["type"] == "websocket" or b"text/html" not in wanted:
            await self.refuse(401, sentence, {"www-authenticate": "Bearer"})
            return
        page = (
            '<!doctype html><html lang="en"><head><meta charset="utf-8">'
            '<meta name="viewport" content="width=device-width">'
            f"<title>Throttlewright</title><style>{_STYLE}</style></head><body><main>"
            f"<h1>Throttlewright</h1><p>{html.escape(sentence.capitalize())}.</p>"
            f'<form method="post" action="{LOGIN}"><label>Token'
            '<input name="token" type="password" autocomplete="off" autofocus required></label>'
            "<button>Open</button></form></main></body></html>"
        )
        style = f"'sha256-{b64encode(_STYLE_HASH).decode()}'"
        await self._whole(
            401,
            page.encode(),
            "text/html; charset=utf-8",
            {"content-security-policy": _policy(style), "cache-control": "no-store"},
        )

    async def log_in(self, session: str, *, secure: bool) -> None:
        cookie = f"{COOKIE}={session}; Path=/; HttpOnly; SameSite=Strict"
        headers = {"set-cookie": cookie + ("; Secure" if secure else "")}
        if b"text/html" in dict(self._scope["headers"]).get(b"accept", b""):
            await self._whole(303, b"", "text/plain", headers | {"location": "/"})
            return
        await self._whole(200, b'{"ok": true}', "application/json", headers)

    async def _whole(
        self, status: int, body: bytes, media: str, headers: Mapping[str, str]
    ) -> None:
        rows = {"content-type": media, "content-length": str(len(body)), **headers}
        await self.send(
            {
                "type": "http.response.start",
                "status": status,
                "headers": [(k.encode(), v.encode()) for k, v in rows.items()],
            }
        )
        await self._send({"type": "http.response.body", "body": body})
