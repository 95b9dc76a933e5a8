"""The Commission page: its order is enforced by the server, and values are judged and kept."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from starlette.testclient import TestClient
from web_bench import client, new_car

from throttlewright.workshop.commission import CommissionRequest, commission
from throttlewright.workshop.design import DesignRequest, design

CAR = "/api/garage/cars/Hill car"
SHEET = "/api/commission/Hill car"


@pytest.fixture(scope="module")
def desk(tmp_path_factory: pytest.TempPathFactory) -> Iterator[TestClient]:
    folder = tmp_path_factory.mktemp("files")
    with client(tmp_path_factory.mktemp("commission")) as one:
        for item in new_car(one, "Hill car", "hillclimb_20t")["revisions"]:
            query = {"kind": item["kind"], "name": item["name"]}
            text = one.get(f"{CAR}/content", params=query).json()["content"]
            name = item["name"] if item["kind"] == "beside" else f"{item['kind']}.toml"
            (folder / name).write_text(text, encoding="utf-8")
        early = one.get(SHEET)
        assert early.status_code == 422
        assert "no calibration yet" in early.json()["error"]
        out = folder / "out"
        design(
            DesignRequest(
                build=str(folder / "build.toml"), intent=str(folder / "intent.toml"), out=str(out)
            )
        )
        text = next(Path(out).glob("*.calibration.json")).read_text(encoding="utf-8")
        body = {"kind": "calibration", "name": "calibration", "content": text, "who": "Ada"}
        assert one.post(f"{CAR}/save", json=body).status_code == 200
        yield one


def sheet(desk: TestClient) -> Any:
    answer = desk.get(SHEET)
    assert answer.status_code == 200, answer.text
    return answer.json()


def fill(desk: TestClient, key: str, value: Any, base: int | None) -> Any:
    body = {"key": key, "value": value, "base_revision": base, "who": "Ada"}
    return desk.post(f"{SHEET}/value", json=body)


def good(step: dict[str, Any]) -> Any:
    if step["expected"] is None:
        return True
    return step["expected"]


def by_key(view: Any) -> dict[str, Any]:
    return {step["key"]: step for step in view["result"]["steps"]}


def test_steps_are_filled_in_their_order(desk: TestClient) -> None:
    view = sheet(desk)
    steps = view["result"]["steps"]
    assert view["next"] == steps[0]["key"] == "battery_off"
    assert {s["status"] for s in steps[1:]} == {"locked"}
    refused = fill(desk, "motor_ohm", 1.0, view["base_revision"])
    assert refused.status_code == 422
    assert "waits for step 1" in refused.json()["error"]
    assert sheet(desk)["base_revision"] == view["base_revision"]
    done = fill(desk, "battery_off", True, view["base_revision"]).json()
    assert done["next"] == "motor_ohm"
    ohm = by_key(done)["motor_ohm"]
    # too many ohms: failed, and everything after it waits
    failed = fill(desk, "motor_ohm", 3.0 * ohm["high"], done["base_revision"]).json()
    assert by_key(failed)["motor_ohm"]["status"] == "fail"
    assert failed["next"] == "motor_ohm"
    assert failed["result"]["steps"][2]["status"] == "locked"
    assert fill(desk, "motor_to_ground_kohm", 5e3, failed["base_revision"]).status_code == 422
    right = fill(desk, "motor_ohm", ohm["expected"], failed["base_revision"]).json()
    assert by_key(right)["motor_ohm"]["status"] == "pass"
    assert by_key(right)["motor_ohm"]["origin"] == "given"
    assert right["next"] == "motor_to_ground_kohm"
    # an earlier step taken back locks what was measured after it
    back = fill(desk, "battery_off", None, right["base_revision"]).json()
    assert by_key(back)["motor_ohm"]["status"] == "locked"
    assert by_key(back)["motor_ohm"]["measured"] == ohm["expected"]
    assert fill(desk, "battery_off", True, back["base_revision"]).status_code == 200


def test_wrong_values_and_stale_pages_are_refused(desk: TestClient) -> None:
    view = sheet(desk)
    now = view["base_revision"]
    assert fill(desk, "motor_ohm", True, now).status_code == 422
    assert fill(desk, "battery_off", 1.0, now).status_code == 422
    assert fill(desk, "battery_off", "yes", now).status_code == 422
    assert fill(desk, "no_such_step", True, now).status_code == 422
    assert sheet(desk)["base_revision"] == now
    first = fill(desk, "battery_off", False, now)
    assert first.status_code == 200
    late = fill(desk, "battery_off", True, now)
    assert late.status_code == 409
    assert by_key(sheet(desk))["battery_off"]["status"] == "fail"
    assert fill(desk, "battery_off", True, first.json()["base_revision"]).status_code == 200


def save_whole(desk: TestClient, view: Any, base: int | None) -> None:
    """All steps well done, in one save, as an imported sheet would be."""
    measured = {s["key"]: good(s) for s in view["result"]["steps"]}
    sheet_text = {"format": "throttlewright.commission", "format_version": 1, "measured": measured}
    body = {
        "kind": "layout", "name": "commissioning", "content": json.dumps(sheet_text),
        "base_revision": base, "who": "Ada",
    }  # fmt: skip
    assert desk.post(f"{CAR}/save", json=body).status_code == 200


def test_a_whole_sheet_passes_as_far_as_something_answers_each_step(desk: TestClient) -> None:
    view = sheet(desk)
    uses = {u["use"]: u["is_open"] for u in view["result"]["uses"]}
    assert uses[view["result"]["use"]]
    assert not uses["road"]
    save_whole(desk, view, view["base_revision"])
    after = sheet(desk)
    # nothing is passed by a tick where no reaction of the calibration looks for the fault
    helpless = [s["number"] for s in after["result"]["steps"] if "cannot pass" in s["do"]]
    ahead = min(helpless, default=len(after["result"]["steps"]) + 1)
    for step in after["result"]["steps"]:
        expected = "pass" if step["number"] < ahead else "fail"
        assert step["status"] == ("locked" if step["number"] > ahead else expected), step
    assert (after["next"] is None) == (not helpless)


def test_the_first_start_stays_shut_where_the_gate_is(desk: TestClient) -> None:
    """The body of this car is refused for the road: its first start cannot be ticked."""
    before = sheet(desk)
    body = {"key": "use", "value": "road", "base_revision": before["build_revision"], "who": "Ada"}
    saved = desk.post("/api/build/Hill car/field", json=body)
    assert saved.status_code == 200, saved.text
    view = sheet(desk)
    assert view["result"]["use"] == "road"
    assert view["older"] == ["build"]
    gate = by_key(view)["gate_open"]
    assert "Do not start the engine" in gate["do"]
    assert gate["status"] in ("fail", "locked")
    assert by_key(view)["kill_fuel"]["status"] == "locked"
    step = {"kind": "build", "name": "build", "base_revision": view["build_revision"], "who": "Ada"}
    assert desk.post(f"{CAR}/undo", json=step).status_code == 200


def test_saves_made_since_are_told_and_undo_brings_a_value_back(desk: TestClient) -> None:
    first = sheet(desk)
    view = fill(desk, "battery_off", False, first["base_revision"]).json()
    assert view["older"] == []
    before = by_key(view)["battery_off"]["measured"]
    changed = fill(desk, "battery_off", None, view["base_revision"]).json()
    step = {
        "kind": "layout", "name": "commissioning", "base_revision": changed["base_revision"],
        "who": "Ada",
    }  # fmt: skip
    assert desk.post(f"{CAR}/undo", json=step).status_code == 200
    assert by_key(sheet(desk))["battery_off"]["measured"] == before
    head = desk.get(f"{CAR}/content", params={"kind": "build", "name": "build"}).json()
    body = {
        "kind": "build", "name": "build", "who": "Ada", "content": head["content"] + "\n# read\n",
        "base_revision": head["revision"]["id"],
    }  # fmt: skip
    assert desk.post(f"{CAR}/save", json=body).status_code == 200
    assert sheet(desk)["older"] == ["build"]


def test_what_is_kept_is_a_filled_sheet_that_the_command_reads(
    desk: TestClient, tmp_path: Path
) -> None:
    for kind, name, file in (
        ("build", "build", "build.toml"),
        ("calibration", "calibration", "c.json"),
        ("layout", "commissioning", "filled.json"),
    ):
        text = desk.get(f"{CAR}/content", params={"kind": kind, "name": name}).json()["content"]
        (tmp_path / file).write_text(text, encoding="utf-8")
    for item in desk.get(CAR).json()["items"]:
        if item["kind"] == "beside":
            query = {"kind": "beside", "name": item["name"]}
            text = desk.get(f"{CAR}/content", params=query).json()["content"]
            (tmp_path / item["name"]).write_text(text, encoding="utf-8")
    result = commission(
        CommissionRequest(
            build=str(tmp_path / "build.toml"),
            calibration=str(tmp_path / "c.json"),
            filled=str(tmp_path / "filled.json"),
        )
    )
    view = sheet(desk)
    assert [s.status for s in result.steps] == [s["status"] for s in view["result"]["steps"]]


def test_a_sheet_can_be_begun_anew_and_its_history_stays(desk: TestClient) -> None:
    view = sheet(desk)
    body = {"base_revision": view["base_revision"], "who": "Ada"}
    clear = desk.post(f"{SHEET}/anew", json=body).json()
    assert clear["next"] == "battery_off"
    assert all(s["measured"] is None for s in clear["result"]["steps"])
    query = {"kind": "layout", "name": "commissioning", "revision": clear["undo"]}
    kept = json.loads(desk.get(f"{CAR}/content", params=query).json()["content"])
    assert kept["measured"] == {
        s["key"]: s["measured"] for s in view["result"]["steps"] if s["measured"] is not None
    }
