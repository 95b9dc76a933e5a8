"""Cars over the wire: start, save, conflict, undo and redo, compare, branch, hand out, upload."""

from __future__ import annotations

import io
import zipfile
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from starlette.testclient import TestClient
from web_bench import client, new_car

from throttlewright.recording.parquet import write_parquet
from throttlewright.recording.recording import Channel, Recording

CARS = "/api/garage/cars"


@pytest.fixture
def desk(tmp_path: Path) -> Any:
    with client(tmp_path) as one:
        yield one


def save(desk: TestClient, text: str, base: int | None, **more: Any) -> Any:
    body = {"kind": "note", "name": "plan", "content": text, "base_revision": base, "who": "Ada"}
    return desk.post(f"{CARS}/Hill car/save", json=body | more)


def step(desk: TestClient, word: str, base: int) -> Any:
    body = {"kind": "note", "name": "plan", "base_revision": base, "who": "Ada"}
    return desk.post(f"{CARS}/Hill car/{word}", json=body)


def content(desk: TestClient, **more: Any) -> Any:
    answer = desk.get(f"{CARS}/Hill car/content", params={"kind": "note", "name": "plan"} | more)
    assert answer.status_code == 200, answer.text
    return answer.json()


def test_a_new_car_from_a_shipped_one_and_from_answers(desk: TestClient) -> None:
    assert "trackday_16" in desk.get("/api/garage/examples").json()
    made = new_car(desk)
    assert {r["kind"] for r in made["revisions"]} >= {"build", "intent"}
    answers = {"displacement": "1.6 L", "cylinders": 4, "revs": "7000 rpm", "bore": "48 mm"}
    done = desk.post(CARS, json={"name": "Answers", "answers": answers, "who": "Ada"})
    assert done.status_code == 201, done.text
    names = [car["name"] for car in desk.get(CARS).json()["cars"]]
    assert names == ["Answers", "Hill car"]
    by_number = desk.get(f"{CARS}/{made['car']['id']}").json()
    assert by_number["car"]["name"] == "Hill car"


def test_a_number_means_the_car_of_that_number(desk: TestClient) -> None:
    first = new_car(desk, "One")["car"]
    new_car(desk, str(first["id"]))
    assert desk.get(f"{CARS}/{first['id']}").json()["car"]["name"] == "One"


def test_what_is_not_there_is_404_and_what_is_wrong_is_422(desk: TestClient) -> None:
    new_car(desk)
    assert desk.get(f"{CARS}/none").status_code == 404
    assert desk.get(f"{CARS}/Hill car/content?kind=note&name=none").status_code == 404
    assert desk.get(f"{CARS}/Hill car?branch=none").status_code == 404
    bad = save(desk, "x = ", None, kind="build", name="build")
    assert bad.status_code == 422
    assert "TOML" in bad.json()["error"]
    twice = desk.post(CARS, json={"name": "hill CAR", "example": "trackday_16", "who": "Ada"})
    assert twice.status_code == 409
    assert twice.json()["advice"]
    unknown = desk.post(CARS, json={"name": "x", "colour": "red"})
    assert unknown.status_code == 422
    assert unknown.json()["key"] == "colour"


def test_a_stale_save_is_refused_with_both_versions_kept(desk: TestClient) -> None:
    new_car(desk)
    first = save(desk, "one", None).json()["revision"]["id"]
    theirs = save(desk, "two", first, who="Bo").json()["revision"]["id"]
    refused = save(desk, "mine", first)
    assert refused.status_code == 409
    body = refused.json()
    assert body["theirs"] == theirs
    assert content(desk)["content"] == "two"
    assert content(desk, revision=body["yours"])["content"] == "mine"


def test_undo_and_redo_walk_the_history_and_outlive_a_restart(tmp_path: Path) -> None:
    with client(tmp_path) as desk:
        new_car(desk)
        base = None
        for text in ("one", "two", "three"):
            base = save(desk, text, base).json()["revision"]["id"]
        assert base is not None
        seen = []
        for word in ("undo", "undo", "redo"):
            base = step(desk, word, base).json()["revision"]["id"]
            seen.append(content(desk)["content"])
        assert seen == ["two", "one", "two"]
    with client(tmp_path) as desk:
        now = content(desk)
        assert now["undo"] is not None
        assert now["redo"] is not None
        base = step(desk, "redo", base).json()["revision"]["id"]
        assert content(desk)["content"] == "three"
        assert content(desk)["redo"] is None
        base = step(desk, "undo", base).json()["revision"]["id"]
        base = save(desk, "four", base).json()["revision"]["id"]
        assert content(desk)["redo"] is None
        for expected in ("two", "one"):
            base = step(desk, "undo", base).json()["revision"]["id"]
            assert content(desk)["content"] == expected
        nothing = step(desk, "undo", base)
        assert nothing.status_code == 422
        assert "nothing to undo" in nothing.json()["error"]


