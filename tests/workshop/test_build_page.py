from __future__ import annotations

import tomllib
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path

import pytest

from throttlewright.build.catalogue import set_text
from throttlewright.foundation.errors import InputError
from throttlewright.workshop.build_page import (
    BuildPage,
    FieldLine,
    FieldValue,
    build_ledger,
    build_page,
    check_field,
    check_text,
    save_fields,
    save_text,
)
from throttlewright.workshop.build_specs import all_keys, spec_of
from throttlewright.workshop.garage import new_car
from throttlewright.workshop.garage_requests import NewCarRequest, SaveResult
from throttlewright.workshop.held import Garage, StaleWriteError, held_build, held_car
from throttlewright.workshop.toml_edit import with_key, without_key

CAR = "Hill"


@pytest.fixture
def garage(tmp_path: Path) -> Iterator[Garage]:
    new_car(NewCarRequest(garage=str(tmp_path), name=CAR, example="hillclimb_20t", who="test"))
    with Garage.open(tmp_path) as opened:
        yield opened


def save_field(
    garage: Garage, car: str, *, key: str, value: FieldValue, base_revision: int, who: str
) -> SaveResult:
    return save_fields(garage, car, values={key: value}, base_revision=base_revision, who=who)


def line_of(page: BuildPage, key: str) -> FieldLine:
    return next(f for s in page.sections for f in s.fields if f.key == key)


def head_text(garage: Garage) -> str:
    return str(garage.content(garage.head(CAR, "build", "build").id))


def test_every_number_has_its_origin(garage: Garage) -> None:
    page = build_page(garage, CAR)
    _, file = held_build(garage, CAR)
    shown = {f.key: f for s in page.sections for f in s.fields}
    for key, entry in file.provenance.items():
        if key == "charging":
            continue
        assert shown[key].origin == str(entry.origin), key
        assert shown[key].measure == entry.measure
    assert sum(page.counts.values()) == len(shown)
    assert {s.id for s in page.absent} == {"supercharger", "centrifugal"}


def test_values_and_ranges_in_units_of_choice(garage: Garage) -> None:
    bore = line_of(build_page(garage, CAR), "plate.bore")
    by_unit = {u.unit: u for u in bore.units}
    assert bore.written == "90 mm"
    assert by_unit["mm"].value == 90.0
    # 1 in = 25.4 mm exactly (NIST SP 811)
    assert by_unit["in"].value == pytest.approx(90.0 / 25.4, rel=1e-11)
    assert by_unit["mm"].allowed == "above 0 to 200 mm"
    assert by_unit["in"].allowed == "above 0 to 7.874 in"
    site = line_of(build_page(garage, CAR), "site.temperature")
    assert {u.unit: u.value for u in site.units} == {
        "degC": pytest.approx(18.0),
        "K": pytest.approx(291.15),
        "degF": pytest.approx(64.4),
    }


def test_assumed_number_says_what_to_measure(garage: Garage) -> None:
    line = line_of(build_page(garage, CAR), "vehicle.rolling")
    assert (line.origin, line.spread) == ("assumed", "± 30 %")
    assert line.measure == "record a coast-down"
    rise = line_of(build_page(garage, CAR), "engine.exhaust_rise")
    # 2 kPa over 6.894757 kPa for 1 psi (NIST SP 811)
    assert {u.unit: u.spread for u in rise.units} == {
        "bar": "± 0.02 bar",
        "kPa": "± 2 kPa",
        "psi": "± 0.29 psi",
    }


def test_a_table_is_put_column_by_column() -> None:
    text = with_key(set_text("hillclimb_20t"), "site", {"humidity": "50 %"})
    assert tomllib.loads(text)["site"] == {
        "altitude": "650 m",
        "temperature": "18 degC",
        "humidity": "50 %",
    }


