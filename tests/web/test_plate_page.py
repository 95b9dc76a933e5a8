"""The Plate page: own plate, asked plate, study, fan."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Any

import pytest
from starlette.testclient import TestClient
from web_bench import client, new_car

from throttlewright.workshop.plate import PlateRequest, plate


@pytest.fixture(scope="module")
def desk(tmp_path_factory: pytest.TempPathFactory) -> Iterator[TestClient]:
    with client(tmp_path_factory.mktemp("plate")) as one:
        new_car(one)
        yield one


def ask(desk: TestClient, **query: Any) -> Any:
    answer = desk.get("/api/plate/Hill car", params=query)
    assert answer.status_code == 200, answer.text
    return answer.json()


def test_the_page_says_what_the_terminal_says(desk: TestClient) -> None:
    page = ask(desk, bore_mm=45.0, count=1)
    same = plate(
        PlateRequest(build="trackday_16", smallest_mm=45.0, largest_mm=60.0, bores=2, counts=(1,))
    )
    own, told = page["study"]["car"], same.car.model_dump()
    assert own["bore_mm"] == told["bore_mm"]
    assert own["leak_g_s"] == told["leak_g_s"]
    # The terminal's loss counts from a wider plate, as its largest bore is: the ideal differs.
    row = same.rows[0].model_dump()
    assert page["asked"]["row"]["bore_mm"] == row["bore_mm"] == 45.0
    assert page["asked"]["row"]["default_rpm"] == row["default_rpm"]
    assert page["asked"]["row"]["pct_at_90"] == pytest.approx(row["pct_at_90"], rel=1e-3)


def test_a_larger_plate_gives_its_torque_earlier(desk: TestClient) -> None:
    small, large = (ask(desk, bore_mm=b)["asked"] for b in (40.0, 70.0))

    def share_at_10(fan: Any) -> float:
        at = fan["pedal_pct"].index(10.0)
        row = fan["torque_Nm"][0]
        return float((row[at] - row[0]) / (row[-1] - row[0]))

    assert share_at_10(large["fan"]) > 1.2 * share_at_10(small["fan"])
    assert large["row"]["loss_pct"] < small["row"]["loss_pct"]
    assert large["row"]["air_per_tenth_deg_g_s"] > small["row"]["air_per_tenth_deg_g_s"]
    assert all(math.isfinite(v) for row in large["fan"]["torque_Nm"] for v in row)


def test_the_own_bore_asked_for_is_the_own_plate(desk: TestClient) -> None:
    page = ask(desk)
    assert page["asked"] is None
    own = page["study"]["car"]
    asked = ask(desk, bore_mm=own["bore_mm"], count=own["count"])["asked"]
    assert asked["fan"] == page["own_fan"]


@pytest.mark.parametrize(
    "query", [{"bore_mm": 5}, {"bore_mm": 500}, {"count": 0}, {"bore_mm": "x"}]
)
def test_a_plate_that_cannot_be_is_a_sentence(desk: TestClient, query: Any) -> None:
    answer = desk.get("/api/plate/Hill car", params=query)
    assert answer.status_code == 422
    assert answer.json()["error"]


def test_a_car_that_is_not_there(desk: TestClient) -> None:
    assert desk.get("/api/plate/none").status_code == 404
