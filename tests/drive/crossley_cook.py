"""A published engine model as a foreign plant: Crossley and Cook, IEE Control 1991.

State: engine speed [rad/s], manifold pressure [bar]. Inputs: plate angle [deg], load [N m]. Read
from public copies of the paper; the inertia, 0.14 kg m2, is from memory and moves no
equilibrium. The delay of half a turn from filling to torque is left out for the same reason.
"""

from __future__ import annotations

import math

import numba
import numpy as np

from throttlewright.drive.kernel import Inputs, Plant, State, new_state

PUBLISHED_START = (2000.0 * math.pi / 30.0, 0.543)
AMBIENT, AIR_FUEL, SPARK, INERTIA = 1.0, 14.6, 15.0, 0.14
NUMBERS = np.array([AMBIENT, AIR_FUEL, SPARK, INERTIA])

plain = numba.njit(cache=False, error_model="numpy")


@plain
def inflow(plate_deg, p, ambient):
    th = plate_deg
    f = 2.821 - 0.05231 * th + 0.10299 * th**2 - 0.00063 * th**3
    if p <= 0.5 * ambient:
        return f
    if p <= ambient:
        return f * 2.0 / ambient * math.sqrt(p * ambient - p * p)
    if p <= 2.0 * ambient:
        return -f * 2.0 / p * math.sqrt(p * ambient - ambient * ambient)
    return -f


@plain
def outflow(w, p):
    return -0.366 + 0.08979 * w * p - 0.0337 * w * p * p + 0.0001 * w * w * p


@plain
def torque(charge, w, air_fuel, spark):
    return (
        -181.3
        + 379.36 * charge
        + 21.91 * air_fuel
        - 0.85 * air_fuel**2
        + 0.26 * spark
        - 0.0028 * spark**2
        + 0.027 * w
        - 0.000107 * w**2
        + 0.00048 * w * spark
        + 2.55 * spark * charge
        - 0.05 * spark**2 * charge
    )


@plain
def rates(w, p, u, car):
    out = outflow(w, p)
    charge = out * math.pi / w
    dw = (torque(charge, w, car[1], car[2]) - u[1]) / car[3]
    return dw, 0.41328 * (inflow(u[0], p, car[0]) - out)


@plain
def nothing_sampled(x, u, car):
    pass


@plain
def linearly_implicit(x, u, car, h):
    # (I - h J) dx = h f, J by differences
    w, p = x[0], x[1]
    f1, f2 = rates(w, p, u, car)
    dw, dp = 1e-4, 1e-7
    a1, a2 = rates(w + dw, p, u, car)
    b1, b2 = rates(w, p + dp, u, car)
    j11, j21 = 1.0 - h * (a1 - f1) / dw, -h * (a2 - f2) / dw
    j12, j22 = -h * (b1 - f1) / dp, 1.0 - h * (b2 - f2) / dp
    det = j11 * j22 - j12 * j21
    x[0] += h * (j22 * f1 - j12 * f2) / det
    x[1] += h * (j11 * f2 - j21 * f1) / det


CROSSLEY_COOK = Plant("Crossley and Cook", nothing_sampled, linearly_implicit, bare=True)


def begin(w: float, p: float) -> State:
    state = new_state(None)
    state["x"][:2] = w, p
    return state


def held_at(plate_deg: float, load: float, *, stride: float = 1.0) -> Inputs:
    table = np.array([[plate_deg, load]])
    return Inputs(table, np.zeros((0, 4)), np.zeros(0), np.array([0.0, stride]))
