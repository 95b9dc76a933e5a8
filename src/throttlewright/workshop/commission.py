"""Commission: parts check, gate, fault reactions, and the sheet of the first power-up."""

from __future__ import annotations

import json
import math
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Literal

from throttlewright.calibration.calibration import Calibration
from throttlewright.calibration.reactions import ACTION_TEXT, DETECTION_UNIT
from throttlewright.car.pack import Car
from throttlewright.design.commission import Judged, commission_steps, given_car, judge_steps
from throttlewright.design.failsafe import USES, closing_times, gate, rest_speed
from throttlewright.design.limp import limp_table
from throttlewright.design.parts import check_parts
from throttlewright.foundation.errors import InputError
from throttlewright.foundation.events import Cancelled, OnEvent, check_cancelled, ignore, never
from throttlewright.foundation.provenance import Origin
from throttlewright.handover.commission_page import CommissionData, commission_page
from throttlewright.workshop.common import Model, open_car, write_text

__all__ = [
    "FILLED_FORMAT",
    "ClosingLine",
    "CommissionRequest",
    "CommissionResult",
    "LimpLine",
    "PartLine",
    "ReactionLine",
    "StepLine",
    "UseLine",
    "blank_sheet",
    "commission",
    "read_filled",
]

FILLED_FORMAT = "throttlewright.commission"
_VERSION = 1
_GATE_KEYS = (
    "controller.shut_off",
    "controller.brake_signal",
    "plate.default_opening",
    "sensors.plate",
    "pedal.tracks",
    "servo.preload_above",
    "servo.coulomb",
)


class CommissionRequest(Model):
    """What to commission."""

    build: str
    calibration: str
    filled: str | None = None
    """TOML or JSON file with measured values by key of the step."""
    out: str | None = None
    """HTML file of the sheet."""


class PartLine(Model):
    """One part of the parts check."""

    name: str
    status: Literal["pass", "fail", "not_proven"]
    value: str
    limit: str
    text: str
    source: str
    fix: str
    blocks: bool


class ClosingLine(Model):
    """Time from full open to rest, springs alone; None where it takes over 6 s."""

    bridge_off: Literal["open", "brake"]
    case: str
    seconds: float | None
    limit_s: float
    own: bool
    good: bool


class UseLine(Model):
    """One use, and why it is refused."""

    use: str
    is_open: bool
    reasons: tuple[str, ...]
    fixes: tuple[str, ...]


class ReactionLine(Model):
    """One row of the fault-reaction table."""

    fault: str
    detection: str
    limit: float
    unit: str
    time_s: float
    reaction: str
    text: str
    recovery: str
    source: str


class LimpLine(Model):
    """One fault of the list."""

    fault: str
    text: str
    found_by: tuple[str, ...]
    limp: str
    recovery: str
    routes: tuple[str, ...]


class StepLine(Model):
    """One step of the sheet."""

    number: int
    phase: Literal["fingers", "air", "fuel", "drive"]
    key: str
    do: str
    expected: float | None
    unit: str
    low: float | None
    high: float | None
    stop: str
    then: str
    source: str
    measured: float | bool | None
    origin: str
    status: Literal["pass", "fail", "open", "locked"]
    text: str
    feeds: str


class CommissionResult(Model):
    """The sheet."""

    name: str
    use: str
    bench_only: bool
    parts: tuple[PartLine, ...]
    rest_rpm: float
    rest_km_h: tuple[float, ...]
    cap_rpm: float | None
    uses: tuple[UseLine, ...]
    closing: tuple[ClosingLine, ...]
    reactions: tuple[ReactionLine, ...]
    faults: tuple[LimpLine, ...]
    steps: tuple[StepLine, ...]
    notes: tuple[str, ...]
    blank: str
    """A file to fill in, TOML."""
    written: tuple[str, ...] = ()

    @property
    def exit_code(self) -> int:
        """1 where the use of the build is refused, a part blocks, or a step failed."""
        shut = any(u.use == self.use and not u.is_open for u in self.uses)
        blocked = any(p.status == "fail" and p.blocks for p in self.parts)
        failed = any(s.status == "fail" for s in self.steps)
        return 1 if shut or blocked or failed else 0


