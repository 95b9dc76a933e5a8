"""Sensors: believe the pedal, from a recorded sweep or from the voltages of a data sheet."""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import numpy as np
from pydantic import Field

from throttlewright.build.load import BuildFile
from throttlewright.build.schema import Build
from throttlewright.car.pack import Car
from throttlewright.design.plate_advice import IDLE_STEP_LIMIT, IDLE_STEP_WISH
from throttlewright.design.plate_study import plate_study
from throttlewright.design.plausibility import (
    Demand,
    Plausibility,
    Quality,
    design_plausibility,
    pair_noise,
)
from throttlewright.design.track_pair import (
    Line,
    Pair,
    RangeLimit,
    classify,
    range_limit,
    views,
)
from throttlewright.foundation.errors import InputError
from throttlewright.foundation.events import (
    Cancelled,
    Event,
    OnEvent,
    check_cancelled,
    ignore,
    never,
)
from throttlewright.foundation.provenance import Origin
from throttlewright.handover.sensor_picture import sensor_picture
from throttlewright.logs.sweep import Sweep, analyse_sweep
from throttlewright.prove.rulebook import load_book
from throttlewright.recording.csv_table import read_table
from throttlewright.recording.parquet import read_parquet
from throttlewright.recording.recording import Channel, Recording
from throttlewright.workshop.common import Model, open_car, write_text
from throttlewright.workshop.sensor_checks import (
    TOPOLOGY_TEXT,
    book_checks,
    sweep_checks,
    sweep_notes,
)
from throttlewright.workshop.sensor_models import (
    CalibrationNumber,
    CheckLine,
    FaultLine,
    PlausibilityLine,
    SensorsResult,
    Status,
    TrackLine,
)

__all__ = ["SensorsRequest", "sensors"]

_SUPPLY = 5.0
_FULL_SHARE = 0.95
"""Share of the travel at which the pedal counts as full [-]: a mat or a bent stop then does not
cost full load; from memory, unverified."""
_DEAD_BAND = 2.0
_ERROR = 1.5
"""Difference of healthy tracks where nobody has measured it [points]; common practice, no
source."""
_RATE = {"pedal": 667.0, "plate": 1430.0}
"""Fastest movement [%/s]: a full press in 0.15 s, from memory; a plate at 1200 deg/s over 84 deg,
from the servo model."""
_CAUTIONS = (
    "A plate shuts on fingers and an engine can rev unasked: record sweeps with the engine off, "
    "fuel and ignition disabled, the plate unplugged or its bore clear, and an emergency stop in "
    "hand.",
    "Never widen a tolerance or a time to clear a fault. Never splice two alike tracks.",
    "Advice on the data given, no certificate: local law, the event's rule book and whoever is "
    "licensed for it decide.",
)


class SensorsRequest(Model):
    """What to look at."""

    build: str
    sweep: str | None = None
    """Parquet recording, or a text table with a header ``name [unit]``."""
    track1: str | None = None
    track2: str | None = None
    time: str = "time"
    """Name of the time column of a text table."""
    of: Literal["pedal", "plate"] = "pedal"
    books: tuple[str, ...] = ()
    picture: str | None = None
    period_ms: float = Field(10.0, gt=0.0, le=100.0)
    """Time between comparisons in the controller."""
    skew_ms: float = Field(1.0, ge=0.0, le=50.0)
    """Time between the readings of the two tracks in the controller."""
    found_ms: float = Field(100.0, gt=0.0, le=2000.0)
    false_per_1000_h: float = Field(0.1, gt=0.0, le=1000.0)
    rate_pct_s: float | None = Field(None, gt=0.0, le=1e5)
    pull_kohm: float = Field(100.0, ge=0.5, le=1000.0)
    error_pct: float | None = Field(None, ge=0.0, le=20.0)


@dataclass(frozen=True)
class _Found:
    lines: tuple[Line, Line]
    pair: Pair
    noise_V: tuple[float, float]
    noise_pct: float
    error_pct: float
    band_pct: float
    sweep: Sweep | None


def _open_sweep(request: SensorsRequest) -> Recording:
    if request.track1 is None or request.track2 is None:
        raise InputError(
            "name both tracks of the recording", key="track1, track2",
            advice="--track1 NAME --track2 NAME",
        )  # fmt: skip
    path = str(request.sweep)
    if path.lower().endswith(".parquet"):
        return read_parquet(path)
    names = {request.time: "time", request.track1: "voltage", request.track2: "voltage"}
    if len(names) < 3:
        raise InputError("time and tracks need three different columns", file=path)
    table = read_table(path, required=names, ignore_others=True)
    try:
        return Recording.of(
            Channel(name, "V", table[request.time], table[name])
            for name in (request.track1, request.track2)
        )
    except InputError as error:
        raise error.in_file(path) from None


