"""The pages say what the schemas, the commands and the model say."""

from __future__ import annotations

import math
import re
import tomllib
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from throttlewright.build.catalogue import list_sets, load_example, load_example_intent
from throttlewright.build.json_schema import build_json_schema, intent_json_schema
from throttlewright.build.load import parse_build
from throttlewright.build.templates import build_template
from throttlewright.build.write import to_toml
from throttlewright.car.pack import Car, pack
from throttlewright.car.record import BoostState
from throttlewright.car.surface import compute_surface
from throttlewright.design.figures import map_figures, torque_curves
from throttlewright.design.pedal import PedalMap, design_pedal_map, one_to_one
from throttlewright.handover.tables import parse_csv_table
from throttlewright.recording.holds import read_holds

ROOT = Path(__file__).resolve().parent.parent.parent
DOCS = ROOT / "docs"
RPM = math.pi / 30.0

BUILD_HEADINGS = {
    "": "Top of the file",
    "CurveOverRpm": "Curve over speed",
    "Dyno": "Dyno curve",
    "FrictionTorque": "Friction torque",
    "AirPath": "Air path",
    "Track": "Pedal track",
    "PlateTrack": "Plate track",
    "PreviousPlate": "Previous plate",
}
INTENT_HEADINGS = {
    "": "Top of the file",
    "ColdEngine": "Cold engine",
    "AntiLag": "Anti-lag",
    "HotCoolant": "Hot coolant",
    "HotOil": "Hot oil",
    "HotIntake": "Hot intake",
    "HotExhaust": "Hot exhaust",
    "LeanMixture": "Lean mixture",
    "LowFuelPressure": "Low fuel pressure",
    "LowOilPressure": "Low oil pressure",
    "LowBattery": "Low battery",
    "BoostByThrottle": "Boost by throttle",
    "PitLimit": "Pit limit",
    "SpeedCap": "Speed cap",
    "SoftRevLimit": "Soft rev limit",
    "PedalShaping": "Pedal shaping",
    "TorqueMonitor": "Torque monitor",
}


def page(name: str) -> str:
    return (DOCS / name).read_text(encoding="utf-8")


def sections(text: str) -> dict[str, str]:
    parts = re.split(r"^## (.+)$", text, flags=re.M)
    return dict(zip(parts[1::2], parts[2::2], strict=True))


def rows(text: str) -> dict[str, str]:
    return {m.group(1): m.group(0) for m in re.finditer(r"^\| `([^`]+)` \|.*$", text, flags=re.M)}


def allowed(node: dict[str, Any]) -> list[str]:
    """What the row of a key must show: its range, its choices or its bounds."""
    found: list[str] = []
    for part in (node, node.get("items", {}), *node.get("anyOf", ())):
        text = str(part.get("description", ""))
        match = re.search(r"(?:with its unit|number or percent), (.+)$", text)
        if match and "-1e+12" not in text:
            found.append(match.group(1))
        found += [f'"{choice}"' for choice in part.get("enum", ())]
        if "minimum" in part and "maximum" in part:
            found.append(f"{part['minimum']} to {part['maximum']}")
    return found


def cases() -> list[tuple[str, str, str, dict[str, Any], bool]]:
    out = []
    for name, schema, headings in (
        ("build", build_json_schema(), BUILD_HEADINGS),
        ("intent", intent_json_schema(), INTENT_HEADINGS),
    ):
        for kind, part in {"": schema, **schema["$defs"]}.items():
            for key, node in part["properties"].items():
                needed = key in part.get("required", ())
                out.append((name, headings.get(kind, kind), key, node, needed))
    return out


CASES = cases()


@pytest.mark.parametrize(
    ("name", "heading", "key", "node", "needed"),
    CASES,
    ids=[f"{name}-{heading}-{key}" for name, heading, key, _, _ in CASES],
)
def test_reference_has_every_key_with_its_range(
    name: str, heading: str, key: str, node: dict[str, Any], needed: bool
) -> None:
    listed = sections(page(f"reference/{name}-file.md"))
    assert heading in listed, f"no section for {heading}"
    found = rows(listed[heading])
    assert key in found, f"{heading}: {key} is not described"
    for text in allowed(node):
        assert text in found[key], f"{heading}: {key} does not say {text}"
    if needed:
        assert "required" in found[key]


@pytest.mark.parametrize("name", ["build", "intent"])
def test_reference_describes_no_key_that_is_not_there(name: str) -> None:
    known: dict[str, set[str]] = {}
    for page_name, heading, key, _, _ in CASES:
        if page_name == name:
            known.setdefault(heading, set()).add(key)
    for heading, text in sections(page(f"reference/{name}-file.md")).items():
        if heading == "Feel and basis" or heading == "What becomes a table":
            continue
        assert set(rows(text)) == known[heading], heading


