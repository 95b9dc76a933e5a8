"""Corner: what the pedal map is worth at a corner exit against a plate that follows the pedal."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from throttlewright.calibration.calibration import Calibration
from throttlewright.car.motion import in_motion
from throttlewright.foundation.events import Cancelled, OnEvent, ignore, never
from throttlewright.prove.corner_exit import CornerRow, corner_table
from throttlewright.workshop.common import Model, open_car

_SAME = 3e-3
"""Differences below it count as none [s], and more than it where even the perfect driver, to whom
both maps are alike, comes out further apart on them."""

Delay = Annotated[float, Field(ge=0.0, le=1.0, allow_inf_nan=False)]
Resolution = Annotated[float, Field(ge=0.0, le=20.0, allow_inf_nan=False)]

__all__ = ["CornerLine", "CornerRequest", "CornerResult", "corner"]


class CornerRequest(Model):
    """Which map, which drivers, how far."""

    build: str
    calibration: str
    delays_s: tuple[Delay, ...] = Field((0.15, 0.25, 0.35), min_length=1)
    """Reaction delays [s]."""
    resolutions_mm: tuple[Resolution, ...] = Field((0.5, 1.0, 2.0), min_length=1)
    """Finest steps of the foot at the pad [mm]."""
    distance_m: float = Field(40.0, ge=5.0, le=200.0, allow_inf_nan=False)
    """Length of the exit [m]."""


class CornerLine(Model):
    """One driver on both maps."""

    delay_s: float
    resolution_mm: float
    designed_s: float
    one_to_one_s: float
    lost_s: float
    designed_slips: int
    one_to_one_slips: int
    designed_m_s: float
    one_to_one_m_s: float


class CornerResult(Model):
    """The perfect driver first, then all others."""

    name: str
    distance_m: float
    lines: tuple[CornerLine, ...]
    claim: str
    caution: str = (
        "A simulation ran, no car was driven. Try a map where there is room to be wrong, "
        "and within what the event and the law allow."
    )


def corner(
    request: CornerRequest, *, on_event: OnEvent = ignore, cancelled: Cancelled = never
) -> CornerResult:
    """Let drivers of limited fineness take a corner exit on both maps.

    Parameters
    ----------
    request : CornerRequest
        Build, calibration, drivers and distance.
    on_event : callable
        Told of progress.
    cancelled : callable
        Asked between drivers.

    Returns
    -------
    CornerResult
        Times, slip events and what they say.

    Raises
    ------
    InputError
        If something that was given cannot be used.
    """
    file, car = open_car(request.build)
    rows = corner_table(
        in_motion(car),
        Calibration.read(request.calibration),
        delays=request.delays_s,
        resolutions=request.resolutions_mm,
        distance=request.distance_m,
        on_event=on_event,
        cancelled=cancelled,
    )
    return CornerResult(
        name=file.build.name,
        distance_m=request.distance_m,
        lines=tuple(_line(row) for row in rows),
        claim=_claim(rows),
    )


def _line(row: CornerRow) -> CornerLine:
    return CornerLine(
        delay_s=row.delay_s,
        resolution_mm=row.resolution_mm,
        designed_s=round(row.designed.time_s, 4),
        one_to_one_s=round(row.one_to_one.time_s, 4),
        lost_s=round(row.lost_s, 4),
        designed_slips=row.designed.slip_events,
        one_to_one_slips=row.one_to_one.slip_events,
        designed_m_s=round(row.designed.speed_m_s, 3),
        one_to_one_m_s=round(row.one_to_one.speed_m_s, 3),
    )


def _claim(rows: tuple[CornerRow, ...]) -> str:
    human = [row.lost_s for row in rows[1:]]
    control = abs(rows[0].lost_s)
    none = max(_SAME, control)
    won = sum(lost >= none for lost in human)
    same = sum(abs(lost) < none for lost in human)
    text = (
        f"one to one loses time with {won} of {len(human)} drivers, {same} within "
        f"{1e3 * none:.0f} ms; differences {min(human):+.3f} to {max(human):+.3f} s; "
        f"a perfect driver differs by {control:.3f} s"
    )
    if won < len(human):
        text += ": on this car the map is not faster for every driver"
    return text