def _sheet(build: Build, of: str) -> tuple[Line, ...]:
    if of == "plate":
        return tuple(Line(t.closed, t.open) for t in build.sensors.plate)
    return tuple(Line(t.released, t.full) for t in build.pedal.tracks)


def _from_sheet(request: SensorsRequest, build: Build, pair: tuple[Line, Line]) -> _Found:
    noise = (build.sensors.noise, build.sensors.noise)
    step = _SUPPLY / 2.0**build.plate.sensor_bits
    spans = (pair[0].span, pair[1].span)
    error = _ERROR if request.error_pct is None else request.error_pct
    return _Found(
        pair, classify(*pair), noise, pair_noise(spans, noise, step_V=step), error, _DEAD_BAND, None
    )


def _from_sweep(request: SensorsRequest, build: Build, sheet: tuple[Line, ...] | None) -> _Found:
    pair = (sheet[0], sheet[1]) if sheet is not None and len(sheet) > 1 else None
    sweep = analyse_sweep(
        _open_sweep(request), str(request.track1), str(request.track2), sheet=pair
    )
    lines = (sweep.pair.first, sweep.pair.second)
    noise = tuple(
        t.noise_V if math.isfinite(t.noise_V) else build.sensors.noise for t in sweep.tracks
    )
    both = (noise[0], noise[1])
    step = _SUPPLY / 2.0**build.plate.sensor_bits
    still = pair_noise((lines[0].span, lines[1].span), both, step_V=step)
    moving = sweep.noise_pct if math.isfinite(sweep.noise_pct) else 0.0
    error = sweep.error_pct if math.isfinite(sweep.error_pct) else _ERROR
    one = 100.0 * max(n / abs(line.span) for n, line in zip(both, lines, strict=True))
    band = max(_DEAD_BAND, math.ceil(2.0 * (sweep.released_scatter_pct + 6.0 * one)) / 2.0)
    return _Found(
        lines, sweep.pair, both, max(still, moving),
        error if request.error_pct is None else request.error_pct, band, sweep,
    )  # fmt: skip


def _plausible(request: SensorsRequest, found: _Found) -> Plausibility:
    scale = 1.0 / _FULL_SHARE if request.of == "pedal" else 1.0
    rate = _RATE[request.of] if request.rate_pct_s is None else request.rate_pct_s
    quality = Quality(
        scale * found.noise_pct, scale * found.error_pct, request.skew_ms * 1e-3, scale * rate
    )
    demand = Demand(
        period_s=request.period_ms * 1e-3,
        found_s=request.found_ms * 1e-3,
        false_per_1000_h=request.false_per_1000_h,
    )
    result = design_plausibility(quality, demand)
    slow = found.sweep.too_slow(demand.found_s) if found.sweep else ""
    if slow or (found.sweep is not None and not found.sweep.full_recorded):
        why = slow or "points of travel are not known while full travel was not recorded"
        return Plausibility(
            False, math.nan, math.nan, math.nan, math.nan, math.nan, math.inf, math.nan, why
        )
    return result


def _numbers(
    request: SensorsRequest, found: _Found, ranges: tuple[RangeLimit, ...], plan: Plausibility
) -> list[CalibrationNumber]:
    source = "recorded sweep" if found.sweep else "build"
    rows: list[CalibrationNumber] = []

    def add(name: str, value: float, unit: str, text: str) -> None:
        if math.isfinite(value):
            rows.append(CalibrationNumber(name=name, value=round(value, 4), unit=unit, source=text))

    for k, track in enumerate(found.lines, 1):
        if request.of == "plate":
            add(f"plate_{k}_closed_V", track.released, "V", source)
            add(f"plate_{k}_open_V", track.full, "V", source)
        else:
            add(f"pedal_{k}_released_V", track.released, "V", source)
            full = track.released + _FULL_SHARE * track.span
            text = f"{source}, {100.0 * _FULL_SHARE:g} % of the travel: from memory, unverified"
            add(f"pedal_{k}_full_V", full, "V", text)
    if request.of == "pedal":
        text = "scatter of released and noise" if found.sweep else "from memory, unverified"
        add("pedal_released_pct", found.band_pct, "%", text)
    add("supervision_ticks", request.period_ms, "", "time between comparisons asked for, in ms")
    for k, limit in enumerate(ranges, 1):
        add(f"reaction {request.of}_{k}_range, limit", limit.margin_V, "V", "half way between an "
            "open wire and the healthy end, at most 0.5 V")  # fmt: skip
    add(f"reaction {request.of}_disagree, limit", plan.tolerance_pct, "%", "designed here")
    add(f"reaction {request.of}_disagree, time", plan.time_s, "s", "designed here")
    return rows


