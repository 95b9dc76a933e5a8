from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from throttlewright.physics import gas, plate

PROPERTY = settings(deadline=None, derandomize=True, max_examples=50)
RAD = math.pi / 180.0
BORE, SHAFT, CLOSED = 0.06, 0.01, 7.0 * RAD

bores = st.floats(0.03, 0.12)
shaft_shares = st.floats(0.0, 0.3)
closed_angles = st.floats(0.0, 15.0).map(lambda d: d * RAD)
shares = st.floats(0.0, 1.0)


def area(psi_deg, bore=BORE, shaft=SHAFT, psi_closed=CLOSED):
    return plate.plate_area(psi_deg * RAD, bore, shaft=shaft, psi_closed=psi_closed)


# Area in mm2 of a 60 mm bore, 10 mm shaft, closed at 7 degrees: derived (circle minus ellipse,
# both outside the shaft strip) and confirmed by direct quadrature, to 1e-3 mm2.
TABLE = [
    (7.0, 0.0),
    (8.0, 6.477),
    (10.0, 22.000),
    (12.0, 40.934),
    (15.0, 75.676),
    (20.0, 150.238),
    (30.0, 359.536),
    (40.0, 643.321),
    (50.0, 992.445),
    (60.0, 1394.756),
    (70.0, 1831.629),
    (75.0, 2049.118),
    (80.0, 2224.147),
    (80.478, 2230.223),
    (90.0, 2230.223),
]


@pytest.mark.parametrize(("psi_deg", "mm2"), TABLE)
def test_area_table(psi_deg, mm2):
    assert area(psi_deg) * 1e6 == pytest.approx(mm2, abs=1e-3)


@pytest.mark.parametrize(
    ("psi_deg", "mm2"),
    # Simple form, same plate, evaluated.
    [(8.0, 6.489), (30.0, 360.415), (60.0, 1403.100), (80.0, 2332.768), (90.0, 2827.433)],
)
def test_simple_area_table(psi_deg, mm2):
    got = plate.plate_area_simple(psi_deg * RAD, BORE, psi_closed=CLOSED)
    assert got * 1e6 == pytest.approx(mm2, abs=1e-3)


@pytest.mark.parametrize("psi_deg", [15.0, 30.0, 45.0, 60.0, 75.0])
def test_area_by_quadrature(psi_deg):
    # Strip by strip along the shaft axis: bore chord minus the plate's shadow, outside the shaft.
    from scipy.integrate import quad

    radius, c = 0.5 * BORE, math.cos(psi_deg * RAD) / math.cos(CLOSED)

    def free(x):
        chord = math.sqrt(radius**2 - x**2)
        return max(0.0, chord - max(c * chord, 0.5 * SHAFT))

    edges = [math.sqrt(radius**2 - (0.5 * SHAFT) ** 2)]
    edges.append(math.sqrt(max(0.0, radius**2 - (0.5 * SHAFT / c) ** 2)))
    total = 4.0 * quad(free, 0.0, radius, points=edges, epsabs=1e-14, limit=200)[0]
    assert area(psi_deg) == pytest.approx(total, rel=1e-6)


def test_largest_area_is_bore_less_shaft():
    # Heywood (1988), chapter 7, in words, from memory: within 0.13 % of pi D^2/4 - d D.
    limit = 0.25 * math.pi * BORE**2 - SHAFT * BORE
    assert area(90.0) == pytest.approx(limit, rel=1.3e-3)
    assert area(90.0) > limit


def test_saturation_angle():
    # 80.478 degrees: acos(cos 7 / 6).
    assert plate.saturation_angle(BORE, SHAFT, psi_closed=CLOSED) / RAD == pytest.approx(
        80.478, abs=5e-4
    )
    assert plate.saturation_angle(BORE, 0.0, psi_closed=CLOSED) == pytest.approx(
        0.5 * math.pi, rel=1e-15
    )


@pytest.mark.parametrize(
    ("psi_deg", "mm2"), [(7.9, 5.3), (10.0, 20.88), (15.0, 72.47), (30.0, 345.41), (90.0, 2711.5)]
)
def test_published_58_7_mm_plate(psi_deg, mm2):
    # Guzzella and Onder, appendix B.2.3, as copied in a course script: 58.7 mm, 7.9 deg, 5.3 mm2.
    got = plate.plate_area_simple(psi_deg * RAD, 0.0587, psi_closed=7.9 * RAD) * 1e6 + 5.3
    assert got == pytest.approx(mm2, rel=2e-4)


@pytest.mark.parametrize(
    ("psi_deg", "per_deg", "g_s"), [(7.5, 6.5, 1.25), (10.0, 8.6, 1.66), (15.0, 12.8, 2.48)]
)
def test_slope_of_area_and_flow(psi_deg, per_deg, g_s):
    # Evaluated: mm2 per degree, and grams per second per degree at Cd 0.8, choked, ISO 2533.
    slope = plate.plate_area_slope(psi_deg * RAD, BORE, shaft=SHAFT, psi_closed=CLOSED) * RAD
    assert slope * 1e6 == pytest.approx(per_deg, rel=0.01)
    flux = gas.nozzle_flow(
        101325.0, 0.0, T_a=288.15, T_b=288.15, area=1.0, gamma=1.4, shape_gamma=1.4, R=gas.R_AIR
    )
    assert 0.8 * slope * flux * 1e3 == pytest.approx(g_s, rel=0.01)


