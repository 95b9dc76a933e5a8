"""Design the pedal map of a car and hand it over: tables, calibration, report."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np

from throttlewright.build.load import BuildFile, IntentFile, load_intent
from throttlewright.calibration.calibration import Calibration
from throttlewright.car.pack import Car
from throttlewright.car.record import BoostState
from throttlewright.design.figures import (
    HELD_TIMES,
    MapFigures,
    held_pedal,
    judged_claim,
    map_figures,
)
from throttlewright.design.knock_on import KnockOn, knock_on
from throttlewright.design.pedal import one_to_one
from throttlewright.foundation.errors import InputError
from throttlewright.foundation.events import (
    Cancelled,
    Event,
    OnEvent,
    check_cancelled,
    ignore,
    never,
)
from throttlewright.handover.pictures import fan_picture
from throttlewright.handover.report import render_report
from throttlewright.handover.tables import write_csv
from throttlewright.workshop.calibration import calibration_of
from throttlewright.workshop.common import Model, open_car, round_list, rpm, write_folder
from throttlewright.workshop.modes import (
    ModeDesign,
    check_gears,
    design_mode,
    pasted_map,
    surfaces_of,
)
from throttlewright.workshop.report import (
    HELD_PEDALS,
    HELD_RPM,
    report_data,
    threshold_unit,
)

__all__ = [
    "DesignRequest",
    "DesignResult",
    "FigureColumns",
    "HeldPedal",
    "KnockOnLine",
    "ModeResult",
    "design",
    "design_car",
]


class DesignRequest(Model):
    """Build, intent, and where to write; without ``out`` nothing is written."""

    build: str
    intent: str
    out: str | None = None
    mode: str | None = None
    """One mode only."""
    compare: str | None = None
    """A pasted table, plate percent over rpm (down) and pedal percent (across)."""
    old: str | None = None
    """A pasted table like ``compare`` whose torque the feel "old plate" keeps."""
    holds: str | None = None
    pedals: int = 17
    speeds: int = 17


class FigureColumns(Model):
    """Figures of one map in one boost state, by engine speed."""

    map: str
    boost_state: str
    rpm: list[float]
    torque_share_by_20_pct_pedal: list[float]
    gain_largest_to_mean: list[float]
    dead_travel_pct: list[float]
    noticeable_steps: list[int]
    zero_torque_pedal_pct: list[float | None]
    pedal_mm_per_tenth_g: dict[int, float]
    pedal_pct_at_grip: dict[int, float | None]
    free_rev_pedal_pct: dict[int, float | None]
    """Null where no pedal holds that speed in neutral."""
    free_rev_span_pct: float | None


class HeldPedal(Model):
    """Torque at held pedal some time after a step from released, as boost arrives."""

    rpm: float
    pedal_pct: list[float]
    times_s: list[float]
    torque_Nm: list[list[float]]
    """One row for each time."""


class KnockOnLine(Model):
    """A threshold of another table and what becomes of it."""

    table: str
    use: str
    """Signal to write it against: pedal, plate or MAP."""
    threshold: str
    unit: str
    old: float
    new: float
    """Median over engine speed."""
    low: float
    high: float
    reached: bool
    """False where the new map does not get there at some speed."""
    note: str


class ModeResult(Model):
    """One designed mode."""

    mode: str
    claim: str
    pedal_pct: list[float]
    rpm: list[float]
    plate_pct: list[list[float]]
    boost_target_kPa: list[list[float]] | None
    figures: list[FigureColumns]
    gears: list[int] | None
    """None for all gears."""
    held_pedal: HeldPedal | None
    """For a turbo that turns above 4000 rpm."""


class DesignResult(Model):
    """All designed modes and what was written."""

    name: str
    use: str
    bench_only: bool
    modes: list[ModeResult]
    knock_on: list[KnockOnLine]
    written: list[str]
    notes: list[str]


def _columns(figures: MapFigures) -> FigureColumns:
    span = figures.free_rev_span
    return FigureColumns(
        map=figures.name,
        boost_state=figures.boost_state,
        rpm=[float(n) for n in figures.rpm],
        torque_share_by_20_pct_pedal=round_list(100.0 * figures.share_by_20, 4),
        gain_largest_to_mean=round_list(figures.gain_ratio, 4),
        dead_travel_pct=round_list(100.0 * figures.dead_travel, 3),
        noticeable_steps=[int(n) for n in figures.noticeable_steps],
        zero_torque_pedal_pct=round_list(figures.zero_torque_pedal, 4),
        pedal_mm_per_tenth_g={g: round(1e3 * v, 2) for g, v in figures.mm_per_tenth_g.items()},
        pedal_pct_at_grip={
            g: None if v is None else round(v, 1) for g, v in figures.grip_pedal.items()
        },
        free_rev_pedal_pct={
            n: None if v is None else round(v, 2) for n, v in figures.free_rev_pedal.items()
        },
        free_rev_span_pct=None if span is None else round(span, 2),
    )


def _held(torque: np.ndarray | None) -> HeldPedal | None:
    if torque is None:
        return None
    return HeldPedal(
        rpm=HELD_RPM,
        pedal_pct=[float(p) for p in HELD_PEDALS],
        times_s=list(HELD_TIMES),
        torque_Nm=round_list(torque, 5),
    )


def _knock_on(row: KnockOn) -> KnockOnLine:
    return KnockOnLine(
        table=row.table,
        use=row.use,
        threshold=row.threshold_name,
        unit=threshold_unit(row),
        old=round(row.old_pct, 2),
        new=round(row.new_pct, 2),
        low=round(row.low_pct, 2),
        high=round(row.high_pct, 2),
        reached=row.reached,
        note=row.note,
    )


def design(
    request: DesignRequest, *, on_event: OnEvent = ignore, cancelled: Cancelled = never
) -> DesignResult:
    """Design every mode of an intent, judge it beside a one-to-one map, and hand it over."""
    for key, value in (("pedals", request.pedals), ("speeds", request.speeds)):
        if not 5 <= value <= 41:
            raise InputError("cannot be used", key=key, value=value, allowed="5 to 41")
    file, car = open_car(request.build)
    intent = load_intent(request.intent)
    return design_car(request, file, car, intent, on_event=on_event, cancelled=cancelled)


def design_car(
    request: DesignRequest,
    file: BuildFile,
    car: Car,
    intent: IntentFile,
    *,
    on_event: OnEvent = ignore,
    cancelled: Cancelled = never,
) -> DesignResult:
    """The same for a build and an intent that are already read."""
    names = list(intent.intent.mode)
    if request.mode is not None:
        if request.mode not in names:
            raise InputError(
                "the intent has no such mode",
                file=intent.path,
                key="mode",
                value=request.mode,
                allowed=", ".join(names),
            )
        names = [request.mode]
    check_gears(car, intent)
    keeps = [n for n in names if intent.intent.mode[n].feel == "old plate"]
    if request.old is not None and not keeps:
        raise InputError(
            'a pasted old table is kept by the feel "old plate" only',
            key="old",
            value=request.old,
            advice='write feel = "old plate" in a mode, or use --compare to judge a table',
        )
    if keeps and request.old is None and car.build.previous_plate is None:
        raise InputError(
            'the feel "old plate" needs the old plate',
            file=intent.path,
            key=f"mode.{keeps[0]}.feel",
            advice="describe it in [previous_plate] of the build, or give its map with --old",
        )
    notes: list[str] = []
    total = len(names) + 2
    on_event(Event("design", 0, total, "torque surface"))
    surfaces = surfaces_of(car, request.holds, notes)
    pasted = pasted_map(request.compare) if request.compare else None
    old = pasted_map(request.old) if request.old else None
    if old is not None:
        notes.append(
            f"{', '.join(keeps)}: keeps the torque share that {Path(str(request.old)).name} gives "
            "on this car, charge pipe at ambient"
        )
    designs: list[ModeDesign] = []
    for n, name in enumerate(names):
        check_cancelled(cancelled)
        on_event(Event("design", 1 + n, total, f"mode {name}"))
        mode = intent.intent.mode[name]
        made, state, surface = design_mode(
            car, name, mode, surfaces, pedals=request.pedals, speeds=request.speeds, old=old
        )
        states = (state,) if not car.turbo else (BoostState.INSTANT, BoostState.SETTLED)
        maps = [one_to_one(made.omega), made, *([pasted] if pasted else [])]
        figures = tuple(
            map_figures(car, m, state=s, stop_from=mode.opens_to_stop_from)
            for s in states
            for m in maps
        )
        own = sorted(
            (f for f in figures if f.name == made.name),
            key=lambda f: f.boost_state != state.name.lower(),
        )
        made = replace(made, claim=judged_claim(made.claim, mode, own))
        held = None
        if car.turbo and car.limit > HELD_RPM / rpm:
            held = held_pedal(car, made, HELD_RPM / rpm, pedal_pct=HELD_PEDALS)
        designs.append(ModeDesign(name, mode, made, state, surface, figures, held))
    notes.extend(_overboost_notes(car, intent))
    check_cancelled(cancelled)
    on_event(Event("design", total - 1, total, "report"))
    calibration = calibration_of(file, intent, car, designs)
    first = designs[0]
    rows = knock_on(one_to_one(first.map.omega), first.map, first.surface, car)
    data = report_data(
        file,
        car,
        intent,
        designs,
        pasted=pasted,
        knock_on=rows,
        on_event=on_event,
        cancelled=cancelled,
    )
    data = replace(data, cautions=(*notes, *data.cautions))
    written: list[str] = []
    if request.out is not None:
        check_cancelled(cancelled)
        texts = {
            "report.html": render_report(data),
            "fan.svg": _standalone(fan_picture(data.fan)),
            f"{_slug(file.build.name)}.calibration.json": calibration.to_json(),
        }
        folder = write_folder(
            request.out, texts, extra=lambda staging: write_tables(calibration, staging)
        )
        written = sorted(str(p) for p in folder.rglob("*") if p.is_file() and p.name[0] != ".")
    on_event(Event("design", total, total))
    return DesignResult(
        name=file.build.name,
        use=file.build.use,
        bench_only=calibration.bench_only,
        modes=[
            ModeResult(
                mode=d.name,
                claim=d.map.claim,
                pedal_pct=round_list(d.map.pedal_pct, 6),
                rpm=round_list(d.map.rpm, 6),
                plate_pct=round_list(d.map.plate_pct, 5),
                boost_target_kPa=None
                if d.map.boost_target is None
                else round_list(d.map.boost_target / 1e3, 5),
                figures=[_columns(f) for f in d.figures],
                gears=None if d.mode.gears is None else sorted(d.mode.gears),
                held_pedal=_held(d.held),
            )
            for d in designs
        ],
        knock_on=[_knock_on(row) for row in rows],
        written=written,
        notes=notes,
    )


def write_tables(calibration: Calibration, staging: Path) -> None:
    """Write the tables of a calibration into the sub-folder ``tables``."""
    write_csv(calibration, staging / "tables")


def _overboost_notes(car: Car, intent: IntentFile) -> list[str]:
    limit = intent.intent.overboost
    most = float(car.record["boost"].max())
    if limit is None or not car.charged or most <= limit.limit:
        return []
    return [
        f"the boost of the build reaches {most / 1e5:.2f} bar absolute, above the overboost limit "
        f"of {limit.limit / 1e5:.2f} bar: no table here holds that limit, lower the boost"
    ]


def _standalone(svg: str) -> str:
    """Inside a page an SVG needs no name space; as a file of its own it does."""
    return svg.replace("<svg ", '<svg xmlns="http://www.w3.org/2000/svg" ', 1)


def _slug(name: str) -> str:
    kept = "".join(c.lower() if c.isalnum() and c.isascii() else "-" for c in name)
    return "-".join(part for part in kept.split("-") if part) or "car"
