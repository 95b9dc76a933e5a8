"""Servo: learn motor, springs and friction from records, design the controller, look in corners."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np

from throttlewright.build.intent import Intent
from throttlewright.car.flows import plate_area_of
from throttlewright.car.pack import Car
from throttlewright.design.servo import servo as servo_rows
from throttlewright.design.servo_check import ServoCheck, check_servo
from throttlewright.foundation.errors import InputError
from throttlewright.foundation.events import (
    Cancelled,
    Event,
    OnEvent,
    check_cancelled,
    ignore,
    never,
)
from throttlewright.handover.servo_picture import servo_picture
from throttlewright.logs.servo_fit import ServoFit, fit_servo, with_fit
from throttlewright.logs.servo_records import CAUTION, Record, prepare, record_plan
from throttlewright.recording.csv_table import read_text, separator_of, split_cells
from throttlewright.recording.parquet import read_parquet
from throttlewright.recording.recording import Channel, Recording
from throttlewright.workshop.common import Model, open_car, write_text

__all__ = [
    "EstimateLine",
    "MoveLine",
    "NumberLine",
    "ServoRequest",
    "ServoResult",
    "read_record",
    "servo",
]


class ServoRequest(Model):
    """Which car, and what is known of it."""

    build: str
    records: tuple[str, ...] = ()
    """Parquet or CSV files."""
    picture: str | None = None
    """SVG file."""
    closed_stop: bool = True
    """Whether a stop keeps the plate out of the bore."""
    current_limit_A: float | None = None


class EstimateLine(Model):
    """One fitted number with its 95 % interval."""

    name: str
    value: float
    low: float
    high: float
    unit: str
    told: bool
    reason: str


class NumberLine(Model):
    """One number of the controller."""

    name: str
    value: float
    unit: str
    source: str


class MoveLine(Model):
    """One step in one corner, against its limits."""

    condition: str
    start_deg: float
    end_deg: float
    rise_s: float | None
    settle_s: float
    overshoot_deg: float
    static_deg: float
    effort_s: float
    landing_deg_s: float
    limit_rise_s: float | None
    limit_settle_s: float | None
    limit_overshoot_deg: float
    ok: bool


class ServoResult(Model):
    """What was learned, designed and found."""

    name: str
    status: str
    """``pass``, ``fail``, or ``not_proven`` where the servo of the build is assumed."""
    plan: tuple[str, ...]
    estimates: tuple[EstimateLine, ...]
    numbers: tuple[NumberLine, ...]
    moves: tuple[MoveLine, ...]
    gain_margin: float
    phase_margin_deg: float
    worst_stick_slip_deg: float
    worst_lag_s: float
    hold_duty: float
    hottest_winding_degC: float
    least_opening_deg: float
    landing_air_g_s: float
    """Idle air that the least target passes beyond the closed plate: what soft landing costs."""
    notes: tuple[str, ...]
    caution: str = CAUTION
    written: tuple[str, ...] = ()

    @property
    def exit_code(self) -> int:
        """0 where every step is within its limits, else 1."""
        return 1 if self.status == "fail" else 0


def read_record(path: str) -> Recording:
    """Read a servo record: Parquet, or text with a column ``time_s`` and a header line.

    Parameters
    ----------
    path : str
        File. A header cell is the name of a channel, with or without ``[unit]``.

    Returns
    -------
    Recording
        Its channels; the cell ``body_degC`` of a text file becomes the fact of that name.

    Raises
    ------
    InputError
        If it cannot be read.
    """
    if path.endswith(".parquet"):
        return read_parquet(path)
    lines = [x for x in read_text(path).splitlines() if x.strip() and not x.startswith("#")]
    if len(lines) < 3:
        raise InputError("holds no record", file=path)
    mark = separator_of(lines)
    names = [cell.split("[")[0].strip() for cell in split_cells(lines[0], mark)]
    if "time_s" not in names:
        raise InputError("the column is missing", file=path, key="time_s")
    rows = []
    for number, line in enumerate(lines[1:], 2):
        cells = split_cells(line, mark)
        try:
            if len(cells) != len(names):
                raise ValueError
            rows.append([float(cell) for cell in cells])
        except ValueError:
            raise InputError("is not a row of numbers", file=path, key=f"row {number}") from None
    table = np.array(rows)
    t = table[:, names.index("time_s")]
    meta = {}
    if "body_degC" in names:
        meta["body_degC"] = float(table[0, names.index("body_degC")])
    keep = [(k, n) for k, n in enumerate(names) if n not in ("time_s", "body_degC")]
    try:
        return Recording.of([Channel(n, "", t, table[:, k]) for k, n in keep], meta=meta)
    except InputError as error:
        raise error.in_file(path) from None


def _fit(paths: tuple[str, ...], car: Car) -> tuple[list[Record], ServoFit]:
    records = []
    for path in paths:
        try:
            records.append(prepare(read_record(path), car=car))
        except InputError as error:
            raise (error if error.file else error.in_file(path)) from None
    return records, fit_servo(records, car=car)


def _finite(value: float) -> float | None:
    return round(value, 4) if math.isfinite(value) else None


def _moves(check: ServoCheck) -> tuple[MoveLine, ...]:
    return tuple(
        MoveLine(
            condition=m.condition.text,
            start_deg=round(m.start, 2),
            end_deg=round(m.end, 2),
            rise_s=_finite(m.rise),
            settle_s=round(m.settle, 4),
            overshoot_deg=round(m.overshoot, 3),
            static_deg=round(m.static, 3),
            effort_s=round(m.effort, 4),
            landing_deg_s=round(math.degrees(m.landing), 1),
            limit_rise_s=_finite(m.limit_rise),
            limit_settle_s=_finite(m.limit_settle),
            limit_overshoot_deg=round(m.limit_overshoot, 3),
            ok=m.ok,
        )
        for m in check.moves
    )


_CHOKED = 0.6847
"""Flow number of choked air, sqrt(k) (2 / (k + 1))^((k + 1) / (2 (k - 1))), k = 1.4; textbook."""


def _landing(car: Car, opening_pct: float) -> float:
    """Air past the least target beyond that of the closed plate, choked as at idle [g/s]."""
    rec = car.record
    areas = [
        float(plate_area_of(car.psi_closed + share * float(rec["servo_travel"]), car=rec))
        for share in (0.0, 0.01 * opening_pct)
    ]
    speed = math.sqrt(287.05 * float(rec["T_ambient"]))
    return 1e3 * (areas[1] - areas[0]) * float(rec["p_ambient"]) * _CHOKED / speed


def _notes(request: ServoRequest, fit: ServoFit | None) -> tuple[str, ...]:
    notes = list(fit.notes) if fit else []
    if fit is None:
        notes.append("No record was given: motor, springs and friction are the build's own.")
    elif any(not e.told for e in fit.estimates.values()):
        notes.append("What the record cannot tell stays as the build has it.")
    if not request.closed_stop:
        notes.append(
            "This body has no closed stop: its closed end is never learned by driving the plate "
            "into the bore; at most 20 % duty for 0.3 s, then back off."
        )
    notes.append("No air flows in these figures, and the rate limit of the plate target is off.")
    return tuple(notes)


def servo(
    request: ServoRequest, *, on_event: OnEvent = ignore, cancelled: Cancelled = never
) -> ServoResult:
    """Identify the servo where records are given, design its controller and try it.

    Parameters
    ----------
    request : ServoRequest
        Build, records, picture.
    on_event : callable
        Told of progress.
    cancelled : callable
        Asked between the parts.

    Returns
    -------
    ServoResult
        Figures, numbers, and which record to take next.

    Raises
    ------
    InputError
        If something that was given cannot be used.
    """
    if request.picture is not None:
        target = Path(request.picture)
        if target.suffix != ".svg" or not target.parent.is_dir():
            raise InputError("must be an .svg file in a folder that exists", key="picture",
                             value=request.picture)  # fmt: skip
    file, believed = open_car(request.build)
    fit: ServoFit | None = None
    drawn = None
    car = believed
    if request.records:
        records, fit = _fit(request.records, believed)
        car = with_fit(believed, fit)
        first, trace = records[0], fit.traces[0]
        at = np.minimum(np.round(first.at).astype(int), len(trace) - 1)
        drawn = (1e-3 * first.at, np.degrees(first.plate), np.degrees(trace[at, 0]))
    on_event(Event("servo", 1, 3, "identified"))
    check_cancelled(cancelled)
    # the servo does not depend on what is wanted of the engine
    numbers = servo_rows(
        car, Intent.model_construct(), most_current=request.current_limit_A
    ).numbers
    found = check_servo(car, dict(numbers))
    on_event(Event("servo", 2, 3, "tried in its corners"))
    check_cancelled(cancelled)
    written: tuple[str, ...] = ()
    if request.picture is not None:
        svg = servo_picture(found.moves, title=f"{file.build.name}: plate servo", record=drawn)
        text = svg.replace("<svg ", '<svg xmlns="http://www.w3.org/2000/svg" ', 1)
        write_text(Path(request.picture), text + "\n")
        written = (request.picture,)
    travel = math.degrees(float(car.record["servo_travel"]))
    status = "pass" if found.ok else "fail"
    if status == "pass" and fit is None:
        status = "not_proven"
    estimates = () if fit is None else tuple(
        EstimateLine(name=e.name, value=e.value, low=e.low, high=e.high, unit=e.unit, told=e.told,
                     reason=e.reason)
        for e in fit.estimates.values()
    )  # fmt: skip
    return ServoResult(
        name=file.build.name,
        status=status,
        plan=record_plan(car, closed_stop=request.closed_stop).steps,
        estimates=estimates,
        numbers=tuple(
            NumberLine(name=n, value=v.value, unit=v.unit, source=v.source)
            for n, v in numbers.items()
            if n.startswith(("servo_", "least_"))
        ),
        moves=_moves(found),
        gain_margin=round(found.margins.gain, 3),
        phase_margin_deg=round(found.margins.phase, 2),
        worst_stick_slip_deg=round(max(r.stick_slip for r in found.ramps), 3),
        worst_lag_s=round(max(r.lag for r in found.ramps), 4),
        hold_duty=round(max(h.duty for h in found.holds), 3),
        hottest_winding_degC=round(max(h.T_winding for h in found.holds) - 273.15, 1),
        least_opening_deg=round(0.01 * found.landing_pct * travel, 3),
        landing_air_g_s=round(_landing(car, found.landing_pct), 3),
        notes=_notes(request, fit),
        written=written,
    )
