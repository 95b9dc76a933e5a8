"""Turbo of the car in motion: wheel, shaft inertia and wastegate from what a tuner knows of it."""

from __future__ import annotations

import math

import numpy as np

from throttlewright.build.schema import Build
from throttlewright.car.flows import engine_flow, over_speed, plate_area_of
from throttlewright.car.plant import TICK, car_sample
from throttlewright.car.plant_air import air_step
from throttlewright.car.plant_flows import compressor_head
from throttlewright.car.record import (
    AREA_POINTS,
    COLD_FIRST,
    COLD_POINTS,
    COLD_STEP,
    SURGE_POINTS,
    CarRecord,
)
from throttlewright.car.state import (
    COOLANT,
    N_INPUT,
    N_STATE,
    OIL,
    OMEGA,
    P_EXHAUST,
    P_MANIFOLD,
    P_PIPE,
    T_EXHAUST,
    T_MANIFOLD,
    T_PIPE,
    TURBINE_HEAT,
    TURBO_SPEED,
    U_FUEL,
    U_GRIP,
)
from throttlewright.foundation.compiled import kernel
from throttlewright.physics.compressor_map import CompressorMap
from throttlewright.physics.friction import WARM_ENGINE, friction_over_warm
from throttlewright.physics.gas import (
    CP_AIR,
    R_AIR,
    choked_flow_function,
    critical_pressure_ratio,
    flow_function,
    flow_function_slope,
)

__all__ = ["SURGE_RATIOS", "pack_stepping", "pack_turbo", "surge_line_of"]

SURGE_RATIOS = np.linspace(1.0, 4.0, SURGE_POINTS)
"""Pressure ratios at which the surge flow of a car is kept."""

_K1, _K2 = 0.31972, 18.1518
"""Compressor ellipse of a published 2.0 L turbo set."""
_BEST_FLOW = 0.15
"""Flow coefficient at which a matched compressor works at full boost; the ellipse ends at 0.235.
Common practice, no source."""
_SURGE_SHARE = 0.35
"""Surge flow over the flow of best work on the same speed line; common practice, no source."""
_WASTEGATE_BAND = 0.8
"""Pressure from cracking to full opening over that of cracking; common practice, no source."""
_KNEE = 1.4
"""Boost at which the law of reach begins to bend over, in largest measured boosts; tool default."""
_PR_LINEAR = 0.995
_LIGHTEST, _HEAVIEST = 2e-6, 2e-3
"""Inertia of the smallest and largest shafts there are [kg m2]."""
_HALVINGS = 7
_MOST_TICKS = 12_000
_RATED_BOOST_SPEED = 3500.0 * math.pi / 30.0


def pack_stepping(rec: np.void) -> None:
    """Fill what only the stepping needs: tables of plate area and cold friction, plate law.

    Parameters
    ----------
    rec : record [-]
        Packed car, changed in place.
    """
    travel = float(rec["servo_travel"])
    closed = float(rec["psi_closed"])
    openings = np.linspace(0.0, travel, AREA_POINTS)
    rec["area_table"] = [plate_area_of(closed + float(a), car=rec) for a in openings]
    gamma, shape = float(rec["gamma"]), float(rec["shape_gamma"])
    choked, own = choked_flow_function(gamma), choked_flow_function(shape)
    rec["psi_choked"] = choked
    rec["psi_scale"] = choked / own * math.sqrt(2.0 * shape / (shape - 1.0))
    rec["pr_critical"] = critical_pressure_ratio(shape)
    rec["pr_linear"] = _PR_LINEAR
    rec["psi_linear"] = flow_function(_PR_LINEAR, gamma, shape_gamma=shape)
    slope = flow_function_slope(_PR_LINEAR, gamma, shape_gamma=shape)
    rec["psi_rise"] = -slope * (1.0 - _PR_LINEAR)
    T = COLD_FIRST + COLD_STEP * np.arange(COLD_POINTS)
    rec["cold_friction"] = [friction_over_warm(float(t)) for t in T]


