"""Overboost: the plate holds the pressure, fuel of all cylinders is cut above it, boost stays off.

The plate saves the engine. It does nothing for the turbo, whose shaft goes on speeding up behind
it: only a wastegate that opens, or a relief valve, saves that.
"""

from __future__ import annotations

import math

import numpy as np

from throttlewright.build.intent import Intent
from throttlewright.calibration.calibration import Number
from throttlewright.calibration.limits import Limit
from throttlewright.calibration.table import Axis, Table
from throttlewright.car.pack import Car
from throttlewright.design.holding import holding_plate
from throttlewright.design.overboost_closing import (
    PlateLine,
    Runaway,
    best_closing,
    closing_note,
    moving_car,
    runaway,
    steady_opening,
)
from throttlewright.design.role import Role, Shown, Typical
from throttlewright.design.rows import PLATE_PCT, Rows
from throttlewright.design.speed_limits import least_plate

__all__ = [
    "LATCH_OVER",
    "ROLE",
    "boost_loop",
    "closing_starts",
    "overboost",
    "pressure_limits",
]

_LIMIT_OVER = 15e3
_CUT_OVER = 30e3
"""Over full boost [Pa]: 10 to 15 kPa reduces, 20 to 30 kPa cuts fuel; from memory."""
_OVER = np.array([0.0, 2.0, 5.0, 10.0, 20.0, 40.0, 70.0, 110.0])
"""Pressure before the plate over the limit at which the holding plate is tabled [kPa]."""
_LEAST_OVER = 3e3
"""Least of it that the loop starts from [Pa]. Tool default."""
_RUNAWAY = 60e3
"""Pressure before the plate over the limit for which the loop's gains are made [Pa]."""
_LEAD = 0.10
"""Time ahead of the pressure [s]: servo 60 to 100 ms plus filling 30 to 60 ms at most speeds."""
_RELEASE = 50.0
"""Rise of the ceiling [%/s], so that torque comes back without a blow. Tool default."""
_HYSTERESIS = 10.0
_WIDE = 50.0
"""Plate above which the row ahead acts [%]. A closing plate raises the pressure before it: with a
lead on that slope it would close itself further and further. Tool default."""
LATCH_OVER = 5.0
"""Pressure before the plate over the limit that counts as overboost for the latch [kPa]: the plate
holds the manifold at the limit, so that only the pipe shows that the cause is still there. Tool
default."""
_LATCH_AFTER = 1.0
"""Tool default without an intent [s]."""
_OFF_UNDER = 6e3
"""Under ambient that the manifold is held at once boost is off [Pa]: the pipe refills a moment
after the plate has shut, and the plate follows it late by 5 kPa at most. Tool default."""
_OFF_PIPE = np.array([0.0, 5.0, 15.0, 40.0, 80.0, 120.0])
"""Pressure before the plate over ambient at which the off-boost plate is tabled [kPa], and on to
the limit and beyond."""
_CLOSING_SPEEDS = (0.35, 0.45, 0.55, 0.65, 0.8, 0.95)
"""Engine speeds over the limit at which a closing is tried: the lowest at which the turbo reaches
the limit is the worst, because least air leaves the compressor there."""
_SPEEDS = 10
_SERVO_LAG = 0.06
"""Time that the gains of the loop allow for the servo [s]; tool default, as for idle."""
_LEAST_SHARE, _MOST_SHARE = 0.2, 2.0
"""Ends of the loop over the plate that holds: beyond twice that plate nothing is held back, and
starting there saves the walk from 100 %. Tool default."""
_SLOW = 8.0
_SLOW_TEXT = f"kp over {_SLOW:g} times filling: the turbo behind it gathers speed more slowly"
"""Integral of the loop under that of the modulus optimum. The turbo is a second, slower lag, and
the plate moves in steps of its own friction: at the optimum pressure swings by 7 kPa on the turbo
example, with this by 1 kPa."""


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
    """Ceilings of the plate and a cut of all fuel against overboost, and a latch to off-boost.

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
    A table knows which plate holds the limit at any pressure before the plate. While the plate is
    wide the table is read ahead along the slope of that pressure, because plate and filling
    together are slower than a turbo that runs away; near the limit a loop on manifold pressure
    starts from the plate behind which a turbo that has run away comes to rest at the limit.
    Looking ahead from a plate that closes, starting from a table over the pressure before it, or
    looking ahead along manifold pressure, would chase its own tail. Fuel is cut for all cylinders
    or none: some cylinders without fuel would leave the others lean or hot.
    Where the pressure before the plate stays over the limit for ``latch_after``, the plate goes to
    where the manifold is just under ambient and stays there until the pedal is released.
    """
    limits = pressure_limits(car, intent)
    numbers = boost_loop(car)
    if limits is None:
        return Rows(numbers=numbers)
    limit, cut = limits[0] / 1e3, limits[1] / 1e3
    individual = float(car.record["individual"]) > 0.5
    channel = "pipe_kPa" if individual else "map_kPa"
    given = intent.overboost is not None
    over = f"full boost plus {_LIMIT_OVER / 1e3:g} and {_CUT_OVER / 1e3:g} kPa, from memory"
    source = "intent, overboost" if given else over
    notes: tuple[str, ...] = _notes(car, cut, individual)
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
    plate = _over_pipe(car, limits[0], omega=omega, pipe=limits[0] + 1e3 * _OVER)
    hold = holding_plate(car, limits[0], omega, limits[0] + _RUNAWAY)
    table = Table(
        "overboost_plate",
        "largest plate opening",
        "%",
        (Axis("pipe_kPa", "kPa", limit + _OVER), Axis("engine_rpm", "rpm", rpm)),
        plate,
        note="lets in what the engine takes at the limit; the loop takes out the rest",
        percent_meaning=PLATE_PCT,
    )
    start = Table(
        "overboost_start",
        "plate opening",
        "%",
        (Axis("engine_rpm", "rpm", rpm),),
        np.round(_at_rest(car, limits[0], omega=omega, hold=hold), 3),
        note="holds the limit behind a turbo that has run away, and comes to rest there",
        percent_meaning=PLATE_PCT,
    )
    after = _LATCH_AFTER if intent.overboost is None else intent.overboost.latch_after
    off, off_table, off_numbers, off_notes = _off_boost(
        car, limits[0], omega=omega, after=after, source=source
    )
    numbers |= off_numbers
    notes += off_notes
    rows = (
        Limit(
            "overboost_ahead",
            "plate",
            "ceiling",
            "model",
            x="pipe_kPa",
            y="engine_rpm",
            table="overboost_plate",
            arm=f"plate_pct > {_WIDE:.6g}",
            hysteresis=_HYSTERESIS,
            rise_rate=_RELEASE,
            reason="closes a wide plate ahead of the slope of the pressure before it",
            source=source,
        ),
        Limit(
            "overboost_hold",
            "plate",
            "ceiling",
            "pi",
            x="map_kPa",
            base="overboost_start",
            arm=f"map_kPa > {limit - 3.0:.6g}",
            hysteresis=_HYSTERESIS,
            rise_rate=_RELEASE,
            reason="holds the limit, from the plate that holds a turbo that runs away",
            source=source,
        ),
        off,
        fuel,
    )
    numbers |= _gains(car, limits[0], hold, rpm)
    numbers["overboost_ahead.lead_s"] = Number(
        _LEAD, "s", "servo 60 to 100 ms and filling 30 to 60 ms, computed"
    )
    return Rows(rows, (table, start, off_table), numbers, notes)