def read_filled(file: str) -> dict[str, float | bool]:
    """Read measured values from a TOML or JSON file.

    Parameters
    ----------
    file : str
        Path; a name that ends in ``.json`` is read as JSON.

    Returns
    -------
    dict of str to float or bool
        By key of the step.

    Raises
    ------
    InputError
        If the file cannot be read or is another kind of file.
    """
    try:
        text = Path(file).read_bytes().decode("utf-8-sig")
    except FileNotFoundError:
        raise InputError("the file does not exist", file=file) from None
    except UnicodeDecodeError:
        raise InputError("is not UTF-8 text", file=file) from None
    except OSError as error:
        raise InputError(f"cannot be read ({error.strerror})", file=file) from None
    try:
        is_json = Path(file).suffix.lower() == ".json"
        data: Any = json.loads(text) if is_json else tomllib.loads(text)
    except (ValueError, RecursionError) as error:
        raise InputError(f"cannot be read: {error}", file=file) from None
    if not isinstance(data, dict) or data.get("format") != FILLED_FORMAT:
        found = data.get("format") if isinstance(data, dict) else None
        raise InputError(
            "is another kind of file", file=file, key="format", value=found,
            allowed=f'"{FILLED_FORMAT}"',
        )  # fmt: skip
    version = data.get("format_version")
    if isinstance(version, bool) or version != _VERSION:
        raise InputError(
            "is not a version this program reads", file=file, key="format_version", value=version,
            allowed=str(_VERSION),
        )  # fmt: skip
    extra = sorted(set(data) - {"format", "format_version", "measured"})
    measured = data.get("measured", {})
    if extra or not isinstance(measured, dict):
        raise InputError(
            "is not a key of this file", file=file, key=extra[0] if extra else "measured",
            allowed="format, format_version, measured",
        )  # fmt: skip
    return dict(measured)


def blank_sheet(steps: tuple[Judged, ...]) -> str:
    """Return a file to fill in, one commented line for each step.

    Parameters
    ----------
    steps : tuple of Judged
        The sheet.

    Returns
    -------
    str
        TOML that ``read_filled`` reads.
    """
    lines = [f'format = "{FILLED_FORMAT}"', f"format_version = {_VERSION}", "", "[measured]"]
    for one in steps:
        step = one.step
        what = "true or false" if step.is_check else f"{step.unit}, expected {step.expected:g}"
        lines.append(f"# {step.key} =          # {one.number}: {what}")
    return "\n".join(lines) + "\n"


def _steps(
    car: Car, calibration: Calibration, measured: Mapping[str, float | bool], **found: Any
) -> tuple[Judged, ...]:
    planned = commission_steps(car, calibration, **found)
    # A wrong key is told before anything is made of the values.
    judge_steps(planned, measured)
    real = given_car(car, measured)
    if real is not car:
        again = commission_steps(real, calibration, **found)
        planned = tuple(old if old.feeds else new for old, new in zip(planned, again, strict=True))
    return judge_steps(planned, measured)


def _finite(value: float) -> float | None:
    return round(value, 6) if math.isfinite(value) else None


def _line(one: Judged) -> StepLine:
    step = one.step
    return StepLine(
        number=one.number,
        phase=step.phase,
        key=step.key,
        do=step.do,
        expected=step.expected,
        unit=step.unit,
        low=None if step.is_check else _finite(step.low),
        high=None if step.is_check else _finite(step.high),
        stop=step.stop,
        then=step.then,
        source=step.source,
        measured=one.measured,
        origin=one.origin,
        status=one.status,
        text=one.text,
        feeds=step.feeds,
    )


