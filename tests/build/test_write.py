from __future__ import annotations

import re
import tomllib
from pathlib import Path

import pytest

from throttlewright.build.assumptions import ASSUMPTIONS, complete
from throttlewright.build.catalogue import (
    list_sets,
    load_example,
    load_example_intent,
    set_text,
)
from throttlewright.build.intent import Intent
from throttlewright.build.json_schema import (
    build_json_schema,
    intent_json_schema,
    schema_text,
)
from throttlewright.build.load import load_build, load_intent
from throttlewright.build.problems import known_keys, schema_of
from throttlewright.build.schema import Build
from throttlewright.build.templates import build_template, intent_template
from throttlewright.build.write import save, to_toml
from throttlewright.foundation.errors import InputError
from throttlewright.foundation.provenance import Origin

NAMES = [info.name for info in list_sets()]
OPTIONAL = {
    "plate.gap", "plate.lever", "engine.volumetric_efficiency", "engine.dyno",
    "engine.friction_torque", "engine.efficiency", "engine.heating_value", "engine.stoichiometric",
    "turbo.compressor_map", "turbo.turbine_map", "centrifugal.drive_ratio",
}  # fmt: skip


def flat(value: object, prefix: str = "") -> dict[str, object]:
    if isinstance(value, dict):
        found: dict[str, object] = {}
        for key, item in value.items():
            found |= flat(item, f"{prefix}{key}.")
        return found
    if isinstance(value, tuple | list):
        found = {}
        for place, item in enumerate(value):
            found |= flat(item, f"{prefix}{place}.")
        return found
    return {prefix: value}


def same(left: Build | Intent, right: Build | Intent) -> None:
    first, second = flat(left.model_dump()), flat(right.model_dump())
    first.pop("engine.dyno.file.", None)
    second.pop("engine.dyno.file.", None)
    assert first.keys() == second.keys()
    for key, value in first.items():
        expected = pytest.approx(value, rel=1e-10) if isinstance(value, float) else value
        assert second[key] == expected, key


def test_shelves() -> None:
    assert {"hillclimb_20t", "trackday_16", "v8_48_itb", "guzzella_onder", "turbo_20"} <= set(NAMES)
    with pytest.raises(InputError, match='nearest is "trackday_16"'):
        load_example("trackday16")
    with pytest.raises(InputError, match="not shipped"):
        load_example_intent("turbo_20")


@pytest.mark.parametrize("name", NAMES)
def test_sets_are_whole_and_survive_writing(name: str, tmp_path: Path) -> None:
    found = load_example(name)
    build = found.build
    assert build.source
    assert build.claims
    for section, annotation in known_keys(Build).items():
        part = getattr(build, section)
        if part is None or schema_of(annotation) is None:
            continue
        for key in type(part).model_fields:
            dotted = f"{section}.{key}"
            if dotted in OPTIONAL:
                continue
            assert getattr(part, key) is not None, dotted
            assert dotted in found.provenance
            row = found.provenance[dotted]
            assert row.source
            if row.origin is Origin.ASSUMED:
                assert row.measure, dotted
    again, ledger = complete(build)
    assert again == build
    assert all(row.origin is not Origin.ASSUMED for row in ledger.values())
    for model in (build, found.as_written):
        path = tmp_path / "car.toml"
        save(to_toml(model), path, overwrite=True)
        same(load_build(path).build, build)


@pytest.mark.parametrize("name", [info.name for info in list_sets() if info.has_intent])
def test_intents_survive_writing(name: str, tmp_path: Path) -> None:
    intent = load_example_intent(name).intent
    assert list(intent.modes) == ["dry", "wet", "pit"]
    save(to_toml(intent), tmp_path / "wish.toml")
    same(load_intent(tmp_path / "wish.toml").intent, intent)


