"""The calibration file: same bytes for the same object, versions, unknown keys, garbage."""

from __future__ import annotations

import dataclasses
import json
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from throttlewright.calibration.calibration import Calibration, Number, Reaction, Release
from throttlewright.calibration.limits import Limit
from throttlewright.calibration.table import Axis, Table
from throttlewright.foundation.errors import InputError

DATA = Path(__file__).parent.parent / "data"


def sample() -> Calibration:
    meaning = "0 = closed stop, 100 = open stop; pedal 0 = released, 100 = full"
    pedal_map = Table(
        "pedal_map", "plate opening", "%",
        (Axis("rpm", "rpm", [1000.0, 4000.0]), Axis("pedal_pct", "%", [0.0, 33.3, 100.0])),
        [[0.1 + 0.2, 4.0, 30.0], [1.0, 12.5, 100.0]],
        note="invented here, größer", percent_meaning=meaning,
    )  # fmt: skip
    cold = Table(
        "cold_limit", "plate opening", "%", (Axis("coolant_degC", "degC", [-20.0, 60.0]),),
        [30.0, 100.0], percent_meaning=meaning,
    )  # fmt: skip
    return Calibration(
        tables={"pedal_map": pedal_map, "cold_limit": cold},
        numbers={"idle_rpm": Number(1050.0, "rpm", "intent"), "filter": (0.02, "s", "intent")},  # type: ignore[dict-item]
        limits=(
            Limit("cold", "plate", "ceiling", "table", "coolant_degC", table="cold_limit",
                  rise_rate=5.0, reason="cold oil", source="intent"),
        ),
        reactions=(
            Reaction("pedal tracks disagree", source="intent", text="plate to closed stop"),
        ),
        build_sha256="0a" * 32,
    )  # fmt: skip


def test_round_trip_and_same_bytes(tmp_path: Path) -> None:
    text = sample().to_json()
    assert Calibration.from_json(text) == sample()
    assert Calibration.from_json(text).to_json() == text
    turned = dataclasses.replace(
        sample(),
        tables=dict(reversed(sample().tables.items())),
        numbers=dict(reversed(sample().numbers.items())),
    )
    assert turned.to_json() == text
    assert json.loads(text)["tables"]["pedal_map"]["values"][0][0] == 0.3
    sample().write(tmp_path / "a.calibration.json")
    assert Calibration.read(tmp_path / "a.calibration.json") == sample()
    assert [p.name for p in tmp_path.iterdir()] == ["a.calibration.json"]


def sample_with_a_loop() -> Calibration:
    coolant, rpm = (
        Axis("coolant_degC", "degC", [0.0, 80.0]),
        Axis("engine_rpm", "rpm", [900.0, 1000.0]),
    )
    tables = {
        "setpoint": Table("setpoint", "speed", "rpm", (coolant,), [1200.0, 800.0]),
        "start": Table(
            "start", "plate", "%", (coolant, rpm), [[4.0, 3.0], [2.0, 1.0]],
            percent_meaning="0 % closed stop, 100 % open stop",
        ),
    }  # fmt: skip
    loop = Limit(
        "loop", "plate", "floor", "pi", x="engine_rpm", y="coolant_degC", table="setpoint",
        base="start", reason="test", source="test",
    )  # fmt: skip
    return dataclasses.replace(
        sample(), tables={**sample().tables, **tables}, limits=(*sample().limits, loop)
    )


def test_first_version_stays_readable() -> None:
    assert Calibration.read(DATA / "first_v1.calibration.json") == sample()


def test_second_version_stays_readable() -> None:
    reactions = (
        Reaction("tracks", "pedal_disagree", 10.0, 0.1, "release_pedal", "release", "test", "text"),
    )
    numbers = {**sample().numbers, "cold.to": Number(30.0, "%", "test")}
    second = dataclasses.replace(sample(), reactions=reactions, numbers=numbers)
    path = Path(__file__).parent / "data" / "second_v2.calibration.json"
    assert Calibration.read(path) == second


def test_third_version_stays_readable() -> None:
    third = sample_with_a_loop()
    path = Path(__file__).parent / "data" / "third_v3.calibration.json"
    assert Calibration.read(path) == third
    assert path.read_text(encoding="utf-8") == third.to_json()


@pytest.mark.parametrize("name", ["a.b.c", ".a", "a.", "1.a", "a b"])
def test_bad_names_of_numbers(name: str) -> None:
    with pytest.raises(InputError, match="name of a number"):
        dataclasses.replace(sample(), numbers={name: Number(1.0, "", "x")})


def test_bench_only_unless_released() -> None:
    assert sample().bench_only
    with pytest.raises(InputError, match="only with a release"):
        dataclasses.replace(sample(), bench_only=False)
    release = Release("A. Person", "all verdicts passed", "2031-05-09")
    free = dataclasses.replace(sample(), bench_only=False, release=release)
    assert Calibration.from_json(free.to_json()) == free
    for day in ("2031-02-30", "20310509", "soon"):
        with pytest.raises(InputError, match="is not a day"):
            Release("A. Person", "reason", day)
    with pytest.raises(InputError, match="must not be empty"):
        Release("", "reason", "2031-05-09")


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"build_sha256": "abc"}, "not a sha256"),
        ({"numbers": {"a": (1.0, "s")}}, "value, a unit and a source"),
        ({"numbers": {"a": (float("nan"), "s", "x")}}, "finite number"),
        ({"numbers": {"a": (10**400, "s", "x")}}, "finite number"),
        ({"numbers": {"a": (1.0, "s", "")}}, "must not be empty"),
        ({"tables": {}}, "no such table"),
        ({"tables": {"other": sample().tables["pedal_map"]}}, "of that name"),
        ({"limits": sample().limits * 2}, "two limits"),
    ],
)
def test_parts_must_fit(change: dict[str, Any], said: str) -> None:
    with pytest.raises(InputError, match=said):
        dataclasses.replace(sample(), **change)


