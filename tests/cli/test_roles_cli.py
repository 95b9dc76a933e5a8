"""The roles at the terminal."""

from __future__ import annotations

import json

import pytest

from throttlewright.cli.main import main
from throttlewright.design.roles import ROLES

CAR = "trackday_16"


@pytest.fixture
def run(capsys):
    """Call the program as a person does; give exit code, output and error text."""

    def call(*arguments: str) -> tuple[int, str, str]:
        code = 0
        try:
            main(["roles", *arguments])
        except SystemExit as stop:
            code = stop.code if isinstance(stop.code, int) else int(stop.code is not None)
        captured = capsys.readouterr()
        return code, captured.out, captured.err

    return call


def test_a_block_for_each_role(run) -> None:
    code, out, err = run(CAR, CAR, "--no-drive")
    assert (code, err) == (0, "")
    for role in ROLES:
        assert f"{role.title} ({role.name})" in out
    assert "BENCH ONLY" in out
    assert "fingers" in out
    assert "no scenario was driven" in out


def test_json_is_the_result(run) -> None:
    code, out, _ = run(CAR, CAR, "--no-drive", "--role", "cold", "--json")
    assert code == 0
    assert [card["name"] for card in json.loads(out)["roles"]] == ["cold"]


def test_an_unknown_role_is_one_line(run) -> None:
    code, out, err = run(CAR, CAR, "--role", "colt")
    assert code == 2
    assert out == ""
    assert err.count("\n") == 1
    assert "'cold'" in err
