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
from throttlewright.design.idle import idle_opening
from throttlewright.design.role import Role, Shown, Typical
from throttlewright.design.rows import PLATE_PCT, Rows, merged
from throttlewright.design.torque_share import (
    fixed_percentage_share,
    plate_for_share,
    points_at_share,
    pressure_for_share,
)
from throttlewright.physics.friction import friction_over_warm

__all__ = ["ROLE", "cold", "fixed_percentage_share", "plate_for_share"]

_STEP = 10.0
"""Widest step of the temperature axis [K]: between two points the plate, not the share, is
linear."""
_SPEEDS = 12
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
_TRIM_SHARE = 0.85
"""Share up to which MAP is held [-]: above it the open plate is so near that neither Cd nor the
pressure before the plate moves the torque by as much as the loop's own range."""
_TRIM_RISE = 50.0
"""Rise of the MAP loop's ceiling [%/s]. Tool default."""
_SERVO_LAG = 0.06
_PEDAL = 3.0
"""Pedal above which the MAP loop acts [%]: released, it would only wind up. Tool default."""
_OPEN_MAP = 50e3
"""Setpoint of the MAP loop above full boost where everything is allowed [Pa]."""


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
    found = []
    for t in temperature:
        psi, _ = idle_opening(car, omega=car.idle, cold=friction_over_warm(float(t) + 273.15))
        opening = 100.0 * (psi - car.psi_closed) / (car.psi_open - car.psi_closed)
        found.append(1.1 * opening + 0.2)
    return np.array(found)


def _plate(
    car: Car, omega: np.ndarray, share: np.ndarray, pressure: np.ndarray | None
) -> tuple[np.ndarray, np.ndarray]:
    """Plate [%] and MAP [Pa] at the shares, both of shape (speeds, shares)."""
    plate, points = points_at_share(car, omega, share, pressure=pressure)
    # what a build with more flow or less filling adds beyond the margin is taken off: the MAP loop
    # needs a second to find it, and individual plates have none
    most = np.minimum(_EXCESS * share, 1.0)
    for build in (with_variation(car, ve=_VE), with_variation(car, cd=_CD)):
        other = plate_for_share(build, omega, most, pressure=pressure)
        plate = np.minimum(plate, np.where(most < 1.0, other, 100.0))
    return plate, points["map"]


def _rows(car: Car, over: _Over, hold: float) -> Rows:
    temperature, share = _axis(over)
    rpm = np.unique(
        np.round(np.linspace(0.8 * car.idle, car.limit, _SPEEDS) * 30.0 / math.pi / 50.0) * 50.0
    )
    omega = rpm * math.pi / 30.0
    pressure = pressure_for_share(car, omega, share) if car.controllable else None
    plate, manifold = (a.T for a in _plate(car, omega, share, pressure))
    plate[share >= 1.0] = 100.0
    # a ceiling beats the idle floor: it must leave the air that a cold engine idles on
    notes = []
    least = _least_idle(car, temperature)
    for t, s, low, row in zip(temperature, share, least, plate, strict=True):
        if row.min() < low:
            notes.append(
                f"at {t:g} degC the share of {100 * s:.0f} % would not leave the air "
                "to idle on: the ceiling is raised to it"
            )
    raised = plate < least[:, None]
    plate = np.maximum(plate, least[:, None])
    speed = Axis("engine_rpm", "rpm", rpm)
    source = "intent, cold_engine, on the torque surface with boost settled"
    if pressure is not None:
        source = "intent, cold_engine, on the torque surface with boost at its cold target"

    def family(suffix: str, shift: float, arm: str, why: str, more: str) -> Rows:
        axes = (Axis(over.channel, "degC", temperature + shift), speed)
        name = f"{over.prefix}_plate{suffix}"
        tables = [
            Table(
                name,
                "largest plate opening",
                "%",
                axes,
                np.round(plate, 3).astype(np.float64),
                note=notes[-1] if notes else "",
                percent_meaning=PLATE_PCT,
            )
        ]
        origin = source + more
        limits = [
            Limit(
                f"{over.prefix}{suffix}",
                "plate",
                "ceiling",
                "table",
                table=name,
                rise_rate=_RELEASE,
                reason=why,
                x=over.channel,
                y="engine_rpm",
                arm=arm,
                source=origin,
            )
        ]
        if pressure is not None:
            tables.append(_bleed_table(car, over, suffix, axes, share, pressure))
            limits.append(
                Limit(
                    f"{over.prefix}_boost{suffix}",
                    "wastegate",
                    "ceiling",
                    "table",
                    table=f"{over.prefix}_bleed{suffix}",
                    rise_rate=_RELEASE,
                    reason="boost stays near the spring of the wastegate while the engine is cold",
                    x=over.channel,
                    y="engine_rpm",
                    arm=arm,
                    source=origin,
                )
            )
        return Rows(tuple(limits), tuple(tables))

    parts = [family("", 0.0, "", over.reason, ""), Rows(notes=tuple(notes))]
    if not _individual(car):
        known = np.where(raised, np.inf, manifold)
        parts.append(_trim(car, over, temperature, share, rpm, plate, known))
    if hold > 0.0:
        parts.append(
            family(
                "_hold",
                round(_WARM_UP * hold, 3),
                f"since_start_s < {hold:g}",
                "oil is not everywhere in the first seconds: the start's ceiling stays",
                f"; coolant rises {_WARM_UP:g} K/s, from memory",
            )
        )
    return merged(parts)


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


