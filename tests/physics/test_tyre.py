from __future__ import annotations

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from throttlewright.physics import tyre
from throttlewright.physics.driveline import STANDARD_GRAVITY

quick = settings(deadline=None, derandomize=True, max_examples=50)
# Computed example: m 1300 kg, h .5 m, L 2.55 m, front axle 1.25 m before the centre of gravity.
CAR = {"rear_weight_share": 1.25 / 2.55, "cg_height": 0.5, "wheelbase": 2.55}
SHAPE = {"cg_height": 0.5, "wheelbase": 2.55}


@pytest.mark.parametrize(("accel", "expected"), [(0.0, 6251.0), (3.0, 7016.0), (6.0, 7781.0)])
def test_rear_load(accel: float, expected: float) -> None:
    # The example was computed with 9.81 m/s2: the part at rest is scaled to the standard gravity.
    at_rest = 1300.0 * 9.81 * CAR["rear_weight_share"]
    scaled = expected - at_rest * (1.0 - STANDARD_GRAVITY / 9.81)
    assert tyre.normal_load_rear(1300.0, accel, **CAR) == pytest.approx(scaled, abs=0.6)


@quick
@given(st.floats(-15.0, 40.0))
def test_loads_add_up_to_the_weight(accel: float) -> None:
    rear = tyre.normal_load_rear(1300.0, accel, **CAR)
    front = tyre.normal_load_front(1300.0, accel, **CAR)
    assert front >= 0.0
    assert rear >= 0.0
    assert rear + front == pytest.approx(1300.0 * STANDARD_GRAVITY, rel=1e-12)


@pytest.mark.parametrize(("driven", "expected"), [(1.0, 5.98), (0.0, 4.18)])
def test_launch_limits(driven: float, expected: float) -> None:
    found = tyre.grip_limited_acceleration(1.0, driven, front_share=1.3 / 2.55, **SHAPE)
    assert found == pytest.approx(expected, abs=0.005)


@quick
@given(st.floats(0.1, 1.6), st.sampled_from([0.0, 1.0]), st.floats(0.35, 0.65))
def test_launch_limit_satisfies_the_axle_balance(
    grip: float, driven: float, front_share: float
) -> None:
    accel = tyre.grip_limited_acceleration(grip, driven, front_share=front_share, **SHAPE)
    axle = tyre.normal_load_rear if driven > 0.5 else tyre.normal_load_front
    load = axle(1.0, accel, rear_weight_share=1.0 - front_share, **SHAPE)
    assert accel == pytest.approx(grip * load, rel=1e-9)


@quick
@given(st.floats(0.1, 8.0), st.floats(0.1, 8.0), st.sampled_from([0.0, 1.0, 2.0]))
def test_launch_limit_rises_with_grip_and_stops_where_the_front_lifts(
    a: float, b: float, driven: float
) -> None:
    low, high = sorted((a, b))
    share = 0.5
    limits = [
        tyre.grip_limited_acceleration(mu, driven, front_share=share, **SHAPE) for mu in (low, high)
    ]
    assert 0.0 < limits[0] <= limits[1] + 1e-9
    lift = STANDARD_GRAVITY * share * SHAPE["wheelbase"] / SHAPE["cg_height"]
    assert limits[1] <= min(high * STANDARD_GRAVITY, lift) * (1.0 + 1e-12)


# Table A3.1 of Pacejka, Tire and Vehicle Dynamics, appendix 3; forces and peaks computed from it.
@pytest.mark.parametrize(
    ("slip", "expected"), [(0.05, 3377.6), (0.10, 4642.1), (0.5, 3837.3), (1.0, 3193.9)]
)
def test_a31_force(slip: float, expected: float) -> None:
    assert tyre.magic_formula_a31(slip, 4000.0) == pytest.approx(expected, abs=0.06)


@pytest.mark.parametrize(
    ("load", "slip", "force"),
    [(4000.0, 0.1473, 4840.0), (2000.0, 0.1653, 2457.0), (6000.0, 0.1307, 7149.0)],
)
def test_a31_peak(load: float, slip: float, force: float) -> None:
    found_slip, found_force = tyre.peak_slip(tyre.magic_formula_a31, load)
    assert found_slip == pytest.approx(slip, abs=6e-5)
    assert found_force == pytest.approx(force, abs=0.06)


# Bakker, Nyborg and Pacejka, SAE 870421; peaks and locked value computed from its coefficients.
@pytest.mark.parametrize(
    ("load", "slip", "force"),
    [(4000.0, 0.1035, 4235.2), (2000.0, 0.1186, 2202.8), (6000.0, 0.0918, 6097.2)],
)
def test_1987_peak(load: float, slip: float, force: float) -> None:
    found_slip, found_force = tyre.peak_slip(tyre.magic_formula_1987, load)
    assert found_slip == pytest.approx(slip, abs=6e-5)
    assert found_force == pytest.approx(force, abs=0.06)


