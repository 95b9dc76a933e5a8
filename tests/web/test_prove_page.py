"""The Prove page: a proof as a job, kept, shown again, and one run of it as columns."""

from __future__ import annotations

import json
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from starlette.testclient import TestClient
from web_bench import client, new_car

from throttlewright.build.load import load_build, load_intent
from throttlewright.prove.rulebook import list_books
from throttlewright.recording.recording import Channel, Recording
from throttlewright.web.bench import Bench
from throttlewright.workshop.columns import columns, thinned
from throttlewright.workshop.design import DesignRequest, design
from throttlewright.workshop.held import held_intent, lay_out


@pytest.fixture(scope="module")
def desk(tmp_path_factory: pytest.TempPathFactory) -> Iterator[TestClient]:
    out = tmp_path_factory.mktemp("design") / "out"
    with client(tmp_path_factory.mktemp("prove")) as one:
        made = new_car(one, "Hill car", "hillclimb_20t")
        empty = one.post("/api/prove/Hill car", json={"scenarios": ["tip_in"], "faults": []})
        assert wait(one, empty.json()["job"])["error"]["advice"].startswith("design one")
        folder = tmp_path_factory.mktemp("files")
        for item in made["revisions"]:
            kind, name = item["kind"], item["name"]
            text = one.get(
                "/api/garage/cars/Hill car/content", params={"kind": kind, "name": name}
            ).json()["content"]
            file = name if kind == "beside" else f"{kind}.toml"
            (folder / file).write_text(text, encoding="utf-8")
        request = DesignRequest(
            build=str(folder / "build.toml"), intent=str(folder / "intent.toml"), out=str(out)
        )
        design(request)
        text = next(Path(out).glob("*.calibration.json")).read_text(encoding="utf-8")
        saved = one.post(
            "/api/garage/cars/Hill car/save",
            json={"kind": "calibration", "name": "first", "content": text, "who": "Ada"},
        )
        assert saved.status_code == 200, saved.text
        yield one


def wait(desk: TestClient, job: str) -> Any:
    end = time.monotonic() + 60.0
    while time.monotonic() < end:
        state = desk.get(f"/api/jobs/{job}").json()
        if state["state"] not in ("waiting", "running"):
            return state
        time.sleep(0.05)
    raise TimeoutError(state)


def read(body: bytes) -> tuple[Any, dict[str, np.ndarray]]:
    size = int.from_bytes(body[:4], "little")
    assert (size + 4) % 8 == 0
    head = json.loads(body[4 : 4 + size])
    data = body[4 + size :]
    return head, {
        c["name"]: np.frombuffer(data, "<f4", count=c["count"], offset=c["offset"])
        for c in head["channels"]
    }


def test_a_proof_runs_is_kept_and_knows_its_age(desk: TestClient) -> None:
    assert desk.get("/api/prove/Hill car/last").json()["proof"] is None
    offered = desk.get("/api/prove/Hill car/choices").json()
    assert "tip_in" in [s["name"] for s in offered["scenarios"]]
    assert offered["books"]
    asked = {"scenarios": ["pedal_release"], "faults": ["plate_stuck"], "books": []}
    state = wait(desk, desk.post("/api/prove/Hill car", json=asked).json()["job"])
    assert state["state"] == "done", state
    proof = state["result"]
    assert proof["result"]["runs"] >= 3
    assert [f["fault"] for f in proof["result"]["faults"]] == ["plate_stuck"]
    assert proof["result"]["books"] == []
    kept = desk.get("/api/prove/Hill car/last").json()["proof"]
    assert kept == proof
    assert kept["current"] is True
    show = desk.get("/api/garage/cars/Hill car").json()
    assert sum(show["verdicts"]["proof"].values()) > 0
    text = desk.get(
        "/api/garage/cars/Hill car/content", params={"kind": "intent", "name": "intent"}
    ).json()
    saved = desk.post(
        "/api/garage/cars/Hill car/save",
        json={
            "kind": "intent",
            "name": "intent",
            "content": text["content"] + "\n# more\n",
            "base_revision": text["revision"]["id"],
            "who": "Ada",
        },
    )
    assert saved.status_code == 200
    assert desk.get("/api/prove/Hill car/last").json()["proof"]["current"] is False


