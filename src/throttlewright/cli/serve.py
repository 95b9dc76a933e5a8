"""The command that opens the workbench in the browser."""

from __future__ import annotations

import ipaddress
import logging
import secrets
import signal
import socket
import sys
import threading
import webbrowser
from contextlib import suppress
from pathlib import Path
from types import FrameType
from typing import Annotated, Any

import typer

__all__ = ["HELP", "serve"]

HELP = "Open the workbench in the browser."
_LOOPBACK = ("127.0.0.1", "::1", "localhost")
_QUEUE = 128


def _is_v6(host: str) -> bool:
    try:
        return ipaddress.ip_address(host).version == 6
    except ValueError:
        return False


def _listen(host: str, port: int) -> socket.socket:
    from throttlewright.foundation.errors import InputError

    family = socket.AF_INET6 if _is_v6(host) else socket.AF_INET
    # Named as TCP, or the event loop would not switch off the wait for a full packet (40 ms).
    listening = socket.socket(family, socket.SOCK_STREAM, socket.IPPROTO_TCP)
    try:
        if sys.platform != "win32":
            listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listening.bind((host, port))
        listening.listen(_QUEUE)
    except OSError as error:
        listening.close()
        raise InputError(
            f"cannot listen there ({error.strerror or error})",
            key="--host, --port",
            value=f"{host}:{port}",
            advice="another program may hold the port: stop it, or give another --port",
        ) from None
    return listening


def _address(host: str, port: int) -> str:
    shown = {"0.0.0.0": socket.gethostname(), "::": socket.gethostname()}.get(host, host)
    return f"http://{f'[{shown}]' if ':' in shown else shown}:{port}/"


def serve(
    garage: Annotated[
        str | None, typer.Option(help="Folder of the garage; your own if left out.")
    ] = None,
    port: Annotated[int, typer.Option(help="Port; 0 takes a free one.", min=0, max=65535)] = 8017,
    host: Annotated[
        str | None,
        typer.Option(
            help="Address to listen on for other machines; needs the token that is then shown. "
            "This machine only if left out."
        ),
    ] = None,
    no_browser: Annotated[
        bool, typer.Option("--no-browser", help="Do not open the browser.")
    ] = False,
) -> None:
    """Serve the workbench until interrupted."""
    import uvicorn

    from throttlewright.web.app import BUILD_COMMAND, STATIC, create_app, static_files
    from throttlewright.workshop.held import Garage

    # Before anything listens, so that a garage that cannot be opened is one sentence.
    folder = None if garage is None else Path(garage)
    Garage.open(folder).close()
    token = None if host is None else secrets.token_urlsafe(24)
    place = host or "127.0.0.1"
    listening = _listen(place, port)
    address = _address(place, listening.getsockname()[1])
    app = create_app(garage=folder, token=token, hosts=() if host is None else (host,))
    config = uvicorn.Config(
        app,
        log_level="warning",
        access_log=False,
        server_header=False,
        # Names come from the connection itself: no proxy is trusted to say who asks.
        proxy_headers=False,
        ws_max_size=1_000_000,
        timeout_graceful_shutdown=3,
    )
    logging.getLogger("uvicorn.error").setLevel(logging.WARNING)

    class Server(uvicorn.Server):
        def handle_exit(self, sig: int, frame: FrameType | None) -> None:
            held: Any = getattr(app.state, "bench", None)
            if held is not None:
                # Open streams see this and end, so that the server need not wait for them.
                held.jobs.closing.set()
            super().handle_exit(sig, frame)

    print(f"Throttlewright at {address}  (Ctrl+C stops it)", flush=True)
    if token is not None:
        print(f"Token: {token}", flush=True)
        if place not in _LOOPBACK:
            print(
                "The connection is not encrypted: use it in a network you trust.",
                file=sys.stderr,
                flush=True,
            )
    if not static_files(STATIC):
        print(
            f"The pages are not built; in the checkout, run: {BUILD_COMMAND}",
            file=sys.stderr,
            flush=True,
        )
    elif not no_browser:
        timer = threading.Timer(0.5, webbrowser.open, (address,))
        timer.daemon = True
        timer.start()
    # The server stops in order on an interrupt and then passes it on: here that is a normal end.
    signal.signal(signal.SIGINT, signal.default_int_handler)
    try:
        with suppress(KeyboardInterrupt):
            Server(config).run(sockets=[listening])
    finally:
        listening.close()