def test_undo_of_what_somebody_else_changed_is_refused(desk: TestClient) -> None:
    new_car(desk)
    first = save(desk, "one", None).json()["revision"]["id"]
    second = save(desk, "two", first).json()["revision"]["id"]
    third = save(desk, "three", second, who="Bo").json()["revision"]["id"]
    refused = step(desk, "undo", second)
    assert refused.status_code == 409
    assert refused.json()["theirs"] == third
    assert refused.json()["yours"] is None, "an undo has no text of its own to keep"
    assert content(desk)["content"] == "three"


def test_words_alone_make_no_undo(desk: TestClient) -> None:
    new_car(desk)
    first = save(desk, "one", None).json()["revision"]["id"]
    second = save(desk, "two", first).json()["revision"]["id"]
    save(desk, "other", second, why=f"undo to revision {first}")
    assert content(desk)["undo"] == second


def test_history_compare_restore_and_branch(desk: TestClient) -> None:
    new_car(desk)
    first = save(desk, "one\n", None, why="start").json()["revision"]["id"]
    second = save(desk, "two\n", first).json()["revision"]["id"]
    rows = desk.get(f"{CARS}/Hill car/history?kind=note&name=plan").json()["revisions"]
    assert [(r["id"], r["who"], r["why"]) for r in rows] == [
        (second, "Ada", ""),
        (first, "Ada", "start"),
    ]
    found = desk.post(f"{CARS}/Hill car/compare", json={"a": first, "b": second}).json()
    assert "-one" in found["lines"]
    assert "+two" in found["lines"]
    done = desk.post(f"{CARS}/Hill car/branch", json={"from": "main", "to": "wet", "who": "Ada"})
    assert done.status_code == 201
    back = desk.post(
        f"{CARS}/Hill car/restore", json={"revision": first, "who": "Ada", "branch": "wet"}
    )
    assert back.status_code == 200, back.text
    assert content(desk, branch="wet")["content"] == "one\n"
    assert content(desk)["content"] == "two\n"
    other = new_car(desk, "Other")["revisions"][0]["id"]
    foreign = desk.post(f"{CARS}/Hill car/restore", json={"revision": other, "who": "Ada"})
    assert foreign.status_code == 404


def test_export_is_an_archive_of_what_was_saved(desk: TestClient) -> None:
    new_car(desk)
    save(desk, "a plan", None)
    answer = desk.get(f"{CARS}/Hill car/export")
    assert answer.headers["content-type"] == "application/zip"
    with zipfile.ZipFile(io.BytesIO(answer.content)) as archive:
        assert {"build.toml", "intent.toml", "plan.note.txt"} <= set(archive.namelist())
        assert archive.read("plan.note.txt") == b"a plan"


def test_a_recording_comes_up_and_down_unchanged(desk: TestClient, tmp_path: Path) -> None:
    new_car(desk)
    t = np.linspace(0.0, 1.0, 11)
    path = tmp_path / "log.parquet"
    write_parquet(Recording({"speed_m_s": Channel("speed_m_s", "m/s", t, 3.0 * t)}), path)
    target = f"{CARS}/Hill car/recording"
    done = desk.put(target, params={"name": "first log"}, content=path.read_bytes())
    assert done.status_code == 201, done.text
    number = done.json()["revision"]["id"]
    assert desk.get(target, params={"revision": number}).content == path.read_bytes()
    bad = desk.put(target, params={"name": "second"}, content=b"no recording")
    assert bad.status_code == 422
    names = [i["name"] for i in desk.get(f"{CARS}/Hill car").json()["items"]]
    assert "second" not in names


def test_a_removed_car_is_gone_from_the_list(desk: TestClient) -> None:
    new_car(desk)
    named = desk.post(f"{CARS}/Hill car/rename", json={"name": "Sold car"})
    assert named.json()["name"] == "Sold car"
    assert desk.delete(f"{CARS}/Sold car").json()["removed"] is True
    assert desk.get(CARS).json()["cars"] == []
    assert desk.get(f"{CARS}/Sold car").status_code == 404


def test_letters_that_cannot_be_written_are_a_sentence(desk: TestClient) -> None:
    new_car(desk)
    odd = b'{"kind": "note", "name": "\\ud800", "base_revision": 1, "who": "Ada"}'
    target = f"{CARS}/Hill car/undo"
    refused = desk.post(target, content=odd, headers={"content-type": "application/json"})
    assert refused.status_code == 422
    assert refused.json()["key"] == "name"
    body = b'{"name": "\\ud800", "example": "trackday_16", "who": "Ada"}'
    answer = desk.post(CARS, content=body, headers={"content-type": "application/json"})
    assert answer.status_code == 422
    assert answer.json()["error"]
