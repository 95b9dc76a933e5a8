"""The Roles page: roles by registration alone, asked for and taken back, driven, in command."""

from __future__ import annotations

import re
import time
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
from starlette.testclient import TestClient
from web_bench import client, new_car

from throttlewright.build.intent import Intent
from throttlewright.build.load import load_intent, parse_intent
from throttlewright.design import roles as registry
from throttlewright.design.role import Role, Typical
from throttlewright.design.roles import ROLES
from throttlewright.design.rows import Rows
from throttlewright.foundation.errors import InputError
from throttlewright.workshop import roles as role_cards
from throttlewright.workshop import roles_page
from throttlewright.workshop.intent_fields import edited_section, key_lines

ROOT = Path(__file__).resolve().parents[2]
PAGE = "/api/roles/Track car"
SECTION = "hot_coolant"
EXAMPLE = ROOT / "src/throttlewright/build/sets/examples/trackday_16_intent.toml"


@pytest.fixture(scope="module")
def desk(tmp_path_factory: pytest.TempPathFactory) -> Iterator[TestClient]:
    with client(tmp_path_factory.mktemp("roles")) as one:
        new_car(one, "Track car", "trackday_16")
        yield one


@pytest.fixture
def heat(monkeypatch: pytest.MonkeyPatch) -> Role:
    """A role that only this test knows, put at the end of the registry."""

    def design(car: object, intent: Intent) -> Rows:
        hot = intent.hot_coolant
        return Rows() if hot is None else Rows(refused="this car boils at will")

    role = Role(
        name="boil",
        title="Boil over",
        text="Takes torque away while water boils.",
        design=design,
        section=SECTION,
        typical=(Typical("starts", "108 degC", "common practice, no source"),),
        caution="Steam burns.",
    )
    for module in (registry, roles_page, role_cards):
        monkeypatch.setattr(module, "ROLES", (*ROLES, role))
    return role


def look(desk: TestClient) -> Any:
    answer = desk.get(PAGE)
    assert answer.status_code == 200, answer.text
    return answer.json()


def of(view: Any, name: str) -> Any:
    return next(r for r in view["roles"] if r["card"]["name"] == name)


def send(desk: TestClient, what: str, **body: Any) -> tuple[int, Any]:
    answer = desk.post(f"{PAGE}/{what}", json=body)
    return answer.status_code, answer.json()


def bases(view: Any) -> dict[str, Any]:
    return {k: view[k] for k in ("calibration_revision",)} | {
        "base_revision": view["intent_revision"]
    }


def test_every_registered_role_has_its_card_in_order_of_rank(desk: TestClient) -> None:
    view = look(desk)
    assert [r["card"]["name"] for r in view["roles"]] == [role.name for role in ROLES]
    for role in ROLES:
        found = of(view, role.name)
        assert [k["key"] for k in found["keys"]] == (
            list(_fields(role.section)) if role.section else []
        )
        gives = found["card"]["state"] == "gives"
        assert bool(found["places"]) == gives, role.name


def _fields(section: str) -> list[str]:
    return [line.key for line in key_lines(section, load_intent(EXAMPLE).intent, {})]


def test_no_source_of_the_page_names_a_role() -> None:
    # pages and server show what the registry holds: a role of later days needs no change here
    names = {role.name for role in ROLES} | {role.title for role in ROLES} | {"hot_coolant"}
    # "servo" and "idle" are words of the trade too; the sources of this page use neither
    files = [
        *(ROOT / "front/src/pages/roles").glob("*.*"),
        *(ROOT / "front/src/lib/command").glob("*.*"),
        ROOT / "src/throttlewright/web/pages/roles.py",
        ROOT / "src/throttlewright/workshop/roles_page.py",
        ROOT / "src/throttlewright/workshop/roles_page_models.py",
    ]
    assert len(files) > 8
    for file in files:
        text = file.read_text(encoding="utf-8")
        for name in names:
            assert not re.search(rf"['\"]{re.escape(name)}['\"]", text), (file.name, name)


