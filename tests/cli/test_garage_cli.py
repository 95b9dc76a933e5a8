"""The garage at the terminal."""

from __future__ import annotations

import json
import re
import subprocess
import sys
from pathlib import Path

import pytest
import typer

from throttlewright.cli.garage import garage
from throttlewright.cli.main import main

PAGE = Path(__file__).resolve().parent.parent.parent / "docs" / "reference" / "garage.md"


@pytest.fixture
def run(capsys, tmp_path, monkeypatch):
    """Call the program as a person does; give exit code, output and error text."""
    monkeypatch.chdir(tmp_path)

    def call(*arguments: str) -> tuple[int, str, str]:
        code = 0
        try:
            main(["garage", *arguments, "--garage", str(tmp_path / "garage")])
        except SystemExit as stop:
            code = stop.code if isinstance(stop.code, int) else int(stop.code is not None)
        captured = capsys.readouterr()
        return code, captured.out, captured.err

    return call


def test_from_a_new_car_to_files(run, tmp_path) -> None:
    code, out, _ = run("list")
    assert code == 0
    assert "no cars yet" in out
    code, out, _ = run("new", "[Kestrel]", "--displacement", "1.8 L", "--who", "Ada")
    assert code == 0
    assert "added [Kestrel] as number 1" in out
    assert run("list")[1].split()[:2] == ["1", "[Kestrel]"]
    code, out, _ = run("export", "1", "first")
    assert code == 0
    build = tmp_path / "first" / "build.toml"
    assert '"1.8 L"' in build.read_text("utf-8")
    build.write_text(build.read_text("utf-8").replace('"65 mm"', '"70 mm"'), "utf-8")
    code, out, _ = run("save", "1", str(build), "--why", "[bigger] body", "--who", "Bo")
    assert (code, out) == (0, "build build of [Kestrel] is revision 3\n")
    code, out, _ = run("compare", "1", "3")
    assert code == 0
    assert '-bore = "65 mm"' in out
    assert '+bore = "70 mm"' in out
    code, out, _ = run("history", "1", "build")
    assert code == 0
    assert re.search(r"^ +3 +build .*Bo +\[bigger\] body", out, re.M)
    assert run("restore", "1")[0] == 0
    assert run("branch", "1", "wet")[1] == "[Kestrel]: branch wet started from main\n"
    code, out, _ = run("show", "1", "--branch", "wet", "--json")
    shown = json.loads(out)
    assert shown["branches"] == ["main", "wet"]
    assert [i["id"] for i in shown["items"]] == [4, 2]
    assert run("import", "Twin", "first")[0] == 0
    assert run("rename", "Twin", "Heron")[0] == 0
    assert run("remove", "Heron")[0] == 0
    assert run("remove", "Heron", "--undo")[1] == "Heron is back\n"
    assert "build.toml" in run("export", "Heron", "second")[1]


def test_each_fault_is_one_line_and_exit_code_2(run, tmp_path) -> None:
    run("new", "Kestrel", "--who", "Ada")
    run("export", "Kestrel", "out")
    intent = tmp_path / "out" / "intent.toml"
    intent.write_text(intent.read_text("utf-8") + "# a\n", "utf-8")
    assert run("save", "Kestrel", str(intent), "--base", "2")[0] == 0
    intent.write_text(intent.read_text("utf-8") + "# b\n", "utf-8")
    cases = [
        (("save", "Kestrel", str(intent), "--base", "2"), "was changed meanwhile"),
        (("save", "Kestrel", "none.toml", "--kind", "build"), "there is no such file"),
        (("show", "Kestrle"), "did you mean 'Kestrel'"),
        (("new", "kestrel"), "of this name"),
        (("new", "Other", "--cylinders", "99"), "cylinders"),
        (("compare", "1", "2"), "of one kind"),
        (("compare", "1", "77"), "no revision of this number"),
        (("export", "Kestrel", "out"), "is not an empty folder"),
        (("history", "Kestrel", "recording"), "no such recording"),
        (("show", "Kestrel", "--branch", "x"), "no such branch"),
    ]
    for arguments, words in cases:
        code, out, err = run(*arguments)
        assert code == 2, arguments
        assert words in err
        assert err.count("\n") == 1
        assert out == ""
    code, out, _ = run("history", "Kestrel", "intent")
    assert re.search(r"^ +4 +intent .*stale", out, re.M)


def test_help_of_the_garage_stays_light() -> None:
    code = (
        "import sys\n"
        "from throttlewright.cli.main import main\n"
        "try:\n    main(['garage', '--help'])\nexcept SystemExit as stop:\n    print(stop.code)\n"
        # pydantic is not among them: the terminal library itself loads it for a sub-command
        "heavy = {'numpy','scipy','numba','sqlalchemy','alembic','platformdirs'}\n"
        "print('HEAVY', sorted(heavy & set(sys.modules)))\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert "restore" in done.stdout
    assert "HEAVY []" in done.stdout


def test_every_command_and_option_is_described_and_no_other() -> None:
    parts = re.split(r"^### (\w+)$", PAGE.read_text("utf-8"), flags=re.M)
    listed = dict(zip(parts[1::2], parts[2::2], strict=True))
    commands = typer.main.get_command(garage).commands  # type: ignore[attr-defined]
    assert set(listed) == set(commands)
    for name, command in commands.items():
        options = {o for p in command.params for o in p.opts if o.startswith("--")}
        options -= {"--help", "--json", "--garage"}
        use = listed[name].strip().splitlines()[0]
        assert use.startswith(f"`garage {name}"), name
        assert set(re.findall(r"--[a-z]+", use)) == options, name
