"""Servers that are killed, servers that share a garage, a full disk, and one out of the wheel."""

from __future__ import annotations

import re
import shutil
import signal
import subprocess
import sys
import threading
from collections.abc import Iterator
from pathlib import Path

import httpx
import pytest

sys.path.insert(0, str(Path(__file__).resolve().parent / "e2e"))

from workbench import FULL, ROOT, Server

KILLS = 20 if FULL else 3
SAVES = 12


@pytest.fixture
def one(tmp_path: Path) -> Iterator[Server]:
    server = Server(tmp_path / "garage")
    try:
        yield server
    finally:
        server.stop()


def save_ratio(server: Server, car: int, base: int, value: float) -> httpx.Response:
    body = {"key": "engine.compression_ratio", "value": value, "base_revision": base, "who": "Ada"}
    return httpx.post(f"{server.url}/api/build/{car}/field", json=body, timeout=60.0)


def test_no_answered_save_is_lost_when_the_server_is_killed(one: Server) -> None:
    car = one.new_car("Killed", "trackday_16", designed=False)
    answered: dict[int, float] = {}

    def write(base: int, round_: int) -> None:
        for k in range(10_000):
            value = round(9.0 + 0.0001 * (1000 * round_ + k), 4)
            try:
                done = save_ratio(one, car, base, value)
            except httpx.TransportError:
                return
            base = int(done.json()["revision"]["id"])
            answered[base] = value

    for round_ in range(KILLS):
        before = len(answered)
        base = one.get(f"build/{car}")["revision"]
        writer = threading.Thread(target=write, args=(base, round_))
        writer.start()
        while len(answered) < before + 3 + round_ % 4:
            assert writer.is_alive()
            writer.join(0.003)
        one.stop(signal.SIGKILL)
        writer.join(10.0)
        assert not writer.is_alive()
        one.start()
    kept = {
        r["id"]: one.get(
            f"garage/cars/{car}/content", kind="build", name="build", revision=r["id"]
        )["content"]
        for r in one.get(f"garage/cars/{car}/history", kind="build", name="build")["revisions"]
    }
    assert len(answered) >= 3 * KILLS
    for revision, value in answered.items():
        assert re.search(rf"^compression_ratio = {value}$", kept[revision], re.MULTILINE)


def test_two_servers_on_one_calibration_lose_no_cell(one: Server) -> None:
    car = one.new_car("Shared", "trackday_16")
    other = Server(one.garage)
    refused = {"a": 0, "b": 0}
    failed: list[str] = []

    def write(who: str, server: Server, row: int) -> None:
        for k in range(SAVES):
            cell = [row, k, 10.0 + k]
            while True:
                view = server.get(f"pedal/{car}")
                body = {
                    "mode": view["mode"],
                    "table": "plate",
                    "cells": [cell],
                    "base_revision": view["calibration_revision"],
                    "who": who,
                }
                done = httpx.post(f"{server.url}/api/pedal/{car}/cells", json=body, timeout=60.0)
                if done.is_success:
                    break
                if done.status_code != 409:
                    failed.append(done.text)
                    return
                refused[who] += 1

    try:
        writers = [
            threading.Thread(target=write, args=("a", one, 4)),
            threading.Thread(target=write, args=("b", other, 9)),
        ]
        for writer in writers:
            writer.start()
        for writer in writers:
            writer.join(120.0)
            assert not writer.is_alive()
        assert failed == []
        values = other.plate(car)["values"]
        assert values[4][:SAVES] == values[9][:SAVES] == [10.0 + k for k in range(SAVES)]
        # They did meet, and what was refused is kept beside the line.
        assert sum(refused.values()) > 0
        history = one.get(f"garage/cars/{car}/history", kind="calibration")["revisions"]
        assert sum(bool(r["stale"]) for r in history) == sum(refused.values())
    finally:
        other.stop()


def test_a_full_disk_is_a_sentence_and_the_old_state_stays(tmp_path: Path) -> None:
    """The server may write no file beyond its size now: what a full disk does to it."""
    if sys.platform == "win32":
        pytest.skip("a limit on the size of files needs a POSIX system")
    import resource

    server = Server(tmp_path / "garage")
    try:
        car = server.new_car("Full", "trackday_16", designed=False)
        page = server.get(f"build/{car}")
        assert server.process is not None
        largest = max(p.stat().st_size for p in server.garage.rglob("*") if p.is_file())
        hard = resource.prlimit(server.process.pid, resource.RLIMIT_FSIZE)[1]
        resource.prlimit(server.process.pid, resource.RLIMIT_FSIZE, (largest, hard))
        base, refused = page["revision"], None
        for k in range(400):
            done = save_ratio(server, car, base, 9.0 + 0.01 * k)
            if not done.is_success:
                refused = done
                break
            base = done.json()["revision"]["id"]
        assert refused is not None
        body = refused.json()
        assert refused.status_code in (422, 500, 503, 507)
        assert re.search("disk|full|space|write", body["error"] + str(body.get("advice")))
        assert "Traceback" not in refused.text
        assert server.get(f"build/{car}")["revision"] == base
        resource.prlimit(server.process.pid, resource.RLIMIT_FSIZE, (hard, hard))
        assert save_ratio(server, car, base, 9.99).is_success
    finally:
        server.stop()


@pytest.mark.skipif(
    not FULL, reason="set THROTTLEWRIGHT_EFFORT=full to build and serve the wheel of a clean clone"
)
def test_the_wheel_of_a_clean_clone_serves_its_pages_without_node(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    clone = tmp_path / "clone"
    listed = subprocess.run(
        ["git", "ls-files", "-co", "--exclude-standard", "-z"],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=True,
    ).stdout
    for name in filter(None, listed.split("\0")):
        if (ROOT / name).is_file():
            (clone / name).parent.mkdir(parents=True, exist_ok=True)
            shutil.copy(ROOT / name, clone / name)
    assert not (clone / "src/throttlewright/web/static").exists()
    built = subprocess.run(
        [sys.executable, "-m", "hatchling", "build", "-t", "wheel", "-d", str(tmp_path / "dist")],
        cwd=clone,
        capture_output=True,
        text=True,
        check=False,
    )
    assert built.returncode == 0, built.stderr
    (wheel,) = (tmp_path / "dist").glob("*.whl")
    place = tmp_path / "installed"
    shutil.unpack_archive(wheel, place, "zip")
    shutil.rmtree(clone)
    empty = tmp_path / "empty"
    empty.mkdir()
    monkeypatch.setenv("PATH", str(empty))
    assert shutil.which("node") is None
    server = Server(tmp_path / "garage", source=place)
    try:
        page = httpx.get(server.url)
        assert page.status_code == 200
        script = re.search(r'src="\./(assets/[^"]+\.js)"', page.text)
        assert script is not None
        loaded = httpx.get(f"{server.url}/{script[1]}")
        assert loaded.headers["content-type"].startswith("text/javascript")
        # The pages of the wheel and no others.
        own = place / "throttlewright" / "web" / "static" / script[1]
        assert own.read_bytes() == loaded.content
        assert server.new_car("Out of the wheel", "trackday_16") == 1
    finally:
        server.stop()
