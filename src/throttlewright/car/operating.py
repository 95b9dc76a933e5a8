"""Operating points: the balance of plate, charging and engine for one speed and plate angle."""

from __future__ import annotations

import numpy as np

from throttlewright.car.flows import (
    back_pressure,
    engine_balance,
    engine_flow,
    over_speed,
    pipe_state,
    plate_area_of,
)
from throttlewright.car.record import CarRecord
from throttlewright.car.runners import runner_filling
from throttlewright.car.torque import point_torque
from throttlewright.foundation.compiled import kernel
from throttlewright.physics.gas import R_AIR, nozzle_flow

__all__ = ["POINT_FIELDS", "solve_point", "solve_surface"]

POINT_FIELDS = (
    "torque",
    "map",
    "pipe_pressure",
    "air_flow",
    "exhaust_temperature",
    "plate_pressure_ratio",
    "manifold_temperature",
    "exhaust_pressure",
)
"""What ``solve_surface`` writes along its last axis, SI."""

_OK = 0
_NO_BRACKET = 1
_MOST_STEPS = 60
_BALANCED = 1e-11
_SCAN = 20
_LOW = 500.0
_SHUT = 1e-9
"""Effective area below which a plate passes nothing [m2]."""


@kernel
def _imbalance(
    p_manifold: float,
    area: float,
    omega: float,
    boost_code: float,
    boost_pressure: float,
    car: CarRecord,
) -> tuple[float, float, float, float, float]:
    flow, pipe, T_pipe, p_exhaust = engine_balance(
        p_manifold, omega, boost_code, boost_pressure, car
    )
    through = nozzle_flow(pipe, p_manifold, T_pipe, T_pipe, area, car.gamma, car.shape_gamma, R_AIR)
    return through - flow, pipe, T_pipe, flow, p_exhaust


@kernel
def _written(
    out: np.ndarray,
    torque: float,
    p_manifold: float,
    pipe: float,
    flow: float,
    T_exhaust: float,
    T_manifold: float,
    p_exhaust: float,
) -> int:
    # the one place that knows the order of POINT_FIELDS
    out[0] = torque
    out[1] = p_manifold
    out[2] = pipe
    out[3] = flow
    out[4] = T_exhaust
    out[5] = p_manifold / pipe
    out[6] = T_manifold
    out[7] = p_exhaust
    return _OK


@kernel
def _solve_runners(
    omega: float,
    psi: float,
    boost_code: float,
    boost_pressure: float,
    cold: float,
    car: CarRecord,
    out: np.ndarray,
) -> int:
    area = plate_area_of(psi, car) / car.cylinders
    share, level = runner_filling(omega, area, car)
    flow = 0.0
    pipe = car.p_ambient
    T_pipe = car.T_ambient
    for _ in range(12):
        pipe, T_pipe = pipe_state(flow, level * pipe, omega, boost_code, boost_pressure, car)
        # shares count from wide open, where the runner stands at pipe pressure
        full, _ = engine_flow(pipe, T_pipe + car.charge_temperature_rise, pipe, omega, car)
        flow = share * full
    p_manifold = level * pipe
    p_exhaust = back_pressure(flow, pipe, car)
    # pumping work follows the pressure while the intake is open; the charge it leaves behind is
    # its best cycle-mean measure
    p_work = min(max(share, 0.15), 1.0) * pipe
    torque, T_exhaust = point_torque(flow, p_work, p_exhaust, pipe, omega, cold, car)
    T = T_pipe + car.charge_temperature_rise
    return _written(out, torque, p_manifold, pipe, flow, T_exhaust, T, p_exhaust)


@kernel
def _solve_shut(omega: float, cold: float, car: CarRecord, out: np.ndarray) -> int:
    """No air at all: the manifold is drawn down until residual gas fills the cylinders."""
    p_exhaust = back_pressure(0.0, car.p_ambient, car)
    p = p_exhaust * car.compression_ratio ** (-car.residual_exponent)
    torque, T_exhaust = point_torque(0.0, p, p_exhaust, car.p_ambient, omega, cold, car)
    T = car.T_ambient + car.charge_temperature_rise
    return _written(out, torque, p, car.p_ambient, 0.0, T_exhaust, T, p_exhaust)


@kernel
def _unsolved(out: np.ndarray) -> int:
    for k in range(out.shape[0]):
        out[k] = np.nan
    return _NO_BRACKET