@pytest.mark.parametrize(
    ("key", "value"),
    [
        ("plate.bore", "3.5 in"),
        ("plate.count", "1"),
        ("plate.closed", "7 deg"),
        ("engine.inertia", "3.4 lb ft^2"),
        ("driveline.clutch_capacity", "500 lb ft"),
        ("servo.spring_above", "0.09 N m/rad"),
        ("engine.lambda_full", "0.88"),
        ("turbo.relief_valve", False),
        ("driveline.driven", "front"),
        ("driveline.ratios", ["3.1", "2.1", "1.5"]),
        ("pedal.tracks", {"released": ["0.8", "0.4"], "full": ["4.2", "2.1"]}),
        ("turbo.boost", {"rpm": ["2000", "4000"], "value": ["0.4", "1.2"]}),
        ("engine.volumetric_efficiency", {"rpm": [1000, 7000], "value": [0.9, 0.95]}),
        ("engine.friction_torque", {"constant": ["12"], "quadratic": ["2e-5"]}),
        ("previous_plate.cam", {"pedal": ["0 %", "100 %"], "opening": ["0 %", "100 %"]}),
    ],
)
def test_a_saved_value_comes_back_and_all_else_stays(
    garage: Garage, key: str, value: str | bool | list[str | float]
) -> None:
    before = tomllib.loads(head_text(garage))
    page = build_page(garage, CAR)
    assert check_field(garage, CAR, key=key, value=value).ok
    saved = save_field(garage, CAR, key=key, value=value, base_revision=page.revision, who="test")
    text = head_text(garage)
    line = line_of(build_page(garage, CAR), key)
    assert line.origin == "given"
    if isinstance(value, bool | str) and key != "plate.count":
        assert line.written == (str(value).lower() if isinstance(value, bool) else value)
    if isinstance(value, dict):
        cells = {c.key: c.cells for c in line.columns if c.key in value}
        assert cells == {
            k: [
                f"{float(c):.6g}" if str(c).replace("e-", "").replace(".", "").isdigit() else c
                for c in v
            ]
            for k, v in value.items()
        }
    assert "# a short, wide exhaust" in text
    assert text.startswith("# An invented car")
    if key == "plate.count":
        assert not saved.changed
    after = tomllib.loads(text)
    section, _, name = key.partition(".")
    before.setdefault(section, {}).pop(name, None)
    after[section].pop(name, None)
    assert before == after


def test_leaving_a_field_out_makes_it_assumed(garage: Garage) -> None:
    page = build_page(garage, CAR)
    save_field(garage, CAR, key="vehicle.mass", value=None, base_revision=page.revision, who="test")
    line = line_of(build_page(garage, CAR), "vehicle.mass")
    assert (line.origin, line.written) == ("assumed", None)


def test_an_optional_section_can_be_taken_off(garage: Garage) -> None:
    page = build_page(garage, CAR)
    save_field(
        garage, CAR, key="previous_plate", value=None, base_revision=page.revision, who="test"
    )
    assert "previous_plate" in {s.id for s in build_page(garage, CAR).absent}


@pytest.mark.parametrize(
    ("key", "value", "part"),
    [
        ("plate.bore", "9", "has no unit"),
        ("plate.bore", "250 mm", "outside the allowed range"),
        ("plate.bore", "90 kg", "not a unit of length"),
        ("plate.bore", None, "is required"),
        ("plate.count", "17", "less than or equal to 16"),
        ("plate.count", "1.5", "valid integer"),
        ("engine.cam_overlap", "huge", "not one of the choices"),
        ("driveline.ratios", ["1.0", "2.0"], "must descend"),
        ("turbo.boost", {"rpm": ["2000"], "value": ["0.4", "1.2"]}, "at least two"),
        ("turbo.boost", {"speed": ["2000"]}, "not a known column"),
        ("plate.bor", "90 mm", 'the nearest is "plate.bore"'),
    ],
)
def test_a_bad_value_is_refused_in_one_sentence(
    garage: Garage, key: str, value: str | list[str | float] | None, part: str
) -> None:
    before = head_text(garage)
    found = check_field(garage, CAR, key=key, value=value)
    assert not found.ok
    assert part in found.error
    assert "\n" not in found.error
    revision = build_page(garage, CAR).revision
    with pytest.raises(InputError):
        save_field(garage, CAR, key=key, value=value, base_revision=revision, who="test")
    assert head_text(garage) == before


def test_a_contradiction_names_the_other_field(garage: Garage) -> None:
    found = check_field(garage, CAR, key="plate.leak_area", value="5 mm^2")
    assert not found.ok
    assert "gap" in found.error


def test_a_build_that_cannot_be_computed_is_not_saved(garage: Garage) -> None:
    page = build_page(garage, CAR)
    text = page.text.replace("[engine.volumetric_efficiency]", "[engine.dyno]")
    text = text.replace(
        "value = [0.86, 0.88, 0.92, 0.96, 0.98, 0.97, 0.94, 0.88]",
        "torque = [9000, 9000, 9000, 9000, 9000, 9000, 9000, 9000]",
    )
    assert check_text(garage, CAR, text=text).ok
    with pytest.raises(InputError):
        save_text(garage, CAR, text=text, base_revision=page.revision, who="test")
    assert build_page(garage, CAR).revision == page.revision