def test_names_that_differ_in_capitals_only() -> None:
    table = sample().tables["pedal_map"]
    twin = dataclasses.replace(table, name="Pedal_map")
    with pytest.raises(InputError, match="capitals"):
        Calibration({"pedal_map": table, "Pedal_map": twin})


def test_unknown_table_names_the_nearest() -> None:
    with pytest.raises(InputError, match="did you mean 'pedal_map'"):
        sample().table("pedalmap")


def edited(path: list[str | int], value: Any) -> str:
    data = json.loads(sample().to_json())
    place = data
    for step in path[:-1]:
        place = place[step]
    place[path[-1]] = value
    return json.dumps(data)


@pytest.mark.parametrize(
    ("path", "value", "said"),
    [
        (["format_version"], 4, "newer version"),
        (["format_version"], 0, "not a version number"),
        (["format_version"], True, "not a version number"),
        (["format"], "other", "not a calibration file"),
        (["table"], {}, "did you mean 'tables'"),
        (["tables", "pedal_map", "units"], "", "did you mean 'unit'"),
        (["tables", "pedal_map", "values", 0, 0], "1", "numbers only"),
        (["tables", "pedal_map", "values", 0, 0], True, "numbers only"),
        (["tables", "pedal_map", "values", 0, 0], None, "numbers only"),
        (["tables", "pedal_map", "axes", 0, "values"], [2.0, 1.0], "must rise"),
        (["tables", "pedal_map", "axes"], 3, "must be a list"),
        (["numbers", "filter", "value"], "x", "numbers only"),
        (["numbers", "filter"], 3, "group of keys"),
        (["limits", 0, "laws"], "pi", "did you mean 'law'"),
        (["limits"], {}, "must be a list"),
        (["bench_only"], 1, "true or false"),
        (["bench_only"], False, "only with a release"),
        (["build_sha256"], 3, "not a sha256"),
    ],
)
def test_wrong_file_is_refused(path: list[str | int], value: Any, said: str) -> None:
    with pytest.raises(InputError, match=said):
        Calibration.from_json(edited(path, value))


@pytest.mark.parametrize(
    "text",
    ["", "{", "[" * 100_000, "3", '{"format": 1, "format": 2}', "NaN", '{"a": Infinity}'],
)
def test_broken_text_is_refused(text: str) -> None:
    with pytest.raises(InputError):
        Calibration.from_json(text)


def test_any_depth_of_nesting_is_an_input_error() -> None:
    text = edited(["tables", "pedal_map", "values"], "HERE")
    for depth in range(100, 1200, 50):
        with pytest.raises(InputError):
            Calibration.from_json(text.replace('"HERE"', "[" * depth + "1.0" + "]" * depth))


def test_failed_write_leaves_the_old_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "a.json"
    path.write_text("old")

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(Path, "replace", full)
    with pytest.raises(InputError, match="No space left"):
        sample().write(path)
    assert path.read_text() == "old"
    assert list(tmp_path.iterdir()) == [path]


def test_missing_key_is_named() -> None:
    data = json.loads(sample().to_json())
    del data["limits"][0]["reason"]
    with pytest.raises(InputError, match="limits, reason: the key is missing"):
        Calibration.from_json(json.dumps(data))


def test_file_errors_name_the_file(tmp_path: Path) -> None:
    (tmp_path / "a").write_bytes(b"\xff\xfe")
    (tmp_path / "b").write_text("{")
    for name, said in (("a", "UTF-8"), ("b", "JSON"), ("c", "no such file")):
        with pytest.raises(InputError, match=said) as caught:
            Calibration.read(tmp_path / name)
        assert str(tmp_path / name) in str(caught.value)
    with pytest.raises(InputError, match="cannot be written"):
        sample().write(tmp_path / "no" / "x.json")


JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=5),
    lambda part: (
        st.lists(part, max_size=3) | st.dictionaries(st.text(max_size=5), part, max_size=3)
    ),
    max_leaves=6,
)


def places(data: Any, path: tuple[str | int, ...] = ()) -> list[tuple[str | int, ...]]:
    inner = data.items() if isinstance(data, dict) else enumerate(data)
    found = []
    for key, value in inner:
        found.append((*path, key))
        if isinstance(value, dict | list):
            found += places(value, (*path, key))
    return found


@given(place=st.sampled_from(places(json.loads(sample().to_json()))), value=JSON)
@settings(deadline=None, derandomize=True, max_examples=150, database=None)
def test_any_value_anywhere_gives_a_calibration_or_an_input_error(
    place: tuple[str | int, ...], value: Any
) -> None:
    try:
        back = Calibration.from_json(edited(list(place), value))
    except InputError as error:
        back, told = None, str(error)
    if back is None:
        assert len(told.splitlines()) == 1
    else:
        assert Calibration.from_json(back.to_json()) == back
