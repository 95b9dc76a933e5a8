"""From designed modes to the plain objects that a report shows."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from throttlewright.build.load import BuildFile, IntentFile
from throttlewright.car.pack import Car
from throttlewright.car.record import BoostState
from throttlewright.design.figures import (
    DEFAULT_RPM,
    HELD_TIMES,
    MapFigures,
    map_figures,
    torque_band,
    torque_curves,
)
from throttlewright.design.knock_on import KnockOn
from throttlewright.design.ledger import rank_ledger
from throttlewright.design.pedal import PedalMap, demand_form, design_pedal_map, one_to_one
from throttlewright.design.plate_study import PlateRow, PlateStudy, plate_study
from throttlewright.design.reactions import typical_reactions
from throttlewright.foundation.events import Cancelled, OnEvent, ignore, never
from throttlewright.handover.report_data import (
    FanData,
    FigureRow,
    KnockOnRow,
    LedgerRow,
    PlateStudyData,
    ReportAxis,
    ReportData,
    ReportTable,
    ResponseData,
    SpanRow,
    SurfaceData,
)
from throttlewright.handover.report_data import PlateRow as ReportPlate
from throttlewright.workshop.check import ledger_lines
from throttlewright.workshop.common import rpm
from throttlewright.workshop.modes import ModeDesign, gears_note

__all__ = ["HELD_PEDALS", "HELD_RPM", "free_rev_price", "report_data", "threshold_unit"]

_STUDY_BORES = np.arange(30.0, 111.0, 5.0) / 1e3
_SPANS = (0.0, 0.04, 0.08, 0.105, 0.14)
"""Asked free-rev spans as shares of pedal travel."""
HELD_RPM = 4000.0
HELD_PEDALS = np.array([10.0, 20.0, 30.0, 40.0, 50.0, 60.0, 70.0, 80.0, 90.0, 100.0])

_SOURCES = (
    "Plate area: circle minus ellipse outside the shaft, checked against numerical integration.",
    "Flow: isentropic nozzle (NACA 1135), effective critical ratio as a parameter of the plate.",
    "Filling: speed density with residual gas; torque: indicated less pumping and friction.",
    "Atmosphere: ISO 2533; humidity: WMO-No. 8 (from memory, checked by computation).",
    "Just-noticeable step of acceleration 5.4 %: a published moving-base simulator study.",
    "Numbers marked assumed in the ledger are unverified for this car.",
)


def _plate(row: PlateRow, car_row: PlateRow) -> ReportPlate:
    return ReportPlate(
        bore_mm=round(1e3 * row.bore, 2),
        count=row.count,
        power_loss_pct=100.0 * row.loss_share,
        velocity_m_s=row.mean_velocity,
        pct_for_90_low=row.pct_at_90[0],
        pct_for_90_mid=row.pct_at_90[1],
        pct_for_90_rated=row.pct_at_90[2],
        idle_step_pct=100.0 * row.air_per_tenth_share,
        leak_pct=100.0 * row.leak_share,
        can_idle=row.can_idle,
        default_rpm=row.default_speed * rpm,
        default_km_h=3.6 * max(row.default_car_speed),
        is_car=row is car_row,
    )


def _study(study: PlateStudy) -> PlateStudyData:
    own = study.car_row
    rows = [r for r in study.rows if (r.bore, r.count) != (own.bore, own.count)] + [own]
    rows.sort(key=lambda r: (r.count, r.bore))
    chosen = study.recommendation
    return PlateStudyData(
        rows=tuple(_plate(r, own) for r in rows),
        recommendation=(*chosen.reasons, *chosen.trade),
    )


def _figure_rows(figures: Sequence[MapFigures]) -> tuple[FigureRow, ...]:
    rows: list[FigureRow] = []

    def row(name: str, unit: str, decimals: int, pick: dict[str, float | None]) -> None:
        rows.append(FigureRow(name, unit, pick, decimals))

    def at(f: MapFigures, values: np.ndarray, n: float) -> float:
        return float(np.interp(n, f.rpm, values))

    for n in (2000.0, 4000.0, 6000.0):
        kept = [f for f in figures if f.rpm[-1] >= n]
        if kept:
            row(
                f"torque by 20 % pedal, {n:.0f} rpm",
                "%",
                0,
                {f.name: 100.0 * at(f, f.share_by_20, n) for f in kept},
            )
    row(
        "largest gain over mean, worst speed",
        "",
        2,
        {f.name: float(f.gain_ratio.max()) for f in figures},
    )
    row(
        "dead travel, worst speed",
        "%",
        0,
        {f.name: 100.0 * float(f.dead_travel.max()) for f in figures},
    )
    row(
        "1 % steps that are felt, worst speed",
        "",
        0,
        {f.name: float(f.noticeable_steps.max()) for f in figures},
    )
    for gear in sorted(figures[0].mm_per_tenth_g)[:3]:
        row(
            f"pedal per 0.1 g, gear {gear}, {figures[0].gear_rpm:.0f} rpm",
            "mm",
            1,
            {f.name: 1e3 * f.mm_per_tenth_g[gear] for f in figures},
        )
    gear = min(figures[0].grip_pedal)
    row(
        f"pedal at the grip limit, gear {gear}",
        "%",
        0,
        {f.name: f.grip_pedal[gear] for f in figures},
    )
    row(
        "2000 rpm in neutral held at",
        "% pedal",
        1,
        {f.name: f.free_rev_pedal[2000] for f in figures},
    )
    row(
        "1500 to 4000 rpm in neutral spans",
        "% pedal",
        1,
        {f.name: f.free_rev_span for f in figures},
    )
    return tuple(rows)


def _sentence(text: str) -> str:
    return f"{text[:1].upper()}{text[1:].rstrip('.')}."


def _tables(designs: Sequence[ModeDesign]) -> tuple[ReportTable, ...]:
    tables: list[ReportTable] = []
    for d in designs:
        pedal = ReportAxis("pedal", "%", d.map.pedal_pct)
        speed = ReportAxis("engine speed", "rpm", np.round(d.map.rpm, 1))
        gears = gears_note(d.mode)
        only = f" For {gears} only." if gears else ""
        tables.append(
            ReportTable(
                f"Plate opening, mode {d.name}",
                _sentence(d.map.claim) + " 0 % closed stop, 100 % open stop." + only,
                pedal,
                speed,
                d.map.plate_pct,
                "%",
                1,
            )
        )
        if d.map.boost_target is not None:
            tables.append(
                ReportTable(
                    f"Boost target, mode {d.name}",
                    "Absolute pressure before the plate; belongs to the plate table above." + only,
                    pedal,
                    speed,
                    d.map.boost_target / 1e3,
                    "kPa",
                    0,
                    "boost",
                )
            )
    first = designs[0]
    form = demand_form(first.map, first.surface)
    tables.append(
        ReportTable(
            f"Demand form, first step, mode {first.name}: torque share",
            "For controllers that ask for torque first.",
            ReportAxis("pedal", "%", form.pedal_pct),
            ReportAxis("engine speed", "rpm", np.round(form.omega * rpm, 1)),
            100.0 * form.share,
            "%",
            0,
        )
    )
    tables.append(
        ReportTable(
            f"Demand form, second step, mode {first.name}: plate opening",
            "",
            ReportAxis("torque share", "%", 100.0 * form.share_axis),
            ReportAxis("engine speed", "rpm", np.round(form.omega * rpm, 1)),
            form.plate_pct,
            "%",
            1,
        )
    )
    return tuple(tables)


_OF = {"pedal": "of pedal travel", "plate": "of plate opening", "MAP": "of ambient pressure"}


def _is_rate(row: KnockOn) -> bool:
    return "second" in row.threshold_name or "%/s" in row.threshold_name


def threshold_unit(row: KnockOn) -> str:
    """What the numbers of a knock-on row are per cent of, written as a unit."""
    return f"%/s {_OF[row.use]}" if _is_rate(row) else f"% {_OF[row.use]}"


def free_rev_price(car: Car, design: ModeDesign) -> tuple[SpanRow, ...]:
    """What more free-rev span costs in evenness: the same mode with other spans asked.

    Empty for a mode whose basis knows no free-rev span.
    """
    if design.mode.basis != "blend" or design.mode.feel == "old plate":
        return ()
    rows = []
    stop = design.mode.opens_to_stop_from
    # fine in pedal: where the few points of a table lie would blur the comparison
    fine = np.unique(np.append(np.linspace(0.0, 100.0, 101), 100.0 * stop))
    for span in _SPANS:
        made = design_pedal_map(
            design.surface,
            design.mode,
            pedal_pct=fine,
            omega=design.map.omega,
            # beside a map for the instant state the boost target changes nothing that is read here
            car=car if design.state is BoostState.SETTLED else None,
            free_rev_span=span,
        )
        f = map_figures(car, made, state=design.state, stop_from=stop)
        worst = int(np.argmax(f.gain_ratio))
        rows.append(
            SpanRow(
                100.0 * span,
                f.free_rev_span,
                float(f.gain_ratio[worst]),
                float(f.rpm[worst]),
                float(f.gain_ratio[f.rpm <= 4000.0].max()),
            )
        )
    return tuple(rows)


def _other_fan(car: Car, design: ModeDesign, before: PedalMap, omega: np.ndarray) -> FanData | None:
    """The fan in the boost state that the mode is not promised for; None without a turbo."""
    if not car.turbo:
        return None
    instant = design.state is BoostState.INSTANT
    state = BoostState.SETTLED if instant else BoostState.INSTANT
    after = torque_curves(car, design.map, omega, state=state)
    return FanData(
        pedal_pct=after.pedal_pct,
        rpm=omega * rpm,
        before=torque_curves(car, before, omega, state=state).torque,
        after=after.torque,
        boost_state=state.name.lower(),
        name_before=before.name,
        name_after="this map",
    )


def _knock_on(row: KnockOn) -> KnockOnRow:
    spread = f"{row.new_pct:.1f} %"
    if row.high_pct - row.low_pct >= 0.5:
        spread += f" ({row.low_pct:.1f} to {row.high_pct:.1f} % over speed)"
    name = f"{row.threshold_name[:1].upper()}{row.threshold_name[1:]}"
    was = f"{name}: {row.old_pct:.1f} % becomes {spread}"
    return KnockOnRow(
        what=row.table,
        why=f"{_sentence(row.meaning_before)} {_sentence(row.why)}",
        do=f"Use {row.use}. {was}{'' if _is_rate(row) else ' ' + _OF[row.use]}. {row.note}".strip(),
    )


def report_data(
    file: BuildFile,
    car: Car,
    intent: IntentFile,
    designs: Sequence[ModeDesign],
    *,
    pasted: PedalMap | None,
    knock_on: Sequence[KnockOn] = (),
    on_event: OnEvent = ignore,
    cancelled: Cancelled = never,
) -> ReportData:
    """Collect what the report shows; the first mode is drawn as the fan."""
    first = designs[0]
    before = pasted or one_to_one(first.map.omega)
    limit = car.limit * rpm
    fan_rpm = np.array([n for n in DEFAULT_RPM if n <= limit])
    omega = fan_rpm / rpm
    after = torque_curves(car, first.map, omega, state=first.state)
    low, high, _ = torque_band(car, first.map, omega, state=first.state, cancelled=cancelled)
    shown = [f for f in first.figures if f.boost_state == first.state.name.lower()]
    shown = [_named(f, first) for f in shown]
    study = plate_study(
        car, bores=_STUDY_BORES, counts=(file.build.plate.count,), cancelled=cancelled
    )
    entries = rank_ledger(file.build, file.provenance, on_event=on_event, cancelled=cancelled)
    response = None
    if first.held is not None:
        response = ResponseData(HELD_PEDALS, np.array(HELD_TIMES), first.held, HELD_RPM)
    surface = first.surface
    end = surface.authority_end
    return ReportData(
        title=f"Pedal map for {file.build.name}",
        car_name=file.build.name,
        use=file.build.use,
        fan=FanData(
            pedal_pct=after.pedal_pct,
            rpm=fan_rpm,
            before=torque_curves(car, before, omega, state=first.state).torque,
            after=after.torque,
            low=low,
            high=high,
            boost_state=first.state.name.lower(),
            name_before=before.name,
            name_after="this map",
        ),
        other_fan=_other_fan(car, first, before, omega),
        free_rev=free_rev_price(car, first),
        bench_only=True,
        summary=_summary(file, car, designs, shown, study),
        ledger=tuple(
            LedgerRow(
                key=line.key,
                value=line.value,
                origin=line.origin,
                source=line.source,
                effects_pct=(None, None, None)
                if line.torque_effect_pct is None
                else (
                    line.torque_effect_pct[0],
                    line.torque_effect_pct[1],
                    line.torque_effect_pct[2],
                ),
                idle_effect_pct=line.idle_effect_pct,
                measure=line.measure,
            )
            for line in ledger_lines(entries, file.build)
        ),
        plate_study=_study(study),
        surface=SurfaceData(
            rpm=surface.rpm,
            plate_pct=surface.plate_pct,
            torque=surface.torque,
            authority_end_pct=100.0 * (end - surface.psi[0]) / (surface.psi[-1] - surface.psi[0]),
            boost_state=surface.boost_state,
        ),
        tables=_tables(designs),
        figures=_figure_rows(shown),
        response=response,
        knock_on=tuple(_knock_on(row) for row in knock_on),
        reactions=typical_reactions(car, intent.intent),
        cautions=_cautions(study),
        claim=_sentence(first.map.claim),
        ledger_note=(
            "Effects are the largest change over the number's own spread, as a share of full "
            "torque, mean of 2000 and 4000 rpm, plate one to one with the pedal, charge pipe at "
            "ambient; idle is air at 1 degree of opening. The band in the main picture adds "
            "VE ±10 %, discharge ±15 % and closed stop ±0.5° as independent."
        ),
        sources=_SOURCES,
    )


def _named(figures: MapFigures, design: ModeDesign) -> MapFigures:
    return replace(figures, name="this map") if figures.name == design.name else figures


def _span(figures: MapFigures) -> str:
    span = figures.free_rev_span
    return "no part" if span is None else f"{span:.1f} %"


def _summary(
    file: BuildFile,
    car: Car,
    designs: Sequence[ModeDesign],
    figures: Sequence[MapFigures],
    study: PlateStudy,
) -> tuple[str, ...]:
    plate = file.build.plate
    plates = f"{plate.count} plates of" if plate.count > 1 else "a plate of"
    old, new = figures[0], figures[1]
    state = new.boost_state
    n = 2000.0
    by_old = 100.0 * float(np.interp(n, old.rpm, old.share_by_20))
    by_new = 100.0 * float(np.interp(n, new.rpm, new.share_by_20))
    lines = [
        f"{file.build.name}: {1e3 * file.build.engine.displacement:.1f} L, "
        f"{plates} {1e3 * plate.bore:.0f} mm, charging: {file.build.charging_kind}, "
        f"use: {file.build.use}.",
        f"With the plate following the pedal one to one, 20 % of pedal gives {by_old:.0f} % of the "
        f"torque at {n:.0f} rpm ({state}); with this map it gives {by_new:.0f} %.",
        f"The steepest place of the pedal falls from {old.gain_ratio.max():.1f} to "
        f"{new.gain_ratio.max():.2f} times the mean, while 1500 to 4000 rpm in neutral spans "
        f"{_span(new)} of pedal instead of {_span(old)}. "
        "What a wider or narrower span would cost in evenness stands in a table below.",
    ]
    settled = [f for f in designs[0].figures if f.boost_state == "settled"]
    if car.turbo and state == "instant" and len(settled) > 1:
        lines.append(
            f"Once boost has settled the steepest place is {settled[1].gain_ratio.max():.1f} times "
            f"the mean with this map and its boost target, {settled[0].gain_ratio.max():.1f} one "
            "to one: no plate map is even in two boost states at once."
        )
    if not study.car_row.can_idle:
        lines.append(f"This plate cannot idle this engine: {study.car_row.why}")
    return tuple(lines)


def _cautions(study: PlateStudy) -> tuple[str, ...]:
    row = study.car_row
    fastest = 3.6 * max(row.default_car_speed)
    lines = []
    if row.default_speed * rpm > 2500.0 or fastest > 50.0:
        held = " (held only by the rev limit)" if row.default_held_by_limit else ""
        lines.append(
            "When the plate loses power it rests open far enough for "
            f"{row.default_speed * rpm:.0f} rpm unloaded{held} and {fastest:.0f} km/h in gear. "
            "Fit a speed cap by fuel cut that does not depend on the plate driver, or a smaller "
            "body or lower rest position, before the car moves."
        )
    return tuple(lines)
