"""What the tests in a browser share: the built pages, a served garage, and cars in it."""

from __future__ import annotations

import os
import shutil
import signal
import socket
import subprocess
import sys
import time
from pathlib import Path
from typing import Any, NoReturn

import httpx
import pytest

ROOT = Path(__file__).resolve().parents[3]
FLAGS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]
LAPTOP = {"width": 1366, "height": 768}
FULL = os.environ.get("THROTTLEWRIGHT_EFFORT") == "full"
HOW = "no Chromium here; install it with: sudo apt-get update && sudo apt-get install -y chromium"


def missing(how: str) -> NoReturn:
    """Skip and say how to get what is not here; a failure where nothing may be skipped."""
    if os.environ.get("THROTTLEWRIGHT_NO_SKIP") == "1":
        pytest.fail(how)
    pytest.skip(how)


def chromium() -> str:
    """The system's Chromium."""
    return shutil.which("chromium") or shutil.which("chromium-browser") or missing(HOW)


def build_pages() -> None:
    """Build the pages when they are missing or older than their sources."""
    done = subprocess.run(
        [sys.executable, "hatch_build.py"], cwd=ROOT, capture_output=True, text=True, check=False
    )
    if done.returncode:
        pytest.fail(f"the pages were not built: {done.stderr}")


def free_port() -> int:
    with socket.socket() as asked:
        asked.bind(("127.0.0.1", 0))
        return int(asked.getsockname()[1])


class Server:
    """The command `throttlewright serve` in a process of its own."""

    def __init__(self, garage: Path, *, source: Path = ROOT / "src") -> None:
        self.garage = garage
        self.source = source
        self.port = free_port()
        self.url = f"http://127.0.0.1:{self.port}"
        self.process: subprocess.Popen[str] | None = None
        self.start()

    def start(self) -> None:
        code = "from throttlewright.cli.main import main; main()"
        arguments = ["serve", "--garage", str(self.garage), "--port", str(self.port)]
        # To a file: nobody reads a pipe, and a full one would stop the server.
        with (self.garage.parent / f"served-{self.port}.txt").open("a") as log:
            self.process = subprocess.Popen(
                [sys.executable, "-c", code, *arguments, "--no-browser"],
                env={**os.environ, "PYTHONPATH": str(self.source)},
                stdout=log,
                stderr=subprocess.STDOUT,
                text=True,
            )
        give_up = time.monotonic() + 60.0
        while time.monotonic() < give_up:
            try:
                httpx.get(f"{self.url}/api/pages", timeout=5.0)
                return
            except httpx.TransportError:
                if self.process.poll() is not None:
                    break
                time.sleep(0.1)
        self.stop()
        pytest.fail(f"the server did not start: {self.said()}")

    def said(self) -> str:
        return (self.garage.parent / f"served-{self.port}.txt").read_text()

    def stop(self, how: int = signal.SIGINT) -> None:
        if self.process is None:
            return
        if self.process.poll() is None:
            self.process.send_signal(how)
            try:
                self.process.wait(timeout=20)
            except subprocess.TimeoutExpired:
                self.process.kill()
                self.process.wait()
        self.process = None

    def get(self, path: str, **query: Any) -> Any:
        done = httpx.get(f"{self.url}/api/{path}", params=query, timeout=120.0)
        done.raise_for_status()
        return done.json()

    def post(self, path: str, **body: Any) -> Any:
        done = httpx.post(f"{self.url}/api/{path}", json=body, timeout=120.0)
        assert done.is_success, done.text
        return done.json()

    def new_car(self, name: str, example: str, *, designed: bool = True) -> int:
        """A shipped car under a name of its own, with its map saved."""
        car = int(self.post("garage/cars", name=name, example=example, who="Ada")["car"]["id"])
        if designed:
            self.design(car)
        return car

    def design(self, car: int) -> None:
        view = self.get(f"pedal/{car}")
        self.post(
            f"pedal/{car}/design",
            mode=view["mode"],
            calibration_revision=view["calibration_revision"],
            who="Ada",
        )

    def plate(self, car: int) -> dict[str, Any]:
        """The plate table of the first mode as the server keeps it."""
        return dict(self.get(f"pedal/{car}")["plate_table"])
