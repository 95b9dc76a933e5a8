"""Cold engine: only a share of the torque over temperature, by plate, boost and MAP."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass

import numpy as np

from throttlewright.build.intent import ColdEngine, Intent
from throttlewright.calibration.calibration import Number
from throttlewright.calibration.limits import Limit
from throttlewright.calibration.table import Axis, Table
from throttlewright.car.pack import Car, with_variation
from throttlewright.car.surface import evaluate
from throttlewright.design.idle import idle_opening, idle_setpoint
from throttlewright.design.idle_floor import idle_floor
from throttlewright.design.role import Role, Shown, Typical
from throttlewright.design.rows import PLATE_PCT, Rows, merged
from throttlewright.design.torque_share import (
    fixed_percentage_share,
    plate_for_share,
    pressure_for_share,
)
from throttlewright.physics.friction import friction_over_warm

__all__ = ["ROLE", "cold", "fixed_percentage_share", "plate_for_share"]

_STEP = 10.0
"""Widest step of the temperature axis [K]: between two points the plate, not the share, is
linear."""
_COLDEST = -40.0
"""First point of the temperature axis [degC]: the air to idle on grows to here."""
_SPEEDS = 20
"""Points of the speed axis: where boost sets in the share changes fast with speed."""
_FULL = 0.99
"""Share at which the ceiling ends before it opens wholly [-]: the last percent takes half of the
travel of a large plate, and a straight line over it would give away the steps before."""
_RELEASE = 10.0
"""Rise of the ceiling [%/s]: full torque must not arrive in one jump. Tool default."""
_WARM_UP = 0.3
"""Rise of coolant while the hold lasts [K/s]; 0.2 to 0.5, from memory."""
_VE, _CD = 0.9, 1.15
"""Builds that the ceiling allows for: they give a larger share at one opening."""
_EXCESS = 1.08
"""Share over the allowed one that such a build may have [-]: 1.10 is the aim, the rest is kept for
the way between two points of the table."""
_CLEAR = 0.955
"""Share over the allowed one that any ceiling is made for [-]: a plate that moves in steps and a
speed that swings at tip-in take the rest. Tool default."""
_LOOP_SHARE = 0.85
"""Share up to which the gain is made [-]: above it the plate is so wide that it moves MAP little,
and the loop does next to nothing."""
_SERVO_LAG = 0.06


@dataclass(frozen=True)
class _Over:
    """What one family of rows reads, and from where."""

    prefix: str
    channel: str
    at: tuple[float, ...]
    shares: tuple[float, ...]
    reason: str


def _axis(over: _Over) -> tuple[np.ndarray, np.ndarray]:
    at = np.array(over.at) - 273.15
    share = np.array(over.shares)
    points = [at]
    for low, high in itertools.pairwise(at):
        points.append(np.linspace(low, high, math.ceil((high - low) / _STEP) + 1))
    if at[0] > _COLDEST:
        points.append(np.linspace(_COLDEST, at[0], math.ceil((at[0] - _COLDEST) / _STEP) + 1))
    axis = np.unique(np.round(np.concatenate(points), 6))
    shares = np.interp(axis, at, share)
    if share[-1] >= 1.0:
        # one point more: fully open a little above the temperature at which the limit ends
        axis = np.append(axis, axis[-1] + 2.0)
        shares = np.append(np.minimum(shares, _FULL), 1.0)
    return axis, shares


def _individual(car: Car) -> bool:
    return float(car.record["individual"]) > 0.5


def _least_idle(car: Car, temperature: np.ndarray) -> np.ndarray:
    """Plate that leaves a cold engine the air it idles on [%]."""
    speeds = idle_setpoint(car, temperature) * math.pi / 30.0
    found = []
    for t, omega in zip(temperature, speeds, strict=True):
        friction = friction_over_warm(float(t) + 273.15)
        psi, _ = idle_opening(car, omega=float(omega), cold=friction)
        opening = car.plate_pct(psi)
        found.append(1.2 * opening + 0.2)
    return np.array(found)


def _plate(
    car: Car, omega: np.ndarray, share: np.ndarray, pressure: np.ndarray | None
) -> np.ndarray:
    """Plate [%] at the shares, of shape (speeds, shares)."""
    clear = np.where(share < 1.0, _CLEAR * share, share)
    plate = plate_for_share(car, omega, clear, pressure=pressure)
    # what a build with more flow or less filling adds beyond the margin is taken off: the loop
    # finds half of it, and individual plates have no loop
    most = np.minimum(_EXCESS * share, 1.0)
    for build in (with_variation(car, ve=_VE), with_variation(car, cd=_CD)):
        other = plate_for_share(build, omega, most, pressure=pressure)
        plate = np.minimum(plate, np.where(most < 1.0, other, 100.0))
    plate[:, share >= 1.0] = 100.0
    return plate


def _map(car: Car, omega: np.ndarray, plate: np.ndarray, pressure: np.ndarray | None) -> np.ndarray:
    """Manifold pressure [kPa] behind the plate, both of shape (speeds, shares)."""
    psi = car.psi_closed + plate / 100.0 * (car.psi_open - car.psi_closed)
    points, _ = evaluate(car, omega, psi, pressure=pressure)
    return np.asarray(points["map"] / 1e3)


@dataclass(frozen=True)
class _Made:
    """The ceiling on its axes, before it is written to rows."""

    temperature: np.ndarray
    share: np.ndarray
    rpm: np.ndarray
    plate: np.ndarray
    manifold: np.ndarray
    pressure: np.ndarray | None
    notes: tuple[str, ...]


def _made(car: Car, over: _Over) -> _Made:
    temperature, share = _axis(over)
    rpm = np.unique(
        np.round(np.linspace(0.8 * car.idle, car.limit, _SPEEDS) * 30.0 / math.pi / 50.0) * 50.0
    )
    omega = rpm * math.pi / 30.0
    pressure = pressure_for_share(car, omega, share) if car.controllable else None
    plate = _plate(car, omega, share, pressure)
    # a ceiling beats the idle floor: it must leave the air that a cold engine idles on
    least = _least_idle(car, temperature)
    notes = tuple(
        f"at {t:g} degC the share of {100 * s:.0f} % would not leave the air "
        "to idle on: the ceiling is raised to it"
        for t, s, low, column in zip(temperature, share, least, plate.T, strict=True)
        if column.min() < low
    )
    plate = np.maximum(plate, least)
    manifold = _map(car, omega, plate, pressure)
    # where all is allowed the row is about to let go: level, so that nothing points beyond
    if share[-1] >= 1.0:
        manifold[:, -1] = manifold[:, -2]
    return _Made(temperature, share, rpm, plate.T, manifold.T, pressure, notes)


def _rows(car: Car, intent: Intent, over: _Over, hold: float) -> Rows:
    made = _made(car, over)
    loop = {} if _individual(car) else _loop(car, intent, made)
    parts = [_family(car, over, made, loop), Rows(notes=made.notes)]
    if hold > 0.0:
        parts.append(_family(car, over, made, loop, hold=hold))
    return merged(parts)


def _family(
    car: Car, over: _Over, made: _Made, loop: dict[str, Number], *, hold: float = 0.0
) -> Rows:
    """Plate and boost of one family, or of its hold after the start."""
    suffix = "_hold" if hold else ""
    shift = round(_WARM_UP * hold, 3)
    axes = (
        Axis(over.channel, "degC", made.temperature + shift),
        Axis("engine_rpm", "rpm", made.rpm),
    )
    row = f"{over.prefix}{suffix}"
    arms = [f"{over.channel} < {made.temperature[-1] + shift:.6g}"] if made.share[-1] >= 1.0 else []
    reason = over.reason
    source = "intent, cold_engine, on the torque surface with boost settled"
    if made.pressure is not None:
        source = "intent, cold_engine, on the torque surface with boost at its cold target"
    if hold:
        arms.append(f"since_start_s < {hold:g}")
        reason = "oil is not everywhere in the first seconds: the start's ceiling stays"
        source += f"; coolant rises {_WARM_UP:g} K/s, from memory"
    reason += "; with known loads on it goes below the idle floor"
    arm = " and ".join(arms)
    plate = Table(
        f"{over.prefix}_plate{suffix}",
        "largest plate opening",
        "%",
        axes,
        np.round(made.plate, 3).astype(np.float64),
        note=made.notes[-1] if made.notes else "",
        percent_meaning=PLATE_PCT,
    )
    tables = [plate]
    if loop:
        manifold = Table(
            f"{over.prefix}_map{suffix}",
            "manifold pressure that gives the allowed share",
            "kPa",
            axes,
            np.round(made.manifold, 2).astype(np.float64),
            note="at one MAP neither the flow past the plate nor the pressure before it counts",
        )
        tables.append(manifold)
        ceiling = Limit(
            row,
            "plate",
            "ceiling",
            "pi",
            x="map_kPa",
            y=over.channel,
            z="engine_rpm",
            table=manifold.name,
            base=plate.name,
            rise_rate=_RELEASE,
            reason=reason,
            arm=arm,
            source=source,
        )
    else:
        ceiling = Limit(
            row,
            "plate",
            "ceiling",
            "table",
            x=over.channel,
            y="engine_rpm",
            table=plate.name,
            rise_rate=_RELEASE,
            reason=reason,
            arm=arm,
            source=source,
        )
    limits = [ceiling]
    if made.pressure is not None:
        bleed = _bleed_table(car, over, suffix, axes, made.share, made.pressure)
        tables.append(bleed)
        limits.append(
            Limit(
                f"{over.prefix}_boost{suffix}",
                "wastegate",
                "ceiling",
                "table",
                x=over.channel,
                y="engine_rpm",
                table=bleed.name,
                rise_rate=_RELEASE,
                reason="boost stays near the spring of the wastegate while the engine is cold",
                arm=arm,
                source=source,
            )
        )
    return Rows(tuple(limits), tuple(tables), {f"{row}.{k}": n for k, n in loop.items()})


def _loop(car: Car, intent: Intent, made: _Made) -> dict[str, Number]:
    """Gain of the loop on MAP, and the range of its plate."""
    cold_points = made.share <= _LOOP_SHARE
    if not cold_points.any():
        cold_points = made.share <= made.share.min()
    # flow is about proportional to the opening, and MAP to the flow
    slope = made.manifold[cold_points] / made.plate[cold_points]
    filling = np.array([_filling(car, w) for w in made.rpm * math.pi / 30.0])
    kp = float(np.min(filling / (2.0 * slope * _SERVO_LAG)))
    floor = idle_floor(car, intent)
    return {
        "kp": Number(kp, "%/kPa", "modulus optimum on filling and servo, at its least"),
        "ki": Number(
            0.0, "%/(kPa s)", "none: on part pedal an integral runs ahead, and a flat foot meets it"
        ),
        "least": Number(
            round(min(1.02 * floor, 100.0), 3), "%", "a little over the idle floor, computed"
        ),
        "most": Number(100.0, "%", "plate open"),
    }


def _bleed_table(
    car: Car,
    over: _Over,
    suffix: str,
    axes: tuple[Axis, Axis],
    share: np.ndarray,
    pressure: np.ndarray,
) -> Table:
    ambient = float(car.record["p_ambient"])
    spring = float(car.record["spring_pressure"]) - ambient
    # the feed-forward of the strategy for the same pressure
    bleed = 100.0 * (1.0 - spring / np.maximum(pressure.T - ambient, max(spring, 1.0)))
    bleed[share >= 1.0] = 100.0
    return Table(
        f"{over.prefix}_bleed{suffix}",
        "largest share of the pressure signal kept from the wastegate",
        "%",
        axes,
        np.round(np.maximum(bleed, 0.0), 3).astype(np.float64),
        note="0 leaves the wastegate to its spring",
        percent_meaning="0 % passes the whole pressure signal, 100 % none of it",
    )


def _filling(car: Car, omega: float) -> float:
    rec = car.record
    ve = float(car.over_speed("ve_speed", np.array([omega]))[0])
    return 4.0 * math.pi * float(rec["manifold_volume"]) / (float(rec["displacement"]) * ve * omega)


def cold(car: Car, intent: Intent) -> Rows:
    """Ceilings of plate and boost while the engine is cold, and their hold after the start.

    Parameters
    ----------
    car : Car
        The car.
    intent : Intent
        With or without torque shares over coolant, and over oil.

    Returns
    -------
    Rows
        Nothing where no shares are asked for.

    Notes
    -----
    The share counts from the torque with a closed plate to that with an open one, boost settled,
    at the same speed. Where the controller commands boost, its target stays at the spring of the
    wastegate as long as that gives the share. The ceiling is that plate, corrected in proportion to
    what MAP lacks of the one that belongs to the share: a build that flows more or fills less, and
    pressure left in the pipe, show in MAP first. Without an integral nothing winds up while the
    pedal asks for less. The plate itself keeps clear of builds that would give more than 8 % over
    the share. Behind individual plates MAP is no measure of load, and there is no loop. No row
    remembers the temperature at the start: the hold reads the same ceiling at a coolant lower by
    as much as it rises while the hold lasts.
    """
    wanted = intent.cold_engine
    if wanted is None:
        return Rows()
    return merged([_rows(car, intent, over=over, hold=hold) for over, hold in _families(wanted)])


def _families(wanted: ColdEngine) -> list[tuple[_Over, float]]:
    coolant = _Over(
        "cold", "coolant_degC", wanted.coolant, wanted.torque_share, "spares a cold engine"
    )
    found = [(coolant, wanted.hold_after_start)]
    if wanted.oil is not None and wanted.oil_torque_share is not None:
        oil = _Over(
            "cold_oil",
            "oil_degC",
            wanted.oil,
            wanted.oil_torque_share,
            "oil warms later than coolant, and it is oil that carries the bearings",
        )
        found.append((oil, 0.0))
    return found


ROLE = Role(
    name="cold",
    title="Cold engine",
    text="Allows a cold engine only a share of its torque.",
    design=cold,
    section="cold_engine",
    typical=(
        Typical("coolant", "-10, 20, 50, 70 degC", "full torque from 60 to 70 degC, from memory"),
        Typical("torque_share", "35, 45, 70, 100 %", "a cap of 50 to 70 % is usual, from memory"),
        Typical("hold_after_start", "30 s", "common practice, no source"),
        Typical("oil", "0, 40, 60 degC", "oil is warm from 60 to 70 degC, from memory"),
        Typical("oil_torque_share", "45, 70, 100 %", "as the coolant's, common practice"),
    ),
    shown=(
        Shown("cold_pull", "cold_share"),
        Shown("cold_drive_off", "cold_share"),
        Shown("cold_release", "cold_release_step"),
    ),
    caution=(
        "A pull with a cold engine wears it: try the limit on a dyno or closed ground, as seldom "
        "as it takes, and be ready to lift. The engine can pull harder than asked if the coolant "
        "sensor reads warm; compare it with the air on a car that stood overnight."
    ),
)
"""The role, for the registry."""
