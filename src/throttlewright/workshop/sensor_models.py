"""What the sensors' set-up returns."""

from __future__ import annotations

import math
from typing import Literal

from throttlewright.design.plausibility import Plausibility
from throttlewright.workshop.common import Model

__all__ = [
    "CalibrationNumber",
    "CheckLine",
    "FaultLine",
    "PlausibilityLine",
    "SensorsResult",
    "Status",
    "TrackLine",
]

Status = Literal["pass", "fail", "not_applicable", "not_proven"]
_LEAST_RATE = 1e-9


class CheckLine(Model):
    """One judgement."""

    name: str
    status: Status
    text: str
    source: str = ""


class TrackLine(Model):
    """One track."""

    track: int
    released_V: float
    full_V: float | None
    """None where full travel was not recorded."""
    seen_V: float
    """Furthest from released."""
    direction: Literal["rising", "falling"]
    noise_mV: float
    step_pct: float
    """One step of the converter in points of travel."""
    low_V: float | None
    high_V: float | None
    open_wire_V: float
    pull: str
    loading_pct: float


class FaultLine(Model):
    """What the comparison sees of one fault."""

    fault: str
    found_pct: float
    blind: tuple[tuple[float, float], ...]
    least_pct: float
    rises_pct: float
    """Most by which the pedal reads above the foot where the fault is not seen."""


class PlausibilityLine(Model):
    """The comparison of the tracks."""

    possible: bool
    tolerance_pct: float | None
    time_s: float | None
    least_pct: float | None
    most_pct: float | None
    false_per_1000_h: float | None
    """At most; never below 1e-9, which is as far as a normal noise can be believed."""
    found_s: float | None
    most_skew_ms: float | None
    noise_pct: float
    error_pct: float
    skew_ms: float
    reason: str

    @classmethod
    def of(
        cls, plan: Plausibility, noise_pct: float, error_pct: float, skew_ms: float
    ) -> PlausibilityLine:
        """Return a design in the units a person reads."""

        def number(value: float, digits: int = 4) -> float | None:
            return round(value, digits) if math.isfinite(value) else None

        false = plan.false_per_1000_h
        return cls(
            possible=plan.possible,
            tolerance_pct=number(plan.tolerance_pct),
            time_s=number(plan.time_s),
            least_pct=number(plan.least_pct),
            most_pct=number(plan.most_pct),
            false_per_1000_h=max(false, _LEAST_RATE) if math.isfinite(false) else None,
            found_s=number(plan.found_s),
            most_skew_ms=number(1e3 * plan.most_skew_s, 2),
            noise_pct=round(noise_pct, 4),
            error_pct=round(error_pct, 4),
            skew_ms=skew_ms,
            reason=plan.reason,
        )


class CalibrationNumber(Model):
    """One number for the calibration, by the name it has there."""

    name: str
    value: float
    unit: str
    source: str


class SensorsResult(Model):
    """Two tracks and what to do with them."""

    name: str
    of: Literal["pedal", "plate"]
    origin: str
    status: Status
    checks: tuple[CheckLine, ...]
    books: tuple[CheckLine, ...]
    tracks: tuple[TrackLine, ...]
    topology: str
    ratio: float
    offset_V: float
    faults: tuple[FaultLine, ...]
    judged_at_pct: float
    plausibility: PlausibilityLine
    numbers: tuple[CalibrationNumber, ...]
    toml: str | None
    """Text for the build; none from a data sheet, which the build holds already, and none while
    full travel was not recorded."""
    notes: tuple[str, ...]
    cautions: tuple[str, ...]
    written: tuple[str, ...] = ()

    @property
    def exit_code(self) -> int:
        """0 when everything passed, else 1."""
        return 0 if self.status == "pass" else 1
