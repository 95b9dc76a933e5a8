"""The controller section: what is assumed, what is refused, and that it survives writing."""

from __future__ import annotations

import pytest

from throttlewright.build.load import parse_build
from throttlewright.build.templates import build_template
from throttlewright.build.write import to_toml
from throttlewright.foundation.errors import InputError
from throttlewright.foundation.provenance import Origin


def read(section: str = ""):  # type: ignore[no-untyped-def]
    return parse_build(build_template() + section, file="page", beside=lambda name: "")


def test_left_out_everything_is_assumed() -> None:
    file = read()
    box = file.build.controller
    assert box.bridge_current == 8.0
    assert box.fuse == 10.0
    assert box.bridge_off == "open"
    assert box.shut_off == ("bridge", "relay", "fuel")
    assert "identical" not in box.track_pairs
    for name in type(box).model_fields:
        assert file.provenance[f"controller.{name}"].origin is Origin.ASSUMED


def test_given_is_kept_and_written() -> None:
    file = read('[controller]\nfuse = "15 A"\nshut_off = ["relay", "ignition"]\n')
    assert file.build.controller.fuse == 15.0
    assert file.provenance["controller.fuse"].origin is Origin.GIVEN
    again = parse_build(to_toml(file.build), file="page", beside=lambda name: "")
    assert again.build.controller == file.build.controller


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ('fuse = "0.1 A"', "0.5 to 100 A"),
        ('shut_off = ["fuel", "fuel"]', "twice"),
        ('brake_signal = "maybe"', "brake_signal"),
        ("sensor_supplies = 0", "sensor_supplies"),
        ('fuze = "10 A"', "fuze"),
    ],
)
def test_refused(line: str, said: str) -> None:
    with pytest.raises(InputError, match=said):
        read(f"[controller]\n{line}\n")