def test_chosen_books_take_the_place_of_the_intents(desk: TestClient, tmp_path: Path) -> None:
    held: Bench = desk.app.state.bench  # type: ignore[attr-defined]
    own = held_intent(held.garage, "Hill car")[1].intent
    book = next(b.name for b in list_books() if b.name not in own.rules.books)
    for chosen, expected in ((None, own.rules.books), ((), ()), ((book,), (book,))):
        folder = tmp_path / str(chosen)
        folder.mkdir()
        files = lay_out(held.garage, "Hill car", folder, books=chosen)
        read_back = load_intent(files.intent).intent
        assert read_back.rules.books == expected
        assert read_back.mode == own.mode
        assert load_build(files.build).sha256 == held.car("Hill car").file.sha256


def test_a_cancelled_proof_keeps_nothing(desk: TestClient) -> None:
    before = desk.get("/api/garage/cars/Hill car").json()["items"]
    job = desk.post("/api/prove/Hill car", json={"variations": 20}).json()["job"]
    desk.delete(f"/api/jobs/{job}")
    assert wait(desk, job)["state"] == "cancelled"
    assert desk.get("/api/garage/cars/Hill car").json()["items"] == before


def test_a_run_comes_as_columns_with_its_limits(desk: TestClient) -> None:
    query = {"scenario": "pedal_release", "fault": "bus_loss"}
    traces = {}
    for reactions in (True, False):
        answer = desk.get("/api/prove/Hill car/trace", params=query | {"reactions": reactions})
        assert answer.status_code == 200, answer.text
        traces[reactions] = read(answer.content)
    head, columns_on = traces[True]
    assert head["fault_at_s"] > 0.0
    channel = {c["name"]: c for c in head["channels"]}["plate_pct"]
    assert channel["dt_s"] == pytest.approx(1e-3, rel=1e-6)
    assert 0.0 <= columns_on["plate_pct"].min() < columns_on["plate_pct"].max() <= 101.0
    drawn = [x for x in head["limits"] if x["axis"] != "figure"]
    assert drawn
    assert all(x["source"] for x in head["limits"])
    for limit in drawn:
        assert limit["channel"] in columns_on
    assert not np.array_equal(columns_on["plate_pct"], traces[False][1]["plate_pct"])


def test_a_limit_is_drawn_where_the_verdict_counts_from(desk: TestClient) -> None:
    answer = desk.get("/api/prove/Hill car/trace", params={"scenario": "pedal_release"})
    head, found = read(answer.content)
    limit = next(x for x in head["limits"] if x["criterion"] == "return_to_idle")
    assert limit["axis"] == "time"
    clock = {c["name"]: c for c in head["channels"]}["pedal_pct"]
    time_s = clock["t0_s"] + clock["dt_s"] * np.arange(clock["count"])
    released = time_s[np.flatnonzero(found["pedal_pct"] > 1.0)[-1]]
    assert limit["at"] == pytest.approx(released + limit["limit"], abs=0.002)


@pytest.mark.parametrize(
    "query",
    [
        {"scenario": "none"},
        {"scenario": "../../etc/passwd"},
        {"scenario": "tip_in@none"},
        {"scenario": "tip_in", "fault": "none"},
    ],
)
def test_a_run_that_cannot_be_is_a_sentence(desk: TestClient, query: Any) -> None:
    answer = desk.get("/api/prove/Hill car/trace", params=query)
    assert answer.status_code == 422
    assert answer.json()["error"]


def test_columns_keep_uneven_clocks_and_spikes() -> None:
    uneven = np.array([0.0, 0.1, 0.5])
    even = np.linspace(1.0, 2.0, 5)
    recording = Recording(
        {
            "a": Channel("a", "V", uneven, np.array([1.0, 2.0, 3.0])),
            "b": Channel("b", "m", even, np.arange(5.0)),
        }
    )
    body = columns({"title": "ä"}, recording)
    head, found = read(body)
    assert head["title"] == "ä"
    first, second = head["channels"]
    size = int.from_bytes(body[:4], "little")
    times = np.frombuffer(body[4 + size :], "<f8", count=3, offset=first["t_offset"])
    assert np.array_equal(times, uneven)
    assert (second["t0_s"], second["dt_s"]) == (1.0, 0.25)
    assert np.array_equal(found["b"], np.arange(5.0))
    t = np.arange(2_500_001) * 1e-3
    values = np.zeros(t.size)
    values[1_234_567], values[2_000_003] = 9.0, -7.0
    shorter, kept = thinned(t, values)
    assert shorter.size <= 1_000_002
    assert shorter[kept == 9.0] == t[1_234_567]
    assert shorter[kept == -7.0] == t[2_000_003]
    assert np.all(np.diff(shorter) > 0.0)
