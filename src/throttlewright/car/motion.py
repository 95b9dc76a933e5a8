"""A car set in motion: what stepping needs beyond the steady points, and states to start from."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from throttlewright.car.operating import POINT_FIELDS, solve_point
from throttlewright.car.pack import Car
from throttlewright.car.plant_driveline import start_rolling, start_standing
from throttlewright.car.plant_turbo import pack_stepping, pack_turbo, surge_line_of
from throttlewright.car.record import BoostState, copied
from throttlewright.car.state import (
    AIR_PLATE,
    BOOSTER,
    COOLANT,
    DELAY_LENGTH,
    DELAY_RING,
    FLOW_COMPRESSOR,
    FLOW_CYLINDERS,
    FLOW_EXHAUST,
    FLOW_PLATE,
    LOST,
    N_STATE,
    OIL,
    OMEGA,
    P_EXHAUST,
    P_MANIFOLD,
    P_PIPE,
    PLATE,
    RATIO_WAS,
    T_EXHAUST,
    T_MANIFOLD,
    T_PIPE,
    T_PORT,
    TURBINE_HEAT,
    TURBO_SPEED,
    WINDING,
)
from throttlewright.physics.compressor_map import CompressorMap
from throttlewright.physics.gas import R_AIR

__all__ = ["in_motion", "start_state"]


def in_motion(car: Car, *, compressor: CompressorMap | None = None) -> Car:
    """Return the car with everything packed that stepping in time needs.

    Parameters
    ----------
    car : Car
        A packed car.
    compressor : CompressorMap, optional
        Measured compressor, for its surge line; a typical line otherwise.

    Returns
    -------
    Car
        A copy; the given car is unchanged.
    """
    rec = copied(car.record)
    pack_stepping(rec)
    pack_turbo(rec, car.build)
    if compressor is not None and car.turbo:
        rec["surge_flow"] = surge_line_of(rec, compressor)
    return replace(car, record=rec)


def start_state(
    car: Car,
    *,
    omega: float,
    speed: float,
    ratio: float,
    opening: float,
    coolant: float,
    oil: float | None = None,
) -> np.ndarray:
    """State of the car at a steady engine speed and plate, before boost has come.

    Parameters
    ----------
    car : Car
        A car in motion.
    omega : float [rad/s]
        Engine speed; 0 for a standing engine.
    speed : float [m/s]
        Road speed; with a gear engaged it follows from the engine speed instead.
    ratio : float [-]
        Gear times final drive; 0 in neutral.
    opening : float [rad]
        Plate above the closed stop.
    coolant : float [K]
        Coolant temperature.
    oil : float [K]
        Oil temperature; as the coolant when left out.

    Returns
    -------
    ndarray [SI]
        State of shape (N_STATE,).
    """
    rec = car.record
    x = np.zeros(N_STATE)
    ambient, T = float(rec["p_ambient"]), float(rec["T_ambient"])
    x[PLATE] = x[AIR_PLATE] = opening
    x[WINDING] = T
    x[COOLANT] = coolant
    x[OIL] = coolant if oil is None else oil
    x[P_PIPE] = x[P_MANIFOLD] = x[P_EXHAUST] = ambient
    x[BOOSTER] = ambient
    x[T_PIPE] = T
    x[T_MANIFOLD] = T + float(rec["charge_temperature_rise"])
    x[T_EXHAUST] = x[T_PORT] = coolant
    x[TURBINE_HEAT] = 1.0
    x[TURBO_SPEED] = 1.0
    if omega > 0.0:
        _running(x, car, omega, opening, coolant)
    x[RATIO_WAS] = ratio
    if ratio > 0.0:
        start_rolling(x, omega / ratio * float(rec["tyre_radius"]), ratio=ratio, car=rec)
    elif speed > 0.0:
        start_rolling(x, speed, ratio=0.0, car=rec)
        x[OMEGA] = omega
    else:
        start_standing(x, omega, ratio=ratio)
    return x


def _running(x: np.ndarray, car: Car, omega: float, opening: float, coolant: float) -> None:
    from throttlewright.car.plant import lost_now

    rec = car.record
    point = np.empty(len(POINT_FIELDS))
    solve_point(
        omega,
        float(rec["psi_closed"]) + opening,
        boost_code=float(BoostState.INSTANT),
        boost_pressure=0.0,
        cold=1.0,
        car=rec,
        out=point,
    )
    at = dict(zip(POINT_FIELDS, point, strict=True))
    if not math.isfinite(at["air_flow"]):
        return
    x[OMEGA] = omega
    x[P_PIPE] = at["pipe_pressure"]
    x[P_MANIFOLD] = at["map"]
    x[P_EXHAUST] = at["exhaust_pressure"]
    x[T_MANIFOLD] = at["manifold_temperature"]
    if rec["adiabatic"] > 0.5:
        x[T_MANIFOLD] -= float(rec["charge_temperature_rise"])
    x[BOOSTER] = min(at["map"], float(rec["p_ambient"]))
    for place in (FLOW_COMPRESSOR, FLOW_PLATE, FLOW_CYLINDERS, FLOW_EXHAUST):
        x[place] = at["air_flow"]
    x[DELAY_RING : DELAY_RING + DELAY_LENGTH] = at["air_flow"] / omega
    x[T_EXHAUST] = x[T_PORT] = at["exhaust_temperature"]
    x[LOST] = lost_now(x, car=rec)
    if car.turbo:
        # the wheel is dragged along by the air: the flow coefficient of no work
        density = at["pipe_pressure"] / (R_AIR * float(rec["T_ambient"]))
        diameter = float(rec["compressor_diameter"])
        phi = 1.0 / math.sqrt(float(rec["compressor_k2"]))
        tip = at["air_flow"] / (density * 0.5 * math.pi * diameter**2 * phi)
        x[TURBO_SPEED] = max(2.0 * tip / diameter, 50.0)
