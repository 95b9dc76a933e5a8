from __future__ import annotations

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from throttlewright.physics import supercharger

quick = settings(deadline=None, derandomize=True, max_examples=50)
BLOWER = {"displacement_per_rev": 1.0e-3, "drive_ratio": 2.0}
AIR = {"p_in": 1.0e5, "T_in": 300.0}


def test_flow_of_a_litre_per_turn() -> None:
    # By hand: 3000 rpm times 2 is 100 turns/s of 1 L at 1e5/(287.053*300) kg/m3, efficiency 0.8.
    flow = supercharger.positive_displacement_flow(
        1.0e-3, 2.0, omega=100.0 * math.pi, **AIR, volumetric_efficiency=0.8
    )
    assert flow == pytest.approx(0.8 * 0.1 * 1.0e5 / (287.053 * 300.0), rel=1e-12)


@quick
@given(st.floats(1.0, 2.5), st.floats(50.0, 800.0), st.floats(0.05, 0.3))
def test_pressure_ratio_is_the_inverse_of_the_flow(
    p_ratio: float, omega: float, leakage: float
) -> None:
    efficiency = supercharger.positive_displacement_efficiency(p_ratio, 0.92, leakage=leakage)
    flow = supercharger.positive_displacement_flow(
        **BLOWER, omega=omega, **AIR, volumetric_efficiency=efficiency
    )
    back = supercharger.positive_displacement_pressure_ratio(
        flow, **BLOWER, omega=omega, **AIR, ve_free=0.92, leakage=leakage
    )
    assert back == pytest.approx(p_ratio, rel=1e-9)


def test_engine_that_takes_more_needs_no_compression() -> None:
    ratio = supercharger.positive_displacement_pressure_ratio(
        0.2, **BLOWER, omega=100.0 * math.pi, **AIR, ve_free=0.92, leakage=0.1
    )
    assert ratio < 1.0


def test_efficiency_never_goes_below_zero() -> None:
    assert supercharger.positive_displacement_efficiency(20.0, 0.9, leakage=0.1) == 0.0
    assert supercharger.positive_displacement_efficiency(1.0, 0.9, leakage=0.1) == 0.9


@quick
@given(st.floats(1.0, 3.0), st.floats(0.4, 0.9), st.floats(0.8, 1.0))
def test_power_is_the_ideal_one_over_both_efficiencies(
    p_ratio: float, eta: float, drive: float
) -> None:
    power = supercharger.supercharger_power(
        0.15, 300.0, p_ratio=p_ratio, efficiency=eta, drive_efficiency=drive, gamma=1.4, cp=1004.7
    )
    ideal = 0.15 * 1004.7 * 300.0 * math.expm1(math.log(p_ratio) / 3.5)
    assert power * eta * drive == pytest.approx(ideal, rel=1e-9, abs=1e-9)


def test_power_against_fluids() -> None:
    compressible = pytest.importorskip("fluids.compressible")
    t_out = compressible.isentropic_T_rise_compression(300.0, 1.0e5, 1.7e5, 1.4, 0.6)
    power = supercharger.supercharger_power(
        0.15, 300.0, p_ratio=1.7, efficiency=0.6, drive_efficiency=1.0, gamma=1.4, cp=1004.7
    )
    assert power == pytest.approx(0.15 * 1004.7 * (t_out - 300.0), rel=1e-12)


def test_centrifugal_head_is_square_in_speed() -> None:
    def head(share: float) -> float:
        ratio = supercharger.centrifugal_pressure_ratio(
            share * 700.0, 700.0, p_ratio_ref=1.8, gamma=1.4
        )
        return ratio ** (1.0 / 3.5) - 1.0

    assert head(1.0) == pytest.approx(1.8 ** (1.0 / 3.5) - 1.0, rel=1e-12)
    assert head(0.5) == pytest.approx(head(1.0) / 4.0, rel=1e-12)
    assert head(0.0) == 0.0


@quick
@given(st.floats(0.0, 900.0), st.floats(0.0, 900.0))
def test_centrifugal_ratio_rises_with_speed(a: float, b: float) -> None:
    low, high = sorted((a, b))
    at = [
        supercharger.centrifugal_pressure_ratio(w, 700.0, p_ratio_ref=1.8, gamma=1.4)
        for w in (low, high)
    ]
    assert 1.0 <= at[0] <= at[1]