def test_1987_slope_and_full_slip() -> None:
    assert tyre.magic_formula_1987(1.0, 4000.0) == pytest.approx(2898.6, abs=0.06)
    slope = tyre.magic_formula_1987(1e-7, 4000.0) / 1e-5
    assert slope == pytest.approx(1288.2, rel=1e-4)  # BCD [N/%]


@pytest.mark.parametrize(
    ("coefficients", "slip"),
    # Generic sets, peaks computed: dry, wet, snow, ice.
    [
        ((10.0, 1.9, 1.0, 0.97), 0.180),
        ((12.0, 2.3, 0.82, 1.0), 0.088),
        ((5.0, 2.0, 0.3, 1.0), 0.311),
        ((4.0, 2.0, 0.1, 1.0), 0.389),
    ],
)
def test_generic_peaks(coefficients: tuple[float, ...], slip: float) -> None:
    b, c, d, e = coefficients
    found, force = tyre.peak_slip(
        lambda s, load: tyre.magic_formula(s, load, B=b, C=c, D=d, E=e), 3000.0
    )
    assert found == pytest.approx(slip, abs=6e-4)
    assert force == pytest.approx(3000.0 * d, rel=1e-9)


@quick
@given(st.floats(-1.0, 1.0), st.floats(0.0, 8000.0))
def test_magic_formula_is_odd_and_bounded(slip: float, load: float) -> None:
    force = tyre.magic_formula(slip, load, B=10.0, C=1.9, D=0.9, E=0.97)
    assert tyre.magic_formula(-slip, load, B=10.0, C=1.9, D=0.9, E=0.97) == -force
    assert abs(force) <= 0.9 * load * (1.0 + 1e-12)


def test_no_load_no_force() -> None:
    assert tyre.magic_formula_a31(0.1, 0.0) == 0.0
    assert tyre.magic_formula_1987(0.1, -5.0) == 0.0


def test_peak_of_a_rising_curve_is_its_end() -> None:
    slip, _ = tyre.peak_slip(lambda s, load: load * math.tanh(s), 100.0, slip_max=0.4)
    assert slip == pytest.approx(0.4, rel=1e-6)


# Table A3.1 at its nominal load: K 21.51, mu 1.210; the force without the table's shift of slip.
@pytest.mark.parametrize(
    ("slip", "expected"), [(0.05, 3377.6), (0.10, 4642.1), (0.5, 3837.3), (1.0, 3193.9)]
)
def test_share_of_load_is_the_nominal_a31(slip: float, expected: float) -> None:
    found = 4000.0 * tyre.tyre_share(slip - 0.002, 1.210, stiffness=21.51)
    assert found == pytest.approx(expected, abs=0.06)


@quick
@given(st.floats(0.1, 2.0), st.floats(5.0, 40.0))
def test_share_peaks_at_grip(grip: float, stiffness: float) -> None:
    slip = tyre.shape_peak_slip(grip, stiffness)
    assert tyre.tyre_share(slip, grip, stiffness=stiffness) == pytest.approx(grip, rel=1e-12)
    for aside in (0.98 * slip, 1.02 * slip):
        assert tyre.tyre_share(aside, grip, stiffness=stiffness) < grip
    small = 1e-6 * slip
    slope = tyre.tyre_share(small, grip, stiffness=stiffness) / small
    assert slope == pytest.approx(stiffness, rel=1e-6)


def test_low_speed_share_ends_smoothly() -> None:
    assert tyre.low_speed_share(0.0) == 1.0
    assert tyre.low_speed_share(2.5) == 0.0
    assert tyre.low_speed_share(-30.0) == 0.0
    assert tyre.low_speed_share(1.25) == pytest.approx(0.75**2, rel=1e-15)
    assert tyre.low_speed_share(2.5 - 1e-6) < 1e-11


@quick
@given(
    st.floats(-1.2, 1.2),
    st.floats(0.0, 1000.0),
    st.floats(0.0, 8000.0),
    st.floats(0.3, 1.2),
    st.sampled_from([0.2, -0.2]),
)
def test_axle_load_balances_its_own_transfer(
    share: float, resistance: float, brake: float, grip: float, transfer: float
) -> None:
    static, weight = 6000.0, 13000.0
    load = tyre.axle_load(
        share, resistance, brake=brake, direction=1.0, grip=grip, static=static, weight=weight,
        transfer=transfer,
    )  # fmt: skip
    passed = min(brake, grip * (weight - load))
    again = static + transfer * (share * load - resistance - passed)
    assert load == pytest.approx(again, rel=1e-9)


def test_axle_load_at_the_limit_of_grip_is_the_launch_limit() -> None:
    # 5.98 m/s2: m 1300, h .5, L 2.55, l_f 1.25, rear drive, grip 1 (axle balance, Gillespie)
    weight = 1300.0 * STANDARD_GRAVITY
    static = weight * 1.25 / 2.55
    load = tyre.axle_load(
        1.0, 0.0, brake=0.0, direction=1.0, grip=1.0, static=static, weight=weight,
        transfer=0.5 / 2.55,
    )  # fmt: skip
    assert load / 1300.0 == pytest.approx(5.98, abs=0.005)
