"""Designed modes: surfaces, the map on its best axis, and a pasted map to compare with."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from throttlewright.build.intent import Mode
from throttlewright.build.load import IntentFile
from throttlewright.car.holds import blend_holds
from throttlewright.car.pack import Car
from throttlewright.car.record import BoostState
from throttlewright.car.surface import TorqueSurface, compute_surface, plate_axis
from throttlewright.design.breakpoints import best_breakpoints
from throttlewright.design.figures import MapFigures, torque_curves
from throttlewright.design.old_plate import old_plate_share
from throttlewright.design.pedal import PedalMap, design_pedal_map, one_to_one
from throttlewright.foundation.errors import InputError
from throttlewright.handover.tables import read_csv_table
from throttlewright.workshop.common import rpm
from throttlewright.workshop.surface import holds_of

__all__ = [
    "ModeDesign",
    "check_gears",
    "design_mode",
    "gears_note",
    "map_speeds",
    "pasted_map",
    "pasted_share",
    "surfaces_of",
]

_CANDIDATES = 51


@dataclass(frozen=True)
class ModeDesign:
    """One mode with what its pictures and tables need."""

    name: str
    mode: Mode
    map: PedalMap
    state: BoostState
    surface: TorqueSurface
    figures: tuple[MapFigures, ...]
    held: np.ndarray | None = None
    """Torque at held pedal over time, shape (times, pedals) [N m]; for a turbo."""


def check_gears(car: Car, intent: IntentFile) -> None:
    """Refuse a mode for a gear that the car does not have."""
    count = len(car.build.driveline.ratios)
    for name, mode in intent.intent.mode.items():
        for gear in mode.gears or ():
            if gear > count:
                raise InputError(
                    f"the driveline of the build has {count} gears",
                    file=intent.path,
                    key=f"mode.{name}.gears",
                    value=gear,
                    allowed=f"1 to {count}",
                    advice="correct the list, or give the ratios in [driveline] of the build",
                )


def gears_note(mode: Mode) -> str:
    """Gears of a mode in words, empty when it applies in all."""
    if mode.gears is None:
        return ""
    word = "gear" if len(mode.gears) == 1 else "gears"
    return f"{word} {', '.join(str(g) for g in sorted(mode.gears))}"


def map_speeds(car: Car, count: int) -> np.ndarray:
    """Engine speed axis of the tables, round numbers of 50 rpm where the range allows."""
    low, high = 0.8 * car.idle * rpm, car.limit * rpm
    axis = np.unique(np.round(np.linspace(low, high, count) / 50.0) * 50.0)
    if axis.size < count:
        axis = np.linspace(low, high, count)
    return np.asarray(axis / rpm)


def design_mode(
    car: Car,
    name: str,
    mode: Mode,
    surfaces: dict[BoostState, TorqueSurface],
    *,
    pedals: int,
    speeds: int,
    old: PedalMap | None = None,
) -> tuple[PedalMap, BoostState, TorqueSurface]:
    """Design one mode on the pedal axis that keeps its interpolation error least."""
    state = BoostState.SETTLED
    if car.turbo and mode.boost_state == "instant":
        state = BoostState.INSTANT
    surface = surfaces[state]
    omega = map_speeds(car, speeds)
    fine = np.unique(
        np.concatenate((np.linspace(0.0, 100.0, _CANDIDATES), [100.0 * mode.opens_to_stop_from]))
    )

    def designed(pedal: np.ndarray) -> PedalMap:
        share = None
        if mode.feel == "old plate":
            share = (
                old_plate_share(car, omega, pedal)
                if old is None
                else pasted_share(car, old, omega, pedal)
            )
        return design_pedal_map(
            surface, mode, pedal_pct=pedal, omega=omega, car=car, name=name, old_share=share
        )

    trial = designed(fine)
    psi = surface.psi[0] + trial.plate_pct / 100.0 * (surface.psi[-1] - surface.psi[0])
    torque = surface.torque_at(omega, psi)
    gain = np.gradient(torque, axis=1) / np.maximum(np.gradient(trial.plate_pct, axis=1), 1e-3)
    axis = best_breakpoints(fine, trial.plate_pct, weight=np.abs(gain), count=pedals)
    return designed(axis), state, surface


def pasted_share(
    car: Car, pasted: PedalMap, omega: np.ndarray, pedal_pct: np.ndarray
) -> np.ndarray:
    """Torque share that a pasted map gives on this car, charge pipe at ambient.

    Counted between this car's own closed and open stop, so that the same share is the same torque.
    """
    instant = BoostState.INSTANT
    torque = torque_curves(car, pasted, omega, state=instant, pedal_pct=pedal_pct).torque
    ends = torque_curves(
        car, one_to_one(omega), omega, state=instant, pedal_pct=np.array([0.0, 100.0])
    ).torque
    closed, full = ends[:, :1], ends[:, 1:]
    return np.asarray((torque - closed) / (full - closed))


def pasted_map(path: str) -> PedalMap:
    """Read a table of plate percent over rpm and pedal percent, either way round."""
    table = read_csv_table(
        path,
        name="pasted",
        quantity="plate opening",
        unit="%",
        axes=(("rpm", "rpm"), ("pedal_pct", "%")),
        percent_meaning="as pasted: 0 % closed stop, 100 % open stop",
    )
    if len(table.axes) != 2:
        raise InputError("needs two axes, rpm down and pedal across", file=path)
    down, across, values = table.axes[0].values, table.axes[1].values, table.values
    if down[-1] <= 150.0 < across[-1]:
        down, across, values = across, down, values.T
    for key, low, high, got in (
        ("pedal axis", 0.0, 100.0, across),
        ("rpm axis", 0.0, 25000.0, down),
        ("plate values", 0.0, 100.0, values),
    ):
        if got.min() < low or got.max() > high:
            raise InputError(
                "is outside the allowed range",
                file=path,
                key=key,
                value=float(got.max() if got.max() > high else got.min()),
                allowed=f"{low:g} to {high:g}",
            )
    if down.size < 2 or across.size < 2:
        raise InputError("needs at least two speeds and two pedal positions", file=path)
    return PedalMap(name="pasted table", pedal_pct=across, omega=down / rpm, plate_pct=values)


def surfaces_of(car: Car, holds: str | None, notes: list[str]) -> dict[BoostState, TorqueSurface]:
    """Both surfaces; holds are steady readings, so they correct the settled one.

    The instant state has no steady reading on a boosted car: its share of full torque is corrected
    in the same ratio, which is right as far as the error is one of plate area or filling.
    """
    psi = plate_axis(car, count=60)
    settled = compute_surface(car, psi=psi).require_solved()
    surfaces = {BoostState.SETTLED: settled, BoostState.INSTANT: settled}
    if car.turbo:
        surfaces[BoostState.INSTANT] = compute_surface(
            car, state=BoostState.INSTANT, psi=psi
        ).require_solved()
    if holds is not None:
        blended = blend_holds(settled, holds_of(holds))
        notes.extend(blended.refused)
        notes.extend(blended.notes)
        surfaces[BoostState.SETTLED] = blended.surface
        instant = surfaces[BoostState.INSTANT]
        if not car.turbo:
            surfaces[BoostState.INSTANT] = blended.surface
        else:
            moved = (blended.surface.share - settled.share) * (instant.full - instant.closed)[
                :, None
            ]
            surfaces[BoostState.INSTANT] = replace(
                instant, torque=np.maximum.accumulate(instant.torque + moved, axis=1)
            )
    return surfaces
