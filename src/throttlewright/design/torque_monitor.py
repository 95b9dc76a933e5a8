"""Torque monitor: torque seen in the manifold against the most that pedal and floors permit."""

from __future__ import annotations

import math

import numpy as np

from throttlewright.build.intent import Intent, Mode
from throttlewright.calibration.calibration import Number
from throttlewright.calibration.reactions import Reaction
from throttlewright.calibration.table import Axis, Table
from throttlewright.car.pack import Car
from throttlewright.car.record import BoostState
from throttlewright.car.surface import TorqueSurface, compute_surface, plate_axis
from throttlewright.design.old_plate import old_plate_share
from throttlewright.design.pedal import design_pedal_map
from throttlewright.design.role import Role, Shown, Typical
from throttlewright.design.rows import PLATE_PCT, Rows

__all__ = ["ROLE", "permitted_torque", "torque_monitor"]

_SPEEDS = 14
_PLATES = 60
_PRESSURES = 24
_PEDAL = tuple(float(v) for v in (*range(0, 20, 2), *range(20, 100, 5), 100))
_PLATE = (0.0, 1.0, 2.0, 3.0, 4.5, 6.0, 8.0, 10.0, 13.0, 16.0, 20.0, 30.0, 45.0, 65.0, 100.0)
"""Dense where floors lie."""
_ABOVE = 1.3
"""Most pressure of the table over the most that the car reaches [-]: what is above is a fault
too, and must not read as full load."""
_LAG = 0.3
"""Time in which the permitted torque falls after the pedal has been let go [s]: plate, filling and
charge pipe; from memory."""
_PEDAL_MEANING = "pedal 0 % is released, 100 % full"


def _surfaces(car: Car, omega: np.ndarray) -> dict[BoostState, TorqueSurface]:
    psi = plate_axis(car, count=_PLATES)
    states = (BoostState.SETTLED, BoostState.INSTANT) if car.turbo else (BoostState.SETTLED,)
    return {
        state: compute_surface(car, state=state, speeds=omega, psi=psi).require_solved()
        for state in states
    }


def _rest_pct(car: Car) -> float:
    rec = car.record
    return 100.0 * float(rec["default_opening"]) / float(rec["servo_travel"])


def _seen(surfaces: dict[BoostState, TorqueSurface]) -> tuple[np.ndarray, np.ndarray]:
    """Pressures [kPa] and the largest torque at each, over the states of boost [N m]."""
    maps = {s: np.maximum.accumulate(f.values["map"], axis=1) / 1e3 for s, f in surfaces.items()}
    low = min(float(m.min()) for m in maps.values())
    high = _ABOVE * max(float(m.max()) for m in maps.values())
    axis = np.unique(np.round(np.linspace(low, high, _PRESSURES), 2))
    tops = np.max([m[:, -1] for m in maps.values()], axis=0)
    rows = []
    for state, surface in surfaces.items():
        found = np.empty((surface.omega.size, axis.size))
        for i, (pressure, torque) in enumerate(zip(maps[state], surface.torque, strict=True)):
            # torque is nearly linear in pressure: its slope over the whole range carries it on
            slope = (torque[-1] - torque[0]) / max(pressure[-1] - pressure[0], 1.0)
            outside = np.maximum(axis - pressure[-1], 0.0) + np.minimum(axis - pressure[0], 0.0)
            found[i] = np.interp(axis, pressure, torque) + slope * outside
            # but not into boost from a state without: the back pressure of the turbine is missing
            if pressure[-1] < tops[i]:
                found[i, axis > pressure[-1]] = -np.inf
        rows.append(found)
    return axis, np.asarray(np.max(rows, axis=0))


def _at_plate(surfaces: dict[BoostState, TorqueSurface], plate_pct: np.ndarray) -> np.ndarray:
    """Largest torque at plates of shape (speeds, n), over the states of boost [N m]."""
    rows = []
    for surface in surfaces.values():
        psi = surface.psi[0] + plate_pct / 100.0 * (surface.psi[-1] - surface.psi[0])
        rows.append(surface.torque_at(surface.omega, psi))
    return np.asarray(np.max(rows, axis=0))


def _plate_of(
    car: Car, name: str, mode: Mode, surfaces: dict[BoostState, TorqueSurface]
) -> np.ndarray:
    instant = car.turbo and mode.boost_state == "instant"
    surface = surfaces[BoostState.INSTANT if instant else BoostState.SETTLED]
    pedal = np.array(_PEDAL)
    share = old_plate_share(car, surface.omega, pedal) if mode.feel == "old plate" else None
    made = design_pedal_map(
        surface, mode, pedal_pct=pedal, omega=surface.omega, car=car, name=name, old_share=share
    )
    return made.plate_pct


def permitted_torque(
    car: Car, intent: Intent, surfaces: dict[BoostState, TorqueSurface]
) -> np.ndarray:
    """Largest torque that a pedal position asks for, over all modes and states of boost.

    Parameters
    ----------
    car : Car
        The car.
    intent : Intent
        With its modes.
    surfaces : dict of BoostState to TorqueSurface
        Torque on one speed axis, for every state of boost.

    Returns
    -------
    ndarray [N m]
        Shape (speeds, pedals); never falls over pedal.
    """
    rows = [
        _at_plate(surfaces, _plate_of(car, name, mode, surfaces))
        for name, mode in intent.mode.items()
    ]
    return np.asarray(np.maximum.accumulate(np.max(rows, axis=0), axis=1))


