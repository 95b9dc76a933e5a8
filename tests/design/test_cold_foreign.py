"""The share of a cold engine on engines that are not ours: ceilings inverted, then driven back.

Crossley and Cook, IEE Control 1991, without charging; with charging the parameter files of a 2.0 L
turbo engine, Vehicular Systems, Linkoping University, 2014 and 2015. Neither plant calls a line of
the package's physics.
"""

from __future__ import annotations

import importlib.util
import math
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from scipy.optimize import brentq

from throttlewright.build.catalogue import load_example
from throttlewright.calibration.table import Axis, Table
from throttlewright.car.pack import Car, pack
from throttlewright.car.record import BoostState
from throttlewright.car.surface import evaluate
from throttlewright.design.torque_share import angle_for_torque

RPM = math.pi / 30.0

_SPEC = importlib.util.spec_from_file_location(
    "foreign_plant", Path(__file__).parents[1] / "drive" / "crossley_cook.py"
)
assert _SPEC is not None
assert _SPEC.loader is not None
cc = importlib.util.module_from_spec(_SPEC)
_SPEC.loader.exec_module(cc)

# --- without charging: Crossley and Cook ---------------------------------------------------------

FIRST, LAST = 5.0, 60.0
COOLANT = np.array([0.0, 10.0, 20.0, 30.0, 40.0])
SHARE = np.array([0.35, 0.40, 0.45, 0.55, 0.65])


def foreign_torque(theta: np.ndarray, speed: np.ndarray) -> np.ndarray:
    """Steady torque of the published model; the balance of air is halved down on all points."""
    theta, speed = np.broadcast_arrays(np.asarray(theta, float), np.asarray(speed, float))
    passed = 2.821 - 0.05231 * theta + 0.10299 * theta**2 - 0.00063 * theta**3
    low, high = np.full(theta.shape, 0.01), np.ones(theta.shape)
    for _ in range(40):
        p = 0.5 * (low + high)
        factor = np.where(p <= 0.5, 1.0, 2.0 * np.sqrt(np.maximum(p - p * p, 0.0)))
        more = passed * factor > cc.outflow.py_func(speed, p)
        low, high = np.where(more, p, low), np.where(more, high, p)
    charge = cc.outflow.py_func(speed, p) * math.pi / speed
    return cc.torque.py_func(charge, speed, cc.AIR_FUEL, cc.SPARK)


@cache
def cold_table() -> Table:
    """The ceiling over coolant and speed, inverted by the product's own function."""
    rpm = np.linspace(1000.0, 4500.0, 12)
    closed, full = foreign_torque(FIRST, rpm * RPM), foreign_torque(LAST, rpm * RPM)
    wanted = closed[:, None] + SHARE * (full - closed)[:, None]

    def torque(psi: np.ndarray) -> np.ndarray:
        return foreign_torque(np.degrees(psi), (rpm * RPM)[:, None])

    psi = angle_for_torque(torque, wanted, low=math.radians(FIRST), high=math.radians(LAST))
    axes = (Axis("coolant_degC", "degC", COOLANT), Axis("engine_rpm", "rpm", rpm))
    return Table("cold", "plate", "deg", axes, np.round(np.degrees(psi.T), 3), percent_meaning="")


def pulled(coolant: float, seconds: float, *, plate: float | None = None) -> np.ndarray:
    """Share over the allowed one on the stepped plant while a dyno sweeps 1600 to 4200 rpm."""
    table = cold_table()
    allowed = float(np.interp(coolant, COOLANT, SHARE))
    h, ticks = 1e-3, round(1000 * seconds)
    x = np.array([1600.0 * RPM, 0.4])
    found = []
    for k in range(ticks):
        speed = (1600.0 + 2600.0 * k / ticks) * RPM
        x[0] = speed
        theta = plate if plate is not None else float(table.lookup(coolant, speed / RPM))
        cc.linearly_implicit(x, np.array([theta, 0.0]), cc.NUMBERS, h)
        if k % 100 == 99 and k > 1000:
            charge = cc.outflow(speed, x[1]) * math.pi / speed
            got = cc.torque(charge, speed, cc.AIR_FUEL, cc.SPARK)
            found.append((speed, got))
    speeds, got = np.array(found).T
    closed, full = foreign_torque(FIRST, speeds), foreign_torque(LAST, speeds)
    return (got - closed) / (full - closed) / allowed - 1.0


@pytest.mark.parametrize("coolant", [0.0, 15.0, 34.0])
def test_ceiling_keeps_the_share_on_crossley_and_cook(coolant: float) -> None:
    over = pulled(coolant, 12.0)
    assert over.size > 60
    # reached: +2.2 % at 1600 rpm, where the closed plate is nearly enough, then below 1 %
    assert over.max() < 0.03
    assert over.min() > -0.01


