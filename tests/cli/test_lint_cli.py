"""A pasted table and a calibration are linted at the terminal."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from throttlewright.calibration.calibration import Calibration
from throttlewright.calibration.table import Axis, Table
from throttlewright.cli.main import main


@pytest.fixture
def run(capsys, tmp_path, monkeypatch):
    """Call the program as a person does; give exit code, output and error text."""
    monkeypatch.chdir(tmp_path)

    def call(*arguments: str) -> tuple[int, str, str]:
        code = 0
        try:
            main(list(arguments))
        except SystemExit as stop:
            code = stop.code if isinstance(stop.code, int) else int(stop.code is not None)
        captured = capsys.readouterr()
        return code, captured.out, captured.err

    return call


def test_a_pasted_table_is_searched_corrected_and_searched_again(run) -> None:
    text = "rpm\t0\t20\t50\t100\n1000\t0\t10\t{}\t100\n4000\t0\t15\t45\t100\n7000\t0\t20\t55\t100\n"
    Path("mine.csv").write_text(text.format(8))
    code, out, err = run("lint", "mine.csv")
    assert (code, err) == (1, "")
    assert "ERROR [pedal_monotone] table plate_over_pedal_pasted, engine_rpm 1000 rpm" in out
    assert "do: raise the cell" in out
    Path("mine.csv").write_text(text.format(30))
    code, out, _ = run("lint", "mine.csv")
    assert code == 0
    assert "0 errors" in out


def test_the_result_as_json(run) -> None:
    pedal = Axis("pedal_pct", "%", [0.0, 100.0])
    table = Table(
        "plate_over_pedal_x",
        "plate",
        "%",
        (pedal,),
        [0.0, 60.0],
        percent_meaning="0 shut, 100 open",
    )
    Calibration({table.name: table}).write("x.calibration.json")
    code, out, _ = run("lint", "x.calibration.json", "--json")
    said = json.loads(out)
    assert code == 1  # the strategy needs engine speed as well
    assert {f["rule"] for f in said["findings"]} >= {"runs", "open_stop"}
    assert said["errors"] == 1


@pytest.mark.parametrize(
    "text",
    ["", "{", "[1, 2]", '{"format": "throttlewright.calibration", "format_version": 99}'],
)
def test_a_broken_file_is_one_line(run, text: str) -> None:
    Path("broken.calibration.json").write_text(text)
    code, out, err = run("lint", "broken.calibration.json")
    assert (code, out) == (2, "")
    assert len(err.strip().splitlines()) == 1
    assert "broken.calibration.json" in err


def test_an_intent_needs_its_build(run) -> None:
    Path("mine.csv").write_text("rpm,0,100\n1000,0,100\n5000,0,100\n")
    code, _, err = run("lint", "mine.csv", "--intent", "intent.toml")
    assert code == 2
    assert "--build" in err
    assert run("lint", "nowhere.calibration.json")[0] == 2
