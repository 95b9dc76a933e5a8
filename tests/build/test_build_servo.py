"""Servo, sensors and other numbers of the car in motion: what is assumed, what is refused."""

from __future__ import annotations

import math

import pytest

from throttlewright.build.load import BuildFile, parse_build
from throttlewright.build.paths import value_at
from throttlewright.build.templates import build_template
from throttlewright.build.write import to_toml
from throttlewright.foundation.errors import ContradictionError, InputError
from throttlewright.foundation.provenance import Origin

TURBO = "[turbo]\nboost = {{ rpm = [2000, 6000], value = [0.2, {most}] }}\n"


def read(more: str = "", *, plate: str = "") -> BuildFile:
    text = build_template().replace("[plate]\n", f"[plate]\n{plate}", 1) + more
    return parse_build(text, file="b", beside=lambda name: "")


@pytest.mark.parametrize(
    ("key", "value"),
    [
        # Loh, Thanom, Pyko and Lee 2013, after a second-hand copy
        ("servo.inertia", 0.0021),
        ("servo.viscous", 0.0088),
        ("servo.motor_constant", 0.383),
        ("servo.resistance", 1.5),
        ("servo.inductance", 1.5e-3),
        ("servo.spring_above", 0.087),
        ("servo.preload_above", 0.396),
        ("servo.coulomb", 0.284),
        # common practice or from memory, no source
        ("servo.loom_resistance", 0.15),
        ("servo.spring_below", 0.174),
        ("servo.preload_below", 0.396),
        ("servo.breakaway", 0.3266),
        ("servo.battery", 13.8),
        ("sensors.noise", 3e-3),
        ("sensors.map_range", 1.15e5),
        ("sensors.map_noise", 300.0),
        ("sensors.map_lag", 8e-3),
        ("driveline.shaft_damping", 60.0),
        ("driveline.lash", math.radians(1.5)),
        ("driveline.gearbox_inertia", 0.012),
        ("vehicle.tyre_slip_stiffness", 21.5),  # Pacejka, table A3.1: 21.51
        ("vehicle.tyre_relaxation", 0.2),
        ("vehicle.brake_deceleration", 9.0),
        ("vehicle.brake_front", 0.65),
        ("engine.induction_delay", math.radians(270.0)),
        ("engine.coolant_capacity", 6e4),  # 2.0 L
        ("engine.exhaust_volume", 1.6e-3),
        ("air_path.charge_model", "isothermal"),
    ],
)
def test_what_is_assumed_and_that_it_says_so(key: str, value: float | str) -> None:
    file = read()
    found = value_at(file.build, key)
    assert found == value if isinstance(value, str) else found == pytest.approx(value, rel=1e-9)
    entry = file.provenance[key]
    assert entry.origin == Origin.ASSUMED
    assert entry.source
    assert entry.measure


def test_assumed_plate_tracks_mirror_each_other_over_the_span() -> None:
    for plate, span in (("", 3.5), ('sensor_span = "4 V"\n', 4.0)):
        first, second = read(plate=plate).build.sensors.plate
        assert first.open - first.closed == pytest.approx(span, rel=1e-12)
        assert first.closed + second.closed == pytest.approx(5.0, rel=1e-12)
        assert first.open + second.open == pytest.approx(5.0, rel=1e-12)


def test_span_follows_from_written_tracks() -> None:
    tracks = '{ closed = "4.4 V", open = "0.6 V" }, { closed = "0.5 V", open = "4.5 V" }'
    file = read(f"[sensors]\nplate = [{tracks}]\n")
    assert file.build.plate.sensor_span == pytest.approx(3.8, rel=1e-12)
    assert file.provenance["plate.sensor_span"].origin == Origin.DERIVED


@pytest.mark.parametrize(
    ("most", "bar"),
    # 1.2 (1.01325 + boost) rounded up to half a bar, by hand: 1.94, 2.42, 3.62
    [(0.6, 2.0), (1.0, 2.5), (2.0, 4.0)],
)
def test_pressure_sensor_covers_the_boost(most: float, bar: float) -> None:
    assert read(TURBO.format(most=most)).build.sensors.map_range == pytest.approx(bar * 1e5)


def test_clutch_carries_more_than_the_engine_makes() -> None:
    # 1.8 of 12.5 bar on 2.0 L: 1.8 * 12.5e5 * 2e-3 / (4 pi)
    assert read().build.driveline.clutch_capacity == pytest.approx(358.1, rel=1e-4)
    boosted = read(TURBO.format(most=1.01325)).build.driveline.clutch_capacity
    assert boosted == pytest.approx(716.2, rel=1e-4)
    dyno = "[engine.dyno]\nrpm = [2000, 4000, 6000]\ntorque = [150, 190, 170]\n"
    assert read(dyno).build.driveline.clutch_capacity == pytest.approx(342.0, rel=1e-12)


def test_turbo_numbers_only_with_a_turbo() -> None:
    assert not [key for key in read().provenance if key.startswith("turbo.")]
    turbo = read(TURBO.format(most=1.0)).build.turbo
    assert turbo is not None
    assert (turbo.relief_area, turbo.relief_lag, turbo.wastegate_lag) == (25e-4, 0.05, 0.1)


def test_a_plate_that_rests_on_its_stop_has_no_opening_spring() -> None:
    servo = read(plate='default_opening = "0 deg"\n').build.servo
    assert servo.spring_below == servo.preload_below == 0.0
    assert servo.preload_above > 0.0


@pytest.mark.parametrize(
    ("text", "kind", "says"),
    [
        ('[servo]\ncoulomb = "0.3 N m"\nbreakaway = "0.2 N m"\n', ContradictionError, "sticking"),
        ('[servo]\nresistance = "1.5"\n', InputError, "no unit"),
        ("[servo]\ninductance = 0.0\n", InputError, "1e-05 to 0.1"),
        ('[sensors]\nplate = [{ closed = "0.5 V", open = "4.5 V" }]\n', InputError, "sensors"),
        (
            '[sensors]\nplate = [{ closed = "2 V", open = "2.1 V" },'
            ' { closed = "4 V", open = "1 V" }]\n',
            ContradictionError,
            "0.2 V apart",
        ),
        ('[air_path]\ncharge_model = "isotherm"\n', InputError, "isothermal"),
        ("[servo]\nmotor_constnat = 0.3\n", InputError, "motor_constant"),
    ],
)
def test_refused_with_a_sentence(text: str, kind: type[Exception], says: str) -> None:
    with pytest.raises(kind) as caught:
        read(text)
    assert says in str(caught.value)


def test_written_build_reads_back_the_same() -> None:
    build = read(TURBO.format(most=0.9)).build
    again = parse_build(to_toml(build), file="c", beside=lambda name: "").build
    for section in ("servo", "driveline", "vehicle"):
        before, after = (getattr(b, section).model_dump() for b in (build, again))
        assert list(after) == list(before)
        for name, value in before.items():
            # written to twelve digits
            assert after[name] == (
                pytest.approx(value, rel=1e-11) if isinstance(value, float) else value
            )
    assert again.sensors == build.sensors
