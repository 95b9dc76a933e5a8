"""The Drive page's server: a car over a WebSocket, against the wall clock."""

from __future__ import annotations

import json
import socket as sockets
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import uvicorn
from starlette.testclient import TestClient
from web_bench import client, new_car
from websockets.sync.client import ClientConnection, connect

from throttlewright.web.app import create_app
from throttlewright.web.pages import drive as page
from throttlewright.workshop.live import HEADER, LIVE

ADDRESS = "ws://127.0.0.1:8017/api/drive/1/live"


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("garage")
    with client(folder) as desk:
        new_car(desk)
    return folder


@pytest.fixture(scope="module")
def desk(folder: Path) -> Iterator[TestClient]:
    with client(folder) as desk_:
        yield desk_


@pytest.fixture(scope="module")
def port(folder: Path) -> Iterator[int]:
    """A real server in a thread of this process."""
    with sockets.socket() as free:
        free.bind(("127.0.0.1", 0))
        number = int(free.getsockname()[1])
    config = uvicorn.Config(
        create_app(garage=folder), host="127.0.0.1", port=number, log_level="error"
    )
    server = uvicorn.Server(config)
    thread = threading.Thread(target=server.run)
    thread.start()
    while not server.started:
        time.sleep(0.02)
    yield number
    server.should_exit = True
    thread.join(20.0)
    assert not thread.is_alive()


def read(frame: bytes) -> tuple[dict[str, float], np.ndarray]:
    values = np.frombuffer(frame, "<f4")
    head = dict(zip(HEADER, values[: len(HEADER)].tolist(), strict=True))
    return head, values[len(HEADER) :].reshape(int(head["rows"]), int(head["channels"]))


def told(socket: Any, key: str) -> Any:
    """The next text of the server that says something of this kind."""
    while True:
        message = socket.receive()
        assert message["type"] == "websocket.send", message
        if message.get("text"):
            said = json.loads(message["text"])
            if key in said:
                return said[key]


def frames(socket: Any, count: int) -> Iterator[tuple[dict[str, float], np.ndarray]]:
    while count:
        message = socket.receive()
        assert message["type"] == "websocket.send", message
        if message.get("bytes"):
            count -= 1
            yield read(message["bytes"])


def test_a_fault_closes_the_plate_and_the_drive_is_kept(desk: TestClient) -> None:
    plate = LIVE.index("plate_pct")
    with desk.websocket_connect(ADDRESS) as socket:
        about = told(socket, "about")
        assert about["channels"] == list(LIVE)
        socket.send_text(json.dumps({"record": True, "gear": 1, "pedal_pct": 100, "stamp": 5}))
        highest, echo = 0.0, 0.0
        for head, rows in frames(socket, 90):
            echo = head["echo"]
            highest = max(highest, float(rows[:, plate].max(initial=0.0)))
        assert echo == 5.0
        assert highest > 50.0
        socket.send_text(json.dumps({"inject": "plate_both_lost"}))
        assert told(socket, "broken") == ["plate_both_lost"]
        last = [rows[-1, plate] for _, rows in frames(socket, 90) if len(rows)]
        assert last[-1] < 15.0
        body = {"session": about["session"], "name": "plate lost", "who": "Ada"}
        kept = desk.post("/api/drive/1/record", json=body)
        assert kept.status_code == 200, kept.text
        again = desk.post("/api/drive/1/record", json=body)
        assert again.status_code == 409
    listed = desk.get("/api/drive/1").json()["recordings"]
    assert [row["name"] for row in listed] == ["plate lost"]
    number = listed[0]["id"]
    both = desk.post("/api/drive/1/compare", json={"a": number, "b": number}).json()
    assert all(figure["a"] == figure["b"] for figure in both["figures"])
    wrong = desk.post("/api/drive/1/compare", json={"a": 1, "b": number})
    assert wrong.status_code == 422
    gone = desk.post("/api/drive/1/record", json={"session": "nobody", "name": "x"})
    assert gone.status_code == 404


