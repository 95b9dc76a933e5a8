"""Cold engine: a ceiling on the plate over coolant and engine speed."""

from __future__ import annotations

import itertools
import math

import numpy as np

from throttlewright.build.intent import ColdEngine, Intent
from throttlewright.calibration.limits import Limit
from throttlewright.calibration.table import Axis, Table
from throttlewright.car.pack import Car
from throttlewright.car.surface import compute_surface, evaluate
from throttlewright.design.idle import idle_opening
from throttlewright.design.role import Role
from throttlewright.design.rows import PLATE_PCT, Rows
from throttlewright.physics.friction import friction_over_warm

__all__ = ["ROLE", "cold", "plate_for_share"]

_STEP = 10.0
"""Widest step of the coolant axis [K]: between two points the plate, not the share, is linear."""
_SPEEDS = 12
_HALVINGS = 24
_FULL = 0.99
"""Share at which the ceiling ends before it opens wholly [-]: the last percent takes half of the
travel of a large plate, and a straight line over it would give away the steps before."""
_RELEASE = 10.0
"""Rise of the ceiling [%/s]: full torque must not arrive in one jump. Tool default."""
_WARM_UP = 0.3
"""Rise of coolant while the hold lasts [K/s]; 0.2 to 0.5, from memory."""


def plate_for_share(car: Car, omega: np.ndarray, share: np.ndarray) -> np.ndarray:
    """Plate that gives a torque share, boost settled.

    Parameters
    ----------
    car : Car
        The car.
    omega : ndarray [rad/s]
        Engine speeds, shape (n,).
    share : ndarray [-]
        Torque shares, shape (m,), 0 to 1.

    Returns
    -------
    ndarray [%]
        Plate opening, shape (n, m).

    Notes
    -----
    Settled boost gives the most torque at a plate, so the share is not exceeded in any other
    state. Friction of the cold engine takes the same off every torque at one speed and drops out
    of the share.
    """
    ends = np.array([car.psi_closed, car.psi_open])
    surface = compute_surface(car, speeds=omega, psi=ends).require_solved()
    wanted = surface.closed[:, None] + share * (surface.full - surface.closed)[:, None]
    low = np.full(wanted.shape, car.psi_closed)
    high = np.full(wanted.shape, car.psi_open)
    for _ in range(_HALVINGS):
        middle = 0.5 * (low + high)
        below = evaluate(car, omega, middle)[0]["torque"] < wanted
        low, high = np.where(below, middle, low), np.where(below, high, middle)
    # the lower end: where a spooling turbo jumps, the torque before the jump
    return np.asarray(100.0 * (low - car.psi_closed) / (car.psi_open - car.psi_closed))


def _coolant_axis(wanted: ColdEngine) -> tuple[np.ndarray, np.ndarray]:
    at = np.array(wanted.coolant) - 273.15
    share = np.array(wanted.torque_share)
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


def cold(car: Car, intent: Intent) -> Rows:
    """Ceiling of the plate while the engine is cold, and its hold after the start.

    Parameters
    ----------
    car : Car
        The car.
    intent : Intent
        With or without torque shares over coolant.

    Returns
    -------
    Rows
        Nothing where no shares are asked for.

    Notes
    -----
    No row remembers the temperature at the start. The hold therefore reads the same ceiling at a
    coolant lower by as much as it rises while the hold lasts.
    """
    wanted = intent.cold_engine
    if wanted is None:
        return Rows()
    axis, share = _coolant_axis(wanted)
    rpm = np.unique(
        np.round(np.linspace(0.8 * car.idle, car.limit, _SPEEDS) * 30.0 / math.pi / 50.0) * 50.0
    )
    plate = plate_for_share(car, rpm * math.pi / 30.0, share).T
    plate[share >= 1.0] = 100.0
    # a ceiling beats the idle floor: it must leave the air that a cold engine idles on
    notes = []
    for i, coolant in enumerate(axis):
        psi, _ = idle_opening(car, omega=car.idle, cold=friction_over_warm(float(coolant) + 273.15))
        idle = 100.0 * (psi - car.psi_closed) / (car.psi_open - car.psi_closed)
        least = 1.1 * idle + 0.2
        if plate[i].min() < least:
            notes.append(
                f"at {coolant:g} degC the share of {100 * share[i]:.0f} % would not leave the air "
                "to idle on: the ceiling is raised to it"
            )
        plate[i] = np.maximum(plate[i], least)
    speed = Axis("engine_rpm", "rpm", rpm)
    source = "intent, cold_engine, on the torque surface with boost settled"

    def table(name: str, shift: float) -> Table:
        return Table(
            name,
            "largest plate opening",
            "%",
            (Axis("coolant_degC", "degC", axis + shift), speed),
            np.round(plate, 3),
            note=notes[-1] if notes else "",
            percent_meaning=PLATE_PCT,
        )

    tables = [table("cold_plate", 0.0)]
    limits = [
        Limit(
            "cold",
            "plate",
            "ceiling",
            "table",
            x="coolant_degC",
            y="engine_rpm",
            table="cold_plate",
            rise_rate=_RELEASE,
            reason="spares a cold engine",
            source=source,
        )
    ]
    hold = wanted.hold_after_start
    if hold > 0.0:
        tables.append(table("cold_plate_hold", round(_WARM_UP * hold, 3)))
        limits.append(
            Limit(
                "cold_hold",
                "plate",
                "ceiling",
                "table",
                x="coolant_degC",
                y="engine_rpm",
                table="cold_plate_hold",
                arm=f"since_start_s < {hold:g}",
                rise_rate=_RELEASE,
                reason="oil is not everywhere in the first seconds: the start's ceiling stays",
                source=f"{source}; coolant rises {_WARM_UP:g} K/s, from memory",
            )
        )
    return Rows(tuple(limits), tuple(tables), notes=tuple(notes))


ROLE = Role(
    name="cold",
    title="Cold engine",
    text="Allows a cold engine only a share of its torque.",
    design=cold,
    section="cold_engine",
)
"""The role, for the registry."""