@kernel
def _solve_from(
    omega: float,
    psi: float,
    boost_code: float,
    boost_pressure: float,
    cold: float,
    start: float,
    car: CarRecord,
    out: np.ndarray,
) -> int:
    # ``start`` is a pressure known to lie below the balance, such as that of a smaller opening
    if car.individual > 0.5:
        return _solve_runners(omega, psi, boost_code, boost_pressure, cold, car, out)
    area = plate_area_of(psi, car)
    if area <= _SHUT:
        return _solve_shut(omega, cold, car, out)
    full = over_speed(car.boost, omega, car.omega_step)
    top = max(car.p_ambient, full, car.spring_pressure)
    if boost_code > 0.5:
        top = max(top, boost_pressure)
    top *= 1.0005
    low = max(start, _LOW)
    f_low = _imbalance(low, area, omega, boost_code, boost_pressure, car)[0]
    if f_low <= 0.0 and low > _LOW:
        low = _LOW
        f_low = _imbalance(low, area, omega, boost_code, boost_pressure, car)[0]
    if f_low <= 0.0:
        return _unsolved(out)
    # walk up to the first change of sign: the lowest balance; steps grow, but never so far that
    # two balances of a turbo could hide between them
    longest = (top - _LOW) / _SCAN
    step = longest if low == _LOW else 0.1 * longest
    high = low
    f_high = f_low
    while f_high > 0.0:
        if high >= top:
            return _unsolved(out)
        low = high
        f_low = f_high
        high = min(low + step, top)
        f_high = _imbalance(high, area, omega, boost_code, boost_pressure, car)[0]
        step = min(2.0 * step, longest)
    # regula falsi with the Illinois weight, bisection where three steps have not halved the
    # bracket: near a pressure ratio of 1 the flow has a vertical tangent, which defeats Newton
    side = 0
    marked = high - low
    bisect = False
    for n in range(_MOST_STEPS):
        width = high - low
        if width < 1e-6:
            break
        if n % 3 == 2:
            bisect = width > 0.5 * marked
            marked = width
        p = 0.5 * (low + high) if bisect else high - f_high * width / (f_high - f_low)
        bisect = False
        if not (p > low and p < high):
            p = 0.5 * (low + high)
        f, _, _, flow, _ = _imbalance(p, area, omega, boost_code, boost_pressure, car)
        if abs(f) <= _BALANCED * flow:
            low = p
            high = p
            break
        if f > 0.0:
            low = p
            f_low = f
            if side == 1:
                f_high *= 0.5
            side = 1
        else:
            high = p
            f_high = f
            if side == -1:
                f_low *= 0.5
            side = -1
    p = 0.5 * (low + high)
    _, pipe, T_pipe, flow, p_exhaust = _imbalance(p, area, omega, boost_code, boost_pressure, car)
    torque, T_exhaust = point_torque(flow, p, p_exhaust, pipe, omega, cold, car)
    T = T_pipe + car.charge_temperature_rise
    return _written(out, torque, p, pipe, flow, T_exhaust, T, p_exhaust)


@kernel
def solve_point(
    omega: float,
    psi: float,
    boost_code: float,
    boost_pressure: float,
    cold: float,
    car: CarRecord,
    out: np.ndarray,
) -> int:
    """Solve one operating point: the manifold pressure at which plate and engine flow agree.

    Parameters
    ----------
    omega : float [rad/s]
        Engine speed, above 0.
    psi : float [rad]
        Plate angle from the plane normal to the bore.
    boost_code : float [-]
        A BoostState.
    boost_pressure : float [Pa]
        Target for SETTLED, pipe pressure for HELD, unused for INSTANT; absolute.
    cold : float [-]
        Friction over hot friction, 1 when warm.
    car : record [-]
        Packed car.
    out : ndarray [SI]
        Receives POINT_FIELDS; NaN where there is no solution.

    Returns
    -------
    int [-]
        A PointStatus.

    Notes
    -----
    Where a turbo allows two balances at one angle, the lower is taken: it is the one reached from
    a released pedal.
    """
    return _solve_from(omega, psi, boost_code, boost_pressure, cold, _LOW, car, out)


@kernel
def solve_surface(
    omega: np.ndarray,
    psi: np.ndarray,
    boost_code: float,
    boost_pressure: np.ndarray,
    cold: float,
    car: CarRecord,
    out: np.ndarray,
    status: np.ndarray,
) -> None:
    """Solve every point of a grid of speeds and plate angles.

    Parameters
    ----------
    omega : ndarray [rad/s]
        Engine speeds, shape (n,).
    psi : ndarray [rad]
        Plate angles, shape (n, m): a row of angles for each speed.
    boost_code : float [-]
        A BoostState.
    boost_pressure : ndarray [Pa]
        Target or held pressure before the plate, shape (n, m), absolute.
    cold : float [-]
        Friction over hot friction.
    car : record [-]
        Packed car.
    out : ndarray [SI]
        Receives POINT_FIELDS, shape (n, m, 8).
    status : ndarray [-]
        Receives a PointStatus for each point, shape (n, m).

    Returns
    -------
    None [-]
        Results are in ``out`` and ``status``.
    """
    for i in range(omega.shape[0]):
        start = _LOW
        for j in range(psi.shape[1]):
            if j > 0 and (
                psi[i, j] < psi[i, j - 1] or boost_pressure[i, j] < boost_pressure[i, j - 1]
            ):
                start = _LOW
            status[i, j] = _solve_from(
                omega[i], psi[i, j], boost_code, boost_pressure[i, j], cold, start, car, out[i, j]
            )
            start = out[i, j, 1] if status[i, j] == _OK else _LOW
