from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from fastapi.testclient import TestClient

from throttlewright.web.app import create_app
from throttlewright.workshop.garage import new_car
from throttlewright.workshop.garage_requests import NewCarRequest


@pytest.fixture(scope="module")
def client(tmp_path_factory: pytest.TempPathFactory) -> Iterator[TestClient]:
    folder: Path = tmp_path_factory.mktemp("garage")
    new_car(NewCarRequest(garage=str(folder), name="Hill", example="hillclimb_20t", who="test"))
    with TestClient(create_app(garage=folder), base_url="http://127.0.0.1") as opened:
        yield opened


def field(page: dict, key: str) -> dict:
    return next(f for s in page["sections"] for f in s["fields"] if f["key"] == key)


def test_shows_checks_and_saves_a_field(client: TestClient) -> None:
    page = client.get("/api/build/Hill").json()
    assert field(page, "plate.bore")["written"] == "90 mm"
    bad = client.post("/api/build/Hill/check", json={"key": "plate.bore", "value": "9 m"}).json()
    assert not bad["ok"]
    assert "above 0 to 200 mm" in bad["error"]
    good = client.post("/api/build/Hill/check", json={"key": "plate.bore", "value": "3.5 in"})
    assert good.json()["ok"]
    body = {"key": "plate.bore", "value": "3.5 in", "base_revision": page["revision"], "who": "a"}
    saved = client.post("/api/build/Hill/field", json=body)
    assert saved.status_code == 200
    again = client.get("/api/build/Hill").json()
    assert again["revision"] == saved.json()["revision"]["id"] != page["revision"]
    assert field(again, "plate.bore")["written"] == "3.5 in"


def test_a_refused_value_is_422_with_its_parts(client: TestClient) -> None:
    revision = client.get("/api/build/Hill").json()["revision"]
    body = {"key": "vehicle.mass", "value": "3 kg", "base_revision": revision}
    answer = client.post("/api/build/Hill/field", json=body)
    assert answer.status_code == 422
    assert answer.json()["key"] == "vehicle.mass"
    assert answer.json()["allowed"] == "50 to 10000 kg"


def test_a_stale_save_is_409_with_both_revisions(client: TestClient) -> None:
    base = client.get("/api/build/Hill").json()["revision"]
    one = {"key": "vehicle.mass", "value": "981 kg", "base_revision": base, "who": "a"}
    newest = client.post("/api/build/Hill/field", json=one).json()["revision"]["id"]
    two = {"key": "vehicle.mass", "value": "982 kg", "base_revision": base, "who": "b"}
    answer = client.post("/api/build/Hill/field", json=two)
    assert answer.status_code == 409
    assert answer.json()["theirs"] == newest
    assert answer.json()["yours"] not in (None, newest)


def test_text_is_checked_and_saved(client: TestClient) -> None:
    page = client.get("/api/build/Hill").json()
    bad = client.post("/api/build/Hill/check", json={"text": page["text"] + "\nnonsense"}).json()
    assert not bad["ok"]
    text = page["text"] + "\n# measured on the scales\n"
    body = {"text": text, "base_revision": page["revision"], "who": "a"}
    assert client.post("/api/build/Hill/text", json=body).status_code == 200
    assert client.get("/api/build/Hill").json()["text"] == text


def test_ledger_is_ranked(client: TestClient) -> None:
    page = client.get("/api/build/Hill/ledger").json()
    assert page["ledger"][0]["torque_effect_pct"]
    assert page["surest_next"]


def test_unknown_car_is_404(client: TestClient) -> None:
    assert client.get("/api/build/Nobody").status_code == 404