def _toml(request: SensorsRequest, found: _Found) -> str:
    names = ("closed", "open") if request.of == "plate" else ("released", "full")
    tracks = "\n".join(
        f'  {{ {names[0]} = "{t.released:.3f} V", {names[1]} = "{t.full:.3f} V" }},'
        for t in found.lines
    )
    key = "plate" if request.of == "plate" else "tracks"
    noise = f'noise = "{1e3 * max(found.noise_V):.2f} mV"'
    if request.of == "plate":
        return f"[sensors]\nplate = [\n{tracks}\n]\n{noise}\n"
    return f"[pedal]\n{key} = [\n{tracks}\n]\n\n[sensors]\n{noise}\n"


def _resolution(car: Car, build: Build, span: float, cancelled: Cancelled) -> CheckLine:
    plate = build.plate
    study = plate_study(
        car, bores=np.array([plate.bore]), counts=(plate.count,), cancelled=cancelled
    )
    travel = float(car.psi_open - car.psi_closed)
    step = travel * _SUPPLY / 2.0**plate.sensor_bits / span
    wish = study.car_row.resolution_needed
    share = IDLE_STEP_WISH * step / wish
    bits = max(1, math.ceil(math.log2(_SUPPLY * travel / (span * wish))))
    text = (
        f"one step of {plate.sensor_bits} bits over {span:.2f} V is {math.degrees(step):.3f} deg "
        f"of plate and moves {100.0 * share:.1f} % of idle air; ignition can trim "
        f"{100.0 * IDLE_STEP_LIMIT:.0f} %, and {bits} bits bring it to "
        f"{100.0 * IDLE_STEP_WISH:.0f} %"
    )
    return CheckLine(
        name="converter of the plate sensor",
        status="pass" if share <= IDLE_STEP_LIMIT else "fail",
        text=text,
        source="plate study",
    )


def _given(file: BuildFile, key: str) -> bool:
    known = file.provenance.get(key)
    return known is None or known.origin is not Origin.ASSUMED


def _worst(checks: list[CheckLine]) -> Status:
    found = {check.status for check in checks}
    for status in ("fail", "not_proven"):
        if status in found:
            return "fail" if status == "fail" else "not_proven"
    return "pass"


