"""Fault by fault: what finds it and which shut-off is left."""

from __future__ import annotations

from safe_cars import car_with, typical

from throttlewright.calibration.reactions import DETECTIONS
from throttlewright.design.limp import FOUND_BY, limp_table
from throttlewright.drive.fault_list import FAULTS


def test_every_fault_of_the_list_has_its_detections() -> None:
    assert set(FOUND_BY) == {kind.name for kind in FAULTS}
    for fault, names in FOUND_BY.items():
        assert set(names) <= set(DETECTIONS), fault


def test_routes_that_are_left() -> None:
    rows = {row.fault: row for row in limp_table(car_with(), typical())}
    assert rows["plate_stuck"].routes == ("fuel",)
    assert rows["bridge_shorted"].routes == ("relay", "fuel")
    assert rows["pedal_1_open"].routes == ("bridge", "relay", "fuel")
    assert all(row.safe for row in rows.values())
    assert "one_plate_differs" not in rows, "one plate cannot differ from itself"
    airless = car_with(controller__shut_off=("bridge", "relay"))
    lost = {row.fault for row in limp_table(airless, typical()) if not row.safe}
    assert {"plate_stuck", "linkage_lost", "closing_spring_broken"} <= lost
    assert "pedal_1_open" not in lost


def test_limp_is_in_the_words_and_numbers_of_the_calibration() -> None:
    rows = {row.fault: row for row in limp_table(car_with(), typical())}
    assert "no fuel above 2500 rpm" in rows["motor_open"].limp
    assert rows["motor_open"].recovery == "key"
    assert rows["pedal_stuck"].recovery == "release"
    assert not rows["relay_welded"].found
