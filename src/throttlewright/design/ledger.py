"""The ledger: each number of the build, where it comes from, and what hangs on it."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from pydantic import BaseModel

from throttlewright.build.paths import value_at, with_value
from throttlewright.build.schema import Build
from throttlewright.car.pack import Car, pack
from throttlewright.car.record import BoostState
from throttlewright.car.surface import evaluate
from throttlewright.foundation.errors import InputError
from throttlewright.foundation.events import (
    Cancelled,
    Event,
    OnEvent,
    check_cancelled,
    ignore,
    never,
)
from throttlewright.foundation.provenance import Origin, Provenance

__all__ = ["LEDGER_PEDALS", "LedgerEntry", "rank_ledger"]

LEDGER_PEDALS = (10.0, 20.0, 50.0)
"""Pedal positions at which effects are stated [%], with the plate following one to one."""

_SPEEDS = np.array([2000.0, 4000.0]) * math.pi / 30.0
_INERT = (
    "servo.", "sensors.", "controller.", "pedal.", "driveline.", "vehicle.", "previous_plate.",
)  # fmt: skip
"""Sections that cannot change engine torque; their spreads act on car figures only."""
_INERT_KEYS = frozenset(
    {
        "engine.coolant_capacity",
        "engine.exhaust_volume",
        "engine.induction_delay",
        "turbo.relief_area",
        "turbo.relief_lag",
        "turbo.wastegate_lag",
    }
)
"""Numbers of other sections that act on the car in motion only, not on steady torque."""


@dataclass(frozen=True)
class LedgerEntry:
    """One number with its effect.

    ``torque_effect`` are changes of torque at 10, 20 and 50 % pedal as shares of full torque,
    the mean over 2000 and 4000 rpm, on a turbo over both boost states; ``idle_effect`` is the
    change of the air that 1 degree of opening passes at idle speed, as a share. None: does not act.
    """

    key: str
    value: Any
    origin: str
    source: str
    torque_effect: tuple[float, float, float] | None
    idle_effect: float | None
    measure: str

    @property
    def weight(self) -> float:
        """Largest effect on torque or idle, for ranking."""
        torque = max(self.torque_effect) if self.torque_effect else 0.0
        return max(torque, 0.25 * (self.idle_effect or 0.0))


def _moved(value: Any, entry: Provenance, sign: float) -> Any:
    if isinstance(value, bool) or value is None:
        return None
    if isinstance(value, int | float):
        step = entry.spread * (abs(value) if entry.relative else 1.0)
        return value + sign * step if step else None
    if isinstance(value, BaseModel) and hasattr(value, "value") and entry.relative and entry.spread:
        scaled = tuple(v * (1.0 + sign * entry.spread) for v in value.value)
        return value.model_copy(update={"value": scaled})
    return None


def _probe(car: Car) -> tuple[np.ndarray, float]:
    span = car.psi_open - car.psi_closed
    pct = np.array([*LEDGER_PEDALS, 100.0])
    psi = np.broadcast_to(car.psi_closed + pct / 100.0 * span, (_SPEEDS.size, pct.size))
    values, _ = evaluate(car, _SPEEDS, psi, state=BoostState.INSTANT)
    torque = values["torque"]
    if car.turbo:
        settled, _ = evaluate(car, _SPEEDS, psi)
        torque = np.concatenate((torque, settled["torque"]))
    idle, _ = evaluate(
        car,
        np.array([car.idle]),
        np.array([[car.psi_closed + math.radians(1.0)]]),
        state=BoostState.INSTANT,
    )
    return torque, float(idle["air_flow"][0, 0])


def rank_ledger(
    build: Build,
    provenance: dict[str, Provenance],
    *,
    on_event: OnEvent = ignore,
    cancelled: Cancelled = never,
) -> tuple[LedgerEntry, ...]:
    """Work out what each uncertain number does to torque and idle, largest first.

    Parameters
    ----------
    build : Build
        Completed build.
    provenance : dict
        By dotted key, as the loader gives it.
    on_event : callable
        Receives progress.
    cancelled : callable
        Asked between numbers.

    Returns
    -------
    tuple of LedgerEntry
        Uncertain numbers by falling effect, then the others by name.
    """
    nominal, idle = _probe(pack(build))
    full = nominal[:, -1:]
    entries = []
    for n, (key, entry) in enumerate(provenance.items()):
        check_cancelled(cancelled)
        on_event(Event("ledger", n, len(provenance), key))
        value = value_at(build, key)
        effect: tuple[float, float, float] | None = None
        idle_effect: float | None = None
        inert = key.startswith(_INERT) or key in _INERT_KEYS
        moves = [] if inert else [_moved(value, entry, s) for s in (-1.0, 1.0)]
        worst, worst_idle = np.zeros(len(LEDGER_PEDALS)), 0.0
        for moved in moves:
            if moved is None:
                continue
            try:
                torque, air = _probe(pack(with_value(build, key, moved)))
            except InputError:
                continue  # the moved number leaves what is allowed: the other side still counts
            change = np.abs(torque - nominal)[:, :-1] / full
            worst = np.maximum(worst, change.mean(axis=0))
            worst_idle = max(worst_idle, abs(air / idle - 1.0))
            effect = (float(worst[0]), float(worst[1]), float(worst[2]))
            idle_effect = worst_idle
        entries.append(
            LedgerEntry(
                key=key,
                value=value,
                origin=str(entry.origin),
                source=entry.source,
                torque_effect=effect,
                idle_effect=idle_effect,
                measure=entry.measure if entry.origin != Origin.GIVEN or entry.spread else "",
            )
        )
    on_event(Event("ledger", len(provenance), len(provenance)))
    return tuple(sorted(entries, key=lambda e: (-round(e.weight, 12), e.key)))
