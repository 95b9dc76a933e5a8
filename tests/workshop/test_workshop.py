from __future__ import annotations

import os
from pathlib import Path

import numpy as np
import pytest
from pydantic import ValidationError

from throttlewright.build.catalogue import list_sets
from throttlewright.calibration.calibration import Calibration
from throttlewright.foundation.errors import CancelledError, InputError
from throttlewright.foundation.events import Event
from throttlewright.workshop import common
from throttlewright.workshop.check import CheckRequest, check
from throttlewright.workshop.common import open_car, round_list, rpm, write_folder, write_text
from throttlewright.workshop.demo import DemoRequest, demo
from throttlewright.workshop.design import DesignRequest, design
from throttlewright.workshop.new import NewRequest, new
from throttlewright.workshop.plate import PlateRequest, plate
from throttlewright.workshop.surface import SurfaceRequest, surface

PLATE = ((0.0, 10.0, 30.0, 100.0), (0.0, 15.0, 45.0, 100.0), (0.0, 20.0, 55.0, 100.0))
SPEEDS, PEDALS = (1000, 4000, 7000), (0, 20, 50, 100)


def tree(folder: Path) -> dict[str, bytes]:
    return {
        str(p.relative_to(folder)): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()
    }


@pytest.fixture(scope="module")
def car(tmp_path_factory) -> Path:
    folder = tmp_path_factory.mktemp("car")
    new(NewRequest(folder=str(folder), example="trackday_16"))
    return folder


def job(car: Path, **kept: object) -> DesignRequest:
    asked = {"mode": "dry", "pedals": 9, "speeds": 7, **kept}
    return DesignRequest(build=str(car / "build.toml"), intent=str(car / "intent.toml"), **asked)


# --- each function ------------------------------------------------------------------------------


def test_new_writes_files_that_every_other_function_reads(tmp_path) -> None:
    result = new(NewRequest(folder=str(tmp_path / "a" / "b"), name='Ann\'s "red" car'))
    names = {Path(p).name for p in result.written}
    assert names == {"build.toml", "intent.toml", "build.schema.json", "intent.schema.json"}
    assert all(Path(p).is_file() for p in result.written)
    build = str(tmp_path / "a" / "b" / "build.toml")
    checked = check(CheckRequest(build=build, intent=build.replace("build.", "intent.")))
    assert checked.name == 'Ann\'s "red" car'
    assert checked.modes == ["dry", "wet"]


def test_new_refuses_before_it_writes_anything(tmp_path) -> None:
    (tmp_path / "intent.toml").write_text("mine", encoding="utf-8")
    with pytest.raises(InputError, match=r"intent\.toml is already there"):
        new(NewRequest(folder=str(tmp_path)))
    assert tree(tmp_path) == {"intent.toml": b"mine"}


@pytest.mark.parametrize("name", [info.name for info in list_sets()])
def test_check_ranks_the_ledger_of_every_shipped_build(name) -> None:
    result = check(CheckRequest(build=name))
    assert result.peak_torque_Nm > 50.0
    # power is torque times speed: at its own peak at least as high as at the torque peak
    assert result.peak_power_kW >= 0.999 * (
        result.peak_torque_Nm * result.peak_torque_rpm / rpm / 1e3
    )
    keys = [line.key for line in result.ledger]
    assert len(set(keys)) == len(keys)
    assert {line.origin for line in result.ledger} <= {"given", "assumed", "fitted", "derived"}
    assert all(line.source for line in result.ledger if line.origin == "assumed")
    assert len(result.surest_next) == len(set(result.surest_next)) <= 5


