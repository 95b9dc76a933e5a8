"""The sensors' set-up from a build alone, from sweeps, and in the terminal."""

from __future__ import annotations

import json
import sys
import tomllib
from importlib.resources import files
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest
import typer
from typer.testing import CliRunner

from throttlewright.build.load import load_build
from throttlewright.cli.sensors import command
from throttlewright.foundation.errors import InputError
from throttlewright.recording.parquet import write_parquet
from throttlewright.recording.recording import Channel, Recording
from throttlewright.workshop.sensor_models import SensorsResult
from throttlewright.workshop.sensors import SensorsRequest, sensors

sys.path.insert(0, str(Path(__file__).parent.parent / "logs"))
from sweep_bench import HALF, sweep

BOOKS = ("Formula SAE 2026", "Formula Student", "FMVSS 124")


def status(result: SensorsResult, name: str) -> str:
    return next(c.status for c in (*result.checks, *result.books) if c.name == name)


def text(result: SensorsResult, name: str) -> str:
    return next(c.text for c in result.checks if c.name == name)


def recorded(tmp_path: Path, record: Recording, **more: object) -> SensorsResult:
    path = tmp_path / "sweep.parquet"
    write_parquet(record, path)
    request = SensorsRequest(
        build="hillclimb_20t", sweep=str(path), track1="one", track2="two", **more
    )  # type: ignore[arg-type]
    return sensors(request)


@pytest.fixture(scope="module")
def sheet() -> SensorsResult:
    return sensors(SensorsRequest(build="hillclimb_20t", books=BOOKS))


def test_a_build_alone_gives_limits_and_a_comparison(sheet: SensorsResult) -> None:
    assert sheet.origin == "data sheet"
    assert sheet.topology == "half"
    assert sheet.plausibility.possible
    assert status(sheet, "plausibility") == "pass"
    tolerance = sheet.plausibility.tolerance_pct
    assert tolerance is not None
    assert sheet.plausibility.least_pct < tolerance < sheet.plausibility.most_pct < 10.0  # type: ignore[operator]
    assert sheet.toml is None
    assert any("1.5 points are assumed" in note for note in sheet.notes)
    assert any("fingers" in caution for caution in sheet.cautions)


def test_rule_books_judge_the_designed_comparison(sheet: SensorsResult) -> None:
    # 10 points for 100 ms in both student books, read in public copies
    assert status(sheet, "formula_sae_2026.pedal_disagree") == "pass"
    assert status(sheet, "formula_student.pedal_disagree") == "pass"
    assert status(sheet, "FMVSS 124") == "not_applicable"
    late = sensors(
        SensorsRequest(build="hillclimb_20t", books=BOOKS, found_ms=400.0, period_ms=20.0)
    )
    assert late.plausibility.possible
    assert status(late, "formula_sae_2026.pedal_disagree") == "fail"
    assert late.exit_code == 1


def test_numbers_carry_the_names_of_the_calibration(sheet: SensorsResult) -> None:
    from throttlewright.calibration.defaults import DEFAULTS

    names = {n.name: n.value for n in sheet.numbers}
    assert {n for n in names if not n.startswith("reaction ")} <= set(DEFAULTS)
    # 95 % of 0.75 to 4.20 V
    assert names["pedal_1_full_V"] == pytest.approx(0.75 + 0.95 * 3.45)
    assert names["supervision_ticks"] == 10.0


def test_assumed_voltages_prove_nothing() -> None:
    result = sensors(SensorsRequest(build="trackday_16"))
    assert status(result, "voltages") == "not_proven"
    assert result.exit_code == 1
    plate = sensors(SensorsRequest(build="trackday_16", of="plate"))
    assert plate.topology == "mirror"
    shorted = next(f for f in plate.faults if "shorted" in f.fault)
    assert shorted.blind == ((0.0, 100.0),)


def test_a_good_sweep_passes_and_gives_text_for_the_build(tmp_path: Path) -> None:
    picture = tmp_path / "tracks.svg"
    result = recorded(tmp_path, sweep(), picture=str(picture), books=BOOKS)
    assert result.status == "pass", [c for c in result.checks if c.status != "pass"]
    assert result.toml is not None
    tracks = tomllib.loads(result.toml)["pedal"]["tracks"]
    for track, (released, full) in zip(tracks, HALF, strict=True):
        assert float(track["released"].split()[0]) == pytest.approx(released, abs=0.002)
        assert float(track["full"].split()[0]) == pytest.approx(full, abs=0.002)
    pedal, noise = result.toml.split("\n\n")
    written = files("throttlewright.build").joinpath("sets/examples/v8_48_itb.toml")
    body = written.read_text("utf-8").replace("[pedal]\n", pedal + "\n", 1) + "\n" + noise
    (tmp_path / "build.toml").write_text(body, encoding="utf-8")
    build = load_build(tmp_path / "build.toml").build
    assert build.pedal.tracks[1].full == pytest.approx(2.10, abs=0.002)
    assert build.sensors.noise == pytest.approx(3e-3, rel=0.1)
    root = ElementTree.fromstring(picture.read_text("utf-8"))
    assert root.tag.endswith("svg")
    assert "tolerance" in picture.read_text("utf-8")


