"""The Pedal page: what the browser asks, and the sentences and codes it gets."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest
from starlette.testclient import TestClient
from web_bench import client, new_car

POINTS = {"pedal_pct": [0, 20, 50, 100], "share_pct": [0, 12, 45, 100]}


@pytest.fixture
def desk(tmp_path_factory: pytest.TempPathFactory) -> Iterator[TestClient]:
    with client(tmp_path_factory.mktemp("pedal")) as one:
        new_car(one)
        yield one


def look(desk: TestClient, **query: Any) -> Any:
    answer = desk.get("/api/pedal/Hill car", params=query)
    assert answer.status_code == 200, answer.text
    return answer.json()


def send(desk: TestClient, what: str, **body: Any) -> tuple[int, Any]:
    answer = desk.post(f"/api/pedal/Hill car/{what}", json=body)
    return answer.status_code, answer.json()


def cells(desk: TestClient, view: Any, *values: tuple[int, int, float]) -> tuple[int, Any]:
    base = view["calibration_revision"]
    return send(desk, "cells", mode="dry", table="plate", cells=values, base_revision=base)


def test_the_page_is_in_the_path(desk: TestClient) -> None:
    pages = {page["id"]: page for page in desk.get("/api/pages").json()}
    assert pages["pedal"]["title"] == "Pedal"


def test_from_a_look_to_a_saved_curve_and_back(desk: TestClient) -> None:
    view = look(desk)
    assert view["calibration_revision"] is None
    assert view["states"] == ["settled"]
    assert view["boost"] is None
    code, done = send(desk, "design", mode="dry", who="Ada")
    assert code == 200
    view = done["view"]
    assert view["calibration_revision"] is not None
    code, tried = send(desk, "preview", mode="dry", change={"points": POINTS}, seq=4)
    assert (code, tried["seq"]) == (200, 4)
    assert len(tried["fan"]["after_Nm"]) == len(view["fan"]["rpm"])
    assert look(desk)["intent_revision"] == view["intent_revision"]
    code, done = send(
        desk,
        "intent",
        mode="dry",
        change={"points": POINTS},
        base_revision=view["intent_revision"],
        calibration_revision=view["calibration_revision"],
    )
    assert code == 200
    assert done["view"]["modes"][0]["feel"] == "points"
    code, back = send(desk, "undo", mode="dry", base_revision=done["view"]["calibration_revision"])
    assert code == 200
    assert back["view"]["modes"][0]["feel"] == "even"
    assert back["view"]["plate_table"]["values"] == view["plate_table"]["values"]
    code, again = send(desk, "redo", mode="dry", base_revision=back["view"]["calibration_revision"])
    assert code == 200
    assert again["view"]["modes"][0]["feel"] == "points"


def test_the_first_cell_edit_saves_the_design_too(desk: TestClient) -> None:
    code, done = cells(desk, look(desk), (2, 3, 4.0))
    assert code == 200
    view = look(desk)
    assert view["calibration_revision"] == done["edited"]["calibration_revision"]
    assert view["plate_table"]["values"][2][3] == 4.0
    assert view["edited"]
    kept = desk.get("/api/garage/cars/1/history", params={"kind": "calibration"}).json()
    assert [r["why"] for r in kept["revisions"]] == ["1 cell of plate, mode dry", "designed"]


def test_errors_come_as_sentences_with_their_codes(desk: TestClient) -> None:
    view = send(desk, "design")[1]["view"]
    code, body = cells(desk, view, (0, 1, 200.0))
    assert code == 422
    assert body["allowed"] == "0 to 100 %"
    assert cells(desk, view, (0, 1, 2.0))[0] == 200
    code, body = cells(desk, view, (0, 1, 3.0))
    assert code == 409
    assert body["theirs"] == look(desk)["calibration_revision"]
    assert body["yours"] not in (None, body["theirs"])
    code, body = send(desk, "intent", mode="dry", change={"most_torque_pct": 50}, base_revision=1)
    assert code == 422
    code, body = send(desk, "preview", mode="dri")
    assert code == 422
    assert "did you mean 'dry'" in body["error"]
    assert desk.get("/api/pedal/nobody").status_code == 404
    code, body = send(desk, "judge", text="no table")
    assert code == 422
    assert body["error"].startswith("the pasted table")


def test_a_stale_calibration_keeps_the_intent_as_it_is(desk: TestClient) -> None:
    view = send(desk, "design")[1]["view"]
    assert cells(desk, view, (0, 1, 2.0))[0] == 200
    code, _ = send(
        desk,
        "intent",
        mode="wet",
        change={"most_torque_pct": 50},
        base_revision=view["intent_revision"],
        calibration_revision=view["calibration_revision"],
    )
    assert code == 409
    assert look(desk)["intent_revision"] == view["intent_revision"]


def test_a_server_that_starts_again_has_lost_nothing(
    tmp_path_factory: pytest.TempPathFactory,
) -> None:
    folder = tmp_path_factory.mktemp("again")
    with client(folder) as one:
        new_car(one)
        view = send(one, "design")[1]["view"]
        done = cells(one, view, (2, 3, 4.0))[1]
    with client(folder) as two:
        view = look(two)
        assert view["calibration_revision"] == done["edited"]["calibration_revision"]
        assert view["plate_table"]["edited_cells"] == [[2, 3]]
        code, back = send(two, "undo", base_revision=view["calibration_revision"])
        assert code == 200
        assert not back["view"]["edited"]