def _trim(
    car: Car,
    over: _Over,
    temperature: np.ndarray,
    share: np.ndarray,
    rpm: np.ndarray,
    plate: np.ndarray,
    manifold: np.ndarray,
) -> Rows:
    """Two loops that hold the MAP of the allowed share, at low and at high engine speed."""
    cold_points = share <= _TRIM_SHARE
    if not cold_points.any():
        return Rows()
    last = int(np.flatnonzero(cold_points)[-1])
    end = float(temperature[last])
    if last + 1 < share.size and share[last + 1] > share[last]:
        step = (_TRIM_SHARE - share[last]) / (share[last + 1] - share[last])
        end += step * float(temperature[last + 1] - temperature[last])
    top = max(float(np.max(car.record["boost"])), float(car.record["p_ambient"])) + _OPEN_MAP
    kpa = np.where(np.isfinite(manifold) & (share < 1.0)[:, None], manifold, top) / 1e3
    name = f"{over.prefix}_map"
    table = Table(
        name,
        "manifold pressure that gives the allowed share",
        "kPa",
        (Axis(over.channel, "degC", temperature), Axis("engine_rpm", "rpm", rpm)),
        np.round(kpa, 2),
        note="at one MAP neither the flow past the plate nor the pressure before it counts",
    )
    split = float(np.round(math.sqrt(rpm[0] * rpm[-1]) / 50.0) * 50.0)
    source = "modulus optimum on filling and servo"
    limits: list[Limit] = []
    numbers: dict[str, Number] = {}
    for band, within in (("low", f"engine_rpm < {split:g}"), ("high", f"engine_rpm >= {split:g}")):
        row = f"{over.prefix}_trim_{band}"
        arms = [f"pedal_pct > {_PEDAL:g}", within]
        if last + 1 < share.size:
            arms.append(f"{over.channel} < {end:.6g}")
        limits.append(
            Limit(
                row,
                "plate",
                "ceiling",
                "pi",
                x="map_kPa",
                y=over.channel,
                z="engine_rpm",
                table=name,
                arm=" and ".join(arms),
                hysteresis=1.0,
                rise_rate=_TRIM_RISE,
                reason="holds the MAP of the allowed share, whatever the plate lets through",
                source="intent, cold_engine, on the torque surface",
            )
        )
        inside = rpm <= split if band == "low" else rpm >= split
        region = plate[: last + 2][:, inside]
        here = kpa[: last + 1][:, inside] / plate[: last + 1][:, inside]
        # flow is about proportional to the opening, and MAP to the flow: the steepest point counts
        kpa_per_pct = float(here.max())
        omega = float(rpm[inside].min() if band == "high" else np.median(rpm[inside]))
        filling = _filling(car, omega * math.pi / 30.0)
        kp = filling / (2.0 * kpa_per_pct * _SERVO_LAG)
        numbers |= {
            f"{row}.kp": Number(kp, "%/kPa", source),
            f"{row}.ki": Number(kp / filling, "%/(kPa s)", source),
            f"{row}.least": Number(
                round(0.5 * float(region.min()), 3), "%", "half of the least ceiling of its speeds"
            ),
            f"{row}.most": Number(
                round(min(100.0, 1.2 * float(region.max())), 3),
                "%",
                "a fifth over the largest ceiling of its speeds",
            ),
        }
    return Rows(tuple(limits), (table,), numbers)


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
    wastegate as long as that gives the share. The ceiling keeps clear of builds that flow more or
    fill less, as far as they would give more than 8 % over the share; a loop on MAP takes out what
    is left of that and what the pressure before the plate adds. Behind individual plates MAP is no
    measure of load, and there is no loop. No row remembers the temperature at the start: the hold
    reads the same ceiling at a coolant lower by as much as it rises while the hold lasts.
    """
    wanted = intent.cold_engine
    if wanted is None:
        return Rows()
    parts = [_rows(car, over, hold) for over, hold in _families(wanted)]
    return merged(parts)


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
