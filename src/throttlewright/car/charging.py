"""How boost is packed: the measured curve, what a turbo reaches, the bypass of a supercharger."""

from __future__ import annotations

import math

import numpy as np
from scipy.interpolate import PchipInterpolator

from throttlewright.build.schema import Build
from throttlewright.car.flows import ROUNDING
from throttlewright.car.operating import POINT_FIELDS, solve_point
from throttlewright.car.record import SPEED_POINTS, BoostState
from throttlewright.physics.gas import restriction_drop

__all__ = ["boost_curve", "pack_charging", "smooth_curve"]

_BYPASS_BAND = 10e3
_BYPASS_SHARE = 1.3
"""Manifold vacuum over which a supercharger bypass closes, over its boost, at least 10 kPa; tool
default. A valve that closes over less than the boost it lets through has two balances at one plate
angle: the engine would jump between them. Measure the real valve."""
_MOST_LIFT = 10e3
"""How far reach lies above a measured point that the boost target itself caps [Pa]."""


def smooth_curve(x: np.ndarray, y: np.ndarray, at: np.ndarray) -> np.ndarray:
    """Read a measured curve without overshoot (monotone cubic), held at its ends.

    Parameters
    ----------
    x : ndarray [any]
        Ascending points.
    y : ndarray [any]
        Values at the points.
    at : ndarray [any]
        Where to read.

    Returns
    -------
    ndarray [any]
        Values, shape of ``at``.
    """
    return np.asarray(PchipInterpolator(x, y)(np.clip(at, x[0], x[-1])))


def boost_curve(rec: np.void, build: Build) -> np.ndarray:
    """Wide-open, settled pressure before the plate on the record's speed grid, absolute [Pa].

    Parameters
    ----------
    rec : record [-]
        With site and speed grid packed.
    build : Build
        Completed build.

    Returns
    -------
    ndarray [Pa]
        Ambient pressure throughout where there is no charging.
    """
    omega = float(rec["omega_step"]) * np.arange(SPEED_POINTS)
    ambient = float(rec["p_ambient"])
    if build.boost is None:
        return np.full(SPEED_POINTS, ambient)
    speed, gauge = np.array(build.boost.speed), np.array(build.boost.gauge_pressure)
    if speed[0] > 0.0 and gauge[0] > 0.0:
        # nothing is known below the first point; boost fades out towards half its speed
        speed = np.concatenate(([0.5 * speed[0]], speed))
        gauge = np.concatenate(([0.0], gauge))
    return ambient + smooth_curve(speed, gauge, omega)


def pack_charging(rec: np.void, build: Build, *, fit_spool: bool = True) -> None:
    """Pack spring, bypass and spool of a record whose engine, plate and boost are packed.

    Parameters
    ----------
    rec : record [-]
        Changed in place.
    build : Build
        Completed build.
    fit_spool : bool
        Whether to work out what the turbo reaches; a car moved to another site keeps its own.
    """
    ambient = float(rec["p_ambient"])
    rec["spring_pressure"] = ambient
    if build.supercharger is not None:
        rec["bypass"] = 1.0 if build.supercharger.bypass else 0.0
    if build.centrifugal is not None:
        rec["bypass"] = 1.0 if build.centrifugal.relief_valve else 0.0
    rec["bypass_band"] = max(_BYPASS_BAND, _BYPASS_SHARE * (float(np.max(rec["boost"])) - ambient))
    if build.turbo is None:
        return
    turbo = build.turbo
    rec["spring_pressure"] = ambient + turbo.wastegate_spring
    rec["spool_time"] = turbo.time_to_boost / math.log(10.0)
    if fit_spool:
        _pack_spool(rec, build)


def _pack_spool(rec: np.void, build: Build) -> None:
    """Pressure ratio that the turbo reaches over flow, from measured wide-open boost.

    Before the wastegate opens, boost is all the exhaust can give: PI - 1 = factor * flow**exponent.
    The exponent is the slope of the rising points, the factor over speed makes every measured
    point come out wide open. Where the wastegate regulates only a lower bound is known; there the
    factor of the last rising point is kept.
    """
    turbo = build.turbo
    if turbo is None:
        return
    ambient, spring = float(rec["p_ambient"]), float(rec["spring_pressure"])
    speed, gauge = np.array(turbo.boost.speed), np.array(turbo.boost.gauge_pressure)
    point = np.empty(len(POINT_FIELDS))
    flow, need = np.empty(speed.size), np.empty(speed.size)
    for i, (w, g) in enumerate(zip(speed, gauge, strict=True)):
        solve_point(
            float(w),
            float(rec["psi_open"]),
            boost_code=float(BoostState.HELD),
            boost_pressure=ambient + float(g),
            cold=1.0,
            car=rec,
            out=point,
        )
        flow[i] = point[POINT_FIELDS.index("air_flow")]
        inlet = ambient - restriction_drop(
            flow[i],
            ambient,
            T_up=float(rec["T_ambient"]),
            resistance=float(rec["filter_resistance"]),
        )
        # the rounded minimum of reach and target is what must come out as the measured boost
        above = max(spring - (ambient + g), 1.0)
        lift = min(ROUNDING**2 / above, _MOST_LIFT)
        need[i] = max((ambient + g + lift) / inlet - 1.0, 1e-4)
    rising = (gauge > 0.02e5) & (gauge < 0.97 * gauge.max())
    rising &= np.arange(gauge.size) <= int(np.argmax(gauge))
    # boost given for a standing engine says nothing of the turbo
    turning = flow > 1e-6
    flow, need, speed, rising = flow[turning], need[turning], speed[turning], rising[turning]
    exponent = 2.0
    if int(rising.sum()) >= 2:
        slope, _ = np.polyfit(np.log(flow[rising]), np.log(need[rising]), 1)
        exponent = float(np.clip(slope, 1.2, 2.0))
    factor = need / flow**exponent
    if rising.any():
        last = int(np.nonzero(rising)[0][-1])
        factor[last + 1 :] = np.maximum(factor[last + 1 :], factor[last])
    omega = float(rec["omega_step"]) * np.arange(SPEED_POINTS)
    rec["spool_exponent"] = exponent
    rec["spool_factor"] = np.interp(omega, speed, factor)