def test_a_new_role_appears_is_asked_for_refused_undone(desk: TestClient, heat: Role) -> None:
    view = look_anew(desk)
    card = of(view, heat.name)
    assert card["card"]["state"] == "not asked"
    assert card["card"]["caution"] == "Steam burns."
    starts = next(k for k in card["keys"] if k["key"] == "starts")
    assert (starts["value"], starts["unit"], starts["written"]) == (108.0, "degC", False)
    assert starts["source"] == "common practice, no source"
    assert (starts["low"], starts["high"]) == (40.0, 200.0)
    share = next(k for k in card["keys"] if k["key"] == "least_torque")
    assert (share["value"], share["unit"]) == (50.0, "%")

    # a calibration first, so that there is something to go back to
    values = {k["key"]: k["value"] for k in card["keys"]}
    code, first = send(desk, "section", role=heat.name, values=values, **bases(view))
    assert code == 200, first
    asked = of(first, heat.name)
    assert asked["card"]["state"] == "refused"
    assert asked["card"]["refused"] == "this car boils at will"
    assert next(k for k in asked["keys"] if k["key"] == "starts")["written"]
    assert first["calibration_revision"] is not None
    assert first["behind"] == ""

    code, second = send(desk, "section", role=heat.name, values={"starts": 105.5}, **bases(first))
    assert code == 200, second
    assert second["can_undo"]
    now = next(k for k in of(second, heat.name)["keys"] if k["key"] == "starts")
    assert now["value"] == pytest.approx(105.5, abs=1e-9)

    code, back = send(desk, "undo", base_revision=second["calibration_revision"])
    assert code == 200, back
    was = next(k for k in of(back, heat.name)["keys"] if k["key"] == "starts")
    assert was["value"] == pytest.approx(108.0, abs=1e-9)
    assert back["can_redo"]

    code, gone = send(desk, "section", role=heat.name, remove=True, **bases(back))
    assert code == 200, gone
    assert of(gone, heat.name)["card"]["state"] == "not asked"


def look_anew(desk: TestClient) -> Any:
    """The view as made now: what the server keeps was made with another registry."""
    desk.app.state.bench._kept.clear()  # type: ignore[attr-defined]
    return look(desk)


def test_a_value_out_of_range_saves_nothing(desk: TestClient, heat: Role) -> None:
    view = look_anew(desk)
    code, said = send(desk, "section", role=heat.name, values={"starts": 500.0}, **bases(view))
    assert code == 422
    assert "40 to 200 degC" in said["allowed"]
    code, said = send(desk, "section", role=heat.name, values={"stars": 1.0}, **bases(view))
    assert code == 422
    assert "starts" in said["advice"]
    code, said = send(desk, "section", role="boyl", values={"starts": 1.0}, **bases(view))
    assert code == 422
    assert "boil" in said["advice"]
    code, said = send(desk, "section", role=ROLES[0].name, values={"a": 1.0}, **bases(view))
    assert code == 422
    after = look(desk)
    assert bases(after) == bases(view)


def test_a_stale_save_is_a_conflict(desk: TestClient, heat: Role) -> None:
    view = look_anew(desk)
    code, newer = send(desk, "section", role=heat.name, values={"starts": 107.0}, **bases(view))
    assert code == 200, newer
    code, said = send(desk, "section", role=heat.name, values={"starts": 106.0}, **bases(view))
    assert code == 409
    assert said["theirs"]
    # of two who saw the same intent, one who saw an older calibration is told too
    code, said = send(
        desk,
        "section",
        role=heat.name,
        values={"starts": 106.0},
        base_revision=newer["intent_revision"],
        calibration_revision=1,
    )
    assert code == 409
    kept = look(desk)
    assert next(k for k in of(kept, heat.name)["keys"] if k["key"] == "starts")["value"] == 107.0


def test_the_order_of_command_adds_up(desk: TestClient) -> None:
    found = desk.get(f"{PAGE}/command", params={"scenario": "pedal_release"})
    assert found.status_code == 200, found.text
    run = found.json()
    n = len(run["t_s"])
    assert 100 < n <= 2500
    for key in ("demand_pct", "target_pct", "plate_pct"):
        assert len(run[key]) == n
    lane = next(lane for lane in run["lanes"] if lane["output"] == "plate")
    spans = lane["spans"]
    # the band has no gap and no overlap, and neighbours differ
    assert spans[0]["from_s"] == 0.0
    for left, right in pairwise(spans):
        assert left["to_s"] == right["from_s"]
        assert left["name"] != right["name"]
    ends = spans[-1]["to_s"]
    assert ends == pytest.approx(run["t_s"][-1], abs=1.01 * run["step_s"])
    # the time in charge of each row is that of its spans
    for row in run["bounds"]:
        own = sum(s["to_s"] - s["from_s"] for s in spans if s["name"] == row["row"])
        assert row["in_charge_s"] == pytest.approx(own, abs=0.01)
        assert len(row["values"]) == n
    # after the foot is off, somebody else than the pedal holds the plate: what keeps it turning
    last = spans[-1]
    assert last["kind"] == "row"
    floor = next(row for row in run["bounds"] if row["row"] == last["name"])
    assert floor["side"] == "floor"
    # and where that floor is in charge, the target is the floor
    held = [
        (v, t)
        for at, v, t in zip(run["t_s"], floor["values"], run["target_pct"], strict=True)
        if at > last["from_s"] + 0.01
    ]
    assert held
    assert all(v is not None and abs(v - t) < 0.01 for v, t in held)


