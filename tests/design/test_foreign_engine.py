"""A published engine that is not ours: from its formulas to a pedal map and back on the engine.

Crossley and Cook, A nonlinear engine model for drivetrain system development, IEE Control 1991,
in the form found in three public restatements. Units of the source: degrees, bar, rad/s, g/s, g.
"""

from __future__ import annotations

import math
from functools import cache

import numpy as np
import pytest
from scipy.optimize import brentq

from throttlewright.build.intent import Mode
from throttlewright.car.surface import TorqueSurface
from throttlewright.design.feel import torque_wish
from throttlewright.design.pedal import PedalMap, design_pedal_map, one_to_one

RPM = math.pi / 30.0
AIR_FUEL = 14.6
SPARK = 15.0
AMBIENT = 1.0


def plate_factor(theta: float) -> float:
    return 2.821 - 0.05231 * theta + 0.10299 * theta**2 - 0.00063 * theta**3


def pressure_factor(p: float) -> float:
    if p <= AMBIENT / 2.0:
        return 1.0
    return 2.0 / AMBIENT * math.sqrt(max(p * AMBIENT - p * p, 0.0))


def air_out(speed: float, p: float) -> float:
    return -0.366 + 0.08979 * speed * p - 0.0337 * speed * p * p + 0.0001 * speed**2 * p


def brake_torque(charge: float, speed: float) -> float:
    return (
        -181.3
        + 379.36 * charge
        + 21.91 * AIR_FUEL
        - 0.85 * AIR_FUEL**2
        + 0.26 * SPARK
        - 0.0028 * SPARK**2
        + 0.027 * speed
        - 0.000107 * speed**2
        + 0.00048 * speed * SPARK
        + 2.55 * SPARK * charge
        - 0.05 * SPARK**2 * charge
    )


def steady(theta: float, speed: float) -> tuple[float, float, float]:
    """Manifold pressure, air flow and torque with the plate held."""
    p = brentq(
        lambda x: plate_factor(theta) * pressure_factor(x) - air_out(speed, x), 0.01, AMBIENT
    )
    flow = air_out(speed, p)
    return p, flow, brake_torque(flow * math.pi / speed, speed)


def test_formulas_give_the_published_values() -> None:
    # worked from the printed formulas by hand
    assert plate_factor(10.0) == pytest.approx(11.9669, abs=5e-5)
    assert air_out(200.0, 0.5) == pytest.approx(8.928, abs=5e-4)
    assert brake_torque(0.25, 200.0) == pytest.approx(64.82, abs=5e-3)


@pytest.mark.parametrize(
    # plate [deg], speed [rpm], pressure [bar], air [g/s], all at a load of 25 N m; the pressure of
    # the first is the published initial state (0.543 bar), the rest follows from the formulas
    ("theta", "rpm", "pressure", "air"),
    [(8.97, 1999.4, 0.5432, 10.146), (11.93, 2999.95, 0.4913, 15.785)],
)
def test_equilibria(theta: float, rpm: float, pressure: float, air: float) -> None:
    speed = brentq(lambda w: steady(theta, w)[2] - 25.0, 120.0, 500.0)
    p, flow, _ = steady(theta, speed)
    assert speed / RPM == pytest.approx(rpm, rel=1e-4)
    assert p == pytest.approx(pressure, rel=3e-4)
    assert flow == pytest.approx(air, rel=3e-4)


@cache
def foreign() -> TorqueSurface:
    omega = np.linspace(1000.0, 4500.0, 36) * RPM
    theta = np.concatenate((np.linspace(5.0, 20.0, 46), np.linspace(20.5, 60.0, 40)))
    torque = np.array([[steady(float(t), float(w))[2] for t in theta] for w in omega])
    return TorqueSurface(
        omega=omega,
        psi=np.radians(theta),
        torque=torque,
        values={},
        status=np.zeros(torque.shape, dtype=np.int64),
        boost_state="settled",
        name="Crossley and Cook",
    )


def errors(pedal_map: PedalMap, wanted: np.ndarray, before: np.ndarray) -> np.ndarray:
    """Torque of the engine itself at the plate of the map less the torque asked, as span shares."""
    surface = foreign()
    first, last = math.degrees(surface.psi[0]), math.degrees(surface.psi[-1])
    out = np.zeros((pedal_map.omega.size, int(before.sum())))
    for i, w in enumerate(pedal_map.omega):
        span = steady(last, w)[2] - steady(first, w)[2]
        plates = pedal_map.plate_pct[i, before]
        for j, pct in enumerate(plates):
            got = steady(first + pct / 100.0 * (last - first), float(w))[2]
            out[i, j] = (got - wanted[i, before][j]) / span
    return out


def test_map_makes_the_foreign_engine_even() -> None:
    mode = Mode(feel="even", basis="torque")
    # neither axis shares its points with the surface
    omega = np.array([1130.0, 1700.0, 2380.0, 3010.0, 3690.0, 4420.0]) * RPM
    pedal = np.linspace(0.0, 100.0, 26)
    made = design_pedal_map(foreign(), mode, pedal_pct=pedal, omega=omega)
    before = pedal <= 90.0
    # asked: the torque share grows with the pedal to 0.97 where the last part begins
    first, last = 5.0, 60.0
    closed = np.array([steady(first, w)[2] for w in omega])[:, None]
    full = np.array([steady(last, w)[2] for w in omega])[:, None]
    wanted = closed + 0.97 * (pedal / 90.0) * (full - closed)
    off = errors(made, wanted, before)
    assert off.size >= 60
    assert np.abs(off).max() < 0.01
    # the same measure condemns a plate that follows the pedal
    straight = one_to_one(omega)
    coarse = straight.pedal_pct <= 90.0
    wanted = closed + 0.97 * (straight.pedal_pct / 90.0) * (full - closed)
    assert np.abs(errors(straight, wanted, coarse)).max() > 0.2


@pytest.mark.parametrize("basis", ["power", "acceleration", "blend"])
@pytest.mark.parametrize("feel", ["even", "gentle"])
def test_other_feels_reach_what_they_ask(feel: str, basis: str) -> None:
    mode = Mode(feel=feel, basis=basis)
    omega = np.array([1250.0, 2500.0, 4000.0]) * RPM
    pedal = np.linspace(0.0, 100.0, 21)
    made = design_pedal_map(foreign(), mode, pedal_pct=pedal, omega=omega)
    wanted = torque_wish(mode, foreign(), omega, pedal / 100.0).torque
    assert np.abs(errors(made, wanted, pedal <= 90.0)).max() < 0.01
