"""Drive and prove as a person calls them, with one designed calibration for all tests."""

from __future__ import annotations

import json
import re
from html import escape
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest

from throttlewright.build.catalogue import load_example_intent
from throttlewright.cli.main import main
from throttlewright.drive.faults import fault_named
from throttlewright.foundation.errors import CancelledError, InputError
from throttlewright.foundation.events import ignore
from throttlewright.handover.tables import BENCH_ONLY
from throttlewright.handover.trace_picture import charges
from throttlewright.recording.parquet import read_parquet
from throttlewright.workshop.common import open_car
from throttlewright.workshop.design import DesignRequest, design_car
from throttlewright.workshop.drive import DriveRequest, drive, parse_fault
from throttlewright.workshop.prove import ProveRequest, prove

CAR = "hillclimb_20t"


@pytest.fixture(scope="module")
def held(tmp_path_factory) -> str:
    folder = tmp_path_factory.mktemp("designed") / "out"
    request = DesignRequest(build=CAR, intent=CAR, out=str(folder), mode="dry", pedals=9, speeds=9)
    file, car = open_car(CAR)
    design_car(request, file, car, load_example_intent(CAR))
    return str(next(folder.glob("*.calibration.json")))


@pytest.fixture(scope="module")
def proved(held, tmp_path_factory):
    out = tmp_path_factory.mktemp("proved") / "proof"
    faults = ("plate_1_low", "plate_stuck", "bus_loss", "wrong_raise_request")
    request = ProveRequest(
        build=CAR, calibration=held, scenarios=("steady_cruise",), faults=faults, out=str(out)
    )
    return prove(request), out


def call(capsys, *arguments: str) -> tuple[int, str, str]:
    code = 0
    try:
        main(list(arguments))
    except SystemExit as stop:
        code = int(stop.code or 0)
    captured = capsys.readouterr()
    return code, captured.out, captured.err


# --- drive -------------------------------------------------------------------------------------


def test_all_variants_are_driven_and_written(held, tmp_path) -> None:
    out, picture = tmp_path / "trace.parquet", tmp_path / "trace.svg"
    request = DriveRequest(
        build=CAR, calibration=held, scenario="tip_in", out=str(out), picture=str(picture)
    )
    result = drive(request)
    labels = ("1500rpm", "2500rpm", "4000rpm")
    assert [run.scenario for run in result.runs] == [f"tip_in@{label}" for label in labels]
    wanted = {f"trace-{label}.{end}" for label in labels for end in ("parquet", "svg")}
    assert {path.name for path in tmp_path.iterdir()} == wanted
    trace = read_parquet(tmp_path / "trace-2500rpm.parquet")
    assert trace.meta["scenario"] == "tip_in@2500rpm"
    most = next(f.value for f in result.runs[1].figures if f.name == "most engine speed")
    assert most == pytest.approx(float(trace.channel("engine_rpm").values.max()), rel=1e-5)


def test_the_same_seed_gives_the_same_bytes(held, tmp_path) -> None:
    texts = []
    for name in ("a.svg", "b.svg"):
        request = DriveRequest(
            build=CAR,
            calibration=held,
            scenario="tip_in",
            variant="2500rpm",
            faults=("plate_stuck@1s",),
            picture=str(tmp_path / name),
        )
        drive(request)
        texts.append((tmp_path / name).read_bytes())
    assert texts[0] == texts[1]
    text = texts[0].decode()
    assert BENCH_ONLY in text
    assert "plate_stuck sets in" in text
    assert "closed ground" in text
    assert "<script" not in text
    assert re.search(r"20\d\d-\d\d-\d\d", text) is None


def test_shares_of_who_set_the_plate_are_those_of_the_trace(held, tmp_path) -> None:
    out = tmp_path / "t.parquet"
    request = DriveRequest(
        build=CAR,
        calibration=held,
        scenario="pedal_release",
        faults=("plate_stuck@900ms",),
        out=str(out),
    )
    (run,) = drive(request).runs
    assert sum(c.share_pct for c in run.in_charge) == pytest.approx(100.0, abs=0.1)
    trace = read_parquet(out)
    share = float(np.mean(trace.channel("in_charge_plate_1").values[:-1] == 0.0))
    demand = next(c.share_pct for c in run.in_charge if c.name == "demand")
    assert demand == pytest.approx(100.0 * share, abs=0.01)
    spans = charges(trace)
    assert all(a.end_s == b.start_s for a, b in pairwise(spans))
    assert "plate does not follow" in {c.name for c in run.in_charge}