def test_feels_and_bases_are_explained() -> None:
    mode = intent_json_schema()["$defs"]["Mode"]["properties"]
    explained = set(rows(sections(page("reference/intent-file.md"))["Feel and basis"]))
    assert explained == set(mode["feel"]["enum"]) | set(mode["basis"]["enum"])


def test_numbers_taken_when_left_out_are_those_of_the_package() -> None:
    """Wherever the last column begins with a plain number, a build without the key gets it."""
    text = build_template() + "[turbo]\nboost = { rpm = [1000, 6000], value = [0.2, 0.9] }\n"
    plain, charged = (
        tomllib.loads(to_toml(parse_build(source, file="page", beside=lambda name: "").build))
        for source in (build_template(), text)
    )
    listed = sections(page("reference/build-file.md"))
    compared = 0
    for heading, section in (
        ("Engine", "engine"),
        ("Plate", "plate"),
        ("Air path", "air_path"),
        ("Turbo", "turbo"),
        ("Servo", "servo"),
        ("Sensors", "sensors"),
        ("Pedal", "pedal"),
        ("Driveline", "driveline"),
        ("Vehicle", "vehicle"),
        ("Site", "site"),
    ):
        given = (charged if section in ("turbo", "air_path") else plain)[section]
        for key, row in rows(listed[heading]).items():
            said = re.split(r"[,;]", row.rstrip(" |").rsplit("|", 1)[1])[0].strip()
            match = re.fullmatch(r"(-?[\d.]+)(?: (%|[a-zA-Z/^2 ]+))?", said)
            value = given.get(key)
            if match is None or isinstance(value, bool | list | dict) or value is None:
                continue
            number, _, unit = str(value).partition(" ")
            if match.group(2) not in (None, "%", unit.replace("*", " ")):
                continue
            scale = 0.01 if match.group(2) == "%" else 1.0
            assert float(number) == pytest.approx(scale * float(match.group(1)), rel=1e-6), key
            compared += 1
    assert compared >= 30


def test_every_command_is_described() -> None:
    from throttlewright.cli.main import COMMANDS

    listed = sections(page("reference/commands.md"))
    assert set(listed) == set(COMMANDS)
    for name, text in listed.items():
        assert re.search(rf"^`{name}\b", text.strip()), f"{name} has no line of use"


def test_every_option_of_a_command_is_described_and_no_other() -> None:
    import typer

    from throttlewright.cli.main import app

    listed = sections(page("reference/commands.md"))
    commands = typer.main.get_command(app).commands  # type: ignore[attr-defined]
    for name, command in commands.items():
        options = {o for p in command.params for o in p.opts if o.startswith("--")}
        options -= {"--help", "--json"}
        assert set(re.findall(r"--[a-z][a-z0-9-]*", listed[name])) >= options, name
        use = listed[name].strip().splitlines()[0]
        assert set(re.findall(r"--[a-z][a-z0-9-]*", use)) == options, name


def test_commands_in_the_pages_exist() -> None:
    from throttlewright.cli.main import COMMANDS

    for path in [ROOT / "README.md", *DOCS.rglob("*.md")]:
        for word in re.findall(r"run throttlewright ([a-z]+)", path.read_text(encoding="utf-8")):
            assert word in COMMANDS, f"{path.name}: {word}"


def test_readme_has_both_commands() -> None:
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    assert "    pip install uv && uv run throttlewright demo\n" in text
    assert "    pip install uv && uv run --extra test pytest\n" in text


def test_shipped_sets_with_an_intent_are_named() -> None:
    text = sections(page("reference/commands.md"))["new"]
    for info in list_sets():
        assert (f"`{info.name}`" in text) == info.has_intent, info.name


def test_every_page_is_in_the_navigation_and_links_lead_somewhere() -> None:
    nav = set(re.findall(r": (\S+\.md)$", (ROOT / "mkdocs.yml").read_text("utf-8"), flags=re.M))
    assert nav == {p.relative_to(DOCS).as_posix() for p in DOCS.rglob("*.md")}
    for path in [ROOT / "README.md", *DOCS.rglob("*.md")]:
        for link in re.findall(r"\]\(([^)#]+\.md)", path.read_text(encoding="utf-8")):
            assert (path.parent / link).is_file(), f"{path.name}: {link}"


def block(name: str, beginning: str) -> str:
    """The fenced block of a page that begins with a text, without its indentation."""
    for found in re.findall(r"```\n(.*?)```", page(name), flags=re.S):
        text = "\n".join(line.strip() for line in found.strip().splitlines()) + "\n"
        if text.startswith(beginning):
            return text
    raise AssertionError(f"{name} has no block that begins with {beginning}")


def test_previous_plate_of_the_page_loads() -> None:
    lines = block("how-to/keep-the-feel-of-an-old-plate.md", "[previous_plate]")
    read = parse_build(build_template() + lines, file="page", beside=lambda name: "")
    assert read.build.previous_plate is not None
    assert read.build.previous_plate.cam.opening[2] == pytest.approx(0.42, rel=1e-12)