def test_published_numbers() -> None:
    build = load_example("guzzella_onder").build
    # Guzzella and Onder, appendix B.2.3, as transcribed in a UW-Madison course script.
    assert build.engine.displacement == pytest.approx(2.77e-3, rel=1e-12)
    assert build.plate.leak_area == pytest.approx(5.3e-6, rel=1e-9)
    assert build.site.temperature == 298.0
    curve, eta = build.engine.volumetric_efficiency, build.engine.efficiency
    assert curve is not None
    assert eta is not None
    for w, lam, good in zip(curve.speed, curve.value, eta.value, strict=True):
        # The source counts air and fuel together at 14.7 to 1; the build counts air.
        mixture = 0.45 + 3.42e-3 * w - 7.7e-6 * w**2
        assert lam == pytest.approx(mixture / (1 + 1 / 14.7), abs=6e-7)
        assert good == pytest.approx(0.37313 + 3.25e-4 * w - 5.625e-7 * w**2, abs=6e-7)
    # ISO 2533 (from memory): 98 kPa at this height.
    pressure = 101325 * (1 - 0.0065 * build.site.altitude / 288.15) ** 5.25588
    assert pressure == pytest.approx(98e3, rel=1e-5)
    # gamma 1.35 in NACA 1135: (2 / (g + 1))^(g / (g - 1))
    assert build.plate.critical_ratio == pytest.approx((2 / 2.35) ** (1.35 / 0.35), rel=1e-5)
    # Choked flow functions of gamma 1.35 and 1.4, NACA 1135: same mass flow as 0.7 at 1.35.
    choked = [g**0.5 * (2 / (g + 1)) ** ((g + 1) / (2 * (g - 1))) for g in (1.35, 1.4)]
    for value in build.plate.discharge.value:
        assert value * choked[1] == pytest.approx(0.7 * choked[0], rel=2e-6)
    turbo = load_example("turbo_20").build.engine.volumetric_efficiency
    assert turbo is not None
    table = dict(zip(turbo.rpm, turbo.value, strict=True))
    # Linkoping parameter file of the 2.0 L turbo engine, its polynomial at 3000 and 6000 rpm.
    assert table[3000] == pytest.approx(0.8123, abs=1e-4)
    assert table[6000] == pytest.approx(0.8926, abs=1e-4)


def test_templates_load_and_name_every_key(tmp_path: Path) -> None:
    for folder, text, schema, load in (
        ("b", build_template('My "first" car'), Build, load_build),
        ("i", intent_template(), Intent, load_intent),
    ):
        path = tmp_path / folder
        save(text, path)
        load(path)
        names = set(re.findall(r"\[?([a-z_]+)(?=[.\]]| =)", text))
        for key, annotation in known_keys(schema).items():
            section = schema_of(annotation)
            keys = list(known_keys(section)) if section else []
            unusual = {
                "source", "claims", "charging", "friction_torque", "efficiency", "heating_value",
                "stoichiometric",
                "exhaust_resistance", "exhaust_rise", "compressor_map", "turbine_map",
            }  # fmt: skip
            for word in {key, *keys} - unusual:
                assert word in names, word
    assert 'name = "My \\"first\\" car"' in build_template('My "first" car')


@pytest.mark.parametrize("charging", ["turbo", "supercharger", "centrifugal"])
def test_template_with_every_line_switched_on(charging: str, tmp_path: Path) -> None:
    # Every example value in a comment must be one that loads.
    lines: list[str] = []
    section = ""
    for line in build_template().splitlines():
        bare = re.sub(r"^# (?=\[[a-z_.]+\]$|[a-z_]+ = )", "", line)
        opened = re.fullmatch(r"\[([a-z_.]+)\]", bare)
        section = opened.group(1) if opened else section
        others = {"turbo", "supercharger", "centrifugal", "engine.volumetric_efficiency"}
        if section in others - {charging}:
            continue
        lines.append(bare)
    (tmp_path / "dyno.csv").write_text("rpm,torque\n2000,150\n6000,170\n")
    path = tmp_path / "car.toml"
    path.write_text("\n".join(lines))
    found = load_build(path)
    assert found.build.charging == charging
    assert found.provenance["plate.shaft"].origin is Origin.GIVEN
    assert found.build.previous_plate is not None


def test_save_keeps_what_is_there(tmp_path: Path) -> None:
    path = tmp_path / "a.toml"
    save("one", path)
    with pytest.raises(InputError, match="exists already"):
        save("two", path)
    assert path.read_text() == "one"
    assert [p.name for p in tmp_path.iterdir()] == ["a.toml"]
    with pytest.raises(InputError, match="cannot be written"):
        save("x", tmp_path / "no" / "b.toml")


def test_json_schema_covers_the_keys() -> None:
    schema = build_json_schema()
    engine = schema["$defs"]["Engine"]
    assert set(engine["properties"]) == set(
        known_keys(schema_of(Build.model_fields["engine"].annotation))
    )
    assert engine["additionalProperties"] is False
    assert engine["properties"]["displacement"]["type"] == "string"
    assert "0.05 to 15 L" in engine["properties"]["displacement"]["description"]
    assert {"cylinders", "rev_limit"} == set(engine["required"])
    assert "lambda" in schema["$defs"]["Dyno"]["properties"]
    for text in (schema_text(schema), schema_text(intent_json_schema())):
        assert "null" not in text
    written = tomllib.loads(set_text("hillclimb_20t"))
    assert set(written) <= set(schema["properties"])
    assert set(schema["required"]) <= set(written)


def test_table_of_defaults_is_documented() -> None:
    for row in ASSUMPTIONS:
        assert row.source, row.key
        assert row.spread >= 0.0
        section, _, name = row.key.rpartition(".")
        owner = schema_of(Build.model_fields[section].annotation) if section else Build
        assert owner is not None
        assert name in owner.model_fields, row.key
