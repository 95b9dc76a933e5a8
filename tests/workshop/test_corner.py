"""The corner command: requests, results and their words."""

from __future__ import annotations

import math
from pathlib import Path

import pytest
from pydantic import ValidationError

from throttlewright.foundation.errors import InputError, NoSolutionError
from throttlewright.prove.corner_exit import CornerRow, Exit
from throttlewright.workshop.corner import CornerRequest, _claim, corner
from throttlewright.workshop.demo import DemoRequest, demo


@pytest.fixture(scope="module")
def calibration(tmp_path_factory: pytest.TempPathFactory) -> str:
    out = tmp_path_factory.mktemp("corner") / "demo"
    written = demo(DemoRequest(out=str(out), example="trackday_16")).written
    return next(name for name in written if name.endswith("calibration.json"))


def request(calibration: str, **given: object) -> CornerRequest:
    few = {"delays_s": (0.25,), "resolutions_mm": (2.0,)} | given
    return CornerRequest(build="trackday_16", calibration=calibration, **few)  # type: ignore[arg-type]


def test_one_driver_and_the_perfect_one(calibration: str) -> None:
    told = []
    result = corner(request(calibration), on_event=told.append)
    assert [(line.delay_s, line.resolution_mm) for line in result.lines] == [
        (0.0, 0.0),
        (0.25, 2.0),
    ]
    perfect, human = result.lines
    assert abs(perfect.lost_s) < 0.02
    assert human.lost_s == pytest.approx(human.one_to_one_s - human.designed_s, abs=2e-4)
    assert human.designed_s > perfect.designed_s
    assert "a perfect driver differs by" in result.claim
    assert len(told) == 2


def test_a_shorter_exit_takes_less_time(calibration: str) -> None:
    near = corner(request(calibration, distance_m=20.0)).lines[1]
    far = corner(request(calibration)).lines[1]
    assert near.designed_s < far.designed_s


def test_an_exit_out_of_reach_says_how_far_the_car_came(calibration: str) -> None:
    with pytest.raises(NoSolutionError, match="the car came"):
        corner(request(calibration, distance_m=200.0))


@pytest.mark.parametrize(
    "given",
    [
        {"delays_s": (1.001,)},
        {"delays_s": (-0.1,)},
        {"delays_s": (math.nan,)},
        {"resolutions_mm": (20.5,)},
        {"resolutions_mm": (math.inf,)},
        {"distance_m": math.nan},
    ],
)
def test_drivers_that_cannot_be_are_refused(given: dict[str, object]) -> None:
    with pytest.raises(ValidationError):
        request("none.json", **given)


def row(lost: float) -> CornerRow:
    return CornerRow(0.25, 1.0, Exit(3.0, 20.0, 0, 1.0), Exit(3.0 + lost, 20.0, 0, 1.0))


def test_differences_within_the_noise_count_as_none() -> None:
    rows = tuple(row(lost) for lost in (0.001, 0.002, -0.0029, 0.0031, 0.05, -0.01))
    text = _claim(rows)
    assert "with 2 of 5 drivers, 2 within 3 ms" in text
    assert "not faster for every driver" in text
    assert "not faster" not in _claim((row(0.001), row(0.01), row(0.02)))
    # where the control is worse than that, it sets what counts as none
    text = _claim(tuple(row(lost) for lost in (-0.006, 0.0055, 0.02)))
    assert "with 1 of 2 drivers, 1 within 6 ms" in text


def test_a_missing_calibration_is_one_sentence(tmp_path: Path) -> None:
    with pytest.raises(InputError):
        corner(request(str(tmp_path / "none.json")))