def test_a_reload_finds_the_same_drive_with_the_pedal_let_go(desk: TestClient) -> None:
    with desk.websocket_connect(ADDRESS) as socket:
        first = told(socket, "about")["session"]
        socket.send_text(json.dumps({"pedal_pct": 70}))
        before = list(frames(socket, 30))[-1][0]
    with desk.websocket_connect(f"{ADDRESS}?session={first}") as socket:
        assert told(socket, "about")["session"] == first
        with desk.websocket_connect(f"{ADDRESS}?session={first}") as other:
            # one drive has one pair of feet: a second window gets a car of its own
            assert told(other, "about")["session"] != first
        head, rows = list(frames(socket, 10))[-1]
        assert head["t_whole_s"] + head["t_part_s"] > before["t_whole_s"] + before["t_part_s"]
        assert rows[-1, LIVE.index("pedal_pct")] == 0.0


def test_a_drive_ends_when_its_page_stays_away(
    desk: TestClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(page, "_GRACE_S", 0.0)
    with desk.websocket_connect(ADDRESS) as socket:
        first = told(socket, "about")["session"]
    with desk.websocket_connect(f"{ADDRESS}?session={first}") as socket:
        assert told(socket, "about")["session"] != first


@pytest.mark.parametrize(
    "text", ["{", '{"pedal_pct": 101}', '{"pedals": 1}', "x" * 3000, '{"pedal_pct": NaN}', "[]"]
)
def test_a_message_that_makes_no_sense_is_answered_and_the_car_goes_on(
    desk: TestClient, text: str
) -> None:
    with desk.websocket_connect(ADDRESS) as socket:
        told(socket, "about")
        socket.send_text(text)
        assert told(socket, "problem")
        assert len(list(frames(socket, 3))) == 3


def test_a_car_that_is_not_there_is_said_to_be_missing(desk: TestClient) -> None:
    with desk.websocket_connect("ws://127.0.0.1:8017/api/drive/77/live") as socket:
        assert "77" in told(socket, "failed")["error"]
        assert socket.receive()["type"] == "websocket.close"


def test_too_many_cars_are_refused_with_a_sentence(
    desk: TestClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(page, "_MOST", 0)
    with desk.websocket_connect(ADDRESS) as socket:
        assert "another window" in told(socket, "failed")["error"]


def ready(socket: ClientConnection) -> None:
    while "about" not in json.loads(str(socket.recv())):
        pass


def test_an_input_is_in_a_frame_within_50_ms_and_the_clock_does_not_drift(port: int) -> None:
    """A page adds one picture of 17 ms at most to the time from input to frame."""
    seconds = 6.0
    with connect(f"ws://127.0.0.1:{port}/api/drive/1/live", max_size=None) as socket:
        ready(socket)
        sent: dict[int, float] = {}
        took: list[float] = []
        offsets: list[float] = []
        begin = time.perf_counter()
        while time.perf_counter() - begin < seconds:
            message = socket.recv()
            if isinstance(message, str):
                continue
            now = time.perf_counter()
            head, _ = read(message)
            offsets.append(now - head["t_whole_s"] - head["t_part_s"])
            if (when := sent.pop(int(head["echo"]), None)) is not None:
                took.append(now - when)
            n = len(offsets)
            if n % 5 == 0:
                # at all phases of the frame, as a hand does
                time.sleep(0.001 * (n % 16))
                sent[n] = time.perf_counter()
                socket.send(json.dumps({"stamp": n, "pedal_pct": n % 90}))
        assert len(took) > 40
        assert np.percentile(took, 95) < 0.050 - 1.0 / 60.0
        # the earliest arrivals show the car's clock: the same at the end as at the beginning
        tenth = len(offsets) // 10
        assert abs(min(offsets[-tenth:]) - min(offsets[:tenth])) < 0.005
        assert len(offsets) / seconds > 45.0