def _at_rest(car: Car, limit: float, *, omega: np.ndarray, hold: np.ndarray) -> np.ndarray:
    """Return the plate that holds the limit once the turbo has run away, at each speed [%]."""
    if not car.turbo:
        return hold
    moving = moving_car(car)
    wide = holding_plate(car, limit, omega, limit + _LEAST_OVER)
    found = [
        steady_opening(moving, omega=float(w), limit=limit, low=0.5 * float(h), high=float(p))
        for w, h, p in zip(omega, hold, wide, strict=True)
    ]
    return np.where(np.isfinite(found), found, wide)


def _over_pipe(car: Car, held: float, *, omega: np.ndarray, pipe: np.ndarray) -> np.ndarray:
    """Return the plate over pipe pressure, its first point free, falling with the pressure [%]."""
    rows = [holding_plate(car, held, omega, float(p)) for p in pipe[1:]]
    plate = np.stack((np.full(omega.size, 100.0), *rows))
    return np.round(np.minimum.accumulate(plate, axis=0), 3).astype(np.float64)


def _off_pipe(car: Car, limit: float) -> np.ndarray:
    ambient = float(car.record["p_ambient"])
    low = ambient + 1e3 * _OFF_PIPE
    high = limit + 1e3 * np.array([0.0, 40.0, 110.0])
    return np.concatenate((low[low < limit - 5e3], high))