def test_a_dyno_curve_of_the_build_comes_out_of_the_model(car) -> None:
    # the invented curve of the shipped car, at its own pressure, temperature and humidity but for
    # 120 m of altitude, which the site's pressure is then given for
    rows = np.loadtxt(car / "trackday_16_dyno.csv", delimiter=",", skiprows=1)
    _, packed = open_car(str(car / "build.toml"))
    assert float(packed.record["p_ambient"]) == pytest.approx(1.002e5, rel=0.005)
    found = surface(SurfaceRequest(build=str(car / "build.toml")))
    full = np.array(found.torque_Nm, dtype=float)[:, -1]
    assert np.interp(rows[:, 0], found.rpm, full) == pytest.approx(rows[:, 1], rel=0.02)


def test_plate_rows_lose_less_and_answer_quicker_the_larger_they_are() -> None:
    result = plate(PlateRequest(build="trackday_16", bores=7, counts=(1, 2)))
    assert len(result.rows) == 14
    for count in (1, 2):
        rows = [row for row in result.rows if row.count == count]
        assert [row.bore_mm for row in rows] == pytest.approx(
            list(np.linspace(30.0, 110.0, 7)), abs=0.006
        )
        assert np.all(np.diff([row.loss_pct for row in rows]) < 1e-3)
        assert np.all(np.diff([row.mean_velocity_m_s for row in rows]) < 0.0)
        assert np.all(np.diff([row.air_per_tenth_deg_g_s for row in rows]) > 0.0)
    assert result.car.bore_mm == 60.0
    assert result.recommended_count in (1, 2)
    assert result.reasons


def test_surface_holds_the_pipe_it_was_told(car) -> None:
    result = surface(SurfaceRequest(build="hillclimb_20t", state="held", pipe="1.8 bar"))
    assert result.boost_state == "held"
    assert result.unsolved == 0
    table = np.array(result.map_kPa, dtype=float)
    assert np.all(table <= 180.0 * (1.0 + 1e-4))
    # at low speed and open plate the manifold stands at the pipe
    assert table[0, -1] == pytest.approx(180.0, rel=0.01)
    shape = (len(result.rpm), len(result.plate_pct))
    for name in ("torque_Nm", "map_kPa", "air_flow_g_s", "exhaust_degC"):
        assert np.shape(getattr(result, name)) == shape
    assert (result.plate_pct[0], result.plate_pct[-1]) == (0.0, 100.0)


def test_planned_holds_carry_their_cautions() -> None:
    result = surface(SurfaceRequest(build="trackday_16", plan=4))
    assert len(result.plan) == 4
    assert len({(p.rpm, p.plate_pct) for p in result.plan}) == 4
    assert all(0.0 <= p.plate_pct <= 100.0 for p in result.plan)
    assert any("straps" in note for note in result.notes)
    assert any("Exhaust" in note for note in result.notes)
    assert not surface(SurfaceRequest(build="trackday_16")).plan


def test_holds_pull_the_surface_towards_what_was_measured(tmp_path) -> None:
    plain = surface(SurfaceRequest(build="trackday_16"))
    i, j = 20, 25
    low = 0.95 * float(plain.torque_Nm[i][j] or 0.0)
    path = tmp_path / "holds.csv"
    path.write_text(
        f"rpm,plate [%],torque [N m]\n{plain.rpm[i]},{plain.plate_pct[j]},{low}\n",
        encoding="utf-8",
    )
    blended = surface(SurfaceRequest(build="trackday_16", holds=str(path)))
    assert plain.coverage is None
    assert blended.coverage is not None
    cover = np.array(blended.coverage)
    assert cover[i, j] == cover.max()
    before, after = (np.array(r.torque_Nm, dtype=float) for r in (plain, blended))
    assert low * 0.999 <= after[i, j] < before[i, j]
    # where the hold does not reach, the model speaks alone
    far = cover < 0.05
    assert far.any()
    moved = np.abs(after - before)
    assert moved[far].max() < 0.1 * moved[i, j]


def test_requests_are_strict() -> None:
    with pytest.raises(ValidationError):
        CheckRequest(build="x", bild="y")
    with pytest.raises(ValidationError):
        SurfaceRequest(build="x", state="foo")
    request = CheckRequest(build="x")
    with pytest.raises(ValidationError):
        request.build = "y"  # type: ignore[misc]


