"""Air into the cylinders."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import solve_ivp
from scipy.optimize import brentq

from throttlewright.physics.cylinders import (
    cylinder_flow,
    cylinder_flow_residual,
    manifold_pressure_for_flow,
    manifold_time_constant,
    residual_factor,
    runner_charge,
)

R = 287.053
RPM = math.pi / 30.0
AMBIENT = 101_325.0
FEW = settings(deadline=None, derandomize=True, max_examples=50)

# Guzzella and Onder, appendix B.2.3, as transcribed in a University of Wisconsin course script.
GO = {
    "T_manifold": 340.0,
    "displacement": 2.77e-3,
    "p_exhaust": 108e3,
    "compression_ratio": 11.0,
    "k": 1.35,
}


# The set counts fuel vapour in what the cylinders draw; the air is the rest.
GO_MIXTURE = 1.0 + 1.0 / 14.7


def go_speed_ve(omega: float) -> float:
    return 0.45 + 3.42e-3 * omega - 7.7e-6 * omega**2


def go_air(p: float, omega: float) -> float:
    mixture = cylinder_flow_residual(
        p,
        GO["T_manifold"],
        omega=omega,
        displacement=GO["displacement"],
        ve_speed=go_speed_ve(omega),
        p_exhaust=GO["p_exhaust"],
        compression_ratio=GO["compression_ratio"],
        k=GO["k"],
    )
    return mixture / GO_MIXTURE


def go_pressure(air: float, omega: float) -> float:
    return manifold_pressure_for_flow(
        GO_MIXTURE * air,
        GO["T_manifold"],
        omega=omega,
        displacement=GO["displacement"],
        ve_speed=go_speed_ve(omega),
        p_exhaust=GO["p_exhaust"],
        compression_ratio=GO["compression_ratio"],
        k=GO["k"],
    )


def test_residual_is_one_at_equal_pressures_and_never_negative() -> None:
    assert residual_factor(1.0e5, 1.0e5, compression_ratio=10.0, k=1.3) == pytest.approx(1.0)
    assert residual_factor(1.0e5, 1.0e3, compression_ratio=10.0, k=1.3) == 0.0
    # 1.1 - 0.1 * 4 with k = 1 and a clearance of a tenth of the swept volume, by hand
    assert residual_factor(1.0e5, 2.5e4, compression_ratio=11.0, k=1.0) == pytest.approx(0.7)


@pytest.mark.parametrize(
    ("p", "flow"),
    # Idle at 800 rpm, no load and 20 N m, of the set above; the pressures are printed to 10 Pa
    # and the flows to 1 mg/s, so 0.1 % is the rounding.
    [(25.35e3, 2.475e-3), (35.39e3, 3.730e-3)],
)
def test_published_set_at_idle(p: float, flow: float) -> None:
    assert go_air(p, 800.0 * RPM) == pytest.approx(flow, rel=1e-3)
    assert go_pressure(flow, 800.0 * RPM) == pytest.approx(p, rel=1e-3)


@pytest.mark.parametrize(
    ("plate_deg", "p_kpa"),
    # The same set at 2000 rpm behind its own plate: pressures printed to 0.1 kPa.
    [(12, 21.8), (15, 35.8), (18, 52.6), (20, 63.6), (25, 81.2), (30, 89.4), (40, 95.1)],
)
def test_published_set_behind_its_plate(plate_deg: float, p_kpa: float) -> None:
    closed = math.radians(7.9)
    bore = 0.0587
    area = math.pi / 4 * bore**2 * (1 - math.cos(math.radians(plate_deg)) / math.cos(closed))
    effective = 0.7 * (area + 5.3e-6)

    def excess(p: float) -> float:
        pr, g = max(p / 98e3, (2 / 2.35) ** (1.35 / 0.35)), 1.35
        psi = math.sqrt(2 * g / (g - 1) * (pr ** (2 / g) - pr ** ((g + 1) / g)))
        return effective * 98e3 / math.sqrt(R * 298.0) * psi - go_air(p, 2000.0 * RPM)

    solved = brentq(excess, 12e3, 97.999e3)
    assert solved == pytest.approx(1e3 * p_kpa, abs=60.0)


@pytest.mark.parametrize(
    ("rpm", "ve"),
    # V14: VE polynomial of the 2.0 L turbo parameter set in rev/s.
    [(1000, 0.8466), (3000, 0.8123), (5000, 0.8633), (6000, 0.8926)],
)
def test_speed_density_carries_the_published_ve(rpm: float, ve: float) -> None:
    polynomial = [1.7338e-9, -8.3904e-7, 1.3625e-4, -7.4009e-3, 0.93581]
    value = float(np.polyval(polynomial, rpm / 60.0))
    assert value == pytest.approx(ve, abs=6e-5)
    flow = cylinder_flow(1.0e5, 300.0, omega=rpm * RPM, displacement=2.0e-3, ve=value)
    # air of one swept volume every second turn, counted in kg
    assert flow == pytest.approx(ve * 1.0e5 * 2.0e-3 / (R * 300.0) * rpm / 120.0, rel=1e-4)


@pytest.mark.parametrize(
    ("rpm", "displacement", "volume", "ve", "tau_ms"),
    # V11, and the same for the Guzzella and Onder set: closed form, printed to 3 or 4 digits.
    [
        (800, 1.953e-3, 1.8e-3, 0.85, 162.6),
        (2000, 1.953e-3, 1.8e-3, 0.85, 65.06),
        (6000, 1.953e-3, 1.8e-3, 0.85, 21.69),
        (800, 2.77e-3, 5.8e-3, 0.8, 392.6),
    ],
)
def test_time_constant(
    rpm: float, displacement: float, volume: float, ve: float, tau_ms: float
) -> None:
    tau = manifold_time_constant(rpm * RPM, displacement, ve=ve, manifold_volume=volume)
    assert 1e3 * tau == pytest.approx(tau_ms, rel=4e-4)


def decay(gamma: float) -> float:
    omega, displacement, ve, volume = 2000.0 * RPM, 2.0e-3, 0.85, 4.0e-3
    tau = manifold_time_constant(omega, displacement, ve=ve, manifold_volume=volume)

    def rates(_t: float, y: np.ndarray) -> list[float]:
        p, temp = y
        out = cylinder_flow(p, temp, omega=omega, displacement=displacement, ve=ve)
        heat = (gamma - 1.0) * R * temp**2 / (p * volume) * out
        return [-gamma * R * temp / volume * out, -heat]

    run = solve_ivp(rates, (0.0, tau), [AMBIENT, 298.15], rtol=1e-10, atol=1e-6)
    return float(run.y[0, -1] / AMBIENT)


def test_shut_plate_decays_as_the_closed_form_says() -> None:
    # V9, analytic: exp(-1) isothermal, exp(-1.4) adiabatic without wall heat
    assert decay(1.0) == pytest.approx(0.367879, rel=1e-5)
    assert decay(1.4) == pytest.approx(0.246597, rel=1e-5)


def test_choked_fill_reaches_the_closed_form() -> None:
    # V10, computed from the closed form: 60 mm2 choked, 4 L, 2 L, VE 0.85, 2000 rpm, 298.15 K
    omega, temp = 2000.0 * RPM, 298.15
    psi = math.sqrt(1.4) * (2 / 2.4) ** (2.4 / 0.8)
    supply = 60e-6 * AMBIENT / math.sqrt(R * temp) * psi
    assert supply == pytest.approx(14.230e-3, rel=1e-4)
    per_pascal = cylinder_flow(1.0, temp, omega=omega, displacement=2.0e-3, ve=0.85)
    assert supply / per_pascal == pytest.approx(42_982.0, rel=1e-4)
    tau = manifold_time_constant(omega, 2.0e-3, ve=0.85, manifold_volume=4.0e-3)
    assert tau == pytest.approx(0.14118, rel=1e-4)

    def rate(_t: float, y: np.ndarray) -> list[float]:
        out = cylinder_flow(y[0], temp, omega=omega, displacement=2.0e-3, ve=0.85)
        return [R * temp / 4.0e-3 * (supply - out)]

    run = solve_ivp(rate, (0.0, tau), [30e3], rtol=1e-10, atol=1e-6)
    assert run.y[0, -1] == pytest.approx(38_206.0, rel=1e-4)


def test_manifold_filling_agrees_with_a_stored_solver_run() -> None:
    # SUNDIALS CVODE of the same balance: 4 L, 1.5 L, 2000 rpm, VE 0.85, 10 g/s, 300 K
    def rate(_t: float, y: np.ndarray) -> list[float]:
        out = cylinder_flow(y[0], 300.0, omega=2000.0 * RPM, displacement=1.5e-3, ve=0.85)
        return [R * 300.0 / 4.0e-3 * (0.010 - out)]

    run = solve_ivp(rate, (0.0, 0.2), [30e3], rtol=1e-10, atol=1e-6)
    # it ran with another last digit of R (287.05), hence not tighter
    assert run.y[0, -1] == pytest.approx(36_887.4645, rel=2e-5)


@FEW
@given(
    p=st.floats(8e3, 3e5),
    omega=st.floats(60.0, 900.0),
    p_exhaust=st.floats(7e4, 3e5),
    ratio=st.floats(7.0, 14.0),
    k=st.floats(1.2, 1.4),
)
def test_flow_rises_with_pressure_and_inverts(
    p: float, omega: float, p_exhaust: float, ratio: float, k: float
) -> None:
    def flow(x: float) -> float:
        return cylinder_flow_residual(
            x,
            310.0,
            omega=omega,
            displacement=2.0e-3,
            ve_speed=0.9,
            p_exhaust=p_exhaust,
            compression_ratio=ratio,
            k=k,
        )

    here = flow(p)
    assert flow(1.01 * p) >= here
    back = manifold_pressure_for_flow(
        here,
        310.0,
        omega=omega,
        displacement=2.0e-3,
        ve_speed=0.9,
        p_exhaust=p_exhaust,
        compression_ratio=ratio,
        k=k,
    )
    if here > 0.0:
        assert back == pytest.approx(p, rel=1e-9)
    else:
        assert back >= p
        assert flow(back) == pytest.approx(0.0, abs=1e-12)


def charge(
    rpm: float,
    area_mm2: float,
    *,
    ve: float = 0.85,
    p_exhaust: float = AMBIENT,
    steps: float = 720.0,
) -> tuple[float, float]:
    return runner_charge(
        rpm * RPM,
        1e-6 * area_mm2,
        cylinder_displacement=0.6e-3,
        runner_volume=0.35e-3,
        compression_ratio=10.5,
        p_upstream=AMBIENT,
        T_upstream=298.15,
        p_exhaust=p_exhaust,
        shape_gamma=1.4,
        ve_speed=ve,
        steps=steps,
    )


CASES = [(2000, 40, 0.52), (2000, 80, 0.65), (2000, 150, 0.84), (4000, 150, 0.64)]


@pytest.mark.parametrize(("rpm", "area_mm2", "share"), CASES)
def test_individual_plate_against_reviewed_figures(
    rpm: float, area_mm2: float, share: float
) -> None:
    # Reviewed computation of another crank-resolved cylinder (0.6 L, 0.35 L runner), which keeps
    # its valve timing and VE to itself: said to hold within 20 %, asked for within 10 % here.
    assert charge(rpm, area_mm2)[0] == pytest.approx(share, rel=0.10)


def test_mean_runner_pressure_is_no_load_signal() -> None:
    # The same review: about 82 kPa at half charge.
    share, mean = charge(2000, 40)
    assert 0.48 < share < 0.56
    assert mean == pytest.approx(82e3, rel=0.05)


def independent(rpm: float, area: float, p_exhaust: float, ve: float = 0.85) -> tuple[float, float]:
    """Same physics in moles of gas over time, event by event, by an implicit solver."""
    omega, temp, vr, vd = rpm * RPM, 298.15, 0.35e-3, 0.6e-3
    rt, vc = R * temp, vd / 9.5
    shut = math.pi * 7.0 / 6.0

    def height(theta: float) -> float:
        # piston below top dead centre, crank radius 0.15 and rod 0.5, over a stroke of 0.3
        return (
            0.65 - 0.15 * math.cos(theta) - math.sqrt(0.25 - (0.15 * math.sin(theta)) ** 2)
        ) / 0.3

    scale = ve * vd / height(shut)

    def inflow(p: float) -> float:
        high, low = max(p, AMBIENT), min(p, AMBIENT)
        pr = max(low / high, 1.2 ** (-3.5))
        edge = min(pr, 0.99)
        psi = math.sqrt(7.0 * (edge ** (2 / 1.4) - edge ** (2.4 / 1.4)))
        psi *= (1.0 - pr) / (1.0 - edge) if pr > 0.99 else 1.0
        return math.copysign(area * high / math.sqrt(rt) * psi, AMBIENT - p)

    def volume(theta: float) -> float:
        return vr + vc + scale * height(theta)

    tools = {"method": "LSODA", "rtol": 1e-8, "atol": [1e-13, 1e-6]}
    p = AMBIENT
    for _ in range(25):
        begin = p
        mass = (p * vr + p_exhaust * vc) / rt
        run = solve_ivp(
            lambda t, y: [inflow(y[0] * rt / volume(omega * t)), y[0] * rt / volume(omega * t)],
            (0.0, shut / omega),
            [mass, 0.0],
            **tools,
        )
        p_shut = run.y[0, -1] * rt / volume(shut)
        left = (4 * math.pi - shut) / omega
        rest = solve_ivp(
            lambda _t, y: [inflow(y[0] * rt / vr), y[0] * rt / vr],
            (0.0, left),
            [p_shut * vr / rt, 0.0],
            **tools,
        )
        p = rest.y[0, -1] * rt / vr
        if abs(p - begin) < 1e-5 * AMBIENT:
            break
    mean = (run.y[1, -1] + rest.y[1, -1]) * omega / (4 * math.pi)
    fresh = p_shut * (vc + ve * vd) - p_exhaust * vc
    return fresh / (ve * vd * AMBIENT), mean


@pytest.mark.parametrize(
    ("rpm", "area_mm2", "p_exhaust"),
    [(r, a, AMBIENT) for r, a, _ in CASES] + [(1000, 10, 1.2e5), (7000, 1500, 0.9e5)],
)
def test_individual_plate_against_an_independent_solution(
    rpm: float, area_mm2: float, p_exhaust: float
) -> None:
    share, mean = charge(rpm, area_mm2, p_exhaust=p_exhaust)
    other_share, other_mean = independent(rpm, 1e-6 * area_mm2, p_exhaust)
    assert share == pytest.approx(other_share, rel=2e-3)
    assert mean == pytest.approx(other_mean, rel=2e-3)


def test_individual_plate_limits() -> None:
    wide, mean = charge(2000, 5000)
    assert wide == pytest.approx(1.0, abs=0.01)
    assert mean == pytest.approx(AMBIENT, rel=0.005)
    assert charge(2000, 0)[0] == pytest.approx(0.0, abs=1e-6)


@FEW
@given(
    rpm=st.floats(600.0, 9000.0),
    area=st.floats(1.0, 5000.0),
    p_exhaust=st.floats(8e4, 1.5e5),
    ve=st.floats(0.5, 1.15),
)
def test_individual_plate_is_stable_and_rises_with_area(
    rpm: float, area: float, p_exhaust: float, ve: float
) -> None:
    share, mean = charge(rpm, area, p_exhaust=p_exhaust, ve=ve)
    more, mean_more = charge(rpm, 1.1 * area, p_exhaust=p_exhaust, ve=ve)
    fine, _ = charge(rpm, area, p_exhaust=p_exhaust, ve=ve, steps=2880.0)
    assert 0.0 <= share < 1.1
    if share < 0.9:
        # nearer to full a small plate may hold back air that the late valve returns
        assert more >= share - 1e-6
    assert 0.0 < mean < 1.1 * AMBIENT
    assert share == pytest.approx(fine, rel=0.005, abs=1e-3)
    if p_exhaust <= AMBIENT:
        assert mean_more >= mean - 1.0