def sensors(
    request: SensorsRequest, *, on_event: OnEvent = ignore, cancelled: Cancelled = never
) -> SensorsResult:
    """Set up the sensors of pedal or plate.

    Parameters
    ----------
    request : SensorsRequest
        Build, and a sweep or none.
    on_event : callable
        Receives named events.
    cancelled : callable
        Asked between the parts.

    Returns
    -------
    SensorsResult
        What was found, with numbers for build and calibration.

    Raises
    ------
    InputError
        If build or recording cannot be used.
    """
    for book in request.books:
        load_book(book)
    file, car = open_car(request.build)
    build = file.build
    key = "sensors.plate" if request.of == "plate" else "pedal.tracks"
    given = _given(file, key)
    sheet = _sheet(build, request.of)
    on_event(Event("tracks", 0, 3, "reading the tracks"))
    checks: list[CheckLine] = []
    notes: list[str] = []
    if request.sweep is None:
        if len(sheet) < 2:
            raise InputError(
                "has one track only",
                key=key,
                advice="nothing watches a single track: fit a sensor with two, and name both",
            )
        if not given:
            checks.append(
                CheckLine(name="voltages", status="not_proven",
                          text=f"{key} is assumed: record a sweep or read both ends of each track")
            )  # fmt: skip
        found = _from_sheet(request, build, (sheet[0], sheet[1]))
        if request.error_pct is None:
            notes.append(
                f"nobody measured how well the tracks agree: {_ERROR:g} points are assumed "
                "(common practice, no source)"
            )
    else:
        found = _from_sweep(request, build, sheet if given else None)
        if found.sweep is not None:
            checks += sweep_checks(found.sweep, request.found_ms * 1e-3)
            notes += sweep_notes(found.sweep)
    check_cancelled(cancelled)
    on_event(Event("plausibility", 1, 3, "designing the comparison"))
    pair = found.pair
    checks.append(
        CheckLine(name="relation of the tracks", status="fail" if pair.refused else "pass",
                  text=pair.refused or f"{pair.topology}: {TOPOLOGY_TEXT[pair.topology]}")
    )  # fmt: skip
    ranges = tuple(
        range_limit(line, noise_V=n, pull_ohm=1e3 * request.pull_kohm)
        for line, n in zip(found.lines, found.noise_V, strict=True)
    )
    known = found.sweep is None or found.sweep.full_recorded
    for k, limit in enumerate(ranges, 1):
        status: Status = "pass" if math.isfinite(limit.margin_V) else "fail"
        checks.append(
            CheckLine(name=f"range of track {k}", status=status if known else "not_proven",
                      text=limit.text)
        )  # fmt: skip
    plan = _plausible(request, found)
    slow = "too slow" in plan.reason or not known
    checks.append(
        CheckLine(name="plausibility",
                  status="pass" if plan.possible else "not_proven" if slow else "fail",
                  text=plan.reason)
    )  # fmt: skip
    check_cancelled(cancelled)
    on_event(Event("converter", 2, 3, "comparing with the plate study"))
    span = abs(found.lines[0].span) if request.of == "plate" and known else build.plate.sensor_span
    checks.append(_resolution(car, build, span, cancelled))
    books = book_checks(request.books, of=request.of, pair=pair, ranges=ranges, plan=plan)
    tolerance = plan.tolerance_pct if plan.possible else 10.0
    result = SensorsResult(
        name=build.name,
        of=request.of,
        origin=f"recording {Path(request.sweep).name}" if request.sweep else "data sheet",
        status=_worst([*checks, *books]),
        checks=tuple(checks),
        books=tuple(books),
        tracks=_track_lines(request, build, found, ranges),
        topology=pair.topology,
        ratio=round(pair.ratio, 4),
        offset_V=round(pair.offset_V, 4),
        faults=tuple(
            FaultLine(
                fault=v.fault,
                found_pct=round(v.found_pct, 1),
                blind=tuple((round(a, 1), round(b, 1)) for a, b in v.blind),
                least_pct=round(v.least_pct, 2),
                rises_pct=round(v.rises_pct, 1),
            )
            for v in views(pair, tolerance_pct=tolerance)
        ),
        judged_at_pct=round(tolerance, 2),
        plausibility=PlausibilityLine.of(plan, found.noise_pct, found.error_pct, request.skew_ms),
        numbers=tuple(_numbers(request, found, ranges, plan)) if known else (),
        toml=_toml(request, found) if known and request.sweep else None,
        notes=tuple(notes),
        cautions=_CAUTIONS,
    )
    if request.picture is None:
        return result
    try:
        write_text(Path(request.picture), sensor_picture(
            pair, title=f"{build.name}: {request.of} tracks", ranges=ranges,
            tolerance_pct=plan.tolerance_pct, sweep=found.sweep, caution=_CAUTIONS[0],
        ))  # fmt: skip
    except OSError as error:
        raise InputError(
            f"cannot be written ({error.strerror or error})", file=request.picture
        ) from None
    return result.model_copy(update={"written": (request.picture,)})


def _track_lines(
    request: SensorsRequest, build: Build, found: _Found, ranges: tuple[RangeLimit, ...]
) -> tuple[TrackLine, ...]:
    rows: list[TrackLine] = []
    known = found.sweep is None or found.sweep.full_recorded
    for k, line in enumerate(found.lines):
        limit, step = ranges[k], _SUPPLY / 2.0**build.plate.sensor_bits
        rows.append(
            TrackLine(
                track=k + 1,
                released_V=round(line.released, 4),
                full_V=round(line.full, 4) if known else None,
                seen_V=round(line.full, 4),
                direction="rising" if line.span > 0.0 else "falling",
                noise_mV=round(1e3 * found.noise_V[k], 3),
                step_pct=round(100.0 * step / abs(line.span), 4),
                low_V=_number(limit.low_V),
                high_V=_number(limit.high_V),
                open_wire_V=round(limit.open_V, 4),
                pull=limit.pull,
                loading_pct=round(limit.loading_pct, 3),
            )
        )
    return tuple(rows)


def _number(value: float) -> float | None:
    return round(value, 4) if math.isfinite(value) else None