def closing_starts(car: Car, limit: float) -> tuple[tuple[Runaway, PlateLine], ...]:
    """Turbos run away behind a holding plate, each with the plate that takes boost off.

    Parameters
    ----------
    car : Car
        In motion, with a turbo and one plenum.
    limit : float [Pa]
        Manifold pressure that the plate holds, absolute.

    Returns
    -------
    tuple of (Runaway, PlateLine)
        At the lowest speed at which the turbo reaches the limit and at the highest; empty where it
        reaches it at none.
    """
    found = []
    for share in _CLOSING_SPEEDS:
        omega = np.array([share * car.limit])
        pipe = limit + 1e3 * _OVER
        hold = PlateLine(pipe, _over_pipe(car, limit, omega=omega, pipe=pipe)[:, 0])
        start = runaway(car, hold, omega=float(omega[0]), limit=limit)
        if start is not None:
            pipe = _off_pipe(car, limit)
            off = _over_pipe(car, _off_held(car), omega=omega, pipe=pipe)[:, 0]
            found.append((start, PlateLine(pipe, off)))
    return tuple(found[:1] + found[-1:] if len(found) > 1 else found)


def _off_held(car: Car) -> float:
    return float(car.record["p_ambient"]) - _OFF_UNDER


def _off_boost(
    car: Car, limit: float, *, omega: np.ndarray, after: float, source: str
) -> tuple[Limit, Table, dict[str, Number], tuple[str, ...]]:
    """Return the row that takes boost off until the pedal is released, and what it reads."""
    pipe = _off_pipe(car, limit)
    table = Table(
        "overboost_off_plate",
        "largest plate opening",
        "%",
        (
            Axis("pipe_kPa", "kPa", pipe / 1e3),
            Axis("engine_rpm", "rpm", np.round(omega * 30.0 / math.pi)),
        ),
        _over_pipe(car, _off_held(car), omega=omega, pipe=pipe),
        note="lets in what the engine takes just under ambient, whatever stands before the plate",
        percent_meaning=PLATE_PCT,
    )
    rate = math.inf
    notes: tuple[str, ...] = ()
    if car.turbo:
        starts = closing_starts(moving_car(car), limit)
        best = best_closing(starts)
        if best is not None:
            rate = best.rate_pct_s
            valve = car.build.turbo is not None and car.build.turbo.relief_valve
            notes = (closing_note(starts, best, relief=valve),)
    row = Limit(
        "overboost_off",
        "plate",
        "ceiling",
        "table",
        x="pipe_kPa",
        y="engine_rpm",
        table=table.name,
        arm=f"pipe_kPa > {limit / 1e3 + LATCH_OVER:.6g}",
        hysteresis=LATCH_OVER,
        rise_rate=_RELEASE,
        fall_rate=rate,
        reason="the cause lasts: no boost until the pedal is released",
        source=source,
    )
    numbers = {
        "overboost_off.after_s": Number(
            after, "s", "intent, overboost" if source.startswith("intent") else "tool default"
        ),
        "overboost_off.until_released": Number(1.0, "", "stays until the pedal is released"),
    }
    return row, table, numbers, notes


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
    most = min(100.0, _MOST_SHARE * float(hold.max()))
    source = "modulus optimum on filling and servo"
    least = max(_LEAST_SHARE * float(hold.min()), least_plate(car))
    return {
        "overboost_hold.setpoint": Number(round(limit / 1e3, 4), "kPa", "as the limit"),
        "overboost_hold.kp": Number(kp, "%/kPa", source),
        "overboost_hold.ki": Number(kp / (_SLOW * filling), "%/(kPa s)", _SLOW_TEXT),
        "overboost_hold.least": Number(
            round(least, 3),
            "%",
            f"{_LEAST_SHARE:g} of the plate that holds, and the air to idle on",
        ),
        "overboost_hold.most": Number(
            round(most, 3), "%", f"{_MOST_SHARE:g} times the plate that holds"
        ),
    }


def _notes(car: Car, cut: float, individual: bool) -> tuple[str, ...]:
    notes = [
        "the plate saves the engine; only a wastegate that opens or a relief valve saves the turbo"
    ]
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
    text=(
        "Holds manifold pressure with the plate when the wastegate fails, cuts fuel above it, and "
        "takes boost off when the fault lasts. It saves the engine, not the turbo."
    ),
    design=overboost,
    section="overboost",
    typical=(
        Typical("limit", "full boost plus 10 to 15 kPa", "from memory"),
        Typical("fuel_cut", "full boost plus 20 to 30 kPa", "from memory"),
        Typical("latch_after", "1 s", "tool default"),
    ),
    shown=(
        Shown("overboost_stuck_wastegate", "overboost_peak"),
        Shown("overboost_latched", "overboost_latch"),
    ),
    caution=(
        "Test overboost with limits lowered under the boost that the car runs, never by blocking "
        "the wastegate or its hose: a closed plate does not slow the turbo. Nobody stands in line "
        "with charge pipes and hoses, which can come off; exhaust and turbo are red-hot."
    ),
)
"""The role, for the registry."""
