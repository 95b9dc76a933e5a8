"""Soft rev limit: the plate takes torque away ahead of the hard cut of fuel."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from throttlewright.build.intent import Intent
from throttlewright.calibration.calibration import Number
from throttlewright.calibration.limits import Limit
from throttlewright.calibration.table import Axis, Table
from throttlewright.car.pack import Car
from throttlewright.car.surface import evaluate
from throttlewright.design.holding import (
    SERVO,
    TICKS,
    filling_time,
    induction_delay,
    margins_text,
    plate_for_torque,
)
from throttlewright.design.margins import Controller, Margins, Plant, largest_gain, margins
from throttlewright.design.role import Role, Shown, Typical
from throttlewright.design.rows import PLATE_PCT, Rows
from throttlewright.design.speed_limits import least_plate, shuffle

__all__ = ["ROLE", "engine_plant", "soft_rev_limit"]

_RPM = 30.0 / math.pi
_ZERO_AT = 0.2
"""Share of the band below the hard limit at which the torque is zero [-], so that a pull ends
under the cut. Tool default."""
_POINTS = 7
_FILTER = 0.02
"""Filter of a channel's slope in the strategy [s], its typical value."""
_LEADS = (0.0, 0.02, 0.03, 0.04, 0.05, 0.06, 0.08, 0.1)
"""Times ahead that are tried [s]: up to the whole of servo, filling and induction."""
_ROOM_PHASE, _ROOM_GAIN = 50.0, 2.1
"""Margins the bands are made for, a little above the least [deg, -]."""
_WIDEST = 0.5
"""Widest band over the hard limit [-]."""
_OPENING = 200.0
"""Rise of the ceiling [%/s]. Tool default."""


def engine_plant(car: Car, gear: int) -> Plant:
    """Engine speed over torque near the rev limit, plate and filling before it.

    Parameters
    ----------
    car : Car
        The car.
    gear : int [-]
        Gear, 0 for the free engine.

    Returns
    -------
    Plant
        From torque [N m] to engine speed [rpm]; integrates.

    Notes
    -----
    In gear the engine swings against the car on the shafts: resonance and anti-resonance.
    """
    rec = car.record
    omega = car.limit
    inertia = float(rec["engine_inertia"])
    seconds: tuple[tuple[float, float], ...] = (SERVO,)
    zeros: tuple[tuple[float, float], ...] = ()
    if gear > 0:
        ratio = float(rec["ratios"][gear - 1] * rec["final_drive"])
        radius = float(rec["tyre_radius"])
        resonance, opposite = shuffle(car, ratio, omega * radius / ratio)
        seconds, zeros = (SERVO, resonance), (opposite,)
        body = float(rec["mass"]) * radius**2 + float(rec["wheel_inertia"])
        inertia += float(rec["gearbox_inertia"]) + body / ratio**2
    return Plant(
        _RPM / inertia,
        lags=(filling_time(car, omega),),
        seconds=seconds,
        zeros=zeros,
        integrates=True,
        delay=induction_delay(car, omega) + TICKS,
        name=f"gear {gear}" if gear else "neutral",
    )


def _bands(car: Car, band: float, full: float) -> tuple[float, list[tuple[float, Margins]]]:
    """Lead [s], and for each gear the smallest band that keeps the margins, from the wanted one on.

    The lead is the one with which the bands of the gears are narrowest.
    """
    plants = [engine_plant(car, gear) for gear in range(int(car.record["gears"]) + 1)]
    best: tuple[float, list[float]] = (0.0, [])
    for lead in _LEADS:
        shape = Controller(1.0, 0.0, lead, _FILTER)
        steepest = [largest_gain(p, shape, _ROOM_PHASE, _ROOM_GAIN) for p in plants]
        own = [
            min(max(band, full / ((1.0 - _ZERO_AT) * max(k, 1e-9))), _WIDEST * car.limit * _RPM)
            for k in steepest
        ]
        # the free engine alone decides where there is no gear
        if not best[1] or sum(own[1:] or own) < sum(best[1][1:] or best[1]):
            best = (lead, own)
    lead, own = best
    found = [
        margins(p, Controller(full / ((1.0 - _ZERO_AT) * b), 0.0, lead, _FILTER))
        for p, b in zip(plants, own, strict=True)
    ]
    return lead, list(zip(own, found, strict=True))


def _plates(
    car: Car, rpm: NDArray[np.float64], bands: list[float], full: float
) -> NDArray[np.float64]:
    limit = car.limit * _RPM
    omega = np.minimum(rpm, limit) / _RPM
    torque = np.stack(
        [full * (limit - _ZERO_AT * b - rpm) / ((1.0 - _ZERO_AT) * b) for b in bands], axis=1
    )
    plate = plate_for_torque(car, omega, torque)
    for k, band in enumerate(bands):
        plate[rpm <= limit - band + 1e-6, k] = 100.0
    return np.maximum(np.minimum.accumulate(plate, axis=0), least_plate(car))