def test_faults_are_read_as_written() -> None:
    fault = parse_fault("plate_1_drift@500ms=-0.4")
    assert (fault.kind, fault.at, fault.severity) == ("plate_1_drift", 0.5, -0.4)
    for text, said in (
        ("plate_stuck", "kind@2s"),
        ("plate_stuk@1s", "plate_stuck"),
        ("plate_stuck@1s=7", "0 to 1"),
        ("plate_stuck@1s=0", "not 0"),
        ("plate_stuck@3601s", "0 to 3600 s"),
        ("plate_stuck@-1s", "0 to 3600 s"),
        ("plate_stuck@1e999s", "0 to 3600 s"),
        ("plate_1_drift@1s=1e5", "-5 to 5 V"),
        ("plate_stuck@1s=nan", "kind@2s"),
        ("plate_stuck@s", "kind@2s"),
    ):
        with pytest.raises(InputError, match=re.escape(said)) as caught:
            parse_fault(text)
        assert "\n" not in str(caught.value)
    for text, at, severity in (
        ("plate_1_drift@5e2ms=-.4", 0.5, -0.4),
        ("plate_1_drift@.5s=+2.", 0.5, 2.0),
        ("leak_after_plate@1e0 s=1E2", 1.0, 100.0),
    ):
        fault = parse_fault(text)
        assert (fault.at, fault.severity) == (pytest.approx(at, rel=1e-12), severity)


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"variant": "9rpm"}, "1500rpm"),
        ({"faults": ("plate_stuck@99s",)}, "sets in after the end"),
        ({"faults": ("one_plate_differs@1s",)}, "needs several plates"),
        ({"out": "trace.csv"}, ".parquet"),
        ({"picture": "nowhere/trace.svg"}, "does not exist"),
    ],
)
def test_what_cannot_be_used_is_told_before_anything_is_written(
    held, tmp_path, monkeypatch, change, said
) -> None:
    monkeypatch.chdir(tmp_path)
    with pytest.raises(InputError, match=re.escape(said)):
        drive(DriveRequest(build=CAR, calibration=held, scenario="tip_in", **change))
    assert not list(tmp_path.iterdir())


def test_an_own_scenario_file_is_driven(held, tmp_path, capsys) -> None:
    own = tmp_path / "own.toml"
    text = OWN.format(criteria="", speed="", gear=0, rest="")
    text = text.replace('engine = "speed"\nspeed = ""', 'engine = "idle"').replace("2 s", "3 s")
    own.write_text(text, encoding="utf-8")
    code, out, err = call(capsys, "drive", CAR, held, str(own))
    assert (code, err) == (0, "")
    assert "Own (own)" in out
    assert "BENCH ONLY" in out


def test_what_could_not_be_proven_is_an_exit_code_as_well(held, tmp_path, capsys) -> None:
    own = tmp_path / "own.toml"
    text = OWN.format(criteria="", speed="3000 rpm", gear=0, rest="").replace("2 s", "0.5 s")
    own.write_text(text, encoding="utf-8")
    code, out, _ = call(capsys, "drive", CAR, held, str(own))
    assert code == 1
    assert "NOT PROVEN" in out
    assert "FAIL" not in out


