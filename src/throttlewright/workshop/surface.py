"""Compute the torque surface of a car, with dyno holds blended in where there are any."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Literal

import numpy as np

from throttlewright.car.compressor import surge_margins
from throttlewright.car.holds import HOLD_CAUTIONS, Hold, blend_holds, plan_holds
from throttlewright.car.record import BoostState
from throttlewright.car.surface import TorqueSurface, compute_surface
from throttlewright.foundation.errors import InputError
from throttlewright.foundation.events import Cancelled, OnEvent, ignore, never
from throttlewright.foundation.units import parse_quantity
from throttlewright.physics.compressor_map import CompressorMap
from throttlewright.physics.friction import WARM_ENGINE, friction_over_warm
from throttlewright.recording.holds import read_holds
from throttlewright.workshop.common import Model, open_car, round_list

__all__ = ["PlannedPoint", "SurfaceRequest", "SurfaceResult", "holds_of", "surface"]


class SurfaceRequest(Model):
    """Build, boost state, and measured holds if there are any."""

    build: str
    state: Literal["instant", "settled", "held"] = "settled"
    pipe: str | None = None
    """Pipe pressure for the state held, absolute, with its unit."""
    holds: str | None = None
    coolant: str | None = None
    """Coolant temperature of a cold engine, with its unit; warm when left out."""
    plan: int = 0
    """Number of dyno holds to plan."""


class PlannedPoint(Model):
    """One dyno hold to take, in this order."""

    rpm: float
    plate_pct: float
    expected_torque_Nm: float
    expected_map_kPa: float
    exhaust_degC: float
    seconds: float
    reason: str


class SurfaceResult(Model):
    """Torque over speed and plate; 0 % is the closed stop, 100 % the open stop."""

    name: str
    boost_state: str
    rpm: list[float]
    plate_pct: list[float]
    torque_Nm: list[list[float | None]]
    map_kPa: list[list[float | None]]
    air_flow_g_s: list[list[float | None]]
    exhaust_degC: list[list[float | None]]
    authority_end_pct: list[float]
    authority_end_deg: list[float]
    friction_factor: float
    """Friction over that of the warm engine."""
    unsolved: int
    notes: list[str]
    surge_margin_pct: list[list[float | None]] | None = None
    """Distance from surge [% of flow], negative in surge; null off the map. Needs a map."""
    choke_margin_pct: list[list[float | None]] | None = None
    coverage: list[list[float]] | None = None
    """How far measured holds carry each point, 0 to 1."""
    plan: list[PlannedPoint]


def holds_of(path: str) -> tuple[Hold, ...]:
    """Read dyno holds from a table file."""
    columns = read_holds(path)
    names = {
        "rpm": "rpm",
        "plate_pct": "plate_pct",
        "torque": "torque",
        "manifold_pressure": "map",
        "lam": "lambda",
        "ignition": "ignition",
    }
    kept = {field: columns[name] for field, name in names.items() if name in columns}
    return tuple(
        Hold(**{field: float(values[i]) for field, values in kept.items()})
        for i in range(columns["rpm"].size)
    )


def _cold(request: SurfaceRequest) -> float:
    """Friction over warm friction at the coolant temperature of the request."""
    if request.coolant is None:
        return 1.0
    at = parse_quantity(request.coolant, "temperature", key="coolant")
    slack = 1e-6  # kelvin from Celsius is not exact
    if not 253.15 - slack <= at <= WARM_ENGINE + slack:
        raise InputError(
            "is outside the allowed range",
            key="coolant",
            value=request.coolant,
            allowed="-20 to 90 degC",
        )
    if request.holds is not None or request.plan:
        raise InputError(
            "dyno holds are readings of a warm engine",
            key="coolant",
            value=request.coolant,
            advice="leave out --coolant, or --holds and --plan",
        )
    return friction_over_warm(at)


def surface(
    request: SurfaceRequest, *, on_event: OnEvent = ignore, cancelled: Cancelled = never
) -> SurfaceResult:
    """Compute a torque surface in one boost state."""
    state = BoostState[request.state.upper()]
    pressure: float | None = None
    if state is BoostState.HELD:
        if request.pipe is None:
            raise InputError(
                "the state held needs a pipe pressure", key="pipe", advice='write --pipe "1.8 bar"'
            )
        pressure = parse_quantity(request.pipe, "pressure", key="pipe")
        if not 3e4 <= pressure <= 6e5:
            raise InputError(
                "is outside the allowed range",
                key="pipe",
                value=request.pipe,
                allowed="0.3 to 6 bar absolute",
            )
    elif request.pipe is not None:
        raise InputError(
            "a pipe pressure goes with the state held only", key="pipe", advice="add --state held"
        )
    if not 0 <= request.plan <= 100:
        raise InputError("cannot be used", key="plan", value=request.plan, allowed="0 to 100")
    cold = _cold(request)
    file, car = open_car(request.build)
    found: TorqueSurface = compute_surface(car, state=state, pressure=pressure, cold=cold)
    notes: list[str] = []
    if request.coolant is not None:
        notes.append(
            f"friction at {request.coolant} is {cold:.2f} times that of the warm engine, the oil "
            "taken as warm as the coolant (63 mm2/s at 40 degC, 10.5 mm2/s at 100 degC); the "
            "exponent of the law is from memory and doubtful. Ignition, mixture and charge "
            "temperature stay those of the warm engine"
        )
    coverage = None
    surge = choke = None
    turbo = file.build.turbo
    if turbo is not None and turbo.compressor_map is None:
        notes.append("surge margin and choke: needs a map, give turbo.compressor_map")
    elif turbo is not None and turbo.compressor_map is not None:
        compressor = CompressorMap.from_csv(
            Path(request.build).parent / turbo.compressor_map,
            p_ref=turbo.map_pressure,
            T_ref=turbo.map_temperature,
        )
        margins = surge_margins(car, found, compressor)
        surge, choke = (round_list(100.0 * m, 4) for m in margins)
        in_surge = int(np.sum(margins[0] < 0.0))
        if in_surge:
            notes.append(
                f"{in_surge} of {found.torque.size} points lie beyond the surge line of the map: "
                "boost there is not to be had steadily with this plate"
            )
    if car.record["individual"] > 0.5:
        notes.append(
            "individual plates: MAP is the mean runner pressure and no measure of load; "
            "filling is crank-resolved without pressure waves"
        )
    if request.holds is not None:
        blended = blend_holds(found, holds_of(request.holds))
        found, coverage = blended.surface, round_list(blended.coverage, 3)
        notes.extend((*blended.refused, *blended.notes))
    end = found.authority_end
    values = found.values
    planned = []
    if request.plan:
        notes.extend(HOLD_CAUTIONS)
        planned = [
            PlannedPoint(
                rpm=round(p.rpm),
                plate_pct=round(p.plate_pct, 1),
                expected_torque_Nm=round(p.expected_torque, 1),
                expected_map_kPa=round(p.expected_map / 1e3, 1),
                exhaust_degC=round(p.exhaust_temperature - 273.15),
                seconds=round(p.seconds, 1),
                reason=p.reason,
            )
            for p in plan_holds(found, count=request.plan)
        ]
    return SurfaceResult(
        name=file.build.name,
        boost_state=request.state,
        rpm=round_list(found.rpm, 5),
        plate_pct=round_list(found.plate_pct, 5),
        torque_Nm=round_list(found.torque, 5),
        map_kPa=round_list(values["map"] / 1e3, 5),
        air_flow_g_s=round_list(values["air_flow"] * 1e3, 5),
        exhaust_degC=round_list(values["exhaust_temperature"] - 273.15, 5),
        authority_end_pct=round_list(
            100.0 * (end - found.psi[0]) / (found.psi[-1] - found.psi[0]), 4
        ),
        authority_end_deg=round_list(np.asarray(end) * 180.0 / math.pi, 4),
        surge_margin_pct=surge,
        choke_margin_pct=choke,
        friction_factor=round(cold, 4),
        unsolved=int(np.sum(found.status != 0)),
        notes=notes,
        coverage=coverage,
        plan=planned,
    )
