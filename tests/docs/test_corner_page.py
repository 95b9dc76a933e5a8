"""The table of the corner-exit page is what the model gives, and its claims hold."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from throttlewright.build.catalogue import load_example
from throttlewright.calibration.calibration import Calibration
from throttlewright.car.motion import in_motion
from throttlewright.car.pack import pack
from throttlewright.prove.corner_exit import CornerRow, corner_table
from throttlewright.workshop.demo import DemoRequest, demo

PAGE = Path(__file__).parents[2] / "docs" / "explanation" / "corner-exit.md"


@pytest.fixture(scope="module")
def rows(tmp_path_factory: pytest.TempPathFactory) -> tuple[CornerRow, ...]:
    folder = tmp_path_factory.mktemp("corner") / "demo"
    written = demo(DemoRequest(out=str(folder), example="hillclimb_20t")).written
    path = next(name for name in written if name.endswith("calibration.json"))
    car = pack(load_example("hillclimb_20t").build)
    return corner_table(in_motion(car), Calibration.read(path))


def test_table_of_the_page_is_that_of_the_model(rows: tuple[CornerRow, ...]) -> None:
    text = PAGE.read_text(encoding="utf-8")
    printed = re.findall(
        r"^\| ([\d.]+) \| ([\d.]+) \| ([\d.]+) \| ([\d.]+) \| (-?[\d.]+) \|$", text, flags=re.M
    )
    assert len(printed) == len(rows) == 10
    for line, row in zip(printed, rows, strict=True):
        delay, step, designed, one, lost = (float(x) for x in line)
        assert (delay, step) == (row.delay_s, row.resolution_mm)
        # tables of a calibration are rounded and a driver's step is a threshold: 5 ms
        assert designed == pytest.approx(row.designed.time_s, abs=5e-3)
        assert one == pytest.approx(row.one_to_one.time_s, abs=5e-3)
        assert lost == pytest.approx(one - designed, abs=1.1e-3)


def test_one_to_one_loses_to_every_driver_with_a_foot(rows: tuple[CornerRow, ...]) -> None:
    assert all(row.lost_s > 0.0 for row in rows[1:])


def test_a_perfect_driver_sees_no_difference(rows: tuple[CornerRow, ...]) -> None:
    assert (rows[0].delay_s, rows[0].resolution_mm) == (0.0, 0.0)
    assert abs(rows[0].lost_s) < 0.02
