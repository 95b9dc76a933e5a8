"""What the record of a car holds for motion, from what the build says."""

from __future__ import annotations

import math
from functools import cache

import numpy as np
import pytest

from throttlewright.build.load import parse_build
from throttlewright.build.schema import Build
from throttlewright.build.templates import build_template
from throttlewright.car.pack import pack, with_site
from throttlewright.car.plant_pack import AERO_COEFFICIENT, SPRING_BAND, pack_motion
from throttlewright.car.record import CAR_DTYPE

WRITTEN = """
[servo]
inertia = "0.0018 kg m^2"
viscous = 0.01
motor_constant = 0.4
resistance = "1.8 ohm"
loom_resistance = "120 mohm"
inductance = 0.002
spring_above = "0.09 N m/rad"
preload_above = "0.35 N m"
spring_below = "0.3 N m/rad"
preload_below = "0.31 N m"
coulomb = "0.2 N m"
breakaway = "0.26 N m"
battery = "12.6 V"
[sensors]
plate = [{ closed = "0.6 V", open = "4.4 V" }, { closed = "4.5 V", open = "0.5 V" }]
noise = "2 mV"
map_range = "2.5 bar"
map_noise = "0.2 kPa"
map_lag = "5 ms"
[driveline]
driven = "all"
wheel_inertia = "0.8 kg m^2"
shaft_damping = 45.0
lash = "2 deg"
gearbox_inertia = "0.01 kg m^2"
clutch_capacity = "420 N m"
[vehicle]
tyre_slip_stiffness = 18.0
tyre_relaxation = "0.25 m"
brake_deceleration = "11 m/s^2"
brake_front = "60 %"
[air_path]
charge_model = "adiabatic"
[turbo]
boost = { rpm = [2000, 6000], value = [0.4, 1.0] }
relief_lag = "40 ms"
wastegate_lag = "150 ms"
controllable = false
"""
ENGINE = """
induction_delay = "300 deg"
coolant_capacity = 7e4
exhaust_volume = "1.2 L"
"""


def completed(more: str = "", engine: str = "") -> Build:
    text = build_template().replace("[engine]\n", f"[engine]\n{engine}", 1) + more
    return parse_build(text, file="b", beside=lambda name: "").build


@cache
def written() -> np.void:
    return pack(completed(WRITTEN, ENGINE)).record


@pytest.mark.parametrize(
    ("field", "value"),
    [
        ("servo_travel", math.radians(78.0)),  # 7 to 85 degrees, both assumed
        ("default_opening", math.radians(6.0)),
        ("servo_inertia", 0.0018),
        ("servo_viscous", 0.01),
        ("servo_coulomb", 0.2),
        ("servo_breakaway", 0.26),
        ("spring_above", 0.09),
        ("preload_above", 0.35),
        ("spring_below", 0.3),
        ("preload_below", 0.31),
        ("spring_band", SPRING_BAND),
        ("motor_constant", 0.4),
        ("motor_resistance", 1.8),
        ("loom_resistance", 0.12),
        ("motor_inductance", 0.002),
        ("aero_coefficient", AERO_COEFFICIENT),
        ("battery", 12.6),
        ("pedal_released", (0.75, 0.375)),
        ("pedal_full", (4.2, 2.1)),
        ("plate_at_closed", (0.6, 4.5)),
        ("plate_at_open", (4.4, 0.5)),
        ("sensor_step", 5.0 / 1024.0),
        ("sensor_noise", 2e-3),
        ("pressure_noise", 200.0),
        ("pressure_lag", 5e-3),
        ("map_range", 2.5e5),
        ("gears", 5.0),
        ("ratios", (3.4, 2.0, 1.4, 1.05, 0.83, 0, 0, 0, 0, 0, 0, 0)),
        ("final_drive", 4.1),
        ("driveline_efficiency", 0.92),
        ("driven", 2.0),
        ("wheel_inertia", 3.2),  # four driven wheels
        ("gearbox_inertia", 0.01),
        ("shaft_stiffness", 8000.0),
        ("shaft_damping", 45.0),
        ("lash", math.radians(2.0)),
        ("clutch_capacity", 420.0),
        ("mass", 1250.0),
        ("wheelbase", 2.55),
        ("cg_height", 0.5),
        ("front_weight", 0.52),
        ("tyre_radius", 0.305),
        ("grip", 1.0),
        ("tyre_stiffness", 18.0),
        ("tyre_relaxation", 0.25),
        ("drag_area", 0.7),
        ("rolling", 0.013),
        ("brake_deceleration", 11.0),
        ("brake_front", 0.6),
        ("coolant_capacity", 7e4),
        ("exhaust_volume", 1.2e-3),
        ("induction_delay", math.radians(300.0)),
        ("adiabatic", 1.0),
        ("wastegate_lag", 0.15),
        ("relief_lag", 0.04),
        ("controllable", 0.0),
    ],
)
def test_written_number_reaches_the_record(field: str, value: float | tuple[float, ...]) -> None:
    assert written()[field] == pytest.approx(value, rel=1e-12)


def test_every_field_of_servo_sensors_driveline_and_vehicle_is_filled() -> None:
    names = list(CAR_DTYPE.names or ())
    rec = pack(completed()).record
    for name in names[names.index("servo_travel") : names.index("booster_lag") + 1]:
        lead = name.startswith(
            ("turbo_", "compressor_", "wastegate_", "relief_", "surge_", "reach_")
        )
        if lead or name in ("adiabatic", "controllable"):
            continue
        assert np.all(np.isfinite(rec[name])), name
        assert np.all(rec[name] > 0.0) or name == "ratios", name


@pytest.mark.parametrize(("driven", "code", "wheels"), [("front", 0.0, 2.0), ("rear", 1.0, 2.0)])
def test_driven_axle(driven: str, code: float, wheels: float) -> None:
    rec = pack(
        completed(f'[driveline]\ndriven = "{driven}"\nwheel_inertia = "1.1 kg m^2"\n')
    ).record
    assert rec["driven"] == code
    assert rec["wheel_inertia"] == pytest.approx(1.1 * wheels, rel=1e-12)


def test_one_pedal_track_is_read_by_both_inputs() -> None:
    rec = pack(completed('[pedal]\ntracks = [{ released = "0.8 V", full = "4 V" }]\n')).record
    assert list(rec["pedal_released"]) == [0.8, 0.8]
    assert list(rec["pedal_full"]) == [4.0, 4.0]


def test_fields_survive_another_site() -> None:
    car = pack(completed())
    moved = with_site(car, altitude=1500.0, temperature=283.15, humidity=0.3)
    fresh = np.zeros(1, CAR_DTYPE)[0]
    pack_motion(fresh, car.build)
    for name in ("servo_inertia", "plate_at_open", "lash", "coolant_capacity", "brake_front"):
        assert np.array_equal(moved.record[name], car.record[name])
        assert np.array_equal(moved.record[name], fresh[name])