def test_hold_table_of_the_page_is_read(tmp_path: Path) -> None:
    path = tmp_path / "holds.csv"
    path.write_text(block("how-to/improve-the-surface-with-dyno-holds.md", "rpm,"), "utf-8")
    holds = read_holds(path)
    assert holds["rpm"].tolist() == [2000.0, 3000.0]
    assert holds["map"] == pytest.approx([58e3, 74e3], rel=1e-12)
    assert holds["ignition"] == pytest.approx(np.radians([28.0, 26.0]), rel=1e-12)


def test_pasted_table_of_the_page_is_read() -> None:
    table = parse_csv_table(block("how-to/paste-a-table-and-compare.md", "pedal"))
    assert table.axes[0].values.tolist() == [0.0, 25.0, 50.0, 75.0, 100.0]
    assert table.axes[1].values.tolist() == [1000.0, 2000.0, 4000.0, 6000.0]
    assert table.values[2, 3] == 38.0


@pytest.fixture(scope="module")
def hillclimb() -> Car:
    return pack(load_example("hillclimb_20t").build)


def numbers(text: str, pattern: str) -> list[list[float]]:
    return [[float(x) for x in found] for found in re.findall(pattern, text, flags=re.M)]


def speed_axis(car: Car) -> np.ndarray:
    return np.linspace(0.8 * car.idle, car.limit, 16)


def even_map(car: Car, state: BoostState, basis: str) -> PedalMap:
    mode = load_example_intent("hillclimb_20t").intent.modes["dry"]
    return design_pedal_map(
        compute_surface(car, state=state),
        mode.model_copy(update={"basis": basis}),
        pedal_pct=np.linspace(0.0, 100.0, 17),
        omega=speed_axis(car),
        car=car,
    )


# The printed figures are results of this model, not references: these tests keep the pages true to
# it. The allowance is half a printed step, and a tenth of that for rounding.


def test_figures_of_the_big_plate_are_those_of_the_model(hillclimb: Car) -> None:
    table = numbers(
        page("explanation/why-a-big-plate-is-a-switch.md"),
        r"^\| (\d+) rpm \| ([\d.]+) \| ([\d.]+) deg \|$",
    )
    assert len(table) == 3
    omega = np.array([row[0] for row in table]) * RPM
    plain = one_to_one(speed_axis(hillclimb))
    torque = torque_curves(hillclimb, plain, omega, state=BoostState.INSTANT).torque
    share = (torque[:, 20] - torque[:, 0]) / (torque[:, -1] - torque[:, 0])
    surface = compute_surface(hillclimb, state=BoostState.INSTANT)
    end = np.degrees(np.interp(omega, surface.omega, surface.authority_end))
    assert [row[1] for row in table] == pytest.approx(share, abs=0.0055)
    assert [row[2] for row in table] == pytest.approx(end, abs=0.055)


def test_figures_of_the_pair_are_those_of_the_model(hillclimb: Car) -> None:
    table = numbers(
        page("explanation/plate-and-boost-as-a-pair.md"),
        r"^\| (\d+) % \| (\d+) \| (\d+) \| (\d+) \| (\d+) \|$",
    )
    assert len(table) == 3
    places = [int(row[0]) for row in table]
    states = (BoostState.INSTANT, BoostState.SETTLED)
    at = np.array([4000.0]) * RPM
    columns = [
        torque_curves(hillclimb, even_map(hillclimb, promised, "torque"), at, state=state).torque[0]
        for promised in states
        for state in states
    ]
    for k, column in enumerate(columns, start=1):
        assert [row[k] for row in table] == pytest.approx(column[places], abs=0.55)


def test_figures_of_the_free_rev_are_those_of_the_model(hillclimb: Car) -> None:
    text = page("explanation/free-rev-against-evenness.md")
    table = re.findall(r"^\| `(\w+)`, (\w+) \| ([\d.]+) % \| ([\d.]+) % \|$", text, flags=re.M)
    assert len(table) == 3
    for name, word, *printed in table:
        car = hillclimb if name == "hillclimb_20t" else pack(load_example(name).build)
        state = BoostState[word.upper()]
        for basis, figure in zip(("torque", "blend"), printed, strict=True):
            found = map_figures(car, even_map(car, state, basis), state=state, stop_from=0.9)
            assert float(figure) == pytest.approx(found.free_rev_span, abs=0.055), (name, basis)


def test_keys_said_to_be_unused_are_keys_of_the_build() -> None:
    """A page that names keys must name keys that exist."""
    text = page("explanation/what-is-modelled.md")
    known = {
        f"{section}.{key}"
        for section, kind in build_json_schema()["properties"].items()
        if "$ref" in kind
        for key in build_json_schema()["$defs"][kind["$ref"].split("/")[-1]]["properties"]
    }
    named = re.findall(r"`([a-z_]+\.[a-z_]+)`", text)
    assert named
    assert set(named) <= known
