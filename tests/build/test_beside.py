"""Files that a build names must lie beside it."""

from __future__ import annotations

from pathlib import Path

import pytest

from throttlewright.build.load import load_build
from throttlewright.foundation.errors import InputError

HEAD = """format = "throttlewright.build"
format_version = 1
name = "A car"
[engine]
displacement = "2.0 L"
cylinders = 4
rev_limit = "7000 rpm"
{engine}
[plate]
bore = "70 mm"
[turbo]
boost = {{ rpm = [2500, 6000], gauge = "bar", value = [0.5, 0.8] }}
{turbo}
"""


@pytest.mark.parametrize("name", ["../secret.csv", "/etc/hostname", "a/../../b.csv", "C:\\\\x.csv"])
@pytest.mark.parametrize("place", ["engine", "turbo"])
def test_a_file_elsewhere_is_refused_unread(tmp_path: Path, name: str, place: str) -> None:
    (tmp_path / "secret.csv").write_text("rpm,torque\n1,2\n", encoding="utf-8")
    folder = tmp_path / "car"
    folder.mkdir()
    lines = {"engine": "", "turbo": ""}
    lines[place] = (
        f'dyno = {{ file = "{name}" }}' if place == "engine" else f'compressor_map = "{name}"'
    )
    (folder / "build.toml").write_text(HEAD.format(**lines), encoding="utf-8")
    with pytest.raises(InputError, match="is not a file beside the build") as caught:
        load_build(folder / "build.toml")
    assert "\n" not in str(caught.value)


def test_a_spring_above_the_boost_is_a_contradiction(tmp_path: Path) -> None:
    path = tmp_path / "build.toml"
    path.write_text(HEAD.format(engine="", turbo='wastegate_spring = "1.2 bar"'), encoding="utf-8")
    with pytest.raises(InputError, match="spring is above the largest boost"):
        load_build(path)
