"""What design writes beside the pedal map: rows, numbers and reactions that the strategy runs."""

from __future__ import annotations

from pathlib import Path

import pytest

from throttlewright.calibration.calibration import Calibration
from throttlewright.calibration.pack import mode_names, pack_calibration
from throttlewright.workshop.design import DesignRequest, design
from throttlewright.workshop.new import NewRequest, new


@pytest.fixture(scope="module")
def made(tmp_path_factory) -> Calibration:
    folder = tmp_path_factory.mktemp("car")
    new(NewRequest(folder=str(folder / "car"), example="hillclimb_20t"))
    build, intent = folder / "car" / "build.toml", folder / "car" / "intent.toml"
    out = folder / "out"
    design(DesignRequest(build=str(build), intent=str(intent), out=str(out)))
    return Calibration.read(next(Path(out).glob("*.calibration.json")))


def test_rows_and_reactions_are_in_the_file(made) -> None:
    names = [limit.name for limit in made.limits]
    assert names[:13] == [
        "idle_base",
        "idle_start",
        "idle_loop",
        "idle_spark",
        "idle_dashpot",
        "cold",
        "cold_boost",
        "cold_hold",
        "cold_boost_hold",
        "overboost_ahead",
        "overboost_hold",
        "overboost_off",
        "overboost_fuel",
    ]
    assert {name.partition("_")[0] for name in names[13:]} == {"traction", "launch"}
    assert len(made.reactions) > 20
    assert made.bench_only


def test_modes_keep_the_order_of_the_intent(made) -> None:
    # tables stand in the file by name: dry, pit, wet
    assert mode_names(made) == ("dry", "wet", "pit")


def test_the_strategy_takes_the_file(made) -> None:
    packed = pack_calibration(made)
    assert int(packed["limits"]) == len(made.limits)
    assert int(packed["modes"]) == 3
    assert made.numbers["rev_limit_rpm"].value == 7600.0
