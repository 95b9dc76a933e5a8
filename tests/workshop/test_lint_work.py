"""The lint as a use case: calibrations, pasted tables, and what the build and intent add."""

from __future__ import annotations

from importlib.resources import files
from pathlib import Path

import numpy as np
import pytest

from throttlewright.build.catalogue import load_example, load_example_intent
from throttlewright.calibration.calibration import Calibration
from throttlewright.calibration.table import Axis, Table
from throttlewright.car.pack import pack
from throttlewright.design.reactions import typical_reactions
from throttlewright.design.roles import all_rows
from throttlewright.foundation.errors import InputError
from throttlewright.workshop.lint import LintRequest, lint

CAR = "trackday_16"


@pytest.fixture(scope="module")
def designed(tmp_path_factory) -> Path:
    """All rows of an example with an even pedal map, one mode of it capped."""
    file, intent = load_example(CAR), load_example_intent(CAR)
    car = pack(file.build)
    rows = all_rows(car, intent.intent)
    tables = {t.name: t for t in rows.tables}
    rpm = Axis("engine_rpm", "rpm", [700.0, 4000.0, 7600.0])
    pedal = Axis("pedal_pct", "%", [0.0, 10.0, 50.0, 100.0])
    for name, mode in intent.intent.mode.items():
        top = 100.0 if mode.most_torque == 1.0 else 40.0
        values = np.array([[0.0, 1.0, 20.0, top]] * 3)
        key = f"plate_over_pedal_{name}"
        tables[key] = Table(key, "plate", "%", (rpm, pedal), values, percent_meaning="100 open")
    path = tmp_path_factory.mktemp("lint") / "made.calibration.json"
    Calibration(
        tables, rows.numbers, rows.limits, typical_reactions(car, intent.intent),
        build_sha256="0" * 64,
    ).write(path)  # fmt: skip
    return path


def test_a_designed_calibration_has_no_errors(designed: Path) -> None:
    found = lint(LintRequest(calibration=str(designed)))
    assert found.errors == 0, [f for f in found.findings if f.severity == "error"]
    assert found.exit_code == 0
    assert found.car is None
    assert found.rows >= 3
    assert found.reactions > 10


def test_build_and_intent_add_what_they_know(designed: Path, tmp_path: Path) -> None:
    alone = lint(LintRequest(calibration=str(designed)))
    capped = [f for f in alone.findings if f.rule == "open_stop"]
    assert capped
    assert {f.severity for f in capped} == {"warning"}
    shipped = files("throttlewright") / "build" / "sets" / "examples" / f"{CAR}_intent.toml"
    intent = tmp_path / "intent.toml"
    intent.write_text(shipped.read_text(encoding="utf-8"), encoding="utf-8")
    known = lint(LintRequest(calibration=str(designed), build=CAR, intent=str(intent)))
    assert {f.severity for f in known.findings if f.rule == "open_stop"} == {"note"}
    assert known.car == load_example(CAR).build.name
    assert any("another version" in text for text in known.remarks)


@pytest.mark.parametrize("turned", [False, True])
def test_a_pasted_table_either_way_round(tmp_path: Path, turned: bool) -> None:
    rpm, pedal = [1000, 3000, 6000], [0, 20, 50, 100]
    plate = np.array([[0, 10, 8, 100], [0, 15, 40, 100], [0, 20, 50, 100]])
    down, across, values = (pedal, rpm, plate.T) if turned else (rpm, pedal, plate)
    lines = [";".join(["x", *map(str, across)])]
    lines += [";".join(map(str, [d, *row])) for d, row in zip(down, values, strict=True)]
    path = tmp_path / "mine.csv"
    path.write_text("\n".join(lines))
    found = lint(LintRequest(calibration=str(path)))
    (bad,) = [f for f in found.findings if f.severity == "error"]
    assert bad.rule == "pedal_monotone"
    assert bad.at == "engine_rpm 1000 rpm, pedal_pct 50 %"
    assert (bad.figure, found.exit_code) == (2.0, 1)


def test_a_table_that_gives_all_torque_early_is_told_only_with_the_engine(tmp_path: Path) -> None:
    path = tmp_path / "mine.csv"
    path.write_text("rpm,0,10,50,100\n1000,0,18,50,100\n3000,0,18,50,100\n")
    for build, told in ((None, False), (CAR, True)):
        found = lint(LintRequest(calibration=str(path), build=build))
        assert ("small_pedal" in {f.rule for f in found.findings}) is told


def test_values_out_of_range_are_findings_not_a_refusal(tmp_path: Path) -> None:
    path = tmp_path / "mine.csv"
    path.write_text("rpm,0,50,100\n1000,-3,50,110\n3000,0,40,100\n")
    found = lint(LintRequest(calibration=str(path)))
    assert "value_range" in {f.rule for f in found.findings}


@pytest.mark.parametrize("name", ["none.calibration.json", "none.csv"])
def test_a_missing_file_names_itself(tmp_path: Path, name: str) -> None:
    with pytest.raises(InputError, match=name):
        lint(LintRequest(calibration=str(tmp_path / name)))


def test_an_intent_without_a_build_is_refused(designed: Path) -> None:
    with pytest.raises(InputError, match="--build"):
        lint(LintRequest(calibration=str(designed), intent="x.toml"))