def test_several_values_are_one_revision(garage: Garage) -> None:
    base = build_page(garage, CAR).revision
    values: dict[str, FieldValue] = {"plate.count": "2", "plate.bore": "60 mm"}
    saved = save_fields(garage, CAR, values=values, base_revision=base, who="test")
    page = build_page(garage, CAR)
    assert page.revision == saved.revision.id
    assert saved.revision.parent == base
    assert (line_of(page, "plate.count").value, line_of(page, "plate.bore").value) == (2, 60.0)


def test_a_stale_save_keeps_both(garage: Garage) -> None:
    base = build_page(garage, CAR).revision
    save_field(garage, CAR, key="vehicle.mass", value="990 kg", base_revision=base, who="one")
    with pytest.raises(StaleWriteError) as caught:
        save_field(garage, CAR, key="vehicle.grip", value="1.2", base_revision=base, who="two")
    theirs = tomllib.loads(str(garage.content(caught.value.newest)))
    yours = tomllib.loads(str(garage.content(caught.value.kept)))
    assert (theirs["vehicle"]["mass"], theirs["vehicle"]["grip"]) == ("990 kg", 1.35)
    assert (yours["vehicle"]["mass"], yours["vehicle"]["grip"]) == ("980 kg", 1.2)


def test_a_base_of_another_car_is_refused(garage: Garage, tmp_path: Path) -> None:
    new_car(NewCarRequest(garage=str(tmp_path), name="Other", example="trackday_16", who="test"))
    other = build_page(garage, "Other").revision
    with pytest.raises(InputError, match="no revision of a build of this car"):
        save_field(garage, CAR, key="vehicle.mass", value="1 t", base_revision=other, who="x")


def test_a_half_typed_draft_shows_the_last_good_fields(garage: Garage) -> None:
    page = build_page(garage, CAR)
    garage.save(
        CAR, "build", "build", page.text + "\n[vehicle", base_revision=page.revision, who="x",
        draft=True,
    )  # fmt: skip
    found = build_page(garage, CAR)
    assert found.draft
    assert "TOML" in found.problem
    assert line_of(found, "plate.bore").written == "90 mm"
    assert found.text.endswith("[vehicle")


@pytest.mark.parametrize("example", ["trackday_16", "v8_48_itb", "hillclimb_20t"])
def test_every_example_is_shown(tmp_path: Path, example: str) -> None:
    new_car(NewCarRequest(garage=str(tmp_path), name="E", example=example, who="test"))
    with Garage.open(tmp_path) as opened:
        page = build_page(opened, "E")
    for section in page.sections:
        for line in section.fields:
            # Each curve that is there has its numbers.
            if line.kind in ("curve", "rows", "list", "group") and line.origin != "left out":
                assert any(c.cells for c in line.columns), line.key


def test_labels_and_words_of_all_fields() -> None:
    for key in all_keys():
        spec = spec_of(key)
        assert spec is not None
        assert spec.label[0].isupper()
        assert "[" not in spec.about, spec.about


def test_ledger_ranks_by_effect(garage: Garage) -> None:
    page = build_ledger(held_car(garage, CAR))
    first = page.ledger[0]
    assert first.torque_effect_pct
    weights = [
        max(*(line.torque_effect_pct or [0.0]), 0.25 * (line.idle_effect_pct or 0.0))
        for line in page.ledger
    ]
    assert all(a >= b - 0.02 for a, b in pairwise(weights))
    assert set(page.labels) == {line.key for line in page.ledger}


def test_toml_edit_keeps_comments_order_and_inline_tables() -> None:
    text = '# head\na = 1 # one\n[s]\nx = "1 mm"  # why\nc = { rpm = [1, 2], gauge = "bar" }\n[t]\n'
    out = with_key(text, "s.x", "2 mm")
    assert out == text.replace("1 mm", "2 mm")
    out = with_key(text, "s.c", {"rpm": [3, 4]})
    assert out == text.replace("[1, 2]", "[3, 4]")
    assert without_key(text, "s.y") == text
    assert tomllib.loads(with_key(text, "new.k", 1.5))["new"] == {"k": 1.5}
    with_sub = "[s]\nx = 1\n\n[s.sub]\ny = 2\n"
    assert tomllib.loads(with_key(with_sub, "s.z", 3)) == {"s": {"x": 1, "sub": {"y": 2}, "z": 3}}
    with pytest.raises(InputError, match="not valid TOML"):
        with_key("[s", "s.x", 1)
