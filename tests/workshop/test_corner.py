"""The corner command: requests, results and their words."""

from __future__ import annotations

from pathlib import Path

import pytest

from throttlewright.foundation.errors import InputError, NoSolutionError
from throttlewright.workshop.corner import CornerRequest, corner
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


def test_a_missing_calibration_is_one_sentence(tmp_path: Path) -> None:
    with pytest.raises(InputError):
        corner(request(str(tmp_path / "none.json")))
