"""From a measured torque curve to volumetric efficiency, by the pedigree of the measurement."""

from __future__ import annotations

import numpy as np
from scipy.optimize import brentq

from throttlewright.build.engine import Engine
from throttlewright.build.schema import Build
from throttlewright.car.flows import engine_flow, over_speed, pipe_state
from throttlewright.car.operating import POINT_FIELDS, solve_point
from throttlewright.car.record import BoostState, Charging, copied
from throttlewright.car.torque import point_torque
from throttlewright.foundation.errors import InputError
from throttlewright.physics.atmosphere import (
    correction_din70020,
    correction_iso1585,
    correction_j1349,
    dry_pressure,
)
from throttlewright.physics.combustion import otto_efficiency

__all__ = ["CHAMBER_FACTOR", "efficiency_curve", "ve_from_dyno"]

CHAMBER_FACTOR = 0.677
"""Real over ideal-cycle efficiency; fitted to one 2.0 L turbo engine in a published parameter file
of a Swedish university, read at second hand. Other engines: about +-5 %."""

_LEAST, _MOST = 0.2, 1.5
"""Volumetric efficiency that any petrol engine can have."""

_LOSS = {"crank": 0.0, "hub": 0.07, "roller": 0.14}
"""Share lost between crank and measuring place; common practice, no source."""


def efficiency_curve(engine: Engine, omega: np.ndarray) -> np.ndarray:
    """Gross indicated efficiency over speed at best ignition and lambda 1.

    Parameters
    ----------
    engine : Engine
        Completed engine.
    omega : ndarray [rad/s]
        Engine speeds.

    Returns
    -------
    ndarray [-]
        From the build when given, else the Otto cycle times a chamber factor.
    """
    if engine.efficiency is not None:
        return np.asarray(np.interp(omega, engine.efficiency.speed, engine.efficiency.value))
    value = otto_efficiency(engine.compression_ratio, gamma=1.35) * CHAMBER_FACTOR
    return np.full(omega.shape, value)


def ve_from_dyno(build: Build, rec: np.void) -> tuple[np.ndarray, np.ndarray]:
    """Volumetric efficiency that explains a wide-open torque curve.

    The curve is brought back to the crank and to the day it was measured. Then, speed by speed, the
    volumetric efficiency is found with which this model gives that torque wide open: at the
    recorded MAP where there is one, else behind the build's own filter, plate and boost.

    Parameters
    ----------
    build : Build
        Completed build with a dyno curve.
    rec : record
        Record with engine, site and boost packed.

    Returns
    -------
    tuple of ndarray [rad/s, -]
        Speeds and volumetric efficiency (before the residual factor).

    Raises
    ------
    InputError
        If the curve asks for more air than any such engine takes.
    """
    dyno = build.engine.dyno
    if dyno is None:
        raise InputError("has no dyno curve", key="engine.dyno")
    speed = np.array(dyno.speed)
    p = dyno.ambient_pressure if dyno.ambient_pressure is not None else float(rec["p_ambient"])
    T = dyno.ambient_temperature if dyno.ambient_temperature is not None else build.site.temperature
    humidity = dyno.ambient_humidity if dyno.ambient_humidity is not None else build.site.humidity
    p_dry = dry_pressure(p, T, relative_humidity=humidity)
    factor = 1.0
    if dyno.correction == "SAE J1349":
        factor = correction_j1349(p_dry, T).factor
    elif dyno.correction == "ISO 1585":
        factor = correction_iso1585(p_dry, T).factor
    elif dyno.correction == "DIN 70020":
        factor = correction_din70020(p, T).factor
    loss = dyno.loss_share if dyno.loss_share is not None else _LOSS[dyno.measured_at or "crank"]
    torque = np.array(dyno.torque) / factor / (1.0 - loss)
    trial = copied(rec)
    trial["boost"] += p - float(rec["p_ambient"])
    trial["p_ambient"] = p
    trial["T_ambient"] = T
    trial["dry_share"] = p_dry / p
    trial["rated_flow"] = 1.0  # acts on exhaust temperature only, which is not asked for here
    if dyno.lambda_ is not None:
        trial["lambda_full"] = dyno.lambda_
    ve = np.array(
        [
            _ve_at(
                float(w),
                torque=float(t),
                manifold=None if dyno.map_pressure is None else dyno.map_pressure[i],
                trial=trial,
            )
            for i, (w, t) in enumerate(zip(speed, torque, strict=True))
        ]
    )
    for i, value in enumerate(ve):
        if not np.isfinite(value):
            raise InputError(
                f"needs a volumetric efficiency outside the allowed range at {dyno.rpm[i]:.0f} rpm",
                key="engine.dyno.torque",
                value=float(dyno.torque[i]),
                allowed=f"{_LEAST:g} to {_MOST:g}",
                advice="check unit, displacement, boost and where the torque was measured",
            )
    return speed, ve


def _ve_at(omega: float, *, torque: float, manifold: float | None, trial: np.void) -> float:
    """Volumetric efficiency with which the engine gives a torque wide open; NaN out of range."""
    out = np.empty(len(POINT_FIELDS))
    full = over_speed(trial["boost"], omega, omega_step=float(trial["omega_step"]))
    code = {
        Charging.NONE: BoostState.INSTANT,
        Charging.TURBO: BoostState.HELD,
    }.get(Charging(int(trial["charging"])), BoostState.SETTLED)

    def missing(ve: float) -> float:
        trial["ve_speed"] = ve
        if manifold is None:
            solve_point(
                omega,
                float(trial["psi_open"]),
                boost_code=float(code),
                boost_pressure=full,
                cold=1.0,
                car=trial,
                out=out,
            )
            return float(out[0]) - torque
        pipe, T_pipe = pipe_state(
            0.0,
            manifold,
            omega=omega,
            boost_code=float(BoostState.HELD),
            boost_pressure=max(manifold, float(trial["p_ambient"])),
            car=trial,
        )
        T = T_pipe + float(trial["charge_temperature_rise"])
        flow, back = engine_flow(manifold, T, pipe=pipe, omega=omega, car=trial)
        made, _ = point_torque(
            flow, manifold, p_exhaust=back, pipe=pipe, omega=omega, cold=1.0, car=trial
        )
        return float(made) - torque

    low, high = missing(_LEAST), missing(_MOST)
    if not low * high < 0.0:
        return float("nan")
    return float(brentq(missing, _LEAST, _MOST, xtol=1e-9))
