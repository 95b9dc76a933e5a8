"""One more ceiling is one Role: here gearbox oil, read where the engine oil is read."""

from __future__ import annotations

import numpy as np
import pytest
from reduction_cars import calibrated, intent_of, moving

from throttlewright.build.intent import Intent
from throttlewright.calibration.calibration import Calibration
from throttlewright.calibration.lint import lint_calibration
from throttlewright.calibration.pack import pack_calibration
from throttlewright.calibration.signals import CHANNEL_NAMES
from throttlewright.car.pack import Car
from throttlewright.design import roles
from throttlewright.design.reduction import Fade, reduction
from throttlewright.design.role import Role
from throttlewright.design.rows import Rows
from throttlewright.drive.scenario import load_scenario
from throttlewright.drive.simulate import simulate


def gearbox_oil(car: Car, intent: Intent) -> Rows:
    return reduction(
        car,
        "gearbox_oil",
        channel="oil_degC",
        fade=Fade(120.0, 135.0, 0.4),
        reason="spares the gearbox, even below the idle floor of a cold engine",
        source="made up for this test",
    )


ADDED = Role("gearbox_oil", "Hot gearbox oil", "Less torque for a hot gearbox.", gearbox_oil)


@pytest.fixture
def registry(monkeypatch) -> None:
    monkeypatch.setattr(roles, "ROLES", (*roles.ROLES, ADDED))


@pytest.mark.usefixtures("registry")
@pytest.mark.parametrize("name", ["hillclimb_20t", "trackday_16"])
def test_one_entry_is_all_it_takes(name) -> None:
    car, intent = moving(name), intent_of(name)
    made = calibrated(car, intent)
    row = next(limit for limit in made.limits if limit.name == "gearbox_oil")
    table = made.tables[row.table]
    # what lint and a reader ask of a row
    assert row.x in CHANNEL_NAMES
    assert [axis.name for axis in table.axes] == [row.x, row.y]
    assert row.reason
    assert row.source
    assert roles.role_of_row("gearbox_oil_boost") is ADDED
    wrong = [f for f in lint_calibration(made) if f.severity == "error"]
    assert not [finding for finding in wrong if "gearbox_oil" in str(finding)]
    assert Calibration.from_json(made.to_json()) == made

    pull = load_scenario("hot_oil_pull")
    run = simulate(car, pack_calibration(made), pull).channels
    place = float(made.limits.index(row) + 1)
    last = run["in_charge_plate_1"].values[-1000:]
    assert np.all(last == place)
    cool = pull.model_copy(update={"start": pull.start.model_copy(update={"oil": 363.15})})
    run = simulate(car, pack_calibration(made), cool).channels
    assert place not in set(run["in_charge_plate_1"].values)


def test_without_the_entry_there_is_no_such_row() -> None:
    made = calibrated(moving("trackday_16"), intent_of("trackday_16"))
    assert "gearbox_oil" not in {limit.name for limit in made.limits}
    assert roles.role_of_row("gearbox_oil") is None