OWN = """format = "throttlewright.scenario"
format_version = 1
name = "own"
title = "Own"
text = "Own."
duration = "2 s"
criteria = [{criteria}]
[start]
engine = "speed"
speed = "{speed}"
gear = {gear}
{rest}
"""


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"gear": 7}, "a gear that the car does not have"),
        ({"rest": '[[input]]\nchannel = "gear_1"\nt_s = [0, 1]\nvalue = [3, 9]'}, "0 to 6"),
        ({"rest": "[vary]\ngear = [3, 8]"}, "own@gear8"),
        ({"speed": "12000 rpm"}, "above the speed limit"),
        ({"criteria": '"overboost_peek"'}, "overboost_peak"),
        (
            {"rest": '[[fault]]\nkind = "one_plate_differs"\nat = "1 s"'},
            "is no fault of this car",
        ),
    ],
)
def test_an_own_scenario_that_does_not_fit_the_car_is_refused(held, tmp_path, change, said) -> None:
    own = tmp_path / "own.toml"
    given = {"criteria": "", "speed": "3000 rpm", "gear": 3, "rest": ""} | change
    own.write_text(OWN.format(**given), encoding="utf-8")
    with pytest.raises(InputError, match=re.escape(said)):
        drive(DriveRequest(build=CAR, calibration=held, scenario=str(own)))
    if "speed" in change or "gear" in said or "gear" in str(change):
        return
    with pytest.raises(InputError, match=re.escape(said)):
        prove(ProveRequest(build=CAR, calibration=held, scenarios=(str(own),), faults=()))


def test_a_car_without_a_turbo_has_no_wastegate_to_stick(held) -> None:
    request = DriveRequest(
        build="trackday_16",
        calibration=held,
        scenario="steady_cruise",
        faults=("wastegate_stuck_shut@1s",),
    )
    with pytest.raises(InputError, match="needs a turbo"):
        drive(request)


def test_a_verdict_that_fails_is_the_exit_code_and_a_strange_build_a_note(
    held, tmp_path, capsys
) -> None:
    arguments = ("drive", CAR, held, "pedal_release", "--fault", "bus_loss@900ms")
    code, out, _ = call(capsys, *arguments)
    assert code == 0
    assert "FAIL" not in out
    assert "another state of this build" not in out
    data = json.loads(Path(held).read_text(encoding="utf-8"))
    data |= {"reactions": [], "build_sha256": "0" * 64}
    bare = tmp_path / "bare.calibration.json"
    bare.write_text(json.dumps(data))
    code, out, _ = call(capsys, "drive", CAR, str(bare), *arguments[3:])
    assert code == 1
    assert "FAIL" in out
    assert "another state of this build" in out


def test_a_stop_or_an_error_between_variants_leaves_nothing(held, tmp_path) -> None:
    asked = iter([False] * 2)
    request = DriveRequest(
        build=CAR,
        calibration=held,
        scenario="tip_in",
        out=str(tmp_path / "t.parquet"),
        picture=str(tmp_path / "t.svg"),
    )
    seen = []
    with pytest.raises(CancelledError):
        drive(
            request,
            on_event=lambda event: seen.append(len(list(tmp_path.iterdir()))),
            cancelled=lambda: next(asked, True),
        )
    assert seen == [2, 4]
    assert not list(tmp_path.iterdir())


# --- prove -------------------------------------------------------------------------------------


def test_a_reaction_that_is_needed_passes_with_it_and_fails_without(proved) -> None:
    result, _ = proved
    found = {f.fault: f for f in result.faults}
    for name in ("plate_1_low", "plate_stuck", "bus_loss"):
        one = found[name]
        assert (one.with_reactions, one.without_reactions, one.reaction) == (
            "pass", "fail", "needed",
        ), name  # fmt: skip
    assert found["wrong_raise_request"].reaction == "not needed here"
    for name, one in found.items():
        assert (one.goes_wrong == fault_named(name).goes_wrong) == (name != "wrong_raise_request")
    assert result.runs == 1 + 2 * 2 + 1 + 2 * 2


def test_dips_of_power_add_up_to_a_loss(held) -> None:
    """A track that comes and goes costs power without its reaction and none with it."""
    faults = ("sensor_intermittent",)
    request = ProveRequest(build=CAR, calibration=held, scenarios=(), faults=faults)
    (one,) = prove(request).faults
    assert (one.with_reactions, one.without_reactions, one.reaction) == ("pass", "fail", "needed")
    assert one.worst_without is not None
    assert one.worst_without.criterion == "kept_power"