def _above_start(rpm: np.ndarray, values: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Add a speed below idle at which everything is permitted.

    An engine that is being started or stalls has a full manifold, whatever the plate.
    """
    return np.concatenate(([0.9 * rpm[0]], rpm)), np.vstack(
        (np.full((1, values.shape[1]), float(values.max())), values)
    )


def torque_monitor(car: Car, intent: Intent) -> Rows:
    """Watch over torque that shares neither the plate nor its target with the rest.

    Parameters
    ----------
    car : Car
        The car.
    intent : Intent
        With or without the monitor; its modes.

    Returns
    -------
    Rows
        Nothing where no monitor is asked for; refused behind individual plates.

    Notes
    -----
    Torque seen is what the engine gives at this pressure and speed, warm, at the best ignition and
    in the state of boost in which it gives most. Permitted is the larger of what the pedal asks for
    in any mode and of what the highest floor's plate gives, and at least what the plate gives at
    its rest without power; a ceiling only lowers what is there. Under that torque the watch is
    blind: at low engine speed the engine speed with a released pedal must be watched too.
    """
    wanted = intent.torque_monitor
    if wanted is None:
        return Rows()
    if float(car.record["individual"]) > 0.5:
        return Rows(
            refused="no torque monitor: behind individual plates manifold pressure is no signal of "
            "load, and torque cannot be seen in it"
        )
    rpm = np.unique(
        np.round(np.linspace(0.8 * car.idle, car.limit, _SPEEDS) * 30.0 / math.pi / 50.0) * 50.0
    )
    surfaces = _surfaces(car, rpm * math.pi / 30.0)
    pressure, seen = _seen(surfaces)
    asked = permitted_torque(car, intent, surfaces)
    plate = np.array(_PLATE)
    # a cut takes the plate to its rest and no further, and control begins there: what the plate at
    # rest gives is permitted always, or the watch would find its own reaction
    least = np.maximum(plate, _rest_pct(car))
    at_plate = _at_plate(surfaces, np.broadcast_to(least, (rpm.size, plate.size)))
    # one extra speed in all tables; what is seen there is what is seen at the lowest
    low, asked = _above_start(rpm, np.maximum(asked, float(seen[0].min())))
    asked[0] = max(float(asked[0].max()), float(seen[0].max()))
    at_plate = np.vstack((at_plate[:1], at_plate))
    seen = np.vstack((seen[:1], seen))
    largest = max(float(s.torque.max()) for s in surfaces.values())
    tolerance = round(wanted.tolerance * largest, 1)
    shaping = intent.pedal_shaping
    lag = _LAG + (shaping.closing_time if shaping is not None else 0.0)
    speed = Axis("engine_rpm", "rpm", np.round(low, 3))
    tables = (
        Table(
            "torque_over_pressure", "largest torque at this pressure", "N*m",
            (speed, Axis("map_kPa", "kPa", pressure)), np.round(seen, 2),
            note="warm, best ignition, the state of boost that gives most",
        ),
        Table(
            "torque_over_pedal", "largest torque that the pedal asks for", "N*m",
            (speed, Axis("pedal_pct", "%", np.array(_PEDAL))), np.round(asked, 2),
            note="over all modes and states of boost; below idle everything is permitted",
            percent_meaning=_PEDAL_MEANING,
        ),
        Table(
            "torque_over_plate", "largest torque at this plate", "N*m",
            (speed, Axis("plate_pct", "%", plate)), np.round(at_plate, 2),
            note="read at the highest floor; at least what the plate at rest gives",
            percent_meaning=PLATE_PCT,
        ),
    )  # fmt: skip
    source = (
        f"tolerance {100.0 * wanted.tolerance:g} % of {largest:.0f} N m and "
        f"{wanted.confirm:g} s from the intent, tool defaults; torque from the car's surface"
    )
    text = "an estimate independent of the plate; a simulation aid"
    rows = tuple(
        Reaction(fault, "torque", tolerance, wanted.confirm, action, "key", source, line)
        for fault, action, line in (
            ("more torque than permitted", "cut", text),
            (
                "more torque than permitted, engine speed",
                "fuel_speed",
                "second way to take power off, independent of the plate",
            ),
        )
    )
    notes = [
        "the torque monitor is a simulation aid: it shows what such a watch would see, and is no "
        "certified safety function"
    ]
    if any(mode.feel == "old plate" for mode in intent.mode.values()):
        notes.append(
            "the torque monitor knows the previous plate of the build, not a pasted table of it"
        )
    return Rows(
        tables=tables,
        numbers={
            "monitor_lag_s": Number(
                lag, "s", "filling and plate on a release, from memory; closing time of the intent"
            )
        },
        notes=tuple(notes),
        reactions=rows,
    )


ROLE = Role(
    name="torque_monitor",
    title="Torque monitor",
    text="Compares torque seen in the manifold with the most that pedal and floors permit.",
    design=torque_monitor,
    section="torque_monitor",
    typical=(
        Typical("tolerance", "0.15 of the largest torque", "common practice, no source"),
        Typical("confirm", "0.3 s", "0.2 to 0.5 s, from memory"),
    ),
    shown=(Shown("monitor_plate_lost", "torque_above_permitted"),),
    caution="A simulation aid, not a certified safety function: on a car it replaces neither the "
    "checks of plate and pedal nor the second way to stop the engine.",
)
"""The role, for the registry."""