def test_one_fixed_opening_does_not_on_crossley_and_cook() -> None:
    # the opening that keeps the share at 4000 rpm
    plate = float(cold_table().lookup(0.0, 4000.0))
    assert pulled(0.0, 12.0, plate=plate).max() > 0.3


# --- with charging: the published 2.0 L turbo set -------------------------------------------------

DISPLACEMENT, R = 1998e-6, 287.0
VE = (1.7338e-9, -8.3904e-7, 1.3625e-4, -7.4009e-3, 0.93581)  # over rev/s
BMEP = (-2.7695e5, 12.582)  # Pa, over manifold pressure
GAMMA = 2.0  # of its plate law: the critical ratio is 0.4444
CD = 0.65
LEAK = 5.19e-6  # m2, effective, plate closed


@cache
def charged_car() -> Car:
    return pack(load_example("turbo_20").build)


def open_area(psi: float, car: Car) -> float:
    """Circle less ellipse outside the shaft, in strips [m2]; the plate is not in the source."""
    bore, shaft = float(car.record["bore"]), float(car.record["shaft"])
    y = np.linspace(-bore / 2.0, bore / 2.0, 20001)
    circle = np.sqrt(np.maximum((bore / 2.0) ** 2 - y**2, 0.0))
    ellipse = circle * math.cos(psi) / math.cos(float(car.record["psi_closed"]))
    half = np.maximum(circle - np.maximum(ellipse, shaft / 2.0), 0.0)
    return float(np.trapezoid(2.0 * half, y))


def flow(area: float, pipe: float, p: float, T: float) -> float:
    ratio = max(p / pipe, (2.0 / (GAMMA + 1.0)) ** (GAMMA / (GAMMA - 1.0)))
    psi = math.sqrt(
        2.0 * GAMMA / (GAMMA - 1.0) * (ratio ** (2.0 / GAMMA) - ratio ** ((GAMMA + 1.0) / GAMMA))
    )
    return area * pipe / math.sqrt(R * T) * psi


def charged(psi: float, speed: float, pipe: float, *, T: float) -> tuple[float, float]:
    """Torque [N m] and MAP [Pa] of the published set, pressure before the plate held."""
    area = CD * open_area(psi, charged_car()) + LEAK
    ve = float(np.polyval(VE, speed / (2.0 * math.pi)))
    taken = ve * DISPLACEMENT * speed / (4.0 * math.pi * R * T)
    p = brentq(lambda x: flow(area, pipe, x, T) - taken * x, 1e3, pipe)
    return (BMEP[0] + BMEP[1] * p) * DISPLACEMENT / (4.0 * math.pi), p


@pytest.mark.parametrize("pipe", [120e3, 150e3, 190e3])
@pytest.mark.parametrize("rpm", [2000.0, 3500.0, 5500.0])
def test_ceiling_keeps_the_share_on_the_published_turbo(rpm: float, pipe: float) -> None:
    car, omega = charged_car(), np.array([rpm * RPM])
    share = np.array([0.35, 0.45, 0.6, 0.7, 0.85])
    top = 190e3

    def torque(psi: np.ndarray, at: float = pipe) -> np.ndarray:
        return evaluate(car, omega, psi, state=BoostState.HELD, pressure=at)[0]["torque"]

    ends = np.array([[car.psi_closed, car.psi_open]])
    closed, full = torque(ends, top)[0]
    wanted = (closed + share * (full - closed))[None, :]
    psi = angle_for_torque(torque, wanted, low=car.psi_closed, high=car.psi_open)[0]
    shut, _ = charged(car.psi_closed, omega[0], top, T=310.0)
    wide, _ = charged(car.psi_open, omega[0], top, T=310.0)
    got = np.array([charged(float(a), omega[0], pipe, T=310.0)[0] for a in psi])
    over = (got - shut) / (wide - shut) / share - 1.0
    assert over.max() < 0.02
    # Reached at the settled pressure: 0 to -10 %, the torque line of the source having no pumping.
    # With less pressure ours has less back pressure and more torque per MAP, the source's has not:
    # down to -24 %, on the safe side. An open plate gives no more, whatever is allowed.
    least = -0.12 if pipe == top else -0.25
    assert over[psi < car.psi_open - 1e-3].min() > least


def test_pressure_before_the_plate_counts_on_the_published_turbo() -> None:
    """A ceiling made for one pressure before the plate lets more through at another."""
    car, speed = charged_car(), 3500.0 * RPM
    psi = car.psi_closed + 0.2 * (car.psi_open - car.psi_closed)
    at = [charged(psi, speed, pipe, T=310.0)[0] for pipe in (120e3, 190e3)]
    assert at[1] > 1.4 * at[0]