def soft_rev_limit(car: Car, intent: Intent) -> Rows:
    """Ceilings of the plate over engine speed and gear, ahead of the hard cut.

    Parameters
    ----------
    car : Car
        The car.
    intent : Intent
        With or without a band below the rev limit.

    Returns
    -------
    Rows
        Nothing where no soft limit is asked for; refused where the band leaves no engine.

    Notes
    -----
    Torque falls in a straight line over the band, so the loop has one gain per gear. Where that
    gain would be too high for the lags of plate and filling, as with the free engine, the band of
    that gear begins earlier.
    """
    wanted = intent.soft_rev_limit
    if wanted is None:
        return Rows()
    limit, band = car.limit * _RPM, wanted.band * _RPM
    if car.limit - wanted.band < 1.5 * car.idle:
        return Rows(
            refused=f"soft rev limit: a band of {band:.0f} rpm below {limit:.0f} rpm reaches down "
            f"to {(limit - band):.0f} rpm, too near to the idle speed of "
            f"{car.idle * _RPM:.0f} rpm"
        )
    near = np.linspace(0.8, 1.0, 9) * car.limit
    top = np.full((near.size, 1), car.psi_open)
    full = float(evaluate(car, near, top)[0]["torque"].max())
    gears = list(range(int(car.record["gears"]) + 1))
    lead, found = _bands(car, band, full)
    bands = [float(b) for b, _ in found]
    offsets = np.unique(
        np.round(
            np.concatenate(
                [np.linspace(b, _ZERO_AT * b, _POINTS) for b in bands] + [np.array([0.0, -band])]
            )
            / 10.0
        )
        * 10.0
    )
    rpm = limit - np.sort(offsets)[::-1]
    plate = _plates(car, rpm, bands, full)
    source = "intent, soft_rev_limit, on the torque surface with boost settled"
    tables = (
        Table(
            "soft_rev_plate",
            "largest plate opening",
            "%",
            (
                Axis("engine_rpm", "rpm", np.round(rpm, 3)),
                Axis("gear_1", "", np.array(gears, dtype=float)),
            )
            if len(gears) > 1
            else (Axis("engine_rpm", "rpm", np.round(rpm, 3)),),
            np.round(plate if len(gears) > 1 else plate[:, 0], 3),
            note=f"torque falls from {full:.0f} N m to zero over the band of the gear",
            percent_meaning=PLATE_PCT,
        ),
        Table(
            "soft_rev_plate_free",
            "largest plate opening",
            "%",
            (Axis("engine_rpm", "rpm", np.round(rpm, 3)),),
            np.round(plate[:, 0], 3),
            note="of the free engine",
            percent_meaning=PLATE_PCT,
        ),
    )
    limits = [
        Limit(
            "soft_rev_limit",
            "plate",
            "ceiling",
            "model",
            x="engine_rpm",
            y="gear_1" if len(gears) > 1 else "",
            table="soft_rev_plate",
            rise_rate=_OPENING,
            reason="takes torque away ahead of the hard cut",
            source=source,
        )
    ]
    limits.append(
        Limit(
            "soft_rev_limit_clutch",
            "plate",
            "ceiling",
            "model",
            x="engine_rpm",
            table="soft_rev_plate_free",
            arm="clutch_1 < 0.5",
            rise_rate=_OPENING,
            reason="the same with the clutch open: a free engine runs up faster",
            source=source,
        )
    )
    why = "gives the narrowest bands with the margins kept, computed"
    return Rows(
        tuple(limits),
        tables,
        {f"{row.name}.lead_s": Number(lead, "s", why) for row in limits},
        _notes(gears, found, band),
    )


def _notes(gears: list[int], found: list[tuple[float, Margins]], band: float) -> tuple[str, ...]:
    notes = [
        "soft rev limit: "
        + "; ".join(
            f"{f'gear {gear}' if gear else 'neutral'} from {own:.0f} rpm below the hard limit, "
            f"{margins_text(m)}"
            for gear, (own, m) in zip(gears, found, strict=True)
        )
    ]
    wide = [f"gear {g}" if g else "neutral" for g, (own, _) in zip(gears, found, strict=True)
            if own > 1.001 * band]  # fmt: skip
    if wide:
        notes.append(
            f"soft rev limit: a band of {band:.0f} rpm would hunt in {', '.join(wide)}, because "
            "plate and filling are slower than the engine runs up: it begins earlier there"
        )
    notes.append(
        "soft rev limit: the hard cut of fuel stays; a shift down that overspeeds the engine is "
        "beyond what a plate can hold"
    )
    return tuple(notes)


ROLE = Role(
    name="soft_rev_limit",
    title="Soft rev limit",
    text="Takes torque away with the plate before the hard rev limit cuts fuel.",
    design=soft_rev_limit,
    section="soft_rev_limit",
    typical=(Typical("band", "250 rpm", "common practice, no source"),),
    shown=(
        Shown("soft_rev_limit_pull", "hard_cut_share"),
        Shown("soft_rev_limit_neutral", "hard_cut_share"),
    ),
    caution="An engine at its rev limit can break and throw parts: watch it from behind a screen, "
    "on a dyno or a closed road, with a second switch that takes the ignition away.",
)
"""The role, for the registry."""