@PROPERTY
@given(bore=bores, shaft_share=shaft_shares, closed=closed_angles, x=shares, y=shares)
def test_area_grows_with_angle(bore, shaft_share, closed, x, y):
    low, high = sorted((x, y))
    span = 0.5 * math.pi - closed
    shaft = shaft_share * bore
    first = plate.plate_area(closed + low * span, bore, shaft=shaft, psi_closed=closed)
    second = plate.plate_area(closed + high * span, bore, shaft=shaft, psi_closed=closed)
    assert 0.0 <= first <= second + 1e-15 * bore
    assert second <= 0.25 * math.pi * bore**2


@PROPERTY
@given(bore=bores, shaft_share=st.floats(0.02, 0.3), closed=closed_angles)
def test_area_has_no_step_or_kink_at_saturation(bore, shaft_share, closed):
    shaft = shaft_share * bore
    psi_max = plate.saturation_angle(bore, shaft, psi_closed=closed)
    bore_area = 0.25 * math.pi * bore**2
    below = plate.plate_area(psi_max - 1e-9, bore, shaft=shaft, psi_closed=closed)
    above = plate.plate_area(psi_max + 1e-9, bore, shaft=shaft, psi_closed=closed)
    assert below == pytest.approx(above, abs=1e-11 * bore_area)
    slope = plate.plate_area_slope(psi_max - 1e-9, bore, shaft=shaft, psi_closed=closed)
    assert 0.0 <= slope < 1e-3 * bore_area


@PROPERTY
@given(bore=bores, shaft_share=shaft_shares, closed=closed_angles, x=st.floats(0.02, 0.98))
def test_slope_by_difference(bore, shaft_share, closed, x):
    shaft = shaft_share * bore
    span = plate.saturation_angle(bore, shaft, psi_closed=closed) - closed
    psi, h = closed + x * span, 1e-5
    up = plate.plate_area(psi + h, bore, shaft=shaft, psi_closed=closed)
    down = plate.plate_area(psi - h, bore, shaft=shaft, psi_closed=closed)
    slope = plate.plate_area_slope(psi, bore, shaft=shaft, psi_closed=closed)
    assert slope == pytest.approx((up - down) / (2.0 * h), rel=1e-5)


@PROPERTY
@given(bore=bores, shaft_share=shaft_shares, closed=closed_angles, x=st.floats(0.01, 0.97))
def test_angle_returns_the_start(bore, shaft_share, closed, x):
    shaft = shaft_share * bore
    span = plate.saturation_angle(bore, shaft, psi_closed=closed) - closed
    psi = closed + x * span
    opened = plate.plate_area(psi, bore, shaft=shaft, psi_closed=closed)
    back = plate.plate_angle_for_area(opened, bore, shaft=shaft, psi_closed=closed)
    assert back == pytest.approx(psi, abs=1e-12)


@pytest.mark.parametrize("share", [1e-9, 1e-6, 1e-3, 0.5, 0.999, 1.0 - 1e-9])
@pytest.mark.parametrize("closed_deg", [0.0, 7.0])
@pytest.mark.parametrize("shaft", [0.0, 0.01])
def test_area_of_angle_returns_the_start(share, closed_deg, shaft):
    closed = closed_deg * RAD
    wanted = share * area(90.0, shaft=shaft, psi_closed=closed)
    psi = plate.plate_angle_for_area(wanted, BORE, shaft=shaft, psi_closed=closed)
    got = plate.plate_area(psi, BORE, shaft=shaft, psi_closed=closed)
    assert got == pytest.approx(wanted, abs=2e-15 * 0.25 * math.pi * BORE**2)


def test_angle_edges():
    psi_max = plate.saturation_angle(BORE, SHAFT, psi_closed=CLOSED)
    for wanted, psi in [(-1.0, CLOSED), (0.0, CLOSED), (1.0, psi_max), (area(90.0), psi_max)]:
        got = plate.plate_angle_for_area(wanted, BORE, shaft=SHAFT, psi_closed=CLOSED)
        assert got == psi


def test_area_edges():
    assert area(0.0) == 0.0
    assert area(-5.0) == 0.0
    assert area(120.0) == area(90.0)
    slope = plate.plate_area_slope(0.0, BORE, shaft=SHAFT, psi_closed=CLOSED)
    assert slope == 0.0
    assert plate.plate_area_slope(1.5, BORE, shaft=SHAFT, psi_closed=CLOSED) == 0.0


@PROPERTY
@given(bore=bores, closed=closed_angles, x=shares)
def test_no_shaft_is_the_simple_form(bore, closed, x):
    psi = closed + x * (0.5 * math.pi - closed)
    exact = plate.plate_area(psi, bore, shaft=0.0, psi_closed=closed)
    simple = plate.plate_area_simple(psi, bore, psi_closed=closed)
    assert exact == pytest.approx(simple, rel=1e-12, abs=1e-18)


