"""The Prove page: the garage tells how a proof stands, and a trace shows what the proof found."""

from __future__ import annotations

import json
import time
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from starlette.testclient import TestClient
from web_bench import client, new_car

from throttlewright.workshop.design import DesignRequest, design

CAR = "/api/garage/cars/Hill car"


def content(desk: TestClient, kind: str, name: str) -> Any:
    answer = desk.get(f"{CAR}/content", params={"kind": kind, "name": name})
    assert answer.status_code == 200, answer.text
    return answer.json()


def save(desk: TestClient, kind: str, name: str, text: str, base: int | None) -> Any:
    body = {"kind": kind, "name": name, "content": text, "base_revision": base, "who": "Ada"}
    answer = desk.post(f"{CAR}/save", json=body)
    assert answer.status_code == 200, answer.text
    return answer.json()["revision"]


@pytest.fixture(scope="module")
def desk(tmp_path_factory: pytest.TempPathFactory) -> Iterator[TestClient]:
    folder = tmp_path_factory.mktemp("files")
    with client(tmp_path_factory.mktemp("prove")) as one:
        for item in new_car(one, "Hill car", "hillclimb_20t")["revisions"]:
            name = item["name"] if item["kind"] == "beside" else f"{item['kind']}.toml"
            text = content(one, item["kind"], item["name"])["content"]
            (folder / name).write_text(text, encoding="utf-8")
        out = folder / "out"
        design(
            DesignRequest(
                build=str(folder / "build.toml"), intent=str(folder / "intent.toml"), out=str(out)
            )
        )
        text = next(Path(out).glob("*.calibration.json")).read_text(encoding="utf-8")
        save(one, "calibration", "calibration", text, None)
        yield one


@pytest.fixture(scope="module")
def proof(desk: TestClient) -> Any:
    asked = {"scenarios": ["pedal_release"], "faults": ["pedal_1_high"], "books": []}
    job = desk.post("/api/prove/Hill car", json=asked | {"who": "Ada"}).json()["job"]
    end = time.monotonic() + 60.0
    while time.monotonic() < end:
        state = desk.get(f"/api/jobs/{job}").json()
        if state["state"] not in ("waiting", "running"):
            assert state["state"] == "done", state
            return state["result"]
        time.sleep(0.05)
    raise TimeoutError(state)


def trace(desk: TestClient, **query: Any) -> Any:
    answer = desk.get("/api/prove/Hill car/trace", params=query)
    assert answer.status_code == 200, answer.text
    size = int.from_bytes(answer.content[:4], "little")
    return json.loads(answer.content[4 : 4 + size])


def test_the_garage_counts_what_decides_the_proof(desk: TestClient, proof: Any) -> None:
    result = proof["result"]
    armed = [v for v in result["fault_verdicts"] if v["reactions"]]
    counts = Counter(v["status"] for v in (*result["healthy"], *armed, *result["books"]))
    (view,) = desk.get("/api/garage/overview").json()["cars"]
    assert view["proof"]["counts"] == counts
    assert view["proof"]["status"] == result["status"]
    assert view["proof"]["calibration_revision"] == view["revisions"]["calibration"]
    assert view["proof"]["current"] is True
    # The note that the page keeps for itself is no change that a person made.
    assert view["last"]["kind"] == "verdicts"
    assert view["last"]["why"] == f"proof of calibration, revision {proof['calibration_revision']}"


@pytest.mark.parametrize("reactions", [True, False])
def test_a_trace_finds_what_the_proof_found(desk: TestClient, proof: Any, reactions: bool) -> None:
    kept = {
        v["criterion"]: v
        for v in proof["result"]["fault_verdicts"]
        if v["reactions"] is reactions and v["status"] != "not_applicable"
    }
    assert any(v["status"] == "fail" for v in kept.values()) is not reactions
    query = {"scenario": "pedal_release", "fault": "pedal_1_high", "reactions": reactions}
    # The proof drives this fault alone and after one that went unnoticed, and keeps the worst.
    drives = [
        {x["criterion"]: x for x in trace(desk, hidden=hidden, **query)["limits"]}
        for hidden in (False, True)
    ]
    for name, line in kept.items():
        found = [drive[name]["value"] for drive in drives if name in drive]
        assert any(value == pytest.approx(line["value"], rel=1e-9) for value in found), name
        statuses = {drive[name]["status"] for drive in drives if name in drive}
        assert line["status"] in statuses
        assert ("fail" in statuses) == (line["status"] == "fail")


def test_a_proof_of_an_older_calibration_says_so(desk: TestClient, proof: Any) -> None:
    now = content(desk, "calibration", "calibration")
    data = json.loads(now["content"])
    text = json.dumps(data, indent=3)
    newer = save(desk, "calibration", "calibration", text, now["revision"]["id"])
    (view,) = desk.get("/api/garage/overview").json()["cars"]
    assert view["proof"]["current"] is False
    assert view["proof"]["calibration_revision"] == proof["calibration_revision"]
    assert view["revisions"]["calibration"] == newer["id"]