def test_a_scenario_that_is_not_there_is_refused(desk: TestClient) -> None:
    said = desk.get(f"{PAGE}/command", params={"scenario": "nowhere"})
    assert said.status_code == 422
    # a car without a turbo has no wastegate to stick
    said = desk.get(f"{PAGE}/command", params={"scenario": "overboost_stuck_wastegate"})
    assert said.status_code == 422
    assert "turbo" in said.json()["allowed"]


def test_with_and_without_runs_as_a_job(desk: TestClient) -> None:
    view = look(desk)
    shown = [r for r in view["roles"] if r["shown"] and r["card"]["state"] == "gives"]
    if not shown:
        pytest.fail("no acting role of this car is shown by a scenario")
    name = shown[0]["card"]["name"]
    state = wait(desk, desk.post(f"{PAGE}/drive", json={"role": name}).json()["job"])
    assert state["state"] == "done", state["error"]
    result = state["result"]
    assert result["role"] == name
    assert result["intent_revision"] == view["intent_revision"]
    # a scenario with variants is driven in each of them
    driven_in = {p["scenario"].partition("@")[0] for p in result["pairs"]}
    assert driven_in == {s["scenario"] for s in shown[0]["shown"]}
    driven = [p for p in result["pairs"] if not p["skipped"]]
    assert driven
    for pair in driven:
        assert pair["with_role"]["text"]
        assert pair["without_role"]["text"]
        assert pair["curves"]
        assert pair["picture"] is None
    wrong = wait(desk, desk.post(f"{PAGE}/drive", json={"role": "nobody"}).json()["job"])
    assert wrong["state"] == "failed"


def wait(desk: TestClient, job: str) -> Any:
    end = time.monotonic() + 120.0
    while time.monotonic() < end:
        state = desk.get(f"/api/jobs/{job}").json()
        if state["state"] not in ("waiting", "running"):
            return state
        time.sleep(0.05)
    raise TimeoutError(state)


# --- keys of a section ----------------------------------------------------------------------------


def test_a_section_is_put_in_and_taken_out_of_the_text() -> None:
    text = EXAMPLE.read_text(encoding="utf-8")
    put = edited_section(text, "ethanol", {"content": [0.0, 50.0, 85.0]})
    put = edited_section(put, "speed_cap", {"speed": 180.0})
    intent = parse_intent(put, file="x").intent
    assert intent.ethanol is not None
    assert intent.ethanol.content == (0.0, 0.5, 0.85)
    assert intent.speed_cap is not None
    assert intent.speed_cap.speed == pytest.approx(180.0 / 3.6)
    assert [c for c in text.splitlines() if c.startswith("#")] == [
        c for c in put.splitlines() if c.startswith("#")
    ]
    out = edited_section(edited_section(put, "speed_cap", {}), "ethanol", {})
    assert out.strip() == text.strip()


def test_a_word_or_a_number_stays_a_word() -> None:
    intent = load_intent(EXAMPLE).intent
    lines = {line.key: line for line in key_lines("traction", intent, {})}
    assert lines["slip"].kind == "word"
    assert lines["slip"].choices == ()
    assert lines["slip"].allowed == "auto, or 1 to 60 %"
    lines = {line.key: line for line in key_lines("pedal_shaping", intent, {})}
    assert lines["lash"].choices == ("auto", "off")


def test_typical_lists_are_read_with_their_unit() -> None:
    intent = load_intent(EXAMPLE).intent.model_copy(update={"cold_engine": None})
    typical = {"coolant": ("-10, 20, 70 degC", "x"), "torque_share": ("[0.3, 0.6, 1.0]", "y")}
    lines = {line.key: line for line in key_lines("cold_engine", intent, typical)}
    assert lines["coolant"].value == [-10.0, 20.0, 70.0]
    assert lines["torque_share"].value == [30.0, 60.0, 100.0]
    assert lines["oil"].value is None


def test_what_is_no_section_is_refused() -> None:
    for name in ("mode", "rules", "hot_colant"):
        with pytest.raises(InputError):
            edited_section("", name, {"a": 1.0})
