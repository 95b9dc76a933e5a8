"""Lint: search a calibration, or a pasted table alone, for what should not be in it."""

from __future__ import annotations

import math
from collections import Counter
from dataclasses import replace
from pathlib import Path

import numpy as np

from throttlewright.build.load import load_intent
from throttlewright.calibration.calibration import Calibration
from throttlewright.calibration.lint import RULES, Finding, Known, lint_calibration
from throttlewright.calibration.table import Axis
from throttlewright.car.pack import Car
from throttlewright.car.surface import compute_surface, plate_axis
from throttlewright.design.idle import idle_opening
from throttlewright.foundation.errors import InputError
from throttlewright.foundation.events import (
    Cancelled,
    Event,
    OnEvent,
    check_cancelled,
    ignore,
    never,
)
from throttlewright.handover.tables import read_csv_table
from throttlewright.workshop.common import Model, open_car, rpm

__all__ = ["FindingLine", "LintRequest", "LintResult", "lint"]

_TEXTS = (".csv", ".tsv", ".txt")


class LintRequest(Model):
    """What is searched, and what is known of the car."""

    calibration: str
    """Calibration file, or a pasted table of plate % over rpm and pedal % (.csv, .tsv, .txt)."""
    build: str | None = None
    """Build, for the rules that need the engine."""
    intent: str | None = None
    """Intent, for modes that are capped on purpose."""


class FindingLine(Model):
    """One finding."""

    rule: str
    severity: str
    where: str
    at: str
    figure: float | None
    unit: str
    text: str
    advice: str


class LintResult(Model):
    """All findings, errors first."""

    name: str
    findings: tuple[FindingLine, ...]
    errors: int
    warnings: int
    notes: int
    rules: int
    """How many rules were looked at."""
    tables: int
    rows: int
    reactions: int
    car: str | None
    """Name of the car whose engine was looked at; None without a build."""
    remarks: tuple[str, ...] = ()

    @property
    def exit_code(self) -> int:
        """0 without errors, else 1."""
        return 1 if self.errors else 0


def _read(path: str) -> Calibration:
    if Path(path).suffix.lower() not in _TEXTS:
        return Calibration.read(path)
    table = read_csv_table(
        path,
        name="plate_over_pedal_pasted",
        quantity="plate opening",
        unit="%",
        axes=(("engine_rpm", "rpm"), ("pedal_pct", "%")),
        percent_meaning="as pasted: 0 % closed stop, 100 % open stop",
    )
    if len(table.axes) == 2 and table.axes[0].values[-1] <= 150.0 < table.axes[1].values[-1]:
        # pedal down, rpm across: turned as the strategy reads it
        speed = Axis("engine_rpm", "rpm", table.axes[1].values)
        pedal = Axis("pedal_pct", "%", table.axes[0].values)
        table = replace(table, axes=(speed, pedal), values=table.values.T)
    return Calibration(tables={table.name: table})


def _known(car: Car) -> Known:
    rec = car.record
    psi, fine = idle_opening(car, omega=car.idle)
    idle = car.plate_pct(psi)
    tops = {}
    if float(rec["map_range"]) > 0.0:
        tops["map_kPa"] = float(rec["map_range"]) / 1e3
    speeds = np.linspace(0.8 * car.idle, car.limit, 12)
    surface = compute_surface(car, speeds=speeds, psi=plate_axis(car, count=60)).require_solved()

    def share(at_rpm: np.ndarray, plate_pct: np.ndarray) -> np.ndarray:
        psi = surface.psi[0] + plate_pct / 100.0 * (surface.psi[-1] - surface.psi[0])
        omega = np.clip(at_rpm / rpm, speeds[0], speeds[-1])
        torque = surface.torque_at(omega, psi)
        closed = np.interp(omega, speeds, surface.closed)[:, None]
        full = np.interp(omega, speeds, surface.full)[:, None]
        return np.asarray((torque - closed) / (full - closed))

    return Known(
        idle_rpm=car.idle * rpm,
        limit_rpm=car.limit * rpm,
        idle_plate_pct=idle if fine or psi == car.psi_closed else None,
        ambient_kPa=float(rec["p_ambient"]) / 1e3,
        charged=car.charged,
        sensor_top=tops,
        share=share,
    )


def _line(finding: Finding) -> FindingLine:
    figure = finding.figure
    return FindingLine(
        rule=finding.rule,
        severity=finding.severity,
        where=finding.where,
        at=finding.at,
        figure=None if figure is None or not math.isfinite(figure) else float(f"{figure:.6g}"),
        unit=finding.unit,
        text=finding.text,
        advice=finding.advice,
    )


def lint(
    request: LintRequest, *, on_event: OnEvent = ignore, cancelled: Cancelled = never
) -> LintResult:
    """Search a calibration by all rules.

    Parameters
    ----------
    request : LintRequest
        The calibration, and what is known of the car.
    on_event : callable
        Receives progress.
    cancelled : callable
        Asked between steps.

    Returns
    -------
    LintResult
        Findings, errors first; its ``exit_code`` is 1 where there is an error.

    Raises
    ------
    InputError
        If a file is missing or cannot be read, or an intent comes without its build.
    """
    calibration = _read(request.calibration)
    known, name = Known(), None
    remarks: list[str] = []
    if request.build is None and request.intent is not None:
        raise InputError(
            "an intent needs the build it is for", key="--intent", advice="give --build as well"
        )
    if request.build is not None:
        on_event(Event("the engine of the build", 0, 2))
        file, car = open_car(request.build)
        check_cancelled(cancelled)
        known, name = _known(car), file.build.name
        if calibration.build_sha256 and calibration.build_sha256 != file.sha256:
            remarks.append("the calibration was made from another version of this build")
    if request.intent is not None:
        asked = load_intent(request.intent).intent
        capped = tuple(
            "".join(c if c.isalnum() and c.isascii() else "_" for c in mode).strip("_") or "mode"
            for mode, wish in asked.mode.items()
            if wish.most_torque < 1.0 or wish.slope_limit is not None
        )
        known = replace(known, capped=capped)
    check_cancelled(cancelled)
    found = lint_calibration(calibration, known)
    on_event(Event("rules", 2, 2))
    count = Counter(finding.severity for finding in found)
    return LintResult(
        name=Path(request.calibration).name,
        findings=tuple(_line(finding) for finding in found),
        errors=count["error"],
        warnings=count["warning"],
        notes=count["note"],
        rules=len(RULES),
        tables=len(calibration.tables),
        rows=len(calibration.limits),
        reactions=len(calibration.reactions),
        car=name,
        remarks=tuple(remarks),
    )
