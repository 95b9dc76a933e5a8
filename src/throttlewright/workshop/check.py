"""Check a build and show its ledger."""

from __future__ import annotations

import tomllib
from typing import Any

import numpy as np
from pydantic import BaseModel

from throttlewright.build.load import load_intent
from throttlewright.build.schema import Build
from throttlewright.build.write import to_toml
from throttlewright.car.compressor import blower_boost
from throttlewright.car.pack import Car
from throttlewright.car.surface import TorqueSurface, compute_surface, default_speeds
from throttlewright.design.ledger import LedgerEntry, rank_ledger
from throttlewright.foundation.events import Cancelled, OnEvent, ignore, never
from throttlewright.workshop.common import Model, open_car, rpm
from throttlewright.workshop.modes import check_gears

__all__ = ["CheckRequest", "CheckResult", "LedgerLine", "check", "ledger_lines"]


class CheckRequest(Model):
    """Build to check, with an intent if there is one."""

    build: str
    intent: str | None = None


class LedgerLine(Model):
    """One number of the build."""

    key: str
    value: str
    origin: str
    source: str
    torque_effect_pct: list[float] | None
    """Change of torque at 10, 20, 50 % pedal [% of full torque]."""
    idle_effect_pct: float | None
    """Change of idle air [%]."""
    measure: str


class CheckResult(Model):
    """What the build says, and what hangs on what."""

    name: str
    use: str
    peak_torque_Nm: float
    peak_torque_rpm: float
    peak_power_kW: float
    peak_power_rpm: float
    modes: list[str]
    notes: list[str]
    """What does not fit together although nothing contradicts."""
    ledger: list[LedgerLine]
    surest_next: list[str]
    """The cheapest measurements that would help most, in order."""


def shown(value: Any) -> str:
    """A number or curve of the build in a few words, SI."""
    if value is None:
        return "none"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        if 1e-3 <= abs(value) < 1e6:
            return f"{float(f'{value:.4g}'):.10g}"
        return f"{value:.4g}"
    if isinstance(value, BaseModel):
        if hasattr(value, "value"):
            return f"curve, {min(value.value):.3g} to {max(value.value):.3g}"
        return type(value).__name__.lower()
    if isinstance(value, tuple):
        return ", ".join(shown(v) for v in value)
    return str(value)


def _rounded(text: str) -> str:
    """A written quantity with four digits and its unit in print."""
    number, _, unit = text.partition(" ")
    try:
        value = float(number)
    except ValueError:
        return text
    unit = unit.replace("*", " ").replace("^2", "²").replace("^3", "³")
    return f"{shown(value)} {unit}".strip()


def ledger_lines(entries: tuple[LedgerEntry, ...], build: Build) -> list[LedgerLine]:
    """Ledger entries as a person reads them: values with their unit, percent instead of shares."""
    written = tomllib.loads(to_toml(build))

    def text(entry: LedgerEntry) -> str:
        section, _, key = entry.key.partition(".")
        found = written.get(section)
        found = found.get(key) if isinstance(found, dict) else found
        return _rounded(found) if isinstance(found, str) else shown(entry.value)

    return [
        LedgerLine(
            key=e.key,
            value=text(e),
            origin=e.origin,
            source=e.source,
            torque_effect_pct=None
            if e.torque_effect is None
            else [round(100.0 * v, 2) for v in e.torque_effect],
            idle_effect_pct=None if e.idle_effect is None else round(100.0 * e.idle_effect, 2),
            measure=e.measure,
        )
        for e in entries
    ]


_BLOWER_DOUBT = 0.35
"""Share by which a blower's size may disagree with the boost given before it is worth a word."""


def _blower_notes(car: Car, wide: TorqueSurface) -> list[str]:
    omega = float(wide.omega[-1])
    made = blower_boost(
        car,
        omega,
        flow=float(wide.values["air_flow"][-1, -1]),
        pipe=float(wide.values["pipe_pressure"][-1, -1]),
    )
    if made is None:
        return []
    given = float(car.full_boost(wide.omega[-1:])[0]) - float(car.record["p_ambient"])
    if abs(made - given) <= _BLOWER_DOUBT * max(given, 0.2e5):
        return []
    return [
        f"the boost given at {omega * rpm:.0f} rpm is {given / 1e5:.2f} bar; a blower of this "
        f"size and drive would make about {made / 1e5:.2f} bar with this engine (rotor leakage "
        "assumed): check displacement, drive ratio and the boost log"
    ]


def check(
    request: CheckRequest, *, on_event: OnEvent = ignore, cancelled: Cancelled = never
) -> CheckResult:
    """Read a build (and an intent), fill what is missing, and rank what that costs in certainty."""
    file, car = open_car(request.build)
    modes: list[str] = []
    if request.intent:
        intent = load_intent(request.intent)
        check_gears(car, intent)
        modes = list(intent.intent.mode)
    speeds = default_speeds(car, count=40)
    ends = np.array([car.psi_closed, 0.5 * (car.psi_closed + car.psi_open), car.psi_open])
    wide = compute_surface(car, speeds=speeds, psi=ends).require_solved()
    full = wide.full
    power = full * speeds
    entries = rank_ledger(file.build, file.provenance, on_event=on_event, cancelled=cancelled)
    measures: list[str] = []
    for entry in entries:
        if entry.measure and entry.weight > 0.002 and entry.measure not in measures:
            measures.append(entry.measure)
    t, p = int(np.argmax(full)), int(np.argmax(power))
    return CheckResult(
        name=file.build.name,
        use=file.build.use,
        peak_torque_Nm=round(float(full[t]), 1),
        peak_torque_rpm=round(float(speeds[t] * rpm)),
        peak_power_kW=round(float(power[p]) / 1e3, 1),
        peak_power_rpm=round(float(speeds[p] * rpm)),
        modes=modes,
        notes=_blower_notes(car, wide),
        ledger=ledger_lines(entries, file.build),
        surest_next=measures[:5],
    )
