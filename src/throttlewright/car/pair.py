"""Plate and boost target designed together: one torque, one pair of numbers."""

from __future__ import annotations

import numpy as np

from throttlewright.car.flows import engine_balance, over_speed, plate_for_flow
from throttlewright.car.record import CarRecord
from throttlewright.car.torque import point_torque
from throttlewright.foundation.compiled import kernel

__all__ = ["PAIR_FIELDS", "solve_pairs"]

PAIR_FIELDS = ("psi", "boost_target", "map", "pipe_pressure", "air_flow", "torque")

_SETTLED = 1.0
_BISECTIONS = 44


@kernel
def _pair_torque(
    p_manifold: float, omega: float, margin: float, cold: float, car: CarRecord
) -> tuple[float, float, float, float, float]:
    full = over_speed(car.boost, omega, car.omega_step)
    target = min(max(p_manifold + margin, car.spring_pressure), max(full, car.spring_pressure))
    flow, pipe, T_pipe, p_exhaust = engine_balance(p_manifold, omega, _SETTLED, target, car)
    torque = point_torque(flow, p_manifold, p_exhaust, pipe, omega, cold, car)[0]
    return torque, target, pipe, T_pipe, flow


@kernel
def solve_pairs(
    omega: np.ndarray,
    torque: np.ndarray,
    margin: float,
    cold: float,
    car: CarRecord,
    out: np.ndarray,
) -> None:
    """Find plate angle and boost target that give each torque in the settled state.

    Parameters
    ----------
    omega : ndarray [rad/s]
        Engine speeds, shape (n,).
    torque : ndarray [N m]
        Torque asked, shape (n, m).
    margin : float [Pa]
        Pipe pressure above the manifold pressure needed, 10e3 to 20e3 leaves the plate authority.
    cold : float [-]
        Friction over hot friction.
    car : record [-]
        Packed car.
    out : ndarray [SI]
        Receives PAIR_FIELDS, shape (n, m, 6). The torque field holds what is reached.

    Returns
    -------
    None [-]
        Results are in ``out``.

    Notes
    -----
    The boost target follows the manifold pressure at ``margin`` and never goes under the wastegate
    spring, which no controller can undercut, nor above the wide-open boost of that speed.
    """
    for i in range(omega.shape[0]):
        w = omega[i]
        full = over_speed(car.boost, w, car.omega_step)
        for j in range(torque.shape[1]):
            low = 500.0
            high = max(full, car.p_ambient, car.spring_pressure)
            for _ in range(_BISECTIONS):
                p = 0.5 * (low + high)
                if _pair_torque(p, w, margin, cold, car)[0] < torque[i, j]:
                    low = p
                else:
                    high = p
            p = 0.5 * (low + high)
            reached, target, pipe, T_pipe, flow = _pair_torque(p, w, margin, cold, car)
            out[i, j, 0] = plate_for_flow(flow, pipe, p, T_pipe, car)
            out[i, j, 1] = target
            out[i, j, 2] = p
            out[i, j, 3] = pipe
            out[i, j, 4] = flow
            out[i, j, 5] = reached