def test_a_text_table_gives_the_same_as_a_recording(tmp_path: Path) -> None:
    record = sweep(rate_hz=200.0)
    one, two = record.channels["one"], record.channels["two"]
    table = tmp_path / "sweep.csv"
    lines = ["time [s],one [mV],two [V],rpm [rpm]"] + [
        f"{t:.4f},{1e3 * a:.4f},{b:.7f},0"
        for t, a, b in zip(one.t_s, one.values, two.values, strict=True)
    ]
    table.write_text("\n".join(lines), encoding="utf-8")
    request = SensorsRequest(build="hillclimb_20t", sweep=str(table), track1="one", track2="two")
    from_text, from_record = sensors(request), recorded(tmp_path, record)
    assert from_text.tracks[0].released_V == pytest.approx(
        from_record.tracks[0].released_V, abs=1e-4
    )
    assert from_text.plausibility.tolerance_pct == from_record.plausibility.tolerance_pct


@pytest.mark.parametrize(
    ("given", "name", "said"),
    [
        ({"spike": (2.5, -1.0)}, "jumps", "faster than anything moves"),
        ({"dead_pct": (40.0, 46.0)}, "dead spots", "track 2 from"),
        ({"bow_pct": 7.0}, "agreement of the tracks", "differ by"),
        ({"lines": ((0.75, 4.2), (0.80, 4.25))}, "relation of the tracks", "alike"),
        ({"lines": ((0.10, 4.2), (1.0, 4.7))}, "range of track 1", "no limit fits"),
    ],
)
def test_each_defect_fails_its_own_check(
    tmp_path: Path, given: dict[str, object], name: str, said: str
) -> None:
    record = sweep(**given)  # type: ignore[arg-type]
    path = tmp_path / "sweep.parquet"
    write_parquet(record, path)
    # a build that does not give its tracks: the sweep alone speaks
    result = sensors(
        SensorsRequest(build="trackday_16", sweep=str(path), track1="one", track2="two")
    )
    assert status(result, name) == "fail"
    assert said in text(result, name)
    assert result.exit_code == 1


def test_a_slow_recording_is_refused_and_nothing_is_guessed(tmp_path: Path) -> None:
    slow = recorded(tmp_path, sweep(rate_hz=10.0, press_s=10.0, hold_s=2.0), books=BOOKS)
    for name in ("plausibility", "agreement of the tracks", "dead spots", "jumps"):
        assert status(slow, name) == "not_proven"
        assert "sampling too slow for this check" in text(slow, name)
    assert slow.plausibility.tolerance_pct is None
    assert status(slow, "formula_sae_2026.pedal_disagree") == "not_proven"
    short = recorded(tmp_path, sweep(top_pct=60.0))
    assert "not recorded" in text(short, "full travel")
    assert short.numbers == ()
    assert short.toml is None
    assert short.tracks[0].full_V is None


def test_bad_input_is_one_line(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="name both tracks"):
        sensors(SensorsRequest(build="hillclimb_20t", sweep="x.csv"))
    with pytest.raises(InputError, match="no such rule book"):
        sensors(SensorsRequest(build="hillclimb_20t", books=("none",)))
    with pytest.raises(InputError, match="no such file"):
        sensors(
            SensorsRequest(
                build="hillclimb_20t", sweep=str(tmp_path / "x.csv"), track1="a", track2="b"
            )
        )


def test_the_command_prints_and_exits_as_it_should(tmp_path: Path) -> None:
    app = typer.Typer()
    app.command()(command)
    path = tmp_path / "sweep.parquet"
    write_parquet(sweep(), path)
    good = ["hillclimb_20t", "--sweep", str(path), "--track1", "one", "--track2", "two"]
    shown = CliRunner().invoke(app, good)
    assert shown.exit_code == 0
    for word in ("Tracks (half)", "For the calibration", "For the build", "fingers"):
        assert word in shown.output
    asked = CliRunner().invoke(app, [*good, "--json"])
    assert json.loads(asked.output)["status"] == "pass"
    wrong = CliRunner().invoke(app, ["hillclimb_20t", "--of", "brake"])
    assert isinstance(wrong.exception, InputError)


@pytest.mark.real_data
def test_a_log_of_a_road_car_is_refused(tmp_path: Path) -> None:
    import csv
    import os

    root = Path(__file__).resolve().parent.parent.parent
    folder = Path(os.environ.get("THROTTLEWRIGHT_REAL_DATA", root.parent / "shared" / "data"))
    file = folder / "na_petrol_obd" / "drive11.csv"
    if not file.is_file():
        pytest.skip("no recordings of na_petrol_obd")
    with file.open(encoding="utf-8") as stream:
        rows = [
            (float(row["PEDAL_D ()"]), float(row["PEDAL_E ()"])) for row in csv.DictReader(stream)
        ]
    volts = 0.05 * np.array(rows)
    t = np.arange(len(volts)) / 2.035  # rows a second: SOURCE.txt beside the recordings
    record = Recording.of(
        Channel(name, "V", t, volts[:, k]) for k, name in enumerate(("one", "two"))
    )
    result = recorded(tmp_path, record)
    assert "sampling too slow for this check" in text(result, "plausibility")
    assert status(result, "full travel") == "not_proven"
    assert result.exit_code == 1