def _shapely_area(psi_deg, shaft):
    shapely = pytest.importorskip("shapely")
    from shapely import affinity

    circle = shapely.Point(0.0, 0.0).buffer(30.0, quad_segs=4096)
    c = math.cos(psi_deg * RAD) / math.cos(CLOSED)
    blocked = affinity.scale(circle, xfact=1.0, yfact=c)
    if shaft > 0.0:
        blocked = blocked.union(shapely.box(-40.0, -0.5 * shaft, 40.0, 0.5 * shaft))
    return circle.difference(blocked).area


@pytest.mark.parametrize("psi_deg", [15.0, 30.0, 60.0, 78.0, 85.0])
@pytest.mark.parametrize("shaft", [0.0, 8.0])
def test_area_against_shapely(psi_deg, shaft):
    # Polygons of 16384 sides: their area is 2.5e-8 short.
    expected = _shapely_area(psi_deg, shaft)
    assert area(psi_deg, shaft=shaft * 1e-3) * 1e6 == pytest.approx(expected, rel=1e-6)


def test_ring_gap():
    # 60 mm and 30 um: 5.65 mm2, evaluated; exact annulus as a check of the first order.
    got = plate.ring_gap_area(0.06, 30e-6)
    assert got * 1e6 == pytest.approx(5.65, abs=0.005)
    assert got == pytest.approx(0.25 * math.pi * (0.06**2 - (0.06 - 60e-6) ** 2), rel=1e-3)


def test_series_area_limits():
    bore_area = 0.25 * math.pi * BORE**2
    assert plate.series_area(0.0, bore_area, loss_coefficient=0.3) == 0.0
    assert plate.series_area(1e-4, bore_area, loss_coefficient=0.0) == 1e-4
    small = plate.series_area(1e-5, bore_area, loss_coefficient=0.3)
    assert 1e-5 * (1.0 - 1e-5) < small < 1e-5
    endless = plate.series_area(1e3, bore_area, loss_coefficient=0.3)
    assert endless == pytest.approx(bore_area / math.sqrt(0.3), rel=1e-6)


@PROPERTY
@given(discharge=st.floats(1e-6, 1e-2), loss=st.floats(0.0, 2.0))
def test_series_area_adds_pressure_drops(discharge, loss):
    # At 0.1 kg/s and 1.2 kg/m3 the drops over orifice and bore must sum to that of the result.
    bore_area, m, rho = 0.25 * math.pi * BORE**2, 0.1, 1.2
    total = plate.series_area(discharge, bore_area, loss_coefficient=loss)
    orifice = m**2 / (2.0 * rho * discharge**2)
    bore_loss = loss * 0.5 * rho * (m / (rho * bore_area)) ** 2
    assert m**2 / (2.0 * rho * total**2) == pytest.approx(orifice + bore_loss, rel=1e-12)


CD = np.array([0.6, 0.7, 0.85, 0.9])
FIRST, STEP = 10.0 * RAD, 20.0 * RAD


@pytest.mark.parametrize("psi_deg", [0.0, 10.0, 15.0, 30.0, 44.0, 69.9, 70.0, 90.0])
def test_discharge_coefficient(psi_deg):
    got = plate.discharge_coefficient(psi_deg * RAD, CD, psi_first=FIRST, psi_step=STEP)
    expected = np.interp(psi_deg, [10.0, 30.0, 50.0, 70.0], CD)
    assert got == pytest.approx(expected, rel=1e-12)


def test_discharge_coefficient_of_one_point():
    one = np.array([0.7])
    for psi in (0.0, FIRST, 1.5):
        assert plate.discharge_coefficient(psi, one, psi_first=FIRST, psi_step=STEP) == 0.7


def _effective(psi_deg, leak=4e-6, loss=0.3):
    return plate.effective_area(
        psi_deg * RAD,
        BORE,
        shaft=SHAFT,
        psi_closed=CLOSED,
        cd_table=CD,
        psi_first=FIRST,
        psi_step=STEP,
        leak_area=leak,
        loss_coefficient=loss,
    )


def test_effective_area():
    assert _effective(0.0) == 4e-6
    assert _effective(7.0) == 4e-6
    # Table above at 30 degrees: 359.536 mm2 times Cd 0.7, plus 4 mm2 of leak.
    assert _effective(30.0, loss=0.0) * 1e6 == pytest.approx(359.536 * 0.7 + 4.0, rel=1e-5)
    assert _effective(90.0) < _effective(90.0, loss=0.0)
    values = [_effective(float(d)) for d in np.linspace(0.0, 90.0, 91)]
    assert np.all(np.diff(values) >= 0.0)


def test_hole_discharge_coefficient_is_of_a_thin_plate():
    # Sharp-edged orifice, pi / (pi + 2) = 0.611 from Kirchhoff's free jet (plane, incompressible).
    kirchhoff = math.pi / (math.pi + 2.0)
    assert abs(plate.HOLE_DISCHARGE_COEFFICIENT / kirchhoff - 1.0) < 0.02
