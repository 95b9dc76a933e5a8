"""From a measured torque curve to volumetric efficiency, by the pedigree of the measurement."""

from __future__ import annotations

import math

import numpy as np

from throttlewright.build.engine import Engine
from throttlewright.build.schema import Build
from throttlewright.car.flows import over_speed
from throttlewright.car.operating import point_torque
from throttlewright.foundation.errors import InputError
from throttlewright.physics.atmosphere import (
    correction_din70020,
    correction_iso1585,
    correction_j1349,
    dry_pressure,
)
from throttlewright.physics.combustion import otto_efficiency
from throttlewright.physics.cylinders import residual_factor
from throttlewright.physics.gas import R_AIR

__all__ = ["CHAMBER_FACTOR", "efficiency_curve", "ve_from_dyno"]

CHAMBER_FACTOR = 0.677
"""Real over ideal-cycle efficiency; fitted to one 2.0 L turbo engine in a published parameter file
of a Swedish university, read at second hand. Other engines: about +-5 %."""

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

    The curve is brought back to the crank and to the day it was measured, then the air that makes
    that torque is found and divided by what the cylinders would hold at manifold pressure.

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
    step = float(rec["omega_step"])
    if dyno.map_pressure is not None:
        manifold = np.array(dyno.map_pressure)
    else:
        manifold = np.array([over_speed(rec["boost"], float(w), omega_step=step) for w in speed])
        manifold = manifold - float(rec["p_ambient"]) + p
    ve = np.empty_like(torque)
    lam = dyno.lambda_ if dyno.lambda_ is not None else float(rec["lambda_full"])
    trial = np.array(rec).reshape(1)[0]
    trial["lambda_full"] = lam
    trial["p_ambient"] = p
    for i, w in enumerate(speed):
        back = p + float(rec["exhaust_rise"])
        back += float(rec["turbine_pressure_share"]) * max(manifold[i] - p, 0.0)
        # torque is affine in air flow at fixed pressures: two points give the line
        at0 = point_torque(
            0.0, float(manifold[i]), p_exhaust=back, omega=float(w), cold=1.0, car=trial
        )[0]
        at1 = point_torque(
            0.1, float(manifold[i]), p_exhaust=back, omega=float(w), cold=1.0, car=trial
        )[0]
        flow = 0.1 * (torque[i] - at0) / (at1 - at0)
        charge = T + float(rec["charge_temperature_rise"])
        if build.charging_kind != "none":
            charge += (
                (1.0 - float(rec["intercooler_effectiveness"]))
                * T
                * 0.4
                * ((manifold[i] / p) ** 0.2857 - 1.0)
                / 0.4
                / 0.7
            )
        full = manifold[i] * float(rec["displacement"]) * w / (4.0 * math.pi * R_AIR * charge)
        bracket = residual_factor(
            back,
            float(manifold[i]),
            compression_ratio=float(rec["compression_ratio"]),
            k=float(rec["residual_exponent"]),
        )
        ve[i] = flow / full / bracket
        if not 0.2 < ve[i] < 1.5:
            raise InputError(
                f"asks for a volumetric efficiency of {ve[i]:.2f} at {w * 30 / math.pi:.0f} rpm",
                key="engine.dyno.torque",
                value=float(dyno.torque[i]),
                allowed="0.2 to 1.5",
                advice="check unit, displacement, boost and where the torque was measured",
            )
    return speed, ve
