"""Compare plate sizes on a car."""

from __future__ import annotations

import math

import numpy as np

from throttlewright.design.plate_study import PlateRow, PlateStudy, plate_study
from throttlewright.foundation.errors import InputError
from throttlewright.foundation.events import Cancelled, OnEvent, ignore, never
from throttlewright.workshop.common import Model, open_car, rpm

__all__ = ["PlateLine", "PlateRequest", "PlateResult", "plate", "plate_line", "plate_result"]


class PlateRequest(Model):
    """Build, and the plates to compare."""

    build: str
    smallest_mm: float = 30.0
    largest_mm: float = 110.0
    bores: int = 40
    counts: tuple[int, ...] = ()
    """Numbers of plates; the build's own when left out."""


class PlateLine(Model):
    """One plate size."""

    bore_mm: float
    count: int
    power_loss_kW: float
    loss_pct: float
    mean_velocity_m_s: float
    pct_at_90: list[float]
    """Plate opening for 90 % of torque at low, mid and rated speed [%]."""
    plate_deg_at_90: list[float]
    air_per_tenth_deg_g_s: float
    air_per_tenth_pct_of_idle: float
    leak_g_s: float
    leak_pct_of_idle: float
    can_idle: bool
    why: str
    bits_needed: int
    default_rpm: float
    default_held_by_limit: bool
    default_km_h: list[float]
    """Level-road speed at the unpowered position by gear [km/h]."""
    closing_time_scale: float


class PlateResult(Model):
    """The study and what it recommends."""

    name: str
    car: PlateLine
    rows: list[PlateLine]
    recommended_bore_mm: float
    recommended_count: int
    reasons: list[str]
    trade: list[str]
    notes: list[str]
    low_mid_rated_rpm: list[float]
    idle_air_g_s: float


def plate_line(row: PlateRow) -> PlateLine:
    """One row of a study in the units a person reads."""
    return PlateLine(
        bore_mm=round(1e3 * row.bore, 2),
        count=row.count,
        power_loss_kW=round(row.power_loss_rated / 1e3, 3),
        loss_pct=round(100.0 * row.loss_share, 3),
        mean_velocity_m_s=round(row.mean_velocity, 2),
        pct_at_90=[round(v, 2) for v in row.pct_at_90],
        plate_deg_at_90=[round(math.degrees(v), 2) for v in row.psi_at_90],
        air_per_tenth_deg_g_s=round(1e3 * row.air_per_tenth, 4),
        air_per_tenth_pct_of_idle=round(100.0 * row.air_per_tenth_share, 2),
        leak_g_s=round(1e3 * row.leak_flow, 3),
        leak_pct_of_idle=round(100.0 * row.leak_share, 1),
        can_idle=row.can_idle,
        why=row.why,
        bits_needed=row.bits_needed,
        default_rpm=round(row.default_speed * rpm),
        default_held_by_limit=row.default_held_by_limit,
        default_km_h=[round(3.6 * v, 1) for v in row.default_car_speed],
        closing_time_scale=round(row.closing_time_scale, 2),
    )


def plate_result(name: str, study: PlateStudy) -> PlateResult:
    """A study in the units a person reads."""
    return PlateResult(
        name=name,
        car=plate_line(study.car_row),
        rows=[plate_line(row) for row in study.rows],
        recommended_bore_mm=round(1e3 * study.recommendation.bore, 1),
        recommended_count=study.recommendation.count,
        reasons=list(study.recommendation.reasons),
        trade=list(study.recommendation.trade),
        notes=list(study.notes),
        low_mid_rated_rpm=[round(w * rpm) for w in study.speeds],
        idle_air_g_s=round(1e3 * study.idle_air, 3),
    )


def plate(
    request: PlateRequest, *, on_event: OnEvent = ignore, cancelled: Cancelled = never
) -> PlateResult:
    """Study plate sizes between two bores and recommend one."""
    allowed = "20 mm <= smallest < largest <= 160 mm, 2 to 400 bores, counts 1 to 16"
    if not (20.0 <= request.smallest_mm < request.largest_mm <= 160.0):
        raise InputError(
            "the range of bores cannot be used",
            key="smallest_mm, largest_mm",
            value=(request.smallest_mm, request.largest_mm),
            allowed=allowed,
        )
    if not 2 <= request.bores <= 400:
        raise InputError("cannot be used", key="bores", value=request.bores, allowed=allowed)
    if any(not 1 <= n <= 16 for n in request.counts):
        raise InputError("cannot be used", key="counts", value=request.counts, allowed=allowed)
    file, car = open_car(request.build)
    study = plate_study(
        car,
        bores=np.linspace(request.smallest_mm, request.largest_mm, request.bores) / 1e3,
        counts=request.counts or (file.build.plate.count,),
        on_event=on_event,
        cancelled=cancelled,
    )
    return plate_result(file.build.name, study)
