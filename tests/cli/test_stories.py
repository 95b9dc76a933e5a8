"""What a person does at the terminal, from a first file to a hand-over, and what goes wrong."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

import throttlewright
from throttlewright.calibration.calibration import Calibration
from throttlewright.cli.main import COMMANDS, main

SOURCE = Path(throttlewright.__file__).resolve().parent.parent

PASTED = """\
rpm,0,20,50,100
1000,0,10,30,100
4000,0,15,45,100
7000,0,20,55,100
"""


@pytest.fixture(autouse=True)
def empty_folder(tmp_path, monkeypatch) -> Path:
    monkeypatch.chdir(tmp_path)
    return tmp_path


@pytest.fixture
def run(capsys):
    """Call the program as a person does; give exit code, output and error text."""

    def call(*arguments: str) -> tuple[int, str, str]:
        code = 0
        try:
            main(list(arguments))
        except SystemExit as stop:
            code = stop.code if isinstance(stop.code, int) else int(stop.code is not None)
        captured = capsys.readouterr()
        return code, captured.out, captured.err

    return call


def environment() -> dict[str, str]:
    return {**os.environ, "PYTHONPATH": str(SOURCE)}


def tree(folder: Path) -> dict[str, bytes]:
    return {str(p.relative_to(folder)): p.read_bytes() for p in folder.rglob("*") if p.is_file()}


# --- the whole way -----------------------------------------------------------------------------


def test_new_edit_check_plate_surface_design(run, empty_folder) -> None:
    code, out, err = run("new", "car", "--name", "Mine")
    assert (code, err) == (0, "")
    assert "throttlewright check" in out
    build, intent = Path("car/build.toml"), Path("car/intent.toml")
    json.loads(Path("car/build.schema.json").read_text(encoding="utf-8"))

    text = build.read_text(encoding="utf-8")
    assert 'bore = "65 mm"' in text
    build.write_text(text.replace('bore = "65 mm"', 'bore = "72 mm"'), encoding="utf-8")

    code, out, err = run("check", str(build), "--intent", str(intent))
    assert (code, err) == (0, "")
    assert out.startswith("Mine: ")
    assert "dry, wet" in out
    assert "What would make this surer" in out
    more = run("check", str(build), "--all")[1]
    assert len(more.splitlines()) > len(out.splitlines())

    code, out, err = run("plate", str(build), "--bores", "5")
    assert (code, err) == (0, "")
    assert "72.0 *" in out

    code, out, err = run("surface", str(build), "--plan", "3")
    assert (code, err) == (0, "")
    assert "authority end" in out
    assert "Dyno holds to take" in out

    code, out, err = run("design", str(build), str(intent), "--out", "given", "--pedals", "9")
    assert (code, err) == (0, "")
    assert "BENCH ONLY" in out
    assert "fingers" in out
    assert "wrote given/report.html" in out
    given = Path("given")
    assert "Mine" in (given / "report.html").read_text(encoding="utf-8")
    calibration = Calibration.read(given / "mine.calibration.json")
    assert {"plate_over_pedal_dry", "plate_over_pedal_wet"} <= set(calibration.tables)
    assert sorted(p.name for p in empty_folder.iterdir()) == ["car", "given"]


def test_a_second_hand_over_replaces_the_first(run) -> None:
    run("new", "car")
    arguments = ("design", "car/build.toml", "car/intent.toml", "--speeds", "7", "--pedals", "9")
    assert run(*arguments)[0] == 0
    first = tree(Path("hand-over"))
    assert any(name.endswith("wet.csv") for name in first)
    assert run(*arguments, "--mode", "dry")[0] == 0
    second = tree(Path("hand-over"))
    assert not any(name.endswith("wet.csv") for name in second), "stale tables of the first"


def test_new_from_an_example_brings_its_dyno_curve(run) -> None:
    code, out, _ = run("new", "car", "--example", "trackday_16", "--json")
    assert code == 0
    written = {Path(p).name for p in json.loads(out)["written"]}
    assert "trackday_16_dyno.csv" in written
    assert run("check", "car/build.toml")[0] == 0


def test_force_replaces_what_new_wrote(run) -> None:
    run("new", "car")
    Path("car/build.toml").write_text("spoilt", encoding="utf-8")
    assert run("new", "car")[0] == 2
    assert Path("car/build.toml").read_text(encoding="utf-8") == "spoilt"
    assert run("new", "car", "--force")[0] == 0
    assert run("check", "car/build.toml")[0] == 0


def test_demo_as_its_own_process_in_an_empty_folder(empty_folder) -> None:
    done = subprocess.run(
        [sys.executable, "-m", "throttlewright", "demo"],
        env=environment(),
        cwd=empty_folder,
        capture_output=True,
        text=True,
    )
    assert (done.returncode, done.stderr) == (0, "")
    assert "BENCH ONLY" in done.stdout
    assert [p.name for p in empty_folder.iterdir()] == ["throttlewright-demo"]
    names = {p.name for p in Path("throttlewright-demo").iterdir()}
    assert {"report.html", "hill-climb-2-0-t.calibration.json", "tables"} <= names


# --- JSON --------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("arguments", "keys"),
    [
        (("demo", "--example", "trackday_16", "--out", "o"), {"modes", "knock_on", "written"}),
        (("new", "n"), {"written", "next"}),
        (("check", "trackday_16"), {"ledger", "surest_next", "peak_torque_Nm"}),
        (("plate", "trackday_16", "--bores", "3"), {"rows", "recommended_bore_mm", "car"}),
        (("surface", "trackday_16", "--plan", "2"), {"rpm", "plate_pct", "torque_Nm", "plan"}),
        (
            ("surface", "hillclimb_20t", "--state", "held", "--pipe", "1.8 bar"),
            {"rpm", "torque_Nm", "unsolved"},
        ),
    ],
)
def test_json_is_the_result_and_nothing_else(run, arguments, keys) -> None:
    code, out, err = run(*arguments, "--json")
    assert (code, err) == (0, "")
    assert keys <= set(json.loads(out))


def test_json_of_design_agrees_with_the_tables_written(run) -> None:
    run("new", "car")
    code, out, _ = run(
        "design", "car/build.toml", "car/intent.toml", "--json", "--pedals", "9", "--mode", "dry"
    )
    assert code == 0
    result = json.loads(out)
    assert result["bench_only"] is True
    (mode,) = result["modes"]
    (file,) = [p for p in result["written"] if p.endswith(".calibration.json")]
    table = Calibration.read(file).tables["plate_over_pedal_dry"]
    assert mode["pedal_pct"] == pytest.approx(list(table.axes[1].values), rel=1e-5)
    for row, said in zip(table.values, mode["plate_pct"], strict=True):
        assert said == pytest.approx(list(row), abs=1e-3)  # both rounded to 3 decimals


# --- nonsense ----------------------------------------------------------------------------------


def edited(name: str, old: str, new: str, *, example: str = "trackday_16") -> str:
    from throttlewright.workshop.new import NewRequest
    from throttlewright.workshop.new import new as write

    write(NewRequest(folder="bad", example=example))
    path = Path("bad") / name
    text = path.read_text(encoding="utf-8")
    assert old in text
    path.write_text(text.replace(old, new, 1), encoding="utf-8")
    return str(path)


BUILDS = {
    "missing file": (lambda: "nowhere.toml", "does not exist"),
    "folder": (lambda: (Path("dir").mkdir(), "dir")[1], "dir"),
    "binary": (lambda: (Path("b.toml").write_bytes(bytes(range(256))), "b.toml")[1], "UTF-8"),
    "no TOML": (lambda: (Path("t.toml").write_text("= ="), "t.toml")[1], "TOML"),
    "empty": (lambda: (Path("e.toml").write_text(""), "e.toml")[1], "format"),
    "unknown key": (
        lambda: edited("build.toml", '[plate]\nbore = "60 mm"', '[plate]\nbor = "60 mm"'),
        "bor",
    ),
    "negative bore": (
        lambda: edited("build.toml", '[plate]\nbore = "60 mm"', '[plate]\nbore = "-60 mm"'),
        "plate.bore",
    ),
    "not a number": (
        lambda: edited("build.toml", '[plate]\nbore = "60 mm"', '[plate]\nbore = "nan mm"'),
        "plate.bore",
    ),
    "infinite": (
        lambda: edited("build.toml", '[plate]\nbore = "60 mm"', '[plate]\nbore = "inf mm"'),
        "plate.bore",
    ),
    "wide shaft": (lambda: edited("build.toml", 'shaft = "8 mm"', 'shaft = "61 mm"'), "shaft"),
    "closed above open": (
        lambda: edited("build.toml", 'open = "86 deg"', 'open = "5 deg"'),
        "open",
    ),
    "wrong unit": (
        lambda: edited("build.toml", '[plate]\nbore = "60 mm"', '[plate]\nbore = "60 kg"'),
        "'kg'",
    ),
    "no unit": (
        lambda: edited("build.toml", '[plate]\nbore = "60 mm"', "[plate]\nbore = 60"),
        "unit",
    ),
    "newer version": (
        lambda: edited("build.toml", "format_version = 1", "format_version = 99"),
        "newer",
    ),
    "intent for a build": (
        lambda: (edited("build.toml", "format", "format"), "bad/intent.toml")[1],
        "format",
    ),
}


def assert_refused(result: tuple[int, str, str], word: str) -> None:
    code, out, err = result
    assert code == 2
    assert out == ""
    assert "Traceback" not in err
    assert err.count("\n") == 1, err
    assert err.endswith(".\n")
    assert word in err, err


@pytest.mark.parametrize("case", list(BUILDS))
def test_a_build_that_cannot_be_used_costs_one_line(run, case) -> None:
    make, word = BUILDS[case]
    path = make()
    result = run("check", path)
    assert_refused(result, word)
    assert result[2].startswith(path), "the line starts with the file"


@pytest.mark.parametrize("command", ["check", "plate", "surface", "design"])
@pytest.mark.parametrize("case", ["missing file", "binary", "unknown key"])
def test_every_command_that_reads_a_build_refuses_it_the_same_way(run, command, case) -> None:
    make, word = BUILDS[case]
    path = make()
    rest = ("intent.toml", "--out", "o") if command == "design" else ()
    assert_refused(run(command, path, *rest), word)
    assert_refused(run(command, path, *rest, "--json"), word)
    assert not Path("o").exists()


REQUESTS = [
    (("surface", "trackday_16", "--state", "foo"), "instant, settled, held"),
    (("surface", "trackday_16", "--pipe", "1.8 bar"), "--state held"),
    (("surface", "trackday_16", "--state", "held"), "pipe"),
    (("surface", "trackday_16", "--state", "held", "--pipe", "1.8"), "unit"),
    (("surface", "trackday_16", "--state", "held", "--pipe", "1.8 mm"), "pressure"),
    (("surface", "trackday_16", "--state", "held", "--pipe", "nan bar"), "pipe"),
    (("surface", "trackday_16", "--state", "held", "--pipe", "70 bar"), "0.3 to 6 bar"),
    (("surface", "trackday_16", "--plan", "1000"), "0 to 100"),
    (("surface", "trackday_16", "--plan", "-1"), "0 to 100"),
    (("surface", "trackday_16", "--holds", "none.csv"), "none.csv"),
    (("surface", "trackday_16", "--holds", "junk"), "junk"),
    (("surface", "trackday_16", "--holds", "."), "."),
    (("plate", "trackday_16", "--bores", "1"), "2 to 400"),
    (("plate", "trackday_16", "--bores", "100000"), "2 to 400"),
    (("plate", "trackday_16", "--smallest", "90", "--largest", "60"), "smallest"),
    (("plate", "trackday_16", "--smallest", "nan"), "smallest"),
    (("plate", "trackday_16", "--smallest", "-5"), "smallest"),
    (("plate", "trackday_16", "--count", "0"), "1 to 16"),
    (("check", "trackday_16", "--intent", "none.toml"), "none.toml"),
    (("demo", "--example", "nothing"), "hillclimb_20t"),
    (("demo", "--example", "guzzella_onder"), "intent"),
    (("demo", "--out", "foreign"), "foreign"),
    (("demo", "--out", "junk"), "junk"),
    (("new", "foreign", "--example", "nothing"), "hillclimb_20t"),
    (("new", "junk"), "junk"),
    (("design", "trackday_16", "none.toml"), "none.toml"),
    (("design", "trackday_16", "car/build.toml"), "format"),
    (("design", "trackday_16", "car/intent.toml", "--mode", "snow"), "dry, wet"),
    (("design", "trackday_16", "car/intent.toml", "--pedals", "2"), "5 to 41"),
    (("design", "trackday_16", "car/intent.toml", "--speeds", "500"), "5 to 41"),
    (("design", "trackday_16", "car/intent.toml", "--compare", "none.csv"), "none.csv"),
    (("design", "trackday_16", "car/intent.toml", "--compare", "junk"), "junk"),
    (("design", "trackday_16", "car/intent.toml", "--compare", "text.csv"), "text.csv"),
    (("design", "trackday_16", "car/intent.toml", "--compare", "high.csv"), "0 to 100"),
    (("design", "trackday_16", "car/intent.toml", "--compare", "car"), "car"),
]


@pytest.mark.parametrize(
    ("arguments", "word"), REQUESTS, ids=lambda v: " ".join(v) if isinstance(v, tuple) else "-"
)
def test_a_request_that_makes_no_sense_costs_one_line(run, arguments, word) -> None:
    run("new", "car")
    Path("foreign").mkdir()
    Path("foreign/notes.txt").write_text("mine", encoding="utf-8")
    Path("junk").write_bytes(bytes(range(256)))
    Path("text.csv").write_text("a,b\nc,d\n", encoding="utf-8")
    Path("high.csv").write_text(PASTED.replace("100\n7000", "900\n7000"), encoding="utf-8")
    before = tree(Path())
    assert_refused(run(*arguments), word)
    assert tree(Path()) == before, "a refused request writes nothing"


def test_design_into_a_folder_with_foreign_files_leaves_them_alone(run, empty_folder) -> None:
    run("new", "car")
    before = tree(empty_folder)
    arguments = ("design", "car/build.toml", "car/intent.toml", "--speeds", "5", "--pedals", "5")
    assert_refused(run(*arguments, "--out", "car"), "car")
    assert tree(empty_folder) == before
    assert sorted(p.name for p in empty_folder.iterdir()) == ["car"]


@pytest.mark.parametrize(
    "arguments",
    [(), ("nothing",), ("check",), ("plate", "trackday_16", "--bores", "many"), ("demo", "--bad")],
)
def test_usage_errors_show_help_not_a_traceback(run, arguments) -> None:
    code, out, err = run(*arguments)
    assert code == 2
    assert "Traceback" not in out + err
    assert "Usage" in out + err


def test_physics_without_an_answer_is_code_1_and_one_line(run, monkeypatch) -> None:
    from throttlewright.foundation.errors import NoSolutionError
    from throttlewright.workshop import check as module

    def fail(*_: object, **__: object) -> None:
        raise NoSolutionError("no balance here")

    monkeypatch.setattr(module, "compute_surface", fail)
    assert run("check", "trackday_16") == (1, "", "no balance here\n")


# --- help and stopping -------------------------------------------------------------------------


GROUPS = ("garage", "serve")
"""Commands that print nothing of their own: a group, and a server."""


def test_help_names_every_command(run) -> None:
    code, out, _ = run("--help")
    assert code == 0
    for name, sentence in COMMANDS.items():
        assert name in out
        code, own, _ = run(name, "--help")
        assert code == 0
        assert " ".join(sentence.split()) in " ".join(own.split())
        if name not in GROUPS:
            assert "--json" in own


def test_help_loads_no_heavy_module() -> None:
    heavy = ("numpy", "scipy", "numba", "pint", "polars", "pyarrow", "matplotlib")
    script = (
        "import sys\n"
        "from throttlewright.cli.main import main\n"
        "for words in (['--help'], ['design', '--help']):\n"
        "    try:\n"
        "        main(words)\n"
        "    except SystemExit as stop:\n"
        "        assert stop.code == 0\n"
        f"print('LOADED', [m for m in {heavy!r} if m in sys.modules])\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", script], env=environment(), capture_output=True, text=True
    )
    assert done.returncode == 0, done.stderr
    assert done.stdout.splitlines()[-1] == "LOADED []"


def running(script: str, folder: Path) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-c", script],
        env=environment(),
        cwd=folder,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )


@pytest.mark.skipif(os.name == "nt", reason="SIGINT as a signal is a POSIX matter")
@pytest.mark.parametrize("old", [False, True], ids=["fresh", "over an older one"])
def test_ctrl_c_leaves_nothing_half_written(empty_folder, old, run) -> None:
    if old:
        assert run("demo", "--example", "trackday_16", "--out", "o")[0] == 0
    before = tree(empty_folder)
    # the child tells by an event that it is in the middle of the work: no race against a clock
    script = (
        "import sys\n"
        "from throttlewright.cli import main, show\n"
        "def tell(self, event):\n"
        "    print(event.name, event.done, flush=True)\n"
        "show._Bar.__call__ = tell\n"
        "main.main(['demo', '--out', 'o'])\n"
    )
    child = running(script, empty_folder)
    try:
        assert child.stdout is not None
        for line in child.stdout:
            if line.strip() == "design 1":
                child.send_signal(signal.SIGINT)
                break
        _, err = child.communicate(timeout=60)
    finally:
        child.kill()
    assert child.returncode == 130, err
    assert "Traceback" not in err
    assert err.count("\n") == 1
    assert tree(empty_folder) == before
    assert {p.name for p in empty_folder.iterdir()} <= {"o"}


@pytest.mark.skipif(os.name == "nt", reason="SIGINT as a signal is a POSIX matter")
@pytest.mark.parametrize("after", [0.0, 0.3, 0.6, 1.2])
def test_ctrl_c_at_any_moment_costs_one_line(empty_folder, after) -> None:
    script = (
        "from throttlewright.cli.main import main\n"
        "import throttlewright.cli.main as module\n"
        "kept = module.app\n"
        "def begin(**words):\n"
        "    print('begun', flush=True)\n"
        "    kept(**words)\n"
        "module.app = begin\n"
        "main(['demo', '--out', 'o'])\n"
    )
    child = running(script, empty_folder)
    try:
        assert child.stdout is not None
        assert child.stdout.readline() == "begun\n"
        time.sleep(after)
        child.send_signal(signal.SIGINT)
        _, err = child.communicate(timeout=60)
    finally:
        child.kill()
    if child.returncode == 0:
        # a fast machine was done before the signal: then all of it must be there
        assert after > 0.5
        assert (empty_folder / "o" / "report.html").is_file()
        assert len(list((empty_folder / "o" / "tables").iterdir())) > 8
        return
    assert child.returncode == 130, err
    assert err == "stopped; nothing half-written is left\n"
    assert list(empty_folder.iterdir()) == []