def test_shipped_names_and_files_open_alike(car) -> None:
    named, _ = open_car("trackday_16")
    filed, _ = open_car(str(car / "build.toml"))
    assert named.sha256 == filed.sha256
    assert named.build == filed.build


# --- design -------------------------------------------------------------------------------------


def test_design_without_out_writes_nothing(car, tmp_path, monkeypatch) -> None:
    monkeypatch.chdir(tmp_path)
    result = design(job(car))
    assert result.written == []
    assert tree(tmp_path) == {}
    (mode,) = result.modes
    plate_pct = np.array(mode.plate_pct)
    assert plate_pct.shape == (len(mode.rpm), len(mode.pedal_pct)) == (7, 9)
    assert np.all(np.diff(plate_pct, axis=1) >= 0.0)
    assert np.all(plate_pct[:, 0] == 0.0)
    assert np.all(plate_pct[:, -1] == 100.0)
    straight, made = mode.figures
    assert (straight.map, made.map) == ("one to one", "dry")
    # what the map is for: an even answer, so the steepest place is nearer to the mean
    assert max(made.gain_largest_to_mean) < max(straight.gain_largest_to_mean)


def test_same_input_gives_the_same_bytes(car, tmp_path) -> None:
    for name in ("one", "two"):
        design(job(car, mode=None, out=str(tmp_path / name)))
    one, two = tree(tmp_path / "one"), tree(tmp_path / "two")
    assert {"report.html", "track-day-1-6.calibration.json"} <= set(one)
    assert any(name.endswith(".csv") for name in one)
    assert list(one) == list(two)
    for name in one:
        assert one[name] == two[name], name


def test_calibration_file_holds_what_was_designed(car, tmp_path) -> None:
    result = design(job(car, out=str(tmp_path / "o")))
    (file,) = (tmp_path / "o").glob("*.calibration.json")
    read = Calibration.read(file)
    assert read.to_json() == file.read_text(encoding="utf-8")
    assert read.bench_only
    assert read.build_sha256 == open_car(str(car / "build.toml"))[0].sha256
    table = read.table("plate_over_pedal_dry")
    (mode,) = result.modes
    assert table.values == pytest.approx(np.array(mode.plate_pct), abs=1e-3)  # both rounded
    assert table.percent_meaning
    assert {str(p) for p in (tmp_path / "o").rglob("*") if p.is_file() and p.name[0] != "."} == set(
        result.written
    )


def pasted(folder: Path, *, turned: bool) -> Path:
    down, across, values = SPEEDS, PEDALS, PLATE
    if turned:
        down, across, values = PEDALS, SPEEDS, tuple(zip(*PLATE, strict=True))
    lines = [",".join(["", *map(str, across)])]
    lines += [",".join([str(d), *map(str, row)]) for d, row in zip(down, values, strict=True)]
    path = folder / f"pasted{turned}.csv"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


def test_pasted_table_is_judged_beside_either_way_round(car, tmp_path) -> None:
    found = [
        design(job(car, compare=str(pasted(tmp_path, turned=turned)))) for turned in (False, True)
    ]
    for result in found:
        assert [f.map for f in result.modes[0].figures] == ["one to one", "dry", "pasted table"]
    assert found[0] == found[1]
    straight, _, other = found[0].modes[0].figures
    assert other.gain_largest_to_mean != straight.gain_largest_to_mean


def test_design_takes_holds_into_the_map(car, tmp_path) -> None:
    base = surface(SurfaceRequest(build="trackday_16"))
    lines = ["rpm,plate [%],torque [N m]"]
    for i in (10, 20, 30):
        for j in (15, 25, 35):
            torque = 0.95 * float(base.torque_Nm[i][j] or 0.0)
            lines.append(f"{base.rpm[i]},{base.plate_pct[j]},{torque}")
    path = tmp_path / "holds.csv"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    without, with_holds = design(job(car)), design(job(car, holds=str(path)))
    assert without.modes[0].plate_pct != with_holds.modes[0].plate_pct
    assert np.all(np.diff(np.array(with_holds.modes[0].plate_pct), axis=1) >= 0.0)