def commission(
    request: CommissionRequest, *, on_event: OnEvent = ignore, cancelled: Cancelled = never
) -> CommissionResult:
    """Check the parts, judge the fail-safe behaviour, and write the sheet of the first power-up.

    Parameters
    ----------
    request : CommissionRequest
        Build, calibration, and perhaps a filled file.
    on_event : callable
        Told of nothing: this takes moments.
    cancelled : callable
        Asked between the parts.

    Returns
    -------
    CommissionResult
        What the sheet shows, and the file written.

    Raises
    ------
    InputError
        If something that was given cannot be used.
    """
    file, car = open_car(request.build)
    calibration = Calibration.read(request.calibration)
    measured = read_filled(request.filled) if request.filled is not None else {}
    rest = rest_speed(car)
    check_cancelled(cancelled)
    found = gate(car, calibration, rest=rest)
    closing = closing_times(car)
    check_cancelled(cancelled)
    assumed = {key for key, p in file.provenance.items() if p.origin is Origin.ASSUMED}
    parts = check_parts(car, bits_needed=rest.bits_needed, assumed=assumed)
    limp = limp_table(car, calibration)
    try:
        steps = _steps(car, calibration, measured, rest=rest, gate=found)
    except InputError as error:
        raise error.in_file(request.filled or request.build) from None
    notes = []
    if calibration.build_sha256 and calibration.build_sha256 != file.sha256:
        notes.append("The calibration was designed for another state of this build file.")
    if measured:
        notes.append(
            f"{len(measured)} values were given; winding and tracks among them stand in for those "
            "of the build in what is expected below them."
        )
    rests = sorted(key for key in _GATE_KEYS if key in assumed)
    if rests:
        notes.append(f"The gate rests on numbers nobody gave: {', '.join(rests)}.")
    blind = [row.fault for row in limp if not row.found]
    if blind:
        notes.append(f"Nothing in this calibration looks for: {', '.join(blind)}.")
    helpless = [row.fault for row in limp if not row.safe]
    if helpless:
        notes.append(f"No shut-off route is left with: {', '.join(helpless)}.")
    data = CommissionData(
        car_name=file.build.name,
        use=car.build.use,
        parts=parts,
        closing=closing,
        rest=rest,
        gate=found,
        limp=limp,
        reactions=calibration.reactions,
        steps=steps,
        notes=tuple(notes),
        bench_only=calibration.bench_only,
    )
    written: tuple[str, ...] = ()
    if request.out is not None:
        try:
            write_text(Path(request.out), commission_page(data))
        except OSError as error:
            raise InputError(
                f"cannot be written ({error.strerror or error})", file=request.out,
                advice="give another --out",
            ) from None  # fmt: skip
        written = (str(request.out),)
    return CommissionResult(
        name=file.build.name,
        use=car.build.use,
        bench_only=calibration.bench_only,
        parts=tuple(PartLine(**vars(p)) for p in parts),
        rest_rpm=round(rest.rpm, 1),
        rest_km_h=tuple(round(v, 1) for v in rest.km_h),
        cap_rpm=_finite(found.cap_rpm),
        uses=tuple(
            UseLine(
                use=use,
                is_open=found.is_open(use),
                reasons=tuple(r.why for r in found.refusals if r.use == use),
                fixes=tuple(r.fix for r in found.refusals if r.use == use),
            )
            for use in USES
        ),
        closing=tuple(
            ClosingLine(
                bridge_off=c.bridge_off,
                case=c.case,
                seconds=_finite(c.seconds),
                limit_s=1.0,
                own=c.own,
                good=c.good,
            )
            for c in closing
        ),
        reactions=tuple(
            ReactionLine(
                fault=r.fault,
                detection=r.detection,
                limit=r.limit,
                unit=DETECTION_UNIT[r.detection],
                time_s=r.time_s,
                reaction=r.reaction,
                text=ACTION_TEXT[r.reaction],
                recovery=r.recovery,
                source=r.source,
            )
            for r in calibration.reactions
        ),
        faults=tuple(
            LimpLine(
                fault=r.fault,
                text=r.text,
                found_by=tuple(x.fault for x in r.reactions),
                limp=r.limp,
                recovery=r.recovery,
                routes=r.routes,
            )
            for r in limp
        ),
        steps=tuple(_line(one) for one in steps),
        notes=tuple(notes),
        blank=blank_sheet(steps),
        written=written,
    )