def test_the_reaction_rows_alone_make_the_difference(held, tmp_path) -> None:
    """A calibration whose reactions were taken out must fail the same proof."""
    data = json.loads(Path(held).read_text(encoding="utf-8"))
    data["reactions"] = []
    bare = tmp_path / "bare.calibration.json"
    bare.write_text(json.dumps(data))
    request = ProveRequest(build=CAR, calibration=str(bare), scenarios=(), faults=("bus_loss",))
    result = prove(request)
    assert (result.status, result.exit_code) == ("fail", 1)
    assert result.faults[0].reaction == "not shown"


def test_the_page_and_the_verdicts_say_the_same(proved) -> None:
    result, out = proved
    data = json.loads((out / "verdicts.json").read_text(encoding="utf-8"))
    assert data == json.loads(result.model_dump_json(exclude={"written"}))
    assert str(out) not in (out / "verdicts.json").read_text(encoding="utf-8")
    page = (out / "proof.html").read_text(encoding="utf-8")
    for part in (
        "plate_stuck",
        BENCH_ONLY,
        "What can hurt",
        "not needed here",
        "no car was driven",
    ):
        assert part in page
    for word in ("<script", "http://", "https://", "src="):
        assert word not in page
    for line in data["healthy"]:
        if line["status"] == "pass":
            assert escape(line["text"]) in page
            assert escape(line["source"]) in page


def test_every_verdict_has_figure_limit_and_source(proved) -> None:
    result, _ = proved
    lines = [*result.healthy, *result.fault_verdicts]
    assert result.verdict_count == len(lines)
    for line in lines:
        assert line.source
        if line.status in ("pass", "fail"):
            assert line.value is not None
            assert line.limit is not None


def test_results_do_not_depend_on_order_or_repetition(held, proved) -> None:
    result, _ = proved
    faults = ("wrong_raise_request", "bus_loss", "plate_stuck", "plate_1_low")
    again = prove(
        ProveRequest(build=CAR, calibration=held, scenarios=("steady_cruise",), faults=faults)
    )
    assert again.fault_verdicts == result.fault_verdicts
    assert again.healthy == result.healthy


def test_variations_keep_the_worst(held) -> None:
    request = ProveRequest(
        build=CAR, calibration=held, scenarios=("steady_cruise",), faults=(), variations=3
    )
    one = prove(request.model_copy(update={"variations": 1}))
    three = prove(request)
    assert three.runs == 3 * one.runs
    assert len(three.healthy) == len(one.healthy)
    worst = {line.criterion: line.value for line in three.healthy}
    for line in one.healthy:
        if line.status == "pass" and line.criterion == "motor_current":
            assert worst[line.criterion] >= line.value


def test_a_stop_is_heard_between_runs(held, tmp_path) -> None:
    asked = iter([False] * 3)
    request = ProveRequest(build=CAR, calibration=held, out=str(tmp_path / "proof"))
    with pytest.raises(CancelledError):
        prove(request, on_event=ignore, cancelled=lambda: next(asked, True))
    assert not list(tmp_path.iterdir())


def test_exit_codes(held, capsys, tmp_path) -> None:
    arguments = ("prove", CAR, held, "--scenario", "steady_cruise", "--fault", "plate_stuck")
    code, out, _ = call(capsys, *arguments)
    assert code == 0
    assert "1 reactions needed" in out
    code, out, _ = call(capsys, *arguments, "--json")
    assert code == 0
    assert json.loads(out)["status"] == "pass"
    data = json.loads(Path(held).read_text(encoding="utf-8")) | {"reactions": []}
    bare = tmp_path / "bare.calibration.json"
    bare.write_text(json.dumps(data))
    assert call(capsys, "prove", CAR, str(bare), *arguments[3:])[0] == 1
    code, out, err = call(capsys, *arguments, "--variations", "0")
    assert (code, out) == (2, "")
    assert "variations" in err
    assert len(err.splitlines()) == 1
    code, _, err = call(capsys, "prove", CAR, held, "--fault", "plate_stuk")
    assert code == 2
    assert "plate_stuck" in err