def test_boosted_car_is_judged_in_two_states_with_a_boost_target() -> None:
    result = design_demo_turbo()
    (mode,) = result.modes
    assert {f.boost_state for f in mode.figures} == {"instant", "settled"}
    assert len(mode.figures) == 4
    target = np.array(mode.boost_target_kPa)
    assert target.shape == np.shape(mode.plate_pct)
    assert np.all(np.diff(target, axis=1) >= 0.0)


def design_demo_turbo():
    from throttlewright.build.catalogue import load_example, load_example_intent
    from throttlewright.car.pack import pack
    from throttlewright.workshop.design import design_car

    file = load_example("hillclimb_20t")
    request = DesignRequest(build="-", intent="-", mode="dry", pedals=9, speeds=9)
    return design_car(request, file, pack(file.build), load_example_intent("hillclimb_20t"))


def test_cancel_at_any_event_leaves_no_folder(car, tmp_path) -> None:
    events: list[Event] = []
    design(job(car, mode=None), on_event=events.append)
    assert [e.done for e in events if e.name == "design"] == list(range(6))
    assert all(0 <= e.done <= e.total for e in events)
    for stop in range(0, len(events) - 1, max(1, len(events) // 6)):
        seen: list[Event] = []
        with pytest.raises(CancelledError):
            design(
                job(car, mode=None, out=str(tmp_path / "o")),
                on_event=seen.append,
                cancelled=lambda seen=seen, stop=stop: len(seen) > stop,
            )
        assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("work", ["check", "plate", "demo"])
def test_every_long_function_can_be_stopped(work, tmp_path) -> None:
    calls = {
        "check": lambda stop: check(CheckRequest(build="trackday_16"), cancelled=stop),
        "plate": lambda stop: plate(PlateRequest(build="trackday_16"), cancelled=stop),
        "demo": lambda stop: demo(DemoRequest(out=str(tmp_path / "o")), cancelled=stop),
    }
    with pytest.raises(CancelledError):
        calls[work](lambda: True)
    assert list(tmp_path.iterdir()) == []


# --- files --------------------------------------------------------------------------------------


def test_folder_is_written_as_a_whole_and_replaced_as_a_whole(tmp_path) -> None:
    target = tmp_path / "deep" / "er"
    write_folder(target, {"a.txt": "1\n", "sub/b.txt": "2\n"})
    write_folder(target, {"c.txt": "ä\r\n"}, extra=lambda f: (f / "d.bin").write_bytes(b"\0"))
    found = tree(target)
    del found[".throttlewright"]
    assert found == {"c.txt": "ä\r\n".encode(), "d.bin": b"\0"}
    assert [p.name for p in target.parent.iterdir()] == ["er"]


def test_files_of_another_hand_are_kept(tmp_path) -> None:
    target = tmp_path / "o"
    write_folder(target, {"a.txt": "1", "sub/b.txt": "2"})
    (target / "sub" / "notes.txt").write_text("mine", encoding="utf-8")
    (target / "plan").mkdir()
    (target / "plan" / "p.txt").write_text("mine too", encoding="utf-8")
    write_folder(target, {"a.txt": "new", "c.txt": "3"})
    found = tree(target)
    del found[".throttlewright"]
    kept = {"sub/notes.txt": b"mine", "plan/p.txt": b"mine too"}
    assert {str(k).replace(os.sep, "/"): v for k, v in found.items()} == {
        "a.txt": b"new",
        "c.txt": b"3",
        **kept,
    }
    before = tree(tmp_path)
    for name in ("sub/notes.txt", "plan", "plan/p.txt/x.txt"):
        with pytest.raises(InputError, match="has the name of a result"):
            write_folder(target, {name: "theirs"})
        assert tree(tmp_path) == before
    assert [p.name for p in tmp_path.iterdir()] == ["o"]


def test_a_link_of_another_hand_is_kept_and_not_followed(tmp_path) -> None:
    away = tmp_path / "away"
    away.mkdir()
    (away / "far.txt").write_text("far", encoding="utf-8")
    target = tmp_path / "o"
    write_folder(target, {"a.txt": "1"})
    (target / "link").symlink_to(away)
    write_folder(target, {"a.txt": "2"})
    assert (target / "link").is_symlink()
    assert (target / "link").resolve() == away
    assert (away / "far.txt").read_text(encoding="utf-8") == "far"


@pytest.mark.parametrize(
    "error", [OSError(28, "No space left"), ValueError("x"), KeyboardInterrupt]
)
def test_failure_half_way_leaves_what_was_there(tmp_path, error) -> None:
    target = tmp_path / "o"

    def fail(folder: Path) -> None:
        (folder / "half.txt").write_text("half", encoding="utf-8")
        raise error

    def expected() -> type[BaseException]:
        kind = error if isinstance(error, type) else type(error)
        return InputError if issubclass(kind, OSError) else kind

    with pytest.raises(expected()):
        write_folder(target, {"a.txt": "new"}, extra=fail)
    assert list(tmp_path.iterdir()) == []
    write_folder(target, {"a.txt": "old"})
    before = tree(tmp_path)
    with pytest.raises(expected()):
        write_folder(target, {"a.txt": "new"}, extra=fail)
    assert tree(tmp_path) == before
    assert [p.name for p in tmp_path.iterdir()] == ["o"]


def test_failure_of_the_last_step_puts_the_old_folder_back(tmp_path, monkeypatch) -> None:
    target = tmp_path / "o"
    write_folder(target, {"a.txt": "old"})
    before = tree(tmp_path)
    real = os.replace

    def replace(source, place) -> None:
        if Path(place) == target and Path(source).name != "was":
            raise OSError(5, "Input/output error")
        real(source, place)

    monkeypatch.setattr(common.os, "replace", replace)
    with pytest.raises(InputError, match="Input/output error"):
        write_folder(target, {"a.txt": "new"})
    assert tree(tmp_path) == before
    assert [p.name for p in tmp_path.iterdir()] == ["o"]


def test_folders_of_others_and_files_are_refused(tmp_path) -> None:
    (tmp_path / "notes.txt").write_text("mine", encoding="utf-8")
    before = tree(tmp_path)
    with pytest.raises(InputError, match="not written by this command"):
        write_folder(tmp_path, {"a.txt": "1"})
    with pytest.raises(InputError, match="is a file"):
        write_folder(tmp_path / "notes.txt", {"a.txt": "1"})
    with pytest.raises(InputError, match="cannot be written"):
        write_folder(tmp_path / "notes.txt" / "o", {"a.txt": "1"})
    assert tree(tmp_path) == before
    (tmp_path / "empty").mkdir()
    write_folder(tmp_path / "empty", {"a.txt": "1"})
    assert (tmp_path / "empty" / "a.txt").read_text(encoding="utf-8") == "1"


def test_text_is_replaced_whole_or_not_at_all(tmp_path, monkeypatch) -> None:
    path = tmp_path / "t.txt"
    write_text(path, "old\n")

    def replace(source, place) -> None:
        raise OSError(5, "Input/output error")

    with monkeypatch.context() as patched:
        patched.setattr(common.os, "replace", replace)
        with pytest.raises(OSError, match="Input/output"):
            write_text(path, "new\n")
    assert tree(tmp_path) == {"t.txt": b"old\n"}
    write_text(path, "new\n")
    assert tree(tmp_path) == {"t.txt": b"new\n"}


def test_rounded_lists_keep_shape_and_turn_nan_into_nothing() -> None:
    assert round_list([[1.23456789, np.nan], [np.inf, 1e-9]], 3) == [[1.23, None], [None, 1e-9]]
    assert round_list(2.0) == 2.0