def pack_turbo(rec: np.void, build: Build) -> None:
    """Size wheel, wastegate and shaft so that the car in motion does what its build says.

    Parameters
    ----------
    rec : record [-]
        Packed car, changed in place.
    build : Build
        Completed build.

    Notes
    -----
    The wheel is sized so that it works at its best flow coefficient where the measured boost asks
    most of it. The wastegate, fully open, holds nine tenths of its spring at rated flow. The
    inertia makes the car in motion take the time of the build from windmilling to 90 % of the
    target at 3500 rpm, plate opened at once and wastegate shut; a shaft lighter than any there is
    is not assumed, so a time shorter than filling the pipes takes is not met.
    """
    turbo = build.turbo
    if turbo is None:
        return
    rec["compressor_k1"], rec["compressor_k2"] = _K1, _K2
    rec["controllable"] = 1.0 if turbo.controllable else 0.0
    ambient = float(rec["p_ambient"])
    speed = np.array(turbo.boost.speed)
    gauge = np.array(turbo.boost.gauge_pressure)
    points = zip(speed, gauge, strict=True)
    flow = np.array([_wide_open(rec, float(w), ambient + float(g)) for w, g in points])
    hardest = int(np.argmax(flow * gauge))
    _size_wheel(rec, float(flow[hardest]), ambient + float(gauge[hardest]))
    rec["reach_knee"] = _KNEE * float(np.max(gauge)) / ambient
    spring = float(rec["spring_pressure"])
    rec["wastegate_band"] = 8e3
    if turbo.controllable:
        rec["wastegate_band"] = max(_WASTEGATE_BAND * (spring - ambient), 25e3)
    rated = int(np.argmax(flow))
    factor = over_speed(
        rec["spool_factor"], float(speed[rated]), omega_step=float(rec["omega_step"])
    )
    least = 0.9 * (spring - ambient) / ambient
    through = (least / factor) ** (1.0 / float(rec["spool_exponent"]))
    rec["wastegate_ratio"] = max(float(flow[rated]) / through - 1.0, 0.5)
    rec["wastegate_lag"] = turbo.wastegate_lag
    rec["relief_area"] = turbo.relief_area if turbo.relief_valve else 0.0
    rec["relief_lag"] = turbo.relief_lag
    rec["surge_flow"] = [_surge_flow(rec, float(ratio)) for ratio in SURGE_RATIOS]
    rec["turbo_inertia"] = _inertia(rec, turbo.time_to_boost)


def surge_line_of(rec: np.void, compressor: CompressorMap) -> np.ndarray:
    """Surge flow of a compressor map in the form a car keeps it.

    Parameters
    ----------
    rec : record [-]
        Packed car, for the state of its inlet.
    compressor : CompressorMap
        Speed lines with their reference state.

    Returns
    -------
    ndarray [kg/s]
        Flow at ``SURGE_RATIOS`` and the site's ambient; infinite above the map.
    """
    # corrected = flow sqrt(T / T_ref) / (p / p_ref)
    back = float(rec["p_ambient"]) / compressor.p_ref
    back *= math.sqrt(compressor.T_ref / float(rec["T_ambient"]))
    return np.array([compressor.surge_flow(float(r)) for r in SURGE_RATIOS]) * back


def _wide_open(rec: np.void, omega: float, pipe: float) -> float:
    T = float(rec["T_ambient"] + rec["charge_temperature_rise"])
    flow, _ = engine_flow(pipe, T, pipe=pipe, omega=omega, car=rec)
    return float(flow)


def _size_wheel(rec: np.void, flow: float, pipe: float) -> None:
    head = compressor_head(pipe, flow, car=rec)
    psi = math.sqrt((1.0 - _K2 * _BEST_FLOW**2) / _K1)
    T = float(rec["T_ambient"])
    tip = math.sqrt(2.0 * CP_AIR * T * head / psi)
    density = float(rec["p_ambient"]) / (R_AIR * T)
    rec["compressor_diameter"] = math.sqrt(2.0 * flow / (math.pi * density * tip * _BEST_FLOW))


