"""Roles: what each role of the plate adds to a car, and each driven with it and without it."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from throttlewright.build.load import BuildFile, IntentFile
from throttlewright.calibration.calibration import Calibration, Number
from throttlewright.calibration.limits import OUTPUT_UNIT, Limit
from throttlewright.calibration.lint import Finding, lint_calibration
from throttlewright.calibration.table import Table
from throttlewright.car.motion import in_motion
from throttlewright.car.pack import Car
from throttlewright.design.role import Role
from throttlewright.design.roles import ROLES
from throttlewright.design.rows import Rows
from throttlewright.foundation.errors import InputError, nearest
from throttlewright.foundation.events import (
    Cancelled,
    Event,
    OnEvent,
    check_cancelled,
    ignore,
    never,
)
from throttlewright.handover.pair_picture import PairCurve, pair_curves, pair_picture
from throttlewright.handover.roles_page import (
    FigureSide,
    PairPart,
    RolePage,
    RolePart,
    TablePart,
    roles_page,
)
from throttlewright.prove.role_figure import Judged
from throttlewright.prove.with_without import Pair, empty_reason, with_without
from throttlewright.workshop.calibration import calibration_of
from throttlewright.workshop.common import open_car, write_folder
from throttlewright.workshop.modes import ModeDesign, check_gears, design_mode, surfaces_of
from throttlewright.workshop.prove import open_intent
from throttlewright.workshop.roles_models import (
    AxisLine,
    Curve,
    FindingLine,
    JudgedLine,
    NumberLine,
    PairCard,
    RoleCard,
    RolesRequest,
    RolesResult,
    RoleState,
    RowLine,
    TableCard,
    TypicalLine,
)

__all__ = [
    "AxisLine",
    "Curve",
    "FindingLine",
    "JudgedLine",
    "NumberLine",
    "PairCard",
    "RoleCard",
    "RolesRequest",
    "RolesResult",
    "RowLine",
    "TableCard",
    "TypicalLine",
    "roles",
    "roles_of_car",
]

_PEDALS, _SPEEDS = 17, 17


def _designed(file: BuildFile, intent: IntentFile, car: Car, modes: bool) -> Calibration:
    """The calibration of all modes; without them what the roles add, for the cards alone."""
    if not modes:
        return calibration_of(file, intent, car, ())
    check_gears(car, intent)
    surfaces = surfaces_of(car, None, [])
    designs = []
    for name, mode in intent.intent.mode.items():
        made, state, surface = design_mode(
            car, name, mode, surfaces, pedals=_PEDALS, speeds=_SPEEDS
        )
        designs.append(ModeDesign(name, mode, made, state, surface, ()))
    return calibration_of(file, intent, car, designs)


def _number(name: str, number: Number) -> NumberLine:
    return NumberLine(name=name, value=number.value, unit=number.unit, source=number.source)


_LAW_WORDS = {
    "table": "read from a table",
    "pi": "set by a loop",
    "ramp": "going to a fixed value at its rate",
    "timed": "a fixed value for a set time",
    "model": "read from a table ahead of time, along the slope of what it reads",
}
_OUTPUT_WORDS = {
    "plate": "plate opening",
    "retard": "ignition retard",
    "fuel_cut": "share of cylinders without fuel",
    "wastegate": "pressure held back from the wastegate",
}


def _row(limit: Limit, rows: Rows) -> RowLine:
    reads = tuple(name for name in (limit.x, limit.y, limit.z) if name)
    unit = f" {OUTPUT_UNIT[limit.output]}" if OUTPUT_UNIT[limit.output] else ""
    text = f"{limit.side} of the {_OUTPUT_WORDS[limit.output]}, {_LAW_WORDS[limit.law]}"
    if reads and limit.law in ("table", "pi", "model"):
        text += f" over {' and '.join(reads)}"
    text += f", while {limit.arm}" if limit.arm else ", always"
    for way, rate in (("rises", limit.rise_rate), ("falls", limit.fall_rate)):
        if math.isfinite(rate):
            text += f"; {way} by at most {rate:.4g}{unit}/s"
    return RowLine(
        name=limit.name,
        output=limit.output,
        side=limit.side,
        law=limit.law,
        reads=reads,
        arm=limit.arm,
        table=limit.table,
        reason=limit.reason,
        source=limit.source,
        text=text,
        numbers=tuple(
            _number(name.partition(".")[2], number)
            for name, number in rows.numbers.items()
            if name.partition(".")[0] == limit.name
        ),
    )


def _table(table: Table) -> TableCard:
    return TableCard(
        name=table.name,
        quantity=table.quantity,
        unit=table.unit,
        axes=tuple(
            AxisLine(name=a.name, unit=a.unit, values=tuple(float(v) for v in a.values))
            for a in table.axes
        ),
        values=table.values.tolist(),
        note=table.note,
        percent_meaning=table.percent_meaning,
    )


def _judged(judged: Judged | None) -> JudgedLine | None:
    if judged is None:
        return None
    known = math.isfinite(judged.value)
    return JudgedLine(
        value=float(f"{judged.value:.6g}") if known else None,
        unit=judged.unit,
        limit=judged.limit,
        good=judged.good,
        text=judged.text,
    )


def _round(values: np.ndarray) -> list[float]:
    return [float(f"{v:.6g}") for v in values]


def _curve(curve: PairCurve) -> Curve:
    return Curve(
        channel=curve.channel,
        title=curve.title,
        unit=curve.unit,
        t_with_s=_round(curve.t_with),
        y_with=_round(curve.y_with),
        t_without_s=_round(curve.t_without),
        y_without=_round(curve.y_without),
    )


def _pair(pair: Pair, number: int) -> PairCard:
    scenario = pair.scenario
    curves: tuple[PairCurve, ...] = ()
    picture = None
    if pair.recording_with is not None and pair.recording_without is not None:
        curves = pair_curves(pair.recording_with, pair.recording_without, pair.channels)
        picture = pair_picture(
            curves,
            name=f"{pair.role}-{number}",
            title=f"{scenario.title}, with {pair.role} and without it",
        )
    return PairCard(
        scenario=scenario.name,
        title=scenario.title,
        caution=scenario.caution or "",
        figure=pair.figure,
        skipped=pair.skipped,
        with_role=_judged(pair.with_),
        without_role=_judged(pair.without),
        in_charge_s=round(pair.in_charge_s, 3),
        duration_s=0.0 if pair.skipped else float(scenario.duration),
        curves=tuple(_curve(curve) for curve in curves),
        picture=picture,
    )


def _state(role: Role, rows: Rows, asked: bool, reason: str) -> RoleState:
    if rows.refused:
        return "refused"
    if not reason:
        return "gives"
    return "nothing" if asked else "not asked"


def _findings(rows: Rows, findings: Sequence[Finding]) -> tuple[FindingLine, ...]:
    names = [*(row.name for row in rows.limits), *(table.name for table in rows.tables)]
    if not names:
        return ()
    mine = re.compile(rf"\b({'|'.join(re.escape(name) for name in names)})\b")
    return tuple(
        FindingLine(
            level=finding.severity,
            subject=f"{finding.where}, {finding.at}" if finding.at else finding.where,
            text=f"{finding.text}; {finding.advice}" if finding.advice else finding.text,
        )
        for finding in findings
        if mine.search(finding.where)
    )


@dataclass(frozen=True)
class _Work:
    """What all cards of one request share."""

    car: Car
    intent: IntentFile
    calibration: Calibration
    findings: tuple[Finding, ...]
    request: RolesRequest
    on_event: OnEvent
    cancelled: Cancelled


def _card(work: _Work, role: Role) -> RoleCard:
    intent = work.intent.intent
    rows = role.rows(work.car, intent)
    asked = not role.section or getattr(intent, role.section) is not None
    reason = empty_reason(role, rows, intent)
    pairs: tuple[Pair, ...] = ()
    if work.request.drive:
        pairs = with_without(
            work.car,
            work.calibration,
            intent,
            role,
            seed=work.request.seed,
            on_event=work.on_event,
            cancelled=work.cancelled,
        )
    of_row = {limit.name for limit in rows.limits}
    return RoleCard(
        name=role.name,
        title=role.title,
        text=role.text,
        section=role.section,
        only=role.only,
        asked=asked,
        state=_state(role, rows, asked, reason),
        reason=reason,
        refused=rows.refused,
        rows=tuple(_row(limit, rows) for limit in rows.limits),
        tables=tuple(_table(table) for table in rows.tables),
        numbers=tuple(
            _number(name, number)
            for name, number in rows.numbers.items()
            if name.partition(".")[0] not in of_row
        ),
        reactions=tuple(reaction.fault for reaction in rows.reactions),
        typical=tuple(TypicalLine(key=t.key, value=t.value, source=t.source) for t in role.typical),
        pairs=tuple(_pair(pair, number) for number, pair in enumerate(pairs, 1)),
        findings=_findings(rows, work.findings),
        notes=rows.notes,
        caution=role.caution,
    )


def _chosen(name: str | None) -> tuple[Role, ...]:
    if name is None:
        return ROLES
    found = tuple(role for role in ROLES if role.name == name)
    if not found:
        names = [role.name for role in ROLES]
        close = nearest(name, names)
        raise InputError(
            "is no role of the plate",
            key="role",
            value=name,
            allowed=", ".join(names),
            advice=f"did you mean {close!r}?" if close else None,
        )
    return found


def roles(
    request: RolesRequest, *, on_event: OnEvent = ignore, cancelled: Cancelled = never
) -> RolesResult:
    """Say what each role adds to a car, drive it with each and without, and write the page.

    Parameters
    ----------
    request : RolesRequest
        Build and intent, which role, and where to write.
    on_event : callable
        Told of progress.
    cancelled : callable
        Asked between runs.

    Returns
    -------
    RolesResult
        One card for each role; its ``exit_code`` is 1 where a figure misses its limit.

    Raises
    ------
    InputError
        If something that was given cannot be used.
    """
    _chosen(request.role)
    file, car = open_car(request.build)
    return roles_of_car(
        request, file, car, open_intent(request.intent), on_event=on_event, cancelled=cancelled
    )


def roles_of_car(
    request: RolesRequest,
    file: BuildFile,
    car: Car,
    intent: IntentFile,
    *,
    on_event: OnEvent = ignore,
    cancelled: Cancelled = never,
) -> RolesResult:
    """The same for a build and an intent that are already read."""
    chosen = _chosen(request.role)
    on_event(Event("roles", 0, len(chosen) + 1, "pedal maps"))
    calibration = _designed(file, intent, car, request.drive)
    work = _Work(
        car=in_motion(car) if request.drive else car,
        intent=intent,
        calibration=calibration,
        findings=lint_calibration(calibration),
        request=request,
        on_event=on_event,
        cancelled=cancelled,
    )
    cards = []
    for number, role in enumerate(chosen, 1):
        check_cancelled(cancelled)
        on_event(Event("roles", number, len(chosen) + 1, role.title))
        cards.append(_card(work, role))
    check_cancelled(cancelled)
    notes = [] if request.drive else ["no scenario was driven, so that no role is shown at work"]
    result = RolesResult(
        name=file.build.name,
        use=file.build.use,
        bench_only=calibration.bench_only,
        roles=tuple(cards),
        notes=tuple(notes),
    )
    on_event(Event("roles", len(chosen) + 1, len(chosen) + 1))
    return result if request.out is None else _written(request.out, result)


def _written(out: str, result: RolesResult) -> RolesResult:
    pictures = {
        f"{card.name}-{number}.svg": _standalone(pair.picture)
        for card in result.roles
        for number, pair in enumerate(card.pairs, 1)
        if pair.picture is not None
    }
    files = pictures | {
        "roles.html": roles_page(_page(result)),
        "roles.json": result.model_dump_json(indent=1, exclude={"written"}) + "\n",
    }
    folder: Path = write_folder(out, files)
    return result.model_copy(
        update={"written": tuple(str(folder / name) for name in sorted(files))}
    )


def _standalone(svg: str) -> str:
    return svg.replace("<svg ", '<svg xmlns="http://www.w3.org/2000/svg" ', 1) + "\n"


def _side(line: JudgedLine | None) -> FigureSide | None:
    if line is None:
        return None
    return FigureSide(line.value, line.unit, line.limit, line.good, line.text)


def _grid(table: TableCard) -> tuple[tuple[float, ...], ...]:
    return tuple(tuple(line) if isinstance(line, list) else (float(line),) for line in table.values)


def _part(card: RoleCard) -> RolePart:
    return RolePart(
        name=card.name,
        title=card.title,
        text=card.text,
        section=card.section,
        only=card.only,
        state=card.state,
        reason=card.reason,
        rows=tuple((r.name, r.text, r.reason, r.source) for r in card.rows),
        numbers=tuple(
            (name, f"{n.value:.6g} {n.unit}".strip(), n.source)
            for name, n in (
                *((f"{r.name}.{n.name}", n) for r in card.rows for n in r.numbers),
                *((n.name, n) for n in card.numbers),
            )
        ),
        tables=tuple(
            TablePart(
                t.name,
                t.quantity,
                t.unit,
                tuple((a.name, a.unit, a.values) for a in t.axes),
                _grid(t),
                t.note,
                t.percent_meaning,
            )
            for t in card.tables
        ),
        reactions=card.reactions,
        typical=tuple((t.key, t.value, t.source) for t in card.typical),
        pairs=tuple(
            PairPart(
                p.scenario,
                p.title,
                p.caution,
                p.skipped,
                _side(p.with_role),
                _side(p.without_role),
                p.in_charge_s,
                p.duration_s,
                p.picture,
            )
            for p in card.pairs
        ),
        findings=tuple((f.level, f.subject, f.text) for f in card.findings),
        notes=card.notes,
        caution=card.caution,
    )


def _page(result: RolesResult) -> RolePage:
    return RolePage(
        result.name, result.bench_only, tuple(_part(card) for card in result.roles), result.notes
    )
