"""Overboost: the plate holds the pressure, fuel of all cylinders is cut above it."""

from __future__ import annotations

import math

import numpy as np

from throttlewright.build.intent import Intent
from throttlewright.calibration.calibration import Number
from throttlewright.calibration.limits import Limit
from throttlewright.calibration.table import Axis, Table
from throttlewright.car.flows import engine_flow, pipe_state, plate_for_flow
from throttlewright.car.pack import Car
from throttlewright.car.record import BoostState
from throttlewright.design.role import Role
from throttlewright.design.rows import PLATE_PCT, Rows

__all__ = ["ROLE", "boost_loop", "overboost", "pressure_limits"]

_LIMIT_OVER = 15e3
_CUT_OVER = 30e3
"""Over full boost [Pa]: 10 to 15 kPa reduces, 20 to 30 kPa cuts fuel; from memory."""
_OVER = np.array([0.0, 2.0, 5.0, 10.0, 20.0, 40.0, 70.0, 110.0])
"""Pressure before the plate over the limit at which the holding plate is tabled [kPa]."""
_RUNAWAY = 60e3
"""Pressure before the plate over the limit for which the loop's gains are made [Pa]."""
_LEAD = 0.10
"""Time ahead of the pressure [s]: servo 60 to 100 ms plus filling 30 to 60 ms at most speeds."""
_RELEASE = 50.0
"""Rise of the ceiling [%/s], so that torque comes back without a blow. Tool default."""
_HYSTERESIS = 10.0
_SPEEDS = 10
_SERVO_LAG = 0.06


def pressure_limits(car: Car, intent: Intent) -> tuple[float, float] | None:
    """Manifold pressure that the plate holds and that at which fuel is cut.

    Parameters
    ----------
    car : Car
        The car.
    intent : Intent
        Its overboost wins; without it the limits follow from the full boost.

    Returns
    -------
    tuple of float [Pa, Pa] or None
        Absolute pressures; None where nothing charges the engine.
    """
    if not car.charged:
        return None
    full = float(np.max(car.record["boost"]))
    if intent.overboost is None:
        return full + _LIMIT_OVER, full + _CUT_OVER
    limit = intent.overboost.limit
    cut = intent.overboost.fuel_cut
    return limit, limit + _CUT_OVER - _LIMIT_OVER if cut is None else cut


def _holding(car: Car, limit: float, omega: np.ndarray, pipe: float) -> np.ndarray:
    """Plate that passes no more than the engine takes at the limit, pipe above it [%]."""
    rec = car.record
    out = np.empty(omega.size)
    for i, w in enumerate(omega):
        _, T_pipe = pipe_state(
            0.0,
            limit,
            omega=float(w),
            boost_code=float(BoostState.HELD),
            boost_pressure=pipe,
            car=rec,
        )
        flow, _ = engine_flow(
            limit,
            T_pipe + float(rec["charge_temperature_rise"]),
            pipe=pipe,
            omega=float(w),
            car=rec,
        )
        psi = plate_for_flow(flow, pipe, p_manifold=limit, T_pipe=T_pipe, car=rec)
        out[i] = 100.0 * (psi - car.psi_closed) / (car.psi_open - car.psi_closed)
    return out


def boost_loop(car: Car) -> dict[str, Number]:
    """Numbers of the loop that bleeds the wastegate.

    Parameters
    ----------
    car : Car
        The car.

    Returns
    -------
    dict of str to Number
        Empty where the controller cannot command boost.

    Notes
    -----
    The feed-forward 100 (1 - spring / target) rises by 100 spring / target^2 per pressure; the
    loop adds as much, and as much again in four spool times. It looks ahead by twice the lag of the
    wastegate, or boost would overshoot by what it gains in that time. Tool default.
    """
    turbo = car.build.turbo
    if turbo is None or not car.controllable:
        return {}
    rec = car.record
    ambient = float(rec["p_ambient"])
    spring = float(rec["spring_pressure"]) - ambient
    full = max(float(np.max(rec["boost"])) - ambient, spring, 1e3)
    kp = 100.0 * spring / full**2 * 1e3
    source = "slope of the feed-forward at full boost"
    return {
        "boost_spring_kPa": Number(round(spring / 1e3, 3), "kPa", "build, over ambient"),
        "boost_ambient_kPa": Number(round(ambient / 1e3, 3), "kPa", "site of the build"),
        "boost.kp": Number(kp, "%/kPa", source),
        "boost.lead_s": Number(
            round(2.0 * turbo.wastegate_lag, 3), "s", "twice the lag of the wastegate"
        ),
        "boost.ki": Number(
            0.25 * kp / max(float(rec["spool_time"]), 0.1),
            "%/(kPa s)",
            f"{source}, in four spool times",
        ),
    }