def _surge_flow(rec: np.void, ratio: float) -> float:
    if ratio <= 1.0:
        return 0.0
    gamma, T = float(rec["gamma"]), float(rec["T_ambient"])
    phi = _SURGE_SHARE * _BEST_FLOW
    psi = math.sqrt((1.0 - _K2 * phi**2) / _K1)
    head = ratio ** ((gamma - 1.0) / gamma) - 1.0
    tip = math.sqrt(2.0 * CP_AIR * T * head / psi)
    diameter = float(rec["compressor_diameter"])
    return float(rec["p_ambient"]) / (R_AIR * T) * tip * 0.5 * math.pi * diameter**2 * phi


@kernel
def _ticks_to(gauge: float, x: np.ndarray, u: np.ndarray, car: CarRecord) -> float:
    # ticks from opening the plate at held engine speed until the pipe has a boost
    for k in range(_MOST_TICKS):
        car_sample(x, u, car)
        air_step(x, u, car.servo_travel, car.servo_travel, x[OMEGA], car, TICK)
        if x[P_PIPE] - car.p_ambient >= gauge:
            return k + 1.0
    return float(_MOST_TICKS)


def _released(rec: np.void, omega: float) -> np.ndarray:
    """State of the engine at a held speed, the shaft windmilling behind a released pedal."""
    x = np.zeros(N_STATE)
    ambient, T = float(rec["p_ambient"]), float(rec["T_ambient"])
    x[OMEGA] = omega
    x[P_PIPE] = x[P_EXHAUST] = ambient
    x[P_MANIFOLD] = 0.3 * ambient
    x[T_PIPE], x[T_MANIFOLD] = T, T + float(rec["charge_temperature_rise"])
    x[T_EXHAUST] = x[COOLANT] = x[OIL] = WARM_ENGINE
    x[TURBINE_HEAT] = 1.0
    x[TURBO_SPEED] = _windmill(rec, omega)
    return x


def _time_to_boost(rec: np.void, inertia: float) -> float:
    """Time from a released pedal to 90 % of the target, wastegate shut [s]."""
    omega, step = _RATED_BOOST_SPEED, float(rec["omega_step"])
    ambient = float(rec["p_ambient"])
    full = over_speed(rec["boost"], omega, omega_step=step) - ambient
    if full < 2e3:
        # nothing to wait for at that speed: the top of the range stands for it
        omega = float(rec["limit_omega"])
        full = max(over_speed(rec["boost"], omega, omega_step=step) - ambient, 1e3)
    rec["turbo_inertia"] = inertia
    u = np.zeros(N_INPUT)
    u[U_FUEL] = u[U_GRIP] = 1.0
    return TICK * _ticks_to(0.9 * full, _released(rec, omega), u=u, car=rec)


def _inertia(rec: np.void, wanted: float) -> float:
    """Inertia with which the car in motion takes the time that its build says [kg m2]."""
    low, high = _LIGHTEST, _LIGHTEST * 8.0
    while _time_to_boost(rec, high) < wanted and high < _HEAVIEST:
        low, high = high, 4.0 * high
    for _ in range(_HALVINGS):
        middle = math.sqrt(low * high)
        if _time_to_boost(rec, middle) < wanted:
            low = middle
        else:
            high = middle
    return math.sqrt(low * high)


def _windmill(rec: np.void, omega: float) -> float:
    """Shaft speed that the released engine's air alone drags along."""
    released = 0.25 * _wide_open(rec, omega, float(rec["p_ambient"]))
    density = float(rec["p_ambient"]) / (R_AIR * float(rec["T_ambient"]))
    tip = (
        released
        * math.sqrt(_K2)
        * 2.0
        / (density * math.pi * float(rec["compressor_diameter"]) ** 2)
    )
    return max(2.0 * tip / float(rec["compressor_diameter"]), 50.0)
