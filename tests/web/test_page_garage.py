"""The Garage page: all cars at a glance, removed ones come back, answers make a build."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from starlette.testclient import TestClient
from web_bench import client, new_car

from throttlewright.web.bench import Bench
from throttlewright.workshop.held import held_build

CARS = "/api/garage/cars"


@pytest.fixture
def desk(tmp_path: Path) -> Iterator[TestClient]:
    with client(tmp_path) as one:
        yield one


def build_of(desk: TestClient, name: str) -> Any:
    held: Bench = desk.app.state.bench  # type: ignore[attr-defined]
    return held_build(held.garage, name)[1].build


def answered(desk: TestClient, name: str, **answers: Any) -> Any:
    return desk.post(CARS, json={"name": name, "answers": answers, "who": "Ada"})


def test_the_overview_says_what_each_car_has_and_who_saved_last(desk: TestClient) -> None:
    made = new_car(desk)
    number = made["car"]["id"]
    saved = desk.post(
        f"{CARS}/{number}/save",
        json={"kind": "note", "name": "plan", "content": "x", "who": "Bo", "why": "an idea"},
    ).json()["revision"]
    desk.post(f"{CARS}/{number}/branch", json={"from": "main", "to": "wet", "who": "Ada"})
    over = desk.get("/api/garage/overview").json()
    (view,) = over["cars"]
    assert view["car"]["id"] == number
    assert set(view["branches"]) == {"main", "wet"}
    assert view["last"]["id"] == saved["id"]
    assert (view["last"]["who"], view["last"]["why"]) == ("Bo", "an idea")
    assert set(view["revisions"]) == {"build", "intent"}
    assert view["proof"] is None
    later = desk.post(
        f"{CARS}/{number}/save",
        json={
            "kind": "note",
            "name": "rain",
            "content": "y",
            "who": "Cy",
            "branch": "wet",
        },
    ).json()["revision"]
    assert desk.get("/api/garage/overview").json()["cars"][0]["last"]["id"] == later["id"]


def test_a_removed_car_comes_back_with_all_it_had(desk: TestClient) -> None:
    number = new_car(desk)["car"]["id"]
    before = desk.get(f"{CARS}/{number}").json()
    desk.delete(f"{CARS}/{number}")
    gone = desk.get("/api/garage/overview").json()
    assert gone["cars"] == []
    assert [car["id"] for car in gone["removed"]] == [number]
    assert desk.post(f"/api/garage/removed/{number}/back").json()["name"] == "Hill car"
    assert desk.get(f"{CARS}/{number}").json() == before
    again = desk.post(f"/api/garage/removed/{number}/back")
    assert again.status_code == 422
    assert "no removed car" in again.json()["error"]


def test_a_removed_car_whose_name_is_taken_stays_where_it_is(desk: TestClient) -> None:
    number = new_car(desk)["car"]["id"]
    desk.delete(f"{CARS}/{number}")
    new_car(desk)
    taken = desk.post(f"/api/garage/removed/{number}/back")
    assert taken.status_code == 409
    assert [c["id"] for c in desk.get("/api/garage/overview").json()["removed"]] == [number]


def test_each_kind_of_charging_and_the_gears_are_in_the_build(desk: TestClient) -> None:
    gears = {"ratios": [3.1, 1.9, 1.3], "final_drive": 4.3}
    assert answered(desk, "T", boost="0,9 bar", charging="turbo", **gears).status_code == 201
    build = build_of(desk, "T")
    assert build.turbo.boost.value[1] == pytest.approx(0.9)
    assert build.driveline.ratios == (3.1, 1.9, 1.3)
    assert build.driveline.final_drive == 4.3
    blower = {"blower": "1.2 L", "blower_ratio": 1.9}
    done = answered(desk, "S", boost="8 psi", charging="supercharger", **blower)
    assert done.status_code == 201, done.text
    build = build_of(desk, "S")
    assert build.turbo is None
    assert build.supercharger.displacement == pytest.approx(1.2e-3)
    assert build.supercharger.drive_ratio == 1.9
    assert build.supercharger.boost.value[-1] == pytest.approx(8.0)
    assert answered(desk, "C", boost="50 kPa", charging="centrifugal").status_code == 201
    assert build_of(desk, "C").centrifugal.boost.value == (5.0, 20.0, 50.0)
    assert answered(desk, "N").status_code == 201
    build = build_of(desk, "N")
    assert (build.turbo, build.supercharger, build.centrifugal) == (None, None, None)


@pytest.mark.parametrize(
    ("answers", "key"),
    [
        ({"charging": "turbo"}, "boost"),
        ({"boost": "much"}, "boost"),
        ({"boost": "0.5 bar", "charging": "supercharger", "blower": "1 L"}, "blower_ratio"),
        ({"boost": "0.5 bar", "blower": "1 L"}, "blower"),
        ({"ratios": []}, "answers.ratios"),
        ({"bore": "9 km"}, "plate.bore"),
    ],
)
def test_a_wrong_answer_adds_no_car(desk: TestClient, answers: Any, key: str) -> None:
    refused = answered(desk, "Wrong", **answers)
    assert refused.status_code == 422, refused.text
    assert refused.json()["key"] == key
    assert desk.get(CARS).json()["cars"] == []