def overboost(car: Car, intent: Intent) -> Rows:
    """Two ceilings of the plate and a cut of all fuel against overboost.

    Parameters
    ----------
    car : Car
        The car.
    intent : Intent
        With or without limits of its own.

    Returns
    -------
    Rows
        Nothing where no compressor raises the pressure.

    Notes
    -----
    The first ceiling knows which plate holds the limit at any pressure before the plate, and looks
    ahead along its slope, because plate and filling together are slower than a turbo that runs
    away; the second takes out what is left. Looking ahead along manifold pressure instead would
    chase its own tail: it rises as the plate opens again. Fuel is
    cut for all cylinders or none: some cylinders without fuel would leave the others lean or hot.
    """
    limits = pressure_limits(car, intent)
    numbers = boost_loop(car)
    if limits is None:
        return Rows(numbers=numbers)
    limit, cut = limits[0] / 1e3, limits[1] / 1e3
    individual = float(car.record["individual"]) > 0.5
    channel = "pipe_kPa" if individual else "map_kPa"
    given = intent.overboost is not None
    source = "intent, overboost" if given else "full boost plus 15 and 30 kPa, from memory"
    notes = _notes(car, cut, individual)
    fuel = Limit(
        "overboost_fuel",
        "fuel_cut",
        "floor",
        "ramp",
        x=channel,
        arm=f"{channel} > {cut:.6g}",
        hysteresis=_HYSTERESIS,
        reason="hard end of boost: all cylinders, whatever the plate does",
        source=source,
    )
    numbers["overboost_fuel.to"] = Number(1.0, "", "all cylinders")
    if individual:
        return Rows((fuel,), numbers=numbers, notes=notes)
    rpm = np.unique(
        np.round(np.linspace(0.25 * car.limit, car.limit, _SPEEDS) * 30.0 / math.pi / 50.0) * 50.0
    )
    omega = rpm * math.pi / 30.0
    plate = np.stack([_holding(car, limits[0], omega, limits[0] + 1e3 * o) for o in _OVER[1:]])
    plate = np.concatenate((np.full((1, omega.size), 100.0), plate))
    hold = _holding(car, limits[0], omega, limits[0] + _RUNAWAY)
    table = Table(
        "overboost_plate",
        "largest plate opening",
        "%",
        (Axis("pipe_kPa", "kPa", limit + _OVER), Axis("engine_rpm", "rpm", rpm)),
        np.round(np.minimum.accumulate(plate, axis=0), 3).astype(np.float64),
        note=notes[-1] if notes else "lets in what the engine takes at the limit, and no more",
        percent_meaning=PLATE_PCT,
    )
    rows = (
        Limit(
            "overboost_ahead",
            "plate",
            "ceiling",
            "model",
            x="pipe_kPa",
            y="engine_rpm",
            table="overboost_plate",
            rise_rate=_RELEASE,
            reason="holds the limit whatever the pressure before the plate, ahead of its slope",
            source=source,
        ),
        Limit(
            "overboost_hold",
            "plate",
            "ceiling",
            "pi",
            x="map_kPa",
            arm=f"map_kPa > {limit - 3.0:.6g}",
            hysteresis=_HYSTERESIS,
            rise_rate=_RELEASE,
            reason="holds the limit",
            source=source,
        ),
        fuel,
    )
    numbers |= _gains(car, limits[0], hold, rpm)
    numbers["overboost_ahead.lead_s"] = Number(
        _LEAD, "s", "servo 60 to 100 ms and filling 30 to 60 ms, computed"
    )
    return Rows(rows, (table,), numbers, notes)


def _gains(car: Car, limit: float, hold: np.ndarray, rpm: np.ndarray) -> dict[str, Number]:
    # near the limit flow past the plate is about proportional to its opening, and MAP to the flow
    kpa_per_pct = limit / 1e3 / float(np.median(hold))
    omega = float(np.median(rpm)) * math.pi / 30.0
    rec = car.record
    ve = float(car.over_speed("ve_speed", np.array([omega]))[0])
    filling = (
        4.0 * math.pi * float(rec["manifold_volume"]) / (float(rec["displacement"]) * ve * omega)
    )
    kp = filling / (2.0 * kpa_per_pct * _SERVO_LAG)
    # beyond twice the holding plate nothing is held back: starting there saves the walk from 100 %
    most = min(100.0, 2.0 * float(hold.max()))
    source = "modulus optimum on filling and servo"
    return {
        "overboost_hold.setpoint": Number(round(limit / 1e3, 4), "kPa", "as the limit"),
        "overboost_hold.kp": Number(kp, "%/kPa", source),
        "overboost_hold.ki": Number(kp / filling, "%/(kPa s)", source),
        "overboost_hold.least": Number(
            round(0.2 * float(hold.min()), 3), "%", "a fifth of the plate that holds"
        ),
        "overboost_hold.most": Number(round(most, 3), "%", "twice the plate that holds"),
    }


def _notes(car: Car, cut: float, individual: bool) -> tuple[str, ...]:
    notes = []
    top = float(car.record["map_range"]) / 1e3
    if 0.0 < top < cut:
        notes.append(
            f"the pressure sensor ends at {top:.0f} kPa and cannot see the fuel cut at "
            f"{cut:.0f} kPa: fit a sensor with a wider range"
        )
    turbo = car.build.turbo
    if turbo is not None and not turbo.relief_valve:
        notes.append(
            "closing the plate in boost without a relief valve drives the compressor into surge"
        )
    if individual:
        notes.append(
            "behind individual plates manifold pressure is no measure of boost: the pressure "
            "before the plates cuts fuel, and no plate row holds it"
        )
    return tuple(notes)


ROLE = Role(
    name="overboost",
    title="Overboost",
    text="Holds manifold pressure with the plate when the wastegate fails, and cuts fuel above it.",
    design=overboost,
    section="overboost",
)
"""The role, for the registry."""
